"""Keys that are letters, which work with Caps Lock on as well: labels are typed in capitals."""

from __future__ import annotations

from textual.binding import Binding


def letter(
    key: str, action: str, description: str, tells: str = "", *, also: str = "", show: bool = True
) -> Binding:
    """Bind a lower-case letter and its capital, written as on the keyboard; ``also`` more keys.

    ``tells`` says what it does, for the help and the list of actions.
    """
    keys = f"{key},{key.upper()}" + (f",{also}" if also else "")
    return Binding(keys, action, description, show=show, key_display=key.upper(), tooltip=tells)
