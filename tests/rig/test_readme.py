"""The README and the wiring drawing against the code: what one names, the other has."""

import re
import shlex
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from gpiozero import PiBoardInfo

from drivers.simulated.faults import parse_fault
from rig import cli
from rig.analysis.model import Direction, HalfTurn, Judgement, Outcome, Reason, Verdict
from rig.analysis.slow import FACTOR_WORDS
from rig.bench.events import RunEnded
from rig.commands import exits
from rig.commands.progress import Progress
from rig.commands.run import Gathered, answer
from rig.contract import judgement_object
from rig.diagnosis.words import TITLES
from rig.plan_steps import Step
from rig.plans import load_plan, shipped_plans
from rig.quality.decision import DEFAULT_RULE
from rig.records.model import RunState
from rig.settings import starter_settings
from rig.tracecells import REQUIRED

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DRAWING = ROOT / "rig" / "templates" / "wiring.svg"
SVG = "{http://www.w3.org/2000/svg}"

# What the public contract promised at least, as first published.
PROMISED = {
    "direction",
    "outcome",
    "half_turn_s",
    "half_turn_u_s",
    "peak_a",
    "run_a",
    "rest_a",
    "charge_c",
    "energy_j",
    "sag_v",
}


def section(title: str) -> str:
    """Return the part of the README under one heading, its sub-headings included."""
    found = re.search(rf"^(#+) {re.escape(title)}$", README, re.MULTILINE)
    assert found is not None, f"no heading '{title}'"
    rest = README[found.end() :]
    after = re.search(rf"^#{{1,{len(found[1])}}} ", rest, re.MULTILINE)
    return rest[: after.start()] if after else rest


def first_cells(text: str) -> list[list[str]]:
    """Return, for each table of a text, what its first column names, without the heading."""
    tables: list[list[str]] = []
    inside = False
    for line in text.splitlines():
        if not line.startswith("|"):
            inside = False
        elif set(line) <= set("|-"):
            tables.append([])
            inside = True
        elif inside:
            cell = line.split("|")[1].strip()
            tables[-1] += re.findall(r"`([^`]+)`", cell) or [cell]
    return tables


def help_of(capsys: pytest.CaptureFixture[str], *command: str) -> str:
    with pytest.raises(SystemExit) as ended:
        cli.main([*command, "--help"])
    assert ended.value.code == 0
    return capsys.readouterr().out


def subcommands(text: str) -> list[str]:
    return re.findall(r"^    ([a-z][a-z-]*) {2,}\S", text, re.MULTILINE)


def commands(capsys: pytest.CaptureFixture[str]) -> dict[tuple[str, ...], str]:
    """Return every command line there is, as far as its subcommands, with its help."""
    found = {(): help_of(capsys)}
    for name in subcommands(found[()]):
        found[name,] = help_of(capsys, name)
        if "ACTION" in found[name,]:
            for action in subcommands(found[name,]):
                found[name, action] = help_of(capsys, name, action)
    return found


def shell_lines() -> list[str]:
    blocks = re.findall(r"^```sh\n(.*?)^```", README, re.MULTILINE | re.DOTALL)
    return [line for block in blocks for line in block.splitlines()]


def half_turn() -> HalfTurn:
    return HalfTurn(1, Direction.TO_RUN, Outcome.PARKED, 0.0)


# --- commands ---------------------------------------------------------------------------------


def test_every_command_is_mentioned(capsys):
    found = commands(capsys)
    assert {("demo",), ("run",), ("judge",), ("records", "export")} <= found.keys()
    for command in found:
        assert "halfturn " + " ".join(command) in README, command


def test_every_long_option_is_mentioned(capsys):
    options = {
        option
        for text in commands(capsys).values()
        for option in re.findall(r"(?<![\w-])--[a-z][a-z-]*", text)
    }
    assert "--accept-cautions" in options
    for option in sorted(options):
        assert re.search(rf"(?<![\w-]){option}(?![\w-])", README), option


def test_every_option_mentioned_is_one(capsys):
    # Options of other programs that the README shows.
    others = {"--system-site-packages", "--now"}
    there = " ".join(commands(capsys).values())
    ours = re.sub(r"`python tests/[^`]*`", "", README)  # campaigns and benchmarks have their own
    for option in set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", ours)) - others:
        assert re.search(rf"{option}(?![\w-])", there), option


