"""Commands for what was recorded or measured elsewhere: their options."""

from __future__ import annotations

import argparse

from rig.command_line.base import number, whole
from rig.command_line.shared import add_records_file, add_rig, add_rig_file, add_run_filter


def add_judge(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn judge`."""
    parser.description = (
        "Judge a trace file (CSV with time_s,current_a,voltage_v,battery_feed,ignition_feed; "
        ".gz and '-' for standard input are fine)."
    )
    parser.add_argument("trace", help="the trace file")
    parser.add_argument("--plan", required=True, help="a plan's name or file")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--picture", metavar="FILE", help="also save a picture (.png or .svg)")
    add_rig(parser, "rig file whose uncertainties hold (default: those of a common INA219)")
    parser.set_defaults(module="judge")


def add_why(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn why`."""
    parser.description = (
        "Say why a unit behaves as it does, from a recorded run or a trace file: where its time "
        "goes, where it binds, motor, feed, relay, and which fuse would protect it when jammed. "
        "Judges nothing: ends with 0 whatever it finds."
    )
    parser.add_argument(
        "run", nargs="?", help="the run's identifier, its first characters, or last (the newest)"
    )
    parser.add_argument("--trace", metavar="FILE", help="a trace file instead of a run")
    parser.add_argument("--plan", help="with --trace: a plan's name or file")
    parser.add_argument(
        "--good",
        action="append",
        default=[],
        metavar="RUN",
        help="the run of a good unit to hold it against, again for more (default: the newest that "
        "passed by the same plan)",
    )
    parser.add_argument(
        "--unhooked",
        metavar="RUN",
        help="a run of the same unit with its cable off: tells a bind of the cable from the unit's",
    )
    parser.add_argument(
        "--ambient",
        type=number("degrees Celsius, as in --ambient 21"),
        metavar="C",
        help="degrees Celsius around the unit, if it had rested half an hour before the run",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    add_rig(parser)
    add_records_file(parser)
    parser.set_defaults(module="why")


def add_records(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn records`."""
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="the runs, newest first")
    add_run_filter(listing)
    listing.add_argument(
        "--limit",
        type=whole("how many runs to list, as in --limit 20"),
        default=50,
        help="at most so many (50)",
    )
    show = actions.add_parser("show", help="one run, whole")
    export = actions.add_parser("export", help="a run's trace and measures as files")
    export.add_argument("--trace", metavar="FILE", help="write the trace (.csv or .csv.gz)")
    export.add_argument("--half-turns", metavar="FILE", help="write the half-turns (CSV)")
    export.add_argument("--measures", metavar="FILE", help="write every measure (CSV)")
    export.add_argument("--picture", metavar="FILE", help="draw the trace (.png or .svg)")
    export.add_argument(
        "--step", type=whole("the step's number, as in --step 4"), help="only this step's trace"
    )
    out = actions.add_parser("out", help="many runs as tables, for other programs and benches")
    out.add_argument("folder", help="the folder to write; it must not be there yet")
    out.add_argument("--format", choices=("csv", "parquet"), default="csv", help="(csv)")
    out.add_argument(
        "--with-traces",
        action="store_true",
        help="the traces too; only so can another bench take the runs in",
    )
    add_run_filter(out)
    taking = actions.add_parser("take-in", help="the runs of another bench, none of them twice")
    taking.add_argument(
        "path", help="a folder that `records out --with-traces` wrote, or a records file or backup"
    )
    taking.add_argument("--dry-run", action="store_true", help="say what would come; write nothing")
    verify = actions.add_parser("verify", help="check every record and trace; changes nothing")
    backup = actions.add_parser("backup", help="a verified copy, also while a bench is writing")
    backup.add_argument("file", help="the backup's name, or a folder in which it gets a dated name")
    backup.add_argument("--replace", action="store_true", help="replace an older backup")
    restore = actions.add_parser("restore", help="put a backup in the records' place")
    restore.add_argument("file", help="the backup; the records as they are now are kept too")
    for action in (show, export):
        action.add_argument("run", help="the run's identifier, its first characters, or last")
    for action in (listing, show, export, out, taking, verify, backup, restore):
        action.add_argument("--rig", metavar="FILE", help="rig file whose records are meant")
        action.add_argument("--records", metavar="FILE", help="records file")
    for action in (listing, show, out, taking, verify, backup, restore):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="records")


