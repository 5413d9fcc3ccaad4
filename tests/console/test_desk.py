"""The desk: one bench at a time, ready before it is needed, and told of when it dies."""

from dataclasses import replace
from math import nan
from pathlib import Path
from types import SimpleNamespace

import pytest
from bench_runs import make_order, make_settings

from rig.bench.commands import Answer, GoOn, Hold, Pause, RepeatStep, Stop
from rig.bench.events import Asked, Ready, Refused, RunBegan, RunEnded, StepBegan
from rig.bench.requests import Ask, Sample
from rig.bench.ring import SampleRing
from rig.bench.stations import StationHandle
from rig.console.desk import STALE_S, STOP_CONFIRM_S, WARM_AGAIN_S, Desk
from rig.console.live_job import Phase
from rig.records.model import RunState

SETTINGS = make_settings(sample_hz=200, supply=False)
JOB = make_order(settings=SETTINGS)
BEGAN = RunBegan(None, "A", "Test plan", 1, 3.0, True, {})
STEP = StepBegan(1, 1, "half_turns", "Half-turns", 3.0, 0.0)
ENDED = RunEnded(None, RunState.FINISHED, None, True, "")
ASKED = Asked(Ask("accept_cautions", "Read?", ("accepted", "refused")))


class Bench:
    """A bench that says what the test has it say."""

    pid = None
    job = None
    outlives = False
    goes_on = False

    def __init__(self):
        self.ring = SampleRing()
        self.alive = True
        self.jobs = []
        self.told = []
        self.says = [Ready()]
        self.closed = False

    def begin(self, job):
        self.jobs.append(job)

    def tell(self, command):
        self.told.append(command)

    def events(self, wait_s=0.0):
        says, self.says = self.says, []
        return iter(says)

    def close(self, wait_s=10.0):
        self.closed = True
        self.ring.close()

    def samples(self, count=1, t=0.0):
        for k in range(count):
            row = Sample(t + k / 200, 2.2, 12.6, True, True, 0, nan, False, None, None)
            self.ring.write(row)

    def gone(self, *last_words):
        self.says.extend(last_words)
        self.alive = False


class Clock:
    s = 100.0

    def __call__(self):
        return self.s


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def benches():
    return []


@pytest.fixture
def desk(clock, benches, tmp_path):
    def open_bench():
        benches.append(Bench())
        return benches[-1]

    desk = Desk(SETTINGS, tmp_path / "records.sqlite", open_bench, backend="simulated", now_s=clock)
    yield desk
    desk.close()


@pytest.fixture
def running(desk, benches):
    """Return the desk with a run on and a sample seen."""
    desk.warm_up()
    desk.poll()
    assert desk.begin(JOB)
    benches[0].says = [BEGAN, STEP]
    benches[0].samples()
    desk.poll()
    return desk


# --- one bench, ready ----------------------------------------------------------------------------


def test_a_bench_is_ready_once_it_has_said_so(desk, benches):
    assert not desk.ready
    desk.warm_up()
    assert not desk.ready
    assert desk.poll() == [Ready()]
    assert desk.ready
    desk.warm_up()
    assert len(benches) == 1
    desk.begin(JOB)
    assert not desk.ready


def test_a_job_is_handed_over_at_once_even_before_the_bench_is_ready(desk, benches):
    assert desk.begin(JOB)
    assert benches[0].jobs == [JOB]
    assert desk.live.phase is Phase.STARTING
    assert desk.live.job is JOB


def test_one_job_at_a_time(running, benches):
    live = running.live
    assert not running.begin(JOB)
    assert "on already" in running.bench_error
    assert running.live is live
    assert benches[0].jobs == [JOB]


def test_a_job_forgets_what_was_known_of_the_last(running, benches):
    benches[0].says = [ENDED]
    benches[0].gone()
    running.poll()
    assert running.begin(JOB)
    assert running.live.phase is Phase.STARTING
    assert running.live.began is None
    assert len(running.tail) == 0
    assert benches[0].closed
    assert benches[1].jobs == [JOB]


def test_samples_and_events_are_taken_in_on_every_poll(running, benches):
    assert running.live.step is STEP
    benches[0].samples(7, t=1.0)
    running.poll()
    assert len(running.tail) == 8
    assert running.tail.last("battery_feed") == 1.0


def test_a_job_begun_while_the_last_bench_puts_its_things_away_waits_for_it(running, benches):
    benches[0].says = [ENDED]
    running.poll()
    assert running.begin(JOB)  # its process is still there
    running.tell(Pause())
    assert benches[0].jobs == [JOB]
    benches[0].says = [Refused("a late word of the last job")]
    running.poll()
    assert running.live.phase is Phase.STARTING
    assert len(running.tail) == 0  # the last job's samples are still in its ring
    benches[0].gone()
    running.poll()
    assert benches[1].jobs == [JOB]
    assert benches[1].told == [Pause()]
    assert benches[0].told == []
    benches[1].says = [BEGAN]
    running.poll()
    assert running.live.phase is Phase.ON


