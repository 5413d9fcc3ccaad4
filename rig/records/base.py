"""What all tables share: constraint names that migrations can rely on, keys and column types."""

from __future__ import annotations

from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from sqlalchemy import JSON, BigInteger, Double, Integer, MetaData
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from rig.analysis.model import Direction, Outcome, Verdict
from rig.quality.calibration import Quantity
from rig.records.columns import UtcDateTime, Word
from rig.records.model import Held, RunState, Source, StepState


class Base(DeclarativeBase):
    """The base of all tables."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012 (SQLAlchemy's own hook, read once)
        float: Double,  # SQLAlchemy 2.0 and 2.1 differ in what they would choose
        # A process counts its start in ticks since boot: in 248 days more than 32 bits hold.
        int: Integer().with_variant(BigInteger(), "postgresql"),
        datetime: UtcDateTime,
        dict[str, Any]: JSON,
        list[dict[str, Any]]: JSON,
        Direction: Word(Direction),
        Outcome: Word(Outcome),
        Verdict: Word(Verdict),
        RunState: Word(RunState),
        StepState: Word(StepState),
        Source: Word(Source),
        Held: Word(Held),
        Quantity: Word(Quantity),
    }


def key() -> Mapped[UUID]:
    """Return a random key: records of several benches can be put together without renumbering."""
    return mapped_column(primary_key=True, default=uuid4)
