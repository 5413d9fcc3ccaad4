"""`halfturn check`: the machine, and the bench with nothing fed."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from drivers import BackendOptions, Finding, FindingState
from drivers.simulated.backend import SimulatedBackend
from rig import machine
from rig.bench.events import Asked, CheckItem, ItemState, Refused, RigCheckEnded
from rig.bench.requests import Ask
from rig.cli import main
from rig.commands import check_bench
from rig.plans import shipped_plans
from rig.settings import starter_text

FINE = [Finding("disk", "Room", FindingState.OK, "plenty")]


@pytest.fixture(autouse=True)
def a_rig_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("rig.toml").write_text(starter_text())
    monkeypatch.setattr(machine, "findings", lambda *about: FINE)


@pytest.fixture
def worlds(monkeypatch):
    """The simulated backends that a check opened; ``faults`` may be set before."""
    made = []

    def load(name, wiring, options):
        backend = SimulatedBackend(wiring, BackendOptions(faults=tuple(made_with)))
        backend.seen_live = []
        true_drive = backend.world.output_changed

        def output_changed(pin, level):
            backend.seen_live.append((pin, level))
            true_drive(pin, level)

        backend.world.output_changed = output_changed
        made.append(backend)
        return backend

    made_with = []
    monkeypatch.setattr(check_bench, "load_backend", load)
    return made, made_with


def check(capsys, *words):
    try:
        status = main(["check", "incoming", *words])
    except SystemExit as error:
        status = error.code
    out = capsys.readouterr()
    assert "Traceback" not in out.out + out.err
    return status, out.out, out.err


def as_json(capsys, *words):
    status, out, _ = check(capsys, *words, "--json")
    answer = json.loads(out)
    assert answer["status"] == status
    return answer


def test_a_machine_that_is_not_fit_is_status_5_and_mistakes_in_files_are_4(capsys, monkeypatch):
    assert check(capsys)[0] == 0
    wrong = Finding("disk", "Room", FindingState.WRONG, "none", "Make room.")
    monkeypatch.setattr(machine, "findings", lambda *about: [wrong])
    status, out, _ = check(capsys)
    assert status == 5
    assert "  WRONG Room: none\n        Make room.\n" in out
    assert check(capsys, "nope")[0] == 4


def test_something_to_look_at_is_no_hindrance(capsys, monkeypatch):
    look = Finding("clock", "Time", FindingState.LOOK, "unsure", "Compare it.")
    monkeypatch.setattr(machine, "findings", lambda *about: [look])
    assert check(capsys)[0] == 0


def test_json_tells_what_is_wrong_with_the_rig_file(capsys, tmp_path, monkeypatch):
    (tmp_path / "rig.toml").write_text("name = 7\n")
    monkeypatch.chdir(tmp_path)
    status, out, err = check(capsys, "--json")
    answer = json.loads(out)
    assert status == answer["status"] == 4
    assert "\n".join(answer["rig"]["mistakes"]) in err


def test_a_rig_file_taken_for_a_plan_is_one_line_with_what_to_do(capsys, tmp_path):
    (tmp_path / "rigpi.toml").write_text(starter_text())
    status, _, err = check(capsys, "rigpi.toml")
    assert status == 4
    [told] = [line for line in err.splitlines() if "rigpi.toml" in line]
    assert "this looks like a rig file, and a plan is wanted here" in told
    assert "not known" not in err


def test_what_holds_for_several_plans_is_said_once(capsys):
    _, out, _ = check(capsys, "qualify")
    assert out.count("A unit that jams") == 1
    assert "  warning (incoming, qualify): A unit that jams" in out
    _, out, _ = check(capsys)
    assert "  warning: A unit that jams" in out


def test_json_tells_rig_plans_and_machine(capsys):
    answer = as_json(capsys, "nope")
    assert answer["rig"]["station"] == "A"
    assert [bool(plan["mistakes"]) for plan in answer["plans"]] == [False, True]
    assert answer["plans"][0]["sensor"]
    assert answer["machine"] == [
        {"name": "disk", "title": "Room", "state": "ok", "text": "plenty", "to_do": ""},
        {
            "name": "calibration",
            "title": "Calibration",
            "state": "ok",
            "text": "This simulated rig was never calibrated: its readings rest on the rig file.",
            "to_do": "",
        },
    ]
    assert answer["bench"] is None


def test_a_limit_that_no_unit_can_pass_is_told_of_the_plan(capsys):
    (plan,) = (path for path in shipped_plans() if path.stem == "qualify")
    text = plan.read_text()
    assert "rest_max_a = 0.05 " in text
    Path("narrow.toml").write_text(text.replace("rest_max_a = 0.05 ", "rest_max_a = 0.003 "))
    answer = as_json(capsys, "narrow.toml")
    warned = [[text for text in plan["warnings"] if "can pass" in text] for plan in answer["plans"]]
    assert [len(texts) for texts in warned] == [0, 1]
    assert warned[1][0].startswith("No rest current can pass")


def states(answer):
    return {item["name"]: item["state"] for item in answer["bench"]}


GOOD = ("feed_outputs", "identity", "sensor", "zero", "ignition_sensor", "bus")


def test_the_bench_is_looked_at_and_nothing_is_fed(capsys, worlds):
    answer = as_json(capsys, "--bench")
    assert answer["status"] == 0
    assert states(answer) == dict.fromkeys(GOOD, "ok") | {"dead_man": "left_out"}
    (dead_man,) = (item for item in answer["bench"] if item["name"] == "dead_man")
    assert "--jig-empty" in dead_man["to_do"]
    ((backend,), _) = worlds
    assert not any(level for pin, level in backend.seen_live if pin in (17, 22, 27))
    assert not Path("logs").exists()


def test_with_an_empty_jig_the_dead_man_is_proved_and_still_nothing_is_fed(capsys, worlds):
    answer = as_json(capsys, "--bench", "--jig-empty")
    assert states(answer) == dict.fromkeys((*GOOD, "dead_man"), "ok")
    ((backend,), _) = worlds
    assert any(level for pin, level in backend.seen_live if pin == 22)
    assert not any(level for pin, level in backend.seen_live if pin in (17, 27))


@pytest.mark.parametrize(
    ("fault", "wrong"),
    [
        ("sensor-absent", {"identity", "sensor"}),
        ("sensor-stuck", {"sensor"}),
        ("sensor-offset", {"zero"}),
        ("feed-relay-welded", {"dead_man"}),
    ],
)
def test_a_fault_of_the_bench_is_found_with_nothing_fed(capsys, worlds, fault, wrong):
    worlds[1].append(fault)
    # On a battery: a welded feed relay is live as soon as the master relay is.
    Path("rig.toml").write_text(starter_text().replace('kind = "scpi"', 'kind = "none"'))
    answer = as_json(capsys, "--bench", "--jig-empty")
    assert answer["status"] == 5
    assert {name for name, state in states(answer).items() if state == "wrong"} == wrong
    assert not any(level for pin, level in worlds[0][0].seen_live if pin in (17, 27))


def test_a_slow_bus_is_measured(capsys, worlds, monkeypatch):
    from drivers.simulated.i2c import SimulatedBus

    fast = SimulatedBus.__init__
    monkeypatch.setattr(
        SimulatedBus,
        "__init__",
        lambda self, chips, spend, **more: fast(self, chips, spend, 100_000, **more),
    )
    found = as_json(capsys, "--bench")
    assert states(found)["bus"] == "wrong"


def test_a_bench_in_use_is_left_alone(capsys, monkeypatch):
    class Busy:
        job = object()

        def close(self):
            pass

    monkeypatch.setattr(check_bench, "attach", lambda folder: Busy())
    status, _, err = check(capsys, "--bench")
    assert status == 5
    assert "halfturn attach" in err


def test_the_jig_is_only_spoken_of_with_the_bench(capsys):
    status, _, err = check(capsys, "--jig-empty")
    assert status == 3
    assert "--bench" in err


class Apart:
    """A bench process that says what it is given, as far as it is answered."""

    alive = True

    def __init__(self, *said):
        self.said, self.told = list(said), []

    def __call__(self, order, records):
        assert order.unfed
        assert not records.is_relative_to(Path.cwd())
        return self

    def __enter__(self):
        return self

    def __exit__(self, *error):
        pass

    def tell(self, command):
        self.told.append(command.text)

    def events(self, wait_s):
        yield from self.said
        self.said, self.alive = [], False


ASKED = Asked(Ask("accept_cautions", "Cautions?", ("accepted", "refused")))
ITEM = CheckItem("sensor", "Sensor", ItemState.GOOD, "Answers.")


@pytest.mark.parametrize(
    ("said", "found"),
    [
        ([ASKED, ITEM, RigCheckEnded(True, True, "", True)], {"sensor": "ok"}),
        ([ITEM, RigCheckEnded(None, True, "Cut.")], {"sensor": "ok", "bench": "wrong"}),
        ([ITEM, RigCheckEnded(True, False, "", True)], {"sensor": "ok", "bench": "wrong"}),
        ([Refused("No pins.")], {"bench": "wrong"}),
        ([ITEM], {"bench": "wrong"}),  # it died
    ],
)
def test_in_real_time_the_bench_is_looked_at_in_a_process_of_its_own(
    capsys, monkeypatch, said, found
):
    bench = Apart(*said)
    monkeypatch.setattr(check_bench, "keeps_own_time", lambda name, options: False)
    monkeypatch.setattr(check_bench, "BenchClient", bench)
    assert states(as_json(capsys, "--bench")) == found
    assert bench.told == (["refused"] if ASKED in said else [])


def test_a_bench_that_does_not_open_is_told(capsys):
    rig = starter_text().replace('backend = "simulated"', 'backend = "no.such:bench"')
    Path("rig.toml").write_text(rig)
    answer = as_json(capsys, "--bench")
    (found,) = answer["bench"]
    assert (answer["status"], found["state"]) == (5, "wrong")
    assert "no.such" in found["text"]
