"""What Live and By hand draw, without a terminal: half-turns, chart, dial words, rows."""

from __future__ import annotations

from math import nan
from types import SimpleNamespace

import numpy as np
import pytest
from bench_runs import make_plan
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from live_rows import HALF_TURN_S, rest, turn

from rig.analysis.trace import CLIPPED, LOST, RESET, STUCK
from rig.console.live_job import Live
from rig.console.live_picture import ROLLING_S, LivePicture
from rig.console.live_turns import KEPT, thinned
from rig.console.plan_progress import clock_words
from rig.console.rig_state import NOT_KNOWN, rig_words, sensor_word
from rig.console.screens.watching import three_digits
from rig.console.tail import Tail
from rig.console.widgets.progress_line import bar


def desk_of(*parts):
    """A desk as far as a picture looks at it, with these rows already there."""
    tail = Tail()
    for part in parts:
        tail.add(part)
    return SimpleNamespace(tail=tail, live=Live(job=SimpleNamespace(plan=make_plan())))


def picture_of(*parts):
    picture = LivePicture(desk_of(*parts))
    picture.follow()
    return picture


HOME = rest(0.0, 1.0, battery=True)


class TestHalfTurns:
    def test_the_present_one_counts_from_its_feed_change(self):
        picture = picture_of(HOME, turn(1.0, 1.4, to_run=True))
        assert picture.turn.start_s == 1.0
        assert picture.turn.to_run
        assert picture.turn.by_ignition
        assert picture.numbers().half_turn_s == pytest.approx(0.395)
        assert picture.dial_state() == "turning"

    def test_its_time_stands_when_it_has_parked(self):
        picture = picture_of(HOME, turn(1.0, 2.4, to_run=True))
        assert picture.numbers().half_turn_s == pytest.approx(HALF_TURN_S, abs=0.006)
        assert picture.last_parked == "run"

    def test_the_last_few_of_the_same_direction_stay_behind_it(self):
        parts, t = [HOME], 1.0
        for number in range(9):
            parts.append(turn(t, t + 1.0, to_run=number % 2 == 0))
            t += 1.0
        chart = picture_of(*parts, turn(t, t + 0.3, to_run=False)).chart()
        before = [one for one in chart.series if one.tone == "before"]
        assert len(before) == KEPT
        assert {one.label for one in before} == {"before, to stop"}
        assert all(one.time_s[0] == pytest.approx(-0.05, abs=0.006) for one in before)
        assert "this one, to stop" in {one.label for one in chart.series if one.tone == "now"}

    def test_catching_up_sees_the_same_as_watching(self):
        parts = [HOME, turn(1.0, 2.0, to_run=True), turn(2.0, 2.5, to_run=False)]
        at_once = picture_of(*parts)
        desk = desk_of()
        bit_by_bit = LivePicture(desk)
        for row in np.array_split(np.vstack(parts), 40):
            desk.tail.add(row)
            bit_by_bit.follow()
        assert bit_by_bit.turn == at_once.turn
        assert bit_by_bit.lever.angle_deg == pytest.approx(at_once.lever.angle_deg)
        one, other = at_once.chart().series, bit_by_bit.chart().series
        assert [s.label for s in one] == [s.label for s in other]
        assert all(np.array_equal(a.value, b.value) for a, b in zip(one, other, strict=True))

    def test_another_job_starts_from_nothing(self):
        desk = desk_of(HOME, turn(1.0, 2.0, to_run=True))
        picture = LivePicture(desk)
        picture.follow()
        desk.tail.clear()
        desk.live = Live(job=SimpleNamespace(plan=make_plan()))
        picture.follow()
        assert picture.turn is None
        assert picture.lever.angle_deg is None


