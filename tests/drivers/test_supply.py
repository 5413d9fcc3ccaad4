"""The bench supply driver over a real pseudo-terminal, with the supply's faults."""

from __future__ import annotations

import time

import pytest
import serial
from hypothesis import given
from hypothesis import strategies as st

from drivers import SupplyError, SupplyWiring
from drivers.scpi import ScpiError, parse_error, parse_number, parse_switch
from drivers.simulated.port import ScpiSupplyPort
from drivers.supply import BenchSupply

WIRING = SupplyWiring("bench", timeout_s=0.15)


@pytest.fixture
def port(model):
    made = ScpiSupplyPort(model)
    yield made
    made.close()


@pytest.fixture
def supply(port):
    made = BenchSupply(WIRING, port.path)
    yield made
    made.close()


# --- as it should be -----------------------------------------------------------------------


def test_identity(supply):
    assert supply.identify() == "Low Meadow,Bench Supply,0001,1.0"


def test_settings_reach_the_supply(supply, model):
    supply.set_voltage(12.6)
    supply.set_current_limit(20.0)
    supply.output(True)
    assert (model.set_v, model.limit_a, model.output_on) == (12.6, 20.0, True)
    model.drawn_a = 2.345
    assert supply.measure_v() == pytest.approx(12.6)
    assert supply.measure_a() == pytest.approx(2.345)
    assert supply.output_is_on()
    supply.output(False)
    assert not model.output_on
    assert supply.errors() == []


def test_opening_switches_nothing(port, model):
    model.output_on = True
    model.set_v = 9.0
    supply = BenchSupply(WIRING, port.path)
    assert (model.set_v, model.output_on) == (9.0, True)
    supply.close()


def test_closing_switches_the_output_off(supply, model):
    supply.output(True)
    supply.close()
    supply.close()
    assert not model.output_on


def test_carriage_return_before_the_line_end(supply, port):
    port.line_end = b"\r\n"
    supply.set_voltage(12.6)
    assert supply.measure_v() == 0.0


# --- refused -------------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [-0.1, 16.1, float("nan")])
def test_beyond_the_rigs_own_limits(supply, model, volts):
    with pytest.raises(SupplyError, match="0 to 16 V"):
        supply.set_voltage(volts)
    assert model.set_v == 0.0


def test_what_the_supply_refuses_is_reported_with_number_and_text(model):
    port = ScpiSupplyPort(model, max_v=10.0)
    supply = BenchSupply(WIRING, port.path)
    with pytest.raises(SupplyError, match=r"error -222 Data out of range"):
        supply.set_voltage(12.0)
    assert supply.errors() == []
    supply.close()
    port.close()


def test_what_is_in_the_queue_is_reported_and_emptied(supply, port):
    port.queue_error(-310)
    port.queue_error(-240)
    assert supply.errors() == [ScpiError(-310, "System error"), ScpiError(-240, "Hardware error")]
    assert supply.errors() == []
    port.queue_error(-330)
    with pytest.raises(SupplyError, match="error -330 Self-test failed"):
        supply.set_current_limit(5.0)


def test_a_supply_that_does_not_do_what_it_is_told(supply, port, model):
    supply.output(True)
    port.lies = True
    with pytest.raises(SupplyError, match=r"set to 5 V but reads back 0 V"):
        supply.set_voltage(5.0)
    with pytest.raises(SupplyError, match="Switch it off by hand"):
        supply.output(False)
    assert model.output_on
    port.lies = False


# --- silent, late, senseless ---------------------------------------------------------------


def test_no_answer_within_the_time(supply, port):
    port.silent = True
    before_s = time.monotonic()
    with pytest.raises(SupplyError, match=r"No answer to 'MEAS:VOLT\?'.*See that it is on"):
        supply.measure_v()
    assert time.monotonic() - before_s < 4 * WIRING.timeout_s
    port.silent = False
    assert supply.measure_v() == 0.0


def test_silent_from_the_start(port):
    port.silent = True
    with pytest.raises(SupplyError, match="sent nothing"):
        BenchSupply(WIRING, port.path)
    port.silent = False
    BenchSupply(WIRING, port.path).close()  # the port was given back


def test_a_late_reply_is_never_taken_for_the_answer_to_the_next_query(supply, port, model):
    supply.set_voltage(12.0)
    supply.output(True)
    model.drawn_a = 3.0
    port.delay_s = 0.25
    with pytest.raises(SupplyError):
        supply.measure_v()
    port.delay_s = 0.0
    for _ in range(5):
        try:
            amperes = supply.measure_a()
        except SupplyError:
            continue
        assert amperes == 3.0
    assert supply.measure_a() == 3.0
    assert supply.measure_v() == 12.0


