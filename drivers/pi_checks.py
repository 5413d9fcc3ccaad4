"""What a Raspberry Pi's pins and buses are found to be.  Claims nothing, writes nothing."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from . import Finding, FindingState

FAST_HZ = 400_000  # the INA219's fast mode (SBOS448G); the Pi's own default is 100 kHz
WORD_READ_BITS = 29  # start, address, two bytes, stop: one sample
CONFIG = "/boot/firmware/config.txt"


def pin_factory(factory: Any, chip: int, label: str) -> Finding:
    """Return whether the pins are made by our factory, on the header's chip."""
    made_by = f"{factory.pin_class.__module__}.{factory.pin_class.__name__}"
    seen = f"{made_by} on gpiochip{factory.chip}"
    if made_by != "drivers.pi_pins.SteadyPin" or factory.chip != chip:
        return Finding(
            "pins",
            "Pin factory",
            FindingState.WRONG,
            f"pins are made by {seen}, not by our own on gpiochip{chip} ({label}): they could make "
            "a relay for a moment when they are claimed",
            "Install the program anew; see that nothing sets another pin factory.",
        )
    return Finding(
        "pins", "Pin factory", FindingState.OK, f"our own through lgpio, gpiochip{chip} ({label})"
    )


def outputs_released(outlive: str) -> Finding:
    """Return whether outputs are let go when the program dies; ``outlive`` yes, no or unknown."""
    title = "Outputs of a dead program"
    if outlive == "no":
        return Finding("outputs", title, FindingState.OK, "let go by the kernel (strict_gpiod)")
    seen = "stay driven" if outlive == "yes" else "not known: the kernel does not tell"
    return Finding(
        "outputs",
        title,
        FindingState.LOOK,
        f"{seen}; only the dead-man timer would take the feeds off",
        f"Write dtparam=strict_gpiod into {CONFIG} and restart.",
    )


def bus_speed(bus: int, root: Path) -> Finding:
    """Return how fast I2C ``bus`` is set in the device tree under ``root``."""
    name, title = f"bus_{bus}", f"Speed of I2C bus {bus}"
    hz = bus_hz(bus, root)
    if hz is None:
        return Finding(
            name,
            title,
            FindingState.LEFT_OUT,
            "the device tree does not tell; `halfturn check --bench` measures it",
        )
    word_s = WORD_READ_BITS / hz
    seen = f"{hz / 1000:.0f} kHz, {1000 * word_s:.2f} ms a reading"
    if hz < FAST_HZ:
        return Finding(
            name,
            title,
            FindingState.LOOK,
            f"{seen}: too slow for two sensors at 1 kHz",
            f"Write dtparam=i2c_arm=on,i2c_arm_baudrate={FAST_HZ} into {CONFIG} and restart; or "
            "lower sample_hz.",
        )
    return Finding(name, title, FindingState.OK, seen)


def bus_hz(bus: int, root: Path) -> int | None:
    """Return the clock of I2C ``bus`` (Hz) as set in the device tree, None if it is not told.

    The property ``clock-frequency`` is a big-endian 32-bit cell (Devicetree Specification, 2.2.4).
    """
    path = root / f"sys/bus/i2c/devices/i2c-{bus}/of_node/clock-frequency"
    try:
        cell = path.read_bytes()
    except OSError:
        return None
    return int.from_bytes(cell, "big") if len(cell) == 4 and any(cell) else None
