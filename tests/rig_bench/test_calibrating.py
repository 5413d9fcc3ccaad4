"""The guided calibration on the simulated bench, and what it does to later runs."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from bench_runs import Watcher, feeds_are_on, make_order, make_plan, make_settings

from drivers import BackendOptions, DriverError
from drivers.simulated.backend import SimulatedBackend
from rig.bench import dates
from rig.bench.calibrated import calibrated, standing_of
from rig.bench.calibrating import CalibrationJob
from rig.bench.errors import Stopped
from rig.bench.events import CalibrationFound, RunBegan, ZeroFound
from rig.bench.keeper import DirectKeeper
from rig.bench.order import CalibrationOrder, RigCheckOrder
from rig.bench.requests import Ask
from rig.bench.rig_check import RigCheck
from rig.bench.session import Session
from rig.quality.calibration import CalibrationState
from rig.records.store import Store
from rig.references import SIMULATED

RESISTOR, VOLTMETER, AMMETER = (one.reference() for one in SIMULATED)
SETTINGS = make_settings(sample_hz=200, supply=False)
DONE = (
    "jig_empty",
    "press_emergency_stop",
    "release_emergency_stop",
    "press_at_run",
    "press_at_stop",
)
ERRORS = {"sensor.gain": "1.02", "sensor.offset_a": "-0.03", "sensor.voltage_gain": "0.994"}


def order_of(errors=ERRORS, **changes):
    given = {
        "settings": SETTINGS,
        "station": SETTINGS.stations[0],
        "backend": "simulated",
        "options": BackendOptions(seed=3, extra=errors),
        "current_reference": RESISTOR,
        "voltmeter": VOLTMETER,
        "load_ohm": 2.5,
        "load_w": 1000.0,  # no pause to cool: virtual seconds cost real ones
        "operator": "R. Vale",
        "max_a": make_plan().largest_a,
    }
    return CalibrationOrder(**{**given, **changes})


def calibrate(order, store, watcher=None):
    watcher = watcher or Watcher()
    backend = SimulatedBackend(order.wiring(), order.options)
    watcher.backend = backend
    try:
        ended = CalibrationJob(order, backend, DirectKeeper(store), watcher).run()
        assert not feeds_are_on(backend, order.settings)
        assert backend.world.supply is None or not backend.world.supply.output_on
        return ended
    finally:
        backend.close()


def run(store, errors, settings=SETTINGS):
    order = make_order(make_plan(), seed=3, settings=settings, **errors)
    watcher = Watcher()
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        ended = Session(order, backend, DirectKeeper(store), watcher).run()
    finally:
        backend.close()
    return ended, watcher, store.run(ended.run_id)


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path / "records.sqlite") as opened:
        yield opened


# --- the rig reads right afterwards -----------------------------------------------------------


@pytest.mark.parametrize(
    ("seed", "reference"),
    [(1, RESISTOR), (2, AMMETER), (3, RESISTOR)],
    ids=["resistor", "ammeter", "again"],
)
def test_drawn_sensor_errors_are_found_within_their_uncertainty(store, seed, reference):
    rng = random.Random(seed)
    gain, voltage_gain = 1 + rng.uniform(-0.04, 0.04), 1 + rng.uniform(-0.02, 0.02)
    offset_a = rng.uniform(-0.06, 0.06)
    drawn = {
        "sensor.gain": str(gain),
        "sensor.offset_a": str(offset_a),
        "sensor.voltage_gain": str(voltage_gain),
    }
    ended = calibrate(order_of(drawn, current_reference=reference), store)
    assert ended.good, ended.text
    (made,) = store.calibrations()
    for true_a in (0.0, 2.0, 20.0):
        read_a = true_a / gain + offset_a
        found = made.current.correction
        assert abs(found.true(read_a) - true_a) <= 2.5 * found.u(read_a)
    true_v = 12.0
    voltage = made.voltage.correction
    assert abs(voltage.true(true_v / voltage_gain) - true_v) <= 2.5 * voltage.u(true_v)


@pytest.mark.parametrize("fed_zero_a", [-0.01, 0.01])
@pytest.mark.parametrize(
    ("reference", "voltmeter"),
    [(RESISTOR, VOLTMETER), (AMMETER, VOLTMETER), (AMMETER, None)],
    ids=["resistor", "ammeter", "ammeter_alone"],
)
def test_a_zero_that_moves_when_the_feed_is_made_is_in_the_gains_uncertainty(
    store, fed_zero_a, reference, voltmeter
):
    """As far as the README's wiring check lets R4 leave it; taken with the feeds off it made the
    gain wrong by twice its U.
    """
    drawn = {"sensor.gain": "1.01", "sensor.fed_zero_a": str(fed_zero_a)}
    order = order_of(drawn, current_reference=reference, voltmeter=voltmeter)
    ended = calibrate(order, store)
    assert ended.good, ended.text
    (made,) = store.calibrations()
    found = made.current.correction
    assert abs(found.gain - 1.01) <= 2 * found.gain_u
    assert 2 * found.gain_u < (0.002 if voltmeter else 0.004)
    if voltmeter:
        assert found.offset == pytest.approx(fed_zero_a, abs=0.002)


def test_a_later_run_reads_as_one_with_a_perfect_sensor(store, tmp_path):
    """Same unit, same seed: its samples, as guard, ring and record see them, are those of a sound
    sensor within the calibration's uncertainty and the sensor's step.
    """
    calibrate(order_of(), store)
    (made,) = store.calibrations()
    _, seen, record = run(store, ERRORS)
    with Store.open(tmp_path / "sound.sqlite") as other:
        _, sound, _ = run(other, {})
    assert record.start.calibration.state is CalibrationState.IN_FORCE
    assert record.start.calibration.calibration == made
    (began,) = seen.of(RunBegan)
    assert began.calibration == record.start.calibration
    pairs = list(zip(seen.samples, sound.samples, strict=False))
    assert len(pairs) > 500
    off_a = [abs(one.current_a - two.current_a) for one, two in pairs]
    off_v = [abs(one.voltage_v - two.voltage_v) for one, two in pairs]
    assert max(off_a) < 0.02  # uncorrected, 14 A of inrush are off by 0.3 A
    assert max(off_v) < 0.05  # uncorrected, 12 V are off by 0.07 V


def test_without_it_the_same_sensor_is_seen_to_be_off(store):
    """The test above can fail: nothing corrects what nobody calibrated."""
    _, seen, record = run(store, ERRORS)
    _, sound, _ = run(store, {})
    assert record.start.calibration.state is CalibrationState.NEVER
    pairs = zip(seen.samples, sound.samples, strict=False)
    assert max(abs(one.current_a - two.current_a) for one, two in pairs) > 0.2


def test_a_second_calibration_finds_the_first_ones_work_as_found(store):
    calibrate(order_of(), store)
    calibrate(order_of(), store)
    newest, first = store.calibrations()
    assert newest.made_at > first.made_at
    zero, five, again = first.current.points  # so far off that it was read twice
    assert abs(first.current.found(five)) > 0.05
    assert again.reference == pytest.approx(five.reference, abs=0.01)
    zero, five = newest.current.points
    for point in (zero, five):
        assert abs(newest.current.found(point)) < 0.01
    assert newest.current.before == first.current.correction


def test_in_another_range_of_the_sensor_its_gain_holds_and_the_rig_files_offset(store):
    """The chip's offset differs from range to range (TI SBOS448G)."""
    calibrate(order_of(max_a=5.0), store)
    (made,) = store.calibrations()
    assert made.setup.range_v == 0.04
    wired = order_of().wiring().stations[0]
    backend = SimulatedBackend(order_of().wiring(), order_of().options)
    stood = standing_of(SETTINGS.name, wired, backend, DirectKeeper(store), made.made_at)
    backend.close()
    assert stood.applies
    sensor = calibrated(wired, stood).battery_sensor
    assert sensor.gain == made.current.correction.gain
    assert sensor.offset_a == 0.0
    here = calibrated(order_of(max_a=5.0).wiring().stations[0], stood).battery_sensor
    assert here.offset_a == made.current.correction.offset


