"""The trace view, by what it puts on the screen."""

from dataclasses import replace

import numpy as np
import pytest
from drawn import dots_of, hosted, styled_dots
from textual.geometry import Region

from rig.console.drawing.canvas import Canvas
from rig.console.drawing.glyphs import BLOCKS, BRAILLE
from rig.console.theme import FIELD
from rig.console.widgets.trace import LimitLine, Mark, Series, TraceView, Window

WINDOW = Window(0.0, 1.0)
TIME_S = np.linspace(0.0, 1.0, 1001)


def flat(value_a=2.0, **kwargs):
    return Series(TIME_S, np.full(len(TIME_S), value_a), **kwargs)


def spiked(count=1001):
    values_a = np.full(count, 2.0)
    values_a[count // 3] = 13.8
    return Series(np.linspace(0.0, 1.0, count), values_a)


async def lines_of(*args, columns=80, rows=20, glyphs=BRAILLE, **kwargs):
    """Return the rows of a view after one `show`."""
    view = TraceView(glyphs=glyphs)
    async with hosted(view, columns, rows):
        view.show(*args, **kwargs)
        return view.text_lines


def dot_of(view, time_s):
    """Return the dot column of a moment in the window of one second."""
    left = 2 * (view.text_lines[1].index("┤") + 1)
    return left + time_s * (2 * 80 - left - 1)


def drawn(view, part):
    """Return the dots in the style of a part of the drawing."""
    return styled_dots(view._drawing(), view.ink(f"trace--{part}"))


async def test_without_samples_it_says_why():
    view = TraceView()
    async with hosted(view, 30, 6):
        assert [line.strip() for line in view.text_lines if line.strip()] == ["no samples yet"]
        view.show_nothing("the sensor does not answer")
        assert "the sensor does not answer" in "".join(view.text_lines)
        lost = Series(TIME_S, np.full(len(TIME_S), np.nan))
        view.show([lost], window=WINDOW, empty="every sample was lost")
        assert "every sample was lost" in "".join(view.text_lines)
        view.show([flat()], window=Window(5.0, 6.0))
        assert "no samples yet" in "".join(view.text_lines)


async def test_axes_have_units_and_round_ticks():
    lines = await lines_of([spiked()], window=WINDOW)
    assert lines[0].startswith(" A")
    assert lines[1].startswith("15┤")
    assert [line[:2].strip() for line in lines[1:] if "┤" in line[:3]] == ["15", "10", "5", "0"]
    assert lines[-1].split() == ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0", "s"]


async def test_the_time_axis_counts_from_its_zero():
    lines = await lines_of([flat()], window=Window(0.0, 1.0, zero_s=1.0))
    assert lines[-1].split() == ["-1.0", "-0.8", "-0.6", "-0.4", "-0.2", "0.0", "s"]


async def test_a_gap_stays_a_gap():
    series = flat()
    series.value[400:600] = np.nan
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([series], window=WINDOW)
        empty = ~drawn(view, "now").any(axis=0)
    # Of 77 columns of cells beside the axis, two dots each.
    first, last = np.flatnonzero(~empty)[[0, -1]]
    inner = np.flatnonzero(empty[first:last]) / (last - first)
    assert inner.min() == pytest.approx(0.4, abs=0.02)
    assert inner.max() == pytest.approx(0.6, abs=0.02)
    assert len(inner) == pytest.approx(0.2 * (last - first), abs=3)


@pytest.mark.parametrize("count", [300, 1001, 100_001])
async def test_a_spike_of_one_sample_reaches_its_height(count):
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([spiked(count)], window=WINDOW)
        dots = drawn(view, "now")
    tallest = dots.sum(axis=0).argmax()
    # The axis runs from 0 to 15 A over 21 rows of four dots, less two below zero.
    top, bottom = np.flatnonzero(dots.any(axis=1))[[0, -1]]
    assert bottom - top == pytest.approx((13.8 - 2.0) / 15.0 * (21 * 4 - 3), abs=1)
    assert dots[top : bottom + 1, tallest].all()


async def test_tones_are_told_apart_without_colour():
    view, counts = TraceView(glyphs=BRAILLE), {}
    async with hosted(view):
        for tone in ("now", "before", "other"):
            view.show([flat(tone=tone)], window=WINDOW)
            counts[tone] = int(drawn(view, tone).sum())
    assert counts["before"] == pytest.approx(counts["now"] / 2, abs=2)
    assert counts["before"] < counts["other"] < counts["now"]


async def test_the_present_half_turn_lies_before_the_earlier_ones():
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([flat(), *(flat(tone="before") for _ in range(8))], window=WINDOW)
        assert drawn(view, "now").any()
        assert not drawn(view, "before").any()
        view.show([flat(label="this one"), flat(3.0, tone="before", label="earlier")])
        assert drawn(view, "before").any()
        assert view.text_lines[0].split() == ["A", "⠒⠒⠒⠒", "this", "one", "⠂⠂⠂⠂", "earlier"]


async def test_limits_are_dashed_and_named():
    limits = [LimitLine(3.0, "current", "most 3 A"), LimitLine(0.7, "time", "limit 0.70 s")]
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([flat()], limits, WINDOW)
        text, dots = "\n".join(view.text_lines), drawn(view, "limit")
        at_limit = dot_of(view, 0.7)
    assert "most 3 A" in text
    assert "limit 0.70 s" in text
    across, down = dots.sum(axis=1).max(), dots.sum(axis=0).max()
    assert 0.4 * 154 < across < 0.7 * 154
    assert 0.4 * 68 < down < 0.7 * 68
    assert dots.sum(axis=0).argmax() == pytest.approx(at_limit, abs=1)


async def test_a_limit_is_seen_where_the_trace_is_close_to_it():
    view, counts = TraceView(glyphs=BRAILLE), []
    async with hosted(view):
        # A dot above and a dot below the trace: one of them in the same cells.
        for limit_a in (None, 2.03, 1.97):
            limits = [LimitLine(limit_a, "current", "")] if limit_a else []
            view.show([flat(2.0), flat(2.05, tone="before")], limits, WINDOW)
            counts.append(int(drawn(view, "now").sum()))
    assert max(counts[1:]) > counts[0] + 60


async def test_limits_outside_the_drawing_are_told_in_words():
    limits = [LimitLine(30.0, "current", "over-current 30 A"), LimitLine(2.0, "time", "limit 2 s")]
    text = "\n".join(await lines_of([flat()], limits, WINDOW))
    assert "over-current 30 A (above)" in text
    assert "limit 2 s (later)" in text
    near = [LimitLine(3.0, "current", "most 3 A")]
    assert "above" not in "\n".join(await lines_of([flat()], near, WINDOW))


async def test_what_went_wrong_is_marked_with_its_word():
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([flat()], (), WINDOW, [Mark(0.5, "stalled"), Mark(7.0, "outside")])
        text = "\n".join(view.text_lines)
        assert " stalled " in text
        assert "outside" not in text
        columns = np.flatnonzero(drawn(view, "mark").sum(axis=0) > 20)
        assert columns == pytest.approx([dot_of(view, 0.5)], abs=1)


async def test_clipped_stretches_are_thick_and_named():
    clipped = (TIME_S > 0.3) & (TIME_S < 0.5)
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([flat(clipped=clipped)], window=WINDOW)
        assert "clipped" in "\n".join(view.text_lines)
        thick = np.flatnonzero(drawn(view, "clipped").sum(axis=0) == 3)
        assert thick.min() == pytest.approx(dot_of(view, 0.3), abs=1)
        assert thick.max() == pytest.approx(dot_of(view, 0.5), abs=1)
        view.show([flat(clipped=np.zeros(len(TIME_S), dtype=bool))])
        assert "clipped" not in "\n".join(view.text_lines)
        lost = Series(TIME_S, np.where(clipped, np.nan, 2.0), clipped=clipped)
        view.show([lost])
        assert "clipped" not in "\n".join(view.text_lines)


async def test_the_current_axis_does_not_jitter():
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        tops = []
        for value_a in (2.0, 13.8, 2.0, 2.1, 2.4):
            view.show([flat(value_a)], window=WINDOW)
            tops.append(view.text_lines[1][:3])
        assert tops == ["2.5", "15┤", "15┤", "15┤", "15┤"]
        view.reset_range()
        view.show([flat(2.0)])
        assert view.text_lines[1].startswith("2.5┤")


async def test_noise_about_rest_does_not_move_the_axis_below_zero():
    noise = np.random.default_rng(0).normal(0.0, 0.02, len(TIME_S))
    lines = await lines_of([Series(TIME_S, noise)], window=WINDOW)
    assert not any("-" in line[:4] for line in lines)
    lines = await lines_of([flat(-3.0)], window=WINDOW)
    assert any(line.startswith(("-3┤", "-3.0┤")) for line in lines)


async def test_voltage_has_a_band_of_its_own_where_there_is_room():
    voltage = Series(TIME_S, np.full(len(TIME_S), 12.6), label="voltage", quantity="voltage")
    lines = await lines_of([flat(label="now"), voltage], window=WINDOW)
    assert lines[0].split()[0] == "V"
    assert lines[0].endswith("voltage")
    assert [line.split() for line in lines[3:8]].count(["A"]) == 1
    assert any(line.startswith((" 12┤", " 13┤")) for line in lines[1:6])
    lines = await lines_of([flat(label="now"), voltage], window=WINDOW, rows=12)
    assert lines[0].split()[0] == "A"
    assert "voltage" not in lines[0]


async def test_old_values_are_called_old():
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view):
        view.show([flat()], window=WINDOW)
        assert "old" not in "".join(view.text_lines)
        view.stale = True
        assert " old " in "".join(view.text_lines)
        assert not drawn(view, "now").any()
        assert drawn(view, "before").any()


