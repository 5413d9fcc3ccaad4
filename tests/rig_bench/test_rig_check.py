"""Looking at the rig itself: readings, zero, and the self-check against every fault it can see."""

import math
from dataclasses import replace

import numpy as np
import pytest
from bench_runs import Watcher, feeds_are_on, make_settings
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import LOST, BackendOptions
from drivers.backends import fault_catalogue
from drivers.simulated.backend import SimulatedBackend
from drivers.simulated.faults import parse_fault
from drivers.supply import BenchSupply, SupplyError
from rig.bench.checks.items import WrongError
from rig.bench.checks.look import NOTHING_FITTED, LookingGuard
from rig.bench.checks.pressing import Dropped
from rig.bench.checks.relays import _settled as settled
from rig.bench.commands import Meddle
from rig.bench.errors import Stopped, TripKind
from rig.bench.events import CheckItem, ItemState, Noted, RigCheckEnded, ZeroFound
from rig.bench.order import RigCheckOrder
from rig.bench.requests import Sample
from rig.bench.rig_check import RigCheck
from rig.bench.zero import zero_of

SETTINGS = make_settings(sample_hz=500, supply=False)
_SUPPLIED = make_settings(sample_hz=500)
WITH_SUPPLY = _SUPPLIED.model_copy(
    update={"supply": _SUPPLIED.supply.model_copy(update={"timeout_s": 0.5})}
)
ITEMS = (
    "feed_outputs",
    "sensor",
    "zero",
    "ignition_sensor",
    "dead_man",
    "supply",
    "battery_relay",
    "ignition_relay",
    "emergency_stop",
    "at_run",
    "at_stop",
)
ANSWERS = {
    "accept_cautions": "accepted",
    "jig_empty": "done",
    "press_emergency_stop": "done",
    "release_emergency_stop": "done",
    "press_at_run": "cannot",
    "press_at_stop": "cannot",
}


class Looked:
    """A self-check or a look that is over."""

    def __init__(self, ended, watcher, backend):
        self.ended = ended
        self.watcher = watcher
        self.backend = backend
        self.items = {event.name: event for event in watcher.of(CheckItem)}

    def states(self):
        return {name: item.state.value for name, item in self.items.items()}

    @property
    def wrong(self):
        return [name for name, item in self.items.items() if item.state is ItemState.WRONG]


def look_at(
    *,
    full=True,
    faults=(),
    used=SETTINGS,
    watcher=None,
    before=None,
    hands=True,
    seed=1,
    **extra,
):
    watcher = watcher or Watcher(answers=dict(ANSWERS))
    options = BackendOptions(seed=seed, faults=tuple(faults), extra=extra)
    order = RigCheckOrder(used, used.stations[0], "simulated", options, full)
    backend = SimulatedBackend(order.wiring(), options)
    if not hands:
        backend.hands = None
    watcher.backend = backend
    try:
        if before is not None:
            before(backend)
        ended = RigCheck(order, backend, watcher).run()
        looked = Looked(ended, watcher, backend)
        assert not feeds_are_on(backend, used)
        assert ended.feeds_off
        assert watcher.events[-1] is ended
    finally:
        backend.close()
    return looked


# --- a healthy rig ----------------------------------------------------------------------------


@pytest.mark.parametrize(("used", "supply"), [(SETTINGS, "left_out"), (WITH_SUPPLY, "good")])
def test_a_healthy_rig_is_all_good(used, supply):
    looked = look_at(used=used)
    expected = dict.fromkeys(ITEMS, "good")
    # Nothing on the simulated jig presses its switches once the unit is off.
    expected |= {"supply": supply, "at_run": "left_out", "at_stop": "left_out"}
    assert looked.states() == expected
    wired = 10 if supply == "left_out" else 11
    assert looked.ended.good is None  # its jig switches were not pressed
    assert looked.ended.complete
    text = f"Nothing wrong found; 2 of {wired} items not checked"
    assert looked.ended.text.startswith(text)
    assert "12.6" in looked.items["battery_relay"].text
    assert "dropped" in looked.items["emergency_stop"].text


