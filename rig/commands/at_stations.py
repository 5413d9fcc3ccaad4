"""What `halfturn run --at` asks for, checked before anything heavy is imported."""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence

from rig.bench.order import RunOrder
from rig.commands import exits
from rig.commands.exits import CommandError
from rig.commands.run import order_of
from rig.crowding import why_crowded


def orders_at(options: argparse.Namespace) -> dict[str, RunOrder]:
    """Return the order of each station; raises with every mistake before anything is fed."""
    if options.unit or options.station:
        raise CommandError(
            exits.USAGE, "--at names station and unit; leave --unit and --station away."
        )
    if options.detach:
        raise CommandError(
            exits.USAGE,
            "several stations at once need this program with them: leave --detach away.",
        )
    units: dict[str, str] = {}
    for text in options.at:
        name, sign, serial = (part.strip() for part in text.partition("="))
        if not (sign and name and serial):
            raise CommandError(exits.USAGE, f"--at wants STATION=SERIAL and got '{text}'.")
        if name in units:
            raise CommandError(exits.USAGE, f"--at names the station {name} twice.")
        if serial in units.values():
            raise CommandError(exits.USAGE, f"--at names the unit {serial} twice.")
        units[name] = serial
    orders = {
        name: order_of(argparse.Namespace(**{**vars(options), "station": name, "unit": serial}))
        for name, serial in units.items()
    }
    _need_faults_of(orders, options.fault)
    crowded = why_crowded(next(iter(orders.values())).settings, tuple(orders))
    if crowded:
        raise CommandError(exits.FILES, crowded)
    return orders


def _need_faults_of(orders: Mapping[str, RunOrder], faults: Sequence[str]) -> None:
    """Refuse a fault of a station that no unit is tested on."""
    settings = next(iter(orders.values())).settings
    idle = {station.name for station in settings.stations} - set(orders)
    for fault in faults:
        name, sign, _ = fault.partition(":")
        if sign and name in idle:
            raise CommandError(
                exits.USAGE,
                f"--fault {fault} is of station {name}, on which --at has no unit. Name it with "
                "--at as well, or leave the fault away.",
            )
