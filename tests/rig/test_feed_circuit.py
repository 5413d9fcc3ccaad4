"""The feed's circuit as the rig file has it."""

import re
from pathlib import Path

import pytest

from rig.analysis.drop import FeedCircuit
from rig.feed_circuit import feed_circuit
from rig.settings import SettingsError, settings_from_text, starter_text

LEAD = "[station.lead]\nfeed_m = 1.5\nreturn_m = 2.0\narea_mm2 = 2.5\ntemp_c = 25\n"


def rig(text: str):
    return settings_from_text(text, Path("rig.toml"))


def test_the_starter_rig_has_no_measured_lead_and_a_regulated_supply() -> None:
    settings = rig(starter_text())
    found = feed_circuit(settings, settings.station())
    assert found == FeedCircuit(0.005, 10.0, regulated=True)


def test_a_measured_lead_is_taken_over() -> None:
    settings = rig(starter_text().replace("[station.at_run]", LEAD + "[station.at_run]"))
    found = feed_circuit(settings, settings.station())
    assert (found.feed_m, found.return_m, found.area_mm2, found.temp_c) == (1.5, 2.0, 2.5, 25.0)


def test_a_cross_section_that_no_cable_has_is_a_mistake() -> None:
    text = starter_text().replace("[station.at_run]", LEAD + "[station.at_run]")
    with pytest.raises(SettingsError, match=re.escape("one of 0.5, 0.75, 1, 1.5, 2.5, 4, 6 mm2")):
        rig(text.replace("area_mm2 = 2.5", "area_mm2 = 3"))


def test_the_commented_lead_of_the_starter_file_is_a_valid_one() -> None:
    lines = starter_text().splitlines()
    at = lines.index("# [station.lead]")
    bare = [line.removeprefix("# ") for line in lines[at : at + 5]]
    settings = rig("\n".join([*lines[:at], *bare, *lines[at + 5 :]]))
    assert settings.station().lead is not None


def test_the_fuses_series_is_one_that_there_are_gates_for() -> None:
    with pytest.raises(SettingsError, match="fuse_series"):
        rig(starter_text().replace('fuse_series = "blade"', 'fuse_series = "glass"'))
