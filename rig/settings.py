"""The rig file, rig.toml: how this rig is wired.

`load_settings` reads it whole and reports every mistake in it at once.  Lengths of time in
seconds, currents in amperes, resistances in ohms; pins by their BCM number.
"""

from __future__ import annotations

import math
import re
import shlex
from pathlib import Path
from typing import Annotated, ClassVar, Self

from pydantic import Field, model_validator

from drivers import (
    DeadManWiring,
    FeedWiring,
    InputWiring,
    RigWiring,
    SensorWiring,
    StationWiring,
    SupplyWiring,
)
from rig.analysis.copper import LEAD_AREAS_MM2
from rig.analysis.fuse import SERIES
from rig.quality.instrument import (
    DELAY_U_S,
    FED_ZERO_A,
    GRADES,
    SHUNT_PPM_PER_K,
    SHUNT_TOLERANCE,
)
from rig.references import ReferenceSettings
from rig.schema import (
    Choice,
    Flag,
    Mistake,
    MistakesError,
    Number,
    PathText,
    Section,
    Text,
    Whole,
    nearest,
    read_text,
    read_toml,
    show,
)
from rig.starter import starter_text

IGNITION_MAX_A = 0.35
"""Largest relay coil current expected, A: 12 V coils of 75 to 85 ohm (TE V23234 data sheet) draw
0.21 A at 16 V; half as much again allows for the coil's tolerance and for cold."""

RATED_FUSE_A = 10.0
"""The fuse such a unit is wired through, A (common practice, no published source)."""

_BACKEND = re.compile(r"pi|simulated|[A-Za-z_]\w*(\.[A-Za-z_]\w*)*:[A-Za-z_]\w*", re.ASCII)

Name = Annotated[str, Text(longest=40)]
Pin = Annotated[int, Whole(0, 27)]
Yes = Annotated[bool, Flag()]
DelayS = Annotated[float, Number(0, 0.1, "s")]


_WORDS = 'a program and its arguments, such as "lp -d office", every quote closed'


def _is_words(text: str) -> bool:
    try:
        return bool(shlex.split(text)) or not text
    except ValueError:
        return False


class SettingsError(MistakesError):
    """The rig file cannot be used; ``mistakes`` says why, all at once."""


class OutputSettings(Section):
    """A relay output: BCM pin, and whether a high level makes the relay."""

    pin: Pin
    active_high: Yes = True


class FeedSettings(OutputSettings):
    """A feed relay: times from pin edge to contact (s) and their standard uncertainty (s)."""

    operate_s: DelayS = 0.007
    release_s: DelayS = 0.003
    delay_u_s: DelayS = DELAY_U_S

    def wiring(self) -> FeedWiring:
        """Return what the driver is told."""
        return FeedWiring(self.pin, self.active_high, self.operate_s, self.release_s)


class DeadManSettings(OutputSettings):
    """The dead-man output; ``sense_pin`` reads the master relay back, ``timeout_s`` as built."""

    sense_pin: Pin | None = None
    timeout_s: Annotated[float, Number(0.02, 0.5, "s")] = 0.15

    def wiring(self) -> DeadManWiring:
        """Return what the driver is told."""
        return DeadManWiring(self.pin, self.active_high, self.sense_pin, self.timeout_s)


class SwitchSettings(Section):
    """A switch input: BCM pin, and whether its contact opens when it is actuated."""

    pin: Pin
    normally_closed: Yes = False

    def wiring(self) -> InputWiring:
        """Return what the driver is told."""
        return InputWiring(self.pin, self.normally_closed)


class EmergencyStopSettings(SwitchSettings):
    """The emergency stop's spare contact; normally closed unless said otherwise."""

    normally_closed: Yes = True


