"""The rig file: what is read from it, and every mistake told at once and in words."""

from __future__ import annotations

import dataclasses
import pickle
from pathlib import Path

import pytest
from pydantic import ValidationError

from drivers import DeadManWiring, FeedWiring, InputWiring, SensorWiring, SupplyWiring
from rig.settings import (
    RigSettings,
    SettingsError,
    load_settings,
    settings_from_text,
    starter_settings,
    starter_text,
)

SMALLEST = """
name = "bench"
[[station]]
name = "A"
[station.battery_feed]
pin = 17
[station.ignition_feed]
pin = 27
[station.battery_sensor]
address = 0x40
shunt_ohm = 0.005
shunt_w = 3
"""

SECOND_STATION = """
[[station]]
name = "B"
[station.battery_feed]
pin = 16
[station.ignition_feed]
pin = 26
[station.battery_sensor]
address = 0x44
shunt_ohm = 0.002
shunt_w = 3
"""


def read(text: str) -> RigSettings:
    return settings_from_text(text, Path("/bench/rig.toml"))


def mistakes(text: str) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        read(text)
    assert str(caught.value) == "\n".join(str(mistake) for mistake in caught.value.mistakes)
    return str(caught.value).splitlines()


def changed(old: str, new: str, text: str = SMALLEST) -> str:
    assert old in text
    return text.replace(old, new, 1)


# --- what is read -----------------------------------------------------------------------------


def test_the_smallest_rig_file_gets_the_stated_defaults() -> None:
    rig = read(SMALLEST)
    station = rig.station()
    assert (rig.backend, rig.battery_v, rig.supply.kind) == ("pi", 12.6, "none")
    assert (station.sample_hz, station.fuse_a) == (1000, 10.0)
    assert rig.dead_man is None
    assert rig.emergency_stop is None
    assert rig.wiring(25.0).supply is None


def test_what_the_control_loop_asks_for() -> None:
    control = read(SMALLEST).control
    assert (control.real_time, control.priority, control.lock_memory) == (True, 40, True)
    assert starter_settings().control == control
    text = "[control]\nreal_time = false\npriority = 49\nlock_memory = false\n"
    control = read(SMALLEST + text).control
    assert (control.real_time, control.priority, control.lock_memory) == (False, 49, False)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("priority = 50", "50 is too large; allowed: a whole number from 1 to 49"),
        ("priority = 0", "0 is too small"),
        ("real_time = 1", "real_time"),
        ("lock_mem = true", 'did you mean "lock_memory"?'),
    ],
)
def test_mistakes_in_what_the_control_loop_asks_for(line: str, said: str) -> None:
    (mistake,) = mistakes(f"{SMALLEST}[control]\n{line}\n")
    assert said in mistake


def test_folders_count_from_the_rig_file() -> None:
    rig = read('logs = "../kept"\nplans = "/srv/plans"\n' + SMALLEST)
    assert rig.folder == Path("/bench")
    assert rig.logs == Path("/bench/../kept")
    assert rig.plans == Path("/srv/plans")
    assert read(SMALLEST).logs == Path("/bench/logs")


def test_wiring_carries_every_value_to_the_drivers() -> None:
    rig = starter_settings()
    wiring = rig.wiring(25.0)
    (station,) = wiring.stations
    assert wiring.dead_man == DeadManWiring(22, True, 24, 0.15)
    assert wiring.emergency_stop == InputWiring(23, normally_closed=True)
    assert wiring.supply == SupplyWiring(rig.supply.port, 9600, 1.0, 16.0, 40.0)
    assert (wiring.battery_v, wiring.fuse_a) == (12.6, 10.0)
    assert station.battery_feed == FeedWiring(17, True, 0.007, 0.003)
    assert station.ignition_feed.pin == 27
    assert station.battery_sensor == SensorWiring(1, 0x40, 0.005, 25.0)
    assert station.ignition_sensor is not None
    assert (station.ignition_sensor.address, station.ignition_sensor.shunt_ohm) == (0x41, 0.1)
    # The usual relay coil, 75 ohm and more at 16 V (TE V23234 data sheet), and no motor.
    assert 16 / 75 < station.ignition_sensor.max_a < 0.5
    assert station.at_run == InputWiring(5)
    assert station.at_stop == InputWiring(6)