def test_the_commands_shown_can_be_given():
    shown = [line for line in shell_lines() if line.startswith("halfturn ")]
    assert len(shown) > 8
    for line in shown:
        words = shlex.split(re.split(" [<|] ", line)[0], comments=True)[1:]
        options = cli._parser().parse_args(words)  # exits on a wrong command line
        for fault in getattr(options, "fault", []):
            parse_fault(fault)


def test_the_two_commands_are_those_that_are_run():
    first = "python3 -m venv .venv && .venv/bin/pip install -q -e . && .venv/bin/halfturn demo"
    assert first in shell_lines()
    second = "pip install -q -e '.[test]' && .venv/bin/python -m pytest -q"
    [line] = [line for line in shell_lines() if line.endswith(second)]
    assert line in (ROOT / ".ci" / "run").read_text(encoding="utf-8")


def test_the_exit_statuses_are_those_of_the_code():
    [table] = first_cells(section("Exit status"))
    of_code = {value for name, value in vars(exits).items() if isinstance(value, int)}
    assert {int(status) for status in table} == of_code


# --- what is printed --------------------------------------------------------------------------


def test_every_outcome_is_explained():
    [table] = first_cells(section("What the outcomes mean"))
    assert table == [str(outcome) for outcome in Outcome]


def test_every_verdict_is_explained():
    [table] = first_cells(section("What pass, fail and retest mean"))
    assert sorted(table) == sorted(str(verdict) for verdict in Verdict)


def test_the_judge_contract_is_documented_key_by_key():
    judgement = Judgement(Verdict.PASS, (Reason(Verdict.PASS, "in order"),))
    shown = judgement_object(judgement, [half_turn()], DEFAULT_RULE)
    top, each, _ = first_cells(section("Judge JSON"))
    assert set(top) == shown.keys()
    assert set(each) == shown["half_turns"][0].keys()
    assert set(each) >= PROMISED


def test_what_run_adds_is_documented_key_by_key():
    ended = RunEnded(None, RunState.STOPPED, None, True, "")
    shown = answer(ended, Gathered(Progress(quiet=True), whole=True, rule=DEFAULT_RULE))
    top, _, added = first_cells(section("Judge JSON"))
    inner = {"name", "value", "unit", "u"}  # named in the meaning of `measures`
    assert set(added) == shown.keys() - set(top)
    for key in inner:
        assert f"`{key}`" in section("Judge JSON")


def test_the_run_states_are_named():
    for state in RunState:
        if state is not RunState.RUNNING:
            assert f"`{state}`" in section("Judge JSON")


def test_the_trace_header_is_the_one_read():
    assert ",".join(REQUIRED) in section("Trace file").splitlines()
    [table] = first_cells(section("Trace file"))
    assert table == list(REQUIRED)


def test_the_parts_shown_of_why_are_those_it_prints():
    shown = section("Why it is so")
    blocks = "\n".join(re.findall(r"^```text\n(.*?)^```", shown, re.MULTILINE | re.DOTALL))
    titles = {line for line in blocks.splitlines() if re.fullmatch(r"[A-Z][^.±]*", line)}
    assert {"Stroke", "Where the time goes"} <= titles
    assert titles <= set(TITLES.values())
    assert all(f"  {words}  " in blocks for words in FACTOR_WORDS.values())


# --- plans and rig file -----------------------------------------------------------------------


def test_every_shipped_plan_and_step_is_named():
    [table] = first_cells(section("Plans"))
    assert sorted(table) == sorted(path.stem for path in shipped_plans())
    for kind in Step.__subclasses__():
        assert f"`{kind.model_fields['kind'].default}`" in section("Plans"), kind


def test_the_steps_named_for_each_plan_are_in_it():
    words = {
        "rest_draw": "rest draw",
        "park_check": "park check",
        "supply_sweep": "supply sweep",
        "loaded": "under load",
        "jam": "jam test",
        "relay_swap": "known good",
    }
    for path in shipped_plans():
        kinds = {step.kind for step in load_plan(path).steps}
        [row] = [line for line in README.splitlines() if line.startswith(f"| `{path.stem}`")]
        for kind, word in words.items():
            if word in row:
                assert kind in kinds, (path.stem, kind)