# --- a bench that cannot start, or dies ----------------------------------------------------------


def test_a_bench_process_that_cannot_be_started_is_told_and_tried_again(tmp_path, clock, benches):
    fails = [OSError(12, "Cannot allocate memory")]

    def open_bench():
        if fails:
            raise fails.pop()
        benches.append(Bench())
        return benches[-1]

    desk = Desk(SETTINGS, tmp_path / "r", open_bench, now_s=clock)
    desk.warm_up()
    assert "cannot be started" in desk.bench_error
    assert "Cannot allocate memory" in desk.bench_error
    assert "press" in desk.bench_error  # what to do next
    assert desk.poll() == []
    assert desk.begin(JOB)
    assert desk.bench_error == ""
    desk.close()


def test_no_job_begins_without_a_bench(tmp_path):
    def open_bench():
        raise OSError(11, "Resource temporarily unavailable")

    desk = Desk(SETTINGS, tmp_path / "r", open_bench)
    assert not desk.begin(JOB)
    assert "cannot be started" in desk.bench_error
    assert desk.live.phase is Phase.NONE
    desk.close()


def test_an_idle_bench_that_died_is_replaced_but_not_again_and_again(desk, benches, clock):
    desk.keep_warm()
    for _ in range(50):  # each dies at once
        if desk.bench is not None:
            benches[-1].gone()
        desk.poll()
        desk.keep_warm()
        clock.s += 0.05
    assert desk.live.phase is Phase.NONE  # nobody is alarmed: no job was on
    assert len(benches) == 1 + int(50 * 0.05 / WARM_AGAIN_S)
    assert all(bench.closed for bench in benches[:-1])


def test_a_job_never_goes_to_a_bench_that_died_idle(desk, benches):
    desk.warm_up()
    desk.poll()
    benches[0].gone()
    assert desk.begin(JOB)
    assert benches[0].jobs == []
    assert benches[1].jobs == [JOB]


@pytest.mark.parametrize("heard", [(), (BEGAN, STEP), (BEGAN, ASKED)])
def test_a_bench_that_dies_with_a_job_on_is_gone(desk, benches, heard):
    desk.begin(JOB)
    benches[0].says.extend(heard)
    desk.poll()
    benches[0].gone()
    desk.poll()
    assert desk.live.phase is Phase.GONE
    assert desk.live.asked is None
    assert desk.bench is None
    assert benches[0].closed
    assert not desk.fresh
    desk.tell(GoOn())  # lost, and no harm done
    assert desk.begin(JOB)
    assert benches[1].jobs == [JOB]


def test_the_last_words_of_a_bench_that_went_are_heard(running, benches):
    benches[0].samples(3, t=2.0)
    benches[0].gone(ENDED)
    assert running.poll() == [ENDED]
    assert running.live.phase is Phase.ENDED
    assert len(running.tail) == 4


def test_a_bench_that_refuses_its_job_says_why(desk, benches):
    desk.begin(JOB)
    benches[0].gone(Refused("The sensor does not answer."))
    desk.poll()
    assert desk.live.phase is Phase.REFUSED
    assert desk.live.refused.text == "The sensor does not answer."


def test_a_waiting_job_for_which_no_bench_can_be_started_is_refused(clock, tmp_path):
    made = [Bench()]

    def open_bench():
        if made:
            return made.pop()
        raise OSError(12, "Cannot allocate memory")

    desk = Desk(SETTINGS, tmp_path / "r", open_bench, now_s=clock)
    desk.begin(JOB)
    bench = desk.bench
    bench.says = [ENDED]
    desk.poll()
    desk.begin(JOB)
    bench.gone()
    (refused,) = desk.poll()
    assert "Cannot allocate memory" in refused.text
    assert desk.live.phase is Phase.REFUSED
    desk.close()


# --- fresh and stale -----------------------------------------------------------------------------


def test_nothing_is_fresh_before_the_first_sample(desk, benches, clock):
    desk.begin(JOB)
    assert not desk.fresh
    benches[0].samples()
    desk.poll()
    assert desk.fresh


def test_samples_that_stop_coming_are_stale_after_a_moment(running, benches, clock):
    clock.s += STALE_S - 0.01
    running.poll()
    assert running.fresh
    clock.s += 0.02
    running.poll()
    assert not running.fresh
    assert running.age_s == pytest.approx(STALE_S + 0.01)
    benches[0].samples(1, t=1.0)
    running.poll()
    assert running.fresh
    assert running.age_s == 0.0


