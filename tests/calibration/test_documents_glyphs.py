"""Text that people type, on its way to paper."""

import pytest

from calibration.documents.glyphs import FONTS, STAND_IN, all_printable, covered, printable

# Letters of the languages that the sheets must be able to write; alphabets from memory.
ALPHABETS = {
    "Polish": "ĄĆĘŁŃÓŚŹŻąćęłńóśźż",
    "German": "ÄÖÜẞäöüß",
    "Spanish, Portuguese": "ÁÃÇÉÊÍÑÓÔÕÚÜáãçéêíñóôõúü¿¡",
    "Czech, Romanian, Turkish": "ŘŠŤŮŽřšťůžĂȘȚășțĞİŞğış",
    "Russian": "АБВГДЕЁЖЗИЙКЛМНОПРСТУФХЦЧШЩЪЫЬЭЮЯабвгдеёжзийклмнопрстуфхцчшщъыьэюя",
    "Ukrainian, Serbian, Kazakh": "ЄІЇҐєіїґЂЉЊЋЏђљњћџӘҒҚҢӨҰҮәғқңөұү",
    "Greek": "ΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟΠΡΣΤΥΦΧΨΩάέήίόύώϊϋΐΰαβγδεζηθικλμνξοπρσςτυφχψω",
    "signs": (
        "±÷°µ²³„“”…€№≤≥→·\N{MULTIPLICATION SIGN}\N{MINUS SIGN}\N{EN DASH}\N{EM DASH}"
        "\N{LEFT SINGLE QUOTATION MARK}\N{RIGHT SINGLE QUOTATION MARK}"
    ),
}


@pytest.mark.parametrize("language", ALPHABETS)
def test_the_fonts_write(language):
    missing = [letter for letter in ALPHABETS[language] if ord(letter) not in covered()]
    assert not missing
    assert printable(ALPHABETS[language]) == ALPHABETS[language]


def test_what_no_font_draws_becomes_a_box_and_control_characters_vanish():
    assert printable("播种 farm") == f"{STAND_IN}{STAND_IN} farm"
    assert printable("a\x00b\tc") == "a b c"
    assert printable("two\nlines") == "two\nlines"
    assert printable("right \u202eto left\ud800") == "right to left"
    assert printable("tractor \U0001f69c\ufe0f") == f"tractor {STAND_IN}"


def test_letters_typed_in_two_parts_are_joined():
    assert printable("Lo\u0301dz\u0301") == "Lódź"


def test_every_text_in_nested_data_is_made_printable():
    data = {"a": ["播", {"b": ("种", 1, None, 2.5)}]}
    assert all_printable(data) == {"a": [STAND_IN, {"b": [STAND_IN, 1, None, 2.5]}]}


def test_the_fonts_come_with_their_licence_and_stay_small():
    assert "SIL OPEN FONT LICENSE Version 1.1" in (FONTS / "OFL.txt").read_text("utf-8")
    assert sum(path.stat().st_size for path in FONTS.iterdir()) < 2_000_000