def test_every_item_is_announced_open_and_in_order():
    looked = look_at()
    told = looked.watcher.of(CheckItem)
    assert [(item.name, item.state.value) for item in told[: len(ITEMS)]] == [
        (name, "open") for name in ITEMS
    ]
    done = [item.name for item in told if item.state not in (ItemState.OPEN, ItemState.GOING)]
    assert done == list(ITEMS)
    assert all(item.text for item in looked.items.values())


@pytest.mark.parametrize("seed", range(2, 8))
def test_no_false_alarm_on_other_healthy_rigs(seed):
    assert look_at(seed=seed).wrong == []


def test_nothing_is_fed_before_the_cautions_and_the_empty_jig():
    asked = []

    class Careful(Watcher):
        def ask(self, ask, wait):
            station = self.backend.world.stations["A"]
            asked.append((ask.action, any(s.battery_feed for s in self.samples), station.unit))
            return super().ask(ask, wait)

    looked = look_at(watcher=Careful(answers=dict(ANSWERS)))
    actions = [action for action, _, _ in asked]
    assert actions == [
        "accept_cautions",
        "jig_empty",
        "press_emergency_stop",
        "release_emergency_stop",
    ]
    assert not asked[0][1]
    assert not asked[1][1]
    assert asked[1][2] is not None
    assert asked[2][2] is None  # the hands took the unit off
    assert looked.backend.world.stations["A"].unit is not None  # and put it back
    assert any(s.battery_feed for s in looked.watcher.samples)


@pytest.mark.parametrize(
    ("question", "answer"), [("accept_cautions", "refused"), ("jig_empty", "cannot")]
)
def test_what_is_not_agreed_to_is_left_out_and_never_fed(question, answer):
    watcher = Watcher(answers={**ANSWERS, question: answer})
    looked = look_at(used=WITH_SUPPLY, watcher=watcher)
    states = looked.states()
    for name in ("supply", "battery_relay", "ignition_relay"):
        assert states[name] == "left_out"
        assert looked.items[name].text.startswith("Not powered")
    # Nothing that picks up the master relay either: a welded feed relay would drive the unit.
    for name in ("dead_man", "emergency_stop"):
        assert states[name] == "left_out"
        assert looked.items[name].text.startswith("Not powered")
    assert not any(s.battery_feed or s.ignition_feed or s.master for s in watcher.samples)
    assert looked.ended.good is None
    assert "not checked" in looked.ended.text


# --- faults of the rig ------------------------------------------------------------------------

SEEN = {
    "sensor-absent": {"sensor"},
    "sensor-stuck": {"sensor"},
    "bus-hang": {"sensor", "ignition_sensor"},
    "sensor-offset": {"zero"},
    "sensor-offset=-0.02": {"zero"},
    "sensor-noisy": {"zero"},
    "sensor-noisy=0.08": {"zero"},
    "feed-relay-stuck-open": {"battery_relay"},
    "feed-relay-welded": {"battery_relay"},
    "supply-silent": {"supply"},
    "supply-lies": {"supply"},
    "supply-error": {"supply"},
    "supply-unplugged": {"supply"},
    "supply-lost": {"battery_relay", "ignition_relay"},
    "voltage-missing": {"battery_relay"},
    "bus-nack": {"sensor", "ignition_sensor"},
    "switches-contradict": {"at_run", "at_stop"},
}
# It takes amperes to see the first, and with an empty jig there are none; a chip that was reset has
# been set up again; a switch and the emergency stop are seen to work only if somebody presses them.
NOT_SEEN = {"sensor-clipped", "chip-reset", "switches-dead", "emergency-stop"}


def test_every_fault_of_the_rig_is_accounted_for():
    from drivers.simulated.faults import CATALOGUE

    of_rig = {name for name, fault in CATALOGUE.items() if fault.kind == "rig"}
    assert of_rig == {name.partition("=")[0] for name in SEEN} | NOT_SEEN
    assert of_rig <= {usage.partition("=")[0].strip() for usage, _ in fault_catalogue()}


