"""`halfturn sheet`: what leaves the shop, and whether it is still what the records say."""

from __future__ import annotations

import argparse
import json
import re
from collections.abc import Callable
from pathlib import Path

from rig.commands import exits
from rig.commands.common import (
    need_printable,
    open_records,
    records_path,
    run_named,
    settings_or_starter,
)
from rig.commands.exits import CommandError
from rig.commands.streams import say
from rig.labels import NAME_LONGEST
from rig.records.compare import in_order
from rig.records.errors import RecordsError
from rig.records.model import RunRecord
from rig.records.show import SHORT_ID
from rig.records.store import Store
from rig.settings import RigSettings
from rig.sheets.document import Document
from rig.sheets.letterhead import Letterhead, copy_templates, letterhead_in
from rig.sheets.printing import (
    PrintError,
    file_name,
    folder_for,
    lot_name,
    pair_name,
    send_to_printer,
    write_pages,
    write_pdf,
)

DPI_LEAST, DPI_MOST = 50.0, 600.0


def run(options: argparse.Namespace) -> int:
    """Do what the command line asks with sheets."""
    if options.action == "template":
        return _template(options)
    settings = settings_or_starter(options)
    records = records_path(options, settings)
    actions: dict[str, Callable[[Store, RigSettings, argparse.Namespace], int]] = {
        "make": _make,
        "label": _label,
        "before-after": _before_after,
        "lot": _lot,
        "verify": _verify,
    }
    with open_records(records) as store:
        return actions[options.action](store, settings, options)


def _make(store: Store, settings: RigSettings, options: argparse.Namespace) -> int:
    from rig.sheets.of_record import document_of

    record = store.run(run_named(store, options.run))
    letterhead = _letterhead(settings, record)
    document = document_of(store, record, letterhead, options.paper or "")
    return _written(document, file_name(record), store, settings, options)


def _before_after(store: Store, settings: RigSettings, options: argparse.Namespace) -> int:
    from rig.sheets.before_after import NotOneUnitError, before_after

    one, other = (store.run(run_named(store, name)) for name in (options.before, options.after))
    try:
        letterhead = _letterhead(settings, other)
        document = before_after(store, one, other, letterhead, options.paper or "")
    except NotOneUnitError as error:
        raise CommandError(exits.USAGE, str(error)) from None
    name = pair_name(*in_order(one, other))
    return _written(document, name, store, settings, options)


def _lot(store: Store, settings: RigSettings, options: argparse.Namespace) -> int:
    from rig.sheets.lot_finding import finding_of
    from rig.sheets.lot_report import LOT_MOST, lot_report

    asked, finding = options.lot or options.reference, None
    if sum((bool(options.run), options.reference is not None, options.lot is not None)) != 1:
        raise CommandError(
            exits.USAGE,
            "say which runs: their identifiers, --reference with a job or lot, or --lot with a lot "
            "that is judged by a sample.",
        )
    if options.lot is not None:
        judged = store.lots.lot(options.lot)
        finding = finding_of(judged, store.lots.all(supplier=judged.supplier))
        names = [run.run_id for item in judged.items for run in item.runs]
    elif options.reference is not None:
        need_printable("--reference", options.reference, NAME_LONGEST)
        names = [
            one.run_id
            for one in store.runs(reference=options.reference, plan=options.plan, limit=None)
        ]
        if not names:
            raise RecordsError(f"There is no run of job or lot {options.reference} here.")
    else:
        names = list(
            dict.fromkeys(store.run(run_named(store, name)).run_id for name in options.run)
        )
    if len(names) > LOT_MOST:
        raise CommandError(
            exits.USAGE, f"{len(names)} runs are too many for one report; {LOT_MOST} at most."
        )
    summed = list(store.whole_runs(names))
    first = summed[0][0].start if summed else None
    rig_name = settings.name if first is None else first.rig_name
    letterhead = letterhead_in(settings.folder, rig_name)
    asides = store.lots.set_aside_of(names)
    document = lot_report(summed, letterhead, options.paper or "", finding, asides)
    told = (asked, options.plan) if asked is not None else tuple(map(str, names))
    called = asked if first is None else first.reference
    name = lot_name(called or str(names[0])[:SHORT_ID], told)
    return _written(document, name, store, settings, options)


def _letterhead(settings: RigSettings, record: RunRecord) -> Letterhead:
    return letterhead_in(settings.folder, record.start.rig_name)


