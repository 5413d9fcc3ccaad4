"""The console's own colours: soil and water, readable in sun and with 256 colours."""

from __future__ import annotations

from textual.theme import Theme

FIELD = Theme(
    name="field",
    primary="#7fb8c9",
    secondary="#b9a878",
    accent="#e0b050",
    warning="#e8a33d",
    error="#f0705a",
    success="#8fc78a",
    foreground="#e4e0d4",
    background="#14181a",
    surface="#1b2124",
    panel="#232b2f",
    dark=True,
    variables={"footer-key-foreground": "#e0b050", "block-cursor-text-style": "reverse"},
)
DAYLIGHT = Theme(
    name="daylight",
    primary="#1f5c73",
    secondary="#6b5a24",
    accent="#8a5a00",
    warning="#8a5a00",
    error="#a52714",
    success="#2c6b2f",
    foreground="#1c1f20",
    background="#f4f1e8",
    surface="#ebe7da",
    panel="#dfdac9",
    dark=False,
    variables={"footer-key-foreground": "#8a5a00", "block-cursor-text-style": "reverse"},
)
