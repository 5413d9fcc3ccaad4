"""What must hold whatever comes in: each target takes any bytes, BrokenRuleError if it does not.

Pure enough to be called some thousand times a second: no command line, no process, no waiting.
The Hypothesis tests of this folder and the coverage-guided script `guided.py` share them.
"""

from __future__ import annotations

import csv
import io
import json
import re
import tempfile
import warnings
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from unittest import mock
from uuid import UUID

import numpy as np

from drivers import SupplyError, SupplyWiring
from drivers.supply import BenchSupply
from rig.analysis.half_turns import find_half_turns
from rig.analysis.judge import combine, judge_half_turns
from rig.analysis.model import Accuracy, Direction, HalfTurn, Outcome
from rig.commands.judge import words
from rig.console.search_words import SearchWords, filter_of
from rig.contract import judgement_object
from rig.exchange import from_csv
from rig.exchange.as_csv import CsvFiles
from rig.exchange.fields import kept_tables
from rig.feasible import cautions_on_rig, check_plan_on_rig, describe_sensor
from rig.labels import SERIAL_LONGEST, trouble_with
from rig.plans import PlanError, find_plan, load_plan
from rig.plausible import refuse_implausible
from rig.records.as_json import run_json, runs_json
from rig.records.errors import RecordsError
from rig.records.export import half_turns_csv, measures_csv
from rig.records.model import (
    RunRecord,
    RunStart,
    RunState,
    RunSummary,
    Source,
    StepRecord,
    StepState,
)
from rig.records.show import run_text, runs_text
from rig.records.store import Store
from rig.schema import MistakesError
from rig.settings import SettingsError, load_settings, starter_settings
from rig.tracefile import TraceFileError, read_trace, write_trace

LONGEST = 1200
"""Characters of one line of a message: what a person may be expected to read."""

_PYTHON = re.compile(r"Traceback|\b[A-Z]\w*(?:Error|Exception|Warning)\b|<\w+ object at 0x")


class BrokenRuleError(AssertionError):
    """A rule does not hold."""


def hold(holds: bool, rule: str) -> None:
    """Raise BrokenRuleError with the rule's words if it does not hold."""
    if not holds:
        raise BrokenRuleError(rule)


def check_message(text: str) -> None:
    """A message is there, in words, on lines that can be read, without anything of Python's."""
    hold(len(text.split()) >= 3, f"a message has words: {text!r}")
    hold(not _PYTHON.search(text), f"nothing of Python's is shown: {text!r}")
    for line in text.splitlines():
        hold(line.isprintable(), f"a message is printable: {line!r}")
        hold(len(line) <= LONGEST, f"a message is short: {len(line)} characters")


@cache
def _folder() -> Path:
    kept = tempfile.TemporaryDirectory(prefix="halfturn-fuzz-")
    _kept.append(kept)
    return Path(kept.name)


_kept: list[tempfile.TemporaryDirectory[str]] = []


def _written(name: str, data: bytes) -> Path:
    path = _folder() / name
    path.write_bytes(data)
    return path


@cache
def _starter():
    return starter_settings()


@cache
def _qualify():
    return load_plan(find_plan("qualify", ()))


# --- files ------------------------------------------------------------------------------------


def plan(data: bytes) -> None:
    """A plan is read and can be asked everything, or every mistake in it is told."""
    try:
        made = load_plan(_written("plan.toml", data))
    except PlanError as error:
        _check_mistakes(error, data)
        return
    _check_plan(made, _starter())


def rig(data: bytes) -> None:
    """A rig file is read and can be asked everything, or every mistake in it is told."""
    try:
        settings = load_settings(_written("rig.toml", data))
    except SettingsError as error:
        _check_mistakes(error, data)
        return
    for warning in settings.warnings():
        check_message(warning)
    settings.wiring(20.0, settings.stations[-1].name)
    _check_plan(_qualify(), settings)


def _check_plan(made, settings) -> None:
    made.analysis_limits().half_turn_max_s.at(12.0)
    made.unit_type()
    for station in settings.stations:
        mistakes = check_plan_on_rig(made, settings, station)
        for mistake in mistakes:
            check_message(str(mistake))
        if not mistakes:
            check_message(describe_sensor(settings, station, made))
            for caution in cautions_on_rig(made, settings, station):
                check_message(caution)


def _check_mistakes(error: MistakesError, data: bytes) -> None:
    hold(bool(error.mistakes), "a file that is refused has mistakes")
    lines = data.count(b"\n") + 1
    for mistake in error.mistakes:
        check_message(str(mistake))
        hold("\n" not in str(mistake), "a mistake is one line")
        hold(mistake.line is None or 1 <= mistake.line <= lines, "a mistake is on a line there is")


