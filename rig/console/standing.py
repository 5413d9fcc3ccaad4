"""Dialogs that stand as long as what they tell holds, and then go by themselves."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from rig.bench.commands import Answer
from rig.bench.events import Asked
from rig.bench.requests import NEXT_TEST
from rig.console.dialogs.actions import ActionsPalette
from rig.console.dialogs.ask import AskDialog
from rig.console.dialogs.help import HelpDialog
from rig.console.dialogs.message import ChoiceDialog, MessageDialog
from rig.console.dialogs.reading import ReadingDialog

if TYPE_CHECKING:
    from rig.console.app import HalfturnConsole


class StandingDialogs:
    """The question at the jig, the alarms, and whether to leave in mid-job: one of each at most."""

    def __init__(self, console: HalfturnConsole) -> None:
        self._console = console
        self._asking: AskDialog | ReadingDialog | None = None
        self._leaving: ChoiceDialog | None = None
        self._alarm: MessageDialog | None = None

    def ask(self, asked: Asked) -> None:
        """Put a question of the bench, in place of the one before.

        What an isolation proposes is answered at its own place.
        """
        if asked.ask.action == NEXT_TEST:
            self._close_question()
            return
        desk = self._console.desk
        dialog = AskDialog(asked, desk) if asked.ask.allowed else ReadingDialog(asked)

        def answered(text: str | None) -> None:
            if self._asking is dialog:
                self._asking = None
            if text is not None and desk.live.asked is asked:
                desk.tell(Answer(text))

        self._close_question()
        if isinstance(self._console.screen, HelpDialog | ActionsPalette):
            self._console.screen.dismiss(None)  # else it would lie over what comes after the answer
        self._console.clear_notifications()  # of what was before; one may hide how to answer
        self._asking = dialog
        self._console.push_screen(dialog, answered)

    def tell_gone(self) -> None:
        """Say that the bench process has gone, and offer to start again."""
        feeds = (
            "This rig has no dead-man output, so a feed may still be on: pull the supply now."
            if self._console.desk.settings.dead_man is None
            else "The dead-man timer drops the master relay within a fraction of a second; press "
            "the emergency stop all the same before you touch the unit."
        )
        self._console.push_screen(
            ChoiceDialog(
                "The bench process has gone",
                f"It ended without a word, with a job on. {feeds} Every finished step is in the "
                "record.",
                (("leave", "Not now"), ("again", "Start again")),
            ),
            self._after_gone,
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
            self._leaving = ChoiceDialog(
                "A job is on",
                "Leaving now takes the feeds off and ends the job; what is finished stays in the "
                "record.",
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
        """Raise the alarm of a stop that is not confirmed; take away what no longer holds."""
        desk = self._console.desk
        if desk.stop_unconfirmed:
            if self._alarm is None:
                self._alarm = MessageDialog(
                    "Feeds off is not confirmed",
                    "The bench has not said that the feeds are off. Press the emergency stop and "
                    "pull the supply, then look at the unit.",
                )
                self._console.push_screen(self._alarm)
        elif self._alarm is not None:
            alarm, self._alarm = self._alarm, None
            self._take_away(alarm)
        if self._leaving is not None and not desk.live.on:
            leaving, self._leaving = self._leaving, None
            self._take_away(leaving)
        if desk.live.asked is None:
            self._close_question()

    def _after_gone(self, choice: str | None) -> None:
        job = self._console.desk.live.job
        if choice == "again" and job is not None:
            self._console.begin(job)

    def _close_question(self) -> None:
        asking, self._asking = self._asking, None
        if asking is not None:
            self._take_away(asking)

    def _take_away(self, dialog: ChoiceDialog | AskDialog | ReadingDialog) -> None:
        # One that is covered goes later, by itself: screens leave in the order they came.
        if dialog is self._console.screen:
            dialog.dismiss(None)
        elif dialog in self._console.screen_stack:
            dialog.dismiss_when_shown = True
