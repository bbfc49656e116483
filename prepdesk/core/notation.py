"""How a chemist writes what is kept as plain text: formulas and amounts."""

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

Piece = tuple[Literal["plain", "sub", "sup"], str]

# Formulas may arrive pretty already; one notation inside makes one drawing outside.
_PRETTY = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
_SUPERSCRIPTS = {"⁰": "0", "¹": "1", "²": "2", "³": "3", "⁴": "4", "⁵": "5", "⁶": "6", "⁺": "+", "⁻": "-"}
_SUPERSCRIPT_RUN = re.compile(f"[{''.join(_SUPERSCRIPTS)}]+")
_TOKEN = re.compile(
    r"(?P<dot>[.·*•](?P<times>\d+(?:\.\d+)?)?)"
    r"|(?P<charge>\^[0-9]*[+-]|[+-]$)"
    r"|(?P<count>\d+)"
    r"|(?P<other>[^.·*•^0-9+-]+|.)",
    re.DOTALL,
)


def formula_pieces(formula: str) -> list[Piece]:
    """Split a formula into plain text, subscripts and superscripts.

    A point, a middle dot or an asterisk sets off hydrate water; the number behind it counts molecules
    and stays on the line. ``^2-`` or a sign at the very end is a charge.

    >>> formula_pieces("CuSO4.5H2O")
    [('plain', 'CuSO'), ('sub', '4'), ('plain', '·5H'), ('sub', '2'), ('plain', 'O')]
    >>> formula_pieces("SO4^2-")
    [('plain', 'SO'), ('sub', '4'), ('sup', '2−')]
    """
    text = _SUPERSCRIPT_RUN.sub(
        lambda run: "^" + "".join(_SUPERSCRIPTS[sign] for sign in run[0]), formula.strip().translate(_PRETTY)
    )
    pieces: list[Piece] = []

    def add(kind: Literal["plain", "sub", "sup"], part: str) -> None:
        if pieces and pieces[-1][0] == kind == "plain":
            pieces[-1] = ("plain", pieces[-1][1] + part)
        else:
            pieces.append((kind, part))

    for token in _TOKEN.finditer(text):
        if token["dot"] is not None:
            add("plain", "·" + (token["times"] or ""))
        elif token["charge"] is not None:
            add("sup", token["charge"].lstrip("^").replace("-", "−"))
        elif token["count"] is not None:
            leading = token.start() == 0
            add("plain" if leading else "sub", token["count"])
        else:
            add("plain", token["other"])
    return pieces


def number_words(value: object) -> str:
    """A number as text, digits kept, never with an exponent."""
    if isinstance(value, Decimal):
        return format(value, "f")
    if isinstance(value, float):
        return format(Decimal(repr(value)), "f")
    return str(value)


def amount_words(amount: object) -> str:
    """``58.44 g`` out of ``{"value": "58.44", "unit": "g"}``."""
    if not isinstance(amount, Mapping):
        return ""
    return f"{number_words(amount.get('value', ''))} {amount.get('unit', '')}".strip()


_TOGETHER = re.compile(r"(?<=\d) (?=[%°]|(?:[mu]?mol|[mu]?[gL])\b)|(?<=stage) (?=\d)")


def together(text: str) -> str:
    """Keep a number on one line with what it counts: "96 %", "1.0 mol/L", "stage 1"."""
    return _TOGETHER.sub("\u00a0", text)


def window_words(low: object, high: object, unit: str = "") -> str:
    """``58.61 to 58.85 g``, or ``exactly 44 mL`` where only one reading of the scale is inside."""
    bounds = f"exactly {number_words(low)}" if low == high else f"{number_words(low)} to {number_words(high)}"
    return f"{bounds} {unit}".strip()


_LITRES_FROM_ML = Decimal(2000)


def size_words(nominal: object) -> str:
    """The size that stands on a vessel: ``500 mL``, from two litres on ``5 L``."""
    if isinstance(nominal, Mapping) and nominal.get("unit") == "mL":
        millilitres = Decimal(str(nominal["value"]))
        if millilitres >= _LITRES_FROM_ML:
            return f"{format((millilitres / 1000).normalize(), 'f')} L"
    return amount_words(nominal)


def apparatus_words(equipment: object) -> str:
    """``500 mL one-mark flask, class A`` or ``balance, 0.01 g``."""
    if not isinstance(equipment, Mapping):
        return ""
    kind = str(equipment.get("type", ""))
    if kind == "balance":
        readability = amount_words(equipment.get("readability"))
        return f"balance, {readability}" if readability else "balance"
    words = f"{size_words(equipment.get('nominal'))} {kind}".strip()
    grade = equipment.get("class")
    return f"{words}, class {grade}" if grade else words
