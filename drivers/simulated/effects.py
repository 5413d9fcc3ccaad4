"""What faults (and the load at the jig) do, as numbers the world works with."""

from __future__ import annotations

from dataclasses import dataclass

from .load import KINK_DEG, KINK_WIDTH_DEG


@dataclass(slots=True)
class Effects:
    """Everything that can be wrong with a unit, its feed or the rig; as made, nothing is.

    Torques at the output (N m), angles in degrees of output, other SI units.  None: as fitted.
    """

    # the unit's mechanics
    friction_factor: float = 1.0
    extra_torque_nm: float = 0.0
    binding_nm: float = 0.0
    binding_deg: float = KINK_DEG
    binding_width_deg: float = KINK_WIDTH_DEG
    tooth_nm: float = 0.0
    tooth_deg: float = 90.0
    spring_nm: float = 0.0
    jam_deg: float | None = None
    play_deg: float | None = None
    cable_broken: bool = False
    # the motor
    turns_lost: float = 0.0
    brush_ohm: float = 0.0
    brush_dropouts_per_s: float = 0.0
    winding_open: bool = False
    # the cam
    track_ends_deg: float | None = None
    dead_spot_deg: float | None = None
    tracks_welded: bool = False
    # the unit's relay
    relay_dead: bool = False
    relay_coil_open: bool = False
    relay_welded: bool = False
    relay_ohm: float = 0.0
    relay_pull_in_v: float | None = None
    ignition_open: bool = False
    # the feed
    holder_ohm: float = 0.0
    earth_ohm: float = 0.0
    leak_a: float = 0.0
    battery_open: bool = False
    reversed: bool = False
    source_ohm: float = 0.0
    fuse_a: float | None = None
    # the rig
    sensor_absent: bool = False
    sensor_stuck: bool = False
    sensor_offset_a: float = 0.0
    sensor_noise_a: float = 0.0
    sensor_clip_a: float | None = None
    voltage_missing: bool = False
    bus_hung: bool = False
    bus_nack_share: float = 0.0
    feed_relay_open: bool = False
    feed_relay_welded: bool = False
    supply_lost: bool = False
    supply_silent: bool = False
    supply_lies: bool = False
    supply_unplugged: bool = False
    stop_pressed: bool = False
    switches_both: bool = False
    switches_dead: bool = False
