"""Codes on the labels of lots, places, apparatus and poured bottles: letters, digits, a check character.

Hand scanners type by the keyboard layout of the machine they hang on, and people read labels
aloud; the check character (ISO/IEC 7064, MOD 37,36) tells a garbled code from one that is not there.
"""

from typing import Final

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_37_36

LOT: Final = "L"
PLACE: Final = "P"
APPARATUS: Final = "A"
# A bottle poured for a section.
PORTION: Final = "D"
_LETTERS: Final = (LOT, PLACE, APPARATUS, PORTION)
_DIGITS: Final = 5
# What the key of an A types on a French layout, where the digits come out as signs too.
_FRENCH_A: Final = "Q"


def code_of(number: int, letter: str = LOT) -> str:
    """The code of the lot, place or piece of apparatus with this running number.

    >>> code_of(17)
    'L000177'
    """
    body = f"{letter}{number:0{_DIGITS}d}"
    return body + str(mod_37_36.calc_check_digit(body))


def tidied(typed: str) -> str:
    """A typed or scanned code without blanks, in capitals."""
    return "".join(typed.split()).upper()


def is_sound(code: str) -> bool:
    """Whether a tidied code could stand on one of our labels: shape and check character are right."""
    if not (code.isascii() and code.isalnum() and code.startswith(_LETTERS) and len(code) > _DIGITS + 1):
        return False
    try:
        mod_37_36.validate(code)
    except ValidationError:
        return False
    return code[1:-1].isdigit()


def looks_like_one(typed: str) -> bool:
    """Whether somebody may have scanned or typed a code: one word of its length, letter first.

    A garbled one looks so too, which is the point: the page can then say why nothing was found. A word of
    letters alone is a name, as "acetone".
    """
    word = tidied(typed)
    shaped = len(word) == 1 + _DIGITS + 1 and not word.isalpha()
    return len(typed.split()) == 1 and shaped and word.startswith((*_LETTERS, _FRENCH_A))
