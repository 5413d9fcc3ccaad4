from __future__ import annotations

import gzip
import io
import os
import threading

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rig import tracefile
from rig.analysis.trace import Trace
from rig.tracefile import TraceFileError, read_trace, write_trace

HEADER = "time_s,current_a,voltage_v,battery_feed,ignition_feed\n"
ROWS = "0.0,0.0,12.6,0,0\n0.001,14.2,11.9,1,1\n0.002,2.25,12.4,1,0\n"
NAN = float("nan")


@pytest.fixture
def written(tmp_path):
    def write(content: str | bytes, name: str = "trace.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return write


def assert_the_three_rows(trace: Trace):
    assert trace.time_s.tolist() == [0.0, 0.001, 0.002]
    assert trace.current_a.tolist() == [0.0, 14.2, 2.25]
    assert trace.voltage_v.tolist() == [12.6, 11.9, 12.4]
    assert trace.battery_feed.tolist() == [False, True, True]
    assert trace.ignition_feed.tolist() == [False, True, False]
    assert trace.battery_feed.dtype == np.bool_
    assert trace.flags is None


# --- what is accepted -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "content",
    [
        HEADER + ROWS,
        (HEADER + ROWS).rstrip("\n"),
        (HEADER + ROWS).replace("\n", "\r\n"),
        (HEADER + ROWS).replace("\n", "\r"),
        "\ufeff" + HEADER + ROWS,
        "\n \n" + HEADER + "\n" + ROWS.replace("\n", "\n\n  \n"),
        HEADER.replace(",", " , ") + ROWS.replace(",", " , "),
        '"time_s","current_a","voltage_v","battery_feed","ignition_feed"\n' + ROWS,
        HEADER + ROWS.replace("14.2", '"14.2"'),
        HEADER + "0,0e0,12.6,0,0\n1e-3,+14.2,1190e-2,1.0,1\n2E-3,2.250,12.4,1,0.0\n",
        HEADER + ".0,0.,12.6,0,0\n.001,14.2,11.9,01,1\n.002,2.25,12.4,1,-0\n",
    ],
)
def test_the_same_trace_in_many_spellings(written, content):
    assert_the_three_rows(read_trace(written(content)))


def test_columns_in_any_order(written):
    order = [3, 0, 4, 2, 1]
    lines = [line.split(",") for line in (HEADER + ROWS).split("\n")[:-1]]
    text = "\n".join(",".join(cells[at] for at in order) for cells in lines)
    assert_the_three_rows(read_trace(written(text)))


def test_an_empty_cell_or_nan_is_a_lost_sample(written):
    rows = "0,,12.6,0,0\n1,1.0,,1,1\n2,nan,NaN,1,1\n3,,,1,1\n4, ,\t,1,1\n5,2.0,3.0,1,1\n"
    trace = read_trace(written(HEADER + rows))
    assert np.isnan(trace.current_a).tolist() == [True, False, True, True, True, False]
    assert np.isnan(trace.voltage_v).tolist() == [False, True, True, True, True, False]


@pytest.mark.parametrize("last", ["current_a", "voltage_v"])
def test_a_lost_sample_at_either_end_of_a_row(written, last):
    other = "voltage_v" if last == "current_a" else "current_a"
    header = f"{other},time_s,battery_feed,ignition_feed,{last}\n"
    trace = read_trace(written(header + ",0,1,1,\n,1,1,1,\n5,2,1,1,\n,3,1,1,6\n"))
    np.testing.assert_array_equal(getattr(trace, other), [NAN, NAN, 5, NAN])
    np.testing.assert_array_equal(getattr(trace, last), [NAN, NAN, NAN, 6])


