"""Somebody at the simulated jig."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from math import inf
from typing import Any

from .faults import parse_fault
from .relay import UnitRelay
from .station import Station
from .unit import Unit
from .world import World


class SimulatedHands:
    """Does at once what the operator is asked for, and looks honestly.

    ``detail`` may name the ``station``; without it the first one is meant.
    """

    def __init__(self, world: World) -> None:
        self._world = world
        self._actions: dict[str, Callable[[Station, Mapping[str, Any]], str]] = {
            "hang_load": self._hang_load,
            "remove_load": lambda station, _: self._load(station, 0.0),
            "lock_lever": lambda station, _: self._lever(station, True),
            "free_lever": lambda station, _: self._lever(station, False),
            "unhook_cable": lambda station, _: self._hook(station, False),
            "hook_up_cable": lambda station, _: self._hook(station, True),
            "feed_motor_directly": lambda station, _: self._connect_motor(station, True),
            "restore_wiring": lambda station, _: self._connect_motor(station, False),
            "fit_known_good_relay": self._fit_known_good_relay,
            "fit_own_relay": self._fit_own_relay,
            "put_together": lambda *_: "all back in place",
            "connect_meter": lambda *_: "meter connected",
            "connect_load": self._connect_load,
            "remove_everything": self._remove_unit,
            "watch_meter": lambda *_: "meter watched",
            "read_meter": self._read_meter,
            "accept_calibration": lambda *_: "accepted",
            "press_emergency_stop": lambda *_: self._emergency_stop(True),
            "release_emergency_stop": lambda *_: self._emergency_stop(False),
            "inspect": self._inspect,
            "fit_unit": self._fit_unit,
            "remove_unit": self._remove_unit,
            "fit_fuse": self._fit_fuse,
            "blow_fuse": self._blow_fuse,
            "apply_fault": self._apply_fault,
            "clear_fault": self._clear_fault,
            "accept_cautions": lambda *_: "accepted",
            "at_hand": lambda *_: "yes",
        }

    def do(self, action: str, detail: Mapping[str, Any]) -> str:
        """Do ``action``; return what was done or seen.

        ValueError if there is no such action, station or check, or nothing to do it to.
        """
        act = self._actions.get(action)
        if act is None:
            known = ", ".join(self._actions)
            raise ValueError(f"The hands cannot do '{action}'. They can: {known}.")
        stations = self._world.stations
        name = str(detail.get("station") or next(iter(stations)))
        if name not in stations:
            raise ValueError(f"There is no station '{name}'. There are: {', '.join(stations)}.")
        return act(stations[name], detail)

    @staticmethod
    def _unit(station: Station) -> Unit:
        if station.unit is None:
            raise ValueError(f"There is no unit on station '{station.name}': fit one first.")
        return station.unit

    # --- load and lever -------------------------------------------------------------------

    def _hang_load(self, station: Station, detail: Mapping[str, Any]) -> str:
        try:
            load_nm = float(detail["newton_metre"])
        except (KeyError, TypeError, ValueError):
            raise ValueError("To hang a load, give newton_metre: a number of N m.") from None
        if not 0.0 <= load_nm <= 1000.0:
            raise ValueError(f"A load of {load_nm:g} N m cannot be hung: 0 to 1000 N m can.")
        return self._load(station, load_nm)

    def _load(self, station: Station, load_nm: float) -> str:
        unit = self._unit(station)
        self._world.change(lambda _: unit.hang(load_nm))
        return f"{load_nm:g} N m hung" if load_nm else "load removed"

    def _lever(self, station: Station, locked: bool) -> str:
        unit = self._unit(station)
        self._world.change(lambda _: unit.lock(locked))
        return "lever locked" if locked else "lever free"

    def _hook(self, station: Station, hooked: bool) -> str:
        unit = self._unit(station)
        self._world.change(lambda _: unit.hook(hooked))
        return "cable hooked up" if hooked else "cable unhooked"

    def _connect_motor(self, station: Station, direct: bool) -> str:
        unit = self._unit(station)
        self._world.change(lambda _: unit.connect_motor(direct))
        return "motor fed directly" if direct else "wiring put back"

    # --- relay, fuse, unit ----------------------------------------------------------------

    def _fit_known_good_relay(self, station: Station, _: Mapping[str, Any]) -> str:
        unit = self._unit(station)
        self._plug(unit, self._world.known_good_relay())
        return "known good relay fitted"

    def _fit_own_relay(self, station: Station, _: Mapping[str, Any]) -> str:
        unit = self._unit(station)
        self._plug(unit, unit.own_relay)
        return "own relay fitted"

    def _plug(self, unit: Unit, relay: UnitRelay) -> None:
        def swap(now_s: float) -> None:
            if relay is not unit.relay:
                unit.relay.drive(now_s, 0.0, False)
                unit.relay = relay

        self._world.change(swap)

    def _fit_fuse(self, station: Station, _: Mapping[str, Any]) -> str:
        self._world.change(lambda _: station.fit_fuse())
        return "new fuse fitted"

    def _blow_fuse(self, station: Station, _: Mapping[str, Any]) -> str:
        def blow(_: float) -> None:
            station.fuse.blown = True

        self._world.change(blow)
        return "fuse blown"

    def _fit_unit(self, station: Station, detail: Mapping[str, Any]) -> str:
        self._world.fit_unit(station.name, str(detail.get("serial", "")))
        return "unit fitted"

    def _connect_load(self, station: Station, detail: Mapping[str, Any]) -> str:
        ohm = float(detail.get("ohm", 0.0))
        if not 0.01 <= ohm <= 1e6:
            raise ValueError(f"A load of {ohm:g} ohm cannot be connected: 0.01 to 1 000 000 can.")

        def connect(_: float) -> None:
            station.place(None)
            station.load_ohm = ohm

        self._world.change(connect)
        return f"{ohm:g} ohm connected"

    def _read_meter(self, station: Station, detail: Mapping[str, Any]) -> str:
        """Return what a perfect meter with three decimals showed at the moment ``to_s``."""
        quantity, at_s = detail["quantity"], float(detail["to_s"])
        with self._world.lock:
            self._world.catch_up()
            history = station.history
            current_a, voltage_v = history.at(at_s)
            return f"{current_a if quantity == 'current' else voltage_v:.3f}"

    def _remove_unit(self, station: Station, _: Mapping[str, Any]) -> str:
        self._world.remove_unit(station.name)
        return "unit removed"

    # --- faults ---------------------------------------------------------------------------

    def _apply_fault(self, _: Station, detail: Mapping[str, Any]) -> str:
        fault = parse_fault(str(detail.get("fault", "")))
        if fault.station and fault.station not in self._world.stations:
            raise ValueError(f"There is no station '{fault.station}' to have the fault.")
        self._world.apply_fault(fault)
        if fault.fault.once:
            return f"fault {fault} has happened"
        if fault.lasts_s < inf:
            return f"fault {fault} is on for {fault.lasts_s:g} s"
        return f"fault {fault} is on"

    def _clear_fault(self, _: Station, detail: Mapping[str, Any]) -> str:
        name = str(detail.get("name", ""))
        self._world.clear_fault(name)
        return f"fault {name} is gone"

    # --- the rest -------------------------------------------------------------------------

    def _emergency_stop(self, pressed: bool) -> str:
        self._world.change(lambda now_s: self._world.master.press(pressed, now_s))
        return "emergency stop pressed" if pressed else "emergency stop released"

    def _inspect(self, station: Station, detail: Mapping[str, Any]) -> str:
        # Whatever no fault that is present would show looks all right.
        check = str(detail.get("check", ""))
        if check == "battery_at_terminal" and station.fuse.blown:
            return "fault"
        faults = [f for f in self._world.faults.values() if f.is_on(station.name)]
        return "fault" if any(check in fault.fault.inspections for fault in faults) else "ok"