def test_every_sensor_field_reaches_the_driver() -> None:
    extra = "bus = 3\ngain = 1.01\noffset_a = 0.2\naverage = 2\nbus_every = 5\n"
    extra += "max_a = 40\n"
    text = changed("shunt_w = 3\n", "shunt_w = 3\n" + extra)
    sensor = read(changed('name = "A"', 'name = "A"\nsample_hz = 500', text)).station()
    assert dataclasses.asdict(sensor.battery_sensor.wiring(25.0)) == {
        "bus": 3,
        "address": 0x40,
        "shunt_ohm": 0.005,
        "max_a": 40.0,
        "gain": 1.01,
        "offset_a": 0.2,
        "average": 2,
        "bus_every": 5,
        "voltage_gain": 1.0,  # of a calibration alone
        "voltage_offset_v": 0.0,
    }


def test_stations_are_found_by_name() -> None:
    rig = read(SMALLEST + SECOND_STATION)
    assert rig.station().name == "A"
    assert rig.station("B").battery_feed.pin == 16
    with pytest.raises(SettingsError, match=r'no station "b".* one of "A", "B"'):
        rig.station("b")


def test_the_wiring_has_the_fuse_of_the_station_asked_for() -> None:
    text = SMALLEST + changed('name = "B"', 'name = "B"\nfuse_a = 5', SECOND_STATION)
    assert read(text).wiring(25.0).fuse_a == 10.0
    assert read(text).wiring(25.0, "B").fuse_a == 5.0


def test_settings_do_not_change_and_can_be_sent_to_another_process() -> None:
    rig = starter_settings()
    with pytest.raises(ValidationError):
        rig.name = "other"
    assert pickle.loads(pickle.dumps(rig)) == rig


def test_the_starter_file_is_sound_and_unwise_in_nothing() -> None:
    rig = starter_settings()
    assert rig.text == starter_text()
    assert rig.backend == "simulated"
    assert rig.folder == Path.cwd()
    assert rig.warnings() == ()


@pytest.mark.parametrize("name", ["pi", "simulated", "bench.world:make", "world:make"])
def test_backends(name: str) -> None:
    assert read(f'backend = "{name}"\n' + SMALLEST).backend == name


# --- files that cannot be read ----------------------------------------------------------------


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"rig\.toml: there is no such file for the rig file"):
        load_settings(tmp_path / "rig.toml")


def test_a_folder_is_no_rig_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"the rig file cannot be read: Is a directory"):
        load_settings(tmp_path)


def test_bytes_that_are_not_text_are_told(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b'name = "\xff"')
    with pytest.raises(SettingsError, match=r"byte 9 of the file is not UTF-8"):
        load_settings(path)


def test_a_byte_order_mark_and_windows_line_ends_do_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode())
    assert load_settings(path).name == "bench"


def test_a_huge_file_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"#" * 1_000_001)
    with pytest.raises(SettingsError, match=r"too large to be the rig file; allowed: up to 1 MB"):
        load_settings(path)


def test_what_is_not_toml_is_told_with_line_and_column() -> None:
    assert mistakes('name = "bench"\npin 17\n') == [
        "/bench/rig.toml, line 2: this is not TOML at column 5: expected '=' after a key in a "
        "key/value pair; allowed: see toml.io for how TOML is written"
    ]


def test_a_text_that_ends_too_soon_is_told_at_its_end() -> None:
    (line,) = mistakes('name = "bench"\nstation = [\n')
    assert line.startswith("/bench/rig.toml, line 3: this is not TOML at column 1: ")


# --- mistakes ---------------------------------------------------------------------------------