def test_further_columns_are_kept(written):
    text = (
        "coil_a,time_s,current_a,voltage_v,battery_feed,ignition_feed,note,,coil_a,temp\n"
        '0.14,0,1,12,1,1,"good, so far",x,9,\n'
        ",1,1,12,1,1,,,8,21.5\n"
        "inf,2,1,12,1,1,bad,,7,warm\n"
    )
    trace = read_trace(written(text))
    assert list(trace.extra) == ["coil_a", "note", "coil_a_2", "temp"]
    np.testing.assert_array_equal(trace.extra["coil_a"], [0.14, NAN, np.inf])
    np.testing.assert_array_equal(trace.extra["note"], [NAN, NAN, NAN])
    np.testing.assert_array_equal(trace.extra["coil_a_2"], [9, 8, 7])
    np.testing.assert_array_equal(trace.extra["temp"], [NAN, 21.5, NAN])


def test_a_text_column_does_not_slow_nor_disturb(written):
    header = HEADER.replace("\n", ",state\n")
    trace = read_trace(written(header + ROWS.replace("\n", ",turning\n")))
    assert_the_three_rows(trace)
    assert np.isnan(trace.extra["state"]).all()


def test_our_flags_are_read_back_as_flags(written):
    header = HEADER.replace("\n", ",sensor_flags\n")
    trace = read_trace(written(header + "0,,12,1,1,2\n1,1,12,1,1,0\n"))
    assert trace.flags.tolist() == [2, 0]
    assert trace.flags.dtype == np.uint8
    assert trace.extra == {}


@pytest.mark.parametrize("cell", ["256", "0.5", "lost", ""])
def test_somebody_else_s_column_of_that_name_is_just_kept(written, cell):
    header = HEADER.replace("\n", ",sensor_flags\n")
    trace = read_trace(written(header + f"0,1,12,1,1,{cell}\n1,1,12,1,1,0\n"))
    assert trace.flags is None
    assert list(trace.extra) == ["sensor_flags"]


@pytest.mark.parametrize("name", ["trace.csv.gz", "trace.csv"])
def test_compressed_files_by_any_name(written, name):
    assert_the_three_rows(read_trace(written(gzip.compress((HEADER + ROWS).encode()), name)))


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_standard_input(monkeypatch, pack):
    stdin = io.TextIOWrapper(io.BytesIO(pack((HEADER + ROWS).encode())))
    monkeypatch.setattr("sys.stdin", stdin)
    assert_the_three_rows(read_trace("-"))


def test_a_pipe(tmp_path):
    path = tmp_path / "pipe"
    os.mkfifo(path)
    thread = threading.Thread(target=lambda: path.write_text(HEADER + ROWS))
    thread.start()
    assert_the_three_rows(read_trace(path))
    thread.join()


@pytest.fixture
def small_pieces(monkeypatch):
    monkeypatch.setattr(tracefile, "_CHUNK", 16)
    monkeypatch.setattr(tracefile, "_ROWS", 3)


def test_a_file_read_in_pieces_is_the_same(written, small_pieces):
    assert_the_three_rows(read_trace(written("\n\n" + HEADER + "\n" + ROWS)))


def test_long_files(written):
    n = 300_000  # longer than one piece
    time_s = np.arange(n) / 1000
    text = "".join(f"{t!r},1.5,12.5,1,1\n" for t in time_s.tolist())
    trace = read_trace(written(HEADER + text))
    assert len(text) > tracefile._CHUNK / 2
    assert trace.time_s.tobytes() == time_s.tobytes()


