"""The canvas: dots are where they belong, gaps stay gaps, nothing is lost and nothing added."""

import math

import numpy as np
import pytest
from drawn import dots_of
from hypothesis import given
from hypothesis import strategies as st
from rich.style import Style

from rig.console.drawing.axes import place, x_ticks
from rig.console.drawing.canvas import DASHED, DOTTED, Area, Canvas, towards
from rig.console.drawing.glyphs import BLOCKS, BRAILLE, glyphs_of_terminal
from rig.console.drawing.raster import thinned
from rig.console.drawing.scale import Scale, StableRange, step_for, ticks

COLUMNS, ROWS = 12, 5
WIDTH, HEIGHT = 2 * COLUMNS, 4 * ROWS
RED, BLUE = Style(color="red"), Style(color="blue")

anywhere = st.one_of(
    st.floats(-40, 60), st.just(math.nan), st.floats(allow_nan=False, allow_infinity=True)
)
sizes = st.tuples(st.integers(1, 15), st.integers(1, 6))


def drawn(x, y, columns=COLUMNS, rows=ROWS, glyphs=BRAILLE, dash=None):
    canvas = Canvas(columns, rows, glyphs)
    canvas.layer(RED).polyline(x, y, dash)
    return dots_of([s.text for s in canvas.strips()], glyphs.down, glyphs.across)


def inside(x, y, width=WIDTH, height=HEIGHT):
    return (x >= 0) & (x <= width - 1) & (y >= 0) & (y <= height - 1)


def runs(x, y):
    """Split at points that are not finite."""
    whole = np.isfinite(x) & np.isfinite(y)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], whole, [0]))))
    return [(x[a:b], y[a:b]) for a, b in zip(edges[::2], edges[1::2], strict=True)]


@given(st.lists(st.tuples(anywhere, anywhere), min_size=1, max_size=40), sizes)
def test_every_finite_point_inside_sets_its_dot(points, size):
    x, y = np.array(points).T
    columns, rows = size
    dots = drawn(x, y, columns, rows)
    seen = inside(x, y, 2 * columns, 4 * rows)
    assert dots[np.floor(y[seen] + 0.5).astype(int), np.floor(x[seen] + 0.5).astype(int)].all()


@given(st.lists(st.tuples(anywhere, anywhere), min_size=1, max_size=30))
def test_a_gap_is_never_joined(points):
    x, y = np.array(points).T
    apart = np.zeros((HEIGHT, WIDTH), dtype=bool)
    for run_x, run_y in runs(x, y):
        apart |= drawn(run_x, run_y)
    assert np.array_equal(drawn(x, y), apart)


@given(st.lists(st.one_of(st.floats(0, HEIGHT - 1), st.just(math.nan)), min_size=100, max_size=400))
def test_a_thinned_series_draws_the_same_dots_as_the_whole_one(values):
    x, y = np.linspace(0, WIDTH - 1, len(values)), np.array(values)
    thin = drawn(x, y)  # longer than four points a column, so it is thinned
    whole = np.zeros_like(thin)
    # Pieces short enough to be left alone, each with the next one's first point.
    for start in range(0, len(x), 50):
        whole |= drawn(x[start : start + 51], y[start : start + 51])
    assert np.array_equal(thin, whole)


@given(st.integers(500, 20_000), st.data())
def test_a_spike_of_one_sample_survives(count, data):
    at = data.draw(st.integers(0, count - 1))
    x, y = np.linspace(0, WIDTH - 1, count), np.full(count, HEIGHT - 1.0)
    y[at] = 0.0
    dots = drawn(x, y)
    assert dots[0].sum() == 1
    assert dots[0, int(x[at] + 0.5)]


def test_thinning_leaves_few_points():
    x, y = np.linspace(0, 199, 100_000), np.random.default_rng(1).normal(size=100_000)
    assert len(thinned(x, y)[0]) <= 5 * 200


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(-50, 50), st.floats(-50, 50))
def test_a_line_stays_near_itself_and_inside(x0, y0, x1, y1):
    rows, columns = np.nonzero(drawn([x0, x1], [y0, y1]))
    length = math.hypot(x1 - x0, y1 - y0)
    length = length if length > 1e-9 else 0.0
    for x, y in zip(columns, rows, strict=True):
        along = ((x - x0) * (x1 - x0) + (y - y0) * (y1 - y0)) / length**2 if length else 0.0
        along = min(1.0, max(0.0, along))
        off = math.hypot(x - x0 - along * (x1 - x0), y - y0 - along * (y1 - y0))
        # Ends and the dots between them are rounded, each by half a dot each way at most.
        assert off <= 1.5