@pytest.mark.parametrize(("fault", "wrong"), SEEN.items())
def test_a_fault_of_the_rig_is_seen_where_it_is(fault, wrong):
    looked = look_at(faults=(fault,), used=WITH_SUPPLY)
    assert set(looked.wrong) == wrong
    assert looked.ended.good is False
    for name in wrong:
        text = looked.items[name].text
        assert any(word in text.lower() for word in ("check", "look", "write", "see", "replace"))
        assert len(text) > 40


@pytest.mark.parametrize(
    ("fault", "where"),
    [("feed-relay-stuck-open", "battery_relay"), ("feed-relay-welded", "dead_man")],
)
def test_relay_faults_are_seen_on_a_battery_too(fault, where):
    assert look_at(faults=(fault,)).wrong == [where]


class Terminals(Watcher):
    """Looks at the world itself: from when to when the feed was live at the unit, and how much."""

    def __init__(self, *, keeps_unit=False, waits=0, **answers):
        super().__init__(answers={**ANSWERS, **answers})
        self.live = []  # (s, A, a unit fitted)
        self.at_jig_s = None  # when the jig was said to be empty
        self.keeps_unit, self.waits = keeps_unit, waits

    def sample(self, sample):
        super().sample(sample)
        station = self.backend.world.stations["A"]
        if station.connected:
            self.live.append((sample.time_s, station.feed_a, station.unit is not None))

    def ask(self, ask, wait):
        if ask.action == "jig_empty":
            self.at_jig_s = self.samples[-1].time_s
            if self.keeps_unit:  # says done, and does nothing
                self.backend.hands = None
        until = len(self.samples) + self.waits
        wait(lambda: len(self.samples) >= until)
        return super().ask(ask, wait)


WELDED = ("feed-relay-welded",)


def test_a_welded_feed_relay_drives_no_unit_before_consent_and_ends_the_check():
    watcher = Terminals()
    looked = look_at(faults=WELDED, watcher=watcher, angle_deg="250")
    assert watcher.live
    assert watcher.live[0][0] > watcher.at_jig_s
    assert not any(unit for _, _, unit in watcher.live)
    assert watcher.live[-1][0] - watcher.live[0][0] < 0.6
    assert looked.wrong == ["dead_man"]
    assert "Pull the supply" in looked.items["dead_man"].text
    states = looked.states()
    for name in ITEMS[5:]:
        assert states[name] == "left_out"
    assert [ask.action for ask in watcher.asked] == ["accept_cautions", "jig_empty"]
    assert looked.ended.good is False


@pytest.mark.parametrize(
    "refused", [{"accept_cautions": "refused"}, {"jig_empty": "cannot"}], ids=str
)
@pytest.mark.parametrize("faults", [WELDED, (*WELDED, "jammed=300")], ids=str)
def test_a_welded_feed_relay_drives_nothing_at_all_without_leave(refused, faults):
    watcher = Terminals(waits=3000, **refused)
    looked = look_at(faults=faults, watcher=watcher, angle_deg="250")
    assert watcher.live == []
    assert looked.backend.world.stations["A"].unit.angle_deg == pytest.approx(250.0)
    assert looked.ended.good is None
    assert "not checked" in looked.ended.text


def test_a_unit_left_on_a_welded_feed_is_driven_for_a_moment_only():
    watcher = Terminals(keeps_unit=True)
    looked = look_at(faults=(*WELDED, "jammed=300"), watcher=watcher, angle_deg="250")
    assert max(current_a for _, current_a, _ in watcher.live) > 5.0
    assert watcher.live[-1][0] - watcher.live[0][0] < 0.6
    assert looked.wrong == ["dead_man"]
    assert "Pull the supply" in looked.items["dead_man"].text


