"""Dates of a record keep order and length whatever the computer's clock does."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench.dates import Dates

BEGAN = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)


class Clocks:
    """A wall's clock that is set now and then, and one that only goes forward."""

    def __init__(self):
        self.real_s = self.set_s = 0.0

    def wall(self):
        return BEGAN + timedelta(seconds=self.real_s + self.set_s)

    def monotonic(self):
        return 1000.0 + self.real_s


@given(st.lists(st.tuples(st.floats(0.0, 1e4), st.floats(-1e6, 1e6)), min_size=1, max_size=8))
def test_dates_go_on_from_the_beginning_by_the_time_that_passed(moves):
    clocks = Clocks()
    dates = Dates(clocks.wall, clocks.monotonic)
    for passed_s, set_s in moves:
        clocks.real_s += passed_s
        clocks.set_s += set_s
        since_s = (dates.now() - BEGAN).total_seconds()
        assert since_s == pytest.approx(clocks.real_s, abs=1e-5)
    stepped = abs(clocks.set_s) > 2.0 + 1e-3
    if stepped:
        assert dates.stepped_s() == pytest.approx(clocks.set_s, abs=1e-5)
        assert ("back" if clocks.set_s < 0 else "forward") in dates.stepped()
    if abs(clocks.set_s) < 2.0 - 1e-3:
        assert dates.stepped() == ""


def test_a_clock_behind_the_newest_run_is_told():
    clocks = Clocks()
    dates = Dates(clocks.wall, clocks.monotonic)
    assert dates.behind(None) == ""
    assert dates.behind(BEGAN) == ""
    text = dates.behind(BEGAN + timedelta(hours=1))
    assert "2026-03-01 12:00:00" in text
    assert "2026-03-01 13:00:00" in text
    assert "Set the clock" in text
