"""Whatever stands in a file, it is read or refused in words; planted mistakes are all found."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rig.plans import PlanError, plan_from_text, shipped_plans
from rig.schema import MistakesError
from rig.settings import SettingsError, settings_from_text, starter_text

QUALIFY = next(path for path in shipped_plans() if path.stem == "qualify").read_text()
RIG, PLAN = Path("rig.toml"), Path("plan.toml")


def try_both(text: str) -> None:
    """Read ``text`` as rig file and as plan; nothing but the two errors may come out."""
    readers: tuple[tuple[Callable[[str, Path], object], Path, type[MistakesError]], ...] = (
        (settings_from_text, RIG, SettingsError),
        (plan_from_text, PLAN, PlanError),
    )
    for read, file, error in readers:
        told: tuple[str, ...] = ()
        try:
            read(text, file)
        except error as problem:
            told = tuple(map(str, problem.mistakes))
            assert told
        lines = text.count("\n") + 1
        for line in told:
            assert line.startswith(str(file))
            assert "\n" not in line
            assert len(line) < 1000
            if ", line " in line:
                number = line.split(", line ")[1].split(":")[0].split(",")[0]
                assert 1 <= int(number) <= lines


@given(st.text())
@settings(max_examples=150)
def test_any_text(text: str) -> None:
    try_both(text)


edits = st.lists(
    st.tuples(
        st.floats(0, 1),
        st.integers(0, 12),
        st.one_of(
            st.text(max_size=6),
            st.sampled_from(["[", "]", "{", "}", "=", "\n", "#", '"', '"""', "nan", "[[step]]\n"]),
        ),
    ),
    min_size=1,
    max_size=5,
)


@given(st.sampled_from([starter_text(), QUALIFY]), edits)
@settings(max_examples=150)
def test_a_damaged_file(text: str, changes: list[tuple[float, int, str]]) -> None:
    for where, length, new in changes:
        at = int(where * len(text))
        text = text[:at] + new + text[at + length :]
    try_both(text)


values = st.recursive(
    st.one_of(
        st.booleans(),
        st.integers(),
        st.integers(10**300, 10**310),
        st.floats(),
        st.text(max_size=8),
        st.sampled_from(["half_turns", "jam", "visual", "scpi", "skip", "pi"]),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(["kind", "pin", "count", "supply_v", "checks", "name", "x"]),
            inner,
            max_size=3,
        ),
    ),
    max_leaves=6,
)
NAMES = """
title unit limits guard step station supply dead_man emergency_stop backend logs plans name file
text folder battery_v stations steps kind
"""
names = st.sampled_from(NAMES.split())


def toml(value: object) -> str:
    """Write ``value`` as TOML on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" if c != " " else c for c in value) + '"'
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml(inner)}" for key, inner in value.items()) + "}"
    return repr(value)


@given(st.dictionaries(names, values, max_size=6))
@settings(max_examples=200)
def test_any_document(document: dict[str, object]) -> None:
    try_both("".join(f"{key} = {toml(value)}\n" for key, value in document.items()))


@given(st.lists(values, max_size=4), st.dictionaries(st.text(max_size=8), values, max_size=3))
def test_any_step_in_a_sound_plan(steps: list[object], more: dict[str, object]) -> None:
    head = QUALIFY.partition("# --- steps")[0]
    text = f"step = {toml(steps)}\n" + head
    text += "".join(f"{toml(key)} = {toml(value)}\n" for key, value in more.items())
    try_both(text)


@pytest.mark.parametrize(
    "text",
    [
        "a = " + "[" * 5000,
        "a = " + "[" * 300 + "]" * 300,
        "a" + ".a" * 3000 + " = 1",
        "[" + "a." * 3000 + "a]",
        "a = " + "9" * 5000,
        "pin = 1e999999",
        'x = """\n' + "line\n" * 2000 + '"""',
        "step = [" + "{}," * 2000 + "]",
    ],
    ids=["open lists", "lists", "dots", "header", "digits", "exponent", "long text", "many steps"],
)
def test_extreme_documents(text: str) -> None:
    try_both(text)


PLANTED = {
    "battery_v = 12.6": "battery_v = 60",
    "timeout_s = 0.15 ": "timeout_s = true ",
    "normally_closed = true": 'normally_closed = "yes"',
    "baud = 9600": "baud = 9600.5",
    "max_v = 16.0 ": "max_v = nan ",
    "sample_hz = 1000 ": "sampel_hz = 1000 ",
    "fuse_a = 10 ": "fuse_a = 100 ",
    "pin = 27": "pin = 17",
    "address = 0x41": "address = 0x40",
    "shunt_w = 5 ": "shunt_w = 0 ",
    "pin = 6\n": "pin = 5\n",
}


@given(st.sets(st.sampled_from(sorted(PLANTED)), min_size=1))
def test_every_planted_mistake_is_found_on_its_line_and_nothing_else(planted: set[str]) -> None:
    text = starter_text()
    lines = []
    for old in planted:
        assert text.count(old) == 1
        lines.append(text[: text.index(old)].count("\n") + 1)
        text = text.replace(old, PLANTED[old])
    with pytest.raises(SettingsError) as caught:
        settings_from_text(text, RIG)
    assert [mistake.line for mistake in caught.value.mistakes] == sorted(lines)
