"""The world's end: one thread serves everybody, and the world goes on whether they ask or not."""

from __future__ import annotations

import contextlib
import json
import select
import socket
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from drivers import BackendError, BackendOptions, I2CBus, RigWiring

from ..backend import SimulatedBackend
from ..clocks import RealClock
from ..world import World
from . import messages
from .messages import BUS, HEAD, PIN
from .plain import as_wired, from_plain
from .record import ContactRecord

TICK_S = 0.02  # the world is brought up to the present so often when nobody looks


class SteppedClock(RealClock):
    """Real time; while a message is carried out, the instant at which it was sent."""

    def __init__(self, world: World) -> None:
        self._until_s: float | None = None
        super().__init__(world)

    @property
    def origin_s(self) -> float:
        """CLOCK_MONOTONIC at world time 0."""
        return self._origin_s

    @contextlib.contextmanager
    def at(self, monotonic_s: float) -> Any:
        """Let the world go no further than ``monotonic_s`` while the context lasts."""
        self._until_s = min(monotonic_s, time.monotonic())
        try:
            yield
        finally:
            self._until_s = None

    def _catch_up(self) -> None:
        until_s = self._until_s
        now_s = (time.monotonic() if until_s is None else until_s) - self._origin_s
        if now_s > self._world.now_s:
            self._world.now_s = now_s


