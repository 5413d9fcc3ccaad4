"""SCPI replies: numbers, switch states and entries of the error queue (SCPI-1999, IEEE 488.2)."""

from __future__ import annotations

import math
import re
from typing import NamedTuple

NOT_A_NUMBER = 9.91e37  # SCPI-1999 volume 1, 7.2.1.5: what an instrument sends for "not a number"

# The numeric responses of IEEE 488.2 (from memory); float() alone would take "1_2" too.
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_ERROR_REPLY = re.compile(r'\s*([+-]?\d{1,9})\s*,\s*"(.*)"\s*$')
_CLASSES = ((100, "command"), (200, "execution"), (300, "device"), (400, "query"))


class ScpiError(NamedTuple):
    """One entry of an instrument's error queue.  Number 0 means that the queue is empty."""

    number: int
    text: str

    @property
    def kind(self) -> str:
        """Error class of SCPI-1999 volume 2, 21.8: command, execution, device, query or other."""
        for first, kind in _CLASSES:
            if first <= -self.number < first + 100:
                return kind
        return "device" if self.number > 0 else "other"

    def __str__(self) -> str:
        return f"{self.number} {self.text}"


def parse_error(reply: str) -> ScpiError:
    """Read a reply to ``SYSTem:ERRor?``; ValueError if it has not that form."""
    match = _ERROR_REPLY.match(reply)
    if match is None:
        raise ValueError(f"{reply!r} is not an entry of an error queue")
    return ScpiError(int(match[1]), match[2].replace('""', '"'))


def parse_number(reply: str) -> float:
    """Read a number in any of the NR1, NR2, NR3 forms; ValueError if it is none or not finite."""
    if not _NUMBER.fullmatch(reply.strip()):
        raise ValueError(f"{reply!r} is no number")
    value = float(reply)
    if not math.isfinite(value) or value == NOT_A_NUMBER:
        raise ValueError(f"{reply!r} stands for no number")
    return value


def parse_switch(reply: str) -> bool:
    """Read the reply of a switch: 1 or 0, as instruments should, or ON or OFF, as some do."""
    word = reply.strip().upper()
    if word not in ("0", "1", "OFF", "ON"):
        raise ValueError(f"{reply!r} is neither on nor off")
    return word in ("1", "ON")