def test_a_relay_that_welds_while_the_stop_is_waited_for_ends_the_check():
    class Later(Terminals):
        def ask(self, ask, wait):
            if ask.action == "press_emergency_stop":
                self.backend.world.apply_fault(parse_fault(WELDED[0]))
                self.waits = 5000
            return super().ask(ask, wait)

    watcher = Later()
    looked = look_at(watcher=watcher)
    assert looked.wrong == ["emergency_stop"]
    assert "Pull the supply" in looked.items["emergency_stop"].text
    welded = [s for s, _, _ in watcher.live if s > watcher.live[-1][0] - 1.0]
    assert welded[-1] - welded[0] < 0.6
    assert looked.states()["at_run"] == "left_out"


@pytest.mark.parametrize("toggled", [True, False])
def test_a_pressed_stop_that_cuts_nothing_hides_no_live_feed(toggled):
    guard = LookingGuard(NOTHING_FITTED)
    guard.dead = not toggled
    live = sample_at(0.0)._replace(voltage_v=12.6, emergency_stop=True)
    trips = [guard.check(live._replace(time_s=k / 500), fed=False) for k in range(500)]
    kinds = {trip.kind for trip in trips if trip is not None}
    assert kinds == ({TripKind.LIVE_WITH_FEED_OFF} if toggled else set())


def test_without_a_dead_man_a_live_feed_is_told_at_once():
    bare = SETTINGS.model_copy(update={"dead_man": None})
    looked = look_at(faults=WELDED, used=bare, watcher=Terminals())
    assert looked.wrong == ["sensor"]
    assert "Pull the supply" in looked.items["sensor"].text
    assert looked.watcher.asked == []


def test_a_welded_feed_relay_keeps_everything_unpowered_from_then_on():
    looked = look_at(faults=("feed-relay-welded",), used=WITH_SUPPLY)
    assert "welded" in looked.items["battery_relay"].text
    assert looked.states()["ignition_relay"] == "left_out"
    assert looked.states()["emergency_stop"] == "left_out"
    assert "pull the supply" in looked.items["emergency_stop"].text
    assert not any(s.battery_feed for s in looked.watcher.samples)
    assert not looked.backend.world.supply.output_on


def test_without_a_sensor_nothing_is_fed_and_the_rest_is_looked_at_all_the_same():
    looked = look_at(faults=("sensor-absent",))
    states = looked.states()
    assert states["battery_relay"] == "left_out"
    assert states["zero"] == "left_out"
    assert states["ignition_sensor"] == "good"
    assert states["emergency_stop"] == "good"
    assert not any(s.battery_feed for s in looked.watcher.samples)
    text = looked.items["sensor"].text
    assert "0x40" in text
    assert "does not answer" in text


def test_a_loose_plug_is_told_from_a_missing_one():
    def wiggle(n, sample):
        absent = 30 < n % 100 < 50
        world = watcher.backend.world
        if absent and not world.faults:
            world.apply_fault(parse_fault("sensor-absent"))
        elif not absent and world.faults:
            world.clear_fault("sensor-absent")

    watcher = Watcher(wiggle, answers=dict(ANSWERS))
    looked = look_at(watcher=watcher)
    assert looked.items["sensor"].state is ItemState.WRONG


def test_the_zero_says_what_to_write_into_the_rig_file():
    looked = look_at(faults=("sensor-offset=0.1",))
    (zero,) = looked.watcher.of(ZeroFound)
    assert zero.offset_a == pytest.approx(0.1, abs=zero.u_a + 0.001)
    assert f"offset_a = {zero.offset_a:.4f}" in looked.items["zero"].text
    # With that line in the rig file it is right.
    station = SETTINGS.stations[0]
    sensor = station.battery_sensor.model_copy(update={"offset_a": round(zero.offset_a, 4)})
    mended = SETTINGS.model_copy(
        update={"stations": (station.model_copy(update={"battery_sensor": sensor}),)}
    )
    assert look_at(faults=("sensor-offset=0.1",), used=mended).wrong == []


def test_a_unit_left_on_the_jig_is_noticed_and_not_driven():
    class Liar(Watcher):
        def ask(self, ask, wait):
            answer = super().ask(ask, wait)
            if ask.action == "jig_empty":
                self.backend.hands = None  # says done, and does nothing
            return answer

    # On its way to stop, so that it starts to turn as soon as its battery feed is made.
    looked = look_at(watcher=Liar(answers=dict(ANSWERS)), angle_deg="250")
    item = looked.items["battery_relay"]
    assert item.state is ItemState.WRONG
    assert "jig is said to be empty" in item.text
    fed = [s for s in looked.watcher.samples if s.battery_feed]
    assert len(fed) / 500 < 0.1
    assert looked.states()["ignition_relay"] == "left_out"


