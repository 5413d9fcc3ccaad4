"""Probabilities of causes: rules that hold whatever was seen, and sums worked out elsewhere."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from isolation_sessions import Unit

from rig.analysis.faults.at_hand import PARTED, priors_with
from rig.analysis.faults.causes import CAUSES, NEVER, NONE_OF_THESE, PRIORS, SOUND, TWO_AT_ONCE
from rig.analysis.faults.features import answer_of
from rig.analysis.faults.guided import TESTS
from rig.analysis.faults.looks import answer_chances, shows_fault
from rig.analysis.faults.model import Observation
from rig.analysis.faults.posterior import log_priors, posterior, rank
from rig.analysis.faults.propose import entropy_bits, propose
from rig.isolation.drawn import Case
from rig.isolation.knowledge import load
from rig.isolation.trial import whole_history

KNOWN = load()
LOOKS = [test.name for test in TESTS.values() if test.is_look]
QUICK = settings(max_examples=20, deadline=None)
QUICKER = settings(max_examples=8, deadline=None)


@st.composite
def observations(draw):
    """What any guided tests may have shown, in any order, likely or not."""
    found = []
    for test in draw(st.lists(st.sampled_from(list(TESTS)), unique=True, max_size=6)):
        if TESTS[test].is_look:
            found.append(answer_of(test, draw(st.sampled_from(("ok", "fault", "low", "cannot")))))
            continue
        names = [KNOWN.names[k].partition(".")[2] for k in KNOWN.columns[test]]
        picked = draw(st.lists(st.sampled_from(names), unique=True, max_size=5))
        value = st.floats(-5.0, 5.0) | st.just(math.nan)
        found.append(Observation(test, {name: draw(value) for name in picked}))
    return found


def probabilities(seen, priors=PRIORS):
    return {cause.name: cause.probability for cause in rank(KNOWN, seen, priors).causes}


@QUICK
@given(observations())
def test_probabilities_sum_to_one_and_are_sorted(seen):
    ranking = rank(KNOWN, seen)
    found = [cause.probability for cause in ranking.causes]
    assert sum(found) == pytest.approx(1.0)
    assert found == sorted(found, reverse=True)
    assert all(0.0 <= p <= 1.0 for p in found)
    assert ranking.top.probability <= ranking.confidence <= 1.0 + 1e-9


@QUICK
@given(observations(), st.randoms(use_true_random=False))
def test_the_order_of_what_was_seen_does_not_matter(seen, random):
    other = list(seen)
    random.shuffle(other)
    assert probabilities(other) == probabilities(seen)


@QUICK
@given(observations())
def test_what_was_not_seen_changes_nothing(seen):
    more = [Observation(o.test, {**o.features, "never_heard_of": 3.0}) for o in seen]
    done = {o.test for o in seen}
    more += [Observation(t, {"run_time": math.nan}) for t in TESTS if t not in done][:2]
    more += [answer_of(look, "cannot") for look in LOOKS if look not in done][:2]
    assert probabilities(more) == probabilities(seen)


@QUICK
@given(observations(), st.sampled_from(list(CAUSES)))
def test_a_prior_of_zero_excludes_a_cause_and_every_pair_with_it(seen, name):
    ranking = rank(KNOWN, seen, {**PRIORS, name: 0.0})
    assert all(c.probability == 0.0 for c in ranking.causes if name in c.parts)
    assert sum(c.probability for c in ranking.causes) == pytest.approx(1.0)


@QUICK
@given(observations(), st.floats(0.1, 10.0))
def test_priors_count_in_parts_of_any_whole(seen, times):
    scaled = {name: times * value for name, value in PRIORS.items()}
    ours, theirs = probabilities(seen), probabilities(seen, scaled)
    assert all(theirs[name] == pytest.approx(ours[name], abs=1e-9) for name in ours)


def test_with_nothing_seen_the_priors_stand():
    found = probabilities([])
    whole = sum(PRIORS.values())
    for name in (*CAUSES, SOUND, NONE_OF_THESE):
        assert found[name] == pytest.approx(PRIORS[name] / whole)
    pairs = sum(p for name, p in found.items() if "+" in name)
    assert pairs == pytest.approx(PRIORS[TWO_AT_ONCE] / whole)


@pytest.mark.parametrize("priors", [{"jammed": -1.0}, {"no-such": 1.0}, dict.fromkeys(PRIORS, 0.0)])
def test_priors_that_make_no_sense_are_refused(priors):
    with pytest.raises(ValueError, match=r"prior|cause"):
        log_priors(KNOWN, priors)


def test_bayes_rule_on_a_published_example():
    # Breast cancer screening after Eddy, 1982 (from memory): prevalence 1 %, found in 79.2 % of
    # those who have it and in 9.6 % of the others; of those found 7.7 % have it.
    likelihood = np.log(np.array([[0.792, 0.096]]))
    found = posterior(likelihood, np.log(np.array([0.01, 0.99])))
    assert found[0, 0] == pytest.approx(0.077, abs=0.0005)


def test_a_look_weighs_as_the_catalogue_says():
    # Bayes' rule by hand for two cases: odds after = odds before x ratio of the likelihoods.
    before, after = probabilities([]), probabilities([answer_of("look_earth", "fault")])
    shown = 1.0 - (1.0 - NEVER) * (1.0 - CAUSES["poor-earth"].shows["look_earth"])
    odds = before["poor-earth"] / before["dry-gear"] * shown / NEVER
    assert after["poor-earth"] / after["dry-gear"] == pytest.approx(odds)
    pair = KNOWN.cases.index("dry-gear + poor-earth")
    assert shows_fault("look_earth")[pair] == pytest.approx(shown)


def test_entropy_on_shannons_own_example():
    # C. E. Shannon, "A mathematical theory of communication", 1948, section 6:
    # H(1/2, 1/3, 1/6) = H(1/2, 1/2) + 1/2 H(2/3, 1/3).
    whole = entropy_bits(np.array([[1 / 2, 1 / 3, 1 / 6]]))[0]
    halves, thirds = (entropy_bits(np.array([p]))[0] for p in ([0.5, 0.5], [2 / 3, 1 / 3]))
    assert whole == pytest.approx(halves + 0.5 * thirds)
    assert halves == 1.0


@QUICKER
@given(observations(), st.lists(st.sampled_from(list(TESTS)), unique=True))
def test_a_proposal_is_possible_not_done_yet_and_worth_something(seen, possible):
    proposal = propose(KNOWN, seen, PRIORS, possible)
    if proposal is not None:
        assert proposal.test in possible
        assert proposal.test not in {o.test for o in seen}
        assert proposal.gain_bits > 0.0
        assert proposal.minutes == TESTS[proposal.test].minutes


@QUICKER
@given(observations())
def test_a_test_that_is_made_dear_enough_is_not_proposed_first(seen):
    cheap = propose(KNOWN, seen)
    if cheap is not None:
        dear = propose(KNOWN, seen, minutes={cheap.test: 1e6})
        assert dear is None or dear.test != cheap.test or len(seen) >= len(TESTS) - 1


def test_a_proposal_is_refused_for_what_is_no_test():
    with pytest.raises(ValueError, match="no such test"):
        propose(KNOWN, [], possible=["dance"])
    with pytest.raises(ValueError, match="no time"):
        propose(KNOWN, [], minutes={"turns": 0.0})


def test_what_speaks_for_the_leading_case_is_told_in_words():
    ranking = rank(KNOWN, [answer_of("look_earth", "fault")])
    assert ranking.top.name == "poor-earth"
    assert ranking.top.speaks_for == ("look at the earth connection: a fault is seen",)
    assert ranking.repairs[0][0] == "earth"


def test_a_look_is_no_measurement():
    with pytest.raises(ValueError, match="look"):
        answer_of("turns", "ok")
    with pytest.raises(ValueError, match="answer"):
        answer_of("look_earth", "maybe")


def test_every_answer_to_a_look_is_as_likely_as_the_catalogue_says_and_together_sure():
    for test in LOOKS:
        chances = answer_chances(test)
        assert np.allclose(sum(chances.values()), 1.0)
        assert all((chance > 0.0).all() for chance in chances.values())
        assert np.allclose(1.0 - chances["ok"], shows_fault(test))


def test_a_low_reading_is_resistance_and_none_at_all_a_break():
    low, none = (
        probabilities([answer_of("look_battery_feed", answer)]) for answer in ("low", "fault")
    )
    assert low["fuse-holder-corroded"] > 5 * low["battery-open"]
    assert none["battery-open"] > 5 * none["fuse-holder-corroded"]


def test_a_lever_without_a_cable_is_no_finding_but_what_is_known():
    """A sound unit without its cable looks as if the cable had parted: that is no cause then."""
    with whole_history():
        unit = Unit(Case((("broken-cable", 1.0),), 70_000_000_001))
        seen = [unit.do("turns"), answer_of("look_fuse_holder", "ok")]
    assert rank(KNOWN, seen).top.name == "broken-cable"
    known = rank(KNOWN, seen, priors_with(PRIORS, ("own_relay", "wiring")), PARTED)
    assert known.top.name == SOUND
    assert known.top.probability > 0.8
    assert sum(cause.probability for cause in known.causes) == pytest.approx(1.0)
    assert not {"binding", "broken-cable"} & {cause.name for cause in known.causes}
