"""What the isolation was learnt from, against the bench itself; and sessions on unseen units."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from itertools import pairwise

import numpy as np
import pytest
from bench_runs import Watcher, make_order, make_settings
from isolation_sessions import Unit, session

from drivers.simulated.backend import SimulatedBackend
from rig.analysis.faults.causes import CAUSES, PRIORS
from rig.analysis.faults.features import features_of
from rig.analysis.faults.guided import MINUTES, TESTS
from rig.analysis.faults.knowledge import cases
from rig.analysis.faults.model import Proposal
from rig.analysis.faults.posterior import rank
from rig.analysis.faults.propose import propose
from rig.bench.isolation import Isolation
from rig.bench.keeper import DirectKeeper
from rig.bench.order import IsolationOrder
from rig.bench.reasoning import Learnt
from rig.isolation.drawn import DEGREES, Case, draw
from rig.isolation.examples import Examples, observe
from rig.isolation.knowledge import KnowledgeError, load, read, save
from rig.isolation.sampling import Sampler
from rig.isolation.train import _slopes, train
from rig.isolation.trial import Trial, whole_history
from rig.records.store import Store

KNOWN = load()
COMPARED = ("turns", "known_good_relay", "unhooked", "direct")
# A response lasts some ms, of which a sample's time is a good part: as a logarithm it scatters.
LOOSE, CLOSE = 0.35, 0.03


class InOrder(Learnt):
    """Proposes `COMPARED` one after the other and keeps what they showed."""

    seen: dict

    def see(self, test, *rest):
        self.seen[test] = super().see(test, *rest)
        return self.seen[test]

    def rank(self, seen):
        ranking = super().rank(seen)
        doubtful = [replace(cause, probability=0.01) for cause in ranking.causes]
        return replace(ranking, causes=tuple(doubtful[:50]))

    def propose(self, seen, possible):
        done = {one.test for one in seen}
        left = [test for test in COMPARED if test not in done]
        return Proposal(left[0], 1.0, 1.0, "") if left else None


@pytest.mark.parametrize("fault", ["dry-gear=4", "cam-short=120"])
def test_a_trial_shows_what_the_bench_with_all_its_drivers_shows(fault, records):
    plain = make_order(faults=(fault,), settings=make_settings(sample_hz=1000), spread="0")
    given = {field.name: getattr(plain, field.name) for field in fields(plain)}
    order = replace(IsolationOrder(**given), ask_operator=False)
    backend = SimulatedBackend(order.wiring(), order.options)
    mind = InOrder(PRIORS, MINUTES)
    object.__setattr__(mind, "seen", {})
    with Store.open(records) as store:
        Isolation(order, backend, DirectKeeper(store), Watcher(), mind).run()
    backend.close()
    assert list(mind.seen) == list(COMPARED)
    name, _, degree = fault.partition("=")
    with whole_history():
        trial = Trial(Case(((name, float(degree)),), 1), spread=False, supply=(12.0, 0.005))
        for test in COMPARED:
            found = features_of(test, trial.trace(test), trial.unit, trial.limits, trial.accuracy)
            ours, theirs = found.features, mind.seen[test].features
            assert set(ours) == set(theirs)
            for feature, value in ours.items():
                band = (
                    LOOSE if feature.endswith(("response", "settle", "scatter", "coast")) else CLOSE
                )
                assert value == pytest.approx(theirs[feature], abs=band), (test, feature)


def test_the_same_seed_gives_the_same_unit_and_another_gives_another():
    first, again, other = (
        {o.test: o.features for o in observe(draw(("dry-gear",), seed))} for seed in (3, 3, 4)
    )
    assert first == again
    assert first["turns"]["run_running"] != other["turns"]["run_running"]


def test_every_cause_can_be_drawn_and_shown_on_the_simulated_bench():
    assert set(DEGREES) == set(CAUSES)
    for name in CAUSES:
        assert draw((name,), 1).name == name


# --- sessions ---------------------------------------------------------------------------------

SINGLE = ("dry-gear", "relay-dead", "open-winding", "poor-earth", "cam-short", "leakage")
UNSEEN = 60_000_000_000  # seeds that neither learning nor the benchmark uses


def test_guided_sessions_on_unseen_units_find_what_to_repair():
    """A small part of ``tests/bench/isolation.py``: six single causes and two sound units."""
    wanted = [draw((name,), UNSEEN + 1) for name in SINGLE]
    wanted += [draw((), UNSEEN + k) for k in range(2)]
    ended = [session(KNOWN, case, supply=True, coil=True) for case in wanted]
    assert sum(one.right_repair for one in ended) >= 7
    assert sum(one.right for one in ended) >= 7
    assert sum(len(one.done) for one in ended) <= 6 * len(ended)


def test_why_a_relay_is_blamed_is_told_by_the_known_good_one():
    with whole_history():
        unit = Unit(Case((("relay-high-resistance", 0.8),), UNSEEN))
        ranking = rank(KNOWN, [unit.do("turns"), unit.do("known_good_relay")], PRIORS)
    assert ranking.top.name == "relay-high-resistance"
    assert ranking.top.speaks_for[0].startswith("known good relay")
    assert ranking.top.speaks_for[0].endswith(("as usual", "its usual time"))


# --- the trade's order (common practice, no published source) -----------------------------------


def unresponsive(name):
    """Nothing moves and no current flows: go on until something is proposed that costs a part."""
    order, seen = [], []
    with whole_history():
        unit = Unit(draw((name,), UNSEEN), coil_seen=False)
        possible = set(TESTS) - {"low_supply", "high_supply"}
        while len(seen) < 6 and "known_good_relay" not in order:
            proposal = propose(KNOWN, seen, PRIORS, possible)
            order.append(proposal.test)
            possible.discard(proposal.test)
            seen.append(unit.do(proposal.test))
    return order, rank(KNOWN, seen, PRIORS)


@pytest.mark.parametrize(("name", "works"), [("relay-dead", True), ("open-winding", False)])
def test_an_unresponsive_unit_is_gone_through_in_the_trades_order(name, works):
    order, ranking = unresponsive(name)
    asked = [test for test in order if test not in ("rest", "turns")]
    assert asked == ["look_battery_feed", "look_ignition_feed", "known_good_relay"]
    repairs = dict(ranking.repairs)
    others = max(p for part, p in repairs.items() if part != "relay")
    assert (repairs["relay"] > 0.9) if works else (repairs["relay"] < 0.1 < others)


# --- learning ------------------------------------------------------------------------------------


def made_up(rows=240, seed=0):
    """Units of two causes and sound ones that one feature tells apart, and one that tells none."""
    rng = np.random.default_rng(seed)
    case = rng.integers(0, 3, rows)
    values = np.column_stack([case + rng.normal(0.0, 0.1, rows), rng.normal(size=rows)])
    pair = np.full(4, next(k for k, name in enumerate(cases()) if " + " in name))
    values = np.vstack([values, rng.normal(5.0, 0.1, (4, 2))])
    return Examples(("turns.told", "rest.idle"), values, np.concatenate([case, pair]))


def test_learning_finds_what_tells_causes_apart():
    known = train(made_up(), steps=250, seed=1, batch=48)
    rows = known.scaled(np.array([[0.0, 0.0], [1.0, 0.0], [2.0, 0.0]]))
    evidence = known.evidence(rows)[:, :3]
    assert list(evidence.argmax(axis=1)) == [0, 1, 2]
    again = train(made_up(), steps=250, seed=1, batch=48)
    assert np.array_equal(again.evidence(rows), known.evidence(rows))


def test_slopes_are_those_of_the_loss():
    examples = made_up()
    rng = np.random.default_rng(2)
    sampler = Sampler(examples.names, examples.values, examples.case)
    rows, case = sampler.draw(rng, 16)
    parts = KNOWN.parts
    sizes = (4, 5, 2 * len(CAUSES) + 2)
    weights = [rng.normal(0.0, 0.5, size) for size in pairwise(sizes)]
    biases = [rng.normal(0.0, 0.5, size) for size in sizes[1:]]
    _, slopes = _slopes(weights, biases, rows, case, sampler, parts)
    values = [*weights, *biases]
    for which, value in enumerate(values):
        at = tuple(int(rng.integers(size)) for size in value.shape)
        losses = []
        for step in (1e-5, -1e-5):
            value[at] += step
            losses.append(_slopes(weights, biases, rows, case, sampler, parts)[0])
            value[at] -= step
        assert slopes[which][at] == pytest.approx((losses[0] - losses[1]) / 2e-5, abs=1e-5)


def test_knowledge_comes_back_from_its_file_nearly_as_it_was(tmp_path):
    known = train(made_up(), steps=5, seed=1, batch=16)
    save(known, tmp_path / "known.npz")
    back = read(tmp_path / "known.npz")
    assert back.names == known.names
    rows = known.scaled(np.array([[1.0, math.nan]]))
    assert back.evidence(rows) == pytest.approx(known.evidence(rows), abs=1e-3)


def test_a_knowledge_file_that_is_none_is_told_in_plain_words(tmp_path):
    (tmp_path / "known.npz").write_bytes(b"not a zip")
    with pytest.raises(KnowledgeError, match=r"learn it again: python -m rig\.isolation\.learn"):
        read(tmp_path / "known.npz")
    with pytest.raises(KnowledgeError, match="cannot be read"):
        read(tmp_path / "missing.npz")