def test_a_blown_fuse_shows_at_the_battery_relay():
    looked = look_at(
        before=lambda backend: setattr(backend.world.stations["A"].fuse, "blown", True)
    )
    assert looked.wrong == ["battery_relay"]
    assert "fuse" in looked.items["battery_relay"].text


def test_a_flat_battery_is_told():
    looked = look_at(supply_v="8.5")
    assert "battery_relay" in looked.wrong
    assert "8.5" in looked.items["battery_relay"].text


def test_a_master_relay_that_does_not_drop_is_wrong_and_nothing_is_powered():
    def weld(backend):
        level = backend.world.input_level
        pin = SETTINGS.dead_man.sense_pin
        backend.world.input_level = lambda number: False if number == pin else level(number)

    looked = look_at(before=weld)
    assert looked.wrong == ["dead_man"]
    assert looked.states()["battery_relay"] == "left_out"
    assert not any(s.battery_feed for s in looked.watcher.samples)


# --- hands ------------------------------------------------------------------------------------


def test_a_press_that_the_bench_sees_needs_no_answer():
    class Presser(Watcher):
        """Presses what it is asked to, and answers nothing."""

        def ask(self, ask, wait):
            if ask.action in ("accept_cautions", "jig_empty"):
                return super().ask(ask, wait)
            self.asked.append(ask)
            hands = self.backend.jig
            at = len(self.samples)

            def done():
                if len(self.samples) == at + 40 and ask.action.endswith("emergency_stop"):
                    hands.do(ask.action, {})
                return False

            wait(done)
            raise AssertionError("it was seen, and the question should be closed")

    def keep_hands(backend):
        backend.jig = backend.hands

    looked = look_at(watcher=Presser(answers=dict(ANSWERS)), before=keep_hands)
    assert looked.items["emergency_stop"].state is ItemState.GOOD


def test_a_stop_that_is_never_seen_is_wrong_after_half_a_minute():
    watcher = Watcher(answers=dict(ANSWERS))
    looked = look_at(watcher=watcher, hands=False)  # says done, and nobody presses it
    item = looked.items["emergency_stop"]
    assert item.state is ItemState.WRONG
    assert "within 30 s" in item.text
    assert looked.states()["at_run"] == "left_out"


def test_what_nobody_can_do_is_left_out():
    watcher = Watcher(answers={**ANSWERS, "press_emergency_stop": "cannot"})
    assert look_at(watcher=watcher).states()["emergency_stop"] == "left_out"


def test_a_stop_pressed_at_the_start_is_asked_to_be_released_first():
    looked = look_at(before=lambda backend: backend.hands.do("press_emergency_stop", {}))
    assert looked.watcher.asked[0].action == "release_emergency_stop"
    assert looked.wrong == []


def test_a_broken_wire_of_the_stop_is_wrong():
    def cut(backend):
        level = backend.world.input_level
        pin = SETTINGS.emergency_stop.pin
        backend.world.input_level = lambda number: True if number == pin else level(number)

    looked = look_at(before=cut)
    assert "emergency_stop" in looked.wrong
    assert "wire is broken" in looked.items["emergency_stop"].text


def test_a_stop_that_does_not_cut_the_master_relay_is_wrong():
    def bypass(backend):
        press = backend.world.master.press

        def only_the_contact(pressed, time_s):
            press(False, time_s)
            backend.world.master.stop_pressed = pressed

        backend.world.master.press = only_the_contact

    looked = look_at(before=bypass)
    assert looked.wrong == ["emergency_stop"]
    assert "stays made" in looked.items["emergency_stop"].text


