"""What is done to the program in the guest, and what must then be seen on the lines."""

from __future__ import annotations

import contextlib
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, NamedTuple

import gpio_sim
from gpio_sim import Change, Recorder

from rig.settings import starter_text

REPOSITORY = Path(__file__).resolve().parents[2]
HALFTURN = [sys.executable, "-m", "rig.cli"]
BATTERY, IGNITION, DEAD_MAN = 17, 27, 22
FEEDS = (BATTERY, IGNITION)
TIMEOUT_S = 0.15  # longest hold time of the dead-man timer, in the rig file
RELEASE_S = 0.010  # longest for a relay's contact to open; the world's takes 3 to 5 ms
LOOK_S = 0.005  # how late the world may see a line; it looks every two milliseconds
_LONGEST_S = 240.0  # for one run; the guest is slow

PLAN = """
title = "Two half-turns near the kernel"
[unit]
type = "LM-12"
nominal_v = 12.0
winding_ohm = 0.51
turn_vs = 7.36
[limits]
half_turn_max_s = [[8.0, 2.0], [12.0, 1.2], [16.0, 1.0]]
run_on_s = 3.0
stall_s = 0.4
rest_max_a = 0.05
run_max_a = 7.0
[guard]
over_current_a = 33.0
over_current_s = 0.05
[[step]]
kind = "zero"
[[step]]
kind = "half_turns"
count = 2
pause_s = 0.5
"""


class Note(NamedTuple):
    """A change in the world."""

    time_s: float
    what: str
    state: bool


