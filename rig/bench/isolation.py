"""Isolating the fault of a suspect unit: one guided test after the other, until one cause is left.

Every test is a step of the record.  What it showed, and the ranking of the causes after it, are
worked out beside the control loop, with the feeds off.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Executor
from dataclasses import replace
from typing import TypeVar

from drivers import Backend
from rig.analysis.faults.at_hand import THINGS, given_with, priors_with, tests_without
from rig.analysis.faults.causes import SOUND
from rig.analysis.faults.choose import Choice, choose
from rig.analysis.faults.crossed import CROSSED
from rig.analysis.faults.features import answer_of
from rig.analysis.faults.guided import KNOWN_GOOD_RELAY, PROGRAMMABLE_SUPPLY, TESTS
from rig.analysis.faults.model import Observation, Proposal, Ranking
from rig.analysis.model import Verdict
from rig.bench.errors import RefusedError, Trip
from rig.bench.events import Ranked, RunBegan, TestDone
from rig.bench.order import RunOrder
from rig.bench.premises import Premises
from rig.bench.reasoning import Learnt, Reasoner, leading
from rig.bench.requests import AT_HAND, DO, END, NEXT_TEST, NO, SKIP, YES, Ask
from rig.bench.seams import Console, Keeper
from rig.bench.stepped import Place, SteppedJob
from rig.bench.steps import Findings, make_work
from rig.bench.steps.guided import Guided, feed_gone, guided_work
from rig.bench.thinking import thinking
from rig.bench.told import in_record, told
from rig.isolation.words import NOT_SURE, Conclusion, conclusion, heading, left_out_words
from rig.plans import ZeroStep
from rig.records.model import RunState, StepRecord, StepState

# A test in whose trace the rig was not sound counts for nothing; it is proposed once more.
TRIES = 2
# So many tests in a row that counted for nothing, and the rig is to be put right first.
UNSOUND_MOST = 3
_RIG_FIRST = "Put the rig right, then isolate again."
_FUSE = (
    "The battery feed was made and no voltage came: the rig's fuse has blown, or a lead is off. "
    "Look at the fuse, and fit a new one of the same rating. The test is then proposed again."
)
_NO_FEED = (
    "The battery feed carries no voltage, so nothing can be learnt of the unit. Check the rig's "
    "fuse, its supply and the feed relay, then start again."
)
_CROSSED = (
    "Nothing more was fed: battery and earth leads may be crossed. Follow them, or measure, first."
)
_CROSSED_NAMED = "Nothing more was fed: follow the leads, or measure, first."

Result = TypeVar("Result")


class Isolation(SteppedJob):
    """Carries out one `IsolationOrder`; ``reason`` is how it thinks, by default with what ships."""

    _pool: Executor
    _cannot_find: tuple[str, ...] = ()

    def __init__(
        self,
        order: RunOrder,
        backend: Backend,
        keeper: Keeper,
        console: Console,
        reason: Reasoner | None = None,
        premises: Premises | None = None,
    ) -> None:
        super().__init__(order, backend, keeper, console, premises)
        settings = order.plan.isolation
        self._confidence = settings.confidence
        self._minutes = settings.all_minutes()
        self._at_hand: frozenset[str] = frozenset(THINGS)
        self._reason_is_given = reason is not None
        self._reason = reason or Learnt(settings.all_priors(), self._minutes)
        self._seen: dict[str, Observation] = {}
        self._done: list[TestDone] = []
        self._left_out: set[str] = set()
        self._tries: dict[str, int] = {}
        self._ranking: Ranking | None = None
        self._proposal: Proposal | None = None
        self._held_back = False  # crossed leads are suspected, and nobody has looked
        self._running: tuple[str, Guided] | None = None
        self._feed_gone = False
        self._fuse_seen_to = False
        self._unsound_in_a_row = 0
        self._doubted = ""  # what was wrong with the rig's sensor in some test

    # --- what an isolation is ---------------------------------------------------------------

    def began(self) -> RunBegan:
        """Tell what begins; how many tests there will be is open."""
        return self.begins(f"Isolating a fault, guarded as in {self.order.plan.title}")

    def work(self) -> RunState:
        """Propose, do, look again, until one remedy is likely enough or nothing is left to do."""
        self.runner = self.make_runner()
        self.runner.conclude = self._learn_from
        with thinking(self.order, "isolation") as self._pool:
            self._find_what_is_there()
            self._think()
            self.pause_if_wished()
            self._zero()
            self._tell()
            while self._proposal is not None:
                answer = self._ask(self._proposal)
                if answer == END:
                    break
                self._test(self._proposal.test, skip=answer == SKIP)
                self._tell()
                if self.runner.left_behind:
                    break
        self.loop.prove_off()
        self._conclude(cycling=True)
        return RunState.FINISHED

    def _aside(self, work: Callable[[], Result]) -> Result:
        """Return what ``work`` returns; the loop cycles meanwhile, feeds off."""
        future = self._pool.submit(work)

        def done() -> bool:
            self.loop.excuse()  # what thinking costs these cycles says nothing of a fed one
            return future.done()

        self.loop.wait(done)
        return future.result()

    # --- what is on the jig -----------------------------------------------------------------

    def _find_what_is_there(self) -> None:
        """Find what is on the jig, by the plan or by asking, and say what cannot be found so."""
        settings = self.order.plan.isolation
        fixed = settings.at_hand
        self._at_hand = frozenset(self._asked_for() if fixed is None else fixed)
        priors = priors_with(settings.all_priors(), self._at_hand)
        given = given_with(self._at_hand)
        if not self._reason_is_given:
            self._reason = Learnt(priors, self._minutes, given)
        self._cannot_find = left_out_words(self._at_hand, settings.all_priors())
        if self._cannot_find:
            self.log.note("left_out", " ".join(self._cannot_find))

    def _asked_for(self) -> Iterator[str]:
        """Yield what somebody says is there; what nobody can tell counts as there."""
        there = True
        for thing in THINGS.values():
            if thing.name == KNOWN_GOOD_RELAY and not there:
                continue  # it would replace none
            detail = {"thing": thing.name}
            text = f"{thing.question} {thing.if_not}"
            there = self.ask(Ask(AT_HAND, text, (YES, NO), detail)) != NO
            if there:
                yield thing.name
        self.loop.resume_after_pause()

    # --- tests ------------------------------------------------------------------------------

    def _zero(self) -> None:
        """Find the sensor's zero first: a small draw at rest tells one cause from another."""
        step = ZeroStep()
        shunt_ohm = self.order.station.battery_sensor.shunt_ohm
        self.do_step(Place(1, 0, more=True), step, lambda: make_work(step, shunt_ohm))

    def _test(self, name: str, *, skip: bool) -> None:
        if skip:
            self._leave_out(name, "skipped")
            self.log.note("skipped", f"{heading(name)}: skipped by the operator.")
            return
        step, _ = guided_work(name, self._at_hand)
        state = self.do_step(Place(self.step + 1, 0), step, lambda: self._work_of(name))
        self._running = None
        if state is StepState.SKIPPED:
            self._leave_out(name, "could not be done")
        elif name not in self._seen and name not in self._left_out:
            self._counted_for_nothing(name)
        self.loop.prove_off()
        if self._feed_gone:
            self._have_fuse_seen_to()
        elif self._unsound_in_a_row >= UNSOUND_MOST:
            raise RefusedError(self.log.unsound)

    def _work_of(self, name: str) -> Guided:
        self._forget(name)
        _, work = guided_work(name, self._at_hand)
        self._running = (name, work)
        return work

    def _forget(self, name: str) -> None:
        """Take out what a test showed before it is done again: whatever comes of it counts."""
        if all(done.test != name for done in self._done):
            return
        self._seen.pop(name, None)
        self._left_out.discard(name)
        self._done = [done for done in self._done if done.test != name]
        self._think()

    def _leave_out(self, name: str, why: str) -> None:
        self._left_out.add(name)
        self._done.append(TestDone(name, why, counts=False))
        self._think()

    def _counted_for_nothing(self, name: str) -> None:
        self._tries[name] = self._tries.get(name, 0) + 1
        if self._tries[name] >= TRIES:
            self._leave_out(name, "counted for nothing: the rig was not sound")

    def _learn_from(self, found: Findings) -> None:
        """Take what a test showed into the ranking, and the ranking into its record."""
        if self._running is None:  # the sensor's zero
            return
        name, work = self._running
        answers = dict(found.answers)
        found.answers = {**answers, "test": name}
        if self._counts_for_nothing(work):
            return
        observation = self._observation(name, work)
        if not observation.features or work.answer == "cannot":
            self._leave_out(name, "not seen")
            return
        self._seen[name] = observation
        self._done.append(TestDone(name, told(found, work.answer), counts=True))
        self._think()
        assert self._ranking is not None
        found.answers = {**found.answers, **in_record(self._ranking)}

    def _counts_for_nothing(self, work: Guided) -> bool:
        """Tell whether the rig was not sound in the test, and take note of what was wrong."""
        trace = work.of_test(self.loop.recorder.trace())
        self._feed_gone = feed_gone(trace, self.order.plan.unit.nominal_v)
        unsound = bool(self.log.unsound) or self._feed_gone
        self._doubted = self._doubted or self.log.unsound
        self._unsound_in_a_row = self._unsound_in_a_row + 1 if unsound else 0
        self._fuse_seen_to = self._fuse_seen_to and unsound
        return unsound

    def _have_fuse_seen_to(self) -> None:
        """Have the rig's fuse looked at: a unit that stands still for long may blow it."""
        self._feed_gone = False
        answer = "cannot" if self._fuse_seen_to else self.ask(Ask("fit_fuse", _FUSE))
        if answer == "cannot":
            raise RefusedError(_NO_FEED)
        self._fuse_seen_to = True
        self.loop.resume_after_pause()

    def _observation(self, name: str, work: Guided) -> Observation:
        if TESTS[name].is_look:
            return answer_of(name, work.answer)
        context = self.runner.context
        trace = work.of_test(self.loop.recorder.trace())
        return self._aside(
            lambda: self._reason.see(name, trace, context.unit, context.limits, context.accuracy)
        )

    # --- ranking ----------------------------------------------------------------------------

    @property
    def _possible(self) -> list[str]:
        """The tests that this plan and this rig allow and that are still to be done."""
        return [
            name
            for name in self.order.plan.isolation.tests
            if name not in self._seen
            and name not in self._left_out
            and self._can(name)
            and name not in tests_without(self._at_hand)
        ]

    def _can(self, name: str) -> bool:
        test, plan, supply = TESTS[name], self.order.plan, self.order.settings.supply
        if PROGRAMMABLE_SUPPLY not in test.needs:
            return True
        volts = test.supply_v or 0.0
        # What a unit draws standing still at that voltage: the supply must give it, the sensor see.
        stall_a = plan.unit.stall_a * volts / plan.highest_v
        enough = stall_a <= min(supply.max_a, plan.largest_a)
        return self.power.programmable and volts <= supply.max_v and enough

    def _think(self) -> None:
        """Rank the causes anew and look for the test to do next."""
        seen, possible = list(self._seen.values()), self._possible

        def think() -> tuple[Ranking, Choice]:
            ranking = self._reason.rank(seen)
            return ranking, choose(
                ranking,
                seen,
                possible,
                self._reason.propose,
                sure=conclusion(ranking, self._confidence).sure,
                minutes=self._minutes,
                confirm_most_min=self.order.plan.isolation.confirm_min,
            )

        self._ranking, choice = self._aside(think)
        self._proposal, self._held_back = choice.proposal, choice.held_back

    @property
    def _conclusion(self) -> Conclusion | None:
        if self._ranking is None:
            return None
        found = conclusion(self._ranking, self._confidence, list(self._seen.values()))
        if self._held_back:
            named = CROSSED in found.case.split(" + ")
            why = _CROSSED_NAMED if named else _CROSSED
            found = replace(found, text=f"{found.text} {why}")
        if not (self._doubted and found.sure and found.case == SOUND):
            return found
        # What a sensor that is not sound shows may look like anything, a sound unit as well.
        text = f"{NOT_SURE} {found.text} But the rig was not sound: {self._doubted}"
        return replace(found, sure=False, text=text, remedy=_RIG_FIRST)

    def _tell(self, concluded: Conclusion | None = None) -> None:
        assert self._ranking is not None
        proposal = None if concluded is not None else self._proposal
        ranking, done = leading(self._ranking), tuple(self._done)
        told = Ranked(ranking, proposal, done, self._confidence, concluded, self._cannot_find)
        self.console.show(told)

    # --- questions --------------------------------------------------------------------------

    def _ask(self, proposal: Proposal) -> str:
        """Return whether the operator does the test, skips it, or ends; hands always do it."""
        if self.backend.hands is not None and not self.order.ask_operator:
            return DO
        test = TESTS[proposal.test]
        text = (
            f"Next: {heading(test.name)} (about {proposal.minutes:g} min). {test.does} "
            f"{proposal.why}".rstrip()
        )
        detail = {"test": test.name, "minutes": proposal.minutes, "why": proposal.why}
        ask = Ask(NEXT_TEST, text, (DO, SKIP, END), detail)
        answer = self.console.ask(ask, self.loop.wait)
        self.loop.resume_after_pause()
        return answer

    # --- the end ----------------------------------------------------------------------------

    def tripped(self, trip: Trip) -> RunState:
        """Take note of the trip; one of the unit's ends it with what is known by then."""
        state = super().tripped(trip)
        if trip.of_unit and self._ranking is not None:
            self._conclude(cycling=False)
        return state

    def _conclude(self, *, cycling: bool) -> None:
        """Tell and record what it came to."""
        concluded = self._conclusion
        assert concluded is not None
        self._argue(concluded)
        self._tell(concluded)
        assert self._ranking is not None
        now = self.log.dates.now()
        self.records += 1
        record = StepRecord(
            number=self.records,
            kind="ranking",
            title="What it comes to",
            started_at=now,
            ended_at=now,
            state=StepState.DONE,
            answers={
                "cause": concluded.case,
                "probability": round(concluded.probability, 4),
                "repair probability": round(concluded.repair_probability, 4),
                "sure": concluded.sure,
                "confirmed": concluded.confirmed,
                "to do": concluded.remedy,
                **({"not looked for": list(self._cannot_find)} if self._cannot_find else {}),
                **in_record(self._ranking, reasons=True),
            },
        )
        self.wait_on_disk(self.keeper.finish_step(self.log.run_id, record), cycling)

    def _argue(self, concluded: Conclusion) -> None:
        text = f"{concluded.text} {concluded.remedy}"
        self.log.argue(
            Verdict.RETEST, f"{text} An isolation passes no unit: qualify it.", "isolation"
        )
        self.log.note("isolation", concluded.text)

    def unfinished(self, text: str) -> None:
        """Argue that the isolation was left, and with what was known by then."""
        concluded = self._conclusion if self._seen else None
        if concluded is not None:
            self.log.note("isolation", f"Left unfinished. {concluded.text}")
        super().unfinished(text)

    def cut_off_words(self) -> str:
        """Return how far the isolation had come."""
        count = len(self._seen)
        if not count:
            return "No test of the isolation was done, so nothing is known of the unit."
        plural = "test" if count == 1 else "tests"
        concluded = self._conclusion
        known = "" if concluded is None else f" What is known by then: {concluded.text}"
        return f"The isolation was left after {count} {plural}.{known}"

    def left_out(self) -> str:
        """Return nothing: no test is owed."""
        return ""
