"""Dialogs that stand as long as what they tell holds, and then go by themselves."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from rig.bench.commands import Answer
from rig.bench.events import Asked
from rig.bench.requests import NEXT_TEST
from rig.console.desk import Desk
from rig.console.desks import station_names
from rig.console.dialogs.actions import ActionsPalette
from rig.console.dialogs.ask import AskDialog
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import ChoiceDialog, MessageDialog
from rig.console.dialogs.reading import ReadingDialog
from rig.console.screen import DeskScreen

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


# Where nothing is typed and no key feeds: a question of another station comes up by itself there.
CALM = frozenset({"live", "verdict", "stations"})


class StandingDialogs:
    """The question at the jig, the alarms, and whether to leave in mid-job: one of each at most.

    A question goes with the desk of its station, and so does its answer, whichever is chosen by
    then.
    """

    def __init__(self, console: HalfturnConsole) -> None:
        self._console = console
        self._asking: AskDialog | ReadingDialog | None = None
        self._asked: tuple[Desk, Asked] | None = None  # what it asks
        self._left_open: list[Asked] = []  # what the operator turned away from for now
        self._leaving: ChoiceDialog | None = None
        self._alarm: MessageDialog | None = None
        self._alarmed: list[Desk] = []

    # --- the question --------------------------------------------------------------------------

    def ask(self, asked: Asked, desk: Desk) -> None:
        """Put a question of the bench of ``desk``, in place of the one before.

        What an isolation proposes is answered at its own place.
        """
        if asked.ask.action == NEXT_TEST:
            self._close_question()
            return
        dialog = AskDialog(asked, desk) if asked.ask.allowed else ReadingDialog(asked, desk)

        def answered(text: str | None) -> None:
            if self._asking is dialog:
                self._asking = self._asked = None
            if text is not None and desk.live.asked is asked:
                desk.tell(Answer(text))

        self._close_question()
        if isinstance(self._console.screen, HelpDialog | ActionsPalette):
            self._console.screen.dismiss(None)  # else it would lie over what comes after the answer
        self._console.clear_notifications()  # of what was before; one may hide how to answer
        self._asking, self._asked = dialog, (desk, asked)
        self._console.push_screen(dialog, answered)

    def put_away(self) -> bool:
        """Leave the open question unanswered for now; False if another dialog is open."""
        if self._asking is None or self._console.screen is not self._asking:
            return False
        if self._asked is not None:
            self._left_open.append(self._asked[1])
        self._close_question()
        return True

    def come_back_to(self, desk: Desk) -> None:
        """Have the question of a station that was chosen come up again."""
        self._left_open = [one for one in self._left_open if one is not desk.live.asked]

    def _watch_question(self) -> None:
        """Take a question away that is void; put one that waits, where it can be answered."""
        if self._asked is not None:
            desk, asked = self._asked
            if desk.live.asked is asked:
                return
            self._close_question()
        here, desks = self._console.screen, self._console.desks
        if not (desks.several and isinstance(here, DeskScreen)):
            return
        chosen = desks.chosen
        pending = [desk.live.asked for desk in desks]
        self._left_open = [one for one in self._left_open if any(one is p for p in pending)]
        waiting = [chosen] if here.is_of(chosen) else []
        if here.place in CALM:
            waiting += desks.others
        for desk in waiting:
            question = desk.live.asked
            if question is None or question.ask.action == NEXT_TEST:
                continue
            left_open = any(question is one for one in self._left_open)
            # Where all stations are seen it waits to be come back to; elsewhere it is in its place.
            if not left_open or (desk is chosen and here.place != "stations"):
                self.ask(question, desk)
                return

    # --- alarms ----------------------------------------------------------------------------------

    def tell_gone(self, gone: Sequence[Desk]) -> None:
        """Say that the bench process of these desks has gone, and offer to start again."""
        console = self._console
        several = console.desks.several
        feeds = (
            "This rig has no dead-man output, so a feed may still be on: pull the supply now."
            if console.desk.settings.dead_man is None
            else "The dead-man timer drops the master relay within a fraction of a second; press "
            "the emergency stop all the same before you touch "
            f"{'a' if several else 'the'} unit."
        )
        where = f" at {station_names(gone)}" if several else ""

        def decided(choice: str | None) -> None:
            for desk in gone:
                if choice == "again" and desk.live.job is not None:
                    console.begin(desk.live.job)

        console.push_screen(
            ChoiceDialog(
                f"The bench process has gone{where}",
                f"It ended without a word, with a job on{where}. {feeds} Every finished step is "
                "in the record.",
                (("leave", "Not now"), ("again", "Start again")),
            ),
            decided,
        )

    def ask_leaving(
        self, leave: Callable[[], None], leave_it_on: Callable[[], None] | None
    ) -> None:
        """Ask once whether to leave while a job is on; ``leave`` is called if so.

        ``leave_it_on`` is offered besides where the job goes on by itself.
        """
        if self._leaving is not None:
            return

        def decided(choice: str | None) -> None:
            self._leaving = None
            if choice == "quit":
                leave()
            elif choice == "on" and leave_it_on is not None:
                leave_it_on()

        if leave_it_on is None:
            at_work = self._console.desks.at_work
            several = self._console.desks.several
            many = len(at_work) > 1
            title = "A job is on"
            if several:
                jobs = "Jobs are on" if many else title
                title = f"{jobs} at {station_names(at_work)}"
            self._leaving = ChoiceDialog(
                title,
                f"Leaving now takes the feeds{' of all stations' if several else ''} off and ends "
                f"{'these jobs' if many else 'the job'}; what is finished stays in the record.",
                (("stay", "Stay"), ("quit", "Feeds off and quit")),
            )
        else:
            self._leaving = ChoiceDialog(
                "A run is on that goes on by itself",
                "It may be left as it is: the guard and the dead-man watch over it, and it ends "
                "by itself; when it asks something it waits, feeds off. The console comes back to "
                "it when it is opened again. Nobody near the jig is told that it is fed: guard it "
                "and put up a sign.",
                (("stay", "Stay"), ("on", "Leave it going on"), ("quit", "Feeds off and quit")),
            )
        self._console.push_screen(self._leaving, decided)

    def watch(self) -> None:
        """Raise the alarm of a stop that is not confirmed; put what is asked, and take away what
        no longer holds.
        """
        desks = self._console.desks
        unconfirmed = [desk for desk in desks if desk.stop_unconfirmed]
        if unconfirmed != self._alarmed:
            self._alarmed = unconfirmed
            if self._alarm is not None:
                alarm, self._alarm = self._alarm, None
                self._take_away(alarm)
            if unconfirmed:
                at = f" at {station_names(unconfirmed)}" if desks.several else ""
                self._alarm = MessageDialog(
                    f"Feeds off is not confirmed{at}",
                    f"The bench has not said that the feeds are off{at}. Press the emergency stop "
                    "and pull the supply, then look at the unit.",
                )
                self._console.push_screen(self._alarm)
        if self._leaving is not None and not desks.at_work:
            leaving, self._leaving = self._leaving, None
            self._take_away(leaving)
        self._watch_question()

    def _close_question(self) -> None:
        asking, self._asking, self._asked = self._asking, None, None
        if asking is not None:
            self._take_away(asking)

    def _take_away(self, dialog: ChoiceDialog | AskDialog | ReadingDialog) -> None:
        # One that is covered goes later, by itself: screens leave in the order they came.
        if dialog is self._console.screen:
            dialog.dismiss(None)
        elif dialog in self._console.screen_stack:
            dialog.dismiss_when_shown = True
