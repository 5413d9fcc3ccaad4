"""The report from a bench's own file and from the central records; the command at the prompt."""

from __future__ import annotations

import csv
import hashlib
import io
import json
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
import quick_schema
from at_the_prompt import halfturn
from whole_records import AT, everything, golden, made

from rig.analysis.model import Judgement, Outcome, Reason, Verdict
from rig.overview.gathered import Period, judged_runs, lots
from rig.records.central import Central
from rig.records.model import AGAIN, Held
from rig.records.store import Store
from rig.records.sync import sync

RIG = Path(__file__).parents[2] / "rig" / "templates" / "rig.toml"
PLANS = Path(__file__).parents[2] / "test_plans"
PASSED = Judgement(Verdict.PASS, (Reason(Verdict.PASS, "all within", "half_turn_s"),))


@pytest.fixture(scope="module", autouse=True)
def _quickly():
    with quick_schema.using(quick_schema.upgrade):
        yield


def runs_of(records, **how):
    with records.reading() as connection:
        return judged_runs(
            connection, how.pop("period", Period()), simulated=how.pop("simulated", True), **how
        )


def test_the_same_comes_from_a_file_and_from_the_central_records(store, central_url, make):
    everything(store, make)
    made(store, make, unit_serial="LM12-0500")
    sync(store, central_url, name="b")
    with Central.open(central_url) as central:
        there, here = (runs_of(each, measured=True) for each in (central, store))
        assert there == [replace(each, bench="b") for each in here]
        assert all(each.values["to_run_s"] for each in here)
        with central.reading() as there, store.reading() as here:
            for found in (here, there):
                (lot,) = lots(found, Period(), simulated=True)
                assert [len(item.runs) for item in lot.items] == [1, 0, 0]
                assert (lot.supplier, lot.accepted) == ("Hollow Lane Castings", None)


def test_the_rigs_own_runs_and_the_other_world_are_left_out(store, make):
    everything(store, make)  # a run of a gauge study, and one of a lot
    store.golden.declare(golden("LM12-0700"))
    made(store, make, unit_serial="LM12-0700", started_at=AT)  # its check
    made(store, make, unit_serial="LM12-0500", simulated=False)
    assert [each.unit for each in runs_of(store)] == ["LM12-0099"]
    assert [each.unit for each in runs_of(store, simulated=False)] == ["LM12-0500"]


def test_days_are_from_and_up_to(store, make):
    made(store, make)
    late = Period(since=make.T0 + timedelta(seconds=1))
    early = Period(until=make.T0)
    exact = Period(make.T0, make.T0 + timedelta(microseconds=1))
    assert [len(runs_of(store, period=each)) for each in (late, early, exact)] == [0, 0, 1]


def test_what_was_set_aside_in_a_lot_does_not_count(store, make):
    everything(store, make)
    assert [each.unit for each in runs_of(store)] == ["LM12-0099"]
    store.lots.set_aside("L-2209", 4, "a clip was off", "sam", make.T0)
    assert runs_of(store) == []


def test_runs_of_before_a_unit_was_golden_stay(store, make):
    made(store, make, started_at=AT - timedelta(days=40))
    store.golden.declare(golden(serial="LM12-0041"))
    made(store, make, started_at=AT + timedelta(hours=1))  # its check
    store.golden.withdraw(store.golden.find("LM12-0041").golden_id, AT + timedelta(days=2))
    made(store, make, started_at=AT + timedelta(days=3))
    days = [each.at - AT for each in runs_of(store)]
    assert days == [timedelta(days=-40), timedelta(days=3)]


def test_what_half_turns_measured_is_their_mean_by_step(store, make):
    run = store.begin_run(make.run_start())
    turns = (
        make.half_turn(1, half_turn_s=0.71, nominal_half_turn_s=0.7, run_a=2.0),
        make.half_turn(3, half_turn_s=0.81, nominal_half_turn_s=0.8, run_a=3.0),
        make.half_turn(5, nominal_half_turn_s=9.0, run_a=9.0, cut_by_rig=True),
    )
    slow = make.half_turn(7, outcome=Outcome.SLOW, half_turn_s=0.9, nominal_half_turn_s=None)
    store.finish_step(run, make.step(1, half_turns=turns))
    store.finish_step(run, make.step(2, title="More", half_turns=(*turns[:1], slow)))
    store.finish_run(run, make.run_end(judgement=PASSED))
    (test,) = runs_of(store, measured=True)
    first, second = "half_turns 1", "half_turns 2"
    assert test.values["to_run_s"] == pytest.approx({first: 0.75})  # not of all in the second
    assert test.values["to_run_as_taken_s"] == pytest.approx({first: 0.76, second: 0.805})
    assert test.values["run_a"] == pytest.approx(
        {f"{first} to_run": 2.5, f"{second} to_run": 2.102}
    )


