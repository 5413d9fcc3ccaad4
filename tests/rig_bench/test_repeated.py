"""What a verdict tells of repeated steps, and a run whose end cannot be recorded."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bench_runs import HALF_TURNS, HEAD, Watcher, make_order, make_plan, make_settings
from commander import Commander

from drivers.simulated.backend import SimulatedBackend
from rig.analysis.model import Reason, Verdict
from rig.bench.commands import Meddle, RepeatStep
from rig.bench.errors import Stopped
from rig.bench.events import HalfTurnEnded, RunEnded, StepBegan
from rig.bench.keeper import DirectKeeper
from rig.bench.repeated import Repeated
from rig.bench.session import Session
from rig.commands.verdict import verdict_lines
from rig.console.verdict_rows import reason_rows
from rig.records.errors import RecordsError
from rig.records.store import Store

SETTINGS = make_settings(sample_hz=500, supply=False)
FOUR = '[[step]]\nkind = "half_turns"\ncount = 4\npause_s = 0.4\n'


def order(*steps, **more):
    return make_order(make_plan(*steps), settings=SETTINGS, **more)


def repeated_with_fault(fault):
    """A run of two steps of half-turns whose first is repeated, with a fault the first time."""
    return Commander(
        {
            (HalfTurnEnded, 1): [RepeatStep(), Meddle("apply_fault", {"fault": fault})],
            (HalfTurnEnded, 4): [Meddle("clear_fault", {"name": fault.partition("=")[0]})],
        }
    )


def test_what_a_repetition_kept_is_no_reason_where_the_time_before_failed_on_it(carry_out):
    ran = carry_out(order(FOUR), repeated_with_fault("dry-gear=5"))
    reasons = ran.ended.judgement.reasons
    failed = {reason.measure for reason in reasons if reason.verdict is Verdict.FAIL}
    passed = {reason.measure for reason in reasons if reason.verdict is Verdict.PASS}
    assert "run_a" in failed
    assert failed & passed == set()
    assert passed > {"repeat"}  # what did not fail is told to be in order


def told_of_repeating(ran):
    return [(r.verdict, r.text, r.half_turn) for r in ran.ended.judgement.reasons if is_repeat(r)]


def is_repeat(reason):
    return reason.measure == "repeat"


def test_the_verdict_tells_that_a_step_was_repeated_and_which_doubts_that_cleared(carry_out):
    ran = carry_out(order(FOUR), repeated_with_fault("feed-relay-stuck-open"))
    assert ran.verdict == "pass"
    ((verdict, text, half_turn),) = told_of_repeating(ran)
    assert (verdict, half_turn) == (Verdict.PASS, 0)
    start = "Step 1 of the plan (Half-turns) was done twice and the last time counts. It cleared: "
    assert text.startswith(start + "half-turn ")
    assert "no feed" in text
    assert "test again" not in text  # there is nothing left to do about it
    assert ran.record.end.judgement == ran.ended.judgement
    lines = verdict_lines(ran.ended.judgement)
    assert lines[-1] == f"  - {text}"


def test_a_failed_unit_is_told_of_the_repetition_too(carry_out):
    ran = carry_out(order(FOUR), repeated_with_fault("dry-gear=5"))
    ((_, text, _),) = told_of_repeating(ran)
    assert text.endswith("it cleared no doubt. What failed before stays.")
    assert verdict_lines(ran.ended.judgement)[-1] == f"  - {text}"
    row = reason_rows(ran.ended.judgement.reasons, ran.record.steps, None)[-1]
    assert (row.measure, row.text, row.next_step) == ("step repeated", text, "")
    assert row.passage is None


def test_a_repetition_that_was_stopped_cleared_nothing(carry_out):
    class Stopper(Commander):
        def listen(self):
            if len(self.of(HalfTurnEnded)) == 6:
                raise Stopped("Stopped.", by_operator=True)
            return super().listen()

    stopper = Stopper(repeated_with_fault("feed-relay-stuck-open").script)
    ((_, text, _),) = told_of_repeating(carry_out(order(FOUR), stopper))
    assert text == (
        "Step 1 of the plan (Half-turns) was begun twice; the last time was not carried through, "
        "so it cleared no doubt."
    )


def test_a_repetition_passes_nothing_by_itself(carry_out):
    """A step that gives no reason is judged no better for having been done twice."""
    draw = '[[step]]\nkind = "rest_draw"\n'
    head = HEAD.replace("rest_max_a = 0.05\n", "")
    plan = make_plan(draw, head=head)
    commander = Commander({(StepBegan, 1): [RepeatStep()]})
    ran = carry_out(make_order(plan, settings=SETTINGS), commander)
    assert len(ran.record.steps) == 2
    assert ran.verdict == "retest"
    assert told_of_repeating(ran) == []


def doubt(text, measure="outcome"):
    return Reason(Verdict.RETEST, text, measure, 1)


def test_only_what_the_last_time_did_not_doubt_again_is_cleared():
    repeated = Repeated("Step 2 of the plan (Jam)")
    repeated.once_more([doubt("No feed. Test again."), doubt("It is close.", "run_a")])
    repeated.once_more([doubt(f"Doubt {n}.") for n in range(3)])
    repeated.settle([doubt("It is close again.", "run_a")])
    assert repeated.reason().text == (
        "Step 2 of the plan (Jam) was done 3 times and the last time counts. It cleared: no feed; "
        "doubt 0; doubt 1; and 1 more."
    )


def test_a_step_that_was_not_done_after_a_repetition_is_named_by_its_title(carry_out):
    load = '[[step]]\nkind = "loaded"\nload_nm = 2.0\ncount = 2\n'
    asking = replace(order(HALF_TURNS, load), ask_operator=True)
    commander = Commander({(HalfTurnEnded, 1): [RepeatStep()]}, answers={"hang_load": "cannot"})
    ran = carry_out(asking, commander)
    assert [step.number for step in ran.record.steps] == [1, 2, 3]
    (reason,) = [r for r in ran.ended.judgement.reasons if r.measure == "loaded"]
    assert reason.text.startswith(f"Step 2 of the plan ({ran.record.steps[2].title}) was not done")


class FullDisk(DirectKeeper):
    def finish_run(self, run_id, end):
        raise RecordsError("The disk is full. Free some space.")


@pytest.mark.parametrize("stuck", [False, True])
def test_how_a_run_ended_is_told_although_it_cannot_be_recorded(records, stuck):
    watcher = Watcher()
    job = order(HALF_TURNS)
    backend = SimulatedBackend(job.wiring(), job.options)
    with Store.open(records) as store:
        session = Session(job, backend, FullDisk(store), watcher)
        if stuck:
            stop = session.wait_on_disk
            session.wait_on_disk = lambda done, cycling: (stick(session), stop(done, cycling))
        with pytest.raises(RecordsError, match="The disk is full") as told:
            session.run()
    backend.close()
    (ended,) = watcher.of(RunEnded)
    assert ended.judgement.verdict is Verdict.PASS
    assert ended.feeds_off is not stuck
    assert ended.note == str(told.value)
    for said in ("may be missing", "before is kept", "verdict was pass: write", "Put the records"):
        assert said in ended.note
    with Store.open(records) as store:
        assert len(store.run(ended.run_id).steps) == 1


def stick(session):
    """From now on the feeds do not read back off."""
    session.station.all_off, off = (lambda: not off()), session.station.all_off