# --- what is refused --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", ["the file is empty", "a header and at least one row"]),
        (" \n\n", ["the file is empty"]),
        (HEADER, ["there are no rows"]),
        (HEADER + "\n \n", ["there are no rows"]),
        (ROWS, ["line 1", "lacks time_s, current_a", "time_s,current_a,voltage_v,battery_feed"]),
        ("\ntime_s,current_a\n0,0\n", ["line 2", "lacks voltage_v, battery_feed, ignition_feed"]),
        (HEADER.replace("time_s", "Time"), ["line 1", "lacks time_s", "“Time,current_a"]),
        (HEADER.replace("\n", ",time_s\n") + "0,0,0,0,0,0\n", ["column time_s", "named twice"]),
        ((HEADER + ROWS).replace(",", ";"), ["line 1", "semicolons", "commas"]),
        ((HEADER + ROWS).replace(",", "\t"), ["line 1", "tabs", "commas"]),
        (HEADER + ROWS + "0.003,1,12.4,1\n", ["line 5", "4 cells", "5 columns"]),
        (HEADER + ROWS + "0,003,1,1,12,4,1,1\n", ["line 5", "8 cells", "decimal comma"]),
        (HEADER + '0,"1,5",12,1,1\n', ["line 2", "current_a", "“1,5” is not a number"]),
        (HEADER + '0,"1.5,12,1,1\n', ["line 2", "quotation marks"]),
        (HEADER + ROWS + "\n0.003,n/a,12.4,1,0\n", ["line 6", "column current_a", "“n/a”", "nan"]),
        (HEADER + ROWS + "0.003,1,12V,1,0\n", ["line 5", "column voltage_v", "“12V”", "volts"]),
        (HEADER + "0,1_000,12,1,1\n", ["line 2", "column current_a", "“1_000”"]),
        (HEADER + "0,0x10,12,1,1\n", ["line 2", "column current_a", "“0x10”"]),
        (HEADER + "0,١,12,1,1\n", ["line 2", "column current_a", "“١”"]),
        (HEADER + "0,#1,12,1,1\n", ["line 2", "column current_a", "“#1”"]),
        (HEADER + "# made by hand\n" + ROWS, ["line 2", "1 cells"]),
        (HEADER + "0,inf,12,1,1\n", ["line 2", "column current_a", "inf is not allowed"]),
        (HEADER + "0,1,-inf,1,1\n", ["line 2", "column voltage_v", "-inf is not allowed"]),
        (HEADER + "0,1e999,12,1,1\n", ["line 2", "column current_a", "inf is not allowed"]),
        (HEADER + ROWS + "inf,1,12,1,1\n", ["line 5", "column time_s", "inf is not allowed"]),
        (HEADER + ROWS + ",1,12,1,1\n", ["line 5", "column time_s", "empty or nan", "seconds"]),
        (HEADER + ROWS + "nan,1,12,1,1\n", ["line 5", "column time_s", "empty or nan"]),
        (
            HEADER + ROWS + "0.003,1,12,2,1\n",
            ["line 5", "battery_feed", "2 is not allowed", "0 (off)"],
        ),
        (HEADER + ROWS + "0.003,1,12,1,0.5\n", ["line 5", "ignition_feed", "0.5 is not allowed"]),
        (HEADER + ROWS + "0.003,1,12,1,\n", ["line 5", "ignition_feed", "empty or nan"]),
        (HEADER + ROWS + "0.003,1,12,on,1\n", ["line 5", "battery_feed", "“on”", "1 (made)"]),
        (HEADER + ROWS + "\n0.002,1,12,1,1\n", ["line 6", "time_s", "0.002", "on line 4"]),
        (HEADER + ROWS + "0.0015,1,12,1,1\n", ["line 5", "0.0015", "0.002 on line 4", "increase"]),
        (HEADER + "0,1,12,1,1\n5,1,12,3,1\n1,1,12,1,1\n", ["line 3", "battery_feed"]),
        (HEADER.encode() + b"0,1,12,1,1\n1,\xff,12,1,1\n", ["line 3", "not UTF-8"]),
        ((HEADER + ROWS).encode("utf-16"), ["UTF-16", "save it as UTF-8"]),
        (gzip.compress((HEADER + ROWS).encode(), mtime=0)[:-9], ["damaged or cut off"]),
        (b"\x1f\x8b nonsense", ["damaged or cut off"]),
        (b"\x00\x01\x02\x1b[31m\n", ["line 1", "lacks time_s", "\ufffd"]),
    ],
)
@pytest.mark.parametrize("pieces", ["whole", "in pieces"])
def test_every_mistake_names_file_line_column_and_what_is_allowed(
    written, content, says, pieces, monkeypatch
):
    if pieces == "in pieces":
        monkeypatch.setattr(tracefile, "_CHUNK", 5)
    path = written(content)
    with pytest.raises(TraceFileError) as caught:
        read_trace(path)
    message = str(caught.value)
    assert message.startswith(str(path))
    for part in says:
        assert part in message
    assert message.replace(" ", "").isprintable()


