"""The references that a rig is calibrated against, as the rig file names them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Annotated

from rig.quality.calibration import Reference, ReferenceKind
from rig.schema import Choice, Clash, Number, Section, Text

RESISTOR, VOLTMETER, AMMETER = "resistor", "voltmeter", "ammeter"
RESISTOR_PPM_PER_K = 100.0
"""Temperature coefficient of a resistor that does not name its own (guess; precision power
resistors have 50 ppm/K and less)."""
RESISTOR_WARMS_K = 30.0
"""How much hotter a resistor is after a point of some seconds with its rated watts: the pauses
leave it a quarter of them on the mean, of the 100 K that all of them for good would warm it by
(guess)."""
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
    none is known.  ``rated_w`` of a resistor is what it stands for good; its value goes with warmth
    by ``ppm_per_k``, and at the end of a point with ``rated_w`` it would be ``warms_k`` hotter.
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
    ppm_per_k: Annotated[float, Number(0, 5000, "ppm/K")] | None = None
    warms_k: Annotated[float, Number(0, 300, "K")] | None = None

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
            ppm_per_k=_given(self.ppm_per_k, RESISTOR_PPM_PER_K) if resistor else None,
            warms_k_per_w=_given(self.warms_k, RESISTOR_WARMS_K) / (self.rated_w or 1.0)
            if resistor
            else None,
        )


def _given(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


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
        own = (one.value_ohm, one.rated_w, one.ppm_per_k, one.warms_k)
        if not resistor and any(value is not None for value in own):
            yield Clash(
                ((*path, "kind"),),
                f'"{one.name}" is of kind "{one.kind}" and has value_ohm, rated_w, ppm_per_k or '
                "warms_k",
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
        name="simulated resistor",
        kind=RESISTOR,
        value_ohm=2.5,
        rated_w=100.0,
        u_rel=0.0005,
        ppm_per_k=0,  # it has one value, hot or cold
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
