"""Between `rig.quality.calibration` and the tables of the rig."""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields
from datetime import date, datetime
from pathlib import Path
from typing import Any
from uuid import UUID

from sqlalchemy import create_engine, select
from sqlalchemy.orm import Session, selectinload
from sqlalchemy.pool import StaticPool

from rig.quality.calibration import (
    Calibration,
    CalibrationState,
    Correction,
    Line,
    Point,
    Quantity,
    Reference,
    ReferenceKind,
    Setup,
    Standing,
)
from rig.records.bench_tables import own_rows
from rig.records.calibration_tables import (
    CalibrationLineRow,
    CalibrationPointRow,
    CalibrationRow,
    RigCheckRow,
)
from rig.records.errors import RecordsError, told
from rig.records.reading import reading

_POINT = tuple(field.name for field in fields(Point))
_CORRECTION = tuple(field.name for field in fields(Correction))
_SETUP = tuple(field.name for field in fields(Setup) if field.name != "rig")


@dataclass(frozen=True)
class RigCheckRecord:
    """A self-check of a station as it ended; ``items`` have name, title, state and text.

    ``good`` None: not everything could be looked at.  ``ended_at`` aware, UTC.
    """

    ended_at: datetime
    rig: str
    station: str
    backend: str
    simulated: bool
    good: bool | None
    complete: bool
    feeds_off: bool
    text: str
    items: tuple[dict[str, str], ...]
    program_version: str = ""


# --- calibrations -----------------------------------------------------------------------------


def calibration_row(made: Calibration) -> CalibrationRow:
    """Return the rows of a calibration."""
    return CalibrationRow(
        id=made.calibration_id,
        made_at=made.made_at,
        due=made.due,
        operator=made.operator,
        rig_name=made.setup.rig,
        **{name: getattr(made.setup, name) for name in _SETUP},
        held_against=[_reference_kept(reference) for reference in made.references],
        note=made.note,
        program_version=made.program_version,
        lines=[_line_row(line) for line in (made.current, made.voltage) if line is not None],
    )


def _line_row(line: Line) -> CalibrationLineRow:
    return CalibrationLineRow(
        quantity=line.quantity,
        **{name: getattr(line.correction, name) for name in _CORRECTION},
        **{f"before_{name}": getattr(line.before, name) for name in _CORRECTION},
        points=[
            CalibrationPointRow(
                position=position, **{name: getattr(point, name) for name in _POINT}
            )
            for position, point in enumerate(line.points)
        ],
    )


def _reference_kept(reference: Reference) -> dict[str, Any]:
    due = None if reference.due is None else reference.due.isoformat()
    return {**asdict(reference), "kind": str(reference.kind), "due": due}


def calibration_read(row: CalibrationRow) -> Calibration:
    """Return a calibration; ValueError or LookupError if the row is not as one is written."""
    lines = {line.quantity: _line(line) for line in row.lines}
    return Calibration(
        calibration_id=row.id,
        made_at=row.made_at,
        due=row.due,
        operator=row.operator,
        setup=Setup(rig=row.rig_name, **{name: getattr(row, name) for name in _SETUP}),
        references=tuple(_reference_read(kept) for kept in row.held_against),
        current=lines[Quantity.CURRENT],
        voltage=lines.get(Quantity.VOLTAGE),
        note=row.note,
        program_version=row.program_version,
    )


def _line(row: CalibrationLineRow) -> Line:
    correction = Correction(**{name: getattr(row, name) for name in _CORRECTION})
    points = tuple(Point(**{name: getattr(p, name) for name in _POINT}) for p in row.points)
    return Line(
        quantity=row.quantity,
        correction=correction,
        points=points,
        residuals=tuple(p.reference - correction.true(p.reading) for p in points),
        before=Correction(**{name: getattr(row, f"before_{name}") for name in _CORRECTION}),
    )


def _reference_read(kept: dict[str, Any]) -> Reference:
    due = kept["due"]
    return Reference(
        **{
            **kept,
            "kind": ReferenceKind(kept["kind"]),
            "due": None if due is None else date.fromisoformat(due),
        }
    )


