"""From a worker thread to the screen that asked."""

from __future__ import annotations

from contextlib import suppress

from textual.message import Message
from textual.message_pump import MessagePump


def hand_over(to: MessagePump, message: Message) -> None:
    """Post ``message`` from a thread; whoever asked may have gone meanwhile, and nobody minds."""
    # Textual raises RuntimeError where there is no application, or no loop, any more.
    with suppress(RuntimeError):
        to.post_message(message)