# --- what it may not do -----------------------------------------------------------------------


def test_whatever_it_is_asked_it_can_be_stopped_at_every_question_with_nothing_stored(store):
    order = order_of({}, ask_operator=True)
    asked = 0

    class Stopping(Watcher):
        def ask(self, ask, wait):
            nonlocal asked
            self.asked.append(ask)
            wait(lambda: True)
            if len(self.asked) > asked:
                raise Stopped("Stopped: enough.", by_operator=True)
            if ask.action == "read_meter":
                return ask.seen
            return {"accept_cautions": "accepted"}.get(ask.action, "done")

    actions = []
    while "accept_calibration" not in actions:
        watcher = Stopping()
        ended = calibrate(order, store, watcher)
        actions = [ask.action for ask in watcher.asked]
        assert ended.good is None
        assert "Nothing was stored" in ended.text
        assert ended.feeds_off
        assert store.calibrations() == ()
        asked += 1
    assert actions == [
        "accept_cautions", "remove_everything",
        "connect_meter", "watch_meter", "read_meter",
        "connect_load", "watch_meter", "read_meter",
        "accept_calibration",
    ]  # fmt: skip


def test_a_stop_while_the_reference_is_fed_takes_the_feed_off_at_once(store):
    def stop():
        if watcher.samples and watcher.samples[-1].current_a > 3:
            raise Stopped("Stopped: enough.", by_operator=True)

    watcher = Watcher(listen=stop)
    ended = calibrate(order_of(), store, watcher)
    flowed = [sample for sample in watcher.samples if sample.current_a > 3]
    assert ended.good is None
    assert ended.feeds_off
    assert flowed[-1].time_s - flowed[0].time_s < 0.03
    assert store.calibrations() == ()