class Program:
    """`halfturn run`, and the bench process that it starts."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self._printed = (folder / "printed.txt").open("w+", encoding="utf-8")
        self._process = subprocess.Popen(
            command,
            cwd=folder,
            stdin=subprocess.DEVNULL,
            stdout=self._printed,
            stderr=subprocess.STDOUT,
            env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
            start_new_session=True,
        )

    @property
    def pid(self) -> int:
        return self._process.pid

    def bench_pid(self) -> int:
        """Return the bench process, which owns the pins."""
        for child in _children(self.pid):
            with contextlib.suppress(OSError):
                line = Path(f"/proc/{child}/cmdline").read_bytes()
                if b"multiprocessing" in line and b"resource_tracker" not in line:
                    return child
        raise RuntimeError("there is no bench process")

    def send(self, pid: int, number: signal.Signals) -> float:
        """Send a signal; return when."""
        now_s = time.monotonic()
        os.kill(pid, number)
        return now_s

    def wait(self) -> int:
        """Wait for the end; return the exit status."""
        return self._process.wait(_LONGEST_S)

    @property
    def ended(self) -> bool:
        return self._process.poll() is not None

    def printed(self) -> str:
        """Return everything that was printed so far."""
        self._printed.flush()
        return Path(self._printed.name).read_text(encoding="utf-8")

    def close(self) -> None:
        """Leave nothing running."""
        for pid in (*_children(self.pid), self.pid):
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        self._process.wait()
        self._printed.close()


def _children(pid: int) -> list[int]:
    found: list[int] = []
    for path in Path(f"/proc/{pid}/task").glob("*/children"):
        with contextlib.suppress(OSError):
            found += [int(text) for text in path.read_text(encoding="ascii").split()]
    return found


class Bench:
    """One rig after the other, and what was found about them."""

    def __init__(self, folder: Path, sample_hz: int) -> None:
        self.sample_hz = sample_hz
        self.checks: list[dict[str, Any]] = []
        self.notes: list[dict[str, str]] = []
        self.recorder = Recorder()
        self._top = folder
        self._world_folder = folder / "world"
        self._timeline = self._world_folder / "timeline.jsonl"
        self._name = ""
        self._world: subprocess.Popen[bytes] | None = None
        self._programs: list[Program] = []
        self._units = 0
        self._read = 0
        self._notes: list[Note] = []

    # --- making one -----------------------------------------------------------------------

    def begin(self, name: str) -> None:
        """Begin a scenario, in a folder of its own."""
        self._name = name
        self.folder = self._top / re.sub(r"\W+", "-", name)
        self.folder.mkdir(parents=True)
        (self.folder / "plan.toml").write_text(PLAN, encoding="utf-8")

    def build(self, *, persist: bool = True, active_high: bool = True) -> None:
        """Build the rig; ``persist`` as Raspberry Pi OS has it."""
        gpio_sim.persist(persist)
        text = starter_text()
        text = text.replace('backend = "simulated"', 'backend = "pi"')
        text = text.replace('kind = "scpi"', 'kind = "none"')
        text = text.replace("sample_hz = 1000", f"sample_hz = {self.sample_hz}")
        if not active_high:
            head, mark, feeds = text.partition("[station.battery_feed]")
            text = head + mark + feeds.replace("active_high = true", "active_high = false")
        (self.folder / "rig.toml").write_text(text, encoding="utf-8")
        self._renew_world(text)
        self.recorder.start()

    def _renew_world(self, rig_text: str) -> None:
        """Have a new world, with a parked unit, in the process that there is."""
        self._world_folder.mkdir(parents=True, exist_ok=True)
        (self._world_folder / "rig.toml").write_text(rig_text, encoding="utf-8")
        self._timeline.unlink(missing_ok=True)
        self._read = 0
        self._notes = []
        if self._world is None:
            script = Path(__file__).with_name("rig_world.py")
            self._world = subprocess.Popen(
                [sys.executable, str(script), str(self._world_folder)],
                env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
            )
        else:
            self._world.send_signal(signal.SIGHUP)
        self.until("the world is there", lambda: bool(self.world()))
        self.until("the bus is there", Path("/dev/i2c-1").exists)

    def end(self) -> None:
        """End what is left of a scenario."""
        for program in self._programs:
            program.close()
        self._programs.clear()

    def start(self) -> Program:
        """Start `halfturn run` on the next unit."""
        self._units += 1
        self.recorder.start()
        program = Program(
            [*HALFTURN, "run", "plan.toml", "--unit", f"VM-{self._units}", "--operator", "nobody",
             "--accept-cautions"],
            self.folder,
        )  # fmt: skip
        self._programs.append(program)
        return program

    def meddle(self, number: signal.Signals) -> float:
        """Ask the world for a fault; return when."""
        assert self._world is not None
        now_s = time.monotonic()
        self._world.send_signal(number)
        return now_s

    def ask(self, *words: str) -> str:
        """Return what a command of the program prints."""
        done = subprocess.run(
            [*HALFTURN, *words],
            cwd=self.folder,
            env={**os.environ, "PYTHONPATH": str(REPOSITORY)},
            capture_output=True,
            text=True,
            check=False,
        )
        return done.stdout + done.stderr

    # --- looking --------------------------------------------------------------------------

    def world(self) -> list[Note]:
        """Return what happened in the world since it was renewed."""
        if self._timeline.exists():
            with self._timeline.open(encoding="utf-8") as file:
                file.seek(self._read)
                while (line := file.readline()).endswith("\n"):
                    self._read = file.tell()
                    self._notes.append(Note(**json.loads(line)))
        return self._notes

    def is_now(self, what: str) -> bool:
        """Return the latest state of something in the world."""
        states = [note.state for note in self.world() if note.what == what]
        return states[-1] if states else False

    def when(self, what: str, state: bool, after_s: float = 0.0) -> float | None:
        """Return when something first came to ``state`` after a time; None if it did not."""
        for note in self.world():
            if note.what == what and note.state is state and note.time_s >= after_s:
                return note.time_s
        return None

    def until(self, what: str, true: Callable[[], bool], longest_s: float = _LONGEST_S) -> None:
        """Wait until something is so; RuntimeError if it does not come to be."""
        end_s = time.monotonic() + longest_s
        while not true():
            if self._world is None or self._world.poll() is not None:
                raise RuntimeError("The world has ended; see the guest's console.")
            if time.monotonic() > end_s:
                said = "".join(program.printed() for program in self._programs)
                raise RuntimeError(f"It never came to this: {what}. Printed: {said}")
            time.sleep(0.02)

    def until_fed(self, program: Program) -> None:
        """Wait until the unit's battery feed is live and its motor has begun to turn."""

        def fed() -> bool:
            if program.ended:
                raise RuntimeError(f"The run ended before it fed: {program.printed()}")
            return self.is_now("battery at the unit") and self.is_now("ignition at the unit")

        self.until("the unit is fed", fed)
        time.sleep(0.2)

    # --- saying ---------------------------------------------------------------------------

    def check(self, rule: str, ok: bool, seen: str) -> None:
        """Write down whether a rule was kept, and what was seen."""
        self.checks.append({"scenario": self._name, "rule": rule, "ok": bool(ok), "seen": seen})
        now_s = time.monotonic()
        print(f"{now_s:.1f} {'ok  ' if ok else 'FAIL'} {self._name}: {rule}: {seen}", flush=True)

    def note(self, text: str) -> None:
        """Keep something worth showing."""
        self.notes.append({"scenario": self._name, "text": text})
        print(text, flush=True)

    def within(self, rule: str, from_s: float, to_s: float | None, limit_s: float) -> None:
        """Check that something came in time."""
        if to_s is None:
            self.check(rule, False, "never")
        else:
            took = f"after {1e3 * (to_s - from_s):.1f} ms"
            self.check(f"{rule} within {1e3 * limit_s:.0f} ms", to_s - from_s <= limit_s, took)


