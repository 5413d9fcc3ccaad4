"""Limits written into a plan's text: nothing else changes, and comments stay."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.analysis.model import VoltageLimit
from rig.plans import plan_from_text, shipped_plans
from rig.studies.plan_text import PlanTextError, literal, table_of, with_limits

TEXT = """\
title = "x"  # [limits] is not here

[limits]  # what holds
# Longest.
half_turn_max_s = [
    [8.0, 2.0],   # weak
    [12.0, 1.2],
]   # by voltage
run_max_a = 7.0         # a dry gear shows here
name = "a # b"  # odd

# --- the guard ---
[guard]
run_max_a = 9.0
"""


def test_only_the_value_changes_and_comments_stay_in_their_column():
    new = with_limits(TEXT, {"run_max_a": "3.41"}, {"run_max_a": ["Measured."]})
    assert new == TEXT.replace(
        "run_max_a = 7.0         # a", "# Measured.\nrun_max_a = 3.41        # a"
    )
    new = with_limits(TEXT, {"name": '"c"'}, {})
    assert 'name = "c"      # odd' in new


def test_a_value_over_several_lines_and_one_that_was_not_there():
    new = with_limits(TEXT, {"half_turn_max_s": "1.5", "peak_max_a": "20.0"}, {})
    limits = tomllib.loads(new)["limits"]
    assert (limits["half_turn_max_s"], limits["peak_max_a"]) == (1.5, 20.0)
    assert "# Longest.\nhalf_turn_max_s = 1.5" in new
    assert 'name = "a # b"  # odd\npeak_max_a = 20.0\n\n# --- the guard ---\n[guard]' in new


def test_what_an_earlier_proposal_said_goes_with_it():
    first = with_limits(
        TEXT, {"run_max_a": "3.4"}, {"run_max_a": ["From 20 known good units, so", "and so"]}
    )
    again = with_limits(
        first, {"run_max_a": "3.5"}, {"run_max_a": ["From 30 known good units, so"]}
    )
    assert "From 20" not in again
    assert "and so" not in again
    assert again.count("#") == TEXT.count("#") + 1


@pytest.mark.parametrize(
    "text",
    [
        'title = "x"\nlimits = { run_max_a = 7.0 }\n',
        "limits.run_max_a = 7.0\n",
        '[limits]\n"run_max_a" = 7.0\n',
        '[limits]\nnote = """\nrun_max_a = 5.0\n"""\nrun_max_a.x = 1\n',
    ],
)
def test_a_plan_written_otherwise_is_left_alone(text):
    tomllib.loads(text)
    with pytest.raises(PlanTextError, match="paste the table"):
        with_limits(text, {"run_max_a": "3.0"}, {})


@given(
    st.dictionaries(
        st.sampled_from(["run_max_a", "peak_max_a", "rest_max_a", "response_max_s"]),
        st.floats(0.001, 150.0),
        min_size=1,
    ),
    st.sampled_from(shipped_plans()),
    st.booleans(),
)
@settings(max_examples=40, deadline=None)
def test_of_a_plan_that_ships_only_these_limits_change(values, path, dos):
    text = path.read_text(encoding="utf-8")
    text = text.replace("\n", "\r\n") if dos else text
    new = with_limits(
        text, {k: literal(v) for k, v in values.items()}, {k: ["Why."] for k in values}
    )
    before, after = tomllib.loads(text), tomllib.loads(new)
    assert after["limits"] == {**before.pop("limits"), **values}
    del after["limits"]
    assert after == before
    assert ("\r\n" in new) is dos
    kept = [line for line in text.splitlines() if line.lstrip().startswith("#")]
    assert [
        line for line in new.splitlines() if line.lstrip().startswith("#") and line in kept
    ] == kept


def test_literals_are_toml_that_a_plan_reads():
    curve = VoltageLimit(((8.0, 1.5), (12.0, 0.9)))
    table = table_of({"half_turn_max_s": literal(curve), "run_max_a": literal(7.5)}, {})
    assert tomllib.loads(table) == {
        "limits": {"half_turn_max_s": [[8.0, 1.5], [12.0, 0.9]], "run_max_a": 7.5}
    }
    assert literal(VoltageLimit(((12.0, 0.9),))) == "0.9"
    plan = shipped_plans()[0]
    text = with_limits(plan.read_text(encoding="utf-8"), {"half_turn_max_s": literal(curve)}, {})
    assert plan_from_text(text, Path("x.toml")).limits.half_turn_max_s == curve
