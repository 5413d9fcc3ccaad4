"""A simulated world in a process of its own, which goes on when its controller dies.

``python -m drivers.simulated.apart FOLDER`` is the world; ``drivers.simulated.apart:backend`` is a
controller's end of it.  Pins, I2C transactions and requests cross on a UNIX socket in FOLDER.
"""

from __future__ import annotations

import os
from pathlib import Path

from drivers import Backend, BackendError, BackendOptions, RigWiring

ENVIRONMENT = "HALFTURN_WORLD"
"""Names the world's folder where no ``--set world=FOLDER`` does."""


def backend(wiring: RigWiring, options: BackendOptions) -> Backend:
    """Return the pins, bus and port of the world in the folder ``options.extra["world"]``.

    The first controller brings wiring, seed, faults and options, and the world is made so; later
    ones find it as it is.  Raises BackendError if there is no such world, if it is wired otherwise
    or was made otherwise than asked for, or if another controller has its pins.
    """
    from .client import ApartBackend

    extra = dict(options.extra)
    folder = extra.pop("world", os.environ.get(ENVIRONMENT, ""))
    if not folder:
        raise BackendError(
            "Which world? Start one with `python -m drivers.simulated.apart FOLDER` and name its "
            f"folder with --set world=FOLDER or in the environment as {ENVIRONMENT}."
        )
    return ApartBackend(Path(folder), wiring, options.seed, options.faults, extra)


backend.simulated = True  # type: ignore[attr-defined]