def _written(
    document: Document,
    name: str,
    store: Store,
    settings: RigSettings,
    options: argparse.Namespace,
) -> int:
    """Write a document as the command line asks, print it if asked, and say where it is."""
    if not DPI_LEAST <= options.dpi <= DPI_MOST:
        raise CommandError(
            exits.USAGE, f"--dpi must be from {DPI_LEAST:g} to {DPI_MOST:g} for a sheet."
        )
    pdf, png = _places(options.out, name, store, settings, png=options.png)
    if options.print and not settings.sheets.print_words:
        raise CommandError(
            exits.USAGE,
            "--print needs a program that prints: say which with print_with in [sheets] of the rig "
            'file, for example print_with = "lp".',
        )
    files = [] if pdf is None else [write_pdf(document, pdf)]
    if png is not None:
        files += write_pages(document.pages(options.dpi), png)
    if options.print:
        if pdf is None:
            raise CommandError(exits.USAGE, "--print prints the PDF; let --out end in .pdf.")
        _print(pdf, settings)
    _tell(document, files, as_json=options.json)
    return exits.PASS


def _places(
    out: str | None, name: str, store: Store, settings: RigSettings, *, png: bool
) -> tuple[Path | None, Path | None]:
    """Return where the PDF goes and where the PNG does; None for what is not wanted."""
    if out is None:
        path = folder_for(settings, store.path) / f"{name}.pdf"
        return path, path.with_suffix(".png") if png else None
    path = Path(out)
    match path.suffix.lower():
        case ".pdf":
            return path, path.with_suffix(".png") if png else None
        case ".png":
            return None, path
    raise CommandError(exits.USAGE, f"a sheet is saved as .pdf or .png, not as '{path.name}'.")


def _print(path: Path, settings: RigSettings) -> None:
    try:
        send_to_printer(path, settings.sheets.print_words)
    except PrintError as error:
        raise CommandError(exits.FILES, str(error)) from None


def _tell(document: Document, files: list[Path], *, as_json: bool) -> None:
    if as_json:
        found = {
            "kind": document.kind,
            "files": [str(file) for file in files],
            "code": document.data["code"] or None,
            "marks": [mark["word"] for mark in document.data["marks"]],
        }
        say(json.dumps(found, indent=2))
        return
    for file in files:
        say(f"{file}: {document.data['title']}")


def _label(store: Store, settings: RigSettings, options: argparse.Namespace) -> int:
    from rig.sheets.label import LabelError, LabelSize, label_of

    record = store.run(run_named(store, options.run))
    width_mm, height_mm = _size(options.size)
    path = (
        Path(options.out)
        if options.out
        else (folder_for(settings, store.path) / f"{file_name(record, 'label')}.png")
    )
    if path.suffix.lower() != ".png":
        raise CommandError(exits.USAGE, f"a label is saved as .png, not as '{path.name}'.")
    try:
        size = LabelSize(width_mm, height_mm, options.dpi)
        page = label_of(record, store.checksum(record.run_id), size, _letterhead(settings, record))
    except LabelError as error:
        raise CommandError(exits.USAGE, str(error)) from None
    write_pages([page], path)
    if options.json:
        say(json.dumps({"kind": "label", "files": [str(path)]}, indent=2))
    else:
        say(f"{path}: label of run {record.run_id}")
    return exits.PASS


def _size(text: str) -> tuple[float, float]:
    found = re.fullmatch(r"(\d{1,4}(?:\.\d{1,3})?)\s*[x×]\s*(\d{1,4}(?:\.\d{1,3})?)", text.strip())
    if found is None:
        raise CommandError(
            exits.USAGE, f"--size is width x height in mm, such as 62x29, not '{text[:20]}'."
        )
    return float(found[1]), float(found[2])


def _verify(store: Store, settings: RigSettings, options: argparse.Namespace) -> int:
    from rig.sheets.code import CodeError, read_code
    from rig.sheets.standing import marks_of
    from rig.sheets.verify import Found, verify

    text = " ".join(options.code)
    try:
        code = read_code(text)
        found = verify(store, code)
        if found.found is not Found.UNCHANGED:
            code.need_sure()
    except CodeError as error:
        raise CommandError(
            exits.USAGE,
            f"this is no whole code of a sheet: {error}. Scan it, or type it from the sheet's last "
            "lines.",
        ) from None
    if options.json:
        record = found.record
        verdict = None if record is None or record.end is None else record.end.judgement
        marks = () if record is None else marks_of(record)
        say(
            json.dumps(
                {
                    "found": str(found.found),
                    "run_id": str(code.run_id),
                    "text": found.text,
                    "unit_serial": None if record is None else record.start.unit_serial,
                    "state": None if record is None else str(record.state),
                    "verdict": None if verdict is None else str(verdict.verdict),
                    "marks": [mark.word for mark in marks],
                    "simulated": None if record is None else record.start.simulated,
                },
                indent=2,
            )
        )
    else:
        say(found.text)
    return {
        Found.UNCHANGED: exits.PASS,
        Found.CHANGED: exits.FAIL,
        Found.NOT_HERE: exits.RECORDS,
    }[found.found]


def _template(options: argparse.Namespace) -> int:
    settings = settings_or_starter(options)
    written = copy_templates(settings.folder)
    for path in written:
        say(str(path))
    if not written:
        say(f"All of them are in {settings.folder / 'sheets'} already; nothing was changed.")
    return exits.PASS
