"""What the control loop would be granted: real-time priority, locked memory, a steady processor."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

from drivers import Finding, FindingState
from rig.bench import realtime
from rig.bench.realtime import Answer
from rig.settings import ControlSettings

NAMES = ("real_time", "locked_memory", "governor")


def findings(control: ControlSettings, root: Path = Path("/")) -> list[Finding]:
    """Return what is granted of what the rig file's [control] asks for."""
    return [
        real_time(control, in_a_thread(lambda: realtime.take_priority(control.priority))),
        locked_memory(control, _lock_once()),
        governor(root),
    ]


def in_a_thread(ask: Callable[[], Answer]) -> Answer:
    """Return what ``ask`` is answered in a thread of its own, which ends with what it got."""
    answers: list[Answer] = []
    thread = threading.Thread(target=lambda: answers.append(ask()))
    thread.start()
    thread.join()
    return answers[0]


def _lock_once() -> Answer:
    answer = realtime.lock()
    if answer.granted:
        realtime.unlock()
    return answer


def real_time(control: ControlSettings, answer: Answer) -> Finding:
    """Return whether real-time priority is granted; ``answer`` is the system's."""
    if not control.real_time:
        return _not_asked_for("real_time", "Real-time priority", "control.real_time is false")
    return _granted("real_time", "Real-time priority", answer)


def locked_memory(control: ControlSettings, answer: Answer) -> Finding:
    """Return whether memory may be locked; ``answer`` is the system's."""
    if not control.lock_memory:
        return _not_asked_for("locked_memory", "Locked memory", "control.lock_memory is false")
    return _granted("locked_memory", "Locked memory", answer)


def governor(root: Path = Path("/")) -> Finding:
    """Return whether the processor keeps its clock, so that a cycle always takes the same time."""
    title = "Processor clock"
    seen = set()
    for path in sorted(root.glob("sys/devices/system/cpu/cpu[0-9]*/cpufreq/scaling_governor")):
        try:
            seen.add(path.read_text(encoding="ascii").strip())
        except (OSError, ValueError):
            continue
    if not seen:
        return Finding("governor", title, FindingState.LEFT_OUT, "this machine does not tell")
    if seen == {"performance"}:
        return Finding("governor", title, FindingState.OK, "steady (governor performance)")
    return Finding(
        "governor",
        title,
        FindingState.LOOK,
        f"changes with the load (governor {', '.join(sorted(seen))}): cycles take longer at times",
        "echo performance | sudo tee /sys/devices/system/cpu/cpu*/cpufreq/scaling_governor",
    )


def _granted(name: str, title: str, answer: Answer) -> Finding:
    state = FindingState.OK if answer.granted else FindingState.LOOK
    return Finding(name, title, state, answer.text, "" if answer.granted else answer.advice)


def _not_asked_for(name: str, title: str, why: str) -> Finding:
    return Finding(name, title, FindingState.LEFT_OUT, f"not asked for: {why} in the rig file")
