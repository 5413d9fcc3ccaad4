"""What the rig file says of how well a station measures."""

from __future__ import annotations

from drivers.ina219 import plan_sensor
from rig.analysis.model import Accuracy
from rig.plans import Plan
from rig.settings import StationSettings


def accuracy_of(station: StationSettings, plan: Plan) -> Accuracy:
    """Return the standard uncertainties of a station's battery feed while it carries out a plan."""
    sensor = plan_sensor(station.battery_sensor.wiring(plan.largest_a))
    return Accuracy(
        relay_u_s=station.ignition_feed.delay_u_s,
        sensor_delay_u_s=sensor.age_u_s,
        gain_u_rel=station.battery_sensor.gain_u_rel,
        offset_u_a=station.battery_sensor.offset_u_a,
    )
