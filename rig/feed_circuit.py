"""What the rig file says of the circuit that feeds a unit."""

from __future__ import annotations

from rig.analysis.drop import FeedCircuit
from rig.settings import RigSettings, StationSettings


def feed_circuit(
    settings: RigSettings, station: StationSettings, *, simulated: bool = False
) -> FeedCircuit:
    """Return what is known of a station's battery feed.

    On a rig of one station the ignition feed branches off behind the battery feed's fuse; of
    several, each has its own fuse behind the branch (README, wiring).  The simulated rig is wired
    as one of several, however many it has.
    """
    lead = station.lead
    return FeedCircuit(
        shunt_ohm=station.battery_sensor.shunt_ohm,
        fuse_a=station.fuse_a,
        feed_m=None if lead is None else lead.feed_m,
        return_m=None if lead is None else lead.return_m,
        area_mm2=None if lead is None else lead.area_mm2,
        temp_c=20.0 if lead is None else lead.temp_c,
        regulated=settings.supply.programmable,
        behind_fuse=len(settings.stations) == 1 and not simulated,
    )
