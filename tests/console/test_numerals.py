"""Large numbers: readable, steady, honest about what is old or missing."""

import itertools

import numpy as np
import pytest
from drawn import dots_of, hosted

from rig.console.drawing.canvas import Canvas
from rig.console.drawing.digits import LARGE, SMALL
from rig.console.drawing.glyphs import BLOCKS
from rig.console.widgets.numerals import Numerals

NEEDED = "0123456789-–.:/ AVsn"


def dots(lines):
    """Return the large digits' dots; letters of words count as none."""
    return dots_of(lines, down=2, across=1)


def reads(lines, face, text):
    """Tell whether the rows hold ``text`` in large digits, at the left edge."""
    bits = face.bits(text)
    found = dots(lines)
    rows, columns = bits.shape
    tops = range(len(found) - rows + 1)
    return any(np.array_equal(found[top : top + rows, :columns], bits) for top in tops)


@pytest.mark.parametrize("face", [SMALL, LARGE])
def test_every_character_is_there_and_unlike_the_others(face):
    assert set(NEEDED) == set(face.letters)
    assert {bits.shape[0] for bits in face.letters.values()} == {2 * face.rows}
    assert len({face.letters[sign].shape[1] for sign in "0123456789- –"}) == 1
    for one, other in itertools.combinations("0123456789", 2):
        # At a glance, over a metre: not by a single dot.
        assert np.count_nonzero(face.letters[one] != face.letters[other]) >= face.rows - 1


@pytest.mark.parametrize(
    ("columns", "rows", "face"), [(60, 6, LARGE), (60, 9, LARGE), (36, 4, SMALL), (36, 5, SMALL)]
)
async def test_the_size_follows_the_room(columns, rows, face):
    numerals = Numerals("voltage", "V")
    async with hosted(numerals, columns, rows):
        numerals.value = 12.46
        assert reads(numerals.text_lines, face, "12.46")
        assert "voltage" in "".join(numerals.text_lines)
        unit = face.bits("V")
        found = dots(numerals.text_lines)
        spots = itertools.product(
            range(found.shape[0] - unit.shape[0] + 1), range(found.shape[1] - unit.shape[1] + 1)
        )
        assert any(
            np.array_equal(found[y : y + unit.shape[0], x : x + unit.shape[1]], unit)
            for y, x in spots
        )


async def test_what_is_too_wide_takes_the_smaller_size():
    numerals = Numerals("voltage", "V")
    async with hosted(numerals, 30, 6):
        numerals.value = 12.46
        assert reads(numerals.text_lines, SMALL, "12.46")
        numerals.value = 123456.78
        assert "123456.78 V" in "".join(numerals.text_lines)


async def test_three_rows_have_the_words_beside_the_digits():
    numerals = Numerals("current", "A")
    async with hosted(numerals, 40, 3):
        numerals.value = 2.31
        lines = numerals.text_lines
        assert reads(lines, SMALL, "2.31")
        assert lines[0].split()[-1] == "current"
        assert lines[2].split()[-1] == "A"


@pytest.mark.parametrize("rows", [1, 2])
async def test_one_line_is_plain_text(rows):
    numerals = Numerals("current", "A")
    async with hosted(numerals, 30, rows):
        numerals.value = 2.31
        assert numerals.text_lines[0].rstrip() == "current 2.31 A"
        numerals.stale = True
        assert numerals.text_lines[0].rstrip() == "current 2.31 A  old"
        numerals.value = None
        assert "–––" in numerals.text_lines[0]


async def test_one_line_gives_up_the_caption_before_the_value():
    numerals = Numerals("this half-turn", "s", decimals=3)
    async with hosted(numerals, 14, 1):
        numerals.value, numerals.stale = 0.723, True
        assert numerals.text_lines[0].rstrip() == "0.723 s  old"


@pytest.mark.parametrize("value", [None, float("nan"), float("inf")])
async def test_nothing_measured_shows_as_dashes(value):
    numerals = Numerals("current", "A")
    async with hosted(numerals, 40, 4):
        numerals.value = 1.0
        numerals.value = value
        assert numerals.number == "–––"
        assert reads(numerals.text_lines, SMALL, "–––")


@pytest.mark.parametrize(("columns", "rows"), [(60, 6), (40, 4), (40, 3), (30, 1), (20, 4)])
async def test_an_old_value_is_called_old(columns, rows):
    numerals = Numerals("current", "A")
    async with hosted(numerals, columns, rows):
        numerals.value = 2.31
        assert "old" not in "".join(numerals.text_lines)
        fresh = {s.style for strip in numerals._drawing() for s in strip}
        numerals.stale = True
        assert " old" in "".join(numerals.text_lines)
        assert fresh != {s.style for strip in numerals._drawing() for s in strip}
        words = [s for strip in numerals._drawing() for s in strip if "old" in s.text]
        assert words[0].style.reverse


@pytest.mark.parametrize(
    ("value", "decimals", "places", "number"),
    [
        (2.306, 2, 0, "2.31"),
        (-0.004, 2, 0, "0.00"),
        (-0.006, 2, 0, "-0.01"),
        (9.96, 1, 5, " 10.0"),
        (2.0, 1, 5, "  2.0"),
        ("12/50", 2, 0, "12/50"),
        ("4:05", 2, 5, " 4:05"),
        (7, 0, 0, "7"),
    ],
)
def test_numbers_are_written_steadily(value, decimals, places, number):
    numerals = Numerals("x", decimals=decimals, places=places)
    numerals.set_reactive(Numerals.value, value)
    assert numerals.number == number


async def test_a_new_digit_does_not_move_the_others():
    numerals = Numerals("current", "A", decimals=1, places=4)
    async with hosted(numerals, 40, 4):
        numerals.value = 9.9
        before = dots(numerals.text_lines)
        numerals.value = 19.9
        after = dots(numerals.text_lines)
    changed = np.flatnonzero((before != after).any(axis=0))
    assert changed.max() < SMALL.letters["1"].shape[1]


async def test_words_it_has_no_letters_for_are_plain():
    numerals = Numerals("count")
    async with hosted(numerals, 40, 6):
        numerals.value = "12 of 50"
        assert "12 of 50" in "".join(numerals.text_lines)


async def test_only_a_visible_change_draws_anew(monkeypatch):
    numerals, drawings = Numerals("current", "A"), []
    async with hosted(numerals, 40, 4):
        numerals.value = 2.31
        monkeypatch.setattr(numerals, "redraw", lambda: drawings.append(numerals.value))
        numerals.value = 2.3101
        numerals.value = 2.32
    assert drawings == [2.32]


async def test_no_size_raises():
    numerals = Numerals("this half-turn", "s")
    async with hosted(numerals):
        for value, stale in itertools.product((None, -13.87, "12/50", "words"), (False, True)):
            numerals.value, numerals.stale = value, stale
            for columns, rows in itertools.product((1, 2, 5, 9, 20, 60), (1, 2, 3, 4, 5, 6, 9)):
                canvas = Canvas(columns, rows, BLOCKS)
                numerals.draw(canvas)
                assert [len(s.text) for s in canvas.strips()] == [columns] * rows
