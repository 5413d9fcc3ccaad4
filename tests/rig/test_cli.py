"""The command line as a user meets it: answers, files, exit statuses, and wrong input."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from at_the_prompt import halfturn

from rig.bench.events import Refused, RunEnded
from rig.bench.keeper import DirectKeeper
from rig.cli import main
from rig.records.errors import RecordsError
from rig.records.model import RunState

ROOT = Path(__file__).parents[2]
STARTER = str(ROOT / "rig" / "templates" / "rig.toml")


@pytest.fixture(autouse=True)
def in_an_empty_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


QUICK = """
title = "Two half-turns"
[unit]
type = "LM-12"
winding_ohm = 0.51
turn_vs = 7.36
[limits]
half_turn_max_s = 1.2
rest_max_a = 0.05
[guard]
over_current_a = 33.0
over_current_s = 0.05
[[step]]
kind = "half_turns"
count = 2
pause_s = 0.4
"""


@pytest.fixture
def quick(tmp_path):
    path = tmp_path / "quick.toml"
    path.write_text(QUICK)
    return str(path)


def run_json(capsys, quick, *words):
    status, out, _ = halfturn(
        capsys, "run", quick, "--backend", "simulated", "--json", "--quiet", *words
    )
    return status, json.loads(out)


def test_a_good_unit_passes_with_status_0(capsys, quick):
    status, answer = run_json(capsys, quick)
    assert status == 0
    assert answer["verdict"] == "pass"
    assert answer["simulated"] is True
    assert answer["state"] == "finished"
    assert answer["feeds_off"] is True
    assert [turn["outcome"] for turn in answer["half_turns"]] == ["parked", "parked"]


def test_a_bad_unit_fails_with_status_1(capsys, quick):
    status, answer = run_json(capsys, quick, "--fault", "cam-welded")
    assert status == 1
    assert answer["verdict"] == "fail"
    assert answer["half_turns"][0]["outcome"] == "runs_on"
    assert answer["half_turns"][0]["half_turn_s"] is None


def test_different_things_that_a_unit_did_are_told_one_by_one(capsys, quick):
    fault = ("--backend", "simulated", "--fault", "cam-short=100")
    status, out, _ = halfturn(capsys, "run", quick, *fault, "--quiet")
    assert status == 1
    assert "Half-turn 1 (to run) stops short of its park position" in out
    assert "Half-turn 2 (to stop) did not move" in out


def test_a_limit_within_the_uncertainty_asks_for_a_retest_with_status_2(capsys, quick, tmp_path):
    _, answer = run_json(capsys, quick)
    slowest = max(turn["half_turn_s"] for turn in answer["half_turns"])
    close = tmp_path / "close.toml"
    close.write_text(QUICK.replace("half_turn_max_s = 1.2", f"half_turn_max_s = {slowest + 5e-4}"))
    status, answer = run_json(capsys, str(close))
    assert (status, answer["verdict"]) == (2, "retest")


def test_a_rig_fault_in_mid_run_is_status_5_and_no_verdict_on_the_unit(capsys, quick):
    status, answer = run_json(capsys, quick, "--fault", "sensor-absent@2")
    assert status == 5
    assert answer["verdict"] == "retest"
    assert answer["state"] == "interrupted"


def test_what_was_run_is_listed_shown_exported_and_judged_alike(capsys, quick, tmp_path):
    _, ran = run_json(capsys, quick, "--unit", "LM-12-0042", "--reference", "job 17")
    status, out, _ = halfturn(capsys, "records", "list", "--serial", "LM-12-0042", "--json")
    assert status == 0
    (listed,) = json.loads(out)
    assert listed["run_id"] == ran["run"]
    status, out, _ = halfturn(capsys, "records", "show", ran["run"][:8])
    assert status == 0
    assert "LM-12-0042" in out
    assert "not told job 17" in out  # nobody said where the unit came from
    assert "SIMULATED" in out
    assert "Decision  Pass if every limit is met by more than w" in out
    status, out, _ = halfturn(capsys, "records", "show", "last", "--json")
    assert json.loads(out)["decision"] == ran["decision"]
    files = [str(tmp_path / name) for name in ("t.csv", "h.csv", "m.csv", "p.png")]
    status, _, _ = halfturn(
        capsys, "records", "export", ran["run"][:8], "--trace", files[0], "--half-turns", files[1],
        "--measures", files[2], "--picture", files[3],
    )  # fmt: skip
    assert status == 0
    assert all(Path(file).stat().st_size > 100 for file in files)
    header = Path(files[0]).read_text().splitlines()[0]
    assert header.startswith("time_s,current_a,voltage_v,battery_feed,ignition_feed")
    status, out, _ = halfturn(capsys, "judge", files[0], "--plan", quick, "--json")
    judged = json.loads(out)
    assert status == 0
    assert set(judged) == {"verdict", "reasons", "decision", "half_turns", "checks"}
    for here, there in zip(judged["half_turns"], ran["half_turns"], strict=True):
        assert here["outcome"] == there["outcome"]
        assert here["direction"] == there["direction"]
        assert here["half_turn_s"] == pytest.approx(there["half_turn_s"], abs=2e-4)
        assert here["charge_c"] == pytest.approx(there["charge_c"], rel=1e-3)


CONTRACT = {
    "direction", "outcome", "half_turn_s", "half_turn_u_s", "peak_a", "run_a", "rest_a",
    "charge_c", "energy_j", "sag_v",
}  # fmt: skip


def test_the_judge_contract(capsys, quick):
    _, ran = run_json(capsys, quick)
    halfturn(capsys, "records", "export", ran["run"], "--trace", "t.csv.gz")
    status, out, _ = halfturn(capsys, "judge", "t.csv.gz", "--plan", quick, "--json")
    answer = json.loads(out)
    assert status == 0
    assert answer["verdict"] == "pass"
    assert all(isinstance(reason, str) for reason in answer["reasons"])
    for turn in answer["half_turns"]:
        assert set(turn) >= CONTRACT
        assert turn["direction"] in ("to_run", "to_stop")
        assert all(isinstance(turn[key], float) for key in CONTRACT - {"direction", "outcome"})
    status, out, _ = halfturn(capsys, "judge", "t.csv.gz", "--plan", quick)
    assert status == 0
    assert out.startswith("verdict: PASS")


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        ([], 3, "COMMAND"),
        (["fly"], 3, "fly"),
        (["run"], 3, "plan"),
        (["run", "nope", "--backend", "simulated"], 4, "qualify"),
        (["run", "qualify"], 3, "rig.toml"),
        (["run", "qualify", "--rig", "none.toml"], 4, "none.toml"),
        (["run", "qualify", "--rig", STARTER, "--backend", "nowhere"], 5, "nowhere"),
        (["judge", "none.csv", "--plan", "qualify", "--picture", "p.bmp"], 3, ".png"),
        (["run", "qualify", "--backend", "simulated", "--fault", "jamed"], 5, "jammed"),
        (["run", "qualify", "--backend", "simulated", "--fault", "jammed=x"], 5, "0 to"),
        (["run", "qualify", "--backend", "simulated", "--set", "angle_deg"], 3, "NAME=VALUE"),
        (["run", "qualify", "--backend", "simulated", "--set", "what=1"], 5, "what"),
        (["run", "qualify", "--backend", "simulated", "--seed", "x"], 3, "--seed"),
        (["run", "qualify", "--backend", "simulated", "--station", "Z"], 4, '"A"'),
        (["run", "qualify", "--backend", "simulated", "--unit", " "], 3, "serial"),
        (["run", "qualify", "--backend", "pi", "--unit", "1"], 3, "rig.toml"),
        (["judge", "none.csv", "--plan", "qualify"], 4, "none.csv"),
        (["judge", "none.csv"], 3, "--plan"),
        (["records", "list"], 6, "records"),
        (["records", "show", "abc", "--records", "none.sqlite"], 6, "none.sqlite"),
        (["records", "list", "--since", "tomorrow"], 3, "YYYY-MM-DD"),
        (["check", "nope", "--rig", STARTER], 4, "qualify"),
        (["check"], 3, "rig.toml"),
        (["run", "qualify", "--backend", "simulated", "--unit", "a\x1b[31m"], 3, "place 2"),
        (["run", "qualify", "--backend", "simulated", "--unit", "x" * 10_000], 3, "64"),
        (["run", "qualify", "--backend", "simulated", "--unit", "\u202eabc"], 3, "U+202E"),
        (["run", "incoming", "--backend", "simulated", "--set", "unit.winding_ohm=0"], 5, "should"),
        (["new", "."], 0, ""),
    ],
)
def test_wrong_input_gets_a_sentence_and_its_status(capsys, words, status, said):
    if "--since" in words:
        _make_records()  # without records the date would not be looked at
    got, out, err = halfturn(capsys, *words)
    assert got == status
    assert said in out + err


def _make_records():
    from rig.records.store import Store

    with Store.open(Path("logs/records.sqlite")):
        pass


def test_a_reader_that_goes_away_does_not_turn_a_fail_into_a_pass(quick):
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    command = [sys.executable, "-m", "rig.cli", "run", quick, "--backend", "simulated",
               "--fault", "cam-welded"]  # fmt: skip
    reader, writer = os.pipe()
    os.close(reader)  # nobody reads: neither progress nor verdict can be written
    done = subprocess.run(command, stdout=writer, stderr=writer, env=env, timeout=60)
    os.close(writer)
    assert done.returncode == 1


def test_what_cannot_be_written_is_said_so(capsys, quick):
    _, ran = run_json(capsys, quick)
    for option in ("--trace", "--half-turns", "--measures", "--picture"):
        name = "nowhere/file.png" if option == "--picture" else "nowhere/file.csv"
        status, _, err = halfturn(capsys, "records", "export", ran["run"], option, name)
        assert status == 4
        assert "nowhere" in err


def test_a_rig_folder_from_new_checks_and_runs(capsys, tmp_path, monkeypatch):
    status, _, _ = halfturn(capsys, "new", "bench")
    assert status == 0
    status, _, err = halfturn(capsys, "new", "bench")
    assert status == 4
    assert "rig.toml" in err
    monkeypatch.chdir(tmp_path / "bench")
    status, out, _ = halfturn(capsys, "check")
    assert status == 0
    assert "rig.toml: rig Low Meadow Pump Works, bench 1, backend simulated" in out
    assert out.count("can be run on station A") == 4
    status, out, _ = halfturn(capsys, "run", "incoming", "--quiet")
    assert status == 0
    assert Path("logs/records.sqlite").exists()
    assert "PASS (SIMULATED)" in out


def test_a_rig_file_with_mistakes_is_told_all_of_them_and_nothing_is_fed(capsys):
    main(["new", "."])
    text = Path("rig.toml").read_text()
    Path("rig.toml").write_text(text.replace("sample_hz", "sample_rate").replace("0x40", "0x20"))
    capsys.readouterr()
    status, _, err = halfturn(capsys, "run", "qualify")
    assert status == 4
    assert "sample_hz" in err
    assert "0x40" in err
    assert not Path("logs/records.sqlite").exists()


def test_faults_are_listed_with_their_degrees(capsys):
    status, out, _ = halfturn(capsys, "faults")
    assert status == 0
    assert "jammed=90" in out
    assert "dead-spot" in out


def test_a_plan_that_needs_people_is_refused_without_a_terminal(capsys, quick):
    # In its own process, as on a real bench: cautions not accepted and nobody to ask.
    env = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests" / "support")])}
    done = subprocess.run(
        [sys.executable, "-m", "rig.cli", "run", quick, "--backend", "handless:make",
         "--rig", STARTER, "--records", "r.sqlite"],
        capture_output=True, text=True, stdin=subprocess.DEVNULL, env=env, timeout=60,
    )  # fmt: skip
    assert done.returncode == 3
    assert "--accept-cautions" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("words", [["--help"], ["run", "--help"], ["records", "list", "--help"]])
def test_help_loads_nothing_heavy(words):
    code = (
        "import sys\n"
        "from rig.cli import main\n"
        f"try: main({words!r})\n"
        "except SystemExit: pass\n"
        "heavy = {'numpy', 'sqlalchemy', 'pydantic', 'gpiozero', 'textual', 'serial'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert "usage: halfturn" in done.stdout


def test_wrong_words_are_told_before_records_and_benches_are_loaded():
    code = (
        "import sys\n"
        "from rig.cli import main\n"
        "twice = ['--at', 'a=U1', '--at', 'b=U1']\n"
        "for words in (\n"
        "    ['limits', 'propose', 'incoming', '--reference', 'L', '--coverage', '99'],\n"
        "    ['limits', 'propose', 'incoming', '--since', 'november'],\n"
        "    ['limits', 'propose', 'none', '--reference', 'L'],\n"
        "    ['limits', 'propose', 'incoming', '--reference', 'L', '--limit', 'length'],\n"
        "    ['capability', 'incoming', '--month', 'november'],\n"
        "    ['capability', 'incoming', '--serials', 'none.txt'],\n"
        "    ['run', 'incoming', '--backend', 'simulated', *twice],\n"
        "):\n"
        "    assert main(words) in (3, 4), words\n"
        "heavy = {'sqlalchemy', 'rig.studies.known_good', 'rig.bench.stations', 'greenlet'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert done.returncode == 0, done.stderr
    assert "names the unit U1 twice" in done.stderr


def test_the_demo_gives_each_unit_what_it_deserves(capsys):
    status, out, err = halfturn(capsys, "demo", "--folder", "shown")
    assert status == 0
    assert out.count("verdict: ") == 3
    assert out.count("verdict: FAIL") == 2
    assert "step 4 of" in err
    assert Path("shown/demo.png").read_bytes().startswith(b"\x89PNG")


class _NoEnd(DirectKeeper):
    def finish_run(self, run_id, end):
        raise RecordsError("The disk is full.")


def test_a_run_whose_end_cannot_be_recorded_ends_with_status_6_and_says_the_verdict(
    capsys, quick, monkeypatch
):
    monkeypatch.setattr("rig.commands.direct.DirectKeeper", _NoEnd)
    status, out, err = halfturn(
        capsys, "run", quick, "--backend", "simulated", "--accept-cautions", "--records", "r.sqlite"
    )
    assert (status, out) == (6, "")
    assert "feeds read back off" in err
    assert "The disk is full." in err
    assert "Its verdict was pass: write it down." in err


def test_a_bench_process_that_could_not_record_the_end_gives_the_same(capsys, quick, monkeypatch):
    class Bench:
        alive = has_news = True

        def __init__(self, order, records):
            text = "The run is over, but its end is missing."
            ended = RunEnded(None, RunState.FINISHED, None, True, text)
            self._said = [ended, Refused(text, status=6)]

        def __enter__(self):
            return self

        def __exit__(self, *error):
            pass

        def events(self, wait_s):
            yield from self._said

    monkeypatch.setattr("rig.commands.apart.BenchClient", Bench)
    words = ("run", quick, "--backend", "simulated", "--real-time", "--accept-cautions")
    status, out, err = halfturn(capsys, *words)
    assert (status, out) == (6, "")
    assert "run finished, feeds read back off" in err
    assert "its end is missing" in err


# --- benches that go on by themselves ------------------------------------------------------------


def test_nothing_to_attach_to_is_told_with_status_5(capsys):
    status, _, err = halfturn(capsys, "attach", "--rig", STARTER, "--records", "logs/r.sqlite")
    assert status == 5
    assert "no bench is at work" in err
    assert "records list" in err


def test_what_is_on_is_ended_before_mistakes_in_the_rig_file_are_told(capsys, quick):
    Path(quick).write_text(QUICK.replace("count = 2", "count = 40"))
    rig = Path("rig.toml")
    rig.write_text(Path(STARTER).read_text())
    status, _, _ = halfturn(capsys, "run", quick, "--detach", "--accept-cautions", "--unit=7")
    assert status == 0
    rig.write_text(rig.read_text().replace("sample_hz = 1000", "sample_hz = 5000"))
    status, _, err = halfturn(capsys, "off")
    assert status == 4
    assert "was ended" in err
    assert "sample_hz" in err
    status, _, err = halfturn(capsys, "attach")
    assert status == 5
    assert "no bench is at work" in err


def test_off_takes_every_feed_off_and_says_so(capsys):
    status, out, _ = halfturn(capsys, "off", "--backend", "simulated")
    assert status == 0
    assert "(SIMULATED)" in out
    assert "2 feeds read back off" in out
    assert "supply's output is off" in out


def test_a_detached_run_has_no_json_to_wait_for(capsys, quick):
    status, _, err = halfturn(
        capsys, "run", quick, "--backend", "simulated", "--detach", "--json", "--accept-cautions"
    )
    assert status == 3
    assert "attach --json" in err
    assert not Path("logs").exists()


def test_a_detached_run_needs_consent_first(capsys, quick):
    status, _, err = halfturn(capsys, "run", quick, "--backend", "simulated", "--detach")
    assert status == 3
    assert "--accept-cautions" in err


def test_a_run_goes_on_by_itself_until_it_is_stopped(capsys, quick):
    path = Path(quick)
    path.write_text(QUICK.replace("count = 2", "count = 40"))
    words = ("run", quick, "--backend", "simulated", "--detach", "--accept-cautions")
    status, out, _ = halfturn(capsys, *words)
    assert status == 0
    assert "halfturn attach --stop" in out
    status, _, err = halfturn(capsys, *words)
    assert status == 5
    assert "a job is on" in err
    there = ("--rig", STARTER, "--records", "logs/records.sqlite")
    status, out, _ = halfturn(capsys, "attach", "--stop", "--json", *there)
    assert status == 7
    answer = json.loads(out)
    assert answer["state"] == "stopped"
    assert answer["feeds_off"] is True
    assert "attach --stop" in answer["note"]


def test_the_unit_file_names_this_rig(capsys, tmp_path):
    folder = tmp_path / 'rig 50% $HOME "one"'
    folder.mkdir()
    rig = folder / "rig.toml"
    rig.write_text(Path(STARTER).read_text())
    status, out, _ = halfturn(capsys, "serve", "--rig", str(rig), "--unit-file")
    assert status == 0
    lines = out.splitlines()
    started = next(line for line in lines if line.startswith("ExecStart="))
    # systemd.service(5): in double quotes, %% for a per cent, $$ for a dollar sign.
    assert started.endswith(f'serve --rig "{tmp_path}/rig 50%% $$HOME \\"one\\"/rig.toml"')
    assert f'WorkingDirectory={tmp_path}/rig 50%% $HOME "one"' in lines
    assert {"Type=notify", "WatchdogSec=15", "Restart=always", "LimitRTPRIO=49"} <= set(lines)
    assert any(line.startswith("ExecStopPost=") and " off " in line for line in lines)


@pytest.mark.parametrize("command", ["attach", "off", "serve"])
def test_a_rig_file_that_is_not_there_is_told_and_no_other_rig_is_meant(capsys, command):
    status, _, err = halfturn(capsys, command, "--rig", "mistyped.toml")
    assert status == 4
    assert "mistyped.toml" in err
