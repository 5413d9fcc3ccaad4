"""How a rig stands by its golden unit, in words that say what is wrong and what to do."""

from __future__ import annotations

import json
from datetime import UTC, timedelta

import pytest
from study_runs import T0, golden, seen

from rig.records.golden_said import (
    GoldenStanding,
    golden_in_short,
    golden_standing,
    golden_words,
    is_warning,
    said,
)
from rig.studies.as_json import golden_object
from rig.studies.golden import said_at_start, state_of
from rig.studies.golden_words import chart_lines, state_lines

BASE = [2.00, 2.01, 1.99, 2.00, 2.00] * 3


def state(values, *, days=None, every_days=0, **changes):
    """Return how the rig stands ``days`` after the first of a check a day."""
    runs = [seen(value, day) for day, value in enumerate(values)]
    days = len(values) - 1 if days is None else days
    today = (T0 + timedelta(days=days)).date()
    return state_of(golden(**changes), runs, today, every_days=every_days, zone=UTC)


def test_a_baseline_is_gathered():
    found = state(BASE[:3])
    assert found.standing is GoldenStanding.BASELINE
    assert "3 of 15 checks of golden unit G-1 are made that set the limits" in found.text


def test_in_control():
    found = state([*BASE, 2.0, 2.01])
    assert found.standing is GoldenStanding.IN_CONTROL
    assert found.text == ("The rig is in control by golden unit G-1 (last check 2026-03-18 08:00).")


def test_out_of_control_says_what_by_how_much_and_what_to_do():
    found = state([*BASE, 2.2])
    assert found.standing is GoldenStanding.OUT
    assert "running current of 2.2000 A lies beyond its control limits 1.9" in found.text
    assert "Judge no unit before you know why" in found.text
    assert "`halfturn golden check G-1`" in found.text


def test_a_drift_is_seen_before_a_value_is_beyond():
    found = state([*BASE, *(2.0 + 0.0035 * k for k in range(1, 8))])
    charted = found.charts[0].chart
    assert found.standing is GoldenStanding.OUT
    assert all(charted.limits.low < p.value < charted.limits.high for p in charted.points)
    assert "the running current drifts up: smoothed, it is 2.0" in found.text


def test_in_control_again_after_checks_that_are():
    assert state([*BASE, 2.06]).standing is GoldenStanding.OUT
    assert state([*BASE, 2.06, *[2.0, 1.99] * 4]).standing is GoldenStanding.IN_CONTROL


def test_what_only_calls_for_a_look_is_no_alarm():
    found = state([*BASE, *[2.004] * 9])
    assert found.standing is GoldenStanding.LOOK
    assert "nine checks of the running current lie on the same side" in found.text
    assert is_warning(said(found.standing, found.text))


def test_a_golden_unit_that_fails_speaks_of_the_rig():
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    runs.append(seen(2.0, 15, verdict="fail"))
    found = state_of(golden(), runs, T0.date(), zone=UTC)
    assert found.standing is GoldenStanding.OUT
    assert "failed a unit that is known to be good" in found.text


def test_a_check_without_a_value_is_no_check_passed():
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    runs.append(seen(None, 15))
    found = state_of(golden(), runs, T0.date(), zone=UTC)
    assert found.standing is GoldenStanding.OUT
    assert "got no value of the running current" in found.text


@pytest.mark.parametrize(
    ("days", "every_days", "due"),
    [(16, 1, False), (17, 1, True), (19, 0, False), (22, 7, False), (23, 7, True)],
)
def test_a_check_is_due_by_the_calendar(days, every_days, due):
    found = state([*BASE, 2.0, 2.0], days=days, every_days=every_days)
    assert (found.standing is GoldenStanding.DUE) is due
    if due:
        assert "the last one was on 2026-03-18 08:00" in found.text


def test_a_check_that_was_never_made_is_due():
    found = state([], days=0, every_days=1)
    assert found.standing is GoldenStanding.DUE
    assert "there is none yet" in found.text


def test_out_of_control_is_worse_than_due():
    assert state([*BASE, 2.2], days=30, every_days=1).standing is GoldenStanding.OUT


def test_checks_by_another_plan_or_in_another_world_do_not_count():
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    runs += [seen(9.0, 15, plan_text="title = 'other'"), seen(9.0, 16, simulated=True)]
    found = state_of(golden(), runs, T0.date(), zone=UTC)
    assert (len(found.checks), found.left_out) == (15, 2)
    assert found.standing is GoldenStanding.IN_CONTROL
    assert "2 checks are left out" in " ".join(state_lines(found))


def test_a_shift_far_below_what_the_rig_claims_is_no_fault_of_it():
    # The stated uncertainty is 0.03 A; the values repeat to the sensor's step.
    assert state([2.0] * 15 + [2.002]).standing is GoldenStanding.IN_CONTROL


def test_a_calibration_asks_for_a_new_baseline():
    runs = [seen(value, day) for day, value in enumerate([*BASE, 2.0])]
    for hours, standing in ((-1, GoldenStanding.IN_CONTROL), (30, GoldenStanding.LOOK)):
        at = T0 + timedelta(hours=hours)
        found = state_of(golden(), runs, T0.date(), calibrated_at=at, zone=UTC)
        assert found.standing is standing
    assert "calibrated on 2026-03-03 14:00, since this baseline began: begin another" in found.text


def test_several_measures_share_the_false_alarms():
    alone = state(BASE).charts[0].chart.limits
    among = state(BASE, measures=("run", "rest", "to_run")).charts[0].chart.limits
    assert among.high > alone.high


def test_as_json_and_as_text():
    found = state([*BASE, 2.2])
    whole = json.loads(json.dumps(golden_object(found)))
    assert whole["standing"] == "out_of_control"
    assert whole["charts"][0]["points"][15]["signals"] == ["beyond", "drift", "spread"]
    assert whole["charts"][0]["limits"]["centre"] == pytest.approx(2.0)
    assert "beyond its limits, drift, jump" in "\n".join(chart_lines(found.charts[0]))


# --- what a run is told at its start --------------------------------------------------------------


class Records:
    """Golden units and their checks, without a file."""

    def __init__(self, *checks):
        self.checked = {each.golden_id: runs for each, runs in checks}
        self.golden = [each for each, _ in checks]

    def in_use(self, station):
        return [each for each in self.golden if station in (None, each.station)]

    def checks(self, golden_id):
        return self.checked[golden_id]

    def calibrated_at(self, station, *, simulated):
        return None


def test_the_worst_of_several_golden_units_is_told():
    good = [seen(value, day) for day, value in enumerate([*BASE, 2.0])]
    bad = [seen(value, day) for day, value in enumerate([*BASE, 2.4])]
    records = Records((golden(), good), (golden(), bad))
    told = said_at_start(records, "A", "U-7", "incoming", T0.date(), 0)
    assert golden_standing(told) is GoldenStanding.OUT
    assert "OUT OF CONTROL" in golden_words(told)
    assert golden_in_short(told) == "RIG OUT OF CONTROL"
    assert said_at_start(records, "B", "U-7", "incoming", T0.date(), 0) is None


def test_a_check_itself_is_told_as_one():
    records = Records((golden(), [seen(9.0, day) for day in range(9)]))
    told = said_at_start(records, "A", "G-1", "short", T0.date(), 1)
    assert golden_standing(told) is GoldenStanding.CHECK
    assert not is_warning(told)


def test_what_was_never_said():
    assert (golden_words(None), golden_standing(None), is_warning(None)) == ("", None, False)
    assert golden_in_short(None) == ""
    assert golden_standing({"standing": "of a newer program"}) is None
