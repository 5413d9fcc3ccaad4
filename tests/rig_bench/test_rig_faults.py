"""A rig fault in mid-run: feeds off in time, the right words, no unit failed and none passed.

A seeded part of ``tests/bench/campaign_faults.py``, on a short plan; the rules are in
``tests/support/rig_faults.py``.
"""

from __future__ import annotations

import pytest
from outside_faults import OUTSIDE, make_outside_case
from rig_faults import FAULTS, SHORT, Case, Setting, carry_out, make_case, untouched

from drivers.simulated.faults import CATALOGUE
from rig.analysis.model import Outcome
from rig.bench.events import Noted
from rig.records.model import RunState

SHORT_RUN = Setting(SHORT, 1, 200, False)


def test_every_rig_fault_of_the_catalogue_is_injected():
    assert set(FAULTS) == {name for name, fault in CATALOGUE.items() if fault.kind == "rig"}


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_of_the_rig_at_a_random_moment(name):
    case = make_case(name, 0, short=True, rates=(200,))
    assert case.broken() == [], case.text


@pytest.mark.parametrize("name", OUTSIDE)
def test_a_fault_outside_the_rig_at_a_random_moment(name):
    case = make_outside_case(name, 0, short=True, rates=(200,))
    assert case.broken() == [], case.text


def with_fault(name, text, setting=SHORT_RUN):
    """Return the short run with a fault at a moment of our choice, judged by the same rules."""
    case = Case(FAULTS[name], text, carry_out(setting, text), untouched(setting))
    assert case.broken() == []
    return case.run


def moment(kind, part, setting=SHORT_RUN):
    """Return a moment (s) in the step of this kind of the run without a fault."""
    ((begin_s, end_s),) = [(a, b) for step, a, b in untouched(setting).steps if step == kind]
    return begin_s + part * (end_s - begin_s)


def test_a_welded_feed_relay_raises_the_alarm_and_says_to_pull_the_supply():
    run = with_fault("feed-relay-welded", f"feed-relay-welded@{moment('half_turns', 0.5):.3f}")
    (alarm,) = [e for e in run.watcher.of(Noted) if e.kind == "trip_live_with_feed_off"]
    assert "Pull the supply now" in alarm.text
    assert run.ended.state is RunState.INTERRUPTED
    assert run.verdict == "retest"


def test_a_relay_that_welds_in_a_jam_is_not_hidden_by_the_jam():
    """The stall trips first; what is looked at then is whether the feed really opened."""
    at_s = moment("half_turns", 0.35)
    setting = Setting(SHORT, 1, 500, False)
    run = carry_out(setting, f"jammed=90@{at_s:.3f}", f"feed-relay-welded@{at_s:.3f}")
    kinds = [e.kind for e in run.watcher.of(Noted) if e.kind.startswith("trip_")]
    assert "trip_live_with_feed_off" in kinds
    assert "Pull the supply now" in run.ended.note
    assert not run.fed_at_end


def test_a_zero_that_moves_in_mid_step_neither_fails_nor_passes():
    run = with_fault("sensor-offset", f"sensor-offset=0.2@{moment('half_turns', 0.5):.3f}")
    assert run.verdict == "retest"
    assert "zero moved by 0.20 A" in run.said


def test_no_voltage_while_current_flows_is_cut_before_a_stall_could_hide_in_it():
    run = with_fault("voltage-missing", f"voltage-missing@{moment('half_turns', 0.3):.3f}")
    assert run.trip.kind == "trip_voltage_missing"


def test_a_chip_reset_costs_one_sample_and_no_verdict():
    run = with_fault("chip-reset", f"chip-reset@{moment('half_turns', 0.4):.3f}")
    assert run.verdict == "pass"
    assert sum(run.truth.bad) == 1


def test_no_feed_is_made_with_a_sensor_that_does_not_answer():
    """Lost while the feeds are off, it is missed before the next feed is made, not after."""
    begin_s = moment("rest_draw", 0.0)
    run = with_fault("sensor-absent", f"sensor-absent@{begin_s + 0.05:.3f}")
    assert run.ended.state is RunState.INTERRUPTED
    commanded = [
        c for t, c in zip(run.truth.time_s, run.truth.commanded, strict=True) if t > begin_s
    ]
    assert not any(commanded)


def test_a_switch_that_dies_in_the_park_check_fails_no_unit():
    """That it worked before says nothing of now."""
    run = with_fault("switches-dead", f"switches-dead@{moment('park_check', 0.45):.3f}")
    assert run.verdict == "retest"
    assert "Whether the switch still works was not seen" in run.said


def test_the_feed_is_told_from_the_brush_when_current_drops_out():
    rig = with_fault("supply-lost", f"supply-lost@{moment('half_turns', 0.4):.3f}+0.3")
    assert rig.verdict == "retest"
    brush = carry_out(Setting(SHORT, 1, 1000, False), "intermittent-brush=20")
    turns = [
        turn
        for step in brush.watcher.events
        if hasattr(step, "half_turns")
        for turn in (step.half_turns if isinstance(step.half_turns, tuple) else ())
    ]
    assert any(turn.dropouts for turn in turns)
    assert all(turn.outcome in (Outcome.PARKED, Outcome.SLOW) for turn in turns)
    assert "jumped up and down" not in brush.said
