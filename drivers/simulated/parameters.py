"""What a simulated unit and a simulated rig are made of.

The defaults are a unit type of our own invention, LM-12; no figure of them is a maker's.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

COPPER_PER_K = 0.00393  # temperature coefficient of annealed copper at 20 C, IEC 60028


@dataclass(frozen=True, slots=True)
class RelayParameters:
    """A unit's own changeover relay.

    ``coil_ohm`` at 20 C; ``pull_in_v`` and ``drop_out_v`` (V) at the coil; the coil current
    follows with ``coil_tau_s``, and dies with ``release_tau_s`` once its feed has opened (s);
    ``flight_s`` and ``release_flight_s`` from the armature's start to the other contact's first
    touch (s); ``bounce_s`` how long it then chatters; ``contact_ohm``.  The times add up to
    7 ms operate at 12 V and 2 ms release, typical of a 12 V automotive relay.
    """

    coil_ohm: float = 85.0
    pull_in_v: float = 7.0
    drop_out_v: float = 2.5
    coil_tau_s: float = 0.005
    release_tau_s: float = 0.0006
    flight_s: float = 0.0026
    release_flight_s: float = 0.00106
    bounce_s: float = 0.0015
    contact_ohm: float = 0.002


@dataclass(frozen=True, slots=True)
class UnitParameters:
    """A unit: permanent-magnet motor, gear, two cam tracks and a relay.

    Electrical: ``winding_ohm`` at 20 C with brushes, ``inductance_h``, ``constant_vs`` (V s/rad,
    the same number in N m/A), ``loom_ohm`` of its own leads and cam contact.  Mechanical:
    ``rotor_kgm2``, ``gear`` (rotor turns per output turn), ``dry_nm`` and ``viscous_nms`` at the
    rotor, ``cable_nm`` the drag of its cable at the output.  Tracks: (start, end) degrees of
    output angle over which each conducts, the run track with the relay made, the stop track
    with it released; they begin a little early so that a unit parked on an edge still starts
    (guess).  ``brake_at_park`` shorts the armature once a track has ended, ``brake_gap_deg``
    later.  Thermal: heat capacities (J/K) and resistances (K/W) winding-case-air (guesses for
    a motor of this size).

    The winding is chosen so that a 10 A blade fuse protects it when jammed and a larger one does
    not (tests/analysis/test_fuse_race.py): its stall current must stay well above 160 % of 10 A
    while the copper warms, and below what opens the fuse within the bench's own stall time.  Its
    heat is that of 0.65 mm wire (45 J/K) and of 170 g of armature sheet (0.449 J/gK, 76 J/K),
    which a slot liner of 0.2 mm leaves only some seconds behind the copper.  Inertia and drag are
    such that a stall is eight times the running current and a start takes some 13 ms.
    """

    winding_ohm: float = 0.51
    inductance_h: float = 0.41e-3
    constant_vs: float = 0.0293
    loom_ohm: float = 0.005
    rotor_kgm2: float = 2.2e-5
    gear: float = 80.0
    dry_nm: float = 0.044
    viscous_nms: float = 2.9e-5
    cable_nm: float = 2.9
    run_track_deg: tuple[float, float] = (-4.0, 180.0)
    stop_track_deg: tuple[float, float] = (176.0, 360.0)
    brake_at_park: bool = True
    brake_gap_deg: float = 0.5
    winding_heat_j_per_k: float = 120.0
    case_heat_j_per_k: float = 150.0
    winding_case_k_per_w: float = 2.0
    case_air_k_per_w: float = 6.0
    ambient_c: float = 20.0
    relay: RelayParameters = field(default_factory=RelayParameters)


@dataclass(frozen=True, slots=True)
class RigParameters:
    """The rig's own copper and contacts.

    ``source_ohm`` of the battery, ``supply_ohm`` of the bench supply in constant voltage,
    ``wiring_ohm`` from the source to the shunt without the fuse; ``ignition_ohm`` of the
    ignition feed.  ``bounce_s`` and ``jitter_s`` of the feed relays' contacts, ``master_*`` of
    the master relay; ``dead_man_hold`` the timer's hold as a share of its longest;
    ``dead_man_edges`` how many edges pick the master relay up.  Guesses, except the
    resistances, which are typical of short 2.5 mm2 leads (IEC 60228: 8 ohm/km).
    """

    source_ohm: float = 0.02
    supply_ohm: float = 0.005
    wiring_ohm: float = 0.016
    ignition_ohm: float = 0.1
    bounce_s: float = 0.0012
    jitter_s: float = 0.0001
    relay_spread: float = 0.04
    master_operate_s: float = 0.010
    master_release_s: float = 0.004
    dead_man_hold: float = 0.93
    dead_man_edges: int = 3


@dataclass(frozen=True, slots=True)
class SensorErrors:
    """What a sensor with its shunt is off by: true = gain * (reading - offset), as a calibration
    would find it.  ``fed_zero_a`` is what its zero moves by with 12 V at the feed (R4).
    """

    gain: float = 1.0
    offset_a: float = 0.0
    fed_zero_a: float = 0.0
    voltage_gain: float = 1.0
    voltage_offset_v: float = 0.0


def spread_unit(nominal: UnitParameters, rng: random.Random) -> UnitParameters:
    """Return a unit as one falls out of a production: a few per cent off in each part (guess)."""

    def off(value: float, share: float) -> float:
        return value * (1.0 + share * max(-2.5, min(2.5, rng.gauss(0.0, 1.0))))

    relay = nominal.relay
    run_start, run_end = nominal.run_track_deg
    stop_start, stop_end = nominal.stop_track_deg
    return replace(
        nominal,
        winding_ohm=off(nominal.winding_ohm, 0.02),
        inductance_h=off(nominal.inductance_h, 0.02),
        constant_vs=off(nominal.constant_vs, 0.01),
        dry_nm=off(nominal.dry_nm, 0.05),
        viscous_nms=off(nominal.viscous_nms, 0.05),
        cable_nm=off(nominal.cable_nm, 0.05),
        run_track_deg=(run_start, run_end + rng.uniform(-0.7, 0.7)),
        stop_track_deg=(stop_start, stop_end + rng.uniform(-0.7, 0.7)),
        relay=replace(
            relay,
            coil_ohm=off(relay.coil_ohm, 0.02),
            pull_in_v=off(relay.pull_in_v, 0.03),
            drop_out_v=off(relay.drop_out_v, 0.03),
            flight_s=off(relay.flight_s, 0.03),
        ),
    )