def trace(data: bytes) -> None:
    """A trace is read, judged, shown and written back the same, or one mistake in it is told."""
    try:
        made = read_trace(_written("trace.csv", data))
        refuse_implausible(made, "trace.csv")
    except TraceFileError as error:
        check_message(str(error))
        return
    limits = _qualify().analysis_limits()
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # numpy's would be printed on the operator's terminal
        half_turns = find_half_turns(made, _qualify().unit_type(), limits, Accuracy())
        judgement = combine(judge_half_turns(half_turns, limits))
    check_message(words(judgement, half_turns))
    json.dumps(judgement_object(judgement, half_turns, limits.rule), allow_nan=False)
    try:
        write_trace(_folder() / "again.csv", made)
    except TraceFileError as error:
        check_message(str(error))  # a further column with an odd name
        return
    again = read_trace(_folder() / "again.csv")
    for name in ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed"):
        same = np.array_equal(getattr(made, name), getattr(again, name), equal_nan=name[0] in "cv")
        hold(same, f"{name} is read back as it was")


# --- SCPI -------------------------------------------------------------------------------------


class ScriptedPort:
    """A serial port at which ``replies`` come, the next one after each line that is sent.

    Without waiting: what has not come when it is read does not come in time.
    """

    def __init__(self, replies: list[bytes]) -> None:
        self.timeout = 1.0
        self._replies = iter(replies)
        self._waiting = b""
        self.sent: list[bytes] = []
        self.answer_lines: dict[bytes, bytes] = {}

    def write(self, data: bytes) -> None:
        self.sent.append(data)
        self._waiting += next(self._replies, b"")

    def read_until(self, end: bytes, size: int) -> bytes:
        at = self._waiting.find(end)
        line = self._take(min(size, len(self._waiting) if at < 0 else at + 1))
        if self.sent:
            self.answer_lines[self.sent[-1]] = line
        return line

    def read(self, size: int) -> bytes:
        return self._take(min(size, len(self._waiting)))

    def close(self) -> None:
        self._waiting = b""

    def _take(self, size: int) -> bytes:
        taken, self._waiting = self._waiting[:size], self._waiting[size:]
        return taken


def scpi(data: bytes) -> None:
    """Whatever a supply sends, every call returns what the supply said or is told as an error.

    ``data`` is cut at 0xFF: a piece is what comes after one line was sent.
    """
    port = ScriptedPort(data.split(b"\xff"))
    with mock.patch("drivers.serial_line.serial.Serial", return_value=port):
        try:
            supply = BenchSupply(SupplyWiring("bench"), "/dev/none")
        except SupplyError as error:
            check_message(str(error))
            return
        hold(bool(supply._identity), "a supply that is taken has said what it is")
        for call, check in (
            (supply.identify, lambda said: hold(said.isprintable(), "an identity can be shown")),
            (lambda: supply.set_voltage(12.0), lambda _: _said(port, b"SOUR:VOLT?", 12.0)),
            (lambda: supply.output(True), lambda _: _said(port, b"OUTP?", 1)),
            (supply.measure_v, lambda volts: _said(port, b"MEAS:VOLT?", volts)),
            (supply.measure_a, lambda amps: _said(port, b"MEAS:CURR?", amps)),
            (supply.errors, lambda found: hold(isinstance(found, list), "errors are a list")),
            (lambda: supply.output(False), lambda _: _said(port, b"OUTP?", 0)),
            (lambda: supply.reconnect(0.0), lambda _: None),
        ):
            try:
                value = call()
            except SupplyError as error:
                check_message(str(error))
            else:
                check(value)
        supply.close()


_PLAIN_NUMBER = re.compile(rb"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*")


def _said(port: ScriptedPort, query: bytes, value: float) -> None:
    """What the driver believes is what came after its query, to a set value's tolerance."""
    line = port.answer_lines.get(query + b"\n", b"").strip().upper()
    line = {b"ON": b"1", b"OFF": b"0"}.get(line, line)
    hold(bool(_PLAIN_NUMBER.fullmatch(line)), f"{value} was taken out of {line!r}")
    hold(abs(float(line) - value) <= 0.02, f"{value} was taken out of {line!r}")


# --- labels and words -------------------------------------------------------------------------

_RUN_ID = UUID("3f2a0000-0000-4000-8000-000000000001")
_WHEN = datetime(2026, 3, 2, 8, 15, tzinfo=UTC)


