"""Records of runs as Hypothesis draws them: any text, any number, whatever a record may hold."""

from __future__ import annotations

import sys
from dataclasses import fields
from datetime import UTC, datetime

import numpy as np
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rig.analysis.model import Direction, HalfTurn, Judgement, Measure, Outcome, Reason, Verdict
from rig.analysis.trace import Trace
from rig.records.model import (
    Held,
    RunEnd,
    RunEvent,
    RunStart,
    RunState,
    Source,
    StepRecord,
    StepState,
)

# All that UTF-8 has: also what a spreadsheet, a terminal or a line end would trip over.
texts = st.text(max_size=12) | st.sampled_from(
    ["", "=1+1", "'=1", "-2", "@a", "+", "\r\n", '"', ",", "a\x00b", "\N{BOM}", "ü,\n;", "NaN"]
)
names = texts.filter(bool)
finite = st.floats(allow_nan=False, allow_infinity=False)
numbers = st.none() | finite | st.sampled_from([0.0, -0.0, 5e-324, sys.float_info.max, 1 / 3])
moments = st.datetimes(datetime(1970, 1, 2), datetime(2199, 1, 1), timezones=st.just(UTC))
json_leaves = st.none() | st.booleans() | st.integers(-(2**70), 2**70) | finite | texts
json_values = st.recursive(
    json_leaves,
    lambda c: st.lists(c, max_size=2) | st.dictionaries(texts, c, max_size=2),
    max_leaves=4,
)
facts = st.dictionaries(texts, texts, max_size=2)


def _columns(n):
    # Any bits: sensors give none of these, and a record keeps them all.
    def floats(**more):
        return hnp.arrays("<f8", n, elements=st.floats(**more))

    bits = hnp.arrays("<u8", n).map(lambda a: a.view("<f8"))
    feeds = hnp.arrays(np.bool_, n)
    step = st.floats(1e-6, 1e3)
    return st.builds(
        lambda first, steps, *rest: Trace(first + np.cumsum(steps), *rest),
        st.floats(-1e6, 1e6),
        hnp.arrays("<f8", n, elements=step),
        floats() | bits,
        floats(),
        feeds,
        feeds,
        st.none() | hnp.arrays(np.uint8, n),
        st.dictionaries(names, floats(), max_size=1),
    )


traces = st.integers(0, 5).flatmap(_columns)


def half_turns(number):
    drawn = {field.name: numbers for field in fields(HalfTurn) if str(field.type) == "float | None"}
    return st.builds(
        HalfTurn,
        number=st.just(number),
        direction=st.sampled_from(Direction),
        outcome=st.sampled_from(Outcome),
        start_s=st.floats(allow_infinity=False),
        dropouts=st.integers(0, 9),
        longest_dropout_s=st.floats(allow_infinity=False),
        cut_by_rig=st.booleans(),
        note=texts,
        **drawn,
    )


measures = st.builds(Measure, texts, numbers, texts, numbers)


@st.composite
def steps(draw, number, first_turn):
    turns = draw(st.integers(0, 2))
    return StepRecord(
        number=number,
        kind=draw(st.sampled_from(["half_turns", "rest_draw", "winding"])),
        title=draw(texts),
        started_at=draw(moments),
        ended_at=draw(moments),
        state=draw(st.sampled_from(StepState)),
        measures=tuple(draw(st.lists(measures, max_size=2))),
        half_turns=tuple(draw(half_turns(first_turn + k)) for k in range(turns)),
        # What half-turns are made of is there; else it would be damage.
        trace=draw(traces if turns else st.none() | traces),
        answers=draw(st.dictionaries(texts, json_values, max_size=2)),
        note=draw(texts),
        held=draw(st.none() | st.sampled_from(Held)),
    )


starts = st.builds(
    RunStart,
    started_at=moments,
    unit_serial=texts,
    unit_type=texts,
    plan_name=texts,
    plan_text=texts,
    rig_name=texts,
    rig_text=texts,
    station=texts,
    operator=texts,
    source=st.sampled_from(Source),
    reference=texts,
    backend=texts,
    simulated=st.booleans(),
    backend_facts=facts,
    program_version=texts,
    control=st.none() | names,
)
reasons = st.builds(Reason, st.sampled_from(Verdict), texts, texts, st.integers(0, 9))
ends = st.builds(
    RunEnd,
    ended_at=moments,
    state=st.sampled_from([RunState.FINISHED, RunState.STOPPED, RunState.INTERRUPTED]),
    judgement=st.none()
    | st.builds(
        Judgement,
        st.sampled_from([Verdict.FAIL, Verdict.RETEST]),  # a pass must have all of its plan's steps
        st.lists(reasons, min_size=1, max_size=2).map(tuple),
    ),
    feeds_off=st.booleans(),
    note=texts,
)
events = st.builds(RunEvent, moments, st.floats(allow_infinity=False), texts, texts)


@st.composite
def whole_steps(draw):
    """Steps that are numbered through, and their half-turns too."""
    made, turns = [], 0
    for number in range(1, draw(st.integers(0, 2)) + 1):
        made.append(draw(steps(number, turns + 1)))
        turns += len(made[-1].half_turns)
    return made


runs = st.tuples(starts, whole_steps(), st.lists(events, max_size=2), ends)
"""Start, steps, events and end of a run."""


def keep(store, run):
    """Record a drawn run; return its id."""
    start, its_steps, its_events, end = run
    run_id = store.begin_run(start)
    for step in its_steps:
        store.finish_step(run_id, step)
    for event in its_events:
        store.add_event(run_id, event)
    store.finish_run(run_id, end)
    return run_id
