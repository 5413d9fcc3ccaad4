"""What an isolation does next: look at crossed leads, confirm, or what tells most.

Which test shows which cause is trade reasoning (common practice, no published source).
"""

import pytest

from rig.analysis.faults.causes import CAUSES
from rig.analysis.faults.choose import choose
from rig.analysis.faults.confirm import confirmed_by
from rig.analysis.faults.features import answer_of
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.model import Cause, Observation, Proposal, Ranking

TURNS = Observation("turns", {"run_parks": 1.0})


def ranked(**chances):
    names = {name.replace("_", "-"): chance for name, chance in chances.items()}
    return Ranking(tuple(Cause(name, name, chance) for name, chance in names.items()))


def tells_most(seen, possible):
    """Half-turns at another voltage, as long as they may be made; else any look."""
    for test in ("high_supply", "look_lever"):
        if test in possible:
            return Proposal(test, 0.1, 0.6, "it tells most.")
    return None


def chosen(ranking, seen=(TURNS,), possible=tuple(TESTS), **more):
    left = [test for test in possible if test not in {one.test for one in seen}]
    choice = choose(ranking, seen, left, tells_most, **{"sure": False, **more})
    return None if choice.proposal is None else choice.proposal.test, choice.held_back


@pytest.mark.parametrize(
    ("cause", "test"),
    [
        ("binding", "look_cable"),
        ("fuse_holder_corroded", "look_fuse_holder"),
        ("poor_earth", "look_earth"),
        ("leakage", "look_connector"),
        ("relay_dead", "known_good_relay"),
        ("dry_gear", "unhooked"),
    ],
)
def test_what_shows_a_cause_is_done_before_it_is_called_found(cause, test):
    sure = ranked(**{cause: 0.97, "sound": 0.03})
    assert chosen(sure, sure=True) == (test, False)
    assert chosen(sure, sure=True, confirm_most_min=0.0) == (None, False)
    answer = answer_of(test, "fault") if TESTS[test].is_look else Observation(test, {})
    assert chosen(sure, (TURNS, answer), sure=True) == (None, False)


def test_a_look_that_showed_nothing_confirms_nothing():
    sure = ranked(binding=0.97, sound=0.03)
    assert chosen(sure, (TURNS, answer_of("look_cable", "ok")), sure=True)[0] == "unhooked"


def test_what_takes_long_is_not_asked_for_once_more():
    assert chosen(ranked(cam_short=0.97, sound=0.03), sure=True)[0] is None
    assert chosen(ranked(cam_short=0.97, sound=0.03), sure=True, confirm_most_min=6.0)[0] == (
        "look_cam"
    )


def test_every_test_that_confirms_is_one_and_no_cause_is_confirmed_by_the_unit_as_it_is():
    for cause in CAUSES:
        assert set(confirmed_by(cause)) <= set(TESTS) - {"turns", "rest"}


def test_nothing_is_fed_once_crossed_leads_are_suspected_until_somebody_looked():
    suspected = ranked(sound=0.7, wrong_polarity=0.3)
    assert chosen(suspected) == ("look_leads", True)
    followed = (TURNS, answer_of("look_leads", "ok"))
    assert chosen(suspected, followed) == ("look_battery_feed", True)
    measured = (*followed, answer_of("look_battery_feed", "ok"))
    assert chosen(suspected, measured) == ("high_supply", False)
    # Sure of another cause or not: the leads come first.
    assert chosen(suspected, sure=True) == ("look_leads", True)
    assert chosen(ranked(sound=0.95, wrong_polarity=0.05)) == ("high_supply", False)
    both = Ranking((Cause("relay-dead + wrong-polarity", "both", 1.0),))
    assert chosen(both) == ("look_leads", True)


@pytest.mark.parametrize("shown", ["look_leads", "look_battery_feed"])
def test_leads_seen_crossed_are_fed_no_more_not_even_for_the_meter(shown):
    """Whatever else was looked at, and even where only the meter would settle it."""
    found = (TURNS, answer_of(shown, "fault"))
    for chance in (0.3, 0.9):
        for sure in (False, True):
            test, held = chosen(ranked(sound=1.0 - chance, wrong_polarity=chance), found, sure=sure)
            assert held
            assert test is None or not TESTS[test].feeds
    assert not chosen(ranked(sound=0.95, wrong_polarity=0.05), found)[1]


def test_without_look_and_meter_only_what_feeds_nothing_is_left():
    suspected = ranked(sound=0.7, wrong_polarity=0.3)
    left = tuple(set(TESTS) - {"look_leads", "look_battery_feed"})
    assert chosen(suspected, possible=left) == ("look_lever", True)
    fed = tuple(test for test in left if TESTS[test].feeds)
    assert chosen(suspected, possible=fed) == (None, True)
    # Where there is no meter, whoever followed the leads has looked.
    followed = (TURNS, answer_of("look_leads", "ok"))
    assert chosen(suspected, followed, possible=left) == ("high_supply", False)


def test_a_look_that_asks_what_a_meter_shows_is_fed_for():
    feeding = {name for name, test in TESTS.items() if test.is_look and test.feeds}
    assert feeding == {"look_battery_feed", "look_ignition_feed"}
