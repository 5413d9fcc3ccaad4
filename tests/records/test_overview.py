"""The report from a bench's own file and from the central records; the command at the prompt."""

from __future__ import annotations

import csv
import io
import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
import quick_schema
from at_the_prompt import halfturn
from whole_records import AT, everything, golden, made

from rig.analysis.model import Judgement, Reason, Verdict
from rig.overview.figures import JudgedRun, lines_by, pairs, spreads
from rig.overview.gathered import Period, judged_runs, lots
from rig.overview.words import report_text
from rig.records.central import Central
from rig.records.model import AGAIN
from rig.records.store import Store
from rig.records.sync import sync

RIG = Path(__file__).parents[2] / "rig" / "templates" / "rig.toml"
PASSED = Judgement(Verdict.PASS, (Reason(Verdict.PASS, "all within", "half_turn_s"),))


@pytest.fixture(scope="module", autouse=True)
def _quickly():
    with quick_schema.using(quick_schema.upgrade):
        yield


def runs_of(records, **how):
    with records.reading() as connection:
        return judged_runs(
            connection, how.pop("period", Period()), simulated=how.get("simulated", True)
        )


def test_the_same_comes_from_a_file_and_from_the_central_records(store, central_url, make):
    everything(store, make)
    made(store, make, unit_serial="LM12-0500")
    sync(store, central_url, name="b")
    with Central.open(central_url) as central:
        assert runs_of(central) == [
            type(each)(**{**vars(each), "bench": "b"}) for each in runs_of(store)
        ]
        with central.reading() as there, store.reading() as here:
            for found in (here, there):
                (lot,) = lots(found, Period(), simulated=True)
                assert [len(item.runs) for item in lot.items] == [1, 0, 0]
                assert (lot.supplier, lot.accepted) == ("Hollow Lane Castings", None)


def test_the_rigs_own_runs_and_the_other_world_are_left_out(store, make):
    everything(store, make)  # a run of a gauge study, and one of a lot
    store.golden.declare(golden("LM12-0700"))
    made(store, make, unit_serial="LM12-0700", started_at=AT)  # its check
    made(store, make, unit_serial="LM12-0700", simulated=False)  # of before it was declared
    made(store, make, unit_serial="LM12-0500", simulated=False)
    assert [each.unit for each in runs_of(store)] == ["LM12-0099"]
    real = [each.unit for each in runs_of(store, simulated=False)]
    assert sorted(real) == ["LM12-0500", "LM12-0700"]
    store.lots.set_aside("L-2209", 4, "a clip was off", "sam", AT)
    assert runs_of(store) == []


def test_days_are_from_and_up_to(store, make):
    made(store, make)
    late = Period(since=make.T0 + timedelta(seconds=1))
    early = Period(until=make.T0)
    exact = Period(make.T0, make.T0 + timedelta(microseconds=1))
    assert [len(runs_of(store, period=each)) for each in (late, early, exact)] == [0, 0, 1]


def test_what_half_turns_measured_is_their_mean_at_nominal_voltage(store, make):
    run = store.begin_run(make.run_start())
    turns = (
        make.half_turn(1, nominal_half_turn_s=0.7, run_a=2.0),
        make.half_turn(3, nominal_half_turn_s=None, half_turn_s=0.8, run_a=3.0),
        make.half_turn(5, nominal_half_turn_s=9.0, run_a=9.0, cut_by_rig=True),
    )
    store.finish_step(run, make.step(1, half_turns=turns))
    store.finish_run(run, make.run_end(judgement=PASSED))
    (test,) = runs_of(store)
    title = make.step(1).title
    assert test.values == {"to_run_s": {title: 0.7}, "run_a": {title: 2.5}}


def test_what_is_not_alike_is_not_held_against_each_other(store, make):
    def tested(plan_text, *steps):
        run = store.begin_run(make.run_start(plan_text=plan_text))
        for number, (title, turn) in enumerate(steps, start=1):
            store.finish_step(run, make.step(number, title=title, half_turns=(turn,)))
        store.finish_run(run, make.run_end(judgement=PASSED))

    raw = make.half_turn(1, nominal_half_turn_s=None, half_turn_s=0.8, run_a=None)
    bad, good = (make.half_turn(1, nominal_half_turn_s=s, run_a=None) for s in (0.9, 0.7))
    tested("one", ("turns", bad), ("turns" + AGAIN, good))
    tested("other", ("turns", raw))
    first, second = runs_of(store)
    assert first.values == {"to_run_s": {"turns": 0.7}}  # the repetition counts
    assert second.values == {"to_run_raw_s": {"turns": 0.8}}
    assert first.plan != second.plan
    assert {first.plan[:9], second.plan[:9]} == {"qualify ("}


# --- at the prompt --------------------------------------------------------------------------------


@pytest.fixture
def two(store, tmp_path, central_url, make):
    """Central records of two benches that tested the same four units."""
    with Store.open(tmp_path / "south.db") as south:
        for serial in ("u1", "u2", "u3", "u4"):
            for each in (store, south):
                made(each, make, unit_serial=serial)
        sync(store, central_url, name="north")
        sync(south, central_url, name="south")
    return central_url


def test_benches_beside_each_other(two, capsys):
    words = ("report", "benches", "--rig", str(RIG), "--central", two, "--simulated")
    status, out, _ = halfturn(capsys, *words)
    assert status == 0
    assert all(len(line) <= 80 for line in out.splitlines())
    assert "north  4      4: 100 % (40 to 100)  0 %" in out
    assert "south - north is (+0 ± 0) s (4 units): no difference seen." in " ".join(out.split())
    _, out, _ = halfturn(capsys, *words, "--json")
    made_of = json.loads(out)
    assert [group["name"] for group in made_of["groups"]] == ["north", "south"]
    assert {pair["units"] for pair in made_of["pairs"]} == {4}
    _, out, _ = halfturn(capsys, *words, "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert [(row["bench"], row["units"]) for row in rows] == [("north", "4"), ("south", "4")]


def test_benches_of_long_names_are_told_apart_in_each_table():
    names = [f"Low Meadow Pump Works, the bench number {n}" for n in (1, 2)]
    tests = [
        JudgedRun("u", "LM-12", "incoming", name, AT, "pass", values={"to_run_s": {"s": 0.7}})
        for name in names
    ]
    lines = lines_by(tests, lambda test: test.bench)
    text = report_text("benches", lines, spreads(tests), pairs(tests), "Records.")
    rows = [line for line in text.splitlines() if "Low Meadow" in line and "…" in line]
    assert max(len(line) for line in text.splitlines()) <= 80
    assert [re.search("….* number ([12]) ", line)[1] for line in rows] == ["1", "2"]


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