async def test_it_draws_once_for_a_change_and_anew_for_size_and_theme(monkeypatch):
    view, sizes = TraceView(glyphs=BRAILLE), []
    draw = TraceView.draw
    monkeypatch.setattr(
        TraceView, "draw", lambda self, c: (sizes.append((c.columns, c.rows)), draw(self, c))
    )
    async with hosted(view, 80, 20) as pilot:
        view.show([flat()], window=WINDOW)
        await pilot.pause()
        sizes.clear()
        view.show([flat()])
        await pilot.pause()
        view.refresh()
        await pilot.pause()
        assert sizes == [(80, 20)]
        await pilot.resize_terminal(60, 12)
        await pilot.pause()
        assert sizes[-1] == (60, 12)
        dark = view.render_line(5)
        pilot.app.theme = "daylight"
        await pilot.pause()
        assert view.render_line(5) != dark
        assert view.render_line(5).text == dark.text


def shown(view):
    """Return a row as it is given to the screen."""
    return view.render_lines(Region(0, 20, 80, 1))[0]


async def test_its_colours_follow_theme_and_background():
    view = TraceView(glyphs=BRAILLE)
    async with hosted(view) as pilot:
        view.show([flat()], window=WINDOW)
        await pilot.pause()
        seen = [shown(view)]
        pilot.app.register_theme(replace(FIELD, name="pale", foreground="#aabbcc"))
        pilot.app.theme = "pale"
        await pilot.pause()
        seen.append(shown(view))
        pilot.app.screen.styles.background = "#400000"
        await pilot.pause()
        seen.append(shown(view))
    assert len({strip.text for strip in seen}) == 1
    assert len({tuple(segment.style for segment in strip) for strip in seen}) == 3


