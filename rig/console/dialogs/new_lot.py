"""A lot that is to be opened: what was delivered, and how it is to be judged."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from textual.suggester import SuggestFromList
from textual.widgets import Input

from rig.console.desk import Desk
from rig.console.dialogs.set_up import SetUpDialog, text_field
from rig.console.widgets.field import Field
from rig.labels import NAME_LONGEST, shown
from rig.lots.opening import LotAsked, SampleAsked, level_named, lot_start, sample_for
from rig.plans import Plan
from rig.quality.sampling_tables import AQLS, Level, SamplingError, preferred
from rig.records.lot_model import LotKept
from rig.studies.order import DesignError
from rig.studies.setting_up import needed_text

USUAL_AQL = "1"
_MOST_DIGITS = 9


class NewLotDialog(SetUpDialog[str]):
    """Dismissed with the name of the lot that was opened; ``lots`` are those there are."""

    AUTO_FOCUS = "#name"
    title_words = "Open a lot"
    usual_plan = "incoming"
    what_it_is = "Its sample is drawn at random now; how large, the supplier's lots say too."

    def __init__(self, desk: Desk, lots: Sequence[LotKept]) -> None:
        super().__init__(desk)
        self._lots = lots

    def fields(self) -> Iterator[Field]:
        """Return name, supplier, order, size, AQL, level, plan, and what the supplier has done."""
        yield text_field("Name", "name", "a name of its own")
        supplier = text_field(
            "Supplier", "supplier", "written alike for every lot: they count together"
        )
        if isinstance(supplier.control, Input):
            known = sorted({lot.supplier for lot in self._lots})
            supplier.control.suggester = SuggestFromList(known, case_sensitive=False)
        yield supplier
        yield text_field("Order", "order_number", "may be left empty")
        yield text_field("Size", "size", "units delivered")
        yield text_field("AQL", "aql", ", ".join(f"{aql:g}" for aql in AQLS[-6:]), USUAL_AQL)
        yield text_field("Level", "level", ", ".join(Level), str(Level.II))
        yield self.plan_field()
        yield text_field("Acted", "acted", "only after inspection was ended: what they changed")

    def words(self) -> str:
        """Return what sample that asks for, and why, as far as it is filled in."""
        if not self.typed("size") or self.chosen.plan is None:
            return "What sample that asks for is told here."
        try:
            wanted = self._wanted()
            sample = sample_for(wanted, self.chosen.plan.unit.type, self._lots)
            return _sample_words(sample, wanted.supplier)
        except DesignError as error:
            return str(error)

    def asked(self, plan: Plan) -> Callable[[], str]:
        """Return how to keep the lot; its sample is drawn here."""
        start = lot_start(self._wanted(), plan, self._lots)
        return lambda: self.desk.reading.open_lot(start)

    def mistakes(self) -> dict[str, str]:
        """Return what is wrong with each field by itself."""
        found = {}
        for check in (
            lambda: needed_text("name", "The lot's name", self.typed("name"), NAME_LONGEST),
            lambda: needed_text("supplier", "The supplier", self.typed("supplier"), NAME_LONGEST),
            self._units,
            self._percent,
            lambda: level_named(self.typed("level")),
        ):
            try:
                check()
            except DesignError as error:
                found[error.about] = str(error)
        return found

    def _units(self) -> int:
        size = self.typed("size")
        if not (size.isascii() and size.isdigit() and len(size) <= _MOST_DIGITS):
            given = f", not '{shown(size)}'" if size else ""
            raise DesignError(
                f"Give how many units were delivered, a whole number{given}.", about="size"
            )
        return int(size)

    def _percent(self) -> float:
        aql = self.typed("aql").removesuffix("%").strip()
        try:
            return preferred(float(aql))
        except SamplingError as error:
            raise DesignError(str(error), about=error.about) from error
        except ValueError:
            raise DesignError(
                f"The AQL is a number of per cent, not '{shown(aql)}'.", about="aql"
            ) from None

    def _wanted(self) -> LotAsked:
        return LotAsked(
            self.typed("name"),
            self.typed("supplier"),
            self._units(),
            self._percent(),
            self.typed("level"),
            self.typed("order_number"),
            self.desk.choices.operator,
            self.desk.simulated,
            acted=self.typed("acted"),
        )


def _sample_words(sample: SampleAsked, typed: str) -> str:
    plan = sample.plan
    doubt = f" {plan.doubt}" if plan.doubt else ""
    spelt = f" The supplier is {sample.supplier}." if sample.supplier != typed else ""
    return (
        f"Letter {plan.letter}, {plan.severity} inspection: {plan.n} of {plan.lot_size} units, "
        f"Ac {plan.ac}, Re {plan.re}.{doubt}{spelt} {sample.why}"
    )
