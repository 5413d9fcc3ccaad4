"""Lots: what sample one asks for, what the supplier's history makes of it, and what is said."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from uuid import uuid4

import canned_lots
import pytest
from canned_lots import T0
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, binomtest, hypergeom
from study_runs import PLAN_TEXT

from rig.lots.as_json import curve_object, history_object, lot_object
from rig.lots.history import HistoryKey, histories, history_of
from rig.lots.opening import LotAsked, replacement, sample_for
from rig.lots.opening import lot_start as opened
from rig.lots.words import (
    average_words,
    finding_words,
    history_lines,
    item_lines,
    percent,
    plan_words,
    progress_words,
    seed_words,
    withdrawn_words,
    worth_lines,
)
from rig.lots.worth import worth_of
from rig.plans import plan_from_text
from rig.quality.lots import oc_curve
from rig.quality.sampling_draw import drawing_order
from rig.quality.sampling_tables import SamplingError
from rig.records.lot_model import (
    ItemResult,
    LotEnd,
    LotEvent,
    LotEventKind,
    LotItem,
    LotKept,
    LotResult,
    LotRun,
    Untestable,
)
from rig.records.model import RunState
from rig.studies.order import DesignError

PLAN = plan_from_text(PLAN_TEXT, Path("short.toml"))
ASKED = LotAsked("D-1", "Ash Ridge Supply", 500, 1.0, operator="R. Vale", seed=5)


def lot_start(name="D-1", items=(7, 3, 12, 20, 31), ac=1, **changes):
    """A lot by a plan made up for these tests; nothing here asks the tables about it."""
    made_up = {"aql": 4.0, "level": "II", "seed": 5}
    return canned_lots.lot_start(name, items, ac, **(made_up | changes))


def run(verdict="pass", *, aside="", state=RunState.FINISHED, simulated=False):
    return LotRun(uuid4(), T0, "U", "jo", state, verdict, simulated, "It stalled.", aside)


def kept(verdicts=(), start=None, *, number=1, end=None, **changes):
    """Return a lot of which so many items have these verdicts, as its records would give it."""
    start = lot_start() if start is None else start
    items = tuple(
        LotItem(
            uuid4(),
            place + 1,
            item,
            start.simulated,
            f"U-{item}" if place < len(verdicts) else "",
            runs=(run(verdicts[place], simulated=start.simulated),)
            if place < len(verdicts)
            else (),
        )
        for place, item in enumerate(start.items)
    )
    names = LotKept.__dataclass_fields__.keys() & start.__dataclass_fields__.keys() - {"items"}
    later = {"end": end, "closed_at": T0 if end else None, "closed_number": number if end else None}
    values = {
        **{name: getattr(start, name) for name in names},
        "lot_id": uuid4(),
        "number": number,
        "closed_by": "",
        "closing_note": "",
        "version": 1,
        "items": items,
        "events": (),
        **later,
    }
    return LotKept(**(values | changes))


def closed(bad=0, *, number=1, **changes):
    """Return a lot of the history whose sample of 5 had so many nonconforming items (Ac 1)."""
    end = LotEnd.ACCEPTED if bad <= 1 else LotEnd.NOT_ACCEPTED
    verdicts = ["fail"] * bad + ["pass"] * (5 - bad)
    start = lot_start(f"D-{number}", **changes)
    return kept(verdicts, start, number=number, end=end)


# --- opening --------------------------------------------------------------------------------------


def test_the_sample_is_the_standards():
    """500 units, level II: letter H; AQL 1.0 normal: 50, 1/2.

    Code letter and plan as in copies of MIL-STD-105E and ISO 2859-1 (tests/reference).
    """
    start = opened(ASKED, PLAN, ())
    assert (start.lot_letter, start.letter, start.n, start.ac, start.re) == ("H", "H", 50, 1, 2)
    assert start.severity == "normal"
    assert len(set(start.items)) == 50
    assert set(start.items) <= set(range(1, 501))
    assert start.items == opened(ASKED, PLAN, ()).items
    assert start.items != opened(replace(ASKED, seed=6), PLAN, ()).items
    assert (start.plan_name, start.plan_text, start.unit_type) == ("short", PLAN_TEXT, "LM-12")


def test_a_small_lot_is_tested_whole():
    start = opened(replace(ASKED, size=9), PLAN, ())  # letter B, by the arrow to 13
    assert (start.letter, start.table_n, start.n) == ("E", 13, 9)
    assert sorted(start.items) == list(range(1, 10))


@pytest.mark.parametrize(
    ("changes", "about", "words"),
    [
        ({"name": " "}, "name", "The lot's name is empty"),
        ({"supplier": ""}, "supplier", "The supplier is empty"),
        ({"operator": " "}, "operator", "The name of who opens it is empty"),
        ({"order_number": "\x07"}, "order_number", "cannot be printed"),
        ({"size": 1}, "size", "cannot be sampled"),
        ({"aql": 3.0}, "aql", "have no AQL of 3"),
        ({"aql": 25.0}, "aql", "nonconformities per 100 units"),
        ({"level": "IV"}, "level", "no inspection level 'IV': S-1, S-2, S-3, S-4, I, II, III"),
        ({"steady": True}, "agreed_by", "Reduced inspection needs both"),
        ({"agreed_by": "A. Reed"}, "steady", "Reduced inspection needs both"),
        ({"seed": 10**30}, "seed", "from 0 to 999999999"),
        ({"resubmitted_of": "D-0"}, "resubmitted_of", "no lot “D-0” of this supplier"),
    ],
)
def test_what_cannot_be_opened(changes, about, words):
    with pytest.raises(DesignError, match=words) as caught:
        opened(replace(ASKED, **changes), PLAN, ())
    assert caught.value.about == about


def test_a_level_may_be_typed_in_other_letters():
    assert opened(replace(ASKED, level=" s3 "), PLAN, ()).level == "S-3"
    assert opened(replace(ASKED, level="iii"), PLAN, ()).level == "III"


def test_severity_follows_the_suppliers_lots_and_is_told_why():
    """2 of 5 consecutive lots not accepted: tightened (ISO 2859-1:1999, 9.3)."""
    asked = replace(ASKED, aql=4.0, size=40)
    lots = [closed(2, number=1), closed(0, number=2), closed(2, number=3)]
    start = opened(asked, PLAN, lots)
    assert start.severity == "tightened"
    assert "2 of 3 lots in a row (D-1 and D-3) were not accepted" in start.severity_why
    for other in (
        replace(asked, supplier="Other"),
        replace(asked, aql=2.5),
        replace(asked, level="I"),
        replace(asked, simulated=True),
    ):
        assert opened(other, PLAN, lots).severity == "normal"
    assert sample_for(replace(asked, name=""), "LM-24", lots).plan.severity == "normal"
    # Neither lots that were withdrawn, nor open ones, nor those offered again count.
    for lot in (
        replace(lots[2], end=LotEnd.WITHDRAWN),
        kept(["fail"], lot_start("D-3"), number=3),
        replace(lots[2], resubmitted_of=uuid4()),
    ):
        assert opened(asked, PLAN, [*lots[:2], lot]).severity == "normal"


def test_a_lot_that_cannot_be_accepted_any_more_counts_before_it_is_closed():
    asked = replace(ASKED, aql=4.0, size=40)
    lots = [kept(["fail", "fail"], lot_start(f"D-{k}"), number=k) for k in (1, 2)]
    start = opened(asked, PLAN, lots)
    assert start.severity == "tightened"
    assert "2 of 2 lots in a row (D-1 and D-2) were not accepted" in start.severity_why
    (history,) = histories(lots)
    assert (history.average.inspected, history.average.nonconforming) == (4, 4)
    assert (history.lots, len(history.open_lots)) == ((), 2)


@pytest.mark.parametrize("end", [None, LotEnd.WITHDRAWN, LotEnd.ACCEPTED])
def test_what_was_said_counts_from_the_opening_of_its_lot_on(end):
    """Irregular production ends reduced inspection (ISO 2859-1:1999, 9.3.4) for all lots after."""
    asked = replace(ASKED, aql=4.0, size=40)
    lots = [closed(0, number=k) for k in range(1, 16)]
    agreed = {"steady": True, "agreed_by": "A. Reed", "severity": "reduced"}
    lots.append(kept(start=lot_start("R", **agreed), number=16))
    assert opened(asked, PLAN, lots).severity == "reduced"
    strike = kept(["pass"] * 5, lot_start("S", irregular="strike"), number=17, end=end)
    assert opened(asked, PLAN, [*lots, strike]).severity == "normal"
    acted = kept(start=lot_start("A", acted="new tooling"), number=8, end=end)
    assert opened(asked, PLAN, [*ENDED, acted]).severity == "tightened"


def test_what_is_said_later_does_not_change_what_was_judged_before():
    lots = [closed(0, number=k) for k in range(1, 16)]
    later = {"opened_at": T0 + timedelta(days=1)}
    words = lot_start("R", steady=True, agreed_by="A. Reed", severity="reduced", **later)
    bad = replace(closed(2, number=16), closed_at=T0 + timedelta(days=2), closed_number=16)
    asked = replace(ASKED, aql=4.0, size=40)
    said_first = kept(start=words, number=17)
    # Reduced from the opening of R on, so D-16, closed after that, ends it.
    start = opened(asked, PLAN, [*lots, bad, said_first])
    assert "D-16 was not accepted on reduced inspection" in start.severity_why


def test_they_count_in_the_order_they_were_closed():
    lots = [closed(2, number=k) for k in (1, 2)]
    lots += [closed(0, number=k, severity="tightened") for k in range(3, 8)]
    key = HistoryKey.of(lots[0])
    assert history_of(lots, key).inspection.severity == "normal"  # five accepted on tightened
    late = [replace(lot, closed_number=8 - lot.number) for lot in lots]
    assert history_of(late, key).inspection.severity == "tightened"


def test_no_lot_is_opened_while_inspection_has_ended_until_the_supplier_has_acted():
    lots = [closed(2, number=1), closed(2, number=2)]
    lots += [closed(2, number=k, severity="tightened") for k in range(3, 8)]
    asked = replace(ASKED, aql=4.0, size=40)
    with pytest.raises(DesignError, match=r"Inspection has ended.*The lot was not opened") as said:
        opened(asked, PLAN, lots)
    assert said.value.about == "acted"
    start = opened(replace(asked, acted="new tooling, see letter"), PLAN, lots)
    assert (start.severity, start.acted) == ("tightened", "new tooling, see letter")


def test_a_lot_offered_again_is_inspected_tightened():
    refused = closed(2, number=1)
    asked = replace(ASKED, aql=4.0, size=38, resubmitted_of="D-1")
    start = opened(asked, PLAN, [refused])
    assert (start.severity, start.resubmitted_of) == ("tightened", refused.lot_id)
    assert "offered before" in start.severity_why
    for lot, changes, words in (
        (closed(0, number=1), {}, "was not refused"),
        (refused, {"size": 41}, "cannot come back with 41"),
        (refused, {"supplier": "Other"}, "no lot “D-1” of this supplier"),
    ):
        with pytest.raises(DesignError, match=words):
            opened(replace(asked, **changes), PLAN, [lot])


@pytest.mark.parametrize(
    ("changes", "about"),
    [({"aql": 10.0}, "aql"), ({"aql": 2.5}, "aql"), ({"level": "S-1"}, "level")],
)
def test_a_refused_lot_comes_back_by_the_aql_and_level_it_was_judged_by(changes, about):
    refused = closed(2, number=1)
    asked = replace(ASKED, aql=4.0, size=38, resubmitted_of="D-1")
    with pytest.raises(DesignError, match="was judged by AQL 4 %, level II; it comes back") as said:
        opened(replace(asked, **changes), PLAN, [refused])
    assert said.value.about == about
    assert opened(replace(asked, level="III"), PLAN, [refused]).level == "III"


def test_a_refused_lot_is_offered_again_once():
    refused = closed(2, number=1)
    again = replace(kept(start=lot_start("D-1b"), number=2), resubmitted_of=refused.lot_id)
    asked = replace(ASKED, aql=4.0, size=38, resubmitted_of="D-1")
    with pytest.raises(DesignError, match="was offered again already, as D-1b"):
        opened(asked, PLAN, [again, refused])
    assert opened(asked, PLAN, [replace(again, end=LotEnd.WITHDRAWN), refused]).resubmitted_of


@pytest.mark.parametrize("typed", ["ash ridge supply", "Ash  Ridge  SUPPLY", "Ａsh Ridge Supply "])
def test_a_supplier_is_one_however_its_name_is_typed(typed):
    lots = [closed(2, number=1), closed(2, number=2)]
    start = opened(replace(ASKED, aql=4.0, size=40, supplier=typed), PLAN, lots)
    assert (start.supplier, start.severity) == ("Ash Ridge Supply", "tightened")
    other = kept(start=lot_start("D-3", supplier=typed), number=3)
    (history,) = histories([*lots, other])
    assert (len(history.lots), len(history.open_lots)) == (2, 1)
    assert opened(replace(ASKED, supplier="New One"), PLAN, lots).supplier == "New One"


ENDED = [closed(2, number=1), closed(2, number=2)]
ENDED += [closed(2, number=k, severity="tightened") for k in range(3, 8)]


@pytest.mark.parametrize("changes", [{"aql": 6.5}, {"level": "I"}])
def test_another_aql_or_level_does_not_hide_what_the_supplier_has_come_to(changes):
    asked = replace(ASKED, **{"aql": 4.0, "size": 40, **changes})
    start = opened(asked, PLAN, ENDED[:2])
    assert start.severity == "normal"
    assert start.severity_why.endswith(
        "By AQL 4 %, level II this supplier's lots are inspected tightened."
    )
    refused = r"level II inspection of this supplier's lots has ended.*The lot was not opened"
    with pytest.raises(DesignError, match=refused) as said:
        opened(asked, PLAN, ENDED)
    assert said.value.about == "acted"
    start = opened(replace(asked, acted="new tooling"), PLAN, ENDED)
    assert start.severity_why.endswith("had ended; it has acted since.")
    # Neither another product's lots, nor another world's, say anything here.
    assert "has ended" not in sample_for(asked, "LM-24", ENDED).why
    assert "has ended" not in sample_for(replace(asked, simulated=True), "LM-12", ENDED).why


def test_blanks_alone_say_nothing():
    asked = replace(ASKED, aql=4.0, size=40)
    with pytest.raises(DesignError, match="Inspection has ended"):
        opened(replace(asked, acted=" \t"), PLAN, ENDED)
    start = opened(replace(asked, resubmitted_of=" "), PLAN, [closed(2, number=1)])
    assert (start.severity, start.resubmitted_of) == ("normal", None)
    assert "offered before" not in start.severity_why
    reduced = [closed(0, number=k) for k in range(1, 16)]
    ready = replace(asked, steady=True, agreed_by="A. Reed")
    assert opened(ready, PLAN, reduced).severity == "reduced"
    assert opened(replace(ready, irregular=" "), PLAN, reduced).severity == "reduced"
    with pytest.raises(DesignError, match="Reduced inspection needs both"):
        opened(replace(ready, agreed_by=" "), PLAN, reduced)


def test_a_sample_that_somebody_could_choose_is_told():
    start = opened(ASKED, PLAN, ())
    assert start.seed_given
    assert not opened(replace(ASKED, seed=None), PLAN, ()).seed_given
    lot = kept()
    assert seed_words(lot) == "with seed 5"
    given_by_hand = (LotEvent(T0, "jo", LotEventKind.SEED_GIVEN, None, "5"),)
    assert "given by hand" in seed_words(replace(lot, events=given_by_hand))
    # Drawn, looked at, withdrawn, and drawn again.
    gone = kept(start=lot_start("D-0", order_number="p 7"), end=LotEnd.WITHDRAWN)
    gone = replace(gone, closing_note="typed wrong")
    later = kept(start=lot_start("D-2", order_number="P  7", size=41), number=2)
    assert withdrawn_words(later, [gone, later]) == "D-0, 40 units, order p 7: typed wrong"
    assert withdrawn_words(replace(later, size=40, order_number=""), [gone])
    for no in (
        replace(later, order_number="P 8"),
        replace(later, supplier="Other"),
        replace(later, number=0),
        replace(later, simulated=True),
    ):
        assert withdrawn_words(no, [gone, no]) == ""
    assert "D-0  withdrawn, counts for nothing: typed wrong" in "\n".join(
        history_lines(histories([gone, later])[0])
    )


def test_a_replacement_is_the_next_of_the_draw():
    lot = kept(start=opened(replace(ASKED, size=100), PLAN, ()))
    longer = opened(replace(ASKED, size=100), PLAN, ()).items
    other = replacement(lot)
    assert (*longer, other) == drawing_order(100, len(longer) + 1, 5)
    assert other not in longer
    assert 1 <= other <= 100
    whole = kept(start=opened(replace(ASKED, size=9), PLAN, ()))
    with pytest.raises(DesignError, match="Every unit of the lot D-1 is in its sample"):
        replacement(whole)


# --- what the sample says -------------------------------------------------------------------------

DECIDES = st.tuples(
    st.sampled_from(["pass", "fail"]),
    st.just(RunState.FINISHED),
    st.just(False),  # set aside
    st.just(False),  # simulated
)
ANY_RUN = st.tuples(
    st.sampled_from(["pass", "fail", "retest", None]),
    st.sampled_from(list(RunState)),
    st.booleans(),
    st.booleans(),
)
RUNS = st.lists(DECIDES | ANY_RUN, max_size=4)


@given(
    items=st.lists(st.tuples(RUNS, st.sampled_from([None, *Untestable])), min_size=1, max_size=6),
    ac=st.integers(0, 3),
)
def test_the_count_is_a_naive_recounts(items, ac):
    made = tuple(
        LotItem(
            uuid4(),
            place + 1,
            100 - place,
            False,
            untestable=lost,
            runs=tuple(
                run(verdict, state=state, aside="x" if aside else "", simulated=simulated)
                for verdict, state, aside, simulated in runs
            ),
        )
        for place, (runs, lost) in enumerate(items)
    )
    lot = replace(kept(), items=made, ac=ac, re=ac + 1)
    good = bad = left = 0
    for runs, lost in items:
        if lost is Untestable.REPLACED:
            continue
        found = [
            verdict
            for verdict, state, aside, simulated in runs
            if state == "finished" and verdict in ("pass", "fail") and not aside and not simulated
        ]
        if lost is Untestable.NONCONFORMING:
            bad += 1
        elif not found:
            left += 1
        elif found[0] == "fail":
            bad += 1
        else:
            good += 1
    assert (lot.judged, len(lot.nonconforming), len(lot.left)) == (good + bad, bad, left)
    if bad > ac:
        assert lot.result is LotResult.NOT_ACCEPTABLE
    else:
        assert lot.result is (LotResult.OPEN if left else LotResult.ACCEPTABLE)
    assert [item.number for item in lot.sample] == sorted(item.number for item in lot.sample)
    assert all(finding_words(each) for each in (lot, replace(lot, end=LotEnd.NOT_ACCEPTED)))


@pytest.mark.parametrize(
    ("verdicts", "end", "said"),
    [
        ([], None, "No nonconforming items by now, and 1 may be. With 2 more the lot is not"),
        (["fail"], None, "1 nonconforming item by now, and 1 may be. With 1 more the lot"),
        (["fail", "fail"], None, "cannot be accepted any more. Testing the 3 left is recommended"),
        (["fail", "fail"], LotEnd.NOT_ACCEPTED, "was not accepted. 3 items were left untested"),
        (["fail"] * 5, LotEnd.NOT_ACCEPTED, "in a sample of 5, and 2 are too many: the lot is not"),
        (["pass"] * 5, None, "and 1 may be: the lot can be accepted; close it."),
        (["pass"] * 5, LotEnd.ACCEPTED, "and 1 may be: the lot is accepted."),
        ([], LotEnd.WITHDRAWN, "withdrawn before anything of it was judged"),
        (["fail"], LotEnd.WITHDRAWN, "withdrawn with 1 run that came to pass or fail"),
        (
            ["pass", "fail", *["pass"] * 3],
            LotEnd.ACCEPTED,
            "is accepted. What does not conform goes back all the same: U-3 (item 3).",
        ),
    ],
)
def test_what_is_said_of_a_lot(verdicts, end, said):
    assert said in finding_words(kept(verdicts, end=end))


def test_of_a_lot_tested_whole_each_unit_is_taken_or_not_by_itself():
    lot = kept(["fail", *["pass"] * 4], lot_start(size=5), end=LotEnd.ACCEPTED)
    assert "goes back all the same: U-7 (item 7). Every unit was tested, so" in finding_words(lot)
    assert "goes back" not in finding_words(replace(lot, ac=0, re=1, end=LotEnd.NOT_ACCEPTED))


def test_how_far_a_lot_is():
    assert progress_words(kept(["pass"])).endswith(
        "1 of 5 items judged, 0 nonconforming; next: item 3 of the crate"
    )
    jig = kept()
    on_jig = tuple(replace(item, runs=(run(None, state=RunState.RUNNING),)) for item in jig.items)
    assert progress_words(replace(jig, items=on_jig)).endswith("the rest is on the jig")
    assert progress_words(kept(["pass"] * 5)).endswith("ready to be closed")
    assert "5 of 40 units, of which 1 may be nonconforming (Ac 1, Re 2)" in plan_words(kept())
    assert "of which none may be nonconforming" in plan_words(kept(start=lot_start(ac=0)))
    assert "all 5 units" in plan_words(kept(start=lot_start(size=5)))


def test_every_item_is_listed_with_what_decides_nothing():
    lot = kept(["fail", "pass"])
    first, second, *rest = lot.items
    first = replace(first, runs=(run("retest"), run("fail", aside="lever tied"), *first.runs))
    gone = replace(rest[0], untestable=Untestable.REPLACED, untestable_why="lost")
    new = LotItem(uuid4(), 6, 33, False, replaces=gone.number)
    lines = list(item_lines(replace(lot, items=(first, second, gone, *rest[1:], new))))
    retest, fail = (str(run.run_id)[:8] for run in first.runs[:2])
    assert lines == [
        " 3  U-3  conforming",
        " 7  U-7  nonconforming: It stalled.",
        f"         run {retest} RETEST, decides nothing",
        f"         run {fail} FAIL, set aside: lever tied",
        "12  -    replaced: cannot be tested, lost",
        "20  -    to be tested",
        "31  -    to be tested",
        "33  -    to be tested (for item 12)",
    ]


# --- what it is worth -----------------------------------------------------------------------------


def test_the_risks_are_those_of_scipys_distributions():
    lot = kept(start=lot_start(size=500, items=range(1, 51), ac=1, aql=1.0))
    worth = worth_of(lot, [6.5])
    (risk,) = worth.risks
    assert risk.producers == pytest.approx(binom.sf(1, 50, 0.01))
    assert risk.consumers == pytest.approx(binom.cdf(1, 50, 0.065))
    assert risk.lot_producers == pytest.approx(hypergeom.sf(1, 500, 5, 50))
    assert risk.lot_consumers == pytest.approx(hypergeom.cdf(1, 500, 33, 50))
    for quality in worth.qualities:
        assert binom.cdf(1, 50, quality.percent / 100) == pytest.approx(quality.accepted)
        assert hypergeom.cdf(1, 500, quality.units, 50) >= quality.accepted
        assert hypergeom.cdf(1, 500, quality.units + 1, 50) < quality.accepted
    assert [risk.bad_percent for risk in worth_of(lot).risks] == [2.0, 5.0, 10.0]
    text = "\n".join(worth_lines(lot, worth))
    assert "producer's risk at 1 % (AQL)  8.94 % not accepted" in text
    assert "consumer's risk at 6.5 %" in text
    with pytest.raises(SamplingError, match="the good one must be below"):
        worth_of(lot, [0.5])


def test_a_probability_never_reads_as_none_or_all_that_is_not():
    told = [percent(p) for p in (0.0, 1e-9, 0.5, 1 - 1e-9, 1.0)]
    assert told == ["0 %", "under 0.1 %", "50 %", "over 99.9 %", "100 %"]


def test_the_average_is_of_all_that_was_inspected_of_lots_offered_first():
    lots = [
        closed(1, number=1),
        closed(0, number=2),
        kept(["fail", "fail"], lot_start("D-3"), number=3, end=LotEnd.NOT_ACCEPTED),
        replace(closed(5, number=4), resubmitted_of=uuid4()),
    ]
    (history,) = histories(lots)
    average = history.average
    assert (average.nonconforming, average.inspected) == (3, 12)
    exact = binomtest(3, 12).proportion_ci(method="exact")  # Clopper and Pearson
    assert (average.low, average.high) == pytest.approx((exact.low, exact.high))
    lines = "\n".join(history_lines(history))
    assert "process average 25 % nonconforming (3 of 12" in lines
    assert "D-4  normal, 5 of 40, Ac 1: 5 nonconforming, not accepted, offered again" in lines
    assert "next lot: normal." in lines
    assert average_words(None) == "no process average yet"


def test_damage_seen_first_is_no_average_of_a_sample_that_was_broken_off():
    """Items 20 and 31 were crushed, and noted before any was tested: 2 of 2 is no process."""
    start = lot_start("D-9")
    crushed = {"untestable": Untestable.NONCONFORMING, "untestable_why": "crushed"}
    items = kept((), start).items
    items = tuple(replace(one, **crushed) if one.number in (20, 31) else one for one in items)
    lot = replace(kept((), start, end=LotEnd.NOT_ACCEPTED), items=items)
    (history,) = histories([lot])
    assert (lot.judged, history.average, history.in_doubt) == (2, None, True)
    assert "2 of 5 tested, out of the crate's order: 0 of 0 count" in "\n".join(
        history_lines(history)
    )
    # In the order of the crate it counts as far as it came.
    items = tuple(replace(one, **crushed) if one.number in (3, 7) else one for one in items)
    rest = tuple(replace(one, untestable=None) if one.number > 7 else one for one in items)
    (history,) = histories([replace(lot, items=rest)])
    assert (history.average.inspected, history.in_doubt) == (2, False)
    assert "broken off with 2 of 5 tested: 2 of 2 count" in "\n".join(history_lines(history))


def test_the_json_has_what_the_text_says():
    lot = kept(["pass", "fail"])
    found = lot_object(lot, worth_of(lot))
    assert (found["judged"], found["nonconforming"], found["next"]) == (2, 1, 12)
    assert [item["result"] for item in found["items"]] == [
        str(ItemResult.NONCONFORMING),
        str(ItemResult.CONFORMING),
        *["left"] * 3,
    ]
    history = history_object(history_of([lot, closed()], HistoryKey.of(lot)))
    assert [one["name"] for one in history["lots"]] == ["D-1", "D-1"]
    assert history["process_average"]["inspected"] == 5
    assert curve_object(oc_curve(5, 1, 40))["lot"][0] == [0.0, 1.0]
