"""Chemical formulas as they stand on bottles, read by one strict parser.

General-purpose libraries disagree about hydrates: several read the point in ``CuSO4.5H2O`` as a
decimal point and weigh 4.5 oxygens, which is a quarter of the mass gone. So the text is read here,
the water of hydration is kept apart, and whatever can be read in two ways is refused with words.
"""

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from functools import lru_cache
from types import MappingProxyType
from typing import Final

from prepdesk.calc.errors import InputError

MAX_CHARACTERS: Final = 200
MAX_COUNT: Final = 10_000

_ELEMENTS: Final = (
    "H He Li Be B C N O F Ne Na Mg Al Si P S Cl Ar K Ca Sc Ti V Cr Mn Fe Co Ni Cu Zn Ga Ge As Se Br Kr "
    "Rb Sr Y Zr Nb Mo Tc Ru Rh Pd Ag Cd In Sn Sb Te I Xe Cs Ba La Ce Pr Nd Pm Sm Eu Gd Tb Dy Ho Er Tm Yb "
    "Lu Hf Ta W Re Os Ir Pt Au Hg Tl Pb Bi Po At Rn Fr Ra Ac Th Pa U Np Pu Am Cm Bk Cf Es Fm Md No Lr Rf "
    "Db Sg Bh Hs Mt Ds Rg Cn Nh Fl Mc Lv Ts Og"
)
SYMBOLS: Final = frozenset(_ELEMENTS.split())

# Names of the bench that happen to consist of element symbols: KHP would weigh 71 instead of 204.
_ABBREVIATIONS: Final = {
    "KHP": "potassium hydrogen phthalate is KHC8H4O4",
    "PBS": "it is a mixture; order its salts",
    "NBS": "N-bromosuccinimide is C4H4BrNO2",
    "PVP": "it is a polymer without one formula",
}

_SUBSCRIPTS: Final = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
_SUPERSCRIPTS: Final = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻", "0123456789+-")
_TO_SUBSCRIPT: Final = str.maketrans("0123456789", "₀₁₂₃₄₅₆₇₈₉")
_TO_SUPERSCRIPT: Final = str.maketrans("0123456789+-", "⁰¹²³⁴⁵⁶⁷⁸⁹⁺⁻")
_LOOKALIKES: Final = str.maketrans(
    dict.fromkeys("•⋅∙‧・･●◦×*", "·") | dict.fromkeys("\u2212\u2013\u2010\u2011", "-")
)

_SUPERSCRIPT_END: Final = re.compile(r"([⁰¹²³⁴⁵⁶⁷⁸⁹]*[⁺⁻])$")
_CHARGE: Final = re.compile(
    r"""(?: \^ (?: (?P<n1>[1-9]?)(?P<s1>[+-]) | (?P<s2>[+-])(?P<n2>[1-9]) )   # SO4^2-
          | \( (?P<n3>[1-9]?)(?P<s3>[+-]) \)                                  # SO4(2-)
          | (?<=\]) (?P<n4>[1-9]?)(?P<s4>[+-])                                # [Cu(NH3)4]2+
          | (?P<s5>[+-])                                                      # NH4+
        )$""",
    re.VERBOSE | re.ASCII,
)
_TOKEN: Final = re.compile(r"([A-Z][a-z]?)|([(\[{])|([)\]}])|([0-9]+)", re.ASCII)
_DOT: Final = re.compile(
    r"[·.]([0-9]{1,3}/[0-9]{1,2}|[0-9]{1,3}\.[0-9]{1,3}|[0-9]{1,4}|)(?=[A-Z(\[{])", re.ASCII
)
_HEAD: Final = re.compile(r"([0-9]{0,4})(?=[A-Z(\[{])", re.ASCII)
_OPEN_WATER: Final = re.compile(r"(?:[·.][xnXN~]\(?H2O\)?|\(H2O\)[xnXN])$", re.ASCII)
# Elements without a standard atomic weight: nothing is weighed by them; mostly slips of the shift key.
_UNWEIGHABLE: Final = (
    "Tc Pm Po At Rn Fr Ra Ac Np Pu Am Cm Bk Cf Es Fm Md No Lr Rf Db Sg Bh Hs Mt Ds Rg Cn Nh Fl Mc Lv Ts Og"
)
_WITHOUT_WEIGHT: Final = frozenset(_UNWEIGHABLE.split())
_CLOSES: Final = {")": "(", "]": "[", "}": "{"}
_WATER: Final = {"H": 2, "O": 1}
_SAY_HOW = (
    "Write it like NaCl, Ca(OH)2 or CuSO4.5H2O, with capital and small letters as in the periodic table."
)


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula that was read without doubt.

    Attributes:
        counts: atoms per formula unit, water of hydration included [1]; whole numbers except where
            half a water makes half an oxygen.
        charge: in elementary charges [1].
        water: molecules of hydration water per formula unit [1].
        base: plain ASCII without the hydration water, as ``CuSO4``.
        plain: plain ASCII in one canonical spelling, as ``CuSO4.5H2O`` or ``SO4^2-``.
        pretty: as a chemist writes it, ``CuSO₄·5H₂O`` or ``SO₄²⁻``.

    >>> parse_formula("CuSO4*5H2O").plain
    'CuSO4.5H2O'
    """

    counts: Mapping[str, int | Fraction] = field(hash=False)
    charge: int
    water: Fraction
    base: str
    plain: str
    pretty: str

    def __str__(self) -> str:
        return self.plain


class _Unreadable(Exception):
    """Why a text is no formula; becomes an :class:`InputError` with the asker's field."""


