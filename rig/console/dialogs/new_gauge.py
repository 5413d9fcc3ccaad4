"""A gauge study that is to be set up: which units, who measures them, how often, by which plan."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from textual.widgets import Input

from rig.console.dialogs.set_up import SetUpDialog, text_field
from rig.console.plan_words import duration_words
from rig.console.widgets.field import Field
from rig.labels import shown
from rig.plans import Plan
from rig.studies.order import LEAST_TRIALS, DesignError
from rig.studies.setting_up import expected_run_s, study_start

USUAL_TRIALS = 3


class NewGaugeDialog(SetUpDialog[str]):
    """Dismissed with the name of the study that was set up."""

    AUTO_FOCUS = "#name"
    title_words = "New gauge study"
    what_it_is = (
        "Every unit is measured by everybody, so many times each. The order is drawn and kept; "
        "nothing is fed now. Take five to ten units spread over what comes in."
    )

    def fields(self) -> Iterator[Field]:
        """Return name, plan, units, people and trials."""
        yield text_field("Name", "name", "a name of its own")
        yield self.plan_field()
        yield text_field("Units", "parts", "serial numbers; blanks or commas between them")
        yield text_field("People", "operators", "who measures: jo ann, or Jo Hill, Ann Lee")
        yield text_field("Trials", "trials", "of each unit by each", f"{USUAL_TRIALS}")

    def entered(self, box: Input) -> None:
        """Go on to the next field; among the units to the next one, for they may be scanned."""
        if box.id == "parts" and box.value and not box.value.endswith((" ", ",")):
            box.value += " "
            box.cursor_position = len(box.value)
        else:
            super().entered(box)

    def words(self) -> str:
        """Return how many runs that is, and how long they take."""
        parts, operators = self._parts(), self._operators()
        trials = self.typed("trials")
        if not (parts and operators and _is_count(trials)):
            return "How many runs it is, and how long they take, is told here."
        count = len(parts) * len(operators) * int(trials)
        size = f"{len(parts)} units x {len(operators)} operators x {int(trials)} trials: "
        if self.chosen.plan is None:
            return f"{size}{count} runs."
        run_s = expected_run_s(self.chosen.plan)
        each, whole = duration_words(run_s), duration_words(count * run_s)
        return f"{size}{count} runs of about {each}, {whole} of tests in all."

    def asked(self, plan: Plan) -> Callable[[], str]:
        """Return how to keep the study; its order is drawn here."""
        trials = self.typed("trials")
        if not _is_count(trials):
            raise DesignError(
                f"Give a whole number from {LEAST_TRIALS} on, not '{shown(trials)}'.",
                about="trials",
            )
        start = study_start(
            self.typed("name"),
            plan,
            self.desk.station.name,
            self._parts(),
            self._operators(),
            int(trials),
        )
        return lambda: self.desk.reading.begin_gauge(start)

    def _parts(self) -> list[str]:
        return re.findall(r"[^\s,]+", self.typed("parts"))

    def _operators(self) -> list[str]:
        """Return the people: by commas if there is one, since a name may have a blank in it."""
        text = self.typed("operators")
        names = text.split(",") if "," in text else text.split()
        return [name.strip() for name in names if name.strip()]


def _is_count(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 6