HERE = "/bench/rig.toml, "


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        (
            "pin = 17",
            "",
            "station[1].battery_feed.pin: this key is missing; allowed: a whole number "
            "from 0 to 27",
        ),
        (
            "pin = 17",
            "pin = 28",
            "battery_feed.pin: 28 is too large; allowed: a whole number from 0 to 27",
        ),
        (
            "pin = 17",
            "pin = -1",
            "battery_feed.pin: -1 is too small; allowed: a whole number from 0 to 27",
        ),
        (
            "pin = 17",
            "pin = true",
            "battery_feed.pin: true is not a whole number; allowed: a whole number from 0 to 27",
        ),
        (
            "pin = 17",
            "pin = 17.0",
            "battery_feed.pin: 17 is not a whole number; allowed: a whole number from 0 to 27",
        ),
        (
            "pin = 17",
            'pin = "17"',
            'battery_feed.pin: "17" is not a whole number; allowed: a whole number from 0 to 27',
        ),
        (
            "pin = 17",
            "pin = 17\nactive_high = 1",
            "active_high: 1 is neither true nor false; allowed: true or false, without quotes",
        ),
        (
            "pin = 17",
            "pin = 17\noperate_s = 7",
            "operate_s: 7 is too large; allowed: a number from 0 to 0.1 s",
        ),
        (
            "pin = 17",
            "pin = 17\noperate_s = nan",
            "operate_s: nan is not a finite number; allowed: a number from 0 to 0.1 s",
        ),
        (
            "pin = 17",
            "pin = 17\noperate_s = inf",
            "operate_s: inf is not a finite number; allowed: a number from 0 to 0.1 s",
        ),
        (
            "pin = 17",
            "pin = 17\noperate_s = 2020-01-01",
            "operate_s: a date or time is not a number; allowed: a number from 0 to 0.1 s",
        ),
        (
            "pin = 17",
            "pin = 17\nactive_hi = true",
            "battery_feed.active_hi: this key is not known (did you mean "
            '"active_high"?); allowed: active_high, delay_u_s, operate_s, pin, '
            "release_s",
        ),
        (
            "0x40",
            "0x50",
            "battery_sensor.address: 0x50 is too large; allowed: a whole number from 0x40 to 0x4F",
        ),
        ("= 0.005", "= 0", "shunt_ohm: 0 is too small; allowed: a number above 0 and up to 1 ohm"),
        (
            "= 0.005",
            "= 1" + "0" * 400,
            "shunt_ohm: a huge whole number is too large; allowed: a number above 0 and up to ",
        ),
        (
            "= 0.005",
            "= 0.005\naverage = 3",
            "average: 3 is none of them; allowed: one of 1, 2, 4, 8, 16, 32, 64, 128",
        ),
        (
            "= 0.005",
            "= 0.005\naverage = 2",
            "average: averaging 2 conversions takes up to 1.3 ms, longer than a sample "
            "at 1000 Hz; allowed: up to 1 at this rate, or a lower sample_hz",
        ),
        (
            "= 0.005",
            "= 0.005\nbus_every = 51",
            "bus_every: the voltage would be read only every 0.05 s, too seldom for the guard to "
            "tell a feed that is gone from one that is there; allowed: up to 50 at 1000 Hz",
        ),
        (
            'name = "A"',
            'name = "A"\nsample_hz = 100',
            "sample_hz: 100 is too small; allowed: a whole number from 200 to 2000 Hz",
        ),
        (
            'name = "A"',
            'name = "A"\nfuse_a = 50',
            "fuse_a: 50 is too large; allowed: a number from 3 to 40 A",
        ),
        (
            'name = "A"',
            'name = "  "',
            "station[1].name: the text is empty; allowed: one line of text in quotes, "
            "1 to 40 characters",
        ),
        (
            'name = "A"',
            'name = "a\\nb"',
            "has a character that cannot be printed; allowed: one line of text in "
            "quotes, 1 to 40 characters",
        ),
        (
            'name = "A"',
            f'name = "{"x" * 50}"',
            "is 50 characters long; allowed: one line of text in quotes, 1 to 40 characters",
        ),
        (
            'name = "A"',
            "name = 7",
            "station[1].name: 7 is not text; allowed: one line of text in quotes, 1 to "
            "40 characters",
        ),
        (
            'name = "bench"',
            'name = "bench"\nbackend = "sim"',
            'backend: "sim" is none of these; allowed: "pi", "simulated" or '
            '"package.module:factory"',
        ),
        (
            'name = "bench"',
            'name = "bench"\nbattery_v = 24',
            "battery_v: 24 is too large; allowed: a number from 6 to 16 V",
        ),
        (
            'name = "bench"',
            'name = "bench"\nlogs = 1',
            "logs: 1 is not text; allowed: the path of a folder in quotes",
        ),
        (
            'name = "bench"',
            'name = "bench"\nlogs = "~no-such-user/x"',
            "names a user there is not; allowed: the path of a folder in quotes",
        ),
        (
            'name = "bench"',
            'name = "bench"\nfolder = "x"',
            "folder: this key is not known; allowed: leave it out",
        ),
        (
            'name = "bench"',
            'name = "bench"\nsupply = "none"',
            'supply: "none" does not fit here; allowed: a table with the keys kind, '
            "port, baud, timeout_s, max_v, max_a",
        ),
        (
            'name = "bench"',
            'name = "bench"\nsupply = {kind = "gpib"}',
            'supply.kind: "gpib" is not known; allowed: one of "none", "scpi"',
        ),
        (
            'name = "bench"',
            'name = "bench"\nsupply = {kind = "scpi"}',
            'supply.port: the supply is of kind "scpi" and no port is given; allowed: '
            'the serial port of the supply, such as "/dev/serial/by-id/...", or kind = '
            '"none"',
        ),
        (
            'name = "bench"',
            'name = "bench"\ndead_man = {}',
            "dead_man.pin: this key is missing; allowed: a whole number from 0 to 27",
        ),
        (
            "pin = 27",
            "pin = 17",
            "ignition_feed.pin: pin 17 is used already, by "
            "station[1].battery_feed.pin; allowed: each pin once on the rig",
        ),
        (
            "pin = 27",
            "pin = 2",
            "ignition_feed.pin: pin 2 is a line of I2C bus 1, which the sensors use; "
            "allowed: a pin that nothing else uses, best out of 9 to 13 and 16 to 27",
        ),
        ("pin = 27", "pin = 3", "ignition_feed.pin: pin 3 is a line of I2C bus 1"),
        (
            'name = "bench"',
            "",
            "name: this key is missing; allowed: one line of text in quotes, 1 to 40 characters",
        ),
    ],
)
def test_each_mistake_is_told_where_it_is(old: str, new: str, expected: str) -> None:
    (line,) = mistakes(changed(old, new))
    assert line.startswith(HERE)
    assert expected in line


