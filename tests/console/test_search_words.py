from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.console.search_words import NO_VERDICT, SearchWords, filter_of
from rig.records.model import RunFilter


def test_nothing_typed_wants_every_run():
    assert filter_of(SearchWords()) == (RunFilter(), {})
    assert filter_of(SearchWords(unit="  ", job="\t")) == (RunFilter(), {})


def test_words_become_parts_and_a_verdict_its_own_word():
    wanted, troubles = filter_of(SearchWords(" 0288 ", "J-1", "qual", verdict="fail"))
    assert troubles == {}
    assert wanted == RunFilter(
        serial_part="0288", reference_part="J-1", plan_part="qual", verdict="fail"
    )
    assert filter_of(SearchWords(verdict=NO_VERDICT))[0] == RunFilter(unjudged=True)


@given(st.dates(date(1971, 1, 1), date(2999, 1, 1)))
def test_a_day_reaches_from_its_midnight_to_the_next_here(day):
    wanted, troubles = filter_of(SearchWords(since=f"{day}", until=f"{day}"))
    assert troubles == {}
    midnight = datetime.combine(day, time()).astimezone()
    assert wanted.since == midnight
    assert wanted.since.tzinfo == UTC
    assert wanted.until - wanted.since == timedelta(days=1)


@pytest.mark.parametrize("typed", ["2", "2026", "2026-", "2026-1", "2026-11", "2026-11-"])
def test_a_date_that_is_being_typed_is_said_to_be_unfinished(typed):
    wanted, troubles = filter_of(SearchWords(since=typed))
    assert wanted == RunFilter()
    assert list(troubles) == ["since"]
    assert "not whole yet" in troubles["since"]


@pytest.mark.parametrize(
    "typed",
    ["2026-13-01", "2026-02-30", "0000-01-01", "9999-12-31", "25.11.2026", "today", "2026-11-25 8"],
)
def test_what_is_no_date_is_told_with_an_example(typed):
    wanted, troubles = filter_of(SearchWords(until=typed))
    assert wanted == RunFilter()
    assert typed[:10] in troubles["until"]
    assert "write it as 2026-11-25" in troubles["until"]


def test_days_the_wrong_way_round_are_told_at_the_second():
    wanted, troubles = filter_of(SearchWords(since="2026-11-25", until="2026-11-24"))
    assert list(troubles) == ["until"]
    assert wanted.until <= wanted.since  # nothing can be found, as the sentence says


@given(st.text(max_size=12))
def test_no_text_in_a_date_field_raises(text):
    wanted, troubles = filter_of(SearchWords(since=text))
    assert (wanted.since is None) == bool(troubles or not text.strip())
