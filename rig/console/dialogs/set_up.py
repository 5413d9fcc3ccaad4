"""What the dialogs share that set a study of the rig up: plan and fields, checks, keeping it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import ClassVar, Generic, TypeVar

from rich.text import Text
from textual import on, work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical
from textual.message import Message
from textual.widgets import Button, Footer, Input, Select, Static

from rig.console.desk import Desk
from rig.console.feeds_off import Dialog
from rig.console.plan_outlook import PlanOutlook, look_at
from rig.console.records_reader import Sorry, or_sorry
from rig.console.widgets.field import Field, Pick
from rig.console.worker_mail import hand_over
from rig.plans import Plan
from rig.studies.order import DesignError

Answer = TypeVar("Answer")


class SetUpDialog(Dialog[Answer | None], Generic[Answer]):
    """Dismissed with what was kept, None if it was left.

    Subclasses lay out their `fields`, the field for what a `DesignError` is about being called
    ``f-`` and that name, and say in `asked` how to keep what is filled in.
    """

    filled_in = True
    title_words: ClassVar[str] = ""
    what_it_is: ClassVar[str] = ""
    usual_plan: ClassVar[str] = ""
    """The plan that is chosen at first where none is chosen on Bench, if it is there."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape", "leave", "Leave", key_display="Esc"),
        Binding("f9", "set_up", "Keep it", key_display="F9"),
        Binding("down", "app.focus_next", show=False),
        Binding("up", "app.focus_previous", show=False),
    ]
    CSS = """
    Field { margin-bottom: 0; }
    #set-up-fields { height: auto; margin-top: 1; }
    #f-measures > .line { height: 5; }
    SelectionList { height: 5; border: none; padding: 0; background: $panel; }
    #set-up-words { height: auto; margin-top: 1; color: $text-muted; }
    #set-up-trouble { height: auto; color: $error; display: none; }
    """

    class Written(Message):
        """It was kept, or why not."""

        def __init__(self, kept: object) -> None:
            super().__init__()
            self.kept = kept

    def __init__(self, desk: Desk) -> None:
        super().__init__()
        self.desk = desk
        self.chosen = PlanOutlook()
        self._writing = False

    def compose(self) -> ComposeResult:
        """Lay out what it is, the fields, what it comes to, and the buttons."""
        with Vertical(classes="dialog"):
            yield Static(self.title_words, classes="dialog-title", markup=False)
            yield Static(self.what_it_is, markup=False)
            with Vertical(id="set-up-fields"):
                yield from self.fields()
            yield Static("", id="set-up-words", markup=False)
            yield Static("", id="set-up-trouble", markup=False)
            with Horizontal(classes="dialog-choices"):
                yield Button("Leave (Esc)", id="set-up-leave", compact=True)
                yield Button("Keep it (F9)", id="set-up-keep", compact=True)
        yield Footer(compact=True, show_command_palette=False)

    def fields(self) -> Iterator[Field]:
        """Return the fields, the plan's (`plan_field`) among them."""
        raise NotImplementedError

    def asked(self, plan: Plan) -> Callable[[], Answer]:
        """Return how to keep what is filled in, to be called in a thread; or raise DesignError."""
        raise NotImplementedError

    def mistakes(self) -> dict[str, str]:
        """Return what is wrong, by what it is about, as far as each field tells by itself."""
        return {}

    def words(self) -> str:
        """Return what that comes to, in a sentence, as far as it is filled in."""
        raise NotImplementedError

    def plan_field(self) -> Field:
        """Return the field of the plan, Bench's choice chosen, or the usual one."""
        names = list(self.desk.plans())
        first = self.desk.choices.plan or self.usual_plan
        pick: Pick[str] = Pick(
            [(Text(name), name) for name in names],
            prompt="choose a plan",
            value=first if first in names else Select.NULL,
            compact=True,
            id="plan",
        )
        return Field("Plan", pick, id="f-plan")

    def typed(self, id: str) -> str:
        """Return what stands in a field."""
        return self.query_one(f"#{id}", Input).value.strip()

    # --- while it is filled in -----------------------------------------------------------------

    def on_mount(self) -> None:
        """Look at the plan that is chosen."""
        self._other_plan()

    @on(Select.Changed)
    def _other_plan(self) -> None:
        value = self.query_one("#plan", Select).value
        name = "" if value is Select.NULL else str(value)
        self.chosen = look_at(self.desk, name)
        self._tell("plan", _plan_trouble(self.chosen) if name else "")
        self.say_words()

    @on(Input.Changed)
    def _other_text(self, event: Input.Changed) -> None:
        self._tell(event.input.id or "", "")  # it was said of what stood there before
        self.say_words()

    def say_words(self) -> None:
        """Show what it comes to."""
        self.query_one("#set-up-words", Static).update(self.words())

    def on_input_submitted(self, event: Input.Submitted) -> None:
        """Go on to the next field; F9 keeps it."""
        self.entered(event.input)

    def entered(self, box: Input) -> None:
        """Do what Enter does in a field: go on to the next one."""
        self.focus_next()

    def on_button_pressed(self, event: Button.Pressed) -> None:
        """Keep it, or leave."""
        if event.button.id == "set-up-keep":
            self.action_set_up()
        else:
            self.action_leave()

    def _tell(self, about: str, sentence: str) -> None:
        """Show what is wrong at its field, or for the whole."""
        for field in self.query(f"#f-{about}").results(Field):
            field.trouble(sentence)
            return
        whole = self.query_one("#set-up-trouble", Static)
        whole.update(sentence)
        whole.display = bool(sentence)

    def _mark(self, mistakes: dict[str, str]) -> None:
        """Show mistakes at their fields, and go to the first of those."""
        for about, sentence in mistakes.items():
            self._tell(about, sentence)
        for field in self.query(Field):
            if field.has_class("-wrong"):
                field.control.focus()
                return

    # --- actions -------------------------------------------------------------------------------

    def action_leave(self) -> None:
        """Close without keeping anything."""
        self.dismiss(None)

    def action_set_up(self) -> None:
        """Keep what is filled in, or tell at the field what is wrong."""
        if self._writing:
            return
        for field in self.query(Field):
            field.trouble("")
        self._tell("", "")
        plan, mistakes = self.chosen.plan, self.mistakes()
        trouble = _plan_trouble(self.chosen)
        if trouble:
            mistakes["plan"] = trouble
        if mistakes or plan is None:
            self._mark(mistakes)
            return
        try:
            keep = self.asked(plan)
        except DesignError as error:
            self._mark({error.about: str(error)})
            return
        self._writing = True
        self._write(keep)

    @work(thread=True)
    def _write(self, keep: Callable[[], Answer]) -> None:
        hand_over(self, self.Written(or_sorry(keep)))

    def on_set_up_dialog_written(self, event: Written) -> None:
        """Close if it was kept; else say why not, with everything still there."""
        event.stop()
        self._writing = False
        if isinstance(event.kept, Sorry):
            self._tell("", f"Nothing is kept. {event.kept.text}")
        else:
            self.dismiss(event.kept)  # type: ignore[arg-type]


def _plan_trouble(chosen: PlanOutlook) -> str:
    if not chosen.name:
        return "Choose a plan: Enter opens the list."
    if not chosen.troubles:
        return ""
    more = len(chosen.troubles) - 1
    rest = f" {more} more: choose it on Bench (F2) to read them." if more else ""
    return f"{chosen.troubles[0]}{rest}"


def text_field(title: str, id: str, placeholder: str, value: str = "") -> Field:
    """Return a field to type in, called ``f-`` and its id."""
    box = Input(value, placeholder=placeholder, compact=True, id=id, select_on_focus=False)
    return Field(title, box, id=f"f-{id}")