def test_a_rig_without_stations_is_told() -> None:
    assert mistakes('name = "bench"') == [
        "/bench/rig.toml, station: this key is missing; allowed: one or more tables, each under a "
        "heading in double brackets"
    ]
    assert mistakes('name = "bench"\nstation = []') == [
        "/bench/rig.toml, line 2, station: there is no station; allowed: one [[station]] table "
        "or more"
    ]


def test_pins_are_looked_at_over_the_whole_rig() -> None:
    text = "[dead_man]\npin = 22\nsense_pin = 26\n[emergency_stop]\npin = 22\n"
    text += SECOND_STATION + "[station.at_run]\npin = 17\n"
    found = mistakes(SMALLEST + text)
    assert [line.partition("; ")[0] for line in found] == [
        "/bench/rig.toml, line 17, emergency_stop.pin: pin 22 is used already, by dead_man.pin",
        "/bench/rig.toml, line 24, station[2].ignition_feed.pin: pin 26 is used already, by "
        "dead_man.sense_pin",
        "/bench/rig.toml, line 30, station[2].at_run.pin: pin 17 is used already, by "
        "station[1].battery_feed.pin",
    ]


def test_bus_0_takes_its_own_pins() -> None:
    text = changed("address", "bus = 0\naddress")
    assert read(changed("pin = 27", "pin = 4", text)).station().ignition_feed.pin == 4
    (line,) = mistakes(changed("pin = 27", "pin = 1", text))
    assert "pin 1 is a line of I2C bus 0, which the sensors use" in line


def test_a_sensor_address_stands_once_on_a_bus() -> None:
    twice = changed("0x44", "0x40", SECOND_STATION)
    (line,) = mistakes(SMALLEST + twice)
    assert (
        "station[2].battery_sensor.address: address 0x40 on bus 1 is used already, by "
        "station[1].battery_sensor; allowed: each address once on a bus" in line
    )
    assert read(SMALLEST + changed("address", "bus = 3\naddress", twice)).station("B")


def test_a_station_name_stands_once() -> None:
    (line,) = mistakes(SMALLEST + changed('"B"', '"A"', SECOND_STATION))
    assert 'station[2].name: the name "A" is used already, by station[1]' in line


