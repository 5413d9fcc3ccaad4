"""An isolation in words: what a ranking amounts to, and what to do about it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.analysis.faults.at_hand import THINGS
from rig.analysis.faults.causes import CAUSES, NONE_OF_THESE, PRIORS, SOUND, pairs
from rig.analysis.faults.features import answer_of
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.model import Cause, Ranking
from rig.isolation.words import conclusion, heading, left_out_words, parts_of, percent, remedy_of

CASES = [*CAUSES, SOUND, NONE_OF_THESE, *(" + ".join(pair) for pair in pairs())]
MEASURED = [test.name for test in TESTS.values() if not test.is_look]


def ranked(**probabilities):
    """Return a ranking of causes, written with underscores, by their probabilities."""
    causes = [
        Cause(name, f"it is {name}", probability)
        for name, probability in (
            (name.replace("_", "-") if name != "none_of_these" else name, probability)
            for name, probability in probabilities.items()
        )
    ]
    return Ranking(tuple(sorted(causes, key=lambda cause: -cause.probability)))


@given(st.floats(0.0, 1.0))
def test_a_probability_is_never_told_as_certain_or_impossible_if_it_is_not(probability):
    words = percent(probability)
    assert (words == "100 %") == (probability == 1.0)
    assert (words == "0 %") == (probability == 0.0)
    assert len(words) <= 9  # what the tables leave for it


def test_every_case_has_a_remedy_of_its_own_in_a_sentence():
    for case in CASES:
        text = remedy_of(case)
        assert text[0].isupper(), case
        assert text.endswith("."), case
        # What is said of a part that nobody thought of.
        assert not any(f"Repair the {part}." in text for part in parts_of(case)), case


@pytest.mark.parametrize("test", TESTS)
def test_every_test_has_a_heading_of_its_own_that_fits_beside(test):
    assert heading(test) != test.replace("_", " ").capitalize()
    assert len(f"Next: {heading(test)}") <= 38  # half of a screen of 80 columns


def test_causes_that_one_repair_cures_count_together():
    # Nobody needs to know which of its faults a relay has that is replaced.
    concluded = conclusion(ranked(relay_dead=0.6, relay_coil_open=0.37, dry_gear=0.03), 0.95)
    assert concluded.sure
    assert concluded.repair_probability == pytest.approx(0.97)
    assert concluded.probability == pytest.approx(0.6)  # its own, as the ranking tells it
    assert concluded.text.startswith("The relay is at fault (97 %), most likely: ")
    assert "Replace the unit's relay. Then isolate again" in concluded.remedy


def test_two_parts_that_one_work_mends_are_at_fault():
    both = {"relay-dead + poor-earth": 0.84, "relay-coil-open + poor-earth": 0.14, "sound": 0.02}
    text = conclusion(ranked(**both), 0.95).text
    assert text.startswith("The earth and the relay are at fault (98 %), most likely: ")


def test_a_second_fault_beside_it_is_another_repair():
    rest = {"relay_dead": 0.6, "relay-dead + dry-gear": 0.38, "sound": 0.02}
    concluded = conclusion(ranked(**rest), 0.95)
    assert not concluded.sure
    assert concluded.text.startswith("Not sure. ")
    assert concluded.remedy.startswith("This is not enough to repair anything by: ")
    assert "If it is that, do this: Replace the unit's relay." in concluded.remedy
    assert parts_of("relay-dead + dry-gear") == {"relay", "gear"}


def test_the_vehicle_is_an_answer_with_what_to_look_at_there():
    concluded = conclusion(ranked(sound=0.97, dry_gear=0.03), 0.95)
    assert concluded.text == "The unit is sound; look at the vehicle (97 %)."
    for part in ("connector", "ignition signal", "earth", "cable"):
        assert part in concluded.remedy


@given(st.lists(st.floats(0.001, 1.0), min_size=3, max_size=8), st.floats(0.5, 0.999))
def test_it_is_sure_if_and_only_if_what_one_remedy_cures_is_as_likely_as_asked(weights, asked):
    whole = sum(weights)
    names = ["relay_dead", "relay_coil_open", "sound", "dry_gear", "cam_short", "binding"]
    names += ["dragging_cable", "none_of_these"]
    given_to = {
        name: weight / whole for name, weight in zip(names, sorted(weights)[::-1], strict=False)
    }
    concluded = conclusion(ranked(**given_to), asked)
    relay = given_to["relay_dead"] + given_to["relay_coil_open"]
    assert concluded.repair_probability == pytest.approx(relay)
    assert concluded.sure == (concluded.repair_probability >= asked)


def test_who_is_not_sure_that_nothing_fits_does_not_say_so():
    concluded = conclusion(ranked(none_of_these=0.4, sound=0.3, dry_gear=0.3), 0.95)
    assert concluded.remedy.startswith("Look at the traces of the tests")


def test_a_cause_that_nothing_confirmed_is_named_with_what_to_confirm_it_by():
    sure = ranked(binding=0.97, dry_gear=0.03)
    unlooked = conclusion(sure, 0.95)
    assert (unlooked.sure, unlooked.confirmed) == (True, False)
    assert unlooked.remedy.startswith(
        "Confirm it first (Look: cable or Half-turns, cable unhooked)"
    )
    looked = conclusion(sure, 0.95, [answer_of("look_cable", "fault")])
    assert looked.confirmed
    assert looked.remedy.startswith("Lay the cable")
    denied = [answer_of("look_fuse_holder", "ok")]
    holder = conclusion(ranked(fuse_holder_corroded=0.97, sound=0.03), 0.95, denied)
    assert not holder.confirmed
    assert holder.remedy.startswith("A look at it showed nothing: look again")


def test_what_is_not_there_and_what_the_plan_rules_out_is_told():
    priors = {**PRIORS, "relay-dead": 0.0, "cam-short": 0.0}
    told = left_out_words(("cable", "known_good_relay", "wiring"), priors)
    assert told == (
        "The unit's own relay is not in it: a known good one stays in it; no fault of these parts "
        "is looked for.",
        "The plan rules out: cam-short.",
    )
    assert left_out_words(THINGS, PRIORS) == ()
    # Without its own relay nobody is asked for another one: that is in the unit.
    own, *_ = left_out_words(("cable", "wiring"), PRIORS)
    assert left_out_words(("cable", "wiring"), PRIORS) == (own,)
    (good,) = left_out_words(("cable", "own_relay", "wiring"), PRIORS)
    assert good == "No known good relay is at hand: its test is left out."