class Slowly(DirectKeeper):
    """Stores at once, and says so a few cycles later, as the writer's thread may."""

    stored, left, broken = False, 5, None

    def keep_calibration(self, made):
        super().keep_calibration(made)
        self.stored = True

        def done():
            if self.broken:
                raise self.broken
            self.left -= 1
            return self.left < 0

        return done


def stored_slowly(store, keeper):
    def stop():
        if keeper.stored:
            raise Stopped("Stopped: enough.", by_operator=True)

    order = order_of({})
    backend = SimulatedBackend(order.wiring(), order.options)
    watcher = Watcher(listen=stop)
    watcher.backend = backend
    try:
        return CalibrationJob(order, backend, keeper, watcher).run()
    finally:
        backend.close()


def test_a_stop_after_it_was_accepted_does_not_hide_that_it_is_stored(store):
    ended = stored_slowly(store, Slowly(store))
    assert len(store.calibrations()) == 1
    assert ended.good, ended.text
    assert "Calibrated, due" in ended.text
    assert ended.feeds_off


def test_what_breaks_off_the_storing_says_that_it_may_be_stored(store):
    keeper = Slowly(store)
    keeper.broken = DriverError("The port is gone.")
    ended = stored_slowly(store, keeper)
    assert ended.good is False
    assert "Nothing was stored" not in ended.text
    assert "`halfturn calibrate --show` tells" in ended.text


class Operator(Watcher):
    """Does what is asked, and types ``typed`` in turn where a meter is read (empty: what it shows).

    ``refuses`` is an action that is answered with no.
    """

    def __init__(self, *typed, refuses=""):
        super().__init__()
        self.typed = list(typed)
        self.refuses = refuses

    def ask(self, ask: Ask, wait):
        self.asked.append(ask)
        wait(lambda: True)
        if ask.action == self.refuses:
            return ask.allowed[-1]
        if ask.action == "read_meter":
            return (self.typed.pop(0) if self.typed else "") or ask.seen
        return "accepted" if "accepted" in ask.allowed else "done"


@pytest.mark.parametrize(
    "action", ["accept_cautions", "remove_everything", "watch_meter", "accept_calibration"]
)
def test_no_at_any_question_stores_nothing(store, action):
    ended = calibrate(order_of(ask_operator=True), store, Operator(refuses=action))
    assert ended.good is False
    assert "calibrate again" in ended.text.lower()  # what to do next
    assert ended.feeds_off
    assert store.calibrations() == ()


def test_a_reading_far_off_is_asked_for_again_and_a_point_can_be_fed_again(store):
    watcher = Operator("abc", "again", "126", "", "")
    ended = calibrate(order_of({}, ask_operator=True), store, watcher)
    texts = [ask.text for ask in watcher.asked if ask.action == "read_meter"]
    assert ended.good, ended.text
    assert "is no number" in texts[1]
    assert "far from" in texts[3]
    fed = [ask for ask in watcher.asked if ask.action == "watch_meter"]
    assert len(fed) == 3  # the voltage twice, the current once