class TestChart:
    def test_limits_at_the_present_voltage(self):
        lines = picture_of(HOME, turn(1.0, 1.4, to_run=True)).chart().limits
        said = {line.label: line for line in lines}
        assert set(said) == {"longest 1.17 s", "running 7 A", "guard 33 A"}
        # 1.2 s at 12 V and 1.0 s at 16 V, straight between: 12.5 V when it turns.
        assert said["longest 1.17 s"].value == pytest.approx(1.2 - 0.2 * 0.5 / 4.0, abs=0.005)
        assert said["longest 1.17 s"].axis == "time"

    def test_the_window_stays_until_the_half_turn_outlasts_it(self):
        spans = {}
        for lasted_s in (0.7, 1.3, 1.7, 2.5, 4.0):
            part = turn(1.0, 1.0 + lasted_s, to_run=True, stalls_at_s=0.3)
            spans[lasted_s] = picture_of(HOME, part).chart().window.end_s
        assert spans[0.7] == spans[1.3] == spans[1.7] < spans[2.5] < spans[4.0]
        assert all(span_s > lasted_s for lasted_s, span_s in spans.items())

    def test_the_last_seconds_while_nothing_is_fed(self):
        picture = picture_of(HOME, turn(1.0, 2.0, to_run=True), rest(2.0, 2.5))
        chart = picture.chart()
        assert (chart.window.start_s, chart.window.end_s) == (-ROLLING_S, 0.0)
        assert chart.series[0].time_s[-1] == pytest.approx(0.0)
        assert all(line.axis == "current" for line in chart.limits)

    def test_battery_feed_alone_is_no_half_turn_unless_it_turns(self):
        assert picture_of(HOME).chart().window.start_s == -ROLLING_S
        homing = picture_of(rest(0.0, 1.0), turn(1.0, 1.3, to_run=False)).chart()
        assert homing.window.start_s > -1.0

    def test_rolling_when_asked_for(self):
        picture = picture_of(HOME, turn(1.0, 1.4, to_run=True))
        assert picture.chart(rolling=True).window.start_s == -ROLLING_S

    def test_clipped_samples_are_marked(self):
        clipped = turn(1.0, 1.4, to_run=True, flags=float(CLIPPED))
        assert picture_of(HOME, clipped).chart().series[0].clipped.any()

    @given(
        values=arrays(
            float, st.integers(0, 5000), elements=st.one_of(st.just(nan), st.floats(-30, 30))
        )
    )
    def test_thinning_keeps_extremes_ends_and_gaps(self, values):
        time_s = np.arange(len(values)) / 1000.0
        kept = thinned(time_s, values)
        assert len(kept.time_s) == len(kept.value) <= max(2000, len(values) // 2)
        assert np.all(np.diff(kept.time_s) >= 0.0)
        assert np.isnan(kept.value).any() == np.isnan(values).any()
        if len(values) and not np.isnan(values).any():
            assert (kept.value.min(), kept.value.max()) == (values.min(), values.max())
        assert np.isin(kept.time_s, time_s).all()


class TestDialWords:
    def test_stalled(self):
        picture = picture_of(HOME, turn(1.0, 1.6, to_run=True, stalls_at_s=0.3))
        assert picture.dial_state() == "stalled"

    def test_no_movement(self):
        dead = rest(1.0, 1.9, battery=True, ignition=True)
        assert picture_of(HOME, dead[:100]).dial_state() != "no movement"
        assert picture_of(HOME, dead).dial_state() == "no movement"

    def test_parked_is_an_assumption_until_it_has_been_seen(self):
        assert picture_of(HOME).dial_state() == "stop, assumed"
        assert picture_of(HOME, turn(1.0, 2.4, to_run=True)).dial_state() == "parked"

    def test_left_where_the_feed_was_taken_away(self):
        picture = picture_of(HOME, turn(1.0, 1.4, to_run=True), rest(1.4, 2.0))
        assert picture.dial_state() == "left here"
        assert 60.0 < picture.lever.angle_deg < 130.0


class TestRigWords:
    @staticmethod
    def words(*, fresh=True, has_stop=True, has_dead_man=True, **more):
        tail = desk_of(rest(0, 1, **more)).tail
        said = rig_words(tail, fresh=fresh, has_stop=has_stop, has_dead_man=has_dead_man)
        return {w.name: w for w in said}

    def test_all_well(self):
        said = self.words(battery=True)
        assert [w.word for w in said.values()] == ["on", "off", "clear", "held", "good"]
        assert not any(w.alert for w in said.values())

    @pytest.mark.parametrize(
        ("columns", "name", "word"),
        [
            ({"emergency_stop": 1.0}, "Emergency stop", "PRESSED"),
            ({"master": 0.0}, "Dead-man", "DROPPED"),
            ({"flags": float(CLIPPED)}, "Sensor", "clipped"),
            ({"flags": float(LOST)}, "Sensor", "no answer"),
            ({"flags": float(RESET)}, "Sensor", "was reset"),
            ({"flags": float(STUCK | CLIPPED)}, "Sensor", "repeats itself"),
        ],
    )
    def test_what_must_be_seen(self, columns, name, word):
        said = self.words(**columns)
        assert (said[name].word, said[name].alert) == (word, True)
        assert [n for n, w in said.items() if w.alert] == [name]

    def test_not_wired(self):
        said = self.words(has_stop=False, has_dead_man=False, master=nan)
        assert said["Emergency stop"].word == said["Dead-man"].word == "not wired"

    def test_a_dead_man_that_is_there_but_not_read_back(self):
        said = self.words(master=nan)["Dead-man"]
        assert (said.word, said.alert) == ("not read back", False)

    def test_what_is_not_fresh_is_not_known(self):
        assert {w.word for w in self.words(fresh=False).values()} == {NOT_KNOWN}

    def test_a_flag_of_one_sample_is_seen_for_a_while_and_no_longer(self):
        part = rest(0.0, 2.0)
        part[300, 5] = CLIPPED
        assert sensor_word(desk_of(part[:350]).tail) == "clipped"
        assert sensor_word(desk_of(part).tail) == "clipped"
        assert sensor_word(desk_of(part, rest(2.0, 2.3)).tail) == "good"


THREE_DIGITS = {0.0: "0.00", -0.004: "0.00", 2.304: "2.30", 9.994: "9.99", 9.996: "10.0"}


@pytest.mark.parametrize(
    ("value", "shown"), [*THREE_DIGITS.items(), (13.84, "13.8"), (-1.5, "-1.50"), (nan, None)]
)
def test_numbers_in_three_digits(value, shown):
    assert three_digits(value) == shown


def test_length_of_time_on_the_clock():
    assert [clock_words(s) for s in (-1.0, 0.4, 65, 3599.6, 3725)] == [
        "0:00",
        "0:00",
        "1:05",
        "1:00:00",
        "1:02:05",
    ]


def test_bar_of_many_steps_keeps_its_shape():
    rows = [SimpleNamespace(over=k < 50, begun=k < 60) for k in range(100)]
    assert bar(rows) == "█" * 10 + "▒" * 2 + "░" * 8