class SensorSettings(Section):
    """An INA219 and its shunt: ``shunt_ohm`` fitted, ``shunt_w`` its power rating.

    ``max_a`` is the largest current to be measured; if absent it follows from the plan (battery
    feed) or from the usual relay coil (ignition feed).  ``sensor_grade`` of the chip, A or B (None:
    not known), ``shunt_tolerance`` relative and ``shunt_ppm_per_k`` are what the uncertainty budget
    rests on; ``gain_u_rel`` and ``offset_u_a`` (standard uncertainties) take the place of what
    it would say of gain and zero.
    """

    bus: Annotated[int, Whole(0, 31)] = 1
    address: Annotated[int, Whole(0x40, 0x4F, base=16)]
    shunt_ohm: Annotated[float, Number(0, 1, "ohm", above=True)]
    shunt_w: Annotated[float, Number(0, 100, "W", above=True)]
    max_a: Annotated[float, Number(0, 200, "A", above=True)] | None = None
    gain: Annotated[float, Number(0.8, 1.25)] = 1.0
    offset_a: Annotated[float, Number(-5, 5, "A")] = 0.0
    average: Annotated[int, Whole(1, 128, only=(1, 2, 4, 8, 16, 32, 64, 128))] = 1
    bus_every: Annotated[int, Whole(1, 1000, "samples")] = 10
    sensor_grade: Annotated[str, Choice(tuple(GRADES))] | None = None
    shunt_tolerance: Annotated[float, Number(0, 0.1)] = SHUNT_TOLERANCE
    shunt_ppm_per_k: Annotated[float, Number(0, 5000, "ppm/K")] = SHUNT_PPM_PER_K
    gain_u_rel: Annotated[float, Number(0, 0.1)] | None = None
    offset_u_a: Annotated[float, Number(0, 1, "A")] | None = None

    @property
    def zero_u_a(self) -> float:
        """Standard uncertainty of the zero (A), as declared or as the README's wiring check."""
        return FED_ZERO_A / math.sqrt(3.0) if self.offset_u_a is None else self.offset_u_a

    def wiring(self, max_a: float) -> SensorWiring:
        """Return what the driver is told, for currents up to ``max_a`` unless the file says."""
        return SensorWiring(
            bus=self.bus,
            address=self.address,
            shunt_ohm=self.shunt_ohm,
            max_a=self.max_a if self.max_a is not None else max_a,
            gain=self.gain,
            offset_a=self.offset_a,
            average=self.average,
            bus_every=self.bus_every,
        )


class LeadSettings(Section):
    """The battery feed's lead: copper, one way, so that its own drop can be told from its joints'.

    ``feed_m`` from the source to the shunt, ``return_m`` from the unit's earth terminal to the
    star earth point; ``area_mm2`` as printed on the cable; ``temp_c`` what it has while testing.
    """

    feed_m: Annotated[float, Number(0, 50, "m", above=True)]
    return_m: Annotated[float, Number(0, 50, "m", above=True)] | None = None
    area_mm2: Annotated[float, Number(0.5, 6, "mm2", only=LEAD_AREAS_MM2)]
    temp_c: Annotated[float, Number(-40, 100, "degrees Celsius")] = 20.0


class CalibrationSettings(Section):
    """How long a calibration holds (days), and what a run does on a rig without one in force.

    ``warn_days`` before the last day `halfturn check` says so.  ``overdue``: ``say`` it with every
    result, or ``refuse`` to run a plan at all.
    """

    interval_days: Annotated[int, Whole(1, 3650, "days")] = 365
    warn_days: Annotated[int, Whole(0, 3650, "days")] = 30
    overdue: Annotated[str, Choice(("say", "refuse"))] = "say"


class ControlSettings(Section):
    """What the control loop asks of the operating system; whatever is not granted is told.

    ``priority`` is that of SCHED_FIFO: below 50, where the kernel serves interrupts.  ``i2c_hz`` is
    the clock of the sensors' bus as this computer is set up (``i2c_arm_baudrate``).
    """

    real_time: Yes = True
    priority: Annotated[int, Whole(1, 49)] = 40
    lock_memory: Yes = True
    i2c_hz: Annotated[int, Whole(10_000, 1_000_000, "Hz")] = 400_000


