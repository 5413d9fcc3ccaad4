"""What the screens of the rig's own studies share: reading in a thread, a reason, a run begun."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from math import nan
from pathlib import Path

from rig.bench.order import RunOrder
from rig.console.dialogs.message import MessageDialog
from rig.console.dialogs.note import NoteDialog
from rig.console.plan_outlook import told
from rig.console.records_reader import NO_RECORDS, Sorry
from rig.console.screen import DeskScreen
from rig.feasible import check_plan_on_rig
from rig.plans import Plan, PlanError, plan_from_text
from rig.records.model import RunEvent, Source
from rig.studies.simulated import options_for


class StudyScreen(DeskScreen):
    """A screen of a study, come to from Rig; subclasses read it again when a run has ended."""

    def __init__(self) -> None:
        super().__init__()
        self._asked = 0
        self.is_read = False
        """Whether what is shown was read since it was last asked for: only then is it acted on."""

    def ask_again(self) -> int:
        """Take note that the records are being read; return the number of this reading."""
        self._asked += 1
        self.is_read = False
        self.refresh_bindings()
        return self._asked

    def was_asked_last(self, asked: int) -> bool:
        """Tell whether what has been read under this number is to be shown."""
        self.is_read = self.is_read or asked == self._asked
        return asked == self._asked

    def read_again(self) -> None:
        """Read what is shown from the records."""
        raise NotImplementedError

    def show_all(self) -> None:
        """Read the records again."""
        self.read_again()

    def action_back(self) -> None:
        """Go back to Rig."""
        self.app.go("rig")

    def ask_reason(
        self, of: str, title: str, placeholder: str, do: Callable[[str], object]
    ) -> None:
        """Ask why, then ``do`` it with the reason in a thread, then read again."""

        def keep(reason: str) -> RunEvent:
            do(reason)
            return RunEvent(datetime.now(UTC), nan, "reason", reason)

        def closed(kept: RunEvent | str | None) -> None:
            if isinstance(kept, RunEvent):
                self.read_again()

        dialog = NoteDialog(of, (), "", keep, title=title, placeholder=placeholder)
        self.app.push_screen(dialog, closed)

    def kept_plan(self, text: str, name: str, of: str) -> Plan | None:
        """Return the plan that was kept with a study; None, told why, if it is no more one."""
        try:
            return plan_from_text(text, Path(f"{name}.toml"))
        except PlanError as error:
            self.say(f"The {of}'s plan cannot be used by this program: {error}", error=True)
            return None

    def order_for(
        self,
        plan: Plan,
        serial: str,
        station: str,
        operator: str,
        reference: str,
        chance: int,
    ) -> RunOrder | None:
        """Return the order of a study's run; None, told why, if it cannot be made here."""
        desk = self.desk
        if desk.live.on:
            self.say("A job is on already. Stop it first.", error=True)
            return None
        names = [each.name for each in desk.settings.stations]
        if station not in names:
            self.say(f"This rig has no station {station} any more.", error=True)
            return None
        wanted = desk.settings.station(station)
        mistakes = check_plan_on_rig(plan, desk.settings, wanted)
        if mistakes:
            reasons = "\n\n".join(map(told, mistakes))
            self.app.push_screen(MessageDialog("The plan cannot run here", reasons))
            return None
        options = desk.options()
        return RunOrder(
            settings=desk.settings,
            station=wanted,
            plan=plan,
            unit_serial=serial,
            operator=operator,
            source=Source.NOT_TOLD,
            reference=reference,
            backend=desk.backend,
            options=options_for(options, serial, chance) if desk.has_world else options,
            ask_operator=True,
        )


def or_none_yet(sorry: Sorry, none_yet: str) -> str:
    """Return what is said where nothing could be read: that there are no records is no trouble."""
    return none_yet if sorry.text == NO_RECORDS else sorry.text