def press_switches(watcher, ends):
    """Have the jig's switches of ``ends`` pressed for a moment when they are asked for."""
    pins = {"run": SETTINGS.stations[0].at_run.pin, "stop": SETTINGS.stations[0].at_stop.pin}
    held = {}

    def before(backend):
        level = backend.world.input_level

        def seen(number):
            until = held.get(number, 0)
            return level(number) if len(watcher.samples) >= until else False

        backend.world.input_level = seen

    class Asked(dict):
        def __missing__(self, action):
            end = action.removeprefix("press_at_")
            if end in ends:
                held[pins[end]] = len(watcher.samples) + 60
            return "done"

    watcher.answers = Asked({k: v for k, v in ANSWERS.items() if "press_at" not in k})
    return before


def test_jig_switches_pressed_by_hand_are_seen():
    watcher = Watcher()
    looked = look_at(watcher=watcher, before=press_switches(watcher, ("run",)), hands=False)
    assert looked.items["at_run"].state is ItemState.GOOD
    assert looked.items["at_stop"].state is ItemState.WRONG
    assert "GPIO 6" in looked.items["at_stop"].text


def test_what_is_not_wired_is_left_out_with_its_reason():
    station = SETTINGS.stations[0].model_copy(
        update={"ignition_sensor": None, "at_run": None, "at_stop": None}
    )
    bare = SETTINGS.model_copy(
        update={"stations": (station,), "dead_man": None, "emergency_stop": None}
    )
    looked = look_at(used=bare)
    states = looked.states()
    left_out = {name for name, state in states.items() if state == "left_out"}
    assert left_out == {
        "ignition_sensor",
        "ignition_relay",  # nobody saw its contact
        "dead_man",
        "supply",
        "emergency_stop",
        "at_run",
        "at_stop",
    }
    assert states["battery_relay"] == "good"
    assert "was not seen" in looked.items["ignition_relay"].text
    assert looked.ended.good is None
    assert looked.ended.text.startswith("Nothing wrong found; 3 of 7 items not checked")


def test_all_good_is_said_only_when_everything_wired_was_checked():
    station = SETTINGS.stations[0].model_copy(update={"at_run": None, "at_stop": None})
    looked = look_at(used=SETTINGS.model_copy(update={"stations": (station,)}))
    assert looked.ended.good is True
    assert looked.ended.complete
    assert looked.ended.text == "All 8 items were checked and are good. Not wired: 3."


@pytest.mark.parametrize("seconds", [0.4, 0.9])
def test_a_sensor_that_drops_out_presses_no_emergency_stop(seconds):
    """Without a wire from the stop: the master relay drops, for want of good samples."""

    class Loose(Watcher):
        def ask(self, ask, wait):
            if not ask.action.endswith("emergency_stop"):
                return super().ask(ask, wait)
            self.asked.append(ask)
            world, from_n = self.backend.world, len(self.samples)

            def done():
                n = len(self.samples) - from_n
                if n == 100:
                    world.apply_fault(parse_fault("sensor-absent"))
                elif n == 100 + int(500 * seconds):
                    world.clear_fault("sensor-absent")
                return False

            wait(done)
            raise AssertionError("nobody answers")

    unread = SETTINGS.model_copy(update={"emergency_stop": None})
    watcher = Loose(answers=dict(ANSWERS))
    looked = look_at(watcher=watcher, used=unread)
    assert any(s.flags & LOST and not s.master for s in watcher.samples)  # it did drop
    assert looked.wrong == ["emergency_stop"]
    assert "did not see the emergency stop pressed" in looked.items["emergency_stop"].text


def test_a_stop_without_a_wire_is_seen_by_the_master_relay():
    unread = SETTINGS.model_copy(update={"emergency_stop": None})
    looked = look_at(used=unread)
    assert looked.items["emergency_stop"].state is ItemState.GOOD
    assert "dropped" in looked.items["emergency_stop"].text


def sample_at(time_s, flags=0):
    return Sample(time_s, 0.0, 0.0, False, False, flags, 0.0, False, None, None, None)


