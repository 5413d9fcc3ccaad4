"""A rig's wiring as plain JSON values, and back."""

from __future__ import annotations

from dataclasses import MISSING, asdict, fields, is_dataclass, replace
from types import NoneType
from typing import Any, cast, get_args, get_origin, get_type_hints

from drivers import RigWiring, SensorWiring, SupplyWiring


def to_plain(wiring: RigWiring) -> dict[str, Any]:
    """Return ``wiring`` as JSON can write it."""
    return asdict(wiring)


def from_plain(plain: Any) -> RigWiring:
    """Return the wiring that `to_plain` made plain; ValueError if it is none."""
    try:
        return cast(RigWiring, _read(RigWiring, plain))
    except (KeyError, TypeError, AttributeError) as error:
        raise ValueError(f"not a rig's wiring: {error!r}") from error


def _read(kind: Any, plain: Any) -> Any:
    if is_dataclass(kind):
        hints = get_type_hints(kind)
        known = {field.name for field in fields(kind)}
        if unknown := set(plain) - known:
            raise KeyError(f"{kind} has no {', '.join(sorted(unknown))}")
        return cast(type, kind)(**{name: _read(hints[name], plain[name]) for name in plain})
    if get_origin(kind) is tuple:
        return tuple(_read(get_args(kind)[0], part) for part in plain)
    optional = [part for part in get_args(kind) if part is not NoneType]
    if optional:
        return None if plain is None else _read(optional[0], plain)
    if kind is float and isinstance(plain, int):
        return float(plain)
    if not isinstance(plain, kind):
        raise TypeError(f"{plain!r} where {kind.__name__} belongs")
    return plain


# What the rig file says of a part for the program's sake alone: another value is no other wire.
_TOLD = {
    SensorWiring: (
        "max_a",
        "gain",
        "offset_a",
        "average",
        "bus_every",
    ),
    SupplyWiring: ("timeout_s", "max_v", "max_a"),
}


def as_wired(part: Any) -> Any:
    """Return a wiring without what can change while every wire stays: calibration, ranges."""
    if isinstance(part, tuple):
        return tuple(as_wired(one) for one in part)
    if not is_dataclass(part) or isinstance(part, type):
        return part
    told = _TOLD.get(type(part), ())
    values: dict[str, Any] = {}
    for field in fields(part):
        if field.name in told:
            values[field.name] = 0 if field.default is MISSING else field.default
        else:
            values[field.name] = as_wired(getattr(part, field.name))
    return replace(part, **values)
