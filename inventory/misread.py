"""Why something that was scanned is no code of ours: half of one, another keyboard layout, a maker's number.

A hand scanner presses keys, and the device it hangs on reads them by its own layout. So a code arrives as
its image: on a French keyboard the unshifted digits are signs, and A and Q, W and Z change places; on a
German one Y and Z do. The image is turned back key by key, and named only where the result has the right
check character. It is never taken for the code: who scans is told what to set, or types.
"""

import re
from collections.abc import Iterator
from typing import Final

from stdnum import ean
from stdnum.exceptions import ValidationError

from inventory import codes

SHORTEST: Final = len(codes.code_of(1))

# The rows of a keyboard by the keys that codes use, plain and shifted, as the layouts are in common use
# (common practice; Belgium has § and ! where France has - and _).
_KEYS: Final = {
    "English": ("1234567890qwertyuiopasdfghjkl;zxcvbnm,", "!@#$%^&*()QWERTYUIOPASDFGHJKL:ZXCVBNM<"),
    "French": ("&é\"'(-è_çàazertyuiopqsdfghjklmwxcvbn,;", "1234567890AZERTYUIOPQSDFGHJKLMWXCVBN?."),
    "Belgian": ("&é\"'(§è!çàazertyuiopqsdfghjklmwxcvbn,;", "1234567890AZERTYUIOPQSDFGHJKLMWXCVBN?."),
    "German": ("1234567890qwertzuiopasdfghjklöyxcvbnm,", '!"§$%&/()=QWERTZUIOPASDFGHJKLÖYXCVBNM;'),
}
_NAMED: Final = {
    "English": "English (QWERTY)",
    "French": "French (AZERTY)",
    "Belgian": "Belgian (AZERTY)",
    "German": "German (QWERTZ)",
}
# What the scanner is set to, and what the device has; the likeliest first.
_PAIRS: Final = (
    ("English", "French"),
    ("English", "Belgian"),
    ("English", "German"),
    ("French", "English"),
    ("French", "German"),
    ("German", "English"),
    ("German", "French"),
    ("Belgian", "English"),
)
# Letters that a hand takes for digits.
_TAKEN_FOR_DIGITS: Final = str.maketrans("OQIL", "0011")
# Which kind of symbol was read, sent before what it says (ISO/IEC 15424).
_SYMBOL: Final = re.compile(r"^\][A-Z][0-9A-Z]", re.ASCII)
_CAS_NUMBER: Final = re.compile(r"[0-9]{2,7}-[0-9]{2}-[0-9]", re.ASCII)
_TRADE_LENGTHS: Final = frozenset({8, 12, 13, 14})
_NUMBER: Final = r"[+-]?[0-9]+([.,][0-9]+)?"
_WITH_UNIT: Final = re.compile(_NUMBER + r"(MG|G|KG|ML|L)", re.ASCII)
_READING: Final = re.compile(_NUMBER, re.ASCII)


def layout_words(typed: str) -> str:
    """How a code arrived through the wrong keyboard layout, and which one it would be; empty if it did not.

    >>> layout_words("Lààà&èè")
    'It arrived as typed on a French (AZERTY) keyboard; it would be L000177'
    """
    for scanner, device in _PAIRS:
        code = _turned_back(typed, scanner, device)
        if code != codes.tidied(typed) and codes.is_sound(code):
            how = f"typed on a {_NAMED[device]} keyboard"
            if device == "English":
                how = f"if the scanner were set for a {_NAMED[scanner]} keyboard"
            return f"It arrived as {how}; it would be {code}"
    return ""


def why_garbled(typed: str) -> str:
    """The likely cause why something that was meant as one of our codes is none, as a sentence.

    Empty where nothing speaks for it having been one.
    """
    word = codes.tidied(typed)
    if _CAS_NUMBER.fullmatch(word) or _WITH_UNIT.fullmatch(word):
        return ""
    return next((cause for cause in _causes(typed, word) if cause), "")


