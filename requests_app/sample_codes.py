"""Codes of coded samples: short, hard to misread, with a check character.

Four characters drawn by chance, so that a code says nothing, and the check character of the labels
(ISO/IEC 7064, MOD 37,36), so that a garbled code is told from one that isn't there: ``K7QF-3``.
"""

import random
import secrets
from typing import Final

from stdnum.exceptions import ValidationError
from stdnum.iso7064 import mod_37_36

# Without vowels, which make words, and without what is read as something else in a student's hand: 0 and
# D's neighbour O, 1 I L, 2 Z, 5 S, 6 G, 8 B, U and V.
ALPHABET: Final = "CDFHJKMNPQRTWXY3479"
_DRAWN: Final = 4


def draw_code(chance: random.Random | None = None) -> str:
    """A new code. Whether it was given out before is for the caller to ask."""
    source = chance or secrets.SystemRandom()
    while True:
        body = "".join(source.choice(ALPHABET) for _ in range(_DRAWN))
        check = str(mod_37_36.calc_check_digit(body))
        # A check character that could be misread would undo the rest.
        if check in ALPHABET:
            return f"{body}-{check}"


def tidied(typed: str) -> str:
    """A typed or scanned code as it is written on the bottle.

    >>> tidied(" k7qf 3 ")
    'K7QF-3'
    """
    plain = "".join(letter for letter in typed.upper() if letter.isalnum())
    return f"{plain[:_DRAWN]}-{plain[_DRAWN:]}" if len(plain) == _DRAWN + 1 else plain


def is_sound(code: str) -> bool:
    """Whether a tidied code could stand on a bottle of ours: shape and check character are right."""
    body, _, check = code.partition("-")
    if len(body) != _DRAWN or len(check) != 1 or not set(body + check) <= set(ALPHABET):
        return False
    try:
        mod_37_36.validate(body + check)
    except ValidationError:
        return False
    return True
