"""What is checked without power: the feed outputs, and the dead-man with its master relay."""

from __future__ import annotations

from rig.bench.checks.items import CheckList, LeftOutError, WrongError
from rig.bench.checks.look import Look
from rig.bench.checks.powered import PoweredStation
from rig.bench.checks.sensors import SensorChecks
from rig.bench.requests import OFF


class OutputChecks:
    """The checks of the outputs; ``dead_man_proved``: the master relay was seen to drop."""

    def __init__(self, look: Look, sensors: SensorChecks) -> None:
        self._look = look
        self._sensors = sensors
        self.dead_man_proved = False

    def feeds(self) -> str:
        """Return that both feed outputs read back off."""
        station = self._look.station
        if not station.all_off() or station.feeds_read_back() != OFF:
            raise WrongError(
                "A feed output does not read back off. Pull the supply, then look for a short at "
                "the pin or at the relay board's input.",
                unsafe=True,
            )
        wired = station.wiring
        return (
            f"GPIO {wired.battery_feed.pin} (battery) and {wired.ignition_feed.pin} (ignition) "
            "read back off."
        )

    def dead_man(self, items: CheckList, power: PoweredStation) -> str:
        """Return how fast the master relay dropped out.

        It picks up for that, which makes a unit live whose feed relay is welded: only with leave.
        """
        look = self._look
        dead_man = look.station.dead_man
        if dead_man is None:
            raise LeftOutError(
                "No dead-man output is wired: a hung computer would keep the feeds on. Fit the "
                "timer and name its pin in rig.toml under [dead_man]."
            )
        if not self._sensors.works:
            raise LeftOutError(
                "The dead-man is toggled by good samples only, and the current sensor gives none."
            )
        power.need_leave(items)
        said = look.loop.arm()
        if dead_man.picked_up is None:
            raise LeftOutError(
                "The master relay is not read back, so that its drop-out cannot be seen. Wire its "
                "spare contact and name its pin in rig.toml (dead_man.sense_pin)."
            )
        self.dead_man_proved = True
        return f"{said[:1].upper()}{said[1:]}."