def _causes(typed: str, word: str) -> Iterator[str]:
    """What each thing that goes wrong looks like, the surest first; empty where it is not that."""
    layout = layout_words(typed)
    yield layout and f"{layout}. Set scanner and device to the same keyboard layout, or type the code."
    if _SYMBOL.match(word) and codes.is_sound(_SYMBOL.sub("", word)):
        yield f"The scanner sends {word[:3]} before the code, the kind of symbol it read. Switch that off."
    half = word[: len(word) // 2]
    twice = word == half * 2 and codes.is_sound(half)
    yield f"{half} arrived twice in one. Scan it once." if twice else ""
    part = _is_half(word) or _is_half_by_layout(typed)
    yield f"Only {len(word)} of {SHORTEST} signs arrived. Scan it again, or type the code." if part else ""
    meant = word[:1] + word[1:-1].translate(_TAKEN_FOR_DIGITS) + word[-1:]
    by_hand = meant != word and codes.is_sound(meant)
    yield f"A letter stands where a digit belongs; it would be {meant}. Type it so." if by_hand else ""
    if codes.looks_like_one(typed):
        yield "Its check character is wrong: a sign is wrong or two are swapped. Compare it with the label."
    plain = word.isascii() and word.isalnum()
    if plain and SHORTEST < len(word) <= SHORTEST + 3 and re.match(r"[LPAD](?=(.*\d){5})", word):
        yield f"{len(word)} signs arrived, not {SHORTEST}: something was typed in between. Scan it again."
    if not plain and SHORTEST - 1 <= len(word) <= SHORTEST + 1:
        yield "Signs arrived that no code has: scanner and device are set to different keyboard layouts."


def why_foreign(typed: str) -> str:
    """What a number that is no code of ours is, as a sentence; empty where nothing is known of it."""
    word = codes.tidied(typed)
    # (01) says that a number of an article follows (ISO/IEC 15418).
    plain = re.sub(r"^\(?01\)?(?=[0-9]{14})", "", _SYMBOL.sub("", word))
    number = plain if len(plain) in _TRADE_LENGTHS else plain[:14]
    if number.isdigit() and number.isascii() and len(number) in _TRADE_LENGTHS and _is_trade_number(number):
        return "This is the number of an article, which its maker printed; it says nothing of this bottle."
    if _CAS_NUMBER.fullmatch(word):
        return "This is a CAS number; it names a substance and no bottle."
    if _READING.fullmatch(word) or _WITH_UNIT.fullmatch(word):
        return "This is a number, as a balance sends it, and no bottle."
    return "This is no code of ours; perhaps the maker’s own."


def _turned_back(typed: str, scanner: str, device: str) -> str:
    """What a scanner meant that types by one layout on a device with another; case says nothing."""
    plain, shifted = _KEYS[device]
    meant: list[str] = []
    for sign in "".join(typed.split()):
        key = max(plain.find(sign), shifted.find(sign), plain.find(sign.lower()))
        if sign.isascii() and sign.isdigit() and "1" in shifted:
            # With its capitals locked such a keyboard types digits as they are.
            meant.append(sign)
            continue
        if key < 0:
            return ""
        both = _KEYS[scanner][0][key] + _KEYS[scanner][1][key]
        meant.append(next((one for one in both.upper() if one.isascii() and one.isalnum()), sign))
    return "".join(meant)


def _is_half(word: str) -> bool:
    """The beginning of a code, or its digits without the letter."""
    if not (word.isascii() and word.isalnum() and 1 < len(word) < SHORTEST):
        return False
    return (word[0] in "LPAD" and word[1:].isdigit()) or (word.isdigit() and word.startswith("00"))


def _is_half_by_layout(typed: str) -> bool:
    """The beginning of a code, through a wrong layout: a letter and signs."""
    if "".join(typed.split()).isalnum():
        return False
    return any(_is_half(_turned_back(typed, scanner, device)) for scanner, device in _PAIRS)


def _is_trade_number(digits: str) -> bool:
    # GTIN of 8, 12, 13 or 14 digits; the check digit of ISO/IEC 15420 is the same from the right.
    try:
        ean.validate(digits.zfill(14) if len(digits) > 8 else digits)
    except ValidationError:
        return False
    return True
