"""One lot as the console shows it: how far it is, the next item, its sample, curve and history."""

from __future__ import annotations

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Input, Static

from rig.console.lot_seen import LotSeen
from rig.console.widgets.lot_tables import ItemTable
from rig.console.widgets.numerals import Numerals
from rig.console.widgets.oc_view import OcView
from rig.labels import SERIAL_LONGEST
from rig.lots.words import finding_words, offered_words, plan_words, verdict_word
from rig.records.lot_model import LotItem, LotResult
from rig.studies.simulated import serial_of_item

HOW_TO_NAME = "scan its label; or Tab, and type its serial number"


class LotPane(Vertical):
    """Shows a lot; what is done with it is up to the screen."""

    DEFAULT_CSS = """
    LotPane { padding: 0 1; }
    LotPane #lot-line { height: 1; text-style: bold; }
    LotPane #lot-plan { height: auto; max-height: 2; color: $text-muted; }
    LotPane #lot-count { height: 4; }
    LotPane #lot-count Numerals { height: 100%; width: 25; }
    LotPane #lot-next { width: 1fr; height: 100%; }
    LotPane #lot-next.-refused { color: $error; text-style: bold; }
    LotPane #lot-serial { width: 1fr; background: $panel; padding: 0 1; }
    LotPane #lot-serial:focus { background: $primary 25%; }
    LotPane #lot-turn { height: 1; }
    LotPane #lot-turn > Static { width: auto; padding-right: 1; }
    LotPane.-closed #lot-turn { display: none; }
    LotPane #lot-parts { height: 1fr; margin-top: 1; }
    LotPane #lot-items { width: 5fr; height: 100%; }
    LotPane #lot-beside { width: 4fr; height: 100%; padding-left: 1; }
    LotPane #lot-history-part { display: none; height: 1fr; }
    LotPane.-history #lot-history-part { display: block; }
    LotPane.-history #lot-curve { display: none; }
    LotPane #lot-history { height: auto; color: $text-muted; }
    """

    def compose(self) -> ComposeResult:
        """Lay out what was delivered, the count, the next item, the sample and what lies beside."""
        yield Static("", id="lot-line", markup=False)
        yield Static("", id="lot-plan", markup=False)
        with Horizontal(id="lot-count"):
            yield Numerals("judged of the sample", id="lot-judged")
            yield Numerals("nonconforming", id="lot-bad")
            yield Static("", id="lot-next", markup=False)
        with Horizontal(id="lot-turn"):
            yield Static("", id="lot-item", markup=False)
            yield Input(
                compact=True, max_length=SERIAL_LONGEST, select_on_focus=False, id="lot-serial"
            )
        with Horizontal(id="lot-parts"):
            yield ItemTable(id="lot-items")
            with Vertical(id="lot-beside"):
                yield OcView(id="lot-curve")
                with VerticalScroll(id="lot-history-part"):
                    yield Static("", id="lot-history", markup=False)

    @property
    def item(self) -> LotItem | None:
        """The item under the cursor."""
        return self.query_one(ItemTable).chosen

    @property
    def box(self) -> Input:
        """The field for the next item's serial number."""
        return self.query_one("#lot-serial", Input)

    def show_reading(self) -> None:
        """Take back what is told to be done next: the lot is being read again."""
        for name in ("judged", "bad"):
            self.query_one(f"#lot-{name}", Numerals).stale = True
        self._say("next", "Reading the lot ...")
        self._say("item", "Reading ...")
        self.box.placeholder = ""

    def show(self, seen: LotSeen, *, same: bool, made_up: bool) -> None:
        """Show a lot, the ``same`` as before or another; ``made_up``: so are its units' serials."""
        lot = seen.lot
        world = " (SIMULATED)" if lot.simulated else ""
        self._say("line", f"{lot.name}: {offered_words(lot)}{world}")
        plan = plan_words(lot)
        self._say("plan", f"{plan[0].upper()}{plan[1:]}. {lot.doubt}")
        self.query_one("#lot-judged", Numerals).value = f"{lot.judged}/{len(lot.sample)}"
        bad = self.query_one("#lot-bad", Numerals)
        bad.stale = self.query_one("#lot-judged", Numerals).stale = False
        bad.caption = f"nonconforming, Ac {lot.ac} Re {lot.re}"
        bad.value = f"{len(lot.nonconforming)}"
        verdict = ", ".join((verdict_word(lot).upper(), *lot.cautions))
        self._say("next", f"{verdict}. {finding_words(lot)}")
        refused = lot.result is LotResult.NOT_ACCEPTABLE
        self.query_one("#lot-next").set_class(refused, "-refused")
        following = lot.next_item if lot.is_open else None
        self.set_class(following is None, "-closed")
        if following is not None:
            self._say("item", f"Take item {following.number}:")
            usual = f"F9 takes {serial_of_item(lot, following)}; or Tab, and type another"
            self.box.placeholder = usual if made_up else HOW_TO_NAME
        if not same:
            self.box.value = ""
        self.query_one(ItemTable).show(lot, same=same)
        self.query_one(OcView).show(lot, seen.curve, seen.worth)
        self._say("history", "\n".join(seen.history_lines()))

    def _say(self, where: str, text: str) -> None:
        self.query_one(f"#lot-{where}", Static).update(text)
