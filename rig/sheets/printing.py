"""Sheets as files: where they go, what they are called, and the program that prints them."""

from __future__ import annotations

import hashlib
import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from uuid import UUID

from rig.records.model import RunRecord
from rig.records.show import SHORT_ID
from rig.records.store import Store
from rig.settings import RigSettings
from rig.sheets.document import Document
from rig.sheets.letterhead import letterhead_in
from rig.sheets.of_record import document_of
from rig.wholefile import whole_file

PRINT_S = 60.0
"""A program that prints is waited for so long (s)."""
DPI = 150.0

_NAME_MOST = 60


class PrintError(RuntimeError):
    """The printing program did not do it; the message says what happened and where the file is."""


def folder_for(settings: RigSettings, records: Path) -> Path:
    """Return the folder of sheets and labels."""
    if settings.sheets.folder is not None:
        return settings.folder / settings.sheets.folder
    return records.parent / "sheets"


def file_name(record: RunRecord, what: str = "") -> str:
    """Return a file's name without its ending: serial, plan and run, of harmless characters."""
    start = record.start
    parts = (start.unit_serial[:_NAME_MOST], start.plan_name, str(record.run_id)[:SHORT_ID], what)
    return "-".join(safe_name(part) for part in parts if part)


def pair_name(before: RunRecord, after: RunRecord) -> str:
    """Return the name of a file on two runs of one unit, with both their identifiers."""
    shorts = [str(run.run_id)[:SHORT_ID] for run in (before, after)]
    serial = safe_name(after.start.unit_serial[:_NAME_MOST])
    return f"{serial}-before-{shorts[0]}-after-{shorts[1]}"


def lot_name(lot: str, asked: Sequence[str | None]) -> str:
    """Return the name of a lot's file; ``asked`` is what was asked for, which tells lots apart.

    Two lots whose names differ in what a file's name cannot hold get two files.
    """
    told = hashlib.sha256(json.dumps(list(asked)).encode()).hexdigest()[:SHORT_ID]
    return f"lot-{safe_name(lot[:_NAME_MOST])}-{told}"


def safe_name(text: str) -> str:
    """Return ``text`` as a part of a file's name: letters, digits, dots and lines only."""
    kept = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "_" for c in text)
    return kept.strip(".") or "_"


def write_pdf(document: Document, path: Path) -> Path:
    """Write a document as PDF; raises OSError with the file's name, or TemplateError."""
    content = document.pdf()
    path.parent.mkdir(parents=True, exist_ok=True)
    with whole_file(path) as file:
        file.write(content)
    return path


def write_pages(pages: Sequence[bytes], path: Path) -> list[Path]:
    """Write pages as PNG: one under ``path`` itself, several numbered."""
    path.parent.mkdir(parents=True, exist_ok=True)
    numbered = [path.with_name(f"{path.stem}-{n}.png") for n in range(1, len(pages) + 1)]
    paths = [path] if len(pages) == 1 else numbered
    for page, content in zip(paths, pages, strict=True):
        with whole_file(page) as file:
            file.write(content)
    return paths


def send_to_printer(path: Path, words: Sequence[str]) -> None:
    """Start the printing program with the file's name behind its arguments, without a shell.

    Raises PrintError if it cannot be started, fails, or is not done in time.
    """
    kept = f"The sheet is in {path}: print it from there, and look at print_with in the rig file."
    try:
        done = subprocess.run(
            [*words, str(path.absolute())],
            stdin=subprocess.DEVNULL,
            capture_output=True,
            timeout=PRINT_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise PrintError(f"{words[0]} was not done after {PRINT_S:g} s. {kept}") from None
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise PrintError(f"{words[0]} could not be started: {why}. {kept}") from None
    if done.returncode:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        why = f": {said[-1]}" if said else ""
        raise PrintError(f"{words[0]} ended with status {done.returncode}{why}. {kept}")


def print_run(settings: RigSettings, records: Path, run: UUID | str) -> str:
    """Write a run's sheet where the rig keeps them and print it if it can; return where it is."""
    with Store.open(records, create=False) as store:
        record = store.run(run)
        letterhead = letterhead_in(settings.folder, record.start.rig_name)
        document = document_of(store, record, letterhead)
    path = write_pdf(document, folder_for(settings, records) / f"{file_name(record)}.pdf")
    words = settings.sheets.print_words
    if not words:
        return f"The sheet is in {path}."
    send_to_printer(path, words)
    return f"The sheet was given to {words[0]}; it is in {path} too."
