"""Codes on the labels of lots: capital letters and digits, with a check character.

Hand scanners type by the keyboard layout of the machine they hang on, and people read labels
aloud; the check character (ISO/IEC 7064, MOD 37,36) tells a garbled code from one that is not there.
"""

from typing import Final

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_37_36

_LETTER: Final = "L"
_DIGITS: Final = 5


def code_of(number: int) -> str:
    """The code of the lot with this running number.

    >>> code_of(17)
    'L000177'
    """
    body = f"{_LETTER}{number:0{_DIGITS}d}"
    return body + str(mod_37_36.calc_check_digit(body))


def tidied(typed: str) -> str:
    """A typed or scanned code without blanks, in capitals."""
    return "".join(typed.split()).upper()


def is_sound(code: str) -> bool:
    """Whether a tidied code could stand on one of our labels: shape and check character are right."""
    if not (code.isascii() and code.isalnum() and code.startswith(_LETTER) and len(code) > _DIGITS + 1):
        return False
    try:
        mod_37_36.validate(code)
    except ValidationError:
        return False
    return code[1:-1].isdigit()


def looks_like_one(typed: str) -> bool:
    """Whether somebody may have scanned or typed a code: one word of its length, letter first.

    A garbled one looks so too, which is the point: the page can then say why nothing was found.
    """
    word = tidied(typed)
    return len(typed.split()) == 1 and word.startswith(_LETTER) and len(word) == len(_LETTER) + _DIGITS + 1
