"""One bench supply under several jobs: on with the first that feeds, off with the last."""

from __future__ import annotations

from threading import Lock

from drivers import Backend, SupplyWiring
from rig.bench.errors import RefusedError
from rig.bench.power import STOP_WAIT_S, Power


class SharedSupply:
    """The supply of a rig, opened while any job has it.  Opened and left by the loops' thread."""

    def __init__(self) -> None:
        self._power: Power | None = None
        self._users: list[SharedPower] = []
        self._on_for: list[SharedPower] = []  # those of them that had it switched on
        self._starting = Lock()  # several jobs may start, each beside its own loop
        self.voltage_v: float | None = None  # what every station has it at, V; None: off
        self._identity = ""

    def power(self, backend: Backend, wiring: SupplyWiring, station: str) -> Power:
        """Return a station's hold on the supply.  Raises SupplyError."""
        if self._power is None:
            self._power = Power.open(backend, wiring)
        held = SharedPower(self, self._power, wiring, station)
        self._users.append(held)
        return held

    def start(self, held: SharedPower, power: Power, voltage_v: float) -> None:
        """Have the output on at ``voltage_v``; RefusedError if others have it at another voltage.

        A voltage that was left on by a job that is over (another was about to begin) binds nobody.
        """
        with self._starting:
            if held not in self._users:
                return  # its job has ended meanwhile
            others = [user.station for user in self._on_for if user is not held]
            if self.voltage_v != voltage_v:
                if others:
                    raise RefusedError(
                        f"The supply is on at {self.voltage_v:g} V for station "
                        f"{', '.join(others)}, and this plan's unit wants {voltage_v:g} V. Run it "
                        "when that is over."
                    )
                power.start(voltage_v)
                self._identity = power.describe()
                self.voltage_v = voltage_v
            self._on_for.append(held)

    def held_by(self, station: str) -> SharedPower | None:
        """Return a station's hold on the supply, None if it has none."""
        return next((user for user in self._users if user.station == station), None)

    def describe(self) -> str:
        """Return identity and voltage as they were when the output was switched on."""
        return f"{self._identity}; it feeds every station at work"

    def left(self, held: SharedPower, power: Power) -> bool:
        """Take the output off if nobody needs it any more; False if it does not confirm that."""
        if held not in self._users:
            return True
        self._users.remove(held)
        if held in self._on_for:
            self._on_for.remove(held)
        if self._users:
            return True
        self._power = None
        free = self._starting.acquire(timeout=STOP_WAIT_S)
        try:
            self.voltage_v = None
            return power.stop() and free
        finally:
            if free:
                self._starting.release()
            power.__exit__(None, None, None)


class SharedPower(Power):
    """One job's hold on a shared supply; only a job that feeds alone may `set` it."""

    def __init__(
        self, shared: SharedSupply, power: Power, wiring: SupplyWiring, station: str
    ) -> None:
        super().__init__(None, wiring)
        self._shared = shared
        self._power = power
        self.station = station
        self._away = False  # set to something else than what every station has it at

    @property
    def programmable(self) -> bool:
        """Tell whether the voltage can be set."""
        return self._power.programmable

    def describe(self) -> str:
        """Return the supply's identity and what it gave when it was switched on."""
        return self._shared.describe()

    def start(self, voltage_v: float | None) -> None:
        """Have the output on at ``voltage_v`` (V)."""
        if voltage_v is not None:
            self._shared.start(self, self._power, voltage_v)

    def set(self, voltage_v: float | None, limit_a: float | None) -> None:
        """Change voltage (V) and limit (A) for all stations.  Raises SupplyError."""
        self._away = True  # before it is tried: a supply that did not confirm may have changed
        self._power.set(voltage_v, limit_a)
        home_v = self._shared.voltage_v
        self._away = not (voltage_v == home_v and limit_a == self.limit_a)

    def restore(self) -> None:
        """Bring the supply back to what every station has it at.  Raises SupplyError."""
        if self._away:
            self._power.set(self._shared.voltage_v, self.limit_a)
            self._away = False

    @property
    def away(self) -> bool:
        """Tell whether `restore` has something to do."""
        return self._away

    def stop(self) -> bool:
        """Need the output no longer; False if it was the last to, and it does not go off."""
        return self._shared.left(self, self._power)

    def __exit__(self, *_: object) -> None:
        self.stop()