@given(st.floats(-50, 50), st.floats(-50, 50), st.floats(-50, 50), st.floats(-50, 50))
def test_a_line_has_no_holes(x0, y0, x1, y1):
    rows, columns = np.nonzero(drawn([x0, x1], [y0, y1]))
    if len(rows):
        assert len(set(rows)) == rows.max() - rows.min() + 1
        assert len(set(columns)) == columns.max() - columns.min() + 1


@pytest.mark.parametrize(
    ("x", "y"),
    [([-9, -1], [3, 3]), ([30, 90], [3, 9]), ([3, 3], [-20, -1]), ([-9, 5], [-3, -9])],
)
def test_nothing_outside_is_drawn(x, y):
    assert not drawn(x, y).any()


def test_a_line_that_leaves_is_drawn_to_the_edge():
    assert drawn([5, 90], [5, 5])[5].tolist() == [False] * 5 + [True] * (WIDTH - 5)
    assert drawn([-70, 5], [5, 5])[5].tolist() == [True] * 6 + [False] * (WIDTH - 6)


def test_an_area_confines_what_is_drawn():
    canvas = Canvas(COLUMNS, ROWS)
    layer = canvas.layer(RED, Area(2, 1, 3, 2))
    layer.polyline([-100, 100], [-100, 100])
    layer.horizontal(0)
    layer.vertical(5)
    layer.disc((0, 0), 9)
    layer.bitmap(-2, -2, np.ones((30, 30), dtype=bool))
    dots = dots_of([s.text for s in canvas.strips()])
    assert dots[4:12, 4:10].all()
    dots[4:12, 4:10] = False
    assert not dots.any()


def test_dashes_are_told_from_a_line_without_colour():
    canvas = Canvas(20, 2)
    canvas.layer(RED).horizontal(1, DASHED)
    canvas.layer(RED).horizontal(6)
    dots = dots_of([s.text for s in canvas.strips()])
    assert dots[6].all()
    assert "".join("x" if dot else "." for dot in dots[1]).startswith("xxxx...xxxx...")
    assert drawn([0, WIDTH - 1], [2, 2], dash=DOTTED).sum() == WIDTH // 2


@given(st.floats(4, 9), st.floats(0, 360), st.floats(0, 360))
def test_an_arc_lies_on_its_circle(radius, first, last):
    canvas = Canvas(12, 6)
    canvas.layer(RED).arc((11.0, 11.0), radius, (first, last))
    rows, columns = np.nonzero(dots_of([s.text for s in canvas.strips()]))
    assert len(rows)
    assert np.all(np.abs(np.hypot(columns - 11.0, rows - 11.0) - radius) <= 1.0)


def test_degrees_start_at_the_left_and_go_over_the_top():
    x, y = towards((10.0, 10.0), 5.0, np.array([0.0, 90.0, 180.0]))
    assert np.allclose(x, [5, 10, 15])
    assert np.allclose(y, [10, 5, 10])


def test_the_last_layer_gives_the_style_and_words_lie_above():
    canvas = Canvas(6, 1)
    canvas.layer(RED).horizontal(0)
    canvas.layer(BLUE).points([4, 5], [3, 3])
    canvas.text(4, 0, "ab", Style(bold=True))
    strip = canvas.strips()[0]
    assert [(s.text, s.style) for s in strip] == [
        ("⠉⠉", RED),
        ("⣉", BLUE),
        ("⠉", RED),
        ("ab", Style(bold=True)),
    ]


def test_a_covering_layer_hides_the_dots_below_it():
    canvas = Canvas(2, 1)
    kept, hidden = canvas.layer(RED), canvas.layer(RED)
    kept.horizontal(2)
    hidden.horizontal(0)
    canvas.layer(BLUE, covers=[hidden]).points([0], [3])
    assert canvas.strips()[0].text == "⡤⠭"
    assert [s.style for s in canvas.strips()[0]] == [BLUE, RED]


def test_a_blank_after_reversed_words_is_not_reversed():
    canvas = Canvas(6, 1)
    canvas.text(0, 0, "old", Style(reverse=True))
    assert [(s.text, s.style.reverse) for s in canvas.strips()[0]] == [
        ("old", True),
        ("   ", None),
    ]


@given(sizes, st.integers(-5, 20), st.integers(-3, 8), st.text("abc ", max_size=30))
def test_words_are_cut_at_the_edges_and_rows_keep_their_length(size, column, row, text):
    canvas = Canvas(*size)
    canvas.text(column, row, text, RED)
    canvas.downwards(column, row, text, RED)
    place(canvas, Area(0, 0, *size), [(column, row), (0, 0)], text, RED)
    strips = canvas.strips()
    assert [len(s.text) for s in strips] == [size[0]] * size[1]
    assert [s.cell_length for s in strips] == [size[0]] * size[1]


