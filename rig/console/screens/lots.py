"""The Lots screen: deliveries judged by a sample, the next item tested, what it came to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from typing import ClassVar

from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.message import Message
from textual.widgets import ContentSwitcher, DataTable, Input, Static

from rig.console.dialogs.message import ChoiceDialog
from rig.console.dialogs.new_lot import NewLotDialog
from rig.console.letters import letter
from rig.console.lot_seen import LotSeen, look_at_lot
from rig.console.records_reader import RecordsReader, Sorry, or_sorry
from rig.console.screens.lot_pane import LotPane
from rig.console.screens.study import StudyScreen, or_none_yet
from rig.console.screens.verdict import VerdictScreen
from rig.console.widgets.lot_tables import ItemTable, LotTable
from rig.console.worker_mail import hand_over
from rig.labels import NAME_LONGEST, SERIAL_LONGEST, shown, trouble_with
from rig.lots.opening import replacement
from rig.lots.words import finding_words, offered_words, plan_words
from rig.records.errors import RecordsError
from rig.records.lot_model import ItemResult, LotItem, LotKept, LotResult
from rig.records.lot_records import LotRecords, as_named, known_from, why_not
from rig.records.model import Source
from rig.studies.order import DesignError
from rig.studies.simulated import chance_of_item, serial_of_item

NONE_YET = (
    "There is no lot yet.\n\n"
    "A delivery is judged by a sample of it, drawn at random: how many units, and how many of them "
    "may be nonconforming, the tables of ISO 2859-1 say, and the supplier's earlier lots.\n\n"
    "N opens one here; so does the command  halfturn lot open"
)
# What can be done with the one lot that is shown.
_OF_LOT = frozenset({"test", "other_part", "set_aside", "cannot", "close"})


class LotsScreen(StudyScreen):
    """Two panes: every lot, and one of them."""

    place = "lots"
    guide = (
        "Is a delivery taken? A sample of it is tested, drawn at random when the lot is opened. "
        "Open one with N; Enter goes on with the one in the list. There the next item in the order "
        "of the crate is named: put it on the jig and scan its label, and its run begins with the "
        "lot's plan; F9 begins it with the serial number that is typed. Enter shows the verdict of "
        "the item in the list. V shows the supplier's history instead of the curve, which tells "
        "how likely which quality is accepted: the dashed line is the AQL. A sets "
        "the runs of the item in the list aside, with the reason, so that it is tested again; X "
        "says that it cannot be tested. A unit that was in another lot is tested when you say why "
        "it is here again. C closes the lot, which is final. Reduced inspection, and "
        "lots that are offered again, are opened by the command  halfturn lot open"
    )
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f9", "test", "Test", key_display="F9", tooltip="begin the run of the next item"),
        letter("v", "other_part", "History", "the supplier's, or the curve again"),
        letter("a", "set_aside", "Set aside", "the runs of the item in the list, with the reason"),
        letter("x", "cannot", "Untestable", "the item in the list cannot be tested"),
        letter("c", "close", "Close", "the lot, as its sample says"),
        letter("n", "new", "New", "open a lot"),
        Binding("escape", "back", "Back", key_display="Esc", tooltip="to the lots, to Records"),
    ]
    DEFAULT_CSS = """
    LotsScreen #lots-none { display: none; height: 1fr; padding: 1 2; }
    LotsScreen.-none #lots-none { display: block; }
    LotsScreen.-none #lots-panes { display: none; }
    LotsScreen #lots-panes, LotsScreen #lots-panes > * { height: 1fr; }
    LotsScreen #lots-table { height: 1fr; }
    LotsScreen #lots-marked { height: auto; max-height: 6; padding: 0 1; color: $text-muted; }
    LotsScreen.-tall LotPane #lot-count { height: 6; margin-top: 1; }
    LotsScreen.-wide LotPane #lot-count Numerals { width: 36; }
    LotsScreen.-tall LotPane #lot-history-part { display: block; margin-top: 1; }
    LotsScreen.-tall LotPane #lot-curve { display: block; height: 14; }
    """

    class Read(Message):
        """The lots, and one of them with all that is shown; or why they could not be read."""

        def __init__(self, asked: int, found: tuple[list[LotKept], LotSeen | None] | Sorry) -> None:
            super().__init__()
            self.asked = asked
            self.found = found

    class Done(Message):
        """What was asked for was done (None), or why not."""

        def __init__(self, sorry: Sorry | None) -> None:
            super().__init__()
            self.sorry = sorry

    def __init__(self) -> None:
        super().__init__()
        self._lots: list[LotKept] = []
        self._seen: LotSeen | None = None
        self._lot_name = ""

    def body(self) -> ComposeResult:
        """Lay the list and the lot out over each other."""
        yield Static("", id="lots-none", markup=False)
        with ContentSwitcher(initial="list-pane", id="lots-panes"):
            with Vertical(id="list-pane"):
                yield LotTable(id="lots-table")
                yield Static("", id="lots-marked", markup=False)
            yield LotPane(id="lot-pane")

    # --- what is shown -------------------------------------------------------------------------

    @property
    def lot(self) -> LotKept | None:
        """The lot that is shown, as it was read last; None on the list."""
        seen = self._seen
        return seen.lot if seen is not None and self._lot_name else None

    def read_again(self) -> None:
        """Read the lots, and the one that is shown."""
        if self.lot is not None:
            self.query_one(LotPane).show_reading()
        self._read(self.desk.reading, self.ask_again(), self._lot_name)

    @work(thread=True, exclusive=True, group="lots")
    def _read(self, reading: RecordsReader, asked: int, name: str) -> None:
        def read() -> tuple[list[LotKept], LotSeen | None]:
            lots = reading.lots()
            lot = next((one for one in lots if one.name == name), None)
            return lots, None if lot is None else look_at_lot(lot, lots)

        hand_over(self, self.Read(asked, or_sorry(read)))

    def on_lots_screen_read(self, event: Read) -> None:
        """Show them."""
        event.stop()
        if not self.was_asked_last(event.asked):
            return
        found, before = event.found, self._seen
        self._lots, self._seen = ([], None) if isinstance(found, Sorry) else found
        if not self._lots:
            said = or_none_yet(found, NONE_YET) if isinstance(found, Sorry) else NONE_YET
            self.query_one("#lots-none", Static).update(said)
        self.set_class(not self._lots, "-none")
        if self._seen is None:
            self._lot_name = ""
            marked = self.query_one(LotTable).chosen
            self.query_one(LotTable).show(self._lots, marked.name if marked else "")
            self._switch("list-pane", LotTable)
        else:
            same = before is not None and before.lot.name == self._lot_name
            self.query_one(LotPane).show(self._seen, same=same, made_up=self.desk.has_world)
            self._switch("lot-pane", ItemTable)

    def _switch(self, pane: str, table: type[LotTable | ItemTable]) -> None:
        panes = self.query_one("#lots-panes", ContentSwitcher)
        if panes.current != pane or self.focused is None:
            panes.current = pane
            self.query_one(table).focus()
        self.refresh_bindings()

    def on_data_table_row_highlighted(self, event: DataTable.RowHighlighted) -> None:
        """Say of the lot in the list how it stands."""
        event.stop()
        lot = self.query_one(LotTable).chosen
        if isinstance(event.data_table, LotTable) and lot is not None:
            said = f"{lot.name}: {offered_words(lot)}; {plan_words(lot)}. {finding_words(lot)}"
            self.query_one("#lots-marked", Static).update(said)
        self.refresh_bindings()

    def on_data_table_row_selected(self, event: DataTable.RowSelected) -> None:
        """Open the lot in the list, or the verdict of the item's last run."""
        event.stop()
        if isinstance(event.data_table, LotTable):
            lot = self.query_one(LotTable).chosen
            if lot is not None:
                self._open(lot.name)
            return
        item = self.query_one(LotPane).item
        run = None if item is None else item.run or next(reversed(item.runs), None)
        if run is None:
            self.say("This item has no run yet.")
        else:
            self.app.get_screen("verdict", VerdictScreen).show_run(run.run_id)
            self.app.go("verdict")

    def _open(self, name: str) -> None:
        self._lot_name = name
        self.read_again()

    # --- what can be done ------------------------------------------------------------------------

    def check_action(self, action: str, parameters: tuple[object, ...]) -> bool | None:
        """Offer what the pane has, and only what can be done now."""
        lot = self.lot
        if action == "new":
            return lot is None
        if action not in _OF_LOT:
            return super().check_action(action, parameters)
        if lot is None:
            return False
        if action == "other_part":
            return not self.has_class("-tall")
        if not self.is_read:
            return False
        match action:
            case "test":
                return lot.is_open and lot.next_item is not None
            case "close":
                return lot.is_open
        item = self.query_one(LotPane).item
        if not lot.is_open or item is None or item.on_jig is not None:
            return False
        if action == "cannot":
            return item.result is ItemResult.LEFT
        return any(not run.set_aside for run in item.runs)

    def action_other_part(self) -> None:
        """Show the supplier's history instead of the curve, or the curve again."""
        self.query_one(LotPane).toggle_class("-history")

    def action_back(self) -> None:
        """Go back to the list, from there to Records."""
        if self.lot is None:
            self.app.go("records")
        else:
            self._open("")

    def action_new(self) -> None:
        """Open a lot, and show it."""
        if not self._who():
            return

        def closed(name: str | None) -> None:
            if name is not None:
                self._open(name)

        self.app.push_screen(NewLotDialog(self.desk, self._lots), closed)

    # --- the next item -------------------------------------------------------------------------

    def scanned(self, label: str) -> None:
        """Test the unit that was scanned as the lot's next item."""
        lot = self.lot
        if lot is None or not lot.is_open or self.desk.live.on:
            super().scanned(label)
        else:
            self._test(lot, label)

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Test the unit that was typed."""
        event.stop()
        self.action_test()

    def action_test(self) -> None:
        """Test the unit that was typed as the lot's next item."""
        lot = self.lot
        if lot is None:
            return
        box, item = self.query_one(LotPane).box, lot.next_item
        serial = box.value.strip()
        if not serial and item is not None and self.desk.has_world:
            serial = serial_of_item(lot, item)
        if serial:
            self._test(lot, serial)
        elif item is not None:
            box.focus()
            self.say(f"Scan the label of item {item.number}, or type its serial number.")

    def typed(self, text: str) -> None:
        """Go on with it in the field for the next item's serial number."""
        lot = self.lot
        if lot is None or not lot.is_open or not self.is_current:
            return
        box = self.query_one(LotPane).box
        box.value = f"{box.value}{text}"
        box.focus()
        box.cursor_position = len(box.value)

    def _test(self, lot: LotKept, serial: str) -> None:
        """Begin the run of the next item, or say why not."""
        if not self.is_read:
            self.say(f"{shown(serial)} was not taken: the lot is still being read. Once more.")
            return
        item = lot.next_item
        if item is None:
            self.say(finding_words(lot))
            return
        serial = as_named(item, serial)
        objection = self._objection(lot, item, serial)
        if objection:
            self.say(f"{objection} Nothing was fed.", error=True)
            return
        said = known_from(lot, item, serial, self._lots)
        if said:
            self._ask_why_again(lot, item, serial, said)
            return
        plan = self.kept_plan(lot.plan_text, lot.plan_name, "lot")
        if plan is None:
            return
        desk = self.desk
        order = self.order_for(
            plan,
            serial,
            desk.station.name,
            desk.choices.operator,
            lot.name[:NAME_LONGEST],
            chance_of_item(lot, item),
        )
        if order is None:
            return
        order = replace(order, source=Source.DELIVERY_LOT, lot_item=item.item_id)
        if self.app.begin(order):
            self.query_one(LotPane).box.value = ""
            self.app.go("live")
            self.say(f"This is item {item.number} of {lot.name}.")

    def _ask_why_again(self, lot: LotKept, item: LotItem, serial: str, said: str) -> None:
        """Ask why a unit that was in another lot is tested in this; F9 begins its run then."""
        who = self._who()
        if not who:
            return
        self.query_one(LotPane).box.value = serial
        reading = self.desk.reading
        self.ask_reason(
            f"item {item.number} here?",
            f"{said}. Why is it",
            "why it is here again; Esc if its label was misread",
            lambda reason: reading.of_lots(
                lambda lots: lots.seen_before(
                    lot.name, item.number, serial, reason, who, datetime.now(UTC)
                )
            ),
        )

    def _objection(self, lot: LotKept, item: LotItem, serial: str) -> str:
        trouble = trouble_with(serial, SERIAL_LONGEST)
        if trouble:
            return f"The serial number {trouble}"
        if lot.simulated != self.desk.simulated:
            world = "on the simulated bench" if lot.simulated else "on a real bench"
            return f"The lot {shown(lot.name)} is tested {world}."
        return why_not(lot, item, serial)

    # --- by hand -------------------------------------------------------------------------------

    def action_set_aside(self) -> None:
        """Ask why, and set the runs of the item in the list aside."""
        self._with_reason(
            "Set aside the runs of",
            "why they do not count: a bad connection, a label misread",
            lambda lots, lot, item, reason, who: lots.set_aside(
                lot.name, item.number, reason, who, datetime.now(UTC)
            ),
        )

    def action_cannot(self) -> None:
        """Ask what is made of the item in the list, which cannot be tested, and why."""
        lot, item = self.lot, self.query_one(LotPane).item
        if lot is None or item is None:
            return

        def closed(answer: str | None) -> None:
            if answer in ("counts", "replace"):
                self._with_reason(
                    "Cannot be tested:",
                    "why: damaged on the way, lost",
                    lambda lots, lot, item, reason, who: _not_testable(
                        lots, lot, item, reason, who, replaced=answer == "replace"
                    ),
                )

        text = (
            f"What is made of item {item.number}? A unit that the supplier damaged is a "
            "nonconforming one. One that was damaged here, or that is out of reach, is replaced by "
            "another, drawn at random."
        )
        choices = (
            ("leave", "Leave (Esc)"),
            ("counts", "Count as nonconforming"),
            ("replace", "Draw another"),
        )
        dialog = ChoiceDialog(f"Item {item.number} cannot be tested", text, choices)
        self.app.push_screen(dialog, closed)

    def action_close(self) -> None:
        """Ask once more, and close the lot as its sample says."""
        lot, who = self.lot, self._who()
        if lot is None or not who:
            return
        if lot.result is LotResult.OPEN:
            self.say(f"It cannot be closed yet. {finding_words(lot)}")
            return

        def closed(answer: str | None) -> None:
            if answer == "close":
                self._do(lambda lots: lots.close(lot.name, who, datetime.now(UTC)))

        text = (
            f"{finding_words(lot)}\n\nA closed lot is final, and counts for how the supplier's "
            f"next one is inspected. It is closed in the name of {who}."
        )
        choices = (("leave", "Leave it open (Esc)"), ("close", "Close it"))
        self.app.push_screen(ChoiceDialog(f"Close the lot {lot.name}?", text, choices), closed)

    def _with_reason(
        self,
        title: str,
        placeholder: str,
        do: Callable[[LotRecords, LotKept, LotItem, str, str], object],
    ) -> None:
        """Ask why, and do something with the item in the list."""
        lot, item, who = self.lot, self.query_one(LotPane).item, self._who()
        if lot is None or item is None or not who:
            return
        reading = self.desk.reading
        self.ask_reason(
            f"item {item.number}",
            title,
            placeholder,
            lambda reason: reading.of_lots(lambda lots: do(lots, lot, item, reason, who)),
        )

    def _who(self) -> str:
        """Return who decides; empty, told what to do, if nobody has said so."""
        who = self.desk.choices.operator.strip()
        if not who:
            self.say("Fill in the operator on Bench (F2): the lot's report names who does this.")
        return who

    @work(thread=True)
    def _do(self, do: Callable[[LotRecords], object]) -> None:
        reading = self.desk.reading
        done = or_sorry(lambda: reading.of_lots(do))
        hand_over(self, self.Done(done if isinstance(done, Sorry) else None))

    def on_lots_screen_done(self, event: Done) -> None:
        """Show what it has come to, or say why it was not done."""
        event.stop()
        if event.sorry is not None:
            self.say(event.sorry.text, error=True)
        self.read_again()


def _not_testable(
    lots: LotRecords, lot: LotKept, item: LotItem, reason: str, who: str, *, replaced: bool
) -> None:
    try:
        drawn = replacement(lots.lot(lot.name)) if replaced else None
    except DesignError as error:
        raise RecordsError(str(error)) from error
    lots.not_testable(lot.name, item.number, reason, who, datetime.now(UTC), replaced_by=drawn)