def parse_formula(text: str, field: str = "") -> Formula:
    """Read a chemical formula; refuse whatever could mean two things.

    Hydrate water follows a point, a middle dot or an asterisk (``.5H2O``, ``·½`` as ``.1/2H2O`` or
    ``.0.5H2O``); ``CuSO4(H2O)5`` is an ordinary formula. Charges are ``SO4^2-``, ``SO4(2-)``,
    ``NH4+``, ``[Cu(NH3)4]2+`` or superscripts.

    Args:
        text: what was typed, at most 200 characters.
        field: path used in the error.

    Returns:
        The formula [atoms per formula unit], counts between 0 and 10 000.

    Raises:
        InputError: code ``not_a_formula``, with a sentence that says what would be accepted.

    Source: spelling of hydrates and charges by the IUPAC Nomenclature of Inorganic Chemistry
    (Red Book 2005), IR-4.4 and IR-4.3.

    >>> parse_formula("CuSO4·5H2O").counts["O"]
    9
    >>> parse_formula("CuSO₄·5H₂O").pretty
    'CuSO₄·5H₂O'
    """
    if not isinstance(text, str):
        raise InputError(field, "not_a_formula", f"Give the formula as text. {_SAY_HOW}")
    try:
        return _parse(text)
    except _Unreadable as why:
        raise InputError(field, "not_a_formula", str(why)) from None


@lru_cache(maxsize=4096)
def _parse(text: str) -> Formula:
    kept = text.strip()
    if not kept:
        raise _Unreadable(f"Type a formula. {_SAY_HOW}")
    if len(kept) > MAX_CHARACTERS:
        raise _Unreadable(f"That is longer than {MAX_CHARACTERS} characters; no formula needs so many.")
    if kept in _ABBREVIATIONS:
        raise _Unreadable(f"“{kept}” is an abbreviation, not a formula: {_ABBREVIATIONS[kept]}.")
    body, charge = _split_charge(_to_ascii(kept), kept)
    (lead, first), *tails = _split_parts(body, kept)
    if lead != 1 and not tails:
        raise _Unreadable(f"“{kept}” begins with a number. Leave it away; amounts are asked separately.")
    parts = [(lead, _read_group(first, kept))]
    water = Fraction(0)
    for factor, rest in tails:
        group = _read_group(rest, kept)
        if dict(group.counts) == _WATER:
            if water:
                raise _Unreadable(f"“{kept}” names its water twice.")
            water = factor
        else:
            _check_adduct(parts[-1][1], factor, group, kept)
            parts.append((factor, group))
    return _assemble(parts, water, charge, kept)


@dataclass(frozen=True, slots=True)
class _Group:
    """One part between dots: its atoms and its spelling."""

    counts: Mapping[str, int]
    plain: str


def _to_ascii(kept: str) -> str:
    """Bring sub- and superscripts, dots and minus signs to ASCII; settle blanks."""
    plain = _SUPERSCRIPT_END.sub(lambda match: "^" + match[1].translate(_SUPERSCRIPTS), kept)
    plain = plain.translate(_SUBSCRIPTS).translate(_LOOKALIKES)
    # Blanks are harmless only beside the dot and between a multiplier and its water.
    plain = re.sub(r"\s*([·.])\s*(?:([0-9][0-9./]*)\s+(?=[A-Z(]))?", lambda m: m[1] + (m[2] or ""), plain)
    blank = re.search(r"\s", plain)
    if blank:
        if re.search(r"\s[0-9xn.]*\s*H2O", plain):
            raise _Unreadable(
                f"“{kept}” has a blank before its water, which can be read in two ways. "
                "Put a point there: CuSO4.5H2O."
            )
        raise _Unreadable(f"“{kept}” has a blank inside. Write the formula without blanks, as CuSO4.5H2O.")
    return plain


