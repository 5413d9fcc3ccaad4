"""The table of traces: which there are, and in which form each stands."""

from __future__ import annotations

from dataclasses import dataclass
from uuid import UUID

import numpy as np
from numpy.typing import NDArray

from rig.analysis.trace import Trace
from rig.exchange.fields import Field, Kind, Table
from rig.tracefile import FLAGS, REQUIRED

_HEAD = (
    Field("id", Kind.KEY, "the trace's key, drawn at random (RFC 9562, version 4)"),
    Field("run_id", Kind.KEY, "the run"),
    Field("step_id", Kind.KEY, "the step"),
    Field("step", Kind.WHOLE, "the step's number"),
    Field("samples", Kind.WHOLE, "how many samples"),
)
_REFERS = (("run_id", "runs", "id"), ("step_id", "steps", "id"))

TRACE_FILES = Table(
    "traces",
    "The traces: a file each, in the folder traces. A .csv.gz has the columns time_s, current_a "
    "(A), voltage_v (V), battery_feed, ignition_feed (0 or 1), sensor_flags and others; an empty "
    "cell is a lost sample. A .trace, of the few that such a file cannot hold exactly, is as "
    "packed by halfturn.",
    (
        *_HEAD,
        Field("file", Kind.TEXT, "name of its file, in this folder"),
        Field("bytes", Kind.WHOLE, "length of that file"),
        Field("sha256", Kind.TEXT, "SHA-256 (hexadecimal) of that file"),
    ),
    ("id",),
    _REFERS,
)

LISTS = (
    ("time_s", "s", "time of each sample, from any origin"),
    ("current_a", "A", "current in the battery feed; NaN: a lost sample"),
    ("voltage_v", "V", "voltage at the battery feed; NaN: a lost sample"),
    ("battery_feed", "", "whether the battery feed was made"),
    ("ignition_feed", "", "whether the ignition feed was made"),
    ("flags", "", "0 good, 1 clipped, 2 lost, 4 reset, 8 stuck; nothing: not kept"),
)
"""Columns of samples where a trace is one row: name, unit and meaning."""

FURTHER = "further columns, each a name and a number a sample"

TRACE_LISTS = Table(
    "traces",
    "The traces, one row each: every column of samples is a list.",
    (
        *_HEAD,
        *(Field(name, Kind.JSON, meaning, unit, name == "flags") for name, unit, meaning in LISTS),
        Field("extra", Kind.JSON, FURTHER),
    ),
    ("id",),
    _REFERS,
)


@dataclass(frozen=True)
class TraceKept:
    """A trace of the records: keys, the step's number, the trace itself and as it is packed."""

    trace_id: UUID
    run_id: UUID
    step_id: UUID
    step: int
    trace: Trace
    packed: bytes


MOST_SAMPLES = 50_000_000
"""Samples of one step, at most: some 14 h at 1 kHz; a long step is kept in parts of minutes."""

_NAN_BITS = np.array([np.nan]).view(np.uint64)[0]


def is_file_exact(trace: Trace) -> bool:
    """Tell whether a trace file gives the trace back bit for bit (see `rig.tracefile`)."""
    odd = any(
        name != name.strip() or not name.isprintable() or name in ("", *REQUIRED, FLAGS)
        for name in trace.extra
    )
    columns = (trace.time_s, trace.current_a, trace.voltage_v, *trace.extra.values())
    return (
        len(trace) > 0
        and not odd
        and not any(np.isinf(column).any() for column in columns)
        and all(_has_plain_nans(column) for column in columns)
    )


def _has_plain_nans(column: NDArray[np.float64]) -> bool:
    lost = np.isnan(column)
    return not lost.any() or bool((column[lost].view(np.uint64) == _NAN_BITS).all())