def test_all_mistakes_are_told_at_once_in_the_order_of_the_file() -> None:
    text = changed('name = "bench"', 'name = "bench"\nbackend = "sim"\nsped = 3')
    text = changed("pin = 17", "pin = 27", text)  # clashes with the ignition feed
    text = changed("shunt_ohm = 0.005", "shunt_ohm = -1", text)
    text = changed('name = "A"', 'name = "A"\nsample_hz = true', text)
    found = mistakes(
        text + "[station.at_run]\npin = 99\n" + changed("pin = 16", "", SECOND_STATION)
    )
    assert [line.split(", ", 2)[2].partition(":")[0] for line in found] == [
        "backend",
        "sped",
        "station[1].sample_hz",
        "station[1].ignition_feed.pin",
        "station[1].battery_sensor.shunt_ohm",
        "station[1].at_run.pin",
        "station[2].battery_feed.pin",
    ]
    numbers = [int(line.split("line ")[1].partition(",")[0]) for line in found]
    assert numbers == sorted(numbers)


def test_one_mistake_is_not_told_as_two() -> None:
    # A pin that is no pin could also be "used twice"; a wrong kind could also lack its port.
    twice = changed("pin = 27", "pin = 99", changed("pin = 17", "pin = 99"))
    assert len(mistakes(twice)) == 2
    assert len(mistakes('[supply]\nkind = "scp"\n' + SMALLEST.replace('name = "bench"', ""))) == 2


# --- warnings ---------------------------------------------------------------------------------


def warnings(text: str) -> str:
    return "\n".join(read(text).warnings())


SAFE = """
[dead_man]
pin = 22
sense_pin = 24
[emergency_stop]
pin = 23
"""


def test_a_rig_wired_as_advised_has_no_warning() -> None:
    assert warnings(SMALLEST + SAFE) == ""


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        # From reset GPIO 0-8 are pulled up and 9-27 down (BCM2835 ARM Peripherals, p. 102).
        (
            "pin = 17",
            "pin = 8",
            "station[1].battery_feed.pin: pin 8 is pulled up while the Pi boots",
        ),
        ("pin = 17", "pin = 9\nactive_high = false", "pin 9 is pulled down while the Pi boots"),
        ("pin = 17", "pin = 14", "pin 14 belongs to the Pi's serial port"),
        (
            'name = "A"',
            'name = "A"\nfuse_a = 15',
            'Station "A": the fuse is 15 A. A fuse above 10 A',
        ),
        ('name = "A"', 'name = "A"\nsample_hz = 2000', "at 2000 Hz some samples repeat"),
        ("[dead_man]\npin = 22\nsense_pin = 24", "", "The rig has no dead-man output"),
        ("sense_pin = 24", "", "The master relay is not read back (dead_man.sense_pin)"),
        ("[emergency_stop]\npin = 23", "", "The emergency stop is not read"),
        ("pin = 23", "pin = 23\nnormally_closed = false", "read through a normally open contact"),
        ("shunt_w = 3", "shunt_w = 3\ngain_u_rel = 0.005", "gain_u_rel is 0.005, less than chip"),
    ],
)
def test_each_warning(old: str, new: str, expected: str) -> None:
    text = changed(old, new, SMALLEST + SAFE)
    assert expected in warnings(text)
    assert warnings(text).count("\n") == 0


@pytest.mark.parametrize(
    "keys",
    [
        "gain_u_rel = 0.005\ngain = 1.004",  # somebody held it against a meter
        "gain_u_rel = 0.009",
        # Grade B and a shunt of 0.1 %: (0.5 % and 0.1 %) / root of 3 = 0.29 %.
        'gain_u_rel = 0.003\nsensor_grade = "B"\nshunt_tolerance = 0.001',
    ],
)
def test_a_gain_known_as_well_as_it_can_be_is_not_warned_of(keys: str) -> None:
    assert warnings(changed("shunt_w = 3", f"shunt_w = 3\n{keys}", SMALLEST + SAFE)) == ""


@pytest.mark.parametrize("pin", [8, 9, 13, 16, 27])
def test_pulled_pins_warn_by_the_level_that_makes_the_relay(pin: int) -> None:
    for active_high in (True, False):
        text = SMALLEST.replace("pin = 27", "pin = 12")
        level = f"pin = {pin}\nactive_high = {str(active_high).lower()}"
        found = warnings(changed("pin = 17", level, text) + SAFE)
        assert bool(found) is ((pin <= 8) is active_high)
