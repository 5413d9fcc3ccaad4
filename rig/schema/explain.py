"""Turn one pydantic error into what is wrong and what is allowed, in words."""

from __future__ import annotations

import types
import typing
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from rig.schema.kinds import MISTAKE, Kind, Section, show
from rig.schema.mistakes import KeyPath, nearest


@dataclass(frozen=True, slots=True)
class Trouble:
    """A wrong value: where, what, what is allowed, and how to look past it.

    ``drop``: remove the key to look on; else put ``replacement`` in its place.  ``also_broken``:
    keys that cannot be judged either.
    """

    path: KeyPath
    wrong: str
    allowed: str
    drop: bool = False
    replacement: object = None
    also_broken: tuple[KeyPath, ...] = ()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where an error stands: path in the file, declared type, whether there is a default."""

    path: KeyPath
    declared: Any
    has_default: bool
    parent: type[Section] | None


def explain(details: ErrorDetails, model: type[Section]) -> Trouble:
    """Return the trouble that pydantic reports by ``details`` against ``model``."""
    if details["type"] == "extra_forbidden":
        return _unknown_key(details, model)
    place = _find(model, details["loc"])
    wrong, allowed = _words(details, place)
    return Trouble(
        place.path,
        wrong,
        allowed,
        drop=place.has_default,
        replacement=None if place.has_default else _sample(place.declared),
    )


def _words(details: ErrorDetails, place: _Place) -> tuple[str, str]:
    context: Mapping[str, Any] = details.get("ctx", {})
    kind = details["type"]
    if kind == MISTAKE:
        return context["wrong"], context["allowed"]
    allowed = _allowed(place.declared)
    if kind == "missing":
        return "this key is missing", allowed
    if kind == "union_tag_not_found":
        return 'this table has no "kind"', f"kind = {_tags(place.declared)}"
    if kind == "union_tag_invalid":
        tag = details["input"]["kind"]
        close = nearest(tag, _members(place.declared)) if isinstance(tag, str) else None
        meant = f' (did you mean "{close}"?)' if close else ""
        return f"the kind {show(tag)} is not known{meant}", f"kind = {_tags(place.declared)}"
    return f"{show(details['input'])} does not fit here", allowed


def _unknown_key(details: ErrorDetails, model: type[Section]) -> Trouble:
    place = _find(model, details["loc"])
    key = str(place.path[-1])
    names = sorted(_keys(place.parent)) if place.parent else []
    close = nearest(key, names)
    meant = f' (did you mean "{close}"?)' if close else ""
    also: tuple[KeyPath, ...] = ((*place.path[:-1], close),) if close else ()
    return Trouble(
        place.path,
        f"this key is not known{meant}",
        ", ".join(names),
        drop=True,
        also_broken=also,
    )


def _find(model: type[Section], location: tuple[int | str, ...]) -> _Place:
    """Follow pydantic's location through the declared types; tags of a union are left out."""
    place = _Place((), model, False, None)
    for part in location:
        declared = place.declared
        members = _members(declared)
        if members and part in members:
            place = _Place(place.path, members[str(part)], place.has_default, place.parent)
            continue
        path = (*place.path, part)
        if _is_section(declared):
            info = _keys(declared).get(str(part))
            if info is None:
                place = _Place(path, None, True, declared)
            else:
                place = _Place(path, _declared(info), not info.is_required(), declared)
        else:
            place = _Place(path, _item(declared), False, None)
    return place


def _keys(section: type[Section]) -> dict[str, FieldInfo]:
    """Return the keys that a table may have, by the name they have in the file."""
    return {
        info.alias or name: info
        for name, info in section.model_fields.items()
        if name not in section.supplied
    }


def _declared(info: FieldInfo) -> Any:
    """Return the declared type of a field: its kind if it has one."""
    kinds = [item for item in info.metadata if isinstance(item, Kind)]
    if kinds:
        return kinds[0]
    if isinstance(info.discriminator, str):
        return typing.Annotated[info.annotation, info]
    return _without_none(info.annotation)


def _without_none(declared: Any) -> Any:
    if typing.get_origin(declared) in (typing.Union, types.UnionType):
        rest = [item for item in typing.get_args(declared) if item is not type(None)]
        if len(rest) == 1:
            return _kind_of(rest[0])
    return _kind_of(declared)


def _kind_of(declared: Any) -> Any:
    """Return the kind out of an Annotated type, or the type itself."""
    for item in getattr(declared, "__metadata__", ()):
        if isinstance(item, Kind):
            return item
    return declared


def _item(declared: Any) -> Any:
    """Return the declared type of a list's items."""
    arguments = typing.get_args(declared)
    return _kind_of(arguments[0]) if typing.get_origin(declared) is tuple and arguments else None


def _members(declared: Any) -> dict[str, type[Section]]:
    """Return the tables of a union told apart by their ``kind``; empty if it is none."""
    for item in getattr(declared, "__metadata__", ()):
        if isinstance(item, FieldInfo) and item.discriminator == "kind":
            models = typing.get_args(typing.get_args(declared)[0])
            return {model.model_fields["kind"].default: model for model in models}
    return {}


def _tags(declared: Any) -> str:
    return "one of " + ", ".join(f'"{tag}"' for tag in _members(declared))


def _is_section(declared: Any) -> typing.TypeGuard[type[Section]]:
    return isinstance(declared, type) and issubclass(declared, Section)


def _allowed(declared: Any) -> str:
    if isinstance(declared, Kind):
        return declared.allowed
    if _is_section(declared):
        return "a table with the keys " + ", ".join(_keys(declared))
    if typing.get_origin(declared) is tuple:
        return "one or more tables, each under a heading in double brackets"
    if _members(declared):
        return "a table with kind = " + _tags(declared)
    return ""


def _sample(declared: Any) -> object:
    """Return an allowed value, to look past a wrong one."""
    if isinstance(declared, Kind):
        return declared.sample
    for tag, member in _members(declared).items():
        if not any(info.is_required() for info in member.model_fields.values()):
            return {"kind": tag}
    if typing.get_origin(declared) is tuple:
        return [_sample(_item(declared))]
    return {}