def test_a_mistyped_reading_on_a_battery_is_read_again_and_not_believed(store):
    """A single point lies on any line: 11.50 V typed for 12.00 V gave gain 0.958 and a small U."""
    watcher = Operator("", "11.50")
    ended = calibrate(order_of({}, ask_operator=True), store, watcher)
    assert [ask.action for ask in watcher.asked].count("read_meter") == 3
    assert ended.good is False
    assert "do not lie on a line" in ended.text
    assert store.calibrations() == ()


def test_one_that_is_further_off_than_was_claimed_is_told_before_it_is_accepted(store):
    watcher = Operator()
    overdue = replace(VOLTMETER, due=date(2020, 1, 1))
    assert calibrate(order_of({"sensor.gain": "1.04"}, voltmeter=overdue, ask_operator=True),
                     store, watcher).good  # fmt: skip
    (accept,) = [ask.text for ask in watcher.asked if ask.action == "accept_calibration"]
    assert "rests on readings that far off" in accept
    assert "was itself due on 2020-01-01" in accept
    watcher = Operator()
    assert calibrate(order_of({"sensor.gain": "1.04"}, ask_operator=True), store, watcher).good
    (accept,) = [ask.text for ask in watcher.asked if ask.action == "accept_calibration"]
    assert "rests on readings that far off" not in accept


def test_a_wrong_shunt_in_the_rig_file_is_told_and_not_corrected_away(store):
    ended = calibrate(order_of({"sensor.gain": "1.3"}), store)
    assert ended.good is False
    assert "the shunt value in rig.toml is probably wrong" in ended.text
    assert store.calibrations() == ()


def test_a_reference_that_cannot_stand_it_is_never_fed(store):
    watcher = Watcher()
    ended = calibrate(order_of(load_w=20.0), store, watcher)
    assert ended.good is False
    assert "the reference's 20 W" in ended.text
    assert not any(sample.battery_feed for sample in watcher.samples)


def test_a_short_in_the_references_place_is_cut_off_by_the_guard(store):
    def shorted(count, sample):
        station = watcher.backend.world.stations["A"]
        if station.load_ohm is not None and sample.battery_feed:
            station.load_ohm = 0.6
            watcher.backend.world.change(lambda _: None)

    watcher = Watcher(at_sample=shorted)
    ended = calibrate(order_of(), store, watcher)
    over = [s for s in watcher.samples if s.current_a > 8 and s.battery_feed]
    assert ended.good is False
    assert "Look for a short" in ended.text
    assert ended.feeds_off
    assert over
    assert over[-1].time_s - over[0].time_s < 0.05
    assert store.calibrations() == ()


def test_nothing_connected_is_told(store):
    def unplugged(count, sample):
        watcher.backend.world.stations["A"].load_ohm = None

    watcher = Watcher(at_sample=unplugged)
    ended = calibrate(order_of(), store, watcher)
    assert ended.good is False
    assert "A flow with the feed made. Check how the reference is connected" in ended.text


def test_what_was_found_is_shown_before_it_is_accepted(store):
    watcher = Watcher()
    calibrate(order_of(), store, watcher)
    (found,) = watcher.of(CalibrationFound)
    assert any("as found" in line for line in found.words)
    assert found.objections == ()


# --- overdue ----------------------------------------------------------------------------------


@pytest.fixture
def a_year_later(monkeypatch):
    def go():
        later = datetime.now(UTC) + timedelta(days=400)
        monkeypatch.setattr(dates, "wall_clock", lambda: later)

    return go


def test_an_overdue_rig_says_so_and_still_corrects(store, a_year_later):
    calibrate(order_of(), store)
    a_year_later()
    _, _, record = run(store, ERRORS)
    assert record.start.calibration.state is CalibrationState.OVERDUE
    assert record.start.calibration.applies
    assert any("CALIBRATION OVERDUE" in event.text for event in record.events)


