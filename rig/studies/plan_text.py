"""A plan's text with other limits in it: everything else, comments too, stays as it is."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence

from rig.analysis.model import VoltageLimit

_TABLE = re.compile(r"\s*\[\s*limits\s*\]\s*(#.*)?$")
_ANY_TABLE = re.compile(r"\s*\[")
_OURS = re.compile(r"\s*# From \d+ (SIMULATED )?known good units\b")
"""How the comment of a proposal begins (`known_good_words.comments_of`)."""

_LONGEST_VALUE = 200  # lines of one value: a table of limits has a handful


class PlanTextError(ValueError):
    """The text cannot be edited so; the message is a sentence that says why."""


def literal(value: float | VoltageLimit) -> str:
    """Return a limit as TOML has it: a number, or a list of [volts, number]."""
    if not isinstance(value, VoltageLimit):
        return _number(value)
    if len(value.points) == 1:
        return _number(value.points[0][1])
    return "[" + ", ".join(f"[{_number(v)}, {_number(x)}]" for v, x in value.points) + "]"


def _number(value: float) -> str:
    return repr(float(value))


def table_of(values: Mapping[str, str], comments: Mapping[str, Sequence[str]]) -> str:
    """Return a table [limits] of TOML values, each below the lines of its comment."""
    lines = ["[limits]"]
    for key, value in values.items():
        lines += [f"# {line}" for line in comments.get(key, ())]
        lines.append(f"{key} = {value}")
    return "\n".join(lines) + "\n"


def with_limits(text: str, values: Mapping[str, str], comments: Mapping[str, Sequence[str]]) -> str:
    """Return a plan's ``text`` with other values (TOML) of these keys of its [limits].

    Lines of ``comments`` come before each; what stood behind the old value stays behind the new.
    A key that was not there comes at the table's end.  Raises PlanTextError if the table cannot be
    found, or if anything else would change.
    """
    before = tomllib.loads(text)
    end = "\r\n" if "\r\n" in text else "\n"
    lines = text.splitlines()
    starts = [at for at, line in enumerate(lines) if _TABLE.match(line)]
    if len(starts) != 1:
        raise PlanTextError(
            "the plan has no table that begins with a line [limits], so its limits cannot be "
            "changed in place; paste the table printed here"
        )
    begin = starts[0] + 1
    after = next(
        (at for at in range(begin, len(lines)) if _begins_table(lines, begin, at)), len(lines)
    )
    left = dict(values)
    out: list[str] = []
    at = begin
    while at < after:
        key = _key_of(lines[at])
        if key is None:
            out.append(lines[at])
            at += 1
            continue
        count, behind = _extent(lines, at, key)
        if key in left:
            _without_ours(out)
            out += [f"# {line}" for line in comments.get(key, ())]
            out.append(_with_comment(f"{key} = {left.pop(key)}", *behind))
        else:
            out += lines[at : at + count]
        at += count
    kept = len(out)
    while kept and not out[kept - 1].strip():
        kept -= 1
    # A comment above the next table belongs to that one.
    while kept and out[kept - 1].lstrip().startswith("#") and after < len(lines):
        kept -= 1
    while kept and not out[kept - 1].strip():
        kept -= 1
    added: list[str] = []
    for key, value in left.items():
        added += [f"# {line}" for line in comments.get(key, ())]
        added.append(f"{key} = {value}")
    out[kept:kept] = added
    changed = end.join([*lines[:begin], *out, *lines[after:]]) + end
    _need_only(before, changed, values)
    return changed


def _without_ours(lines: list[str]) -> None:
    """Take off the end what an earlier proposal said of the limit that follows."""
    begin = len(lines)
    while begin and lines[begin - 1].lstrip().startswith("#"):
        begin -= 1
        if _OURS.match(lines[begin]):
            del lines[begin:]
            return


def _begins_table(lines: Sequence[str], begin: int, at: int) -> bool:
    """Tell whether a line that begins with [ is a table's head, and not a list's next line."""
    if not _ANY_TABLE.match(lines[at]):
        return False
    try:
        tomllib.loads("\n".join(lines[begin:at]))
    except tomllib.TOMLDecodeError:
        return False
    return True


def _key_of(line: str) -> str | None:
    found = re.match(r"\s*([A-Za-z0-9_-]+)\s*=", line)
    return found[1] if found else None


def _with_comment(line: str, comment: str, column: int) -> str:
    """Return a line with a comment behind it, in its old column if there is room."""
    return f"{line:<{max(column - 1, 0)}} {comment}" if comment else line


def _extent(lines: Sequence[str], at: int, key: str) -> tuple[int, tuple[str, int]]:
    """Return how many lines a key's value takes, and the comment behind it with its column."""
    for count in range(1, min(_LONGEST_VALUE, len(lines) - at) + 1):
        whole = "\n".join(lines[at : at + count])
        try:
            tomllib.loads(whole)
        except tomllib.TOMLDecodeError:
            continue
        last = lines[at + count - 1]
        for place in (i for i, letter in enumerate(last) if letter == "#"):
            try:
                tomllib.loads("\n".join([*lines[at : at + count - 1], last[:place]]))
            except tomllib.TOMLDecodeError:  # inside a text
                continue
            return count, (last[place:], place)
        return count, ("", 0)
    raise PlanTextError(f"the value of {key} in the plan could not be read")


def _need_only(before: dict[str, object], changed: str, values: Mapping[str, str]) -> None:
    """Raise unless the changed text says the same as before but for these limits."""
    try:
        after = tomllib.loads(changed)
    except tomllib.TOMLDecodeError:
        after = {}
    wanted = dict(before)
    old = before.get("limits")
    wanted["limits"] = {
        **(old if isinstance(old, dict) else {}),
        **{key: tomllib.loads(f"x = {value}")["x"] for key, value in values.items()},
    }
    if after != wanted:
        raise PlanTextError(
            "the plan is written in a way that its limits cannot be changed in place; paste the "
            "table printed here"
        )
