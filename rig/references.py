"""The references that a rig is calibrated against, as the rig file names them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Annotated

from rig.quality.calibration import Reference, ReferenceKind
from rig.schema import Choice, Clash, Number, Section, Text

RESISTOR, VOLTMETER, AMMETER = "resistor", "voltmeter", "ammeter"
_Label = Annotated[str, Text(longest=40)]
_Free = Annotated[str, Text(longest=100, empty=True)]


def _is_day(text: str) -> bool:
    if not text:
        return True
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return len(text) == 10


class ReferenceSettings(Section):
    """A reference: a ``resistor`` with its value, a ``voltmeter`` or an ``ammeter``.

    The certificate's expanded uncertainty (with ``k``) is ``u_rel`` of what it says and ``u``
    besides (ohm, V or A; a meter's digits).  ``due`` is the day its own calibration ends, empty if
    none is known.  ``rated_w`` of a resistor is what it stands for good.
    """

    name: _Label
    kind: Annotated[str, Choice((RESISTOR, VOLTMETER, AMMETER))]
    serial: _Free = ""
    certificate: _Free = ""
    due: Annotated[
        str, Text(longest=10, empty=True, accepts=_is_day, what='a day such as "2027-04-30"')
    ] = ""
    value_ohm: Annotated[float, Number(0.01, 10_000, "ohm")] | None = None
    rated_w: Annotated[float, Number(0, 10_000, "W", above=True)] | None = None
    u_rel: Annotated[float, Number(0, 0.1)] = 0.0
    u: Annotated[float, Number(0, 10)] = 0.0
    k: Annotated[float, Number(1, 4)] = 2.0

    def reference(self) -> Reference:
        """Return it as a calibration keeps it."""
        resistor = self.kind == RESISTOR
        return Reference(
            kind=ReferenceKind.RESISTOR if resistor else ReferenceKind.METER,
            serial=f"{self.name} {self.serial}".strip(),
            certificate=self.certificate,
            due=date.fromisoformat(self.due) if self.due else None,
            value_ohm=self.value_ohm if resistor else None,
            expanded_u_rel=self.u_rel,
            expanded_u=self.u,
            k=self.k,
        )


def reference_clashes(references: Sequence[ReferenceSettings]) -> Iterator[Clash]:
    """Yield what contradicts in the rig file's references."""
    names: dict[str, int] = {}
    for number, one in enumerate(references):
        path = ("reference", number)
        if one.name in names:
            yield Clash(
                ((*path, "name"), ("reference", names[one.name], "name")),
                f'two references are called "{one.name}"',
                "a name of its own for each",
            )
        names.setdefault(one.name, number)
        resistor = one.kind == RESISTOR
        if resistor and (one.value_ohm is None or one.rated_w is None):
            yield Clash(
                ((*path, "kind"),),
                f'the resistor "{one.name}" has no value_ohm or no rated_w',
                "both: its value, and what it stands for good",
            )
        if not resistor and (one.value_ohm is not None or one.rated_w is not None):
            yield Clash(
                ((*path, "kind"),),
                f'"{one.name}" is of kind "{one.kind}" and has value_ohm or rated_w',
                'those of a reference of kind "resistor" only',
            )
        if not one.u_rel and not one.u:
            yield Clash(
                ((*path, "u_rel"),),
                f'the reference "{one.name}" has no uncertainty',
                "u_rel or u, or both, from its certificate or its data sheet",
            )


SIMULATED = (
    ReferenceSettings(
        name="simulated resistor", kind=RESISTOR, value_ohm=2.5, rated_w=100.0, u_rel=0.0005
    ),
    ReferenceSettings(name="simulated voltmeter", kind=VOLTMETER, u_rel=0.0005, u=0.001),
    ReferenceSettings(name="simulated ammeter", kind=AMMETER, u_rel=0.001, u=0.001),
)
"""What a simulated bench is calibrated against where the rig file names nothing."""


def references_of(
    references: Sequence[ReferenceSettings], *, simulated: bool
) -> tuple[ReferenceSettings, ...]:
    """Return the rig file's references; those of a simulated bench where it names none."""
    return tuple(references) or (SIMULATED if simulated else ())


def load_of(
    current: ReferenceSettings, load_ohm: float | None, load_w: float | None
) -> tuple[float, float] | None:
    """Return resistance (ohm, about) and rating (W) of what the current flows through.

    A resistor's are its own; those of the load in series with an ammeter are given.  None if they
    are missing, or none of a load that could be fed.
    """
    if current.kind == RESISTOR:
        load_ohm, load_w = current.value_ohm, current.rated_w
    if load_ohm is None or load_w is None or not (load_ohm >= 0.01 and load_w >= 0.1):
        return None
    return load_ohm, load_w
