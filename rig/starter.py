"""The rig file that a new rig folder starts with, for one to four stations."""

from __future__ import annotations

import re
from importlib import resources

MOST_STATIONS = 4

# Of each station after the first: name, then battery and ignition feed, the two switches of the
# jig (BCM pins), and the two sensors' addresses.  Feeds on pins that are pulled down while a
# Raspberry Pi boots (9 to 27); 0x44 and 0x45 are made by a board's jumpers, others by wires from
# its address pins to SDA or SCL (SBOS448G, table 1).
_MORE = (
    ("B", 16, 26, 18, 19, 0x44, 0x45),
    ("C", 12, 13, 10, 11, 0x42, 0x43),
    ("D", 20, 21, 25, 9, 0x46, 0x47),
)
# With so many stations a computer as slow as a Raspberry Pi 4 keeps up with this rate (guess).
_SAMPLE_HZ = {1: 1000, 2: 1000, 3: 500, 4: 500}


def starter_text(stations: int = 1) -> str:
    """Return the commented rig file that a new rig folder starts with.

    ValueError unless ``stations`` is 1 to `MOST_STATIONS`.
    """
    if not 1 <= stations <= MOST_STATIONS:
        raise ValueError(f"a rig file can be made for 1 to {MOST_STATIONS} stations")
    text = resources.files("rig").joinpath("templates", "rig.toml").read_text(encoding="utf-8")
    rate = f"sample_hz = {_SAMPLE_HZ[stations]:<10}"
    text = re.sub(r"sample_hz = \d+ *", rate, text)
    first = text[text.index("\n[[station]]\n") + 1 :]
    return text + "".join(_another(first, *more) for more in _MORE[: stations - 1])


def _another(
    first: str,
    name: str,
    battery: int,
    ignition: int,
    at_run: int,
    at_stop: int,
    battery_sensor: int,
    ignition_sensor: int,
) -> str:
    """Return the ``first`` station's table for another one, without what is told in comments."""
    lines = [re.sub(r"\s+#.*", "", line) for line in first.splitlines()]
    text = "\n".join(line for line in lines if line.strip() and not line.startswith("#"))
    text = text.replace("\n[", "\n\n[").replace('name = "A"', f'name = "{name}"')
    for table, pin in (
        ("battery_feed", battery),
        ("ignition_feed", ignition),
        ("at_run", at_run),
        ("at_stop", at_stop),
    ):
        text = re.sub(rf"(\[station\.{table}\]\npin = )\d+", rf"\g<1>{pin}", text)
    for table, address in (("battery", battery_sensor), ("ignition", ignition_sensor)):
        text = re.sub(
            rf"(\[station\.{table}_sensor\]\nbus = 1\naddress = )0x\d+",
            rf"\g<1>0x{address:02x}",
            text,
        )
    return f"\n{text}\n"