def test_only_steps_that_count_are_compared(store, make):
    run = store.begin_run(make.run_start())

    def step(number, time_s, **changes):
        turn = make.half_turn(2 * number - 1, half_turn_s=time_s, nominal_half_turn_s=None)
        store.finish_step(run, make.step(number, half_turns=(turn,), **changes))

    step(1, 9.0, title="Half-turns")
    step(2, 0.7, title=f"Half-turns{AGAIN}")
    step(3, 9.1, kind="supply_sweep", title="Sweep")
    step(4, 9.2, title="With a bad zero", held=Held.NOTHING)
    step(5, 0.9, kind="park_check", title="Park")
    store.finish_run(run, make.run_end(judgement=PASSED))
    (test,) = runs_of(store, measured=True)
    assert test.values["to_run_as_taken_s"] == {"half_turns 1": 0.7, "park_check 1": 0.9}


def test_plans_of_one_name_compare_if_units_and_steps_are_the_same(store, make):
    text = (PLANS / "qualify.toml").read_text(encoding="utf-8")
    texts = {
        "as shipped": text,
        "a remark": f"{text}\n# checked in March\n",
        "a limit": text.replace("run_max_a", "# run_max_a", 1),
        "another step": text + '\n[[step]]\nkind = "half_turns"\ncycles = 2\n',
    }
    assert len(set(texts.values())) == 4
    for name, plan in texts.items():
        made(store, make, unit_serial=name, plan_text=plan)
    called = {each.unit: each.plan for each in runs_of(store, measured=True)}
    assert called["as shipped"] == called["a remark"] == called["a limit"]
    other = hashlib.sha256(texts["another step"].encode()).hexdigest()[:8]
    assert called["another step"] == f"qualify ({other})" != called["as shipped"]
    assert {each.plan for each in runs_of(store)} == {"qualify"}


# --- at the prompt --------------------------------------------------------------------------------


@pytest.fixture
def two(store, tmp_path, central_url, make):
    """Central records of two benches that tested the same four units."""
    with Store.open(tmp_path / "south.db") as south:
        for serial in ("u1", "u2", "u3", "u4"):
            for each, slower_s in ((store, 0.0), (south, 0.05)):
                run = each.begin_run(make.run_start(unit_serial=serial))
                turns = (
                    make.half_turn(1, nominal_half_turn_s=0.7 + slower_s, half_turn_s=0.7),
                    make.half_turn(2, nominal_half_turn_s=0.8, run_a=2.2),
                )
                each.finish_step(run, make.step(1, half_turns=turns))
                each.finish_run(run, make.run_end())
        for each, number in ((store, 1), (south, 2)):
            sync(each, central_url, name=f"Low Meadow Pump Works, bench {number}")
    return central_url


def test_benches_beside_each_other(two, capsys):
    words = ("report", "benches", "--rig", str(RIG), "--central", two, "--simulated")
    status, out, _ = halfturn(capsys, *words)
    assert status == 0
    assert all(len(line) <= 80 for line in out.splitlines())
    told = " ".join(out.split())
    one, other = (f"Low Meadow Pump Works, bench {number}" for number in (1, 2))
    assert f"{one} 4 4: 100 % (40 to 100) 0 %" in told
    what = f"{other} - {one} is"
    assert f"time to run: {what} (+0.05 ± 0) s (4 units): one bench reads otherwise." in told
    assert f"time to stop: {what} (+0 ± 0) s (4 units): no difference seen." in told
    assert "All 3 intervals hold together" in told
    rows = [line.split() for line in out.splitlines()]
    reads = [row for row in rows if row[-3:] == ["0.7500", "to", "0.7500"]]
    assert len(reads) == 1
    below = rows[rows.index(reads[0]) + 1]
    assert " ".join(reads[0] + below).count("bench 2") == 1  # the name goes on in the next line
    _, out, _ = halfturn(capsys, *words, "--json")
    made_of = json.loads(out)
    assert [group["name"] for group in made_of["groups"]] == [one, other]
    assert {pair["units"] for pair in made_of["pairs"]} == {4}
    _, out, _ = halfturn(capsys, *words, "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(row["bench"], row["units"]) for row in rows] == [(one, "4"), (other, "4")]


def test_suppliers_from_a_benchs_own_file(store, make, capsys):
    everything(store, make)
    words = ("report", "--rig", str(RIG), "--records", str(store.path), "--simulated")
    _, out, _ = halfturn(capsys, *words)
    assert "Hollow Lane Castings 1    0        0   1     1: 100 % (2.5 to 100) 0 %" in out
    _, out, _ = halfturn(capsys, *words[:-1])
    assert "No lot was opened then." in " ".join(out.split())


def test_a_report_of_nothing_named_says_what_to_write(store, capsys):
    status, _, err = halfturn(capsys, "report", "--rig", str(RIG), "--central")
    assert (status, "Write `url` into [central]" in err) == (3, True)
    status, _, err = halfturn(capsys, "report", "--rig", str(RIG), "--central", "benches")
    assert (status, "`halfturn report benches --central`" in " ".join(err.split())) == (3, True)