def test_a_path_that_is_no_file(tmp_path):
    with pytest.raises(TraceFileError, match="there is no such file"):
        read_trace(tmp_path / "no.csv")
    with pytest.raises(TraceFileError, match="this is a folder"):
        read_trace(tmp_path)
    assert issubclass(TraceFileError, ValueError)


def test_a_file_too_large_is_refused_before_it_fills_the_memory(written, monkeypatch):
    monkeypatch.setattr(tracefile, "MAX_BYTES", 1000)
    monkeypatch.setattr(tracefile, "_CHUNK", 100)
    bomb = gzip.compress((HEADER + ROWS).encode() + b"\n" * 10**6)
    with pytest.raises(TraceFileError, match="larger than"):
        read_trace(written(bomb))


@settings(max_examples=150)
@given(st.binary(max_size=60), st.booleans(), st.booleans())
@example(b'"', True, False)
def test_any_bytes_are_a_trace_or_a_told_mistake(tmp_path_factory, content, header, pieces):
    path = tmp_path_factory.getbasetemp() / "any.csv"
    path.write_bytes((HEADER.encode() if header else b"") + content)
    try:
        told = str(path) if len(read_trace(path)) else "nothing"
    except TraceFileError as error:
        told = str(error)
    assert str(path) in told


cell = st.sampled_from(
    ["", "0", "1", "2.5", " 1 ", "nan", "x", '"1"', '"', "1,", "1e3", "-0", "inf"]
)


@settings(max_examples=150)
@given(st.lists(st.lists(cell, min_size=5, max_size=6).map(",".join), min_size=1, max_size=3))
def test_the_fast_way_and_the_careful_way_agree(tmp_path_factory, rows):
    """The same rows, once as they are and once with a blank that numpy's parser refuses."""
    path = tmp_path_factory.getbasetemp() / "both.csv"
    answers = []
    for blank in ("", " \n"):
        path.write_text(HEADER + "\n".join(rows) + "\n" + blank)
        try:
            trace = read_trace(path)
            answers.append(repr([trace.time_s, trace.current_a, trace.voltage_v, trace.extra]))
        except TraceFileError as error:
            answers.append(str(error))
    assert answers[0] == answers[1]


# --- writing ----------------------------------------------------------------------------------


def bits(column):
    """The bit patterns, all NaNs alike: text has only one."""
    return np.where(np.isnan(column), np.nan, column).view(np.int64).tolist()


def assert_same(a: Trace, b: Trace):
    assert bits(a.time_s) == bits(b.time_s)
    assert bits(a.current_a) == bits(b.current_a)
    assert bits(a.voltage_v) == bits(b.voltage_v)
    assert a.battery_feed.tolist() == b.battery_feed.tolist()
    assert a.ignition_feed.tolist() == b.ignition_feed.tolist()
    assert (a.flags is None) == (b.flags is None)
    assert a.flags is None or a.flags.tolist() == b.flags.tolist()
    assert list(a.extra) == list(b.extra)
    assert all(bits(a.extra[name]) == bits(b.extra[name]) for name in a.extra)


names = st.text(st.characters(codec="utf-8", categories=("L", "N", "P", "S")), min_size=1).filter(
    lambda name: name not in (*tracefile.REQUIRED, tracefile.FLAGS)
)


@st.composite
def traces(draw):
    n = draw(st.integers(1, 12))

    def column(**kind):
        return draw(hnp.arrays(np.float64, n, elements=st.floats(**kind)))

    times = st.lists(
        st.floats(allow_nan=False, allow_infinity=False),
        min_size=n,
        max_size=n,
        unique_by=lambda x: x + 0.0,
    )
    return Trace(
        np.array(sorted(draw(times))),
        column(allow_infinity=False),
        column(allow_infinity=False),
        draw(hnp.arrays(np.bool_, n)),
        draw(hnp.arrays(np.bool_, n)),
        draw(st.none() | hnp.arrays(np.uint8, n)),
        {name: column() for name in draw(st.lists(names, max_size=2, unique=True))},
    )