# --- what must hold again and again --------------------------------------------------------


def _sets(changes: list[Change], pin: int) -> list[Change]:
    return [change for change in changes if change.pin == pin and change.what == "set"]


def no_blip(bench: Bench, changes: list[Change], active_high: bool = True) -> None:
    """Check the kernel's trace: each relay output begins at off, and is off until it is armed."""
    edges = _sets(changes, DEAD_MAN)
    for pin in FEEDS:
        levels = _sets(changes, pin)
        first_on = next((c.time_s for c in levels if c.level is active_high), None)
        began_off = bool(levels) and levels[0].level is not active_high
        proven = [edge for edge in edges if first_on is None or edge.time_s < first_on]
        seen = f"{len(levels)} levels set, first {int(levels[0].level) if levels else '-'}"
        if first_on is not None and levels:
            after_s = first_on - levels[0].time_s
            seen += f", first on {after_s:.2f} s later, after {len(proven)} dead-man edges"
        bench.check(
            f"GPIO {pin} starts at off, and is on only after the dead-man has been proved",
            began_off and (first_on is None or len(proven) > 10),
            seen,
        )


def lines_off(bench: Bench, when: str, active_high: bool = True) -> None:
    """Check that both feed lines are at off, as the relay board sees them."""
    on = [pin for pin in FEEDS if bench.is_now(f"line {pin}") is active_high]
    bench.check(f"feed lines off {when}", not on, f"on: {on or 'none'}")


def nothing_fed(bench: Bench, when: str) -> None:
    """Check that no feed is live at the unit."""
    live = [w for w in ("battery at the unit", "ignition at the unit") if bench.is_now(w)]
    bench.check(f"unit not fed {when}", not live, f"live: {', '.join(live) or 'nothing'}")


def settle() -> None:
    """Let the dead-man time and the slowest relay pass, twice over."""
    time.sleep(2 * (TIMEOUT_S + RELEASE_S))


def last_edge_s(changes: list[Change], before_s: float) -> float:
    """Return when the dead-man line last changed before a time."""
    return max(c.time_s for c in _sets(changes, DEAD_MAN) if c.time_s <= before_s)


def _verdict_line(printed: str) -> str:
    lines = [line.strip() for line in printed.splitlines() if line.strip()]
    return next((line for line in lines if re.search(r"\b(PASS|FAIL|RETEST)\b", line, re.I)), "")


# --- scenarios -----------------------------------------------------------------------------


def plan_active_high(bench: Bench) -> None:
    """A plan from start to verdict."""
    _plan(bench, active_high=True)


def plan_active_low(bench: Bench) -> None:
    """The same with relays that low makes: where gpiozero's own pin would blip."""
    _plan(bench, active_high=False)


def _plan(bench: Bench, active_high: bool) -> None:
    bench.build(active_high=active_high)
    program = bench.start()
    status = program.wait()
    changes = bench.recorder.changes()
    settle()
    printed = program.printed()
    bench.note(printed)
    bench.check("the plan's verdict is printed, exit status 0", status == 0, f"exit {status}")
    no_blip(bench, changes, active_high)
    lines_off(bench, "after the end", active_high)
    nothing_fed(bench, "after the end")
    bench.note(_rhythm(changes, active_high))


def _rhythm(changes: list[Change], active_high: bool) -> str:
    """Tell how regularly the dead-man was toggled while a feed was on."""
    gaps = []
    on: dict[int, bool] = {}
    before_s = None
    for change in changes:
        if change.what != "set":
            continue
        if change.pin in FEEDS:
            on[change.pin] = change.level is active_high
        elif change.pin == DEAD_MAN:
            if before_s is not None and any(on.values()):
                gaps.append(change.time_s - before_s)
            before_s = change.time_s
    gaps.sort()
    return (
        f"dead-man edges while a feed was on: {len(gaps)}, {1e3 * gaps[len(gaps) // 2]:.1f} ms "
        f"between two in the median, {1e3 * gaps[-1]:.1f} ms at most"
    )


