"""What a power cut leaves of a folder: what was synced, and whatever else the disk got round to.

``journal.c`` is preloaded (`preloads.build`) under the program that writes, and journals what it
does to its files.  `after_cut` makes from the folder as it was before and that journal a folder
as a disk might hold it when the power fails right after the journal's end:

* Of a file, everything written before its last fsync or fdatasync began is there.  Of what was
  written since, each sector of 512 bytes is there or not, at random (never half a sector: disks
  promise that much).  A file may have grown without what was written at its end: zeros.
* A name that was made, taken away or given to another file since its folder was last synced: a
  random number of these changes have happened, in their order (as journalling file systems do it).

This is what POSIX leaves open for fsync, and stricter than common file systems are.
"""

from __future__ import annotations

import random
import shutil
import struct
from dataclasses import dataclass, field
from pathlib import Path

CREATE, WRITE, TRUNCATE, SYNC, UNLINK, RENAME, MKDIR = range(1, 8)
SECTOR = 512
_HEAD = struct.Struct("<4IQ")
_MAGIC = 0x54554321


@dataclass
class Call:
    """One call in a journal, which was ``end`` bytes long after it."""

    op: int
    path: str
    number: int
    data: bytes
    end: int


def read_journal(path):
    """Return the calls in a journal; one that was being written when the program died is not."""
    raw = Path(path).read_bytes()
    calls, at = [], 0
    while at + _HEAD.size <= len(raw):
        magic, op, path_length, data_length, number = _HEAD.unpack_from(raw, at)
        assert magic == _MAGIC
        end = at + _HEAD.size + path_length + data_length
        if end > len(raw):
            break
        name = raw[at + _HEAD.size : at + _HEAD.size + path_length].decode()
        calls.append(Call(op, name, number, raw[end - data_length : end], end))
        at = end
    return calls


@dataclass
class _File:
    """``kept`` is on the disk for sure; ``since`` are the writes and truncations after that."""

    kept: bytearray = field(default_factory=bytearray)
    since: list[Call] = field(default_factory=list)

    def sync(self, began):
        """Everything before the journal was ``began`` bytes long is on the disk."""
        while self.since and self.since[0].end <= began:
            _apply(self.kept, self.since.pop(0))

    def after_cut(self, rng):
        """Return what a cut leaves."""
        left = bytearray(self.kept)
        share = rng.choice((0.0, 1.0, rng.random()))
        for call in self.since:
            _apply(left, call, lambda: rng.random() < share)
        return left


def _apply(content, call, reached=lambda: True):
    if call.op == TRUNCATE:
        if reached():
            del content[call.number :]
            content.extend(bytes(call.number - len(content)))
        return
    at = 0
    while at < len(call.data):
        place = call.number + at
        length = min(SECTOR - place % SECTOR, len(call.data) - at)
        if reached():
            content.extend(bytes(max(place + length - len(content), 0)))
            content[place : place + length] = call.data[at : at + length]
        at += length


class Disk:
    """A folder as it is seen, and as it is on the disk, while a journal is gone through.

    A folder stands for itself among the names with None in place of a file.
    """

    def __init__(self, before):
        self.seen = {}
        for path in sorted(Path(before).rglob("*")):
            name = str(path.relative_to(before))
            self.seen[name] = None if path.is_dir() else _File(bytearray(path.read_bytes()))
        self.kept = dict(self.seen)
        self._changes = []  # (journal's end, what it does to a mapping of names)

    def _rename(self, call, change):
        self._changes.append((call, change))
        change(self.seen)

    def take(self, call):
        """Go through one call."""
        name = call.path
        if call.op in (CREATE, MKDIR):
            made = _File() if call.op == CREATE else None
            self._rename(call, lambda names: names.__setitem__(name, made))
        elif call.op == UNLINK:
            self._rename(call, lambda names: names.pop(name, None))
        elif call.op == RENAME:
            moved, new = self.seen[name], call.data.decode()

            def move(names):
                names.pop(name, None)
                names[new] = moved

            self._rename(call, move)
        elif call.op == SYNC:
            self._sync(call)
        elif (file := self.seen.get(name)) is not None:
            file.since.append(call)

    def _sync(self, call):
        file = self.seen.get(call.path)
        if file is not None:
            file.sync(call.number)
            return
        for change in list(self._changes):
            done, act = change
            if _folder_of(done.path) == call.path and done.end <= call.number:
                act(self.kept)
                self._changes.remove(change)

    def after_cut(self, target, rng):
        """Write what a cut leaves into the new folder ``target``."""
        names = dict(self.kept)
        for _, change in self._changes[: rng.randint(0, len(self._changes))]:
            change(names)
        Path(target).mkdir()
        for name in sorted(names):
            path = Path(target) / name
            if not path.parent.exists():
                continue  # its folder was lost
            if names[name] is None:
                path.mkdir()
            else:
                path.write_bytes(names[name].after_cut(rng))


def _folder_of(name):
    folder = str(Path(name).parent)
    return "" if folder == "." else folder


def after_cut(before, journal, target, seed):
    """Make in ``target`` what a cut right after the end of ``journal`` leaves of ``before``.

    ``before`` is the folder as it was when the journal began, all of it on the disk.
    """
    disk = Disk(before)
    for call in read_journal(journal):
        disk.take(call)
    disk.after_cut(target, random.Random(seed))


def copy_of(folder, target):
    """Copy a folder as it is at this moment (for `after_cut`'s ``before``)."""
    shutil.copytree(folder, target)