def add_sheet(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn sheet`."""
    parser.description = (
        "Sheets and labels of what was recorded, as PDF and PNG, each with a code that tells "
        "whether the record is still what was printed."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    make = actions.add_parser("make", help="one run's sheet; an isolation's report")
    label = actions.add_parser("label", help="a label for the unit, as PNG")
    changed = actions.add_parser("before-after", help="two runs of one unit: what changed")
    lot = actions.add_parser("lot", help="a list of runs, or all of a job or lot")
    check = actions.add_parser("verify", help="does a sheet belong to a record, unchanged?")
    template = actions.add_parser(
        "template", help="put letterhead and templates beside the rig file, to be edited"
    )
    run = "the run's identifier, its first characters, or last (the newest)"
    for action in (make, label):
        action.add_argument("run", help=run)
    changed.add_argument("before", help=run)
    changed.add_argument("after", help="the other run; which is earlier is found by itself")
    lot.add_argument("run", nargs="*", help="runs, as for make")
    lot.add_argument("--reference", help="all runs of this job or lot")
    lot.add_argument("--plan", help="with --reference: only this plan")
    lot.add_argument("--lot", help="a lot judged by a sample, with what it came to")
    check.add_argument(
        "code", nargs="+", help="the code's text, scanned or typed; blanks and dashes do not matter"
    )
    for action in (make, changed, lot):
        action.add_argument(
            "--out", metavar="FILE", help=".pdf or .png (default: a PDF in the rig's sheets folder)"
        )
        action.add_argument("--png", action="store_true", help="PNG beside the PDF")
        action.add_argument("--dpi", type=float, default=150.0, help="of the PNG (150)")
        action.add_argument("--paper", choices=("a4", "letter"), help="(a4)")
        action.add_argument(
            "--print", action="store_true", help="hand the PDF to the rig file's print_with"
        )
    label.add_argument("--out", metavar="FILE", help=".png (default: in the rig's sheets folder)")
    label.add_argument("--size", default="62x29", metavar="WxH", help="in mm (62x29)")
    label.add_argument("--dpi", type=float, default=300.0, help="of the label printer (300)")
    for action in (make, label, changed, lot, check):
        add_records_file(action)
        action.add_argument("--json", action="store_true", help="print one JSON object")
    for action in (make, label, changed, lot, check, template):
        add_rig_file(action, "rig file whose records and letterhead are meant")
    parser.set_defaults(module="sheet")


def add_sync(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn sync`."""
    parser.description = (
        "Send what was recorded here to the central records of several benches, a PostgreSQL "
        "server's. `halfturn sync` alone sends; whenever it is ended, the next one goes on."
    )
    parser.add_argument(
        "action",
        nargs="?",
        choices=("send", "status", "prepare", "bench"),
        default="send",
        help="send what waits (the default); tell the status; prepare central records; tell or "
        "settle which bench this is",
    )
    add_rig_file(parser)
    add_records_file(parser)
    parser.add_argument("--to", metavar="URL", help="the central records (default: the rig file's)")
    how_often = parser.add_mutually_exclusive_group()
    how_often.add_argument("--once", action="store_true", help="send what waits, and end (default)")
    how_often.add_argument(
        "--every",
        type=number("seconds, as in --every 60"),
        metavar="S",
        help="send what waits every so many seconds, until ended",
    )
    parser.add_argument(
        "--without-traces", action="store_true", help="leave the traces here; they can go later"
    )
    which = parser.add_mutually_exclusive_group()
    which.add_argument(
        "--same", action="store_true", help="with bench: these records go on as the bench they were"
    )
    which.add_argument(
        "--new", action="store_true", help="with bench: these records are a new bench's from now on"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(module="sync")


def add_report(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn report`."""
    parser.description = (
        "Put suppliers, benches, months or unit types beside each other: units tested, what did "
        "not conform, why, and whether one bench reads otherwise than another. Reads the central "
        "records, or those of this bench."
    )
    parser.add_argument(
        "by",
        nargs="?",
        choices=("suppliers", "benches", "months", "types"),
        default="suppliers",
        help="what is put beside each other (suppliers)",
    )
    add_rig_file(parser)
    place = parser.add_mutually_exclusive_group()
    place.add_argument("--records", metavar="FILE", help="a records file")
    place.add_argument(
        "--central",
        nargs="?",
        const="",
        metavar="URL",
        help="the central records (without URL: the rig file's)",
    )
    parser.add_argument("--since", metavar="DAY", help="runs from this day on (2026-03-01)")
    parser.add_argument("--until", metavar="DAY", help="runs up to this day, it included")
    parser.add_argument("--simulated", action="store_true", help="count simulated runs, only those")
    output = parser.add_mutually_exclusive_group()
    output.add_argument("--json", action="store_true", help="print one JSON object")
    output.add_argument("--csv", action="store_true", help="print a table for a spreadsheet")
    parser.set_defaults(module="report")