class SheetsSettings(Section):
    """Where sheets and labels go, and what prints them.

    ``folder`` is counted from the rig file's; absent, it is ``sheets`` beside the records.
    ``print_with`` is a program with its arguments, to which the file's name is added; it is started
    as it stands, without a shell.
    """

    folder: Annotated[Path, PathText()] | None = None
    print_with: Annotated[str, Text(longest=200, empty=True, accepts=_is_words, what=_WORDS)] = ""

    @property
    def print_words(self) -> list[str]:
        """The program and its arguments; empty if nothing is printed."""
        return shlex.split(self.print_with)


class GoldenSettings(Section):
    """How the rig's own check by a golden unit is demanded: every so many days (0: not at all).

    ``refuse``: no unit is judged while the rig is out of control, or a check is due.
    """

    every_days: Annotated[int, Whole(0, 366, "days")] = 0
    refuse: Yes = False


class CentralSettings(Section):
    """The PostgreSQL that several benches send their records to, and whether traces go too.

    The URL must hold no password: a copy of the rig file is kept with every run.
    """

    url: Annotated[str, Text(longest=500, empty=True)] = ""
    traces: Yes = True


class StationSettings(Section):
    """One place on the rig for a unit."""

    name: Name
    sample_hz: Annotated[int, Whole(200, 2000, "Hz")] = 1000
    # The sheets that the fuse's times come from cover 3 to 40 A (rig/analysis/fuse.py).
    fuse_a: Annotated[float, Number(3, 40, "A")] = RATED_FUSE_A
    fuse_series: Annotated[str, Choice(tuple(SERIES))] = "blade"
    battery_feed: FeedSettings
    ignition_feed: FeedSettings
    battery_sensor: SensorSettings
    ignition_sensor: SensorSettings | None = None
    lead: LeadSettings | None = None
    at_run: SwitchSettings | None = None
    at_stop: SwitchSettings | None = None

    def wiring(self, max_a: float) -> StationWiring:
        """Return what the drivers are told, for currents up to ``max_a`` in the battery feed."""
        ignition = self.ignition_sensor
        return StationWiring(
            name=self.name,
            battery_feed=self.battery_feed.wiring(),
            ignition_feed=self.ignition_feed.wiring(),
            battery_sensor=self.battery_sensor.wiring(max_a),
            ignition_sensor=ignition.wiring(IGNITION_MAX_A) if ignition else None,
            at_run=self.at_run.wiring() if self.at_run else None,
            at_stop=self.at_stop.wiring() if self.at_stop else None,
        )


class SupplySettings(Section):
    """The supply: ``none`` a battery or a supply set by hand, ``scpi`` a programmable one."""

    kind: Annotated[str, Choice(("none", "scpi"))] = "none"
    port: Annotated[str, Text(longest=200, empty=True)] = ""
    baud: Annotated[int, Whole(1200, 4_000_000, "baud")] = 9600
    timeout_s: Annotated[float, Number(0.05, 10, "s")] = 1.0
    max_v: Annotated[float, Number(6, 20, "V")] = 16.0
    max_a: Annotated[float, Number(0, 200, "A", above=True)] = 30.0

    @property
    def programmable(self) -> bool:
        """Whether the program can set this supply."""
        return self.kind == "scpi"

    def wiring(self) -> SupplyWiring | None:
        """Return what the driver is told; None if there is nothing to talk to."""
        if not self.programmable:
            return None
        return SupplyWiring(self.port, self.baud, self.timeout_s, self.max_v, self.max_a)


def _is_backend(text: str) -> bool:
    return _BACKEND.fullmatch(text) is not None