def label(data: bytes) -> None:
    """A serial that is taken can be listed, shown and exported, and comes out as it went in."""
    serial = data.decode("utf-8", "surrogateescape").strip()
    trouble = trouble_with(serial, SERIAL_LONGEST)
    if trouble:
        check_message(f"--unit {trouble}")
        return
    hold(serial.isprintable() and len(serial) <= SERIAL_LONGEST, "what is taken can be shown")
    run = run_of(serial)
    summary = RunSummary(
        _RUN_ID, _WHEN, serial, "qualify", RunState.FINISHED, "pass", "jo", serial, True
    )
    for text in (runs_text([summary]), run_text(run)):
        hold(all(line.isprintable() for line in text.split("\n")), "a list is printable")
    hold(runs_text([summary]).count("\n") == 2, "a run is one line of a list")
    hold(json.loads(json.dumps(run_json(run)))["unit_serial"] == serial, "JSON has it as recorded")
    json.dumps(runs_json([summary]), allow_nan=False)
    for table in (measures_csv(run), half_turns_csv(run)):
        check_cells(table, serial)


def run_of(serial: str) -> RunRecord:
    """Return a short run on the unit ``serial``."""
    start = RunStart(
        started_at=_WHEN,
        unit_serial=serial,
        unit_type="LM-12",
        plan_name="qualify",
        plan_text="",
        rig_name="bench",
        rig_text="",
        station="A",
        operator=serial,
        source=Source.OWN_REBUILD,
        reference=serial,
        backend="simulated",
        simulated=True,
        backend_facts={},
        program_version="0",
    )
    turn = HalfTurn(1, Direction.TO_RUN, Outcome.PARKED, 0.0, half_turn_s=0.7)
    step = StepRecord(1, "half_turns", "", _WHEN, _WHEN, StepState.DONE, half_turns=(turn,))
    return RunRecord(_RUN_ID, replace(start), (step,), (), None)


def check_cells(table: str, serial: str) -> None:
    """Every row has the serial, and no cell begins as a formula does."""
    header, *rows = csv.reader(io.StringIO(table, newline=""))
    hold(bool(rows), "there are rows")
    for row in rows:
        hold(len(row) == len(header), "a row has a cell a column")
        hold(row[1].removeprefix("'") == serial, "the serial is there as recorded")
        for cell in row:
            hold(not cell.startswith(("=", "+", "@", "\t", "\r")), f"{cell!r} is no formula")
            is_number = re.fullmatch(r"-[0-9.]+(e[+-]?[0-9]+)?", cell)
            hold(not cell.startswith("-") or bool(is_number), f"{cell!r} is no formula")


@cache
def _store() -> Store:
    store = Store.open(_folder() / "records.sqlite")
    for serial in ("LM-12-0041", "Ü-7", "%_'\""):
        store.begin_run(run_of(serial).start)
    return store


def search(data: bytes) -> None:
    """Words typed into the search find runs or are told; a run's name finds one or is told."""
    text = data.decode("utf-8", "replace")
    fields = (text.split("\n") + [""] * 6)[:6]
    wanted, troubles = filter_of(SearchWords(*fields))
    for trouble in troubles.values():
        check_message(trouble)
    try:
        found = _store().search(wanted)
    except RecordsError as error:
        check_message(str(error))
    else:
        part = fields[0].strip().casefold()
        for run in found.runs:
            hold(part in run.unit_serial.casefold(), "what is found has what was looked for")
    try:
        _store().run(fields[0])
    except RecordsError as error:
        check_message(str(error))


def table(data: bytes) -> None:
    """A table of an export is read and written back the same, or its mistake is told.

    The first byte says which table.
    """
    told = _exchanged()[data[0] % len(_exchanged())] if data else _exchanged()[0]
    _written(f"{told.name}.csv", data[1:])
    try:
        read = list(from_csv.rows(_folder(), told))
    except RecordsError as error:
        check_message(str(error))
        return
    sink = CsvFiles(_folder())
    sink.begin(told)
    with closing(sink):
        sink.add(told, ([_known_zone(row[name]) for name in told.names] for row in read))
    again = list(from_csv.rows(_folder(), told))
    hold(repr(again) == repr(read), "a table is read back as it was")  # a NaN equals itself so


def _known_zone(value: object) -> object:
    return value.replace(tzinfo=UTC) if isinstance(value, datetime) else value


@cache
def _exchanged():
    return kept_tables()


TARGETS = {f.__name__: f for f in (plan, rig, trace, scpi, label, search, table)}
"""The targets by name."""