def find_calibrations(
    session: Session, rig: str | None, station: str | None
) -> tuple[Calibration, ...]:
    """Return this bench's own calibrations, newest first; None does not narrow the search."""
    query = (
        select(CalibrationRow)
        .options(
            selectinload(CalibrationRow.lines).selectinload(CalibrationLineRow.points),
        )
        .where(*own_rows(session, CalibrationRow))
        .order_by(CalibrationRow.made_at.desc(), CalibrationRow.id)
    )
    if rig is not None:
        query = query.where(CalibrationRow.rig_name == rig)
    if station is not None:
        query = query.where(CalibrationRow.station == station)
    return tuple(calibration_read(row) for row in session.scalars(query))


def kept_of_rig(
    path: Path, rig: str, station: str
) -> tuple[tuple[Calibration, ...], tuple[RigCheckRecord, ...]]:
    """Return a station's calibrations, newest first, and its newest self-check of each world.

    The file at ``path`` is only read, also one that an older program wrote: a file that is not
    there, or has no such tables yet, has none.  Raises RecordsError if it cannot be read.
    """
    nothing = (), ()
    if not path.is_file():
        return nothing
    there = "SELECT count(*) FROM sqlite_master WHERE name = 'calibrations'"
    try:
        with told(path, "read"), reading(path) as raw:
            if not raw.execute(there).fetchone()[0]:
                return nothing
            engine = create_engine("sqlite://", creator=lambda: raw, poolclass=StaticPool)
            with Session(engine) as session:
                checks = (
                    newest_rig_check(session, rig, station, simulated=simulated)
                    for simulated in (False, True)
                )
                kept = tuple(check for check in checks if check is not None)
                return find_calibrations(session, rig, station), kept
    except (ValueError, LookupError, TypeError) as error:
        raise RecordsError(
            f"A calibration in {path} is not as halfturn writes it. See `halfturn records verify`."
        ) from error


def need_new(session: Session, calibration_id: UUID) -> None:
    """Raise RecordsError if a calibration is there already: none is ever written over."""
    if session.get(CalibrationRow, calibration_id) is not None:
        raise RecordsError(
            f"Calibration {calibration_id} is already recorded; it was left as it is."
        )


# --- how a station stood when a run was made --------------------------------------------------


def standing_kept(standing: Standing | None) -> dict[str, Any] | None:
    """Return what a run keeps of how its station stood, besides the calibration's id."""
    if standing is None:
        return None
    return {
        "state": str(standing.state),
        "on": standing.on.isoformat(),
        "changed": list(standing.changed),
    }


def standing_read(
    kept: dict[str, Any] | None, row: CalibrationRow | None, *, simulated: bool
) -> Standing | None:
    """Return how a run's station stood, None if that was not kept (records of before)."""
    if kept is None:
        return None
    return Standing(
        state=CalibrationState(kept["state"]),
        simulated=simulated,
        on=date.fromisoformat(kept["on"]),
        calibration=None if row is None else calibration_read(row),
        changed=tuple(kept["changed"]),
    )


# --- self-checks ------------------------------------------------------------------------------


def rig_check_row(check: RigCheckRecord) -> RigCheckRow:
    """Return the row of a self-check."""
    return RigCheckRow(
        ended_at=check.ended_at,
        rig_name=check.rig,
        station=check.station,
        backend=check.backend,
        simulated=check.simulated,
        good=check.good,
        complete=check.complete,
        feeds_off=check.feeds_off,
        text=check.text,
        items=list(check.items),
        program_version=check.program_version,
    )


def newest_rig_check(
    session: Session, rig: str, station: str, *, simulated: bool
) -> RigCheckRecord | None:
    """Return the newest self-check of a station, None if none is kept."""
    row = session.scalars(
        select(RigCheckRow)
        .where(
            *own_rows(session, RigCheckRow),
            RigCheckRow.rig_name == rig,
            RigCheckRow.station == station,
            RigCheckRow.simulated == simulated,
        )
        .order_by(RigCheckRow.ended_at.desc(), RigCheckRow.id)
        .limit(1)
    ).first()
    if row is None:
        return None
    return RigCheckRecord(
        ended_at=row.ended_at,
        rig=row.rig_name,
        station=row.station,
        backend=row.backend,
        simulated=row.simulated,
        good=row.good,
        complete=row.complete,
        feeds_off=row.feeds_off,
        text=row.text,
        items=tuple(dict(item) for item in row.items),
        program_version=row.program_version,
    )