@given(trace=traces(), name=st.sampled_from(["trace.csv", "trace.csv.gz"]))
def test_what_is_written_reads_back_bit_for_bit(trace, name, tmp_path_factory):
    path = tmp_path_factory.getbasetemp() / name
    write_trace(path, trace)
    assert_same(read_trace(path), trace)


def test_written_in_pieces_it_is_the_same(tmp_path, small_pieces):
    n = 11
    trace = Trace(
        np.arange(n) / 7,
        np.arange(n) / 3,
        np.full(n, NAN),
        np.arange(n) > 4,
        np.arange(n) > 5,
        np.arange(n, dtype=np.uint8),
        {"coil, 2": np.arange(n) * 1.0},
    )
    write_trace(tmp_path / "t.csv", trace)
    assert_same(read_trace(tmp_path / "t.csv"), trace)


@pytest.fixture
def trace():
    on = np.array([False, True])
    return Trace(np.array([0.0, 0.1]), np.array([-0.0, NAN]), np.array([12.6, 1e-7]), on, on)


def test_the_text_is_plain_csv(tmp_path, trace):
    write_trace(tmp_path / "t.csv", trace)
    assert (tmp_path / "t.csv").read_bytes() == (
        b"time_s,current_a,voltage_v,battery_feed,ignition_feed\n"
        b"0.0,-0.0,12.6,0,0\n"
        b"0.1,,1e-07,1,1\n"
    )


def test_the_same_trace_makes_the_same_compressed_file(tmp_path, trace):
    for name in ("a.csv.gz", "b.csv.gz"):
        write_trace(tmp_path / name, trace)
    packed = (tmp_path / "a.csv.gz").read_bytes()
    assert packed == (tmp_path / "b.csv.gz").read_bytes()
    assert gzip.decompress(packed).decode().startswith(HEADER)


def test_standard_output(capfdbinary, trace):
    write_trace("-", trace)
    assert capfdbinary.readouterr().out.decode().startswith(HEADER)


def test_a_file_appears_whole_or_not_at_all(tmp_path, trace, monkeypatch):
    path = tmp_path / "t.csv"
    path.write_text("as it was")

    def full(_trace):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(tracefile, "_row_lines", full)
    with pytest.raises(TraceFileError, match="could not be written: No space left"):
        write_trace(path, trace)
    assert path.read_text() == "as it was"
    assert [p.name for p in tmp_path.iterdir()] == ["t.csv"]


def test_a_place_that_cannot_be_written_is_told(tmp_path, trace):
    with pytest.raises(TraceFileError, match="there is no such folder"):
        write_trace(tmp_path / "no" / "t.csv", trace)
    with pytest.raises(TraceFileError, match="this is a folder"):
        write_trace(tmp_path, trace)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"current_a": [np.inf, 0]}, "infinite"),
        ({"voltage_v": [-np.inf, 0]}, "infinite"),
        ({"time_s": [0, np.inf]}, "not finite"),
        ({"extra": {"time_s": [0, 0]}}, "cannot be named “time_s”"),
        ({"extra": {"sensor_flags": [0, 0]}}, "cannot be named"),
        ({"extra": {" x": [0, 0]}}, "cannot be named"),
        ({"extra": {"": [0, 0]}}, "cannot be named"),
        ({"extra": {"a\nb": [0, 0]}}, "control characters"),
    ],
)
def test_what_would_not_read_back_is_not_written(tmp_path, trace, changes, says):
    values = {"time_s": trace.time_s, "current_a": trace.current_a, "voltage_v": trace.voltage_v}
    values |= {name: np.array(c, float) for name, c in changes.items() if name != "extra"}
    extra = {name: np.array(c, float) for name, c in changes.get("extra", {}).items()}
    bad = Trace(
        **values, battery_feed=trace.battery_feed, ignition_feed=trace.battery_feed, extra=extra
    )
    with pytest.raises(TraceFileError, match=says):
        write_trace(tmp_path / "t.csv", bad)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_trace_is_not_written(tmp_path, trace):
    with pytest.raises(TraceFileError, match="no samples"):
        write_trace(tmp_path / "t.csv", trace.rows(0, 0))
