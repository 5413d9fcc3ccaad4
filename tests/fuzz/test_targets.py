"""Whatever comes in, the rule of every target holds; and each target can fail."""

from __future__ import annotations

import os
import threading
import time
import tty

import fuzz_targets
import pytest
from fuzz_inputs import damaged_tables, damaged_toml, damaged_trace, labels, searches, talks
from fuzz_seeds import PLANS, RIG, SEEDS, TABLES, TALK
from fuzz_targets import BrokenRuleError, check_cells, check_message
from hypothesis import example, given, settings

from drivers import SupplyError, SupplyWiring
from drivers.supply import BenchSupply


@given(damaged_toml(PLANS))
@settings(max_examples=80)
@example(b'title = "\\u202e"')
@example(b'[unit]\n"\\u001b" = 1')
def test_plans(data):
    fuzz_targets.plan(data)


@given(damaged_toml((RIG,)))
@settings(max_examples=80)
def test_rig_files(data):
    fuzz_targets.rig(data)


@given(damaged_trace())
@settings(max_examples=80)
def test_traces(data):
    fuzz_targets.trace(data)


@given(talks())
@settings(max_examples=250)
@example(b"\xff".join((b"\n", b"\n")))  # an empty line was taken for a name
@example(b"\xff".join((*TALK[:7], b"0\n", *TALK[8:])))  # an output that stays off
@example(b"\xff".join((*TALK[:4], b"12.5\n", *TALK[5:])))  # another voltage than was set
@example(b"\xff".join((*TALK[:8], b"1_2\n", *TALK[9:])))  # float() takes that for 12
def test_replies_of_a_supply(data):
    fuzz_targets.scpi(data)


@given(labels)
@settings(max_examples=100)
@example("12\u202e34".encode())
@example(b"x" * 65)
def test_labels(data):
    fuzz_targets.label(data)


@given(damaged_tables())
@settings(max_examples=60)
@example(TABLES[0].replace(b",note", b",x"))
@example(b"".join(table.replace(b",ended_at", b",x") for table in TABLES if b"swept" in table))
def test_tables_of_an_export(data):
    fuzz_targets.table(data)


@given(searches)
@settings(max_examples=40)
def test_words_of_a_search(data):
    fuzz_targets.search(data)


@pytest.mark.parametrize(("name", "seed"), [(n, s) for n, seeds in SEEDS.items() for s in seeds])
def test_what_fuzzing_starts_from(name, seed):
    fuzz_targets.TARGETS[name](seed)


def test_a_sound_talk_raises_nothing(monkeypatch):
    # Otherwise the target would only ever see a driver that gives up.
    monkeypatch.setattr(fuzz_targets, "SupplyError", type("Never", (Exception,), {}))
    fuzz_targets.scpi(b"\xff".join(TALK))


@pytest.mark.parametrize(
    "text", ["", "no.", "It was a KeyError again.", "An \x1b[31m escape here.", "word " * 300]
)
def test_what_is_no_message(text):
    with pytest.raises(BrokenRuleError):
        check_message(text)


@pytest.mark.parametrize("serial", ["=1+1", "-x", "+1", "@a"])
def test_a_table_that_has_a_formula_in_it(serial):
    with pytest.raises(BrokenRuleError):
        check_cells(f"run_id,unit_serial\r\n1,{serial}\r\n", serial)


# --- a supply over a real pseudo-terminal -------------------------------------------------------


@pytest.fixture
def babbler():
    """Return a function that makes a port whose supply answers each line with given bytes."""
    ends = []

    def make(greeting, answer):
        master, slave = os.openpty()
        tty.setraw(slave)

        def serve():
            while True:
                try:
                    line = os.read(master, 4096)
                except OSError:
                    return
                if not line:
                    return
                said = greeting if line.startswith(b"*IDN?") else answer
                for at in range(0, len(said), 700):
                    os.write(master, said[at : at + 700])

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        ends.append((master, slave, thread))
        return os.ttyname(slave)

    yield make
    for master, slave, thread in ends:
        os.close(slave)  # ends the thread's read
        thread.join(5)
        os.close(master)


NAME = b"Low Meadow,Bench Supply,0001,1.0\n"


@pytest.mark.parametrize(
    ("greeting", "answer"),
    [
        (b"", b""),
        (b"\n", b"\n"),
        (b"x" * 9000, b""),
        (NAME, b"x" * 9000 + b"\n"),
        (NAME, b"\x1b[31m\xff\x00\n"),
        (NAME, b"\n" * 500),
        (NAME, b'-100,"Command error"\n'),
    ],
)
def test_whatever_comes_over_the_line_is_told_in_time(babbler, greeting, answer):
    path = babbler(greeting, answer)
    began_s = time.monotonic()
    calls = []
    try:
        supply = BenchSupply(SupplyWiring("bench", timeout_s=0.05), path)
    except SupplyError as error:
        check_message(str(error))
        return
    for call in (lambda: supply.set_voltage(12.0), supply.measure_v, lambda: supply.output(True)):
        with pytest.raises(SupplyError) as caught:
            call()
        check_message(str(caught.value))
        calls.append(call)
    supply.close()
    assert len(calls) == 3
    assert time.monotonic() - began_s < 20  # none waits for ever
