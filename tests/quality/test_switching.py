"""Switching between severities: sequences worked by hand from the rules, and any sequence."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from rig.quality.sampling_tables import Level, Severity, sampling_plan
from rig.quality.switching import NOTHING, JudgedLot, Said, score_of, severity_after

NORMAL, TIGHTENED, REDUCED = Severity
AGREED = Said(steady=True, agreed=True)
ACTED = Said(supplier_acted=True)
IRREGULAR = Said(irregular=True)


def lot(bad, severity=NORMAL, *, name="", said=NOTHING, size=1000, aql=1.0, original=True):
    """A lot of 1000 at AQL 1.0 unless told otherwise: n 80, Ac 2 (normal) or 1 (tightened)."""
    return JudgedLot(name, sampling_plan(size, Level.II, aql, severity), bad, said, original)


def follow(results, start=(), said=NOTHING):
    """Return lots inspected as the rules ask; of ``results``, a is accepted and r is not."""
    history = list(start)
    for result in results:
        severity = severity_after(history, said).severity
        name = f"L{len(history) + 1}"
        history.append(lot(9 if result == "r" else 0, severity, name=name, said=said))
    return history


def severities(history):
    return "".join(one.plan.severity.value[0] for one in history)


# --- worked by hand from the rules ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("results", "inspected", "then"),
    [
        ("", "", NORMAL),
        ("aaaa", "nnnn", NORMAL),
        ("r", "n", NORMAL),
        ("rr", "nn", TIGHTENED),
        ("raaar", "nnnnn", TIGHTENED),  # 2 of 5
        ("raaaar", "nnnnnn", NORMAL),  # 2 of 6
        ("raaaarar", "nnnnnnnn", TIGHTENED),  # 2 of 3, the first forgotten
        ("rraaaa", "nntttt", TIGHTENED),
        ("rraaaaa", "nnttttt", NORMAL),
        ("rraaaaraaaaa", "nntttttttttt", NORMAL),  # the row begins anew
        ("rraaaaar", "nntttttn", NORMAL),  # what was before tightened is over
        ("rraaaaaraar", "nntttttnnnn", TIGHTENED),
    ],
)
def test_normal_and_tightened(results, inspected, then):
    history = follow(results)
    assert severities(history) == inspected
    found = severity_after(history)
    assert (found.severity, found.ended) == (then, False)


def test_five_lots_not_accepted_on_tightened_end_inspection_until_the_supplier_acts():
    history = follow("rr" + "raraarar")
    assert not severity_after(history).ended  # four of them
    assert severity_after(history).not_accepted == 4
    history = follow("r", history)
    found = severity_after(history)
    assert found.ended
    assert "goes on when the supplier has" in found.why
    # Time and other words change nothing.
    assert severity_after(history, AGREED).ended
    again = severity_after(history, ACTED)
    assert (again.severity, again.ended) == (TIGHTENED, False)
    assert (again.not_accepted, again.accepted_in_a_row) == (0, 0)
    # It counts anew from there: five more before it ends again, five accepted before it is normal.
    on = [*history, lot(0, TIGHTENED, said=ACTED)]
    assert severities(follow("rrrr", on)) == severities(on) + "tttt"
    assert not severity_after(follow("rrrr", on)).ended
    assert severity_after(follow("rrrrr", on)).ended
    assert severity_after(follow("aaaa", on)).severity is NORMAL


def test_those_before_tightened_do_not_count_towards_its_end():
    assert not severity_after(follow("rrrrrr")).ended
    assert severity_after(follow("rrrrrrr")).ended


def test_a_score_of_thirty_and_two_words_bring_reduced_inspection():
    # Ac 2, and nothing found: 3 a lot.
    nine, ten = follow("a" * 9), follow("a" * 10)
    assert (severity_after(nine, AGREED).severity, severity_after(nine).score) == (NORMAL, 27)
    found = severity_after(ten)
    assert (found.severity, found.score, found.may_be_reduced) == (NORMAL, 30, True)
    assert "inspection may be reduced if" in found.why
    for short in (Said(steady=True), Said(agreed=True), Said(True, True, irregular=True)):
        assert severity_after(ten, short).severity is NORMAL
    assert severity_after(ten, AGREED).severity is REDUCED
    # The words may come later, and need not be said again.
    later = follow("aa", ten)
    assert severity_after(later, AGREED).severity is REDUCED
    reduced = follow("aaa", follow("a", later, AGREED))
    assert severities(reduced) == "n" * 12 + "rrrr"


@pytest.mark.parametrize(("bad", "score"), [(0, 3), (1, 3), (2, 0)])
def test_the_score_asks_whether_one_step_tighter_would_do(bad, score):
    # n 80: Ac 2 at AQL 1.0, Ac 1 at 0.65.
    assert score_of(lot(bad)) == score
    found = severity_after([lot(0), lot(0), lot(bad)])
    assert found.score == (6 + score if score else 0)


@pytest.mark.parametrize(("size", "aql"), [(1000, 0.65), (500, 0.25)])
def test_the_score_of_small_acceptance_numbers(size, aql):
    # n 80 with Ac 1; n 50 with Ac 0: 2 if accepted.
    plan = lot(0, size=size, aql=aql).plan
    assert plan.ac < 2
    assert score_of(lot(plan.ac, size=size, aql=aql)) == 2
    assert score_of(lot(plan.re, size=size, aql=aql)) == 0


def test_the_tightest_aql_scores_as_any_other():
    assert score_of(lot(0, size=600_000, aql=0.010)) == 2


def test_a_lot_not_accepted_or_irregular_production_end_reduced_inspection():
    reduced = follow("aa", follow("a" * 10, said=AGREED), AGREED)
    assert severities(reduced)[-2:] == "rr"
    refused = follow("r", reduced)
    found = severity_after(refused, AGREED)
    assert (found.severity, found.score) == (NORMAL, 0)
    assert "L13 was not accepted on reduced" in found.why
    # That lot is one of the consecutive ones.
    assert severity_after(follow("aaar", refused)).severity is TIGHTENED
    assert severity_after(follow("aaaar", refused)).severity is NORMAL
    irregular = severity_after(reduced, IRREGULAR)
    assert (irregular.severity, irregular.score) == (NORMAL, 0)
    assert "irregular" in irregular.why


def test_a_lot_offered_again_says_nothing():
    history = [lot(9), lot(9, original=False), lot(0, original=False)]
    assert severity_after(history).severity is NORMAL
    assert severity_after([*history, lot(9)]).severity is TIGHTENED


def test_a_lot_inspected_less_severely_than_asked_by_then_counts_only_against():
    # Three lots open at once, all normal; after two of them inspection is tightened.
    refused = [lot(9), lot(9)]
    early = severity_after([*refused, lot(0), lot(9)])
    assert (early.accepted_in_a_row, early.not_accepted) == (0, 1)
    tightened = [lot(0, TIGHTENED) for _ in range(4)]
    assert severity_after([*refused, lot(0), *tightened]).severity is TIGHTENED
    assert severity_after([*refused, *tightened, lot(0), lot(0, TIGHTENED)]).severity is NORMAL
    # Reduced, though normal is asked: no score, and no help for the row.
    assert severity_after([lot(0), lot(0, REDUCED)]).score == 3
    assert severity_after([lot(0), lot(9, REDUCED)]).score == 0
    assert severity_after([lot(9), lot(0, REDUCED), lot(0), lot(0), lot(0), lot(9)]).severity is (
        TIGHTENED
    )


def test_a_lot_inspected_more_severely_scores_nothing_and_loses_nothing():
    found = severity_after([lot(0), lot(0, TIGHTENED)])
    assert (found.severity, found.score) == (NORMAL, 3)
    reduced = follow("a" * 10, said=AGREED)
    assert severity_after([*reduced, lot(0, said=AGREED)], AGREED).severity is REDUCED


def test_a_lot_inspected_whole_counts_as_any_other():
    whole = [lot(0, size=10) for _ in range(15)]
    assert whole[0].plan.whole
    assert severity_after(whole).score == 30
    assert severity_after([lot(1, size=10), lot(1, size=10)]).severity is TIGHTENED


def test_what_is_told():
    assert severity_after([]).why == (
        "Normal inspection, as it is from the first lot on. The switching score is 0 of 30."
    )
    watched = severity_after(follow("ara")).why
    assert "L2 was not accepted. With one more of the next 3, inspection is tightened." in watched
    assert "If the next lot is not either" in severity_after(follow("raaa")).why
    assert "was not accepted" not in severity_after(follow("raaaa")).why
    tightened = severity_after(follow("raraar")).why
    assert "Tightened inspection: 2 of 3 lots in a row (L1 and L3) were not accepted." in tightened
    assert "It ends with 5 lots accepted in a row (0 so far)" in tightened
    assert "5 lots not accepted (1 so far)" in tightened


def test_the_score_looks_one_aql_tighter_at_the_sample_that_was_taken():
    """A lot of letter L at AQL 10 takes K's 125/21 (arrow upwards); K at AQL 6.5 is 125/14.

    Both cells as in the printed copies of the tables (tests/reference).
    """
    plan = sampling_plan(5000, Level.II, 10.0, NORMAL)
    assert (plan.lot_letter, plan.letter, plan.n, plan.ac) == ("L", "K", 125, 21)
    assert [score_of(JudgedLot("L", plan, bad)) for bad in (14, 15, 21)] == [3, 0, 0]


def test_five_lots_accepted_do_not_bring_back_what_has_ended():
    ended = follow("r" * 2 + "r" * 5)
    assert severity_after(ended).ended
    on = [*ended, *(lot(0, TIGHTENED) for _ in range(5))]
    assert severity_after(on).ended
    assert not severity_after([*on, ACTED]).ended


# --- any sequence ---------------------------------------------------------------------------------

EVENTS = st.lists(
    st.tuples(
        st.integers(0, 3).map(lambda n: max(0, n - 1)),  # beyond Ac, mostly 0
        st.booleans(),  # one less than Ac, where there is one
        st.sampled_from([(1000, 1.0), (1000, 0.65), (500, 0.25), (10, 1.0), (300, 4.0)]),
        st.builds(Said, st.booleans(), st.booleans(), st.integers(0, 9).map(lambda n: n == 0)),
        st.booleans(),
        st.integers(0, 9).map(bool),
    ),
    max_size=60,
)
STEADY = (0, True, (1000, 1.0), AGREED, False, True)
BAD = (2, False, (1000, 1.0), Said(), False, True)


@given(EVENTS)
@example([STEADY] * 14 + [BAD] + [STEADY] * 12)
@example([BAD] * 7 + [STEADY] * 3 + [(*BAD[:4], True, True)] + [STEADY] * 6)
@example(([BAD] + [STEADY] * 4) * 8)
def test_any_sequence_against_the_rules_read_off_the_whole_record(events):
    """An independent reading: no running counts but the score, all looked up in what happened."""
    history, everything, stretch = [], [], []
    state, score = "n", 0
    for over, less, (size, aql), words, acted, original in events:
        said = Said(words.steady, words.agreed, words.irregular, acted)
        if state == "ended" and acted:
            state, stretch, score = "t", [], 0
        elif state == "r" and said.irregular:
            state, stretch, score = "n", [], 0
        elif (state, said.steady, said.agreed, said.irregular) == ("n", True, True, False) and (
            score >= 30
        ):
            state, stretch, score = "r", [], 0
        found = severity_after(history, said)
        assert found.ended == (state == "ended")
        assert found.severity.value[0] == ("t" if state == "ended" else state)
        assert found.score == score
        plan = sampling_plan(size, Level.II, aql, found.severity)
        bad = plan.ac + over if over else max(0, plan.ac - less)
        history.append(JudgedLot("L", plan, bad, said, original))
        if not original:
            continue
        fine = bad <= plan.ac
        everything.append(fine)
        stretch.append(fine)
        if state == "n" and everything[-5:].count(False) >= 2:
            state, stretch, score = "t", [], 0
        elif state == "n":
            # All three lots with an Ac of 2 or more lose one or more of it a step tighter.
            tighter = {(1000, 1.0): 1, (300, 4.0): 3}.get((size, aql))
            added = 2 * fine if plan.ac < 2 else 3 * (bad <= tighter)
            score = score + added if added else 0
        elif state == "t" and stretch.count(False) == 5:
            state = "ended"
        elif state == "t" and len(stretch) >= 5 and all(stretch[-5:]):
            state, stretch = "n", []
        elif state == "r" and not fine:
            state, stretch, score = "n", [], 0
