"""Where the voltage is lost: data of the trade, and the simulated rig with a fault at a time."""

from __future__ import annotations

from dataclasses import replace

import pytest

from rig.analysis.copper import (
    FLEXIBLE_OHM_PER_KM,
    SOLID_OHM_PER_KM,
    lead_ohm,
    temperature_factor,
)
from rig.analysis.drop import FeedCircuit, Part, separate, unit_part
from rig.analysis.estimate import Estimate, unknown
from rig.analysis.model import UnitType
from rig.analysis.motor import MotorIdentity

GOOD = Estimate(0.05, 0.002, "ohm")
NO_SENSOR = unknown("ohm", "no sensor in the ignition feed sees the relay coil's current")


def found(feed: float, shared: float | None, **wiring):
    coil = NO_SENSOR if shared is None else Estimate(shared, 0.002, "ohm")
    circuit = wiring.pop("circuit", None)
    wired = FeedCircuit(0.005, 10.0, **wiring)
    return separate(Estimate(feed, 0.002, "ohm"), coil, wired, 2.5, circuit)


def suspects(report) -> list[str]:
    return [suspect.where for suspect in report.suspects]


# --- copper -----------------------------------------------------------------------------------


def test_leads_are_those_of_the_cable_tables() -> None:
    """IEC 60228 highest resistances, plain copper, 20 degrees, as agreeing cable tables have them;
    the least by 1/58 ohm mm2/m (IEC 60028)."""
    assert FLEXIBLE_OHM_PER_KM[2.5] == 7.98
    assert SOLID_OHM_PER_KM[2.5] == 7.41
    least, most = lead_ohm(1000.0, 2.5)
    assert (least, most) == (pytest.approx(6.897, abs=0.001), pytest.approx(7.98))
    for area_mm2 in FLEXIBLE_OHM_PER_KM:
        least, most = lead_ohm(10.0, area_mm2)
        solid = lead_ohm(10.0, area_mm2, flexible=False)[1]
        assert least < solid < most


@pytest.mark.parametrize(
    ("temp_c", "factor"),
    [(5, 1.064), (10, 1.042), (15, 1.020), (25, 0.980), (30, 0.962), (40, 0.926), (70, 0.833)],
)
def test_the_temperature_factor_is_that_printed_with_the_tables(temp_c, factor) -> None:
    """Printed with IEC 60228 tables: kt = 250 / (230 + t), by which a reading is multiplied."""
    assert 1.0 / temperature_factor(temp_c) == pytest.approx(factor, abs=0.0006)


# --- what is told apart -----------------------------------------------------------------------


def test_a_sound_rig_has_no_suspect() -> None:
    assert suspects(found(0.05, 0.025)) == []


def test_with_both_sensors_holder_earth_and_source_are_told_apart() -> None:
    assert suspects(found(0.35, 0.025)) == ["fuse holder"]
    assert suspects(found(0.05, 0.35)) == ["earth"]
    assert suspects(found(0.35, 0.32)) == ["source"]
    both = found(0.55, 0.22)
    assert suspects(both) == ["source", "fuse holder"]


def test_a_regulated_supplys_terminals_and_leads_may_be_to_blame() -> None:
    report = found(0.35, 0.25, regulated=True)
    assert suspects(report) == ["source"]


def test_without_the_second_sensor_it_says_what_it_cannot_tell() -> None:
    report = found(0.35, None)
    assert suspects(report) == ["feed"]
    assert "not told apart" in report.suspects[0].text
    assert any("poor earth" in line for line in report.not_told)
    circuit = Part("unit", Estimate(1.2, 0.01, "ohm"), (0.70, 0.85))
    assert suspects(found(0.05, None, circuit=circuit)) == ["unit or earth"]
    assert suspects(found(0.05, 0.025, circuit=circuit)) == ["unit"]
    assert suspects(found(0.05, 0.4, circuit=circuit)) == ["earth"]


def test_what_lies_behind_the_sensor_is_held_against_the_type() -> None:
    nothing = unknown("", "")
    as_found = Estimate(1.2, 0.01, "ohm")
    identity = MotorIdentity(as_found, nothing, nothing, nothing, nothing, nothing, nothing)
    part = unit_part(identity, UnitType("LM-12", winding_ohm=0.51))
    assert suspects(found(0.05, 0.025, circuit=part)) == ["unit"]
    sound = replace(identity, circuit_20c_ohm=Estimate(0.53, 0.01, "ohm"))
    part = unit_part(sound, UnitType("LM-12", winding_ohm=0.51))
    assert suspects(found(0.05, 0.025, circuit=part)) == []


def test_a_coil_current_in_the_noise_tells_nothing_apart() -> None:
    noisy = separate(
        Estimate(0.35, 0.002, "ohm"),
        Estimate(0.02, 0.1, "ohm"),
        FeedCircuit(0.005, 10.0),
        2.5,
    )
    assert suspects(noisy) == ["feed"]
    assert any("too noisy" in line for line in noisy.not_told)


def test_a_suspect_comes_with_what_to_measure_by_hand() -> None:
    [suspect] = found(0.35, 0.025).suspects
    # What is beyond the usual 0.108 ohm, at 2.5 A.
    assert f"{suspect.ohm.value * 2.5:.2f} V at 2.5 A" in suspect.text
    assert "voltmeter across the fuse holder" in suspect.text


def test_a_measured_lead_is_taken_off() -> None:
    bare = found(0.08, 0.025)
    led = found(0.08, 0.025, feed_m=5.0, area_mm2=2.5)
    [rest] = [part for part in led.parts if part.name.startswith("joints")]
    assert rest.ohm.value == pytest.approx(0.08 - 0.005 - 0.037, abs=0.001)
    assert any("station.lead" in line for line in bare.not_told)
    assert not any("station.lead" in line for line in led.not_told)
