"""What the rig file says of the circuit that feeds a unit."""

from __future__ import annotations

from rig.analysis.drop import FeedCircuit
from rig.settings import RigSettings, StationSettings


def feed_circuit(settings: RigSettings, station: StationSettings) -> FeedCircuit:
    """Return what is known of a station's battery feed, wired as the drawing has it."""
    lead = station.lead
    return FeedCircuit(
        shunt_ohm=station.battery_sensor.shunt_ohm,
        fuse_a=station.fuse_a,
        feed_m=None if lead is None else lead.feed_m,
        return_m=None if lead is None else lead.return_m,
        area_mm2=None if lead is None else lead.area_mm2,
        temp_c=20.0 if lead is None else lead.temp_c,
        regulated=settings.supply.programmable,
    )