def test_words_are_placed_where_they_hide_least():
    canvas = Canvas(10, 3)
    layer = canvas.layer(RED)
    layer.horizontal(1)
    canvas.text(0, 1, "taken", RED)
    place(canvas, Area(0, 0, 10, 3), [(0, 0), (0, 1), (0, 2)], "word", RED)
    assert canvas.strips()[2].text.startswith("word")


@pytest.mark.parametrize("glyphs", [BRAILLE, BLOCKS])
@pytest.mark.parametrize("size", [(1, 1), (1, 3), (3, 1), (0, 0), (0, 2), (2, 0)])
def test_the_smallest_sizes_do_not_raise(size, glyphs):
    canvas = Canvas(*size, glyphs)
    layer = canvas.layer(RED)
    layer.polyline(np.linspace(-5, 5, 100), np.linspace(-5, 5, 100))
    layer.arc((0, 0), 3, (0, 180), DOTTED)
    layer.horizontal(0)
    layer.vertical(0, DASHED)
    layer.disc((0, 0), 2)
    canvas.text(0, 0, "words", RED)
    assert len(canvas.strips()) == size[1]


def test_blocks_use_only_what_the_text_console_has():
    dots = drawn([0, 11], [0, 9], glyphs=BLOCKS)
    assert dots.shape == (2 * ROWS, COLUMNS)
    assert dots[0, 0]
    assert dots[9, 11]
    canvas = Canvas(COLUMNS, ROWS, BLOCKS)
    canvas.layer(RED).line((0, 0), (11, 9))
    assert set("".join(s.text for s in canvas.strips())) <= set(" ▀▄█")
    assert glyphs_of_terminal({"TERM": "linux"}) is BLOCKS
    assert glyphs_of_terminal({"TERM": "xterm-256color"}) is BRAILLE


@given(st.lists(st.floats(-1e6, 1e6), min_size=2), st.integers(1, 300))
def test_a_higher_value_is_never_drawn_lower(values, dots):
    scale = Scale(-3.0, 17.0, dots, upwards=True)
    rows = scale.dot(sorted(values))
    assert np.all(np.diff(rows) <= 0)
    assert scale.at(17.0) == 0
    assert scale.at(-3.0) == dots - 1


@given(st.floats(-1e3, 1e3), st.floats(1e-3, 1e4), st.floats(), st.integers(1, 300))
def test_one_value_and_many_lie_on_the_same_dots(low, span, value, dots):
    scale = Scale(low, low + span, dots)
    one, many = scale.at(value), float(scale.dot([value])[0])
    assert one == pytest.approx(many, rel=1e-6, nan_ok=True)


def test_a_scale_needs_a_span():
    with pytest.raises(ValueError, match="low < high"):
        Scale(1.0, 1.0, 10)


@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e5), st.integers(1, 12))
def test_ticks_are_round_few_and_inside(low, span, most):
    step = step_for(span, most)
    assert f"{step:.0e}"[0] in "125"
    marks = ticks(low, low + span, most)
    assert len(marks) <= most + 1
    for value, text in marks:
        assert low - 1e-6 * span <= value <= low + span * (1 + 1e-6)
        assert float(text) == pytest.approx(value, abs=1e-6 * step)


def test_the_last_time_tick_has_the_unit():
    assert [text for _, text in x_ticks(0.0, 1.0, 60, "s")][-1] == "1.0 s"


@given(st.lists(st.tuples(st.floats(-20, 20), st.floats(0, 40)), min_size=1, max_size=60))
def test_a_stable_range_always_holds_its_values(spans):
    stable = StableRange(least=1.0, patience=5)
    for low, height in spans:
        got = stable.follow(low, low + height)
        assert got[0] <= low + 1e-9
        assert got[1] >= low + height - 1e-9


def test_a_stable_range_grows_at_once_and_shrinks_late():
    stable = StableRange(least=1.0, patience=10)
    assert stable.follow(0, 2.4) == (0, 2.5)
    assert stable.follow(0, 13.8) == (0, 15)
    assert {stable.follow(0, 2.4) for _ in range(9)} == {(0, 15)}
    assert stable.follow(0, 2.4) == (0, 2.5)
    stable.follow(0, 13.8)
    stable.reset()
    assert stable.follow(0, 2.4) == (0, 2.5)
    # A value that comes back while it waits begins the wait anew.
    for value in (13.8, *[2.4] * 9, 13.0):
        got = stable.follow(0, value)
    assert {stable.follow(0, 2.4) for _ in range(9)} | {got} == {(0, 15)}
