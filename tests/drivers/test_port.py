"""The simulated supply's SCPI, against the standard.

Sources: SCPI-1999 volume 1 (short and long forms, header paths, booleans, suffixes) and volume 2,
21.8 (errors, tests/reference/scpi_errors.csv); IEEE 488.2 (common commands, status registers).
"""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
import serial
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.simulated.port import ScpiSupplyPort
from drivers.simulated.scpi_instrument import ERROR_TEXTS, QUEUE_LENGTH, ScpiInstrument

ERRORS_CSV = Path(__file__).parents[1] / "reference" / "scpi_errors.csv"


@pytest.fixture
def instrument(model):
    made = ScpiInstrument(model, 32.0, 40.0)
    made.execute("*CLS")
    return made


def errors(instrument):
    found = []
    while (reply := instrument.execute("SYST:ERR?")) != '0,"No error"':
        found.append(int(reply.split(",")[0]))
    return found


# --- errors --------------------------------------------------------------------------------


def test_error_texts_are_the_standards():
    with ERRORS_CSV.open(encoding="utf-8") as file:
        rows = csv.DictReader(line for line in file if not line.startswith("#"))
        standard = {int(row["number"]): row["text"] for row in rows}
    assert len(standard) > 100
    for number, text in ERROR_TEXTS.items():
        assert standard[number] == text


@pytest.mark.parametrize(
    ("message", "number"),
    [
        ("VOL 5", -113),
        ("VOLTAG 5", -113),
        ("FOO?", -113),
        ("*FOO", -113),
        ("MEAS:VOLT 5", -113),
        ("VOLT", -109),
        ("VOLT 5,6", -108),
        ("MEAS:VOLT? 1", -108),
        ("*IDN? 1", -108),
        ("VOLT abc", -141),
        ('VOLT "5"', -104),
        ("VOLT 5A", -131),
        ("CURR 5 V", -131),
        ("VOLT 33", -222),
        ("VOLT -1", -222),
        ("CURR 1E9", -222),
        ("OUTP MAYBE", -224),
        ("VOLT#5", -101),
        ("VOLT: 5", -102),
        ("VERYLONGMNEMONIC 5", -112),
    ],
)
def test_error_numbers(instrument, model, message, number):
    assert instrument.execute(message) is None
    assert errors(instrument) == [number]
    assert (model.set_v, model.limit_a, model.output_on) == (0.0, 0.0, False)


def test_the_queue_is_first_in_first_out_and_ends_in_overflow(instrument):
    for _ in range(QUEUE_LENGTH - 1):
        instrument.execute("VOLT 99")
    instrument.execute("FOO")
    assert errors(instrument) == [-222] * (QUEUE_LENGTH - 1) + [-113]
    for _ in range(QUEUE_LENGTH + 5):
        instrument.execute("VOLT 99")
    assert errors(instrument) == [-222] * (QUEUE_LENGTH - 1) + [-350]


def test_the_queue_is_cleared(instrument):
    instrument.execute("VOLT 99")
    instrument.execute("*CLS")
    assert errors(instrument) == []
    assert instrument.execute("SYSTem:ERRor:NEXT?") == '0,"No error"'


# --- headers -------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "header",
    [
        "VOLT",
        "VOLTAGE",
        "voltage",
        "Volt",
        ":VOLT",
        "SOUR:VOLT",
        "SOURCE:VOLTAGE:LEVEL",
        "SOURce:VOLTage:LEVel:IMMediate:AMPLitude",
        "volt:imm",
        "VOLT:AMPL",
    ],
)
def test_forms_of_a_header(instrument, model, header):
    instrument.execute(f"{header} 7.5")
    assert errors(instrument) == []
    assert model.set_v == 7.5


@given(name=st.sampled_from(["VOLTage", "CURRent", "OUTPut", "MEASure", "SYSTem"]), data=st.data())
def test_only_the_two_forms_are_accepted(name, data):
    """Short: the first four letters, or three if the fourth is a vowel (SCPI-1999)."""
    word = name.upper()
    short = word[:3] if word[3] in "AEIOU" else word[:4]
    cut = data.draw(st.integers(1, len(word)))
    rest = {"MEASure": ":VOLT?", "SYSTem": ":ERR?"}.get(name, "?")
    instrument = ScpiInstrument(_still(), 32.0, 40.0)
    reply = instrument.execute(word[:cut] + rest)
    assert (reply is not None) is (word[:cut] in (word, short))
    assert errors(instrument) == ([] if reply is not None else [-113])


def _still():
    class Still:
        set_v = limit_a = 0.0
        output_on = False

        def measured_v(self):
            return 0.0

        def measured_a(self):
            return 0.0

    return Still()


def test_the_path_stays_at_the_last_node(instrument, model):
    instrument.execute("SOUR:VOLT 5;CURR 2")
    assert (model.set_v, model.limit_a) == (5.0, 2.0)
    assert instrument.execute("MEAS:VOLT?;CURR?") == "0.000;0.000"
    assert errors(instrument) == []
    # SYSTem:OUTPut does not exist; :OUTPut does
    assert instrument.execute("SYST:ERR?;OUTP?") == '0,"No error"'
    assert errors(instrument) == [-113]
    assert instrument.execute("SYST:ERR?;:OUTP?") == '0,"No error";0'


def test_common_commands_leave_the_path(instrument):
    assert instrument.execute("MEAS:VOLT?;*OPC?;CURR?") == "0.000;1;0.000"


def test_the_path_starts_at_the_root_with_every_message(instrument):
    instrument.execute("MEAS:VOLT?")
    assert instrument.execute("VOLT?") == "0.000"


