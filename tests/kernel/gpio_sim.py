"""The guest's GPIO chip and the kernel's own record of its lines."""

from __future__ import annotations

import re
from pathlib import Path
from typing import NamedTuple

LABEL = "pinctrl-bcm2711"  # of a Raspberry Pi 4's header
_LINES = 54
_CONFIG = Path("/sys/kernel/config/gpio-sim/rig")
_TRACING = Path("/sys/kernel/tracing")
PERSIST = Path("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs")
_EVENT = re.compile(r" (\d+\.\d+): gpio_(value|direction): (\d+) +(get|set|in|out) +\(?(-?\d+)\)?")


def make_chip() -> None:
    """Make the chip, with the label and the lines of a Raspberry Pi's."""
    bank = _CONFIG / "bank0"
    _CONFIG.mkdir()
    bank.mkdir()
    (bank / "num_lines").write_text(str(_LINES), encoding="ascii")
    (bank / "label").write_text(LABEL, encoding="ascii")
    (_CONFIG / "live").write_text("1", encoding="ascii")


def line_folder(pin: int) -> Path:
    """Return the folder with a line's ``value`` and ``pull``."""
    (device,) = Path("/sys/devices/platform").glob("gpio-sim.*")
    (chip,) = device.glob("gpiochip*/sim_gpio0")
    return chip.parent / f"sim_gpio{pin}"


def persist(outputs_persist: bool) -> None:
    """Let outputs outlive their holder, as Raspberry Pi OS has it, or not."""
    PERSIST.write_text("Y" if outputs_persist else "N", encoding="ascii")


class Change(NamedTuple):
    """What a program did to a line: ``what`` is ``in``, ``out`` or ``set``; ``level`` of a set."""

    time_s: float
    pin: int
    what: str
    level: bool


class Recorder:
    """The kernel's trace of all that is done to lines, to the microsecond."""

    def __init__(self) -> None:
        for name, text in (
            ("tracing_on", "0"),
            ("trace_clock", "mono"),
            ("buffer_size_kb", "8192"),
            ("events/gpio/gpio_value/enable", "1"),
            ("events/gpio/gpio_value/filter", "get == 0"),
            ("events/gpio/gpio_direction/enable", "1"),
        ):
            (_TRACING / name).write_text(text, encoding="ascii")
        self._base = _base()

    def start(self) -> None:
        """Begin afresh."""
        (_TRACING / "trace").write_text("", encoding="ascii")
        (_TRACING / "tracing_on").write_text("1", encoding="ascii")

    def changes(self) -> list[Change]:
        """Return what happened since the start, in order."""
        (_TRACING / "tracing_on").write_text("0", encoding="ascii")
        text = (_TRACING / "trace").read_text(encoding="utf-8")
        (_TRACING / "tracing_on").write_text("1", encoding="ascii")
        if "LOST" in text:
            raise RuntimeError("the kernel's trace has lost events")
        found = []
        for time_s, kind, number, what, value in _EVENT.findall(text):
            level = kind == "value" and value == "1"
            found.append(Change(float(time_s), int(number) - self._base, what, level))
        return found


def _base() -> int:
    for folder in Path("/sys/class/gpio").glob("gpiochip*"):
        if (folder / "label").read_text(encoding="ascii").strip() == LABEL:
            return int((folder / "base").read_text(encoding="ascii"))
    raise RuntimeError(f"no GPIO chip has the label {LABEL}")
