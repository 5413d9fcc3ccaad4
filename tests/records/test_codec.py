from __future__ import annotations

import json
import struct
import tracemalloc
import zlib

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from rig.analysis.trace import Trace
from rig.records import codec
from rig.records.codec import CodecError, pack, unpack


def same_bits(a, b):
    return a.dtype == b.dtype and a.tobytes() == b.tobytes()


def assert_same(a: Trace, b: Trace):
    for name in ("time_s", "current_a", "voltage_v", "battery_feed", "ignition_feed"):
        assert same_bits(getattr(a, name), getattr(b, name)), name
    assert (a.flags is None) == (b.flags is None)
    assert a.flags is None or same_bits(a.flags, b.flags)
    assert list(a.extra) == list(b.extra)
    assert all(same_bits(a.extra[name], b.extra[name]) for name in a.extra)


@st.composite
def traces(draw):
    n = draw(st.integers(0, 40))

    def bits():
        # every 64-bit pattern, so every NaN, -0.0, infinity and subnormal
        return draw(hnp.arrays(np.uint64, n)).view(np.float64)

    times = draw(
        st.lists(
            st.floats(allow_nan=False, allow_infinity=False),
            min_size=n,
            max_size=n,
            unique_by=lambda x: x + 0.0,
        )
    )
    return Trace(
        np.array(sorted(times), dtype=np.float64),
        bits(),
        bits(),
        draw(hnp.arrays(np.bool_, n)),
        draw(hnp.arrays(np.bool_, n)),
        draw(st.none() | hnp.arrays(np.uint8, n)),
        {name: bits() for name in draw(st.lists(st.text(max_size=5), max_size=2, unique=True))},
    )


@given(traces())
def test_every_trace_comes_back_bit_for_bit(trace):
    assert_same(unpack(pack(trace)), trace)


@pytest.mark.parametrize("levels", [1, 250, 300, 70_000])
def test_columns_of_few_and_of_many_values_come_back(levels):
    rng = np.random.default_rng(levels)
    n = 80_000
    column = rng.permutation(rng.normal(size=levels).repeat(n // levels + 1)[:n])
    on = np.zeros(n, np.bool_)
    trace = Trace(np.arange(n) / 1000, column, rng.normal(size=n), on, on)
    assert_same(unpack(pack(trace)), trace)


def test_a_trace_may_be_changed_after_unpacking(make):
    trace = unpack(pack(make.trace()))
    trace.current_a[0] = 1.0
    trace.flags[0] = 1


@given(st.data())
@example(None)
def test_any_damaged_byte_is_noticed(data):
    n = 50
    on = np.arange(n) > 20
    blob = pack(Trace(np.arange(n) / 7, np.arange(n) % 5.0, np.full(n, 12.6), on, on))
    places = range(len(blob)) if data is None else [data.draw(st.integers(0, len(blob) - 1))]
    for at in places:
        change = 1 if data is None else data.draw(st.integers(1, 255))
        damaged = blob[:at] + bytes([blob[at] ^ change]) + blob[at + 1 :]
        with pytest.raises(CodecError):
            unpack(damaged)


@given(st.data())
def test_a_cut_blob_is_noticed(data):
    on = np.zeros(3, np.bool_)
    blob = pack(Trace(np.arange(3.0), np.zeros(3), np.zeros(3), on, on))
    with pytest.raises(CodecError):
        unpack(blob[: data.draw(st.integers(0, len(blob) - 1))])


def test_a_sensor_trace_packs_to_a_third_of_its_float64(make):
    # our own figure: an hour at 1 kHz must not fill a memory card (26 B a sample unpacked)
    trace = make.trace(30.0)
    assert len(pack(trace)) < 26 * len(trace) / 3


def _says(layout, *packed):
    """Return a blob in format 1 that says this of itself; its checksum is not right."""
    header = json.dumps(layout).encode()
    return b"HTRC\x01" + struct.pack("<I", len(header)) + header + b"".join(packed) + bytes(32)


@pytest.mark.parametrize(("kind", "method"), [("f8", "plain"), ("f8", "table"), ("bool", "bits")])
def test_a_column_that_would_unpack_to_more_than_its_rows_is_not_unpacked(kind, method):
    packed = zlib.compress(bytes(64_000_000))
    column = {"name": "time_s", "kind": kind, "method": method, "size": len(packed)}
    blob = _says({"rows": 10, "columns": [column]}, packed)
    tracemalloc.start()
    try:
        with pytest.raises(CodecError, match="damaged"):
            unpack(blob)
        assert tracemalloc.get_traced_memory()[1] < 1_000_000
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("rows", [101, 10**12, -1])
def test_a_trace_that_says_it_has_more_samples_than_any_run_is_not_unpacked(rows, monkeypatch):
    monkeypatch.setattr(codec, "_unpack_column", lambda *_: pytest.fail("it was unpacked"))
    packed = zlib.compress(b"")
    column = {"name": "time_s", "kind": "bool", "method": "bits", "size": len(packed)}
    with pytest.raises(CodecError, match="more samples than any run"):
        unpack(_says({"rows": rows, "columns": [column]}, packed), most_rows=100)


def test_the_most_samples_themselves_are_unpacked(make):
    trace = make.trace()
    assert len(unpack(pack(trace), most_rows=len(trace))) == len(trace)
    with pytest.raises(CodecError, match="more samples"):
        unpack(pack(trace), most_rows=len(trace) - 1)