def killed_bench(bench: Bench) -> None:
    """SIGKILL of the process that owns the pins, with outputs that stay driven."""
    _killed(bench, persist=True, whole=False)


def killed_strict(bench: Bench) -> None:
    """The same on a kernel that lets outputs go (dtparam=strict_gpiod)."""
    _killed(bench, persist=False, whole=False)


def killed_all(bench: Bench) -> None:
    """SIGKILL of everything, then a new start on the rig as it was left."""
    _killed(bench, persist=True, whole=True)
    left_on = bench.is_now(f"line {BATTERY}")
    bench.check("the killed run's output is still driven (else this shows nothing)", left_on, "")
    restarted_s = time.monotonic()
    program = bench.start()
    status = program.wait()
    changes = bench.recorder.changes()
    settle()
    # The unit stands where the kill left it, which the program does not know: what it says of the
    # unit is not looked at here.
    bench.check("the next start's run ends with its verdict", status in (0, 1, 2), f"exit {status}")
    bench.note(program.printed())
    no_blip(bench, changes)
    off_s = min(c.time_s for c in _sets(changes, BATTERY) if not c.level)
    edge_s = min(c.time_s for c in _sets(changes, DEAD_MAN) if c.level)
    bench.check(
        "the line left on is off before the first dead-man edge",
        off_s < edge_s,
        f"{1e3 * (edge_s - off_s):.1f} ms before",
    )
    fed_s = bench.when("battery at the unit", True, restarted_s)
    commanded = [c.time_s for c in _sets(changes, BATTERY) if c.level]
    bench.check(
        "the unit is fed only when the new run says so",
        bool(fed_s and commanded) and fed_s >= commanded[0],
        f"commanded {len(commanded)} times",
    )
    listed = bench.ask("records", "list")
    bench.note(listed)
    bench.check(
        "the killed run is marked interrupted",
        any("interrupted" in line for line in listed.splitlines() if "VM-" in line),
        f"{listed.count('interrupted')} interrupted",
    )
    lines_off(bench, "after the end")


def _killed(bench: Bench, persist: bool, whole: bool) -> None:
    bench.build(persist=persist)
    program = bench.start()
    bench.until_fed(program)
    owner = program.bench_pid()
    if whole:
        program.send(program.pid, signal.SIGKILL)
    killed_s = program.send(owner, signal.SIGKILL)
    settle()
    changes = bench.recorder.changes()
    no_blip(bench, changes)
    bench.check(
        f"GPIO {BATTERY} {'stays driven' if persist else 'is let go'} (what this kernel does)",
        bench.is_now(f"line {BATTERY}") is persist,
        f"level {int(bench.is_now(f'line {BATTERY}'))}",
    )
    edge_s = last_edge_s(changes, time.monotonic())
    if not persist:  # let go, the dead-man line falls too, which is one edge more
        edge_s = max(edge_s, bench.when(f"line {BATTERY}", False, killed_s) or 0.0)
    limit_s = TIMEOUT_S + RELEASE_S + LOOK_S
    bench.within("master relay drops after the last dead-man edge", edge_s,
                 bench.when("master relay", False, edge_s), limit_s)  # fmt: skip
    bench.within("unit not fed after the kill", killed_s,
                 bench.when("battery at the unit", False, killed_s), limit_s)  # fmt: skip
    nothing_fed(bench, "from then on")
    if not whole:
        status = program.wait()
        bench.check("the console says that its bench is gone", status == 5, f"exit {status}")


