"""`halfturn calibrate` at the prompt, and what is said of a calibration everywhere else."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from at_the_prompt import halfturn

from rig import machine
from rig.bench import dates
from rig.commands import calibrate, check_calibration
from rig.settings import starter_text

QUICK = """
[[reference]]
name = "box"
kind = "resistor"
serial = "R 7"
certificate = "C-12"
due = "2030-01-01"
value_ohm = 2.5
rated_w = 1000
u_rel = 0.001

[[reference]]
name = "volts"
kind = "voltmeter"
u_rel = 0.0005

[[reference]]
name = "amps"
kind = "ammeter"
u = 0.01
"""
ERROR = ("--set", "sensor.gain=1.02")
RUN = ("run", "short", "--accept-cautions", "--quiet", *ERROR)
PLAN = """
title = "Short"
[unit]
type = "LM-12"
winding_ohm = 0.75
turn_vs = 7.36
[limits]
half_turn_max_s = [[8.0, 2.0], [16.0, 1.2]]
run_on_s = 3.0
stall_s = 0.4
[guard]
over_current_a = 30.0
over_current_s = 0.05
[[step]]
kind = "half_turns"
count = 1
pause_s = 0.3
"""


def rig_text(*changes):
    text = starter_text().replace("sample_hz = 1000", "sample_hz = 200")
    text = text.replace('kind = "scpi"\n', 'kind = "none"\n')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text + QUICK


@pytest.fixture(autouse=True)
def a_rig_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(rig_text())
    Path("test_plans").mkdir()
    Path("test_plans/short.toml").write_text(PLAN)
    monkeypatch.setattr(machine, "findings", lambda *about: [])


@pytest.fixture
def later(monkeypatch):
    def go(days):
        then = datetime.now(UTC) + timedelta(days=days)
        for module in (dates, calibrate, check_calibration):
            monkeypatch.setattr(module, "wall_clock", lambda: then)

    return go


def test_a_calibration_from_the_prompt_to_every_place_it_is_told(capsys, later):
    status, out, err = halfturn(capsys, "calibrate", "--operator", "R. Vale", *ERROR)
    assert status == 0, err
    assert "Calibrated, due" in out
    assert "as found" in err
    status, out, _ = halfturn(capsys, "calibrate", "--show")
    assert "in force, 365 days left" in out
    assert "resistor of 2.5 ohm box R 7, certificate C-12, U 0.1 % (k = 2), due 2030-01-01" in out
    status, out, _ = halfturn(capsys, "calibrate", "--show", "--json")
    (told,) = json.loads(out)
    assert told["current"]["gain"] == pytest.approx(1.02, abs=0.002)
    assert told["against"][0]["value_ohm"] == 2.5
    status, out, _ = halfturn(capsys, "check", "short")
    assert "ok    Calibration: Calibrated" in out
    status, out, _ = halfturn(capsys, *RUN)
    assert "by R. Vale, due" in out

    later(350)
    status, out, _ = halfturn(capsys, "check", "short")
    assert "look  Calibration" in out
    assert "15 days left" in out

    later(400)
    status, out, _ = halfturn(capsys, "check", "short")
    assert "CALIBRATION OVERDUE" in out
    assert "OVERDUE by 35 days" in halfturn(capsys, "calibrate", "--show")[1]
    status, out, _ = halfturn(capsys, *RUN)
    assert "CALIBRATION OVERDUE" in out
    status, out, _ = halfturn(capsys, *RUN, "--json")
    answer = json.loads(out)
    assert answer["calibration"]["state"] == "overdue"
    status, out, _ = halfturn(capsys, "records", "show", answer["run"])
    assert "CALIBRATION OVERDUE." in out

    Path("rig.toml").write_text(rig_text(('overdue = "say"', 'overdue = "refuse"')))
    status, out, _ = halfturn(capsys, "check", "short")
    assert status == 5
    assert "WRONG Calibration" in out
    status, out, err = halfturn(capsys, *RUN)
    assert status == 5
    assert "calibrate with `halfturn calibrate`" in out + err


def test_what_is_shown_is_what_the_rig_file_makes_of_it(capsys, later):
    """One that does not apply any more is not shown as in force."""
    assert halfturn(capsys, "calibrate", "--quiet", *ERROR)[0] == 0
    whole = Path("rig.toml").read_text()
    Path("rig.toml").write_text(whole.replace("shunt_ohm = 0.005", "shunt_ohm = 0.004"))
    _, out, _ = halfturn(capsys, "calibrate", "--show")
    assert "DOES NOT APPLY: the shunt was 5 mohm and is 4 mohm" in out
    assert "in force" not in out
    Path("rig.toml").write_text(whole.replace('name = "A"', 'name = "B"'))
    assert "the rig file has no such station" in halfturn(capsys, "calibrate", "--show")[1]
    Path("rig.toml").write_text(whole)
    later(-3)
    assert "dated after today, DOES NOT APPLY" in halfturn(capsys, "calibrate", "--show")[1]


def test_a_reference_that_was_itself_overdue_is_told_for_good(capsys):
    whole = Path("rig.toml").read_text()
    Path("rig.toml").write_text(whole.replace('due = "2030-01-01"', 'due = "2020-01-01"'))
    assert halfturn(capsys, "calibrate", "--quiet", *ERROR)[0] == 0
    late = "The reference box R 7 was itself due on 2020-01-01"
    assert late in halfturn(capsys, "calibrate", "--show")[1]
    assert late in " ".join(halfturn(capsys, *RUN)[1].split())


def test_a_simulated_rig_without_one_is_left_in_peace(capsys):
    status, out, _ = halfturn(capsys, *RUN)
    assert status == 0
    assert "alibrat" not in out
    status, out, _ = halfturn(capsys, "check", "short")
    assert "ok    Calibration: This simulated rig was never calibrated" in out
    assert "never calibrated" in halfturn(capsys, "calibrate", "--show")[1]


def test_another_simulated_rig_does_not_borrow_it(capsys):
    assert halfturn(capsys, "calibrate", *ERROR)[0] == 0
    _, out, _ = halfturn(capsys, *RUN[:-2])
    assert "does not apply: it was made on another simulated rig" in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--current", "nix"), 'no resistor or ammeter "nix"'),
        (("--current", "amps"), "--load-ohm and --load-watt"),
        (("--current", "amps", "--load-ohm", "2.5"), "--load-ohm and --load-watt"),
        (("--voltage", "box"), 'no voltmeter "box"'),
        (("--json",), "--json goes with --show"),
        (("--operator", "\x07"), "cannot be printed"),
    ],
)
def test_what_cannot_be_done_is_told_before_anything_is_fed(capsys, words, says):
    status, out, err = halfturn(capsys, "calibrate", *words)
    assert status == 3
    assert says in err
    assert out == ""


def test_too_much_for_the_fuse_is_refused(capsys):
    words = ("--current", "amps", "--load-ohm", "1", "--load-watt", "500")
    status, out, _ = halfturn(capsys, "calibrate", *words)
    assert status == 5
    assert "75% of the 10 A fuse" in out
    assert "Nothing was stored" in out


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("value_ohm = 2.5\n", ""), 'the resistor "box" has no value_ohm or no rated_w'),
        (('name = "volts"', 'name = "box"'), 'two references are called "box"'),
        (("u_rel = 0.0005\n", ""), 'the reference "volts" has no uncertainty'),
        (('kind = "voltmeter"', 'kind = "ammeter"\nrated_w = 3'), 'is of kind "ammeter"'),
        (('due = "2030-01-01"', 'due = "next year"'), "2027-04-30"),
        (("u = 0.01", "u = -1"), "reference"),
    ],
)
def test_mistakes_in_a_reference_are_told(capsys, change, says):
    old, new = change
    text = Path("rig.toml").read_text()
    before, _, after = text.partition(QUICK)
    assert old in QUICK
    Path("rig.toml").write_text(before + QUICK.replace(old, new, 1) + after)
    status, _, err = halfturn(capsys, "calibrate")
    assert status == 4
    assert says in err
