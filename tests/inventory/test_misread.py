"""Why a scanned code is none: the images of codes on other keyboards, halves, slips of the hand.

On the French layout the unshifted top row gives & é " ' ( - è _ ç à, A and Q, W and Z change places, and M is
where others have a comma; on the German one Y and Z change places (common practice; the images here were
written down by hand, key by key). MOD 37,36 of ISO/IEC 7064 finds every single wrong sign.
"""

import pytest

from inventory import misread
from inventory.codes import APPARATUS, code_of, is_sound


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("Lààà&èè", "French (AZERTY) keyboard; it would be L000177"),
        ("Q00001O", "French (AZERTY) keyboard; it would be A00001O"),
        ("Lààà&è", "Only 6 of 7 signs"),
        ("L)))!&&", "scanner were set for a French (AZERTY) keyboard; it would be L000177"),
        ("L000", "Only 4 of 7 signs"),
        ("000177", "Only 6 of 7 signs"),
        ("L000178", "check character"),
        ("L001077", "check character"),
        ("LOOO177", "A letter stands where a digit belongs; it would be L000177"),
        ("L000177L000177", "arrived twice"),
        ("L0005177", "typed in between"),
        ("]A0L000177", "kind of symbol"),
        ("+000177", "different keyboard layouts"),
        ("Ł000177", "different keyboard layouts"),
    ],
)
def test_the_likely_cause_of_a_garbled_code_is_named(typed, words):
    assert words in misread.why_garbled(typed)


# The keys as they lie: what an English layout sends, and what the other two make of it.
FRENCH = str.maketrans("1234567890AQWZM", "&é\"'(-è_çàQAZW?")
GERMAN = str.maketrans("YZ", "ZY")


@pytest.mark.parametrize("letter", "LPAD")
def test_the_image_of_every_code_is_told_from_a_wrong_one(letter):
    for number in [*range(1, 400), 4711, 20_000, 99_999]:
        code = code_of(number, letter)
        french = code.translate(FRENCH)
        assert not is_sound(french)
        assert f"French (AZERTY) keyboard; it would be {code}" in misread.why_garbled(french), french
        german = code.translate(GERMAN)
        if german != code:
            assert not is_sound(german), "one wrong sign is always found by MOD 37,36"
            assert f"German (QWERTZ) keyboard; it would be {code}" in misread.why_garbled(german), german


def test_no_sound_code_is_called_garbled_or_foreign_by_its_layout():
    for number in range(1, 500):
        assert misread.layout_words(code_of(number)) == ""
        assert misread.layout_words(code_of(number, APPARATUS)) == ""


@pytest.mark.parametrize("typed", ["acetone", "sodium chloride", "58.44 g", "7647-14-5", "2000000000008", ""])
def test_what_was_never_a_code_is_not_called_garbled(typed):
    assert misread.why_garbled(typed) == ""