class WorldServer:
    """Serves the world in ``folder`` (made if need be, for its owner alone).

    ``strict_gpiod``: pins are released when their controller goes away, as on a Raspberry Pi with
    ``dtparam=strict_gpiod``; without it they keep their levels, as Raspberry Pi OS has it.
    ``until`` is a file number: when it can be read (its other end was closed), `serve` returns.
    Raises BackendError if another world lives in the folder.
    """

    def __init__(self, folder: Path, *, strict_gpiod: bool = False, until: int | None = None):
        self._strict = strict_gpiod
        self._until = until
        self._stopped = False
        self._backend: SimulatedBackend | None = None
        self._made_so: dict[str, Any] = {}
        self._clock: SteppedClock
        self._record: ContactRecord
        self._buses: dict[int, I2CBus] = {}
        self._clients: dict[int, socket.socket] = {}
        self._controller: int | None = None
        self._controller_pid = 0
        self._orders: dict[str, Callable[[int, Mapping[str, Any]], dict[str, Any]]] = {
            "take": self._take,
            "facts": lambda *_: self._world_facts(),
            "hands": self._hands,
            "serial": self._serial,
            "record": self._tell_record,
            "state": self._tell_state,
        }
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        self.path = messages.socket_path(folder)
        self._listener = self._listen()
        self._poll = select.poll()
        self._poll.register(self._listener, select.POLLIN)
        if until is not None:
            self._poll.register(until, select.POLLIN | select.POLLHUP)

    def _listen(self) -> socket.socket:
        with messages.new_socket() as probe:
            try:
                probe.connect(str(self.path))
            except FileNotFoundError:
                pass
            except ConnectionRefusedError:  # left by a world that was killed
                self.path.unlink()
            except OSError as error:
                raise BackendError(f"{self.path} cannot be used: {error}.") from error
            else:
                raise BackendError(
                    f"Another world lives in {self.path.parent}. End it, or name another folder."
                )
        listener = messages.new_socket()
        try:
            listener.bind(str(self.path))
            self.path.chmod(0o600)
            listener.listen()
        except OSError as error:
            listener.close()
            raise BackendError(
                f"No socket can be made at {self.path}: {error}. Name a folder of your own with a "
                "short path (a socket's may have 107 bytes)."
            ) from error
        return listener

    # --- serving --------------------------------------------------------------------------

    def stop(self, *_: object) -> None:
        """Have `serve` return (also as a signal handler)."""
        self._stopped = True

    def serve(self) -> None:
        """Serve until stopped."""
        next_tick_s = 0.0
        while not self._stopped:
            # Taken before the look: whatever was sent before it has been carried out by then.
            now_s = time.monotonic()
            due = now_s >= next_tick_s
            ready = self._poll.poll(0 if due else TICK_S * 1000.0)
            for number, _ in ready:
                self._attend(number)
            if due and not ready:
                next_tick_s = now_s + TICK_S
                self._tick(now_s)

    def _tick(self, now_s: float) -> None:
        if self._backend is not None:
            with self._clock.at(now_s):
                self._backend.world.bring_up()

    def _attend(self, number: int) -> None:
        if number == self._until:
            self._stopped = True
        elif number == self._listener.fileno():
            client, _ = self._listener.accept()
            self._clients[client.fileno()] = client
            self._poll.register(client, select.POLLIN)
        elif number in self._clients:
            self._receive(number)

    def _receive(self, number: int) -> bool:
        """Carry out one message of a client; False if there is none."""
        client = self._clients[number]
        try:
            message = client.recv(messages.LONGEST, socket.MSG_DONTWAIT)
        except BlockingIOError:
            return False
        except OSError:
            message = b""
        if not message:
            self._lose(number)
            return False
        try:
            answer = self._carry_out(number, message)
            if answer is not None:
                client.send(answer, socket.MSG_DONTWAIT)
        except OSError:  # killed before it could be answered
            self._lose(number)
            return False
        except Exception as error:  # whatever a stranger sends, the world goes on
            print(f"A client that sent {message[:40]!r} was cut off: {error!r}.", file=sys.stderr)
            self._lose(number)
            return False
        return True

    def _lose(self, number: int) -> None:
        client = self._clients.pop(number)
        self._poll.unregister(client)
        client.close()
        if number != self._controller:
            return
        self._controller = None
        self._record.add(time.monotonic(), "controller", False)
        if self._strict and self._backend is not None:
            for pin in self._backend.pin_factory.pins.values():
                pin.close()

    def close(self) -> None:
        """Take the world down.  Idempotent."""
        self._listener.close()
        self.path.unlink(missing_ok=True)
        for client in self._clients.values():
            client.close()
        self._clients.clear()
        backend, self._backend = self._backend, None
        if backend is not None:
            backend.close()

    # --- pins and buses -------------------------------------------------------------------

    def _carry_out(self, number: int, message: bytes) -> bytes | None:
        kind, sent_s = HEAD.unpack_from(message)
        if kind == messages.ORDER:
            return self._order(number, message[HEAD.size :])
        if number != self._controller or self._backend is None:
            raise ValueError("only the controller has the pins")
        with self._clock.at(sent_s):
            if kind == messages.TRANSFER:
                return self._transfer(message)
            _, _, name, level = PIN.unpack(message)
            pin = self._backend.pin_factory.pin(name)
            if kind == messages.LEVEL:
                return b"\1" if pin.state else b"\0"
            if kind == messages.LET_GO:
                pin.close()
            elif kind != messages.DRIVE:
                raise ValueError(f"no message is of kind {kind}")
            elif pin.function == "output":
                pin.state = bool(level)
            else:
                pin.output_with_state(bool(level))
        return None

    def _transfer(self, message: bytes) -> bytes:
        _, _, bus_number, address, written, read = BUS.unpack_from(message)
        bus = self._buses[bus_number]
        out = message[BUS.size :]
        into = bytearray(1 + read)
        try:
            if not read:
                bus.writeto(address, out)
            elif written:
                bus.writeto_then_readfrom(address, out, into, in_start=1)
            else:
                bus.readfrom_into(address, into, start=1)
        except OSError as error:
            return bytes((error.errno or 5,))
        return bytes(into)

    # --- orders ---------------------------------------------------------------------------

    def _order(self, number: int, text: bytes) -> bytes:
        order = json.loads(text)
        what = str(order.get("do"))
        if what not in self._orders:
            raise ValueError(f"nobody can order '{what}'")
        try:
            if what != "take" and self._backend is None:
                raise BackendError(
                    f"The world in {self.path.parent} has not begun: no controller has come yet."
                )
            answer = self._orders[what](number, order)
        except (BackendError, ValueError) as error:
            answer = {"refused": str(error)}
        return json.dumps(answer).encode()

    def _take(self, number: int, order: Mapping[str, Any]) -> dict[str, Any]:
        """Give the pins to a controller; the first one brings the world into being."""
        self._need_free_pins()
        wiring = from_plain(order["wiring"])
        asked = {name: order[name] for name in ("seed", "faults", "extra")}
        if self._backend is None:
            self._begin(wiring, asked)
        else:
            self._need_same(wiring, asked)
        backend = self._backend
        assert backend is not None
        self._controller = number
        self._controller_pid = int(order["pid"])
        self._record.add(time.monotonic(), "controller", True)
        return {"origin_s": self._clock.origin_s, "buses": list(self._buses)}

    def _need_free_pins(self) -> None:
        controller = self._controller
        # One that died just now may have left messages, then its end.
        while controller is not None and controller in self._clients and self._receive(controller):
            pass
        if self._controller is not None:
            raise BackendError(
                f"The pins of the world in {self.path.parent} are taken by process "
                f"{self._controller_pid}. Let its job end, or stop it, then start again."
            )

    def _begin(self, wiring: RigWiring, asked: Mapping[str, Any]) -> None:
        options = BackendOptions(
            seed=int(asked["seed"]),
            faults=tuple(asked["faults"]),
            real_time=True,
            extra=dict(asked["extra"]),
        )
        backend = SimulatedBackend(wiring, options, real_clock=SteppedClock)
        assert isinstance(backend.clock, SteppedClock)
        self._clock = backend.clock
        self._record = ContactRecord(backend.world, self._clock.origin_s)
        sensors = [
            s
            for station in wiring.stations
            for s in (station.battery_sensor, station.ignition_sensor)
        ]
        self._buses = {s.bus: backend.i2c(s.bus) for s in sensors if s is not None}
        self._made_so = dict(asked)
        self._backend = backend

    def _need_same(self, wiring: RigWiring, asked: Mapping[str, Any]) -> None:
        assert self._backend is not None
        if as_wired(wiring) != as_wired(self._backend.world.wiring):
            raise BackendError(
                f"The world in {self.path.parent} is wired otherwise than this rig file says. Use "
                "the rig file it was begun with, or begin another world in another folder."
            )
        plain = BackendOptions()
        nothing = {"seed": plain.seed, "faults": list(plain.faults), "extra": dict(plain.extra)}
        if asked not in (nothing, self._made_so):
            raise BackendError(
                f"The world in {self.path.parent} was begun with {_in_words(self._made_so)}, and "
                f"{_in_words(asked)} is asked for. Ask for nothing and find it as it is, or begin "
                "another world in another folder."
            )

    def _world_facts(self) -> dict[str, Any]:
        assert self._backend is not None
        there = " ".join(str(fault) for fault in self._backend.world.faults.values())
        age_s = time.monotonic() - self._clock.origin_s
        return {
            "facts": {
                **self._backend.facts(),
                "faults now": there or "none",
                "world": f"{self.path.parent}, {age_s:.0f} s old",
            }
        }

    def _hands(self, _: int, order: Mapping[str, Any]) -> dict[str, Any]:
        assert self._backend is not None
        hands = self._backend.hands
        assert hands is not None
        return {"did": hands.do(str(order["action"]), order["detail"])}

    def _serial(self, _: int, order: Mapping[str, Any]) -> dict[str, Any]:
        assert self._backend is not None
        return {"path": self._backend.serial_port(str(order["port"]))}

    def _tell_record(self, _: int, order: Mapping[str, Any]) -> dict[str, Any]:
        go_on, entries = self._record.since(int(order["since"]))
        return {"next": go_on, "entries": entries}

    def _tell_state(self, *_: object) -> dict[str, Any]:
        assert self._backend is not None
        world = self._backend.world
        world.bring_up()
        return {
            "now_s": self._clock.origin_s + world.now_s,
            "on": self._record.now(),
            "angle_deg": {
                name: None if station.unit is None else station.unit.angle_deg
                for name, station in world.stations.items()
            },
            "feed_a": {name: station.feed_a for name, station in world.stations.items()},
        }


def _in_words(asked: Mapping[str, Any]) -> str:
    faults = " ".join(asked["faults"]) or "no faults"
    extra = "".join(f", {name} {value}" for name, value in asked["extra"].items())
    return f"seed {asked['seed']}, {faults}{extra}"