async def test_it_cannot_take_the_keys():
    view = TraceView()
    async with hosted(view) as pilot:
        await pilot.press("tab")
        assert pilot.app.focused is None


@pytest.mark.parametrize("glyphs", [BRAILLE, BLOCKS])
async def test_no_size_raises(glyphs):
    view = TraceView(glyphs=glyphs)
    limits = [LimitLine(30, "current", "over-current 30 A"), LimitLine(0.7, "time", "limit")]
    voltage = Series(TIME_S, np.full(len(TIME_S), 12.6), quantity="voltage")
    bad = [LimitLine(np.nan, "current", "?"), LimitLine(np.inf, "time", "?")]
    marks = [Mark(0.5, "stalled"), Mark(np.nan, "?")]
    async with hosted(view):
        view.show([spiked(), voltage], [*limits, *bad], WINDOW, marks)
        for columns in (1, 2, 3, 5, 8, 30, 69, 70, 200):
            for rows in (1, 2, 3, 5, 6, 7, 8, 9, 17, 18, 30):
                canvas = Canvas(columns, rows, glyphs)
                view.draw(canvas)
                assert [len(s.text) for s in canvas.strips()] == [columns] * rows


async def test_thirty_by_six_shows_the_essentials():
    limits = [LimitLine(0.7, "time", "limit 0.70 s")]
    lines = await lines_of([spiked()], limits, WINDOW, columns=30, rows=6)
    assert "limit 0.70 s" in "\n".join(lines)
    assert lines[0][3] == "A"
    assert lines[-1].split()[-1] == "s"
    assert dots_of([line[3:] for line in lines]).any(axis=0).mean() > 0.7


async def test_the_text_console_gets_blocks():
    lines = await lines_of([spiked()], window=WINDOW, glyphs=BLOCKS)
    drawn_with = set("".join(line[3:] for line in lines[1:-2]))
    assert drawn_with <= set(" ▀▄█")


def test_a_window_needs_a_length():
    with pytest.raises(ValueError, match="start before its end"):
        Window(1.0, 1.0)
