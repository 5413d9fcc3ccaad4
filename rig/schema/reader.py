"""Read a TOML file into a model and report every mistake in it at once.

Wrong values are replaced by allowed ones (only to look on) and the checks across keys run on what
is left, so that a plan with a mistyped number and two contradicting limits gets three messages.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import ValidationError

from rig.schema.explain import Trouble, explain
from rig.schema.kinds import Section
from rig.schema.lines import Lines
from rig.schema.mistakes import Clash, KeyPath, Mistake, MistakesError, key_text

Model = TypeVar("Model", bound=Section)

_LONGEST_LINE = 10_000
_MOST_TOLD = 100  # mistakes; a file with more is of another kind, and nobody reads them
_ROUNDS = 8  # a missing table needs one round per level to be filled in; our files have three
_MOST_BYTES = 1_000_000  # a rig file or plan has a few kB; more is some other file
_TOML_PLACE = re.compile(r" \(at (?:line (\d+), column (\d+)|end of document)\)")


def read_text(path: Path, error: type[MistakesError], what: str) -> str:
    """Return the text of the file; raise ``error`` with a sentence if it cannot be read.

    ``what`` names the file's purpose ('the rig file').
    """
    try:
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)  # a device may have no end
    except FileNotFoundError:
        raise _single(error, path, f"there is no such file for {what}", "") from None
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or str(problem)
        raise _single(error, path, f"{what} cannot be read: {reason}", "") from None
    if len(content) > _MOST_BYTES:
        raise _single(error, path, f"the file is too large to be {what}", "up to 1 MB of text")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        wrong = f"byte {problem.start + 1} of the file is not UTF-8"
        raise _single(error, path, wrong, "a text file saved as UTF-8") from None


def read_toml(
    text: str,
    file: Path,
    model: type[Model],
    error: type[MistakesError],
    supplied: Mapping[str, object],
    clashes: Callable[[Model], Iterable[Clash]],
    defaults: Mapping[str, object] | None = None,
) -> Model:
    """Return ``text`` as ``model``; raise ``error`` with all mistakes, in the order of the file.

    ``supplied`` are the fields that do not come from the file (``model.supplied``); ``clashes``
    finds the contradictions among values that are allowed each by itself; ``defaults`` are values
    for keys that the file may leave out.
    """
    document = {**(defaults or {}), **_parse(text, file, error)}
    troubles, found, broken = _validate(document, model, supplied)
    if found is not None:
        troubles += [
            Trouble(clash.keys[0], clash.wrong, clash.allowed)
            for clash in clashes(found)
            if not any(_touches(key, bad) for key in clash.keys for bad in broken)
        ]
    if troubles:
        lines = Lines(text)
        raise error(
            sorted(
                (_mistake(file, trouble, lines) for trouble in troubles),
                key=lambda mistake: mistake.line or 0,
            )
        )
    if found is None:  # cannot be: no trouble means that the first validation went through
        raise _single(error, file, "the file cannot be understood", "")
    return found


def _parse(text: str, file: Path, error: type[MistakesError]) -> dict[str, Any]:
    for number, one in enumerate(text.split("\n"), start=1):
        if len(one) > _LONGEST_LINE:  # a key of as many dots would take minutes
            wrong = f"this line has {len(one)} characters"
            raise error([Mistake(str(file), "", wrong, f"up to {_LONGEST_LINE}", number)])
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise _single(error, file, "the lists or tables are nested too deeply", "") from None
    except ValueError as problem:
        message = str(problem)
        place = _TOML_PLACE.search(message)
        line = column = None
        if place is not None:
            message = message[: place.start()]
            line = int(place[1]) if place[1] else text.count("\n") + 1
            column = int(place[2]) if place[2] else len(text) - text.rfind("\n")
        at = f" at column {column}" if column else ""
        wrong = f"this is not TOML{at}: {message[:1].lower()}{message[1:]}"
        mistake = Mistake(str(file), "", wrong, "see toml.io for how TOML is written", line)
        raise error([mistake]) from None


def _validate(
    document: dict[str, Any], model: type[Model], supplied: Mapping[str, object]
) -> tuple[list[Trouble], Model | None, set[KeyPath]]:
    """Return the troubles, the model of what is sound, and the paths of what is not."""
    troubles = [
        Trouble((name,), "this key is not known", "leave it out", drop=True)
        for name in supplied
        if name in document
    ]
    data: Any = {**document, **supplied}
    broken: set[KeyPath] = set()
    for attempt in range(_ROUNDS):
        try:
            return troubles, model.model_validate(data), broken
        except ValidationError as problem:
            errors = problem.errors(include_url=False)
            if len(errors) > _MOST_TOLD:
                told = [explain(details, model) for details in errors[:_MOST_TOLD]]
                return [_too_many(len(errors)), *told], None, broken
            for details in errors:
                trouble = explain(details, model)
                if attempt == 0:
                    troubles.append(trouble)
                broken.update({trouble.path, *trouble.also_broken})
                data = _repaired(data, trouble)
    return troubles, None, broken


def _too_many(count: int) -> Trouble:
    wrong = f"there are {count} mistakes in this file, of which {_MOST_TOLD} are told"
    return Trouble((), wrong, "see that it is the right file")


def _repaired(data: Any, trouble: Trouble) -> Any:
    """Return ``data`` with the value at the trouble's path replaced or dropped (a copy)."""
    return _with(data, trouble.path, trouble.replacement, trouble.drop)


def _with(data: Any, path: KeyPath, value: object, drop: bool) -> Any:
    name, rest = path[0], path[1:]
    if isinstance(data, dict):
        copy: dict[Any, Any] = dict(data)
        if rest:
            copy[name] = _with(copy.get(str(name), {}), rest, value, drop)
        elif drop:
            copy.pop(name, None)
        else:
            copy[name] = value
        return copy
    if isinstance(data, list | tuple) and isinstance(name, int) and name < len(data):
        items = list(data)
        items[name] = _with(items[name], rest, value, drop) if rest else value
        return items
    return data


def _touches(key: KeyPath, bad: KeyPath) -> bool:
    shared = min(len(key), len(bad))
    return key[:shared] == bad[:shared]


def _mistake(file: Path, trouble: Trouble, lines: Lines) -> Mistake:
    path = trouble.path
    return Mistake(str(file), key_text(path), trouble.wrong, trouble.allowed, lines.of(path))


def _single(error: type[MistakesError], file: Path, wrong: str, allowed: str) -> MistakesError:
    return error([Mistake(str(file), "", wrong, allowed)])