# --- the drawing ------------------------------------------------------------------------------


def drawn_text() -> str:
    return "\n".join("".join(text.itertext()) for text in ET.parse(DRAWING).iter(f"{SVG}text"))


def pins_wired() -> dict[str, int]:
    rig = starter_settings()
    [station] = rig.stations
    assert rig.dead_man is not None
    assert rig.dead_man.sense_pin is not None
    assert rig.emergency_stop is not None
    assert station.at_run is not None
    assert station.at_stop is not None
    return {
        "dead-man": rig.dead_man.pin,
        "master sense": rig.dead_man.sense_pin,
        "emergency stop": rig.emergency_stop.pin,
        "battery feed": station.battery_feed.pin,
        "ignition feed": station.ignition_feed.pin,
        "at run": station.at_run.pin,
        "at stop": station.at_stop.pin,
    }


def test_the_drawing_stands_by_itself():
    root = ET.parse(DRAWING).getroot()
    assert root.get("width") == "1200"
    background = next(root.iter(f"{SVG}rect"), None)
    plain = [r for r in root.findall(f"{SVG}rect") if "#ffffff" in (r.get("style") or "")]
    assert background is not None
    assert plain
    assert plain[0].get("width") == "1200"
    text = DRAWING.read_text(encoding="utf-8")
    assert "@import" not in text
    assert "url(http" not in text
    assert not re.search(r'href="(?!#)', text)


def test_the_drawing_shows_the_rig_files_pins():
    text = drawn_text()
    for what, pin in pins_wired().items():
        assert re.search(rf"GPIO (\d+, )*{pin}\b", text), (what, pin)


def test_the_drawing_numbers_the_header_as_the_board_does():
    # gpiozero's own board data (Raspberry Pi 4, revision code c03111).
    header = PiBoardInfo.from_revision(0xC03111).headers["J8"]
    place = {
        name.removeprefix("GPIO"): str(number)
        for number, pin in header.pins.items()
        for name in pin.names
        if isinstance(name, str) and re.fullmatch(r"GPIO\d+", name)
    }
    pairs = re.findall(r"GPIO (\d+)(?:  S\w\w)?\npin (\d+)", drawn_text())
    several = re.findall(r"GPIO ((?:\d+, )+\d+)\n((?:\d+, )+\d+)", drawn_text())
    for pins, places in several:
        pairs += zip(pins.split(", "), places.split(", "), strict=True)
    assert len(pairs) >= len(pins_wired()) + 2
    for pin, number in pairs:
        assert place[pin] == number


def test_the_drawing_shows_the_rig_files_sensors_and_fuse():
    [station] = starter_settings().stations
    text = drawn_text()
    assert station.ignition_sensor is not None
    assert f"0x{station.battery_sensor.address:02x}" in text
    assert f"0x{station.ignition_sensor.address:02x}" in text
    assert f"{station.battery_sensor.shunt_ohm * 1000:g} mΩ" in text
    assert f"{station.ignition_sensor.shunt_ohm:g} Ω" in text
    assert f"{station.fuse_a:g} A" in text


def test_the_config_lines_name_the_rig_files_outputs():
    rig = starter_settings()
    [station] = rig.stations
    assert rig.dead_man is not None
    for output in (rig.dead_man, station.battery_feed, station.ignition_feed):
        assert f"gpio={output.pin}=op,dl" in README.splitlines()


def test_the_ignition_feed_branches_off_before_the_units_own_fuse():
    """As `rig.analysis.drop` takes it: a blown F1 leaves the ignition alive."""
    drawing = DRAWING.read_text(encoding="utf-8")
    at = {
        name: int(re.search(rf'<text x="(\d+)" y="190" class="m b">{name}\b', drawing)[1])
        for name in ("F4", "K1a", "F1", "K2")
    }
    branch = int(re.search(r'class="ign" d="M(\d+),230 V140 ', drawing)[1])
    assert at["F4"] < at["K1a"] < branch < at["F1"] < at["K2"]


def test_local_links_lead_somewhere():
    links = re.findall(r"\]\((?!https?:|#)([^)]+)\)", README)
    assert "rig/templates/wiring.svg" in links
    for link in links:
        assert (ROOT / link).exists(), link
