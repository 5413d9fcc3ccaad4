"""Simulated units with drawn faults get no verdict that their true behaviour forbids.

Truth: the world's own contacts, cam, current and voltage, without sensor, noise and sampling
(`true_turns`), against the limits of the plan and the uncertainties the program states.  The whole
campaign is `tests/bench/campaign_verdicts.py`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import count, islice

import pytest
from drawn_units import draw
from verdict_trials import RIG_SOUND, SOUND, coverage, try_unit

# The quick ones: few samples a second are the hardest to judge, and a supply that does not answer
# is waited for in real time.
QUICK = [
    drawn
    for drawn in islice(map(draw, count(7000)), 160)
    if drawn.sample_hz <= 500 and not drawn.programmable
]
PARTS = 3
PART = 12


@pytest.mark.parametrize("part", range(PARTS))
def test_no_unit_gets_what_its_true_behaviour_forbids(part, records):
    units = QUICK[part * PART : (part + 1) * PART]
    found = [try_unit(drawn, records) for drawn in units]
    assert len(found) == PART
    wrong = [(t.drawn.seed, t.row, t.verdict) for t in found if t.false_pass or t.false_fail]
    assert not wrong, "see tests/bench/campaign_verdicts.py --first SEED --units 1 --tell"
    rows = Counter(trial.row for trial in found)
    assert len(rows) >= 4  # it is a mixed lot
    clear = [trial.verdict for trial in found if trial.row == SOUND]
    assert "pass" in clear
    errors = [error for parts in coverage(found).values() for error in parts]
    assert len(errors) > 100
    assert sum(abs(error) <= 1.0 for error in errors) >= 0.95 * len(errors)


# What once got a verdict that it should not have.
FOUND_BEFORE = {1009318: "the bus hung in the half-turn after a first one of 13 degrees"}


@pytest.mark.parametrize("seed", FOUND_BEFORE)
def test_no_unit_gets_it_again(seed, records):
    trial = try_unit(draw(seed), records)
    assert trial.verdict == "retest"
    assert not trial.false_fail


@pytest.mark.parametrize(
    ("fault", "row"),
    [
        ("jammed=90", "stalled"),
        ("cam-welded", "runs on"),
        ("cam-short=90", "stops short"),
        ("open-winding", "no movement"),
        ("worn-brushes=2.7", "slow"),
        ("leakage=0.3", "rest draw high"),
        ("shorted-turns=0.35", "current out of limits"),
        ("sensor-stuck@3", RIG_SOUND),
    ],
)
def test_a_fault_is_truly_what_it_is_called(fault, row, records):
    plain = replace(
        draw(0),
        faults=(fault,),
        extra={"supply_v": "12.5"},
        sample_hz=200,
        shape="incoming",
        count=2,
        programmable=False,
        close=None,
    )
    trial = try_unit(plain, records)
    # What comes of a fault first may be worse still: a unit that stopped short does not start.
    rows = {stand.row for stand in trial.stands if stand.beyond} | {trial.row}
    assert row in rows
    assert trial.verdict == ("retest" if row == RIG_SOUND else "fail")