@pytest.mark.parametrize(
    ("dropped", "seen"), [((0.1, 0.25), False), ((0.1, 0.39), False), ((0.1, 0.45), True)]
)
def test_only_a_master_relay_that_stays_dropped_is_a_stop_pressed(dropped, seen):
    now = [0.0]
    drop = Dropped(lambda: not dropped[0] <= now[0] < dropped[1])
    told = False
    for k in range(500):
        now[0] = k / 500
        told = drop(sample_at(now[0])) or told
    assert told is seen


def test_a_loop_that_was_held_up_presses_no_stop():
    now = [0.0]
    drop = Dropped(lambda: not 0.2 <= now[0] < 0.6)
    times = [k / 500 for k in range(50)] + [0.25 + k / 500 for k in range(300)]
    told = False
    for now[0] in times:
        told = drop(sample_at(now[0])) or told
    assert not told


def test_a_reading_that_is_missing_hides_no_welded_contact():
    seen = [(0.0, 12.6)] * 100
    seen[70] = (math.nan, math.nan)
    assert settled(seen).volts == pytest.approx(12.6)
    for few in ([], seen[:6], [*seen[:50], *[(0.0, math.nan)] * 40, *seen[:10]]):
        with pytest.raises(WrongError, match="nothing is known"):
            settled(few)


def test_the_supply_is_off_again_after_it_failed_to_measure(monkeypatch):
    on = []

    def fails(supply):
        on.append(watcher.backend.world.supply.output_on)
        raise SupplyError("The supply answered nothing. Check its cable.")

    class Asked(Watcher):
        def ask(self, ask, wait):
            if ask.action == "press_emergency_stop":
                on.append(self.backend.world.supply.output_on)
            return super().ask(ask, wait)

    monkeypatch.setattr(BenchSupply, "measure_v", fails)
    watcher = Asked(answers=dict(ANSWERS))
    looked = look_at(used=WITH_SUPPLY, watcher=watcher)
    assert on == [True, False]
    assert "answered nothing" in looked.items["supply"].text


def test_what_the_hands_cannot_do_is_told_and_does_not_break_the_check():
    class Clumsy:
        def __init__(self, hands):
            self.hands = hands

        def do(self, action, detail):
            if action == "remove_unit":
                raise ValueError("There is no unit on station 'A': fit one first.")
            return self.hands.do(action, detail)

    looked = look_at(before=lambda backend: setattr(backend, "hands", Clumsy(backend.hands)))
    notes = [note.text for note in looked.watcher.of(Noted)]
    assert notes == ["Not done: There is no unit on station 'A': fit one first."]
    assert looked.states()["battery_relay"] == "left_out"
    assert looked.ended.good is None


def test_a_stop_breaks_it_off_with_everything_off():
    def stop():
        if any(s.battery_feed for s in watcher.samples):
            raise Stopped("Stopped: enough.", by_operator=True)

    watcher = Watcher(answers=dict(ANSWERS), listen=stop)
    looked = look_at(watcher=watcher, used=WITH_SUPPLY)
    assert looked.ended.good is None
    assert looked.ended.text == "Stopped: enough."
    assert not looked.backend.world.supply.output_on
    assert looked.backend.world.stations["A"].unit is not None


# --- readings ---------------------------------------------------------------------------------


class Reader(Watcher):
    """Reads for ``seconds``; ``acts`` are (from s, callable(backend)), or (from s, Meddle)."""

    def __init__(self, seconds, acts=()):
        super().__init__()
        self.seconds = seconds
        self.acts = sorted(acts, key=lambda act: act[0])

    def listen(self):
        now_s = self.backend.clock.now_s()
        said = []
        while self.acts and self.acts[0][0] <= now_s:
            _, act = self.acts.pop(0)
            if isinstance(act, Meddle):
                said.append(act)
            else:
                act(self.backend)
        if now_s >= self.seconds:
            raise Stopped("Stopped: read enough.", by_operator=True)
        return said


