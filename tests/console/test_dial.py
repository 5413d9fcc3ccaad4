"""The half-turn dial: the lever stands where the angle says, and the words say the rest."""

import math

import numpy as np
import pytest
from drawn import hosted, styled_dots
from hypothesis import given
from hypothesis import strategies as st

from rig.console.drawing.canvas import Canvas
from rig.console.drawing.glyphs import BLOCKS, BRAILLE
from rig.console.widgets.dial import HalfTurnDial, heading, lever_deg

SIZES = [(22, 7), (40, 14)]


def drawn(dial, part):
    return styled_dots(dial._drawing(), dial.ink(f"dial--{part}"))


def show(dial, angle_deg, state="turning", parked="stop", uncertainty_deg=None):
    dial.angle_deg, dial.state = angle_deg, state
    dial.parked, dial.uncertainty_deg = parked, uncertainty_deg


def text(dial):
    return "\n".join(dial.text_lines)


@given(st.floats(0, 360))
def test_the_way_back_passes_the_same_places(angle_deg):
    assert 0.0 <= lever_deg(angle_deg) <= 180.0
    assert lever_deg(angle_deg) == pytest.approx(lever_deg(360.0 - angle_deg))
    # What the lever's end does sideways is what a crank's pin does.
    crank = math.cos(math.radians(angle_deg))
    assert math.cos(math.radians(lever_deg(angle_deg))) == pytest.approx(crank, abs=1e-9)


def test_the_heading_follows_the_angle_then_the_last_park():
    assert heading(62.0, None) == "run"
    assert heading(250.0, None) == "stop"
    assert heading(0.0, "stop") == heading(None, "stop") == heading(360.0, "stop") == "run"
    assert heading(180.0, "run") == heading(None, "run") == "stop"
    assert heading(None, None) is None


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("angle_deg", [20.0, 62.0, 90.0, 118.0, 160.0, 200.0, 250.0, 340.0])
async def test_the_lever_stands_at_its_angle(size, angle_deg):
    dial = HalfTurnDial(glyphs=BRAILLE)
    async with hosted(dial, *size):
        show(dial, None)
        still = drawn(dial, "lever")  # the parks
        show(dial, angle_deg)
        rows, columns = np.nonzero(drawn(dial, "lever") & ~still)
    # From its foot, the lowest dots, the lever points at the angle: 0 left, 90 up.
    middle = (2 * size[0] - 1) // 2
    foot = rows.max() - 1
    far = np.hypot(columns - middle, rows - foot) > 4
    angles = np.degrees(np.arctan2(foot - rows[far], middle - columns[far]))
    assert np.median(angles) == pytest.approx(lever_deg(angle_deg), abs=9)


@pytest.mark.parametrize("size", SIZES)
async def test_the_stretch_travelled_starts_at_the_park_it_left(size):
    dial = HalfTurnDial(glyphs=BRAILLE)
    async with hosted(dial, *size):
        show(dial, 60.0)
        to_run = drawn(dial, "travelled").any(axis=0)
        show(dial, 300.0, parked="run")
        to_stop = drawn(dial, "travelled").any(axis=0)
        show(dial, 179.0, state="parked", parked="run")
        at_rest = drawn(dial, "travelled").any(axis=0)
    half = size[0]
    assert to_run[:half].any()
    assert not to_run[half:].any()
    # Back at the same place of the lever, but from the other side: a longer way.
    assert to_stop[half:].any()
    assert to_stop.sum() > to_run.sum()
    assert not at_rest.any()


@pytest.mark.parametrize(
    ("shown", "words"),
    [
        ((0.0, "parked", "stop"), "parked at stop"),
        ((180.0, "parked", "run"), "parked at run"),
        ((62.0, "turning", "stop"), "turning to run"),
        ((250.0, "turning", "run"), "turning to stop"),
        ((None, "turning", "run"), "turning to stop"),
        ((118.0, "stalled", "stop"), "stalled before run"),
        ((None, "stalled", None), "stalled"),
        ((90.0, "feeds off", "stop"), "feeds off"),
    ],
)
@pytest.mark.parametrize("size", SIZES)
async def test_what_it_does_is_told_in_words(size, shown, words):
    dial = HalfTurnDial()
    async with hosted(dial, *size):
        show(dial, *shown)
        assert words in [line.strip() for line in dial.text_lines]
        labels = next(line for line in dial.text_lines if "STOP" in line)
        assert labels.index("STOP") < labels.index("RUN")


@pytest.mark.parametrize("size", SIZES)
async def test_an_unknown_angle_is_said_and_no_lever_drawn(size):
    dial = HalfTurnDial(glyphs=BRAILLE)
    async with hosted(dial, *size):
        show(dial, 62.0, uncertainty_deg=9.0)
        assert "62° ±9°" in text(dial)
        known = drawn(dial, "lever").sum()
        show(dial, None)
        words = [word for word in text(dial).split() if word.isalpha() and word.islower()]
        assert words == ["angle", "not", "known", "turning", "to", "run", *words[6:]]
        assert "°" not in text(dial)
        assert drawn(dial, "lever").sum() < known
        assert not drawn(dial, "travelled").any()


@pytest.mark.parametrize("size", SIZES)
async def test_the_last_park_is_a_filled_square(size):
    dial, half = HalfTurnDial(glyphs=BRAILLE), size[0]
    async with hosted(dial, *size):
        counts = {}
        for parked in ("stop", "run", None):
            show(dial, None, "", parked)
            dots = drawn(dial, "lever")
            counts[parked] = (int(dots[:, :half].sum()), int(dots[:, half:].sum()))
            if parked and half >= 40:
                assert f"last parked at {parked}" in text(dial)
    assert counts["stop"][0] > counts["stop"][1]
    assert counts["run"][1] > counts["run"][0]
    assert counts[None] == (counts["run"][0], counts["stop"][1])


async def test_trouble_is_told_by_shape_too():
    dial = HalfTurnDial()
    async with hosted(dial, 22, 7):
        for state, reversed_ in (("turning", False), ("stalled", True), ("runs on", True)):
            show(dial, 100.0, state)
            segments = [s for strip in dial._drawing() for s in strip if state in s.text]
            assert bool(segments[0].style.reverse) is reversed_


async def test_the_doubt_about_the_angle_is_drawn():
    dial = HalfTurnDial(glyphs=BRAILLE)
    async with hosted(dial, 40, 14):
        widths = []
        for doubt in (None, 5.0, 20.0):
            show(dial, 90.0, uncertainty_deg=doubt)
            widths.append(drawn(dial, "doubt").any(axis=0).sum())
    assert widths[0] == 0 < widths[1] < widths[2]


@pytest.mark.parametrize("glyphs", [BRAILLE, BLOCKS])
async def test_no_size_and_no_angle_raises(glyphs):
    dial = HalfTurnDial(glyphs=glyphs)
    async with hosted(dial):
        for angle_deg in (None, 0.0, 1e-9, 90.0, 180.0, 359.999, 360.0, 725.0, -10.0):
            show(dial, angle_deg, uncertainty_deg=400.0)
            for columns, rows in [(1, 1), (3, 2), (8, 3), (22, 7), (31, 20), (40, 14), (90, 30)]:
                canvas = Canvas(columns, rows, glyphs)
                dial.draw(canvas)
                assert [len(s.text) for s in canvas.strips()] == [columns] * rows
