"""Reading a TOML file whole: what is in it, and every mistake in it, told as sentences."""

from rig.schema.kinds import (
    Choice,
    Flag,
    NameList,
    Number,
    PathText,
    Section,
    Text,
    Whole,
    show,
)
from rig.schema.lines import Lines
from rig.schema.mistakes import Clash, KeyPath, Mistake, MistakesError, key_text, nearest
from rig.schema.reader import read_text, read_toml

__all__ = [
    "Choice",
    "Clash",
    "Flag",
    "KeyPath",
    "Lines",
    "Mistake",
    "MistakesError",
    "NameList",
    "Number",
    "PathText",
    "Section",
    "Text",
    "Whole",
    "key_text",
    "nearest",
    "read_text",
    "read_toml",
    "show",
]
