"""The code on a sheet: which run it belongs to, and what its record's checksum was.

``HT1:`` and the run's identifier (32 characters, hexadecimal), ``:`` and the first 80 bits of the
checksum (20 characters), then a check character over both by ISO/IEC 7064, MOD 37,36: it finds
every single mistyped character and all but a few of two swapped ones.  All of it is in the
alphanumeric set of QR codes (ISO/IEC 18004): 58 characters fit version 3 at level M, 29 modules.

Why 80 bits are enough: whoever changes a record so that its sheet still fits needs a second
record with the same 80 bits, 2**80 tries on average (at a thousand million a second, 38 million
years).  It is no signature: who keeps the records can print another sheet.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from uuid import UUID

PREFIX = "HT1"
BITS = 80
_DIGITS = BITS // 4
_SIGNS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_MEANT = str.maketrans("OIL", "011")  # read off paper; hexadecimal has none of these

_SLIP = "a character is mistyped or two are swapped: its check character differs"


class CodeError(ValueError):
    """What was given is no code of a sheet; the message says why."""


@dataclass(frozen=True, slots=True)
class SheetCode:
    """A run's identifier and the first `BITS` bits of its checksum, hexadecimal, lower case.

    ``unsure``: its check character is right only if an O was read for a zero, or the like.  If no
    record fits, such a code is mistyped.
    """

    run_id: UUID
    digits: str
    unsure: bool = field(default=False, compare=False)

    @classmethod
    def of(cls, run_id: UUID, checksum: str) -> SheetCode:
        """Return the code of a run with this checksum (64 hexadecimal digits)."""
        return cls(run_id, checksum[:_DIGITS].lower())

    @property
    def text(self) -> str:
        """What stands in the QR code."""
        run_id, digits = self.run_id.hex.upper(), self.digits.upper()
        return f"{PREFIX}:{run_id}:{digits}{check_character(run_id + digits)}"

    @property
    def printed(self) -> str:
        """The same in groups of four, as it is printed to be typed."""
        _, run_id, rest = self.text.split(":")
        return f"{PREFIX} {_grouped(run_id)} : {_grouped(rest)}"

    def fits(self, checksum: str) -> bool:
        """Tell whether a record with this checksum is what was printed."""
        return checksum.lower().startswith(self.digits)

    def need_sure(self) -> None:
        """Raise CodeError if it is unsure: for who finds that it fits nothing."""
        if self.unsure:
            raise CodeError(_SLIP)


def read_code(text: str) -> SheetCode:
    """Return the code in ``text``, scanned or typed: case, blanks, dashes and colons are nothing.

    A zero may be typed as O and a one as I or L; the check character, which may be any of them, the
    other way round too.  Raises CodeError with what is wrong.
    """
    plain = re.sub(r"[\s:\-–—·.]", "", text).upper()
    if not plain.startswith(PREFIX):
        raise CodeError(f"it does not begin with {PREFIX}, as the code on every sheet does")
    body = plain.removeprefix(PREFIX)
    wanted = 32 + _DIGITS + 1
    if len(body) != wanted:
        raise CodeError(f"it has {len(body)} characters after {PREFIX}; a whole one has {wanted}")
    digits, check = body[:-1].translate(_MEANT), body[-1]
    if not re.fullmatch(r"[0-9A-F]+", digits):
        raise CodeError("it has characters other than 0 to 9 and A to F")
    right = check_character(digits)
    if right.translate(_MEANT) != check.translate(_MEANT):
        raise CodeError(_SLIP)
    return SheetCode(UUID(hex=digits[:32]), digits[32:].lower(), unsure=right != check)


def check_character(text: str) -> str:
    """Return the check character of ``text`` (0 to 9, A to Z): ISO/IEC 7064, MOD 37,36."""
    product = 36
    for sign in text:
        total = (product + _SIGNS.index(sign)) % 36 or 36
        product = total * 2 % 37
    return _SIGNS[(37 - product) % 36]


def _grouped(text: str) -> str:
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))
