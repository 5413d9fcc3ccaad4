"""Why a unit is as it is: what stands out of a run, its stroke drawn, and every part to read."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical, VerticalScroll
from textual.message import Message
from textual.widgets import Footer, Static

from rig.console.feeds_off import Dialog
from rig.console.records_reader import Sorry, or_sorry
from rig.console.widgets.stroke_view import StrokeView
from rig.console.worker_mail import hand_over
from rig.diagnosis.model import Diagnosis, Topic
from rig.diagnosis.words import Section, heading, sections, summary

WORKING = "Working it out. This takes some seconds; Esc leaves."


class WhyDialog(Dialog[None]):
    """The diagnosis of a run, worked out in a thread of its own by ``find``."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,enter,w,W", "leave", "Close", key_display="Esc"),
    ]
    # The text is 78 columns wide, as it is printed: beside it there is room for the scrollbar only.
    CSS = """
    WhyDialog #why-dialog { width: 100%; height: 100%; border: none; padding: 0; }
    WhyDialog .dialog-title { margin-bottom: 0; }
    WhyDialog #why-text { height: 1fr; max-height: 100%; scrollbar-size-vertical: 1; }
    WhyDialog #why-text Static { height: auto; }
    """

    class Found(Message):
        """The diagnosis, or why there is none."""

        def __init__(self, found: Diagnosis | Sorry) -> None:
            super().__init__()
            self.found = found

    def __init__(self, of: str, find: Callable[[], Diagnosis]) -> None:
        super().__init__()
        self._of = of
        self._find = find

    def compose(self) -> ComposeResult:
        """Lay out the title and a text to scroll in."""
        with Vertical(id="why-dialog", classes="dialog -tall-dialog"):
            yield Static(f"Why: {self._of}", classes="dialog-title", markup=False)
            with VerticalScroll(id="why-text"):
                yield Static(WORKING, id="why-summary", markup=False)
        yield Footer(compact=True, show_command_palette=False)

    def on_mount(self) -> None:
        """Begin to work it out."""
        self.query_one("#why-text").focus()
        self._work_it_out()

    @work(thread=True, exclusive=True)
    def _work_it_out(self) -> None:
        hand_over(self, self.Found(or_sorry(self._find)))

    async def on_why_dialog_found(self, event: Found) -> None:
        """Show it, or say why it cannot be had."""
        found, head = event.found, self.query_one("#why-summary", Static)
        if isinstance(found, Sorry):
            head.update(found.text)
            return
        head.update(_summary(found))
        parts = [section for section in sections(found) if section.topic is not Topic.STROKE]
        [stroke] = [section for section in sections(found) if section.topic is Topic.STROKE]
        await self.query_one("#why-text").mount(
            Static(Text(stroke.title, style="bold"), markup=False),
            StrokeView(found.strokes, found.binds),
            Static(Text.assemble(*map(_part, parts)), id="why-parts", markup=False),
            Static(_part(stroke), id="why-stroke", markup=False),
        )

    def action_leave(self) -> None:
        """Close."""
        self.dismiss(None)


def _summary(found: Diagnosis) -> Text:
    text = Text(heading(found) + "\n")
    for sentence in summary(found):
        text.append(f"- {sentence}\n", style="bold")
    return text


def _part(section: Section) -> Text:
    text = Text("\n" + section.title + "\n", style="bold")
    for line in section.lines:
        text.append(f"{line}\n", style="not bold")
    return text
