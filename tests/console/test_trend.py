"""A unit's history: every run where it belongs, its verdict told by a character."""

import itertools

import numpy as np
import pytest
from drawn import hosted, styled_dots

from rig.analysis.model import Verdict
from rig.console.drawing.canvas import Canvas
from rig.console.drawing.glyphs import BLOCKS, BRAILLE
from rig.console.widgets.trend import TrendLimit, TrendPoint, TrendView

HALF_TURNS_S = (0.71, 0.72, 0.78, 0.95, 1.18, 1.27, 0.73)
VERDICTS = (*[Verdict.PASS] * 4, Verdict.RETEST, Verdict.FAIL, Verdict.PASS)
RUNS = [
    TrendPoint(number, value, 0.03, verdict)
    for number, (value, verdict) in enumerate(zip(HALF_TURNS_S, VERDICTS, strict=True), start=1)
]
LIMIT = TrendLimit(1.2, "most 1.20 s")


def marks(lines, below=1):
    """Return (column, row, mark) of every verdict under the head, from the left."""
    found = [
        (column, row, letter)
        for row, line in enumerate(lines)
        if row >= below
        for column, letter in enumerate(line)
        if letter in "oX?·" and "most" not in line[max(0, column - 2) : column + 4]
    ]
    return sorted(found)


async def test_runs_are_drawn_in_order_with_their_verdicts():
    view = TrendView(glyphs=BRAILLE)
    async with hosted(view, 80, 20):
        view.show(list(reversed(RUNS)), [LIMIT], caption="half-turn time, s")
        lines = view.text_lines
    assert lines[0].startswith("half-turn time, s")
    assert lines[0].endswith("o pass   X fail   ? retest   bar: uncertainty")
    seen = marks(lines)
    assert "".join(mark for _, _, mark in seen) == "oooo?Xo"
    rows = [row for _, row, _ in seen]
    assert rows[:6] == sorted(rows[:6], reverse=True)
    assert rows[6] > rows[3]
    assert "most 1.20 s" in "\n".join(lines)
    assert lines[-1].split() == [str(number) for number in range(1, 8)]


async def test_the_limit_lies_between_what_met_it_and_what_did_not():
    view = TrendView(glyphs=BRAILLE)
    async with hosted(view, 80, 40):
        view.show(RUNS, [LIMIT])
        limit = styled_dots(view._drawing(), view.ink("trend--limit"))
        rows = {mark: row for _, row, mark in marks(view.text_lines)}
    row = np.flatnonzero(limit.sum(axis=1) > 40)[0] / 4
    assert rows["X"] < row < rows["?"] + 1


async def test_a_bar_is_as_long_as_the_uncertainty():
    view, heights = TrendView(glyphs=BRAILLE), []
    async with hosted(view, 60, 40):
        for reach in (0.1, 0.2):
            view.show([TrendPoint(1, 1.0, reach), TrendPoint(2, 0.5), TrendPoint(3, 1.5)])
            bars = styled_dots(view._drawing(), view.ink("trend--bar"))
            heights.append(bars.sum(axis=0).max())
    assert heights[1] == pytest.approx(2 * heights[0], abs=4)


async def test_without_runs_it_says_so():
    view = TrendView()
    async with hosted(view, 40, 8):
        assert "no runs yet" in "".join(view.text_lines)
        view.show([TrendPoint(1, float("nan"))], empty="no run measured this")
        assert "no run measured this" in "".join(view.text_lines)


async def test_a_failure_is_not_hidden_by_a_pass_in_the_same_cell():
    view = TrendView(glyphs=BRAILLE)
    same = [TrendPoint(1, 1.0, None, v) for v in (Verdict.FAIL, Verdict.RETEST, Verdict.PASS)]
    async with hosted(view, 40, 10):
        view.show(same)
        assert [mark for _, _, mark in marks(view.text_lines)] == ["X"]


@pytest.mark.parametrize("glyphs", [BRAILLE, BLOCKS])
async def test_no_size_raises(glyphs):
    view = TrendView(glyphs=glyphs)
    async with hosted(view):
        for points in (RUNS, RUNS[:1], [TrendPoint(1, 0.0)]):
            view.show(points, [LIMIT], caption="half-turn time, s")
            for columns, rows in itertools.product((1, 4, 12, 30, 80), (1, 2, 3, 5, 7, 8, 20)):
                canvas = Canvas(columns, rows, glyphs)
                view.draw(canvas)
                assert [len(s.text) for s in canvas.strips()] == [columns] * rows