class RigSettings(Section):
    """A whole rig file.

    ``logs`` and ``plans`` are folders; a relative one is counted from the rig file's ``folder``.
    ``battery_v`` is the supply to expect where none can be set.  ``text`` is the file as read,
    for the record.
    """

    supplied: ClassVar[frozenset[str]] = frozenset({"folder", "file", "text"})

    folder: Path
    file: Path
    text: str
    name: Name
    backend: Annotated[
        str,
        Text(
            longest=200,
            accepts=_is_backend,
            what='"pi", "simulated" or "package.module:factory"',
        ),
    ] = "pi"
    logs: Annotated[Path, PathText()] = Path("logs")
    plans: Annotated[Path, PathText()] = Path("test_plans")
    battery_v: Annotated[float, Number(6, 16, "V")] = 12.6
    dead_man: DeadManSettings | None = None
    emergency_stop: EmergencyStopSettings | None = None
    supply: SupplySettings = SupplySettings()
    control: ControlSettings = ControlSettings()
    sheets: SheetsSettings = SheetsSettings()
    calibration: CalibrationSettings = CalibrationSettings()
    references: tuple[ReferenceSettings, ...] = Field(alias="reference", default=())
    golden: GoldenSettings = GoldenSettings()
    central: CentralSettings = CentralSettings()
    stations: tuple[StationSettings, ...] = Field(alias="station")

    @model_validator(mode="after")
    def _from_the_files_folder(self) -> Self:
        # A frozen model: the paths are completed here, before anybody sees it.
        for field in ("logs", "plans"):
            path: Path = getattr(self, field)
            object.__setattr__(self, field, self.folder / path)
        return self

    def station(self, name: str | None = None) -> StationSettings:
        """Return the station called ``name``, or the rig's first if none is named.

        Raises SettingsError, with the names there are, if no station is called so.
        """
        if name is None:
            return self.stations[0]
        for station in self.stations:
            if station.name == name:
                return station
        names = [station.name for station in self.stations]
        close = nearest(name, names)
        meant = f' (did you mean "{close}"?)' if close else ""
        wrong = f"there is no station {show(name)}{meant}"
        allowed = "one of " + ", ".join(map(show, names))
        raise SettingsError([Mistake(str(self.file), "station", wrong, allowed)])

    def wiring(self, max_a: float, station: str | None = None) -> RigWiring:
        """Return the wiring for currents up to ``max_a`` (A) in the battery feeds.

        The wiring knows one fuse: that of ``station``, or of the first station.
        """
        fused = self.station(station) if station is not None else self.stations[0]
        return RigWiring(
            stations=tuple(each.wiring(max_a) for each in self.stations),
            dead_man=self.dead_man.wiring() if self.dead_man else None,
            emergency_stop=self.emergency_stop.wiring() if self.emergency_stop else None,
            supply=self.supply.wiring(),
            battery_v=self.battery_v,
            fuse_a=fused.fuse_a,
        )

    def warnings(self) -> tuple[str, ...]:
        """Return what is allowed and yet unwise in this rig, one sentence each."""
        from rig.wiring_checks import warnings_of

        return tuple(warnings_of(self))


def load_settings(path: Path) -> RigSettings:
    """Return the rig file at ``path``; SettingsError with every mistake if it cannot be used."""
    path = Path(path)
    return settings_from_text(read_text(path, SettingsError, "the rig file"), path)


def settings_from_text(text: str, file: Path) -> RigSettings:
    """Return ``text`` as the rig file ``file`` (whose folder relative paths count from)."""
    from rig.wiring_checks import clashes_of

    supplied = {"folder": file.absolute().parent, "file": file, "text": text}
    return read_toml(text, file, RigSettings, SettingsError, supplied, clashes_of)


def starter_settings(stations: int = 1) -> RigSettings:
    """Return the starter rig file as if it stood in the present folder."""
    return settings_from_text(starter_text(stations), Path.cwd() / "rig.toml")


__all__ = [
    "CalibrationSettings",
    "CentralSettings",
    "ControlSettings",
    "DeadManSettings",
    "EmergencyStopSettings",
    "FeedSettings",
    "GoldenSettings",
    "LeadSettings",
    "Mistake",
    "OutputSettings",
    "RigSettings",
    "SensorSettings",
    "SettingsError",
    "SheetsSettings",
    "StationSettings",
    "SupplySettings",
    "SwitchSettings",
    "load_settings",
    "settings_from_text",
    "starter_settings",
    "starter_text",
]