def test_nothing_is_live_when_the_job_is_over(running, benches):
    benches[0].says = [ENDED]
    benches[0].samples(5, t=1.0)
    running.poll()
    assert not running.fresh
    assert len(running.tail) == 6  # still there to be looked at


# --- feeds off, and wishes -----------------------------------------------------------------------


def test_feeds_off_ends_the_job_and_is_sent_again_on_every_press(running, benches):
    assert running.feeds_off("the feeds-off key was pressed")
    assert benches[0].told == [Hold(False, False), Stop("the feeds-off key was pressed")]
    assert running.live.stop_wanted
    running.feeds_off("once more")
    assert benches[0].told[-1] == Stop("once more")


def test_feeds_off_without_a_job_has_nothing_to_end(desk, benches):
    desk.warm_up()
    assert not desk.feeds_off("the feeds-off key was pressed")
    assert benches[0].told == []
    assert not desk.stop_unconfirmed


def test_a_stop_that_is_not_confirmed_is_told(running, benches, clock):
    running.feeds_off("the feeds-off key was pressed")
    clock.s += STOP_CONFIRM_S - 0.1
    assert not running.stop_unconfirmed
    clock.s += 0.05
    running.feeds_off("pressed again: the time counts from the first")
    clock.s += 0.1
    assert running.stop_unconfirmed
    benches[0].says = [ENDED]
    running.poll()
    assert not running.stop_unconfirmed


def test_a_stop_confirmed_in_time_leaves_nothing_for_the_next_job(running, benches, clock):
    running.feeds_off("the feeds-off key was pressed")
    benches[0].gone(ENDED)
    running.poll()
    clock.s += 10 * STOP_CONFIRM_S
    running.begin(JOB)
    clock.s += 10 * STOP_CONFIRM_S
    assert not running.stop_unconfirmed


def test_wishes_show_at_once(running, benches):
    running.tell(Pause())
    assert running.live.pause_wanted
    running.tell(GoOn())
    assert not running.live.pause_wanted
    running.tell(RepeatStep())
    assert running.live.repeat_wanted
    running.tell(RepeatStep(wanted=False))
    assert not running.live.repeat_wanted
    assert benches[0].told == [Pause(), GoOn(), RepeatStep(), RepeatStep(wanted=False)]


def test_an_answer_is_sent_once_and_closes_the_question(running, benches):
    benches[0].says = [ASKED]
    running.poll()
    assert running.live.asked is ASKED
    running.tell(Answer("accepted"))
    assert running.live.asked is None
    assert benches[0].told == [Answer("accepted")]


# --- what is chosen ------------------------------------------------------------------------------


def test_a_console_runs_in_real_time_whatever_the_backend(tmp_path):
    for backend in ("simulated", "pi"):
        desk = Desk(SETTINGS, tmp_path / "r", Bench, backend=backend)
        desk.choices.faults = ("worn_brushes",)
        desk.choices.seed = 4
        options = desk.options()
        assert options.real_time
        assert options.faults == (("worn_brushes",) if backend == "simulated" else ())
        assert desk.simulated is (backend == "simulated")
        desk.close()


def test_the_plans_that_ship_are_there_to_choose(desk):
    plans = desk.plans()
    assert {"qualify", "suspect", "incoming", "endurance"} <= set(plans)
    assert "Qualification" in desk.plan("qualify").title
    assert all(isinstance(file, Path) for file in plans.values())


def test_closing_ends_the_bench_and_may_be_done_twice(running, benches):
    running.close()
    running.close()
    assert benches[0].closed
    assert running.bench is None


class Inbox:
    """A station's line as the console reads it: what came, in order."""

    gone = False

    def __init__(self):
        self.came = [Ready()]

    @property
    def waiting(self):
        return bool(self.came)

    def take(self, wait_s=0.0):
        return self.came.pop(0) if self.came else None


def test_a_job_begun_before_the_stations_last_word_of_the_one_before_begins_with_it(tmp_path):
    ring, inbox, sent = SampleRing(), Inbox(), []
    line = SimpleNamespace(inbox=inbox, outbox=SimpleNamespace(put=sent.append), ring=ring)
    bench = SimpleNamespace(pid=None)
    handles = [StationHandle(bench, "A", line, ready=False)]

    def station():
        if handles[-1].spent:
            handles.append(StationHandle(bench, "A", line, ready=handles[-1].heard_ready))
        return handles[-1]

    desk = Desk(SETTINGS, tmp_path / "records.sqlite", station, backend="simulated")
    desk.warm_up()
    desk.poll()
    assert desk.begin(JOB)
    inbox.came += [BEGAN, ENDED]
    desk.poll()
    another = replace(JOB, unit_serial="LM-12-0002")
    assert desk.begin(another)
    assert sent == [JOB]
    inbox.came.append(Ready())
    desk.poll()
    assert sent == [JOB, another]
    ring.close()
