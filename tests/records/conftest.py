"""Sample runs and steps, shared by the tests here and by the processes they start."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import quick_schema
from central_server import new_database, programs, shared_server

from rig.analysis.model import Direction, HalfTurn, Judgement, Measure, Outcome, Reason, Verdict
from rig.analysis.trace import Trace
from rig.records.model import (
    RunEnd,
    RunEvent,
    RunStart,
    RunState,
    Source,
    StepRecord,
    StepState,
)
from rig.records.store import Store

T0 = datetime(2026, 3, 2, 8, 15, 30, 123456, tzinfo=UTC)


def run_start(**changes: Any) -> RunStart:
    values: dict[str, Any] = {
        "started_at": T0,
        "unit_serial": "LM12-0041",
        "unit_type": "LM-12",
        "plan_name": "qualify",
        "plan_text": "[plan]\nname = 'qualify'  # grüner Zettel\n",
        "rig_name": "Low Meadow Pump Works",
        "rig_text": "[rig]\nname = 'Low Meadow Pump Works'\r\n",
        "station": "left",
        "operator": "R. Vale",
        "source": Source.OWN_REBUILD,
        "reference": "J-1207",
        "backend": "simulated",
        "simulated": True,
        "backend_facts": {"seed": "7", "faults": "none"},
        "program_version": "0.1.0",
    }
    return RunStart(**(values | changes))


def trace(seconds: float = 1.0, *, start_s: float = 100.0, seed: int = 1) -> Trace:
    """A 1 kHz trace as the sensor gives it: jittered times, 10 uV steps over 5 mohm, 4 mV steps."""
    rng = np.random.default_rng(seed)
    n = round(seconds * 1000)
    time_s = start_s + np.arange(n) / 1000 + rng.normal(0, 2e-5, n)
    made = np.arange(n) % 1000 > 200
    amps = np.where(made, 2.2, 0.0) + rng.normal(0, 0.01, n)
    volts = np.repeat(12.6 - 0.1 * made[::10], 10)[:n] + rng.normal(0, 0.004, n)
    current_a = np.round(amps / 0.002) * 0.002
    current_a[n // 2] = np.nan
    flags = np.where(np.isnan(current_a), 2, 0).astype(np.uint8)
    voltage_v = np.round(volts / 0.004) * 0.004
    return Trace(time_s, current_a, voltage_v, made, np.roll(made, 50), flags)


def half_turn(number: int = 1, **changes: Any) -> HalfTurn:
    values: dict[str, Any] = {
        "number": number,
        "direction": Direction.TO_RUN if number % 2 else Direction.TO_STOP,
        "outcome": Outcome.PARKED,
        "start_s": 100.2,
        "end_s": 100.9031,
        "response_s": 0.0082,
        "half_turn_s": 0.7031,
        "half_turn_u_s": 0.0021,
        "nominal_half_turn_s": 0.7312,
        "nominal_half_turn_u_s": 0.0142,
        "peak_a": 14.37,
        "peak_u_a": 0.15,
        "run_a": 2.204,
        "run_u_a": 0.024,
        "rest_a": -0.0004,
        "rest_u_a": 0.01,
        "charge_c": 1.71,
        "energy_j": 21.3,
        "supply_v": 12.48,
        "supply_u_v": 0.15,
        "sag_v": 0.71,
        "sag_u_v": 0.02,
        "turned_deg": 179.2,
        "peak_speed_deg_per_s": 268.0,
        "note": "cut off by its own cam",
    }
    return HalfTurn(**(values | changes))


def step(number: int = 1, **changes: Any) -> StepRecord:
    start = T0 + timedelta(seconds=10 * number)
    values: dict[str, Any] = {
        "number": number,
        "kind": "half_turns",
        "title": "Half-turns at 12.6 V",
        "started_at": start,
        "ended_at": start + timedelta(seconds=8.25),
        "state": StepState.DONE,
        "measures": (
            Measure("half_turn_mean_s", 0.70312345678901234, "s", 0.0021),
            Measure("odd", None, "A"),
        ),
        "half_turns": (
            half_turn(2 * number - 1),  # numbered through the run
            half_turn(2 * number, outcome=Outcome.STALLED, half_turn_s=None),
        ),
        "trace": trace(start_s=100.0 * number, seed=number),
        "answers": {"shaft free?": "yes", "marks": [1, 2.5, None]},
        "note": "",
    }
    return StepRecord(**(values | changes))


def event(text: str = "tripped", **changes: Any) -> RunEvent:
    values: dict[str, Any] = {"at": T0, "time_s": 1.5, "kind": "trip", "text": text}
    return RunEvent(**(values | changes))


def run_end(**changes: Any) -> RunEnd:
    values: dict[str, Any] = {
        "ended_at": T0 + timedelta(minutes=2),
        "state": RunState.FINISHED,
        "judgement": Judgement(
            Verdict.FAIL,
            (
                Reason(Verdict.FAIL, "half-turn 2 stalled", "outcome", 2),
                Reason(Verdict.RETEST, "half-turn 1 is near its limit", "half_turn_s", 1),
            ),
        ),
        "feeds_off": True,
        "note": "",
    }
    return RunEnd(**(values | changes))


@pytest.fixture(scope="package", autouse=True)
def _through_migrations():
    with quick_schema.using(quick_schema.through_migrations):
        yield


@pytest.fixture(scope="session")
def make() -> SimpleNamespace:
    return SimpleNamespace(
        T0=T0,
        run_start=run_start,
        trace=trace,
        half_turn=half_turn,
        step=step,
        event=event,
        run_end=run_end,
    )


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "records.db") as opened:
        yield opened


@pytest.fixture(scope="session")
def server():
    """A PostgreSQL server of the test run's own; see `central_server`."""
    if programs() is None:
        if os.environ.get("CI") == "true":
            pytest.fail("There is no PostgreSQL here to test the central records on.")
        pytest.skip("no PostgreSQL here (Debian: apt install postgresql)")
    in_worker = "PYTEST_XDIST_WORKER" in os.environ
    return shared_server(os.getppid() if in_worker else os.getpid())


@pytest.fixture
def central_url(server):
    """The URL of empty central records."""
    return new_database(server, "prepared")