def _split_charge(plain: str, kept: str) -> tuple[str, int]:
    match = _CHARGE.search(plain)
    if match is None:
        if re.search(r"[+\-^]", plain):
            raise _Unreadable(f"The charge in “{kept}” can't be read. Put it at the end, as SO4^2- or NH4^+.")
        return plain, 0
    body = plain[: match.start()]
    if re.search(r"[+\-^]", body) or not body:
        raise _Unreadable(f"The charge in “{kept}” can't be read. Put it once, at the end, as SO4^2-.")
    if match["s5"] and re.search(r"[0-9]$", body) and not _digit_is_a_count(body):
        raise _Unreadable(
            f"The end of “{kept}” can be read in two ways. Put ^ before the charge, as Cu^2+ or SO4^2-."
        )
    digits = match["n1"] or match["n2"] or match["n3"] or match["n4"] or "1"
    sign = match["s1"] or match["s2"] or match["s3"] or match["s4"] or match["s5"]
    return body, int(sign + digits)


def _digit_is_a_count(body: str) -> bool:
    """Whether the last digit before a bare sign can only be a count: NH4+ yes; Cu2+, SO42- no."""
    return bool(re.search(r"[A-Za-z)][0-9]$", body)) and len(re.findall(r"[A-Z]", body)) > 1


def _split_parts(body: str, kept: str) -> list[tuple[Fraction, str]]:
    """Cut at the dots; each part comes with the number before it (the 0.5 of ``.0.5H2O``)."""
    if _OPEN_WATER.search(body):
        raise _Unreadable(
            f"“{kept}” leaves its water open. Type the number that stands on the label, as FeCl3.6H2O."
        )
    if re.search(r"[A-Za-z)\]}]1\.[0-9]", body):
        raise _Unreadable(f"“{kept}” has a decimal count. {_SAY_HOW}")
    head = _HEAD.match(body)
    if head is None:
        raise _Unreadable(f"“{body[0]}” in “{kept}” can't begin a formula. {_SAY_HOW}")
    numbers, starts, ends = [head[1]], [head.end()], []
    for dot in _DOT.finditer(body):
        numbers.append(dot[1])
        starts.append(dot.end())
        ends.append(dot.start())
    texts = [body[start:end] for start, end in zip(starts, [*ends, len(body)], strict=True)]
    for text in texts:
        if re.search(r"[·./]", text):
            raise _Unreadable(
                f"“{kept}” has a point or slash that can't be read. A point stands only before water or a "
                "second salt, as in CuSO4.5H2O or CaSO4.0.5H2O."
            )
    return [(_read_multiplier(number, kept), text) for number, text in zip(numbers, texts, strict=True)]


def _read_multiplier(number: str, kept: str) -> Fraction:
    if not number:
        return Fraction(1)
    whole, _, denominator = number.partition("/")
    if (denominator and int(denominator) == 0) or Fraction(whole) == 0:
        raise _Unreadable(f"“{kept}” has a part that is taken zero times or divided by zero.")
    return Fraction(whole) / int(denominator or 1)


def _read_group(text: str, kept: str) -> _Group:
    """Read one part between dots: symbols, brackets and counts."""
    stack: list[tuple[str, dict[str, int]]] = [("", {})]
    last: dict[str, int] | None = None
    spelling: list[str] = []
    position = 0
    while position < len(text):
        token = _TOKEN.match(text, position)
        if token is None:
            raise _Unreadable(f"“{text[position]}” in “{kept}” is no element symbol. {_SAY_HOW}")
        symbol, opening, closing, digits = token.groups()
        position = token.end()
        if digits:
            count = _read_count(digits, last, kept)
            last = _settle(stack, last, count)
            spelling.append("" if count == 1 else digits)
            continue
        last = _settle(stack, last, 1)
        if symbol:
            if symbol not in SYMBOLS:
                raise _Unreadable(_no_such_symbol(symbol, kept))
            last = {symbol: 1}
            spelling.append(symbol)
        elif opening:
            stack.append((opening, {}))
            spelling.append(opening)
        else:
            if len(stack) == 1 or stack[-1][0] != _CLOSES[closing] or not stack[-1][1]:
                raise _Unreadable(f"The brackets in “{kept}” don't match.")
            last = stack.pop()[1]
            spelling.append(closing)
    _settle(stack, last, 1)
    if len(stack) != 1:
        raise _Unreadable(f"The brackets in “{kept}” don't match.")
    counts = stack[0][1]
    if not counts:
        raise _Unreadable(f"“{kept}” has a part without an element. {_SAY_HOW}")
    return _Group(counts=counts, plain="".join(spelling))


