"""`halfturn run --at`, and what else the command line says of several stations."""

from __future__ import annotations

import json

import pytest
from at_the_prompt import halfturn

from drivers.ina219 import mean_read_bits
from rig.commands.run_stations import worst
from rig.crowding import crowds, why_crowded
from rig.settings import settings_from_text, starter_settings
from rig.starter import starter_text

RUN = ("run", "incoming", "--accept-cautions")


@pytest.fixture
def two(capsys, tmp_path, monkeypatch):
    """A rig folder with two stations, gone into."""
    folder = tmp_path / "two"
    assert halfturn(capsys, "new", str(folder), "--stations", "2")[0] == 0
    monkeypatch.chdir(folder)
    return folder


def test_two_units_at_once_end_with_the_worst_verdict(capsys, two):
    fault = ("--fault", "B:jammed=90")
    status, out, err = halfturn(capsys, *RUN, "--at", "A=0417", "--at", "B=0418", *fault)
    assert status == 1
    assert "A: verdict: PASS (SIMULATED)" in out
    assert "B: verdict: FAIL (SIMULATED)" in out
    assert {line[:3] for line in out.splitlines()} == {"A: ", "B: "}
    assert "A: step 4 of 5: Half-turns" in err
    assert "1000 samples a second. Other stations may have been at work meanwhile: B." in err
    assert "with them" not in err, "the starter's supply gives 40 A"


def test_the_answer_as_json_is_by_station(capsys, two):
    at = ("--at", "A=0417", "--at", "B=0418")
    status, out, _ = halfturn(capsys, *RUN, *at, "--json", "--quiet")
    answer = json.loads(out)
    assert status == 0
    assert list(answer) == ["A", "B"]
    assert {each["verdict"] for each in answer.values()} == {"pass"}
    assert answer["A"]["run"] != answer["B"]["run"]


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("--at", "A"), 3, "wants STATION=SERIAL"),
        (("--at", "A=1", "--at", "A=2"), 3, "names the station A twice"),
        (("--at", "A=1", "--at", "B=1"), 3, "names the unit 1 twice"),
        (("--at", "A=1", "--unit", "2"), 3, "leave --unit and --station away"),
        (("--at", "A=1", "--detach"), 3, "leave --detach away"),
        (("--at", "A=1", "--at", "C=2"), 4, 'no station "C"'),
        (("--at", "A=1", "--fault", "C:jammed"), 5, "There are: A, B"),
        (("--at", "A=1", "--fault", "A:bus-hang"), 5, "of the whole rig"),
        (("--at", "A=1", "--fault", "B:jammed"), 3, "of station B, on which --at has no unit"),
        (("--at", "A=1", "--fault", ":jammed"), 5, "station's name is missing"),
    ],
)
def test_what_cannot_be_run_is_said_before_anything_is_fed(capsys, two, words, status, said):
    got, out, err = halfturn(capsys, *RUN, *words)
    assert (got, out) == (status, "")
    assert said in " ".join(err.split())


def test_stations_that_do_not_fit_are_refused_with_what_to_do(capsys, two):
    rig = two / "rig.toml"
    text = rig.read_text()
    assert "i2c_hz = 400000" in text
    rig.write_text(text.replace("i2c_hz = 400000", "i2c_hz = 100000"))
    status, _, err = halfturn(capsys, *RUN, "--at", "A=1", "--at", "B=2")
    assert status == 4
    said = " ".join(err.split())
    assert "100 kHz leaves each 607" in said
    assert "Set sample_hz = 500" in said
    # One at a time they do fit.
    assert halfturn(capsys, *RUN, "--at", "B=2", "--quiet")[0] == 0
    _, out, _ = halfturn(capsys, "check", "incoming")
    assert "(100 kHz bus): 1: 1214, 2: 607" in out
    assert "warning: Station A is to be sampled 1000 times a second" in out


def test_a_supply_that_two_units_can_overload_is_said_to_be_too_small(capsys, two):
    rig = two / "rig.toml"
    rig.write_text(rig.read_text().replace("max_a = 40.0", "max_a = 30.0"))
    _, _, err = halfturn(capsys, *RUN, "--at", "A=1", "--at", "B=2")
    assert "draws up to 35 A with them, and the supply gives 30 A" in " ".join(err.split())


def test_a_bus_sample_takes_the_bit_times_of_its_transactions():
    # UM10204: start and stop a bit each, nine bits for the address and each byte.  One register
    # at the retained pointer is 1 + 9 + 2 * 9 + 1 bits, with the pointer first 19 more.
    assert mean_read_bits(10**9) == pytest.approx(29.0)
    every_time = 29 + (48 - 29) + 2 * 48 + (48 + 48 - 29) / 10
    assert mean_read_bits(1) == pytest.approx(every_time)


@pytest.mark.parametrize("stations", [1, 2, 3, 4])
def test_the_starter_rig_has_so_many_stations_that_fit_together(stations):
    settings = starter_settings(stations)
    names = [station.name for station in settings.stations]
    assert names == list("ABCD")[:stations]
    assert why_crowded(settings, names) == ""
    assert settings.warnings() == ()
    assert [one.stations for one in crowds(settings)] == list(range(1, stations + 1))


def test_a_fifth_station_at_once_is_one_too_many(tmp_path):
    settings = settings_from_text(starter_text(4), tmp_path / "rig.toml")
    assert "too many: 4 at most" in why_crowded(settings, ["A", "B", "C", "D", "A"])


@pytest.mark.parametrize(
    ("statuses", "status"),
    [
        ((0, 0), 0),
        ((0, 2), 2),
        ((2, 1), 1),
        ((1, 5), 5),
        ((5, 7), 7),
        ((0, 6), 6),
        ((6, 70), 70),
        ((0, 4), 4),
        ((1, 99), 99),
    ],
)
def test_the_worst_status_is_the_one_that_says_least_good(statuses, status):
    assert worst(statuses) == worst(statuses[::-1]) == status


def test_questions_name_their_station(capsys, two):
    # Nobody is at the jig, and there is no terminal to ask at.
    at = ("--at", "A=0417", "--at", "B=0418", "--backend", "handless:make_virtual")
    status, out, _ = halfturn(capsys, *RUN, *at, "--quiet")
    assert status == 3
    for name in "AB":
        assert f"{name}: this step asks the operator (Station {name}: " in out