def stopped(bench: Bench) -> None:
    """SIGSTOP of the bench in the middle of a half-turn, then SIGCONT."""
    bench.build()
    program = bench.start()
    bench.until_fed(program)
    owner = program.bench_pid()
    stopped_s = program.send(owner, signal.SIGSTOP)
    settle()
    changes = bench.recorder.changes()
    edge_s = last_edge_s(changes, time.monotonic())
    limit_s = TIMEOUT_S + RELEASE_S + LOOK_S
    bench.check(
        f"GPIO {BATTERY} stays driven while stopped (else this shows nothing)",
        bench.is_now(f"line {BATTERY}"),
        "",
    )
    bench.within("master relay drops after the last dead-man edge", edge_s,
                 bench.when("master relay", False, edge_s), limit_s)  # fmt: skip
    bench.within("unit not fed after the stop", stopped_s,
                 bench.when("battery at the unit", False, stopped_s), limit_s)  # fmt: skip
    time.sleep(1.0)
    gone_on_s = program.send(owner, signal.SIGCONT)
    status = program.wait()
    changes = bench.recorder.changes()
    settle()
    bench.note(program.printed())
    off = [c.time_s for c in _sets(changes, BATTERY) if not c.level and c.time_s > gone_on_s]
    bench.within("battery feed's line off after going on", gone_on_s, min(off, default=None),
                 max(2 / bench.sample_hz, 0.05))  # fmt: skip
    again = [c for c in changes if c.pin in FEEDS and c.level and c.time_s > gone_on_s]
    bench.check("no feed is made again", not again, f"{len(again)} times")
    bench.check(
        "the run ends as a rig fault, not as a verdict on the unit", status == 5, f"exit {status}"
    )
    lines_off(bench, "after the end")
    nothing_fed(bench, "after the end")


def lost_console(bench: Bench) -> None:
    """SIGKILL of `halfturn run` itself; the bench process lives on."""
    bench.build()
    program = bench.start()
    bench.until_fed(program)
    owner = program.bench_pid()
    killed_s = program.send(program.pid, signal.SIGKILL)
    bench.until("the bench ends by itself", lambda: not Path(f"/proc/{owner}").exists())
    changes = bench.recorder.changes()
    settle()
    off = [c.time_s for c in _sets(changes, BATTERY) if not c.level and c.time_s > killed_s]
    bench.within("battery feed's line off", killed_s, min(off, default=None), TIMEOUT_S)
    lines_off(bench, "after the end")
    nothing_fed(bench, "after the end")


def terminated(bench: Bench) -> None:
    """SIGTERM in the middle of a half-turn."""
    bench.build()
    program = bench.start()
    bench.until_fed(program)
    told_s = program.send(program.pid, signal.SIGTERM)
    status = program.wait()
    changes = bench.recorder.changes()
    settle()
    bench.note(program.printed())
    off = [c.time_s for c in _sets(changes, BATTERY) if not c.level and c.time_s > told_s]
    bench.within("battery feed's line off", told_s, min(off, default=None), 0.5)
    bench.check("it ends as stopped", status == 7, f"exit {status}")
    lines_off(bench, "after the end")
    nothing_fed(bench, "after the end")


def sensor_gone(bench: Bench) -> None:
    """The sensors stop acknowledging (EREMOTEIO) while the unit is fed."""
    _bus_trouble(bench, signal.SIGUSR1, "sensor-absent")


def bus_held(bench: Bench) -> None:
    """The bus is held (ETIMEDOUT) while the unit is fed."""
    _bus_trouble(bench, signal.SIGUSR2, "bus-hang")


def _bus_trouble(bench: Bench, number: signal.Signals, fault: str) -> None:
    bench.build()
    program = bench.start()
    bench.until_fed(program)
    asked_s = bench.meddle(number)
    status = program.wait()
    changes = bench.recorder.changes()
    settle()
    bench.note(program.printed())
    set_in_s = bench.when(fault, True, asked_s)
    off = [c.time_s for c in _sets(changes, BATTERY) if not c.level and c.time_s > (set_in_s or 0)]
    # A sample is lost for three periods at most, each may wait a bus time-out (10 ms) for both
    # sensors, and the sample that was on its way is still good.
    limit_s = 4 / bench.sample_hz + 0.06
    bench.within("battery feed's line off", set_in_s or 0.0, min(off, default=None), limit_s)
    bench.check("the run ends as a rig fault, not as a verdict on the unit", status == 5,
                f"exit {status}")  # fmt: skip
    lines_off(bench, "after the end")
    nothing_fed(bench, "after the end")


SCENARIOS: dict[str, Callable[[Bench], None]] = {
    "plan, relays made by high": plan_active_high,
    "plan, relays made by low": plan_active_low,
    "bench killed": killed_bench,
    "bench killed, strict_gpiod": killed_strict,
    "all killed, then restarted": killed_all,
    "bench stopped and continued": stopped,
    "console killed": lost_console,
    "terminated": terminated,
    "sensors gone (EREMOTEIO)": sensor_gone,
    "bus held (ETIMEDOUT)": bus_held,
}
