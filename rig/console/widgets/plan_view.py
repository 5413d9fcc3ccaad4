"""A plan read out before it runs: what keeps it from starting, its steps, its limits."""

from __future__ import annotations

from rich.table import Table
from rich.text import Text
from textual.app import ComposeResult
from textual.containers import VerticalScroll
from textual.widgets import Static

from rig.console.plan_outlook import PlanOutlook
from rig.console.plan_words import (
    decided_by,
    duration_words,
    guard_words,
    limit_words,
    not_judged,
    step_words,
)
from rig.plan_steps import (
    HALF_TURN_GUESS_S,
    AnyStep,
    RelayCheckStep,
    SupplySweepStep,
    VisualStep,
)
from rig.plans import Plan

_HEADINGS = {
    "troubles": "Cannot start",
    "cautions": "To know",
    "steps": "What it does",
    "limits": "What it judges by",
    "guard": "When the rig cuts off",
    "sensor": "What the rig sees",
}


class PlanView(VerticalScroll, can_focus=True):
    """Shows a `PlanOutlook`; scrolled by the arrow keys when it has the focus."""

    DEFAULT_CSS = """
    PlanView { padding: 1 1 0 2; border-left: vkey $panel; scrollbar-size-vertical: 1; }
    PlanView:focus { border-left: heavy $primary; text-style: none; }
    PlanView > .title { text-style: bold; color: $accent; }
    PlanView:focus > .title { text-style: bold reverse; }
    PlanView > .sub { color: $text-muted; }
    PlanView > .heading { margin-top: 1; text-style: bold; color: $primary; }
    PlanView > #troubles-heading { color: $error; text-style: bold reverse; width: auto; }
    PlanView > #cautions-heading { color: $warning; }
    """

    def compose(self) -> ComposeResult:
        """Lay out the parts; empty ones are hidden."""
        yield Static("", classes="title", markup=False)
        yield Static("", classes="sub", markup=False)
        for part, heading in _HEADINGS.items():
            yield Static(heading, id=f"{part}-heading", classes="heading", markup=False)
            yield Static("", id=f"{part}-text", markup=False)

    def show(self, chosen: PlanOutlook, *, programmable: bool) -> None:
        """Show ``chosen``; ``programmable``: the rig's supply can be set."""
        plan = chosen.plan
        self.query_one(".title", Static).update(
            plan.title if plan else chosen.name or "No plan yet"
        )
        self.query_one(".sub", Static).update(_sub(chosen, programmable=programmable))
        self._part("troubles", _sentences(chosen.troubles, chosen.next_action))
        self._part("cautions", _sentences(chosen.cautions))
        self._part("steps", _steps(plan, programmable=programmable) if plan else None)
        self._part("limits", _limits(plan) if plan else None)
        self._part("guard", Text(guard_words(plan.guard)) if plan else None)
        self._part("sensor", Text(f"{chosen.sensor}.") if chosen.sensor else None)
        self.scroll_home(animate=False)

    def _part(self, name: str, shown: Table | Text | None) -> None:
        heading, text = self.query_one(f"#{name}-heading"), self.query_one(f"#{name}-text", Static)
        heading.display = text.display = shown is not None
        text.update(shown or "")


def _sub(chosen: PlanOutlook, *, programmable: bool) -> str:
    plan = chosen.plan
    if not chosen.name:
        return "Choose one on the left; what it does and asks for is told here."
    if plan is None:
        return "Its file cannot be used as it is."
    steps = [s for s in plan.steps if programmable or not _left_out(s)]
    run_s = sum(_expected_s(step, programmable=programmable) for step in steps)
    asked = sum(len(step.checks) for step in steps if isinstance(step, VisualStep))
    answers = f" and {asked} questions to answer" if asked else ""
    return f"{plan.unit.type}, {plan.unit.nominal_v:g} V. About {duration_words(run_s)}{answers}."


def _expected_s(step: AnyStep, *, programmable: bool) -> float:
    if isinstance(step, RelayCheckStep) and not programmable:
        return step.without_supply_s(HALF_TURN_GUESS_S)
    return step.expected_s(HALF_TURN_GUESS_S)


def _left_out(step: object) -> bool:
    return isinstance(step, SupplySweepStep) and step.needs_supply == "skip"


def _sentences(sentences: tuple[str, ...], last: str = "") -> Table | None:
    if not sentences:
        return None
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=2 if len(sentences) > 9 else 1, no_wrap=True)
    grid.add_column(ratio=1)
    many = len(sentences) > 1
    for number, sentence in enumerate(sentences, start=1):
        grid.add_row(str(number) if many else "!", Text(sentence))
    if last:
        grid.add_row("»", Text(last, style="bold"))
    return grid


def _steps(plan: Plan, *, programmable: bool) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(justify="right", no_wrap=True)
    grid.add_column(ratio=1)
    grid.add_column(justify="right", no_wrap=True)
    for number, step in enumerate(plan.steps, start=1):
        expected_s = _expected_s(step, programmable=programmable)
        length = duration_words(expected_s) if expected_s else ""
        words = Text.assemble((step.label, "bold"), ": ", step_words(step))
        if _left_out(step) and not programmable:
            words, length = Text.assemble((step.label, "bold"), ": left out on this rig"), ""
        grid.add_row(str(number), words, length)
    return grid


def _limits(plan: Plan) -> Table:
    grid = Table.grid(padding=(0, 1), expand=True)
    grid.add_column(width=13, no_wrap=True)
    grid.add_column(ratio=1)
    last = ""
    for name, words in limit_words(plan.limits):
        grid.add_row("" if name == last else name, Text(words))
        last = name
    if rule := decided_by(plan.decision):
        grid.add_row("Decision", Text(rule))
    missing = not_judged(plan.limits)
    if missing:
        grid.add_row("Not judged", Text(", ".join(missing), style="dim"))
    return grid
