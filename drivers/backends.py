"""Choosing a backend by name."""

from __future__ import annotations

import importlib
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

from . import Backend, BackendError, BackendOptions, DriverError, RigWiring

Factory = Callable[[RigWiring, BackendOptions], Backend]

_PARTS = ("name", "simulated", "clock", "pin_factory", "hands", "i2c", "serial_port", "facts")


def load_backend(name: str, wiring: RigWiring, options: BackendOptions) -> Backend:
    """Return the backend ``pi``, ``simulated`` or ``package.module:factory``.

    The factory is called with the wiring and the options and returns a backend.  Raises
    BackendError, in a sentence, if there is no such backend or it cannot be started.
    """
    if name == "pi":
        from .pi import PiBackend

        return PiBackend(wiring, options)
    if name == "simulated":
        from .simulated.backend import SimulatedBackend

        return SimulatedBackend(wiring, options)
    if ":" not in name:
        raise BackendError(
            f"There is no backend {name!r}. Choose pi, simulated, or package.module:factory."
        )
    return _started(name, _factory(name), wiring, options)


def keeps_own_time(name: str, options: BackendOptions) -> bool:
    """Tell whether time in this backend stands still while the program computes.

    Such a backend needs no process of its own.  A factory says so by an attribute
    ``keeps_own_time = True``.  Raises BackendError if there is no such factory.
    """
    if ":" in name:
        return bool(getattr(_factory(name), "keeps_own_time", False))
    return name == "simulated" and not options.real_time


def is_simulated(name: str) -> bool:
    """Tell whether no real unit can be on this backend, before it is started.

    A factory says so by an attribute ``simulated = True``.  Raises BackendError if there is no such
    factory.
    """
    if ":" in name:
        return bool(getattr(_factory(name), "simulated", False))
    return name == "simulated"


def fault_catalogue() -> list[tuple[str, str]]:
    """Return the faults of the simulated bench: how each is asked for, and what it means."""
    from .simulated.faults import CATALOGUE

    return [(fault.usage, fault.says) for fault in CATALOGUE.values()]


@dataclass(frozen=True, slots=True)
class FaultKind:
    """A fault of the simulated bench, in ``area`` unit, feed or rig; ``says`` what it means.

    ``unit`` is empty if it is there or not; else its degree, in ``unit``, is from ``low`` to
    ``high``, and ``usual`` if none is given.  ``shared``: it is of what all stations share.
    """

    name: str
    area: str
    says: str
    unit: str
    usual: float
    low: float
    high: float
    shared: bool = False


def fault_kinds() -> tuple[FaultKind, ...]:
    """Return the faults of the simulated bench with the range of their degrees."""
    from .simulated.faults import CATALOGUE, is_of_the_rig

    return tuple(
        FaultKind(f.name, f.kind, f.says, f.degree_unit, f.default, f.low, f.high, is_of_the_rig(f))
        for f in CATALOGUE.values()
    )


def option_range(name: str) -> tuple[float, float]:
    """Return the least and the greatest value of a number that the simulated bench is asked for.

    Its names: ``angle_deg``, ``supply_v``, ``noise_a``.  KeyError for any other.
    """
    from .simulated.options import RANGES

    return RANGES[name]


def _factory(name: str) -> Factory:
    module_name, _, attribute = name.partition(":")
    if not module_name or not attribute:
        raise BackendError(f"{name!r} does not name a backend. Write package.module:factory.")
    try:
        module = importlib.import_module(module_name)
    except Exception as error:  # whatever a module does when imported
        raise BackendError(
            f"The module {module_name} of the backend {name} cannot be imported: "
            f"{_said(error)}. See that it is installed or on the PYTHONPATH."
        ) from error
    factory = getattr(module, attribute, None)
    if not callable(factory):
        what = "nothing" if factory is None else "something that cannot be called"
        raise BackendError(
            f"The module {module_name} has {what} under the name {attribute}. "
            "Give it a function (wiring, options) that returns a backend."
        )
    return cast(Factory, factory)


def _said(error: Exception) -> str:
    """Return what went wrong in somebody else's code, its kind in words: type error, key error."""
    kind = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", type(error).__name__).lower()
    return f"{kind}: {error}"


def _started(name: str, factory: Factory, wiring: RigWiring, options: BackendOptions) -> Backend:
    try:
        backend = factory(wiring, options)
    except DriverError:
        raise
    except Exception as error:  # somebody else's code: no traceback reaches an operator
        raise BackendError(
            f"The backend {name} could not be started: {_said(error)}. Its author has to mend that."
        ) from error
    missing = [part for part in (*_PARTS, "close") if not hasattr(backend, part)]
    if missing:
        raise BackendError(
            f"What {name} returns is no backend: it lacks {', '.join(missing)}. "
            "The protocol is Backend in drivers/__init__.py."
        )
    return backend