def test_an_overdue_rig_may_be_kept_from_judging(store, a_year_later):
    calibrate(order_of(), store)
    wanted = SETTINGS.calibration.model_copy(update={"overdue": "refuse"})
    strict = SETTINGS.model_copy(update={"calibration": wanted})
    ended, _, _ = run(store, ERRORS, strict)
    assert ended.judgement is not None
    a_year_later()
    ended, seen, _ = run(store, ERRORS, strict)
    assert ended.judgement is None
    assert "no plan may be run" in ended.note
    assert ended.note.startswith("Refused. ")
    assert not any(sample.battery_feed for sample in seen.samples)


def test_a_clock_behind_the_newest_calibration_is_to_be_set_first(store, a_year_later):
    calibrate(order_of(), store)
    (ahead,) = store.calibrations()
    year = timedelta(days=400)
    with Store.open(store.path.parent / "ahead.sqlite") as other:
        other.keep_calibration(replace(ahead, made_at=ahead.made_at + year, due=ahead.due + year))
        watcher = Watcher()
        ended = calibrate(order_of(), other, watcher)
        assert ended.good is False
        assert "The computer's clock says" in ended.text
        assert "Set the computer's clock" in ended.text
        assert not any(sample.battery_feed for sample in watcher.samples)
        assert len(other.calibrations()) == 1
        _, _, record = run(other, ERRORS)
        assert record.start.calibration.state is CalibrationState.DATED_AHEAD
        a_year_later()
        assert calibrate(order_of(), other).good


def test_a_changed_shunt_is_told_and_reads_by_the_rig_file(store):
    calibrate(order_of(), store)
    sensor = SETTINGS.stations[0].battery_sensor.model_copy(update={"shunt_ohm": 0.004})
    station = SETTINGS.stations[0].model_copy(update={"battery_sensor": sensor})
    changed = SETTINGS.model_copy(update={"stations": (station,)})
    _, _, record = run(store, ERRORS, changed)
    stood = record.start.calibration
    assert stood.state is CalibrationState.RIG_CHANGED
    assert "the shunt was 5 mohm and is 4 mohm" in stood.changed
    assert any("does not apply" in event.text for event in record.events)


# --- a look at the rig ------------------------------------------------------------------------


def look(store, full=True, **options):
    order = RigCheckOrder(
        SETTINGS, SETTINGS.stations[0], "simulated", BackendOptions(seed=3, **options), full
    )
    words = {"accept_cautions": "accepted"}
    watcher = Watcher(answers=dict.fromkeys(DONE, "done") | words)
    backend = SimulatedBackend(order.wiring(), order.options)
    try:
        return RigCheck(order, backend, watcher, DirectKeeper(store)).run(), watcher
    finally:
        backend.close()


def test_a_self_check_is_kept_with_every_item_and_reads_by_the_calibration(store):
    ended, watcher = look(store, extra=ERRORS)
    (uncorrected,) = watcher.of(ZeroFound)
    kept = store.newest_rig_check(SETTINGS.name, "A", simulated=True)
    assert (kept.good, kept.text, kept.feeds_off) == (ended.good, ended.text, True)
    assert {item["name"] for item in kept.items} >= {"zero", "battery_relay", "dead_man"}
    assert all(item["state"] != "open" for item in kept.items)
    assert uncorrected.offset_a == pytest.approx(-0.03, abs=0.002)
    calibrate(order_of(), store)
    ended, watcher = look(store, extra=ERRORS)
    (zero,) = watcher.of(ZeroFound)
    assert zero.calibrated
    assert zero.offset_a == pytest.approx(zero.in_rig_file_a, abs=0.002)


def test_a_check_that_is_broken_off_is_not_kept(store):
    def stop(count, sample):
        if count > 300:
            raise Stopped("Stopped: enough.", by_operator=True)

    order = RigCheckOrder(SETTINGS, SETTINGS.stations[0], "simulated", full=True)
    backend = SimulatedBackend(order.wiring(), order.options)
    RigCheck(order, backend, Watcher(at_sample=stop), DirectKeeper(store)).run()
    backend.close()
    assert store.newest_rig_check(SETTINGS.name, "A", simulated=True) is None


def test_orders_can_be_pickled():
    import pickle

    order = order_of()
    assert pickle.loads(pickle.dumps(order)) == replace(order)
