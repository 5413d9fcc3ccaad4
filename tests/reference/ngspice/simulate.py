"""Run one netlist in ngspice (batch) and read what it recorded."""

from __future__ import annotations

import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Nodes = dict[str, FloatArray]


PATIENCE_S = 120.0  # a circuit takes 2 to 4 s on one core


class SimulationError(RuntimeError):
    """ngspice did not reach the end of a netlist's time span."""


def ngspice_version() -> str:
    """Return the version line that ngspice prints, such as ``ngspice-39``."""
    said = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=True)
    return next(word for word in said.stdout.split() if word.startswith("ngspice-"))


def run(netlist: Path) -> Nodes:
    """Run ``netlist`` and return its recorded nodes: ``time`` (s) and bare node names.

    Raises SimulationError with the end of ngspice's own report if it gave up.
    """
    with tempfile.TemporaryDirectory() as folder:
        raw = Path(folder) / "out.raw"
        try:
            said = subprocess.run(
                ["ngspice", "-b", "-r", str(raw), netlist.name],
                cwd=netlist.parent,
                capture_output=True,
                text=True,
                check=False,
                timeout=PATIENCE_S,
            )
        except subprocess.TimeoutExpired as late:
            raise SimulationError(f"ngspice took too long over {netlist.name}") from late
        if said.returncode != 0 or "aborted" in said.stdout + said.stderr:
            report = "\n".join((said.stdout + said.stderr).splitlines()[-30:])
            raise SimulationError(f"ngspice gave up on {netlist.name}:\n{report}")
        return _read_raw(raw)


def _read_raw(path: Path) -> Nodes:
    """Read ngspice's binary raw file of real numbers (format: ngspice manual, rawfile)."""
    head, _, body = path.read_bytes().partition(b"Binary:\n")
    lines = head.decode().splitlines()
    first = lines.index("Variables:") + 1
    names = [line.split()[1] for line in lines[first:] if line.strip()]
    table = np.frombuffer(body, dtype="<f8").reshape(-1, len(names))
    # ngspice repeats a time point now and then at a switching instant: keep the last of each.
    keep = np.append(np.diff(table[:, 0]) > 0, True)
    bare = [name.removeprefix("v(").removesuffix(")") for name in names]
    return {name: table[keep, column].copy() for column, name in enumerate(bare)}
