"""Runs under a plan whose half-turn limit is one number: a weak feed is told from a slow unit."""

from __future__ import annotations

import pytest
from bench_runs import HEAD, make_order, make_plan

PLAIN_HEAD = HEAD.replace("[[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]", "0.80")


@pytest.mark.parametrize(
    ("faults", "expected"),
    [
        ((), "pass"),
        (("weak-supply=0.9",), "retest"),
        (("fuse-holder-corroded=0.9",), "retest"),
        (("dry-gear=7",), "fail"),
        (("dry-gear=7", "weak-supply=0.2"), "fail"),
        (("worn-brushes=2",), "fail"),
    ],
)
def test_a_plain_limit_is_meant_at_the_nominal_voltage(carry_out, faults, expected):
    ran = carry_out(make_order(make_plan(head=PLAIN_HEAD), faults=faults))
    assert ran.verdict == expected
    if expected == "retest":
        assert "the feed was weak" in ran.ended.judgement.reasons[0].text
        kept = ran.record.half_turns
        assert all(turn.nominal_half_turn_s < turn.half_turn_s for turn in kept)
