"""The ring between bench and console."""

from math import nan

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.contact import ContactEstimate
from rig.bench.recorder import Recorder
from rig.bench.requests import Sample
from rig.bench.ring import COLUMNS, SAMPLES, SampleRing


def sample(k):
    return Sample(k / 1000, k % 7, 12.0, True, bool(k % 2), 0, nan, False, None, True)


@pytest.fixture
def pair():
    maker = SampleRing()
    writer = SampleRing(maker.name)
    yield maker, writer
    writer.close()
    maker.close()


def test_what_is_written_is_read_in_order(pair):
    reader, writer = pair
    for k in range(100):
        writer.write(sample(k))
    seen, rows = reader.since(0)
    assert seen == 100
    assert rows.shape == (100, len(COLUMNS))
    np.testing.assert_array_equal(rows[:, 0], np.arange(100) / 1000)
    seen, rows = reader.since(seen)
    assert len(rows) == 0


def test_a_reader_that_falls_behind_gets_the_newest_and_knows_the_loss(pair):
    reader, writer = pair
    total = SAMPLES + 500
    for k in range(total):
        writer.write(sample(k))
    seen, rows = reader.since(100)
    assert seen == total
    assert len(rows) <= SAMPLES
    assert rows[-1, 0] == (total - 1) / 1000
    assert total - len(rows) - 100 >= 400  # lost: asked from 100, the oldest still there is later


def test_closing_twice_is_allowed():
    ring = SampleRing()
    ring.close()
    ring.close()


def test_a_trace_from_the_recorder_has_the_samples_and_the_wired_switches():
    recorder = Recorder()
    for k in range(10):
        recorder.add(sample(k))
    trace = recorder.trace()
    assert len(trace) == 10
    assert set(trace.extra) == {"at_stop"}
    assert list(trace.ignition_feed[:3]) == [False, True, False]
    recorder.drop_since(0.005)
    assert len(recorder) == 5
    assert len(recorder.trace(from_s=0.003)) == 2


@given(
    st.lists(st.tuples(st.booleans(), st.floats(0.001, 0.5)), max_size=20),
    st.floats(0, 0.02),
    st.floats(0, 0.02),
)
def test_a_contact_follows_its_command_after_the_declared_delay(commands, operate_s, release_s):
    contact = ContactEstimate(operate_s, release_s)
    t = 0.0
    state = False
    for on, gap_s in commands:
        contact.command(on, t)
        if on != state:
            delay_s = operate_s if on else release_s
            if delay_s > 1e-6 and gap_s > delay_s:
                assert contact.at(t + delay_s * 0.5) is state
            state = on
        t += max(gap_s, 0.03)
        assert contact.at(t) is state