def test_readings_tell_the_zero_after_a_second_and_keep_telling():
    looked = look_at(full=False, watcher=Reader(11.0), faults=("sensor-offset=0.05",))
    zeros = looked.watcher.of(ZeroFound)
    assert len(zeros) == 4
    for zero in zeros:
        assert zero.station == "A"
        assert zero.offset_a == pytest.approx(0.05, abs=zero.u_a)
        assert 0 < zero.u_a < 0.005
        assert zero.in_rig_file_a == 0.0
    assert looked.ended == RigCheckEnded(None, True, "Stopped: read enough.")
    assert len(looked.watcher.samples) > 5000
    assert not any(s.battery_feed or s.ignition_feed or s.master for s in looked.watcher.samples)


def test_readings_go_on_without_a_sensor_and_see_it_come_back():
    acts = [(3.0, Meddle("clear_fault", {"name": "sensor-absent"}))]
    looked = look_at(full=False, watcher=Reader(8.0, acts), faults=("sensor-absent",))
    notes = [note.text for note in looked.watcher.of(Noted)]
    assert any("does not answer" in text for text in notes)
    assert any("answers again" in text for text in notes)
    first = looked.watcher.samples[0]
    assert math.isnan(first.current_a)
    assert math.isfinite(looked.watcher.samples[-1].current_a)
    assert looked.watcher.of(ZeroFound)


def test_readings_show_the_emergency_stop_and_do_not_end_with_it():
    acts = [
        (1.0, Meddle("press_emergency_stop")),
        (2.0, Meddle("release_emergency_stop")),
    ]
    looked = look_at(full=False, watcher=Reader(3.0, acts))
    pressed = [s.time_s for s in looked.watcher.samples if s.emergency_stop]
    assert 0.9 < pressed[0] < 1.1
    assert 1.9 < pressed[-1] < 2.1
    assert looked.ended.text == "Stopped: read enough."


def test_readings_end_if_an_output_comes_on_by_itself():
    def short(backend):
        pin = backend.pin_factory.pin(SETTINGS.stations[0].battery_feed.pin)
        pin.state = True

    watcher = Reader(3.0, [(1.0, short)])
    looked = look_at(full=False, watcher=watcher)
    assert looked.ended.good is False
    assert "read back" in looked.ended.text


# --- the zero's uncertainty -------------------------------------------------------------------


def correlated(rng, count, rho, noise_a):
    values = np.empty(count)
    values[0] = rng.normal()
    drive = rng.normal(size=count) * math.sqrt(1 - rho * rho)
    for k in range(1, count):
        values[k] = rho * values[k - 1] + drive[k]
    return noise_a * values


@pytest.mark.parametrize("rho", [0.0, 0.8, 0.95])
@pytest.mark.parametrize("noise_steps", [0.1, 0.5, 3.0])
def test_the_stated_uncertainty_covers_the_true_zero(rho, noise_steps):
    """Independent check: a known zero, quantised, with noise that hangs together."""
    rng = np.random.default_rng(20 + int(100 * rho) + int(10 * noise_steps))
    step_a, covered, rounds = 0.002, 0, 300
    for _ in range(rounds):
        true_a = rng.uniform(-0.02, 0.02)
        read = true_a + correlated(rng, 1000, rho, noise_steps * step_a)
        zero = zero_of(np.round(read / step_a) * step_a, step_a)
        covered += abs(zero.mean_a - true_a) <= zero.u_a
    assert covered / rounds > 0.91


@given(st.lists(st.floats(-1, 1), max_size=31))
@settings(max_examples=20)
def test_too_few_readings_give_no_zero(values):
    assert zero_of(np.array([*values, math.nan]), 0.002) is None


def test_the_noise_is_that_of_a_single_reading():
    rng = np.random.default_rng(3)
    zero = zero_of(rng.normal(0.1, 0.01, 4000), 0.0001)
    assert zero.noise_a == pytest.approx(0.01, rel=0.05)
    assert zero.u_a == pytest.approx(2 * 0.01 / math.sqrt(4000), rel=0.6)


def test_an_order_without_a_backend_uses_the_rig_files():
    order = RigCheckOrder(SETTINGS, SETTINGS.stations[0])
    assert order.backend_name == "simulated"
    assert replace(order, backend="pi").backend_name == "pi"