def _settle(
    stack: list[tuple[str, dict[str, int]]], last: dict[str, int] | None, count: int
) -> dict[str, int] | None:
    """Add what was read last, ``count`` times, to the innermost bracket."""
    if last is not None:
        inner = stack[-1][1]
        for symbol, atoms in last.items():
            inner[symbol] = inner.get(symbol, 0) + atoms * count
    return None


def _read_count(digits: str, last: dict[str, int] | None, kept: str) -> int:
    if last is None:
        raise _Unreadable(f"The number {digits} in “{kept}” follows no element. {_SAY_HOW}")
    if digits.startswith("0"):
        raise _Unreadable(
            f"“{kept}” has a count that begins with a zero. Oxygen is the letter O, as in CuSO4."
        )
    if len(digits) > 5 or int(digits) > MAX_COUNT:
        raise _Unreadable(f"“{kept}” counts more than {MAX_COUNT} atoms of one kind.")
    return int(digits)


def _no_such_symbol(symbol: str, kept: str) -> str:
    if symbol[0] in SYMBOLS and symbol[1:].upper() in SYMBOLS:
        other = symbol[0] + symbol[1:].upper()
        return f"“{symbol}” in “{kept}” is no element. If {other} is meant, type both letters as capitals."
    return f"“{symbol}” in “{kept}” is no element. {_SAY_HOW}"


def _no_weight(symbol: str, kept: str) -> str:
    if symbol == "Ac":
        return f"“Ac” in “{kept}” reads as actinium. Write acetate as CH3COO."
    return f"“{symbol}” in “{kept}” is an element without a standard atomic weight. Check the capitals."


def _check_adduct(before: _Group, factor: Fraction, group: _Group, kept: str) -> None:
    """Refuse a decimal count in disguise: ``Na1.5Cl`` is not NaCl5."""
    if dict(group.counts) == {"H": 20}:
        raise _Unreadable(f"“{kept}” ends in a zero. Water is H2O with the letter O.")
    if len(group.counts) < 2 or factor.denominator != 1:
        raise _Unreadable(
            f"What follows the point in “{kept}” can't be read. A point stands only before water or a "
            "second salt, as in CuSO4.5H2O or CaCO3.MgCO3; counts are whole numbers."
        )


def _assemble(parts: list[tuple[Fraction, _Group]], water: Fraction, charge: int, kept: str) -> Formula:
    totals: dict[str, Fraction] = {}
    for factor, group in [*parts, (water, _Group(_WATER, "H2O"))]:
        if factor:
            for symbol, atoms in group.counts.items():
                totals[symbol] = totals.get(symbol, Fraction(0)) + factor * atoms
    if any(total > MAX_COUNT for total in totals.values()):
        raise _Unreadable(f"“{kept}” counts more than {MAX_COUNT} atoms of one kind.")
    for symbol in totals:
        if symbol in _WITHOUT_WEIGHT:
            raise _Unreadable(_no_weight(symbol, kept))
    counts = {symbol: int(total) if total.denominator == 1 else total for symbol, total in totals.items()}
    pieces = [(_spell(factor), group.plain) for factor, group in parts]
    base = ".".join(number + plain for number, plain in pieces)
    hydrate = [(_spell(water), "H2O")] if water else []
    sign = _spell_charge(charge)
    return Formula(
        counts=MappingProxyType(counts),
        charge=charge,
        water=water,
        base=base + (f"^{sign}" if sign else ""),
        plain=".".join(number + plain for number, plain in [*pieces, *hydrate])
        + (f"^{sign}" if sign else ""),
        pretty=_prettify([*pieces, *hydrate], sign),
    )


def _spell(factor: Fraction) -> str:
    """A multiplier in ASCII: nothing for one, decimals where they end, a fraction elsewhere."""
    if factor == 1:
        return ""
    if 1000 % factor.denominator == 0:
        return f"{float(factor):g}"
    return f"{factor.numerator}/{factor.denominator}"


def _spell_charge(charge: int) -> str:
    if charge == 0:
        return ""
    return f"{abs(charge) if abs(charge) > 1 else ''}{'+' if charge > 0 else '-'}"


def _prettify(pieces: Iterable[tuple[str, str]], sign: str) -> str:
    shown = "·".join(
        ("½" if number == "0.5" else number) + plain.translate(_TO_SUBSCRIPT) for number, plain in pieces
    )
    return shown + sign.translate(_TO_SUPERSCRIPT)
