"""A unit that is to be declared golden: which, checked by which plan, which measures charted."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from uuid import UUID

from textual import on
from textual.widgets import Input, SelectionList

from rig.console.dialogs.set_up import SetUpDialog
from rig.console.widgets.field import Field
from rig.plans import Plan
from rig.run_values import BY_NAME
from rig.studies.golden import USUAL_BASELINE, USUAL_MEASURES
from rig.studies.order import DesignError
from rig.studies.setting_up import golden_start


class DeclareDialog(SetUpDialog[UUID]):
    """Dismissed with the id of the golden unit."""

    AUTO_FOCUS = "#serial"
    title_words = "Declare a golden unit"
    what_it_is = (
        "It is known to be good, and kept for this alone. The more measures are charted, the wider "
        "the limits of each: Space takes one in or out."
    )

    def fields(self) -> Iterator[Field]:
        """Return serial, plan and measures."""
        serial = Input(placeholder="serial number", compact=True, id="serial")
        yield Field("Serial", serial, id="f-serial")
        yield self.plan_field()
        measures = SelectionList[str](
            *(
                (f"{measure.label}, {measure.unit}", name, name in USUAL_MEASURES)
                for name, measure in BY_NAME.items()
            ),
            compact=True,
            id="measures",
        )
        yield Field("Measures", measures, id="f-measures")

    def words(self) -> str:
        """Return what comes of it; what is charted too, which the list tells by colours only."""
        charted = ", ".join(self._measures()) or "nothing yet"
        return (
            f"Charted: {charted}. On station {self.desk.station.name}; its next {USUAL_BASELINE} "
            "checks set the limits: spread them over days."
        )

    def asked(self, plan: Plan) -> Callable[[], UUID]:
        """Return how to keep the declaration."""
        measures = self._measures()
        if not measures:
            raise DesignError("Choose one measure at least: Space.", about="measures")
        desk = self.desk
        start = golden_start(
            self.typed("serial"),
            plan,
            desk.station.name,
            measures,
            desk.choices.operator,
        )
        return lambda: desk.reading.declare_golden(start)

    @on(SelectionList.SelectedChanged)
    def _other_measures(self) -> None:
        self.say_words()

    def _measures(self) -> list[str]:
        """Return the names of the measures chosen, in their usual order."""
        chosen = self.query_one("#measures", SelectionList).selected
        return [name for name in BY_NAME if name in chosen]
