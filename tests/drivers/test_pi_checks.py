"""What a Raspberry Pi's pins and buses are found to be, from made-up system files."""

from __future__ import annotations

import struct
from types import SimpleNamespace

import pytest

from drivers import BackendOptions, ChecksItself, FindingState, RigWiring
from drivers import pi as pi_module
from drivers.backends import load_backend
from drivers.pi_checks import bus_hz, bus_speed, outputs_released, pin_factory


@pytest.fixture
def device_tree(tmp_path):
    """Return a maker of a bus with its clock-frequency, as raw bytes."""

    def make(cell):
        node = tmp_path / "sys/bus/i2c/devices/i2c-1/of_node"
        node.mkdir(parents=True)
        (node / "clock-frequency").write_bytes(cell)
        return tmp_path

    return make


@pytest.mark.parametrize(
    ("hz", "state", "said"),
    [
        (400_000, FindingState.OK, "400 kHz, 0.07 ms a reading"),  # 29 bits
        (100_000, FindingState.LOOK, "100 kHz, 0.29 ms a reading"),
    ],
)
def test_bus_speed_is_read_from_the_device_tree(device_tree, hz, state, said):
    # Devicetree Specification 2.2.4: a u32 is a big-endian cell.
    found = bus_speed(1, device_tree(struct.pack(">I", hz)))
    assert (found.name, found.state) == ("bus_1", state)
    assert said in found.text
    assert ("i2c_arm_baudrate=400000" in found.to_do) is (state is FindingState.LOOK)


@pytest.mark.parametrize("cell", [b"", b"\0\0\0\0", b"\0\6\x1a\x80\0"])
def test_a_device_tree_that_makes_no_sense_is_not_believed(device_tree, cell):
    assert bus_hz(1, device_tree(cell)) is None


def test_a_bus_that_is_not_told_of_is_left_out(tmp_path):
    found = bus_speed(3, tmp_path)
    assert found.state is FindingState.LEFT_OUT
    assert "--bench" in found.text


@pytest.mark.parametrize(
    ("outlive", "state"),
    [("no", FindingState.OK), ("yes", FindingState.LOOK), ("unknown", FindingState.LOOK)],
)
def test_outputs_that_outlive_the_program(outlive, state):
    found = outputs_released(outlive)
    assert found.state is state
    assert ("strict_gpiod" in found.to_do) is (state is FindingState.LOOK)


def steady(module="drivers.pi_pins", name="SteadyPin", chip=4):
    return SimpleNamespace(pin_class=type(name, (), {"__module__": module}), chip=chip)


@pytest.mark.parametrize(
    ("factory", "state"),
    [
        (steady(), FindingState.OK),
        (steady("gpiozero.pins.lgpio", "LGPIOPin"), FindingState.WRONG),
        (steady("gpiozero.pins.native", "NativePin"), FindingState.WRONG),
        (steady(chip=0), FindingState.WRONG),
    ],
)
def test_only_our_pins_on_the_headers_chip_will_do(factory, state):
    found = pin_factory(factory, 4, "pinctrl-rp1")
    assert found.state is state
    assert "gpiochip4 (pinctrl-rp1)" in found.text
    assert bool(found.to_do) is (state is FindingState.WRONG)


def test_the_pi_backend_looks_at_its_pins_and_at_each_bus(chip, monkeypatch, tmp_path):
    monkeypatch.setattr(pi_module, "find_header_chip", lambda devices: (4, chip.label))
    monkeypatch.setattr(pi_module, "outputs_outlive_program", lambda: "no")
    monkeypatch.setenv("LG_WD", str(tmp_path))
    backend = load_backend("pi", RigWiring(stations=()), BackendOptions())
    try:
        found = backend.checks((1, 3))
        assert not any(chip.world.driven.values())  # no pin was claimed for it
    finally:
        backend.close()
    assert isinstance(backend, ChecksItself)
    assert [finding.name for finding in found] == ["pins", "outputs", "bus_1", "bus_3"]
    assert [finding.state for finding in found[:2]] == [FindingState.OK, FindingState.OK]
