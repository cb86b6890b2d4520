"""Hatch cards: every word of every script on paper, beside the code and never over it."""

import io

import pytest
from PIL import Image
from reportlab.lib.units import mm

from triage.workflow import cards, writing
from triage.workflow.cards import Card, cards_pdf, laid_out
from triage.workflow.writing import Style, width_of, wrapped

NAMES = [
    "Juniper", "Ваня и Маша", "Ανεμώνη", "حية جميلة 12", "נחש יפה", "小蛇 花子", "뱀 이름", "งูสวย ๆ", "साँप नाम", "🐍 Basil 🥚",
    "Ệễ áé̂", "አበበ", "ქართული", "Հայերեն", "বাংলা সাপ", "தமிழ் பாம்பு", "<b>&amp;</b>", "x" * 300, "many words " * 60,
]  # fmt: skip


def picture(size=(120, 80)):
    file = io.BytesIO()
    Image.new("RGB", size, (200, 60, 20)).save(file, "JPEG")
    return file.getvalue()


def card(name, n_lines=3, photo=b""):
    return Card("egg-0001", name, tuple(f"line {n} of what is said of {name}" for n in range(n_lines)), photo)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("n_lines", [0, 3, 40])
@pytest.mark.parametrize("photo", [b"", picture()], ids=["bare", "with a photo"])
def test_every_word_is_printed_and_none_over_the_code_the_photo_the_id_or_the_edge(name, n_lines, photo):
    of = card(name, n_lines, photo)
    on_cards = laid_out(of)
    assert "".join("".join(text for lines in on_cards for _, text, _ in lines).split()) == "".join("".join((of.title, *of.lines)).split())
    code_left, code_bottom = cards._WIDTH - cards._CODE - cards._MARGIN, cards._HEIGHT if photo else cards._MARGIN + cards._CODE
    for lines in on_cards:
        for below, text, style in lines:
            assert below <= cards._HEIGHT - cards._FOOT
            right = cards._MARGIN + width_of(text, style)
            assert right <= (code_left if below - style.size < code_bottom else cards._WIDTH)
        tops = [below for below, _, _ in lines]
        assert tops == sorted(set(tops))


def test_the_photo_is_on_the_card_below_the_code():
    bare, shown = (cards_pdf([card("Juniper", photo=photo)]) for photo in (b"", picture((280, 280))))
    assert b"/Subtype /Image" in shown and b"/Subtype /Image" not in bare
    assert cards._MARGIN + 2 * cards._CODE + mm <= cards._HEIGHT


def test_no_line_of_a_full_card_runs_into_its_photo():
    (lines,) = laid_out(Card("egg-0001", "Juniper", ("words that take two lines of the narrow card or so",) * 5, picture()))
    assert lines[-1][0] > cards._MARGIN + cards._CODE + 2 * mm, "beside the photo too"
    assert all(cards._MARGIN + width_of(text, style) <= cards._WIDTH - cards._CODE - cards._MARGIN for _, text, style in lines)


def test_a_card_shrinks_before_it_goes_on_on_another():
    sizes = [[lines[0][2].size for lines in laid_out(card("Juniper", n))] for n in (3, 12, 40)]
    assert sizes[0] == [12] and len(sizes[1]) == 1 and sizes[1][0] < 12 and len(sizes[2]) > 1


@pytest.mark.parametrize("name", NAMES)
def test_no_sign_is_printed_as_one_that_its_font_lacks(name):
    for font, run in writing._runs(name):
        lacking = bytes(writing._shaping(font).getmask("\U000e0fff"))
        assert all(bytes(writing._shaping(font).getmask(sign)) != lacking for sign in run if not sign.isspace())


def test_signs_that_a_screen_obeys_are_printed_by_their_names():
    assert wrapped("A\u202eB\x1b[2J", Style(8), 500) == ["A<U+202E>B\\x1b[2J"]


def test_the_fonts_are_in_the_file_and_the_same_cards_are_the_same_bytes():
    every = [card(name) for name in NAMES]
    pdf = cards_pdf(every)
    assert pdf == cards_pdf(every) and b"/FontFile2" in pdf
    assert pdf.count(b"/Type /Page\n") + pdf.count(b"/Type /Page ") == -(-sum(len(laid_out(one)) for one in every) // 10)