def test_a_reply_without_its_end_is_no_reply(supply, port):
    port.line_end = b""
    with pytest.raises(SupplyError, match="without a line end"):
        supply.measure_v()
    port.line_end = b"\n"
    assert supply.measure_v() == 0.0


def test_a_query_that_the_supply_does_not_know_is_told_with_its_error(supply, port, monkeypatch):
    instrument = port._instrument
    known = instrument._commands
    monkeypatch.setattr(instrument, "_commands", [c for c in known if c.nodes[0].long != "MEASURE"])
    with pytest.raises(SupplyError, match="It reports error -113 Undefined header"):
        supply.measure_v()
    monkeypatch.undo()
    assert supply.measure_v() == 0.0


def test_a_supply_that_knows_no_error_queue(supply, port, monkeypatch):
    instrument = port._instrument
    known = instrument._commands
    monkeypatch.setattr(instrument, "_commands", [c for c in known if c.nodes[0].long != "SYSTEM"])
    with pytest.raises(SupplyError):
        supply.set_voltage(5.0)


@pytest.mark.parametrize("reply", ["9.91E37", "nan", "hello", ""])
def test_a_measurement_that_is_no_number(supply, model, reply):
    model.measured_v = lambda: Text(reply)
    with pytest.raises(SupplyError, match="makes no sense"):
        supply.measure_v()
    del model.measured_v
    assert supply.measure_v() == 0.0


class Text(str):
    """Something the instrument prints as it is."""

    __slots__ = ()

    def __format__(self, spec):
        return str(self)


# --- unplugged -----------------------------------------------------------------------------


def test_unplugging_is_told_and_reconnecting_leaves_the_output_alone(supply, port, model):
    supply.set_voltage(12.0)
    supply.output(True)
    port.unplug()
    with pytest.raises(SupplyError, match=r"was lost.*may still be on"):
        supply.measure_v()
    with pytest.raises(SupplyError, match="not connected"):
        supply.measure_v()
    model.output_on = False  # it tripped meanwhile
    port.replug()
    supply.reconnect()
    assert not model.output_on
    assert supply.identify().startswith("Low Meadow")


@pytest.mark.parametrize(
    "call",
    [
        lambda s: s.measure_v(),
        lambda s: s.set_voltage(5.0),
        lambda s: s.output(True),
        lambda s: s.errors(),
        lambda s: s.identify(),
        lambda s: s._link.drain(),
        lambda s: s._link.receive(),
    ],
)
def test_unplugged_anywhere_only_supply_errors_come_out(supply, port, call):
    """pyserial lets OSError, SerialException and termios.error through, by call."""
    port.unplug()
    with pytest.raises(SupplyError):
        call(supply)
    supply.close()


def test_still_unplugged(supply, port):
    port.unplug()
    with pytest.raises(SupplyError, match="cannot be opened"):
        supply.reconnect(patience_s=0.2)


def test_another_instrument_is_refused(supply, port, monkeypatch):
    monkeypatch.setattr("drivers.simulated.scpi_instrument.IDENTITY", "Low Meadow,Other,2,1.0")
    with pytest.raises(SupplyError, match="Another instrument answers"):
        supply.reconnect()
    with pytest.raises(SupplyError, match="not connected"):
        supply.measure_v()


def test_the_port_is_held_exclusively(supply, port):
    with pytest.raises(SupplyError, match="no other program uses the port"):
        BenchSupply(WIRING, port.path)
    with pytest.raises(serial.SerialException):
        serial.Serial(port.path, exclusive=True)


def test_absent_port(tmp_path):
    with pytest.raises(SupplyError, match="cannot be opened"):
        BenchSupply(WIRING, str(tmp_path / "none"))


# --- replies -------------------------------------------------------------------------------


@given(number=st.integers(-999, 999), text=st.text(st.characters(codec="ascii"), max_size=20))
def test_error_entries_survive_the_line(number, text):
    text = text.replace("\n", " ").replace("\r", " ")
    quoted = text.replace('"', '""')
    assert parse_error(f'{number},"{quoted}"') == ScpiError(number, text)


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        (-113, "command"),
        (-222, "execution"),
        (-310, "device"),
        (-410, "query"),
        (17, "device"),
        (-500, "other"),
    ],
)
def test_error_classes(number, kind):
    assert ScpiError(number, "").kind == kind


def test_forms_of_replies():
    assert parse_error('+0,"No error"') == (0, "No error")
    assert [parse_number(text) for text in ("12", "+12.0", "1.2E+01")] == [12.0] * 3
    assert [parse_switch(text) for text in ("1", "0", "ON", "off")] == [True, False, True, False]
    for parse, reply in ((parse_error, "0"), (parse_number, "x"), (parse_switch, "2")):
        with pytest.raises(ValueError, match=r".+"):
            parse(reply)