def test_a_command_error_ends_the_message_and_an_execution_error_does_not(instrument, model):
    instrument.execute("FOO;VOLT 5")
    assert model.set_v == 0.0
    instrument.execute("CURR 99;VOLT 5")
    assert model.set_v == 5.0


# --- parameters ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "volts"),
    [
        ("5", 5.0),
        ("+5.5", 5.5),
        (".5", 0.5),
        ("5.", 5.0),
        ("1.26E1", 12.6),
        ("1260e-2", 12.6),
        ("5V", 5.0),
        ("5 V", 5.0),
        ("5500 mV", 5.5),
        ("5500MV", 5.5),
        ("MIN", 0.0),
        ("MAXimum", 32.0),
    ],
)
def test_numbers_and_suffixes(instrument, model, text, volts):
    instrument.execute(f"VOLT {text}")
    assert errors(instrument) == []
    assert model.set_v == pytest.approx(volts)
    assert float(instrument.execute("VOLT?")) == pytest.approx(volts)


def test_ends_of_the_range(instrument):
    assert instrument.execute("VOLT? MIN;:CURR? MAX") == "0.000;40.000"


@pytest.mark.parametrize(
    ("text", "on"), [("ON", True), ("off", False), ("1", True), ("0", False), ("0.4", False)]
)
def test_switch(instrument, model, text, on):
    model.output_on = not on
    instrument.execute(f"OUTPut:STATe {text}")
    assert model.output_on is on
    assert instrument.execute("OUTP?") == str(int(on))


# --- common commands -----------------------------------------------------------------------


def test_identity_has_four_fields(instrument):
    assert instrument.execute("*IDN?").count(",") == 3


def test_version(instrument):
    assert instrument.execute("SYST:VERS?") == "1999.0"


def test_event_status_bits(model):
    """Power on 128, command error 32, execution error 16, device error 8, complete 1."""
    instrument = ScpiInstrument(model, 32.0, 40.0)
    assert instrument.execute("*ESR?") == "128"
    for cause, bit in (("FOO", 32), ("VOLT 99", 16), ("*OPC", 1)):
        instrument.execute(cause)
        assert instrument.execute("*ESR?") == str(bit)
        assert instrument.execute("*ESR?") == "0"
    instrument.queue_error(-310)
    assert instrument.execute("*ESR?") == "8"
    instrument.queue_error(-410)
    assert instrument.execute("*ESR?") == "4"


def test_status_byte(instrument):
    assert instrument.execute("*STB?") == "0"
    instrument.execute("VOLT 99")
    assert instrument.execute("*STB?") == "4"  # something in the error queue
    instrument.execute("*ESE 16")
    assert instrument.execute("*STB?") == str(4 + 32)
    instrument.execute("*SRE 32")
    assert instrument.execute("*STB?") == str(4 + 32 + 64)
    assert instrument.execute("*ESE?;*SRE?") == "16;32"


def test_reset_switches_off(instrument, model):
    instrument.execute("VOLT 12;CURR 5;:OUTP ON")
    assert model.output_on
    instrument.execute("*RST")
    assert (model.set_v, model.limit_a, model.output_on) == (0.0, 0.0, False)


@pytest.mark.parametrize("query", ["*OPC?", "*TST?", "*STB?", "*ESE?", "*SRE?"])
def test_mandatory_queries_answer_with_a_number(instrument, query):
    assert instrument.execute(query).isdigit()


@settings(max_examples=300)
@given(
    st.one_of(
        st.text(max_size=60),
        st.lists(
            st.sampled_from(
                ["VOLT", "SOUR", ":", ";", "?", " ", "*IDN", "5", "1e999", "OUTP", ",", "mV", "MAX"]
            ),
            max_size=12,
        ).map("".join),
    )
)
def test_no_message_upsets_it(message):
    instrument = ScpiInstrument(_still(), 32.0, 40.0)
    reply = instrument.execute(message)
    assert reply is None or isinstance(reply, str)
    instrument.execute("*CLS")
    assert instrument.execute("*IDN?") is not None


# --- the port ------------------------------------------------------------------------------


@pytest.fixture
def port(model):
    made = ScpiSupplyPort(model)
    yield made
    made.close()


def test_lines_over_a_pseudo_terminal(port, model):
    with serial.Serial(port.path, 9600, timeout=1) as link:
        link.write(b"VOLT 12\r\nVOLT?\n*ID")
        assert link.readline() == b"12.000\n"
        link.write(b"N?\n")
        assert link.readline().startswith(b"Low Meadow,")
    with serial.Serial(port.path, 9600, timeout=1) as link:  # and again after closing
        link.write(b"VOLT?\n")
        assert link.readline() == b"12.000\n"


def test_several_replies_to_one_message_share_a_line(port):
    with serial.Serial(port.path, timeout=1) as link:
        link.write(b"VOLT?;*OPC?\n")
        assert link.readline() == b"0.000;1\n"


def test_unplugged_and_plugged_in_again(port, model):
    model.set_v = 5.0
    assert Path(port.path).exists()
    port.unplug()
    port.unplug()
    assert not Path(port.path).exists()
    port.replug()
    with serial.Serial(port.path, timeout=1) as link:
        link.write(b"VOLT?\n")
        assert link.readline() == b"5.000\n"


def test_closing_leaves_nothing_open(model):
    before = len(list(Path("/proc/self/fd").iterdir()))
    port = ScpiSupplyPort(model)
    folder = Path(port.path).parent
    port.close()
    port.close()
    assert len(list(Path("/proc/self/fd").iterdir())) == before
    assert not folder.exists()
