"""How a rig stands by its golden unit, in words that say what is wrong and what to do."""

from __future__ import annotations

import json
from datetime import UTC, timedelta

import pytest
from study_runs import PLAN_TEXT, T0, golden, seen

from rig.records.golden_said import (
    GoldenStanding,
    golden_in_short,
    golden_standing,
    golden_words,
    is_warning,
    said,
)
from rig.records.study_model import BaselineKept
from rig.studies.as_json import golden_object
from rig.studies.golden import said_at_start, state_of
from rig.studies.golden_words import chart_lines, state_lines

BASE = [2.00, 2.01, 1.99, 2.00, 2.00] * 3
LATER = (T0 + timedelta(days=20)).date()


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
    found = state_of(golden(), runs, LATER, zone=UTC)
    assert found.standing is GoldenStanding.OUT
    assert "failed a unit that is known to be good" in found.text


def test_a_check_without_a_value_is_no_check_passed():
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    runs.append(seen(None, 15))
    found = state_of(golden(), runs, LATER, zone=UTC)
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


def checked(*more):
    """Return how the rig stands by a good baseline and what was recorded after it."""
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    return state_of(golden(), [*runs, *more], LATER, zone=UTC)


# A limit of the plan changed; and what is no plan at all to this program.
OTHER_PLANS = (PLAN_TEXT.replace("[12.0, 1.2]", "[12.0, 1.1]"), "title = 'other'")


@pytest.mark.parametrize("other", OTHER_PLANS)
def test_a_newest_check_by_another_plan_vouches_for_nothing(other):
    assert other != PLAN_TEXT
    found = checked(seen(2.0, 15, plan_text=other))
    assert (len(found.checks), found.left_out) == (15, 1)
    assert found.standing is GoldenStanding.DUE
    assert "its newest check (2026-03-17 08:00) was made by another text of the plan" in found.text
    assert '`halfturn golden baseline G-1 --reason "new plan"`' in found.text
    assert "1 check is left out" in " ".join(" ".join(state_lines(found)).split())
    again = checked(seen(9.0, 15, plan_text=other), seen(2.0, 16))
    assert (again.standing, again.left_out) == (GoldenStanding.IN_CONTROL, 1)
    assert checked(seen(9.0, 15), seen(2.0, 16, plan_text=other)).standing is GoldenStanding.OUT


@pytest.mark.parametrize(
    "text",
    [
        f"# Made in spring.\n{PLAN_TEXT}",
        PLAN_TEXT.replace("\n", "\n\n"),
        PLAN_TEXT.replace('title = "', 'title = "Our '),
    ],
)
def test_a_plan_that_demands_the_same_is_the_same(text):
    assert text != PLAN_TEXT
    assert checked(seen(2.0, 15, plan_text=text)).standing is GoldenStanding.IN_CONTROL
    assert checked(seen(9.0, 15, plan_text=text)).standing is GoldenStanding.OUT


def test_a_check_dated_after_today_hides_no_later_one_and_vouches_for_nothing():
    ahead = seen(2.0, 2000)
    found = checked(ahead)
    assert (found.standing, found.ahead) == (GoldenStanding.DUE, 1)
    assert "newest check is dated 2031-08-23 08:00, after today" in found.text
    assert "Set the computer's clock" in found.text
    assert "dated after today" in " ".join(" ".join(state_lines(found)).split())
    assert checked(ahead, seen(9.0, 16)).standing is GoldenStanding.OUT
    assert checked(ahead, seen(2.0, 16)).standing is GoldenStanding.IN_CONTROL


def test_a_check_dated_ahead_is_none_on_the_calendar():
    runs = [seen(value, day) for day, value in enumerate(BASE)]
    runs = [*runs[:14], seen(2.0, 2000), runs[14]]
    found = state_of(golden(baseline=14), runs, LATER, every_days=1, zone=UTC)
    assert found.standing is GoldenStanding.DUE
    assert "the last one was on 2026-03-16 08:00" in found.text


def test_a_baseline_begun_with_the_clock_ahead_is_told():
    begun = BaselineKept(2, T0 + timedelta(days=2000), "new shunt", "jo")
    found = state_of(golden(), [], LATER, baseline=begun, zone=UTC)
    assert found.standing is GoldenStanding.DUE
    assert "its baseline is dated 2031-08-23 08:00, after today, so that no check" in found.text
    assert "begin another baseline (`halfturn golden baseline G-1 --reason" in found.text


def test_a_shift_far_below_what_the_rig_claims_is_no_fault_of_it():
    # The stated uncertainty is 0.03 A; the values repeat to the sensor's step.
    assert state([2.0] * 15 + [2.002]).standing is GoldenStanding.IN_CONTROL


def test_a_calibration_asks_for_a_new_baseline():
    runs = [seen(value, day) for day, value in enumerate([*BASE, 2.0])]
    for hours, standing in ((-1, GoldenStanding.IN_CONTROL), (30, GoldenStanding.LOOK)):
        at = T0 + timedelta(hours=hours)
        found = state_of(golden(), runs, LATER, calibrated_at=at, zone=UTC)
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


def test_no_check_vouches_for_the_bench_of_the_other_world():
    """Neither simulated checks for a real rig nor the other way round."""
    good = [seen(value, day, simulated=True) for day, value in enumerate(BASE)]
    bad = [seen(3.0, day) for day in range(16, 19)]
    records = Records((golden(), [*good, *bad]))
    told = {
        simulated: said_at_start(records, "A", "U-7", "incoming", LATER, 0, simulated=simulated)
        for simulated in (True, False)
    }
    assert golden_standing(told[True]) is GoldenStanding.IN_CONTROL
    assert golden_standing(told[False]) is GoldenStanding.BASELINE
    assert "3 of 15 checks" in golden_words(told[False])


# --- what a run is told at its start --------------------------------------------------------------


class Records:
    """Golden units and their checks, without a file."""

    def __init__(self, *checks):
        self.checked = {each.golden_id: runs for each, runs in checks}
        self.golden = [each for each, _ in checks]

    def in_use(self, station):
        return [each for each in self.golden if station in (None, each.station)]

    def checks(self, golden_id, *, simulated, today, zone):
        return [run for run in self.checked[golden_id] if run.summary.simulated == simulated]

    def calibrated_at(self, station, *, simulated):
        return None


def test_the_worst_of_several_golden_units_is_told():
    good = [seen(value, day) for day, value in enumerate([*BASE, 2.0])]
    bad = [seen(value, day) for day, value in enumerate([*BASE, 2.4])]
    records = Records((golden(), good), (golden(), bad))
    told = said_at_start(records, "A", "U-7", "incoming", LATER, 0, simulated=False)
    assert golden_standing(told) is GoldenStanding.OUT
    assert "OUT OF CONTROL" in golden_words(told)
    assert golden_in_short(told) == "RIG OUT OF CONTROL"
    assert said_at_start(records, "B", "U-7", "incoming", LATER, 0, simulated=False) is None


def test_a_check_itself_is_told_as_one():
    records = Records((golden(), [seen(9.0, day) for day in range(9)]))
    told = said_at_start(records, "A", "G-1", "short", LATER, 1, simulated=False)
    assert golden_standing(told) is GoldenStanding.CHECK
    assert not is_warning(told)


def test_what_was_never_said():
    assert (golden_words(None), golden_standing(None), is_warning(None)) == ("", None, False)
    assert golden_in_short(None) == ""
    assert golden_standing({"standing": "of a newer program"}) is None
