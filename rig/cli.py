"""The program `halfturn`: its command line.  Everything heavy is imported by the command used."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from typing import NoReturn, TypeVar

from rig import __version__

USAGE = 3
_LONGEST = 300  # characters of a message of argparse, which repeats what was typed, however long

EXIT_STATUS = """\
exit status:
  0  pass (or: done)          4  a rig file, plan or trace has mistakes, or cannot be written
  1  fail                     5  the bench could not start, or a rig fault ended the run
  2  retest                   6  the records cannot be read or written
  3  wrong command line       7  stopped by the operator or a signal
                              70 a fault in halfturn itself
"""

ISOLATE_STATUS = """\
exit status:
  0  a cause, or that the unit is sound, is as likely as the plan's confidence asks for
  2  not so sure: the tests were spent, or ended by the operator
  3 to 7, 70  as for every command (`halfturn --help`)
"""

LOT_STATUS = """\
exit status:
  close   0  the lot is accepted        1  it is not
  run     that of `halfturn run`: 0 pass, 1 fail, 2 retest; 0 too if nothing is left to be tested,
          3 if the lot is closed
  3 to 7, 70  as for every command (`halfturn --help`)
"""

Command = Callable[[argparse.Namespace], int]


N = TypeVar("N", int, float)


class _Parser(argparse.ArgumentParser):
    """argparse ends with status 2 on a wrong command line, which is 'retest' here."""

    def error(self, message: str) -> NoReturn:
        from rig.commands.streams import visible

        self.print_usage(sys.stderr)
        said = visible(message if len(message) <= _LONGEST else message[:_LONGEST] + "...")
        self.exit(USAGE, f"halfturn: {said}. See `{self.prog} --help`.\n")


def _number(meant: str) -> Callable[[str], float]:
    """Return the reader of an option's number; ``meant`` says what to give instead of a slip."""
    return _read_as(float, "a number", meant)


def _whole(meant: str) -> Callable[[str], int]:
    """Return the reader of an option's whole number."""
    return _read_as(int, "a whole number", meant)


def _read_as(kind: Callable[[str], N], wanted: str, meant: str) -> Callable[[str], N]:
    def read(text: str) -> N:
        try:
            return kind(text)
        except ValueError:
            from rig.labels import shown

            said = f"'{shown(text)}' is not {wanted}; give {meant}"
            raise argparse.ArgumentTypeError(said) from None

    return read


class _WholeLines(argparse.RawDescriptionHelpFormatter):
    """Keeps the longest command and its help on one line: argparse forgets its indentation."""

    def format_help(self) -> str:
        """Return the help."""
        self._action_max_length += 2
        return super().format_help()


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="halfturn",
        description="Bench tester for self-parking half-turn actuators.",
        epilog=EXIT_STATUS,
        formatter_class=_WholeLines,
    )
    parser.add_argument("--version", action="version", version=f"halfturn {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    _add_console(commands.add_parser("console", help="the operator's console, full screen"))
    _add_demo(commands.add_parser("demo", help="qualify three simulated units and show it"))
    _add_run(commands.add_parser("run", help="run a plan on a unit"))
    _add_isolate(commands.add_parser("isolate", help="find out what is wrong with a suspect unit"))
    _add_attach(commands.add_parser("attach", help="come back to a run that goes on by itself"))
    _add_judge(commands.add_parser("judge", help="judge a trace file from anywhere"))
    _add_why(commands.add_parser("why", help="why a unit is as it is: motor, stroke, feed, fuse"))
    _add_records(
        commands.add_parser(
            "records", help="what was recorded: list, show, export, verify, back up"
        )
    )
    _add_sheet(
        commands.add_parser("sheet", help="what leaves the shop: sheets, labels, their check")
    )
    _add_gauge(commands.add_parser("gauge", help="gauge studies: what of a value is the rig's own"))
    _add_lot(commands.add_parser("lot", help="judge a delivery by a sample: plan, runs, verdict"))
    _add_golden(commands.add_parser("golden", help="golden units: is the rig in control today?"))
    _add_limits(commands.add_parser("limits", help="limits for a plan out of known good units"))
    _add_capability(
        commands.add_parser("capability", help="how a lot or a month lies in its plan's limits")
    )
    _add_check(commands.add_parser("check", help="check a rig file and plans; feeds nothing"))
    _add_budget(
        commands.add_parser("budget", help="what a reading is worth, at each limit of a plan")
    )
    _add_calibrate(commands.add_parser("calibrate", help="hold a station against a reference"))
    _add_sync(commands.add_parser("sync", help="send the records to a shop's central ones"))
    _add_report(
        commands.add_parser("report", help="suppliers, benches, months and types beside each other")
    )
    _add_faults(commands.add_parser("faults", help="list the faults of the simulated bench"))
    _add_new(commands.add_parser("new", help="make a rig folder to start from"))
    _add_serve(commands.add_parser("serve", help="a bench that is always there, as a service"))
    _add_off(commands.add_parser("off", help="take every feed of the rig off"))
    return parser


def _add_demo(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Qualify three simulated units: a good one, a slow one and one that will not park. "
        "Ends with 0 when all three got the verdict they deserve."
    )
    parser.add_argument("--folder", default="logs", help="where records and picture go (logs)")
    parser.set_defaults(module="demo")


def _add_console(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "The operator's console: bench, live view, feeding by hand, verdict, records and the rig, "
        "in one full-screen application. F1 helps, F12 takes the feeds off, ctrl+q leaves."
    )
    _add_rig(parser)
    _add_records_file(parser)
    _add_backend(parser)
    parser.set_defaults(module="console")


_RIG = "rig file (default: rig.toml in this folder)"


def _add_rig(parser: argparse.ArgumentParser, rig: str = _RIG) -> None:
    _add_rig_file(parser, rig)
    parser.add_argument("--station", metavar="NAME", help="station (default: the rig's first)")


def _add_rig_file(parser: argparse.ArgumentParser, rig: str = _RIG) -> None:
    parser.add_argument("--rig", metavar="FILE", help=rig)


def _add_records_file(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--records", metavar="FILE", help="records file (default: in the rig's logs)"
    )


def _add_backend(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--backend", metavar="NAME", help="pi, simulated or package.module:factory")


def _add_run(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Run a plan on one unit, judge it and keep the record; with --at on several units at "
        "once, each on its own station: ends with the worst of their statuses."
    )
    parser.add_argument("plan", help="a plan's name (qualify, suspect, ...) or file")
    _add_rig(parser)
    _add_unit(parser)
    parser.add_argument(
        "--at",
        action="append",
        default=[],
        metavar="STATION=SERIAL",
        help="a station and the unit on it, again for each station at work at once",
    )
    _add_records_file(parser)
    parser.add_argument(
        "--detach",
        action="store_true",
        help="let the run go on by itself, in real time; `halfturn attach` comes back to it",
    )
    _add_output(parser)
    _add_backend(parser)
    _add_simulated(parser)
    parser.set_defaults(module="run")


def _add_isolate(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Find out what is wrong with a suspect unit: proposes the test that tells most for its\n"
        "minutes, does it, ranks the causes anew, and goes on until one remedy is likely enough\n"
        "or no test is left.  'The unit is sound; look at the vehicle' is one of the answers."
    )
    parser.epilog = ISOLATE_STATUS
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument(
        "--plan",
        default="suspect",
        help="the plan that lends unit type, limits, guard and [isolation] (suspect)",
    )
    _add_rig(parser)
    _add_unit(parser)
    _add_records_file(parser)
    _add_output(parser)
    _add_backend(parser)
    simulated = _add_simulated(parser)
    simulated.add_argument(
        "--ask",
        action="store_true",
        help="answer every question yourself (else the simulated hands do)",
    )
    parser.set_defaults(module="isolate")


def _add_output(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")


def _add_unit(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--unit", metavar="SERIAL", help="the unit's serial number")
    parser.add_argument("--operator", default="", help="who runs the test")
    parser.add_argument(
        "--source",
        choices=("not_told", "own_rebuild", "customer_job", "delivery_lot"),
        default="not_told",
        help="where the unit came from (not_told)",
    )
    parser.add_argument("--reference", default="", help="job or lot number")
    parser.add_argument(
        "--accept-cautions",
        action="store_true",
        help="you have read the cautions and guarded the jig (else you are asked)",
    )


def _add_simulated(parser: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    simulated = parser.add_argument_group("simulated bench")
    simulated.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="[STATION:]NAME[=DEGREE][@S][+S]",
        help="a fault of the unit or the rig, again for more (see `halfturn faults`)",
    )
    simulated.add_argument(
        "--seed", type=_whole("one, as in --seed 7"), default=1, help="which unit and noise (1)"
    )
    simulated.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a setting of the world"
    )
    simulated.add_argument(
        "--real-time", action="store_true", help="run at the speed of a real bench"
    )
    return simulated


def _add_attach(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Show a run that goes on by itself, from its beginning; ends with its verdict. Ctrl-C "
        "leaves it going on."
    )
    _add_rig_file(parser)
    _add_records_file(parser)
    parser.add_argument("--stop", action="store_true", help="end the run, feeds off")
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(module="attach")


def _add_serve(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Be a bench that is always there: comes up with every feed off, marks a run that was "
        "interrupted, then does the jobs that consoles and `run --detach` bring. Listens at a "
        "socket beside the records, which only its own user may open; never at a network port."
    )
    _add_rig_file(parser)
    _add_records_file(parser)
    _add_backend(parser)
    parser.add_argument(
        "--unit-file", action="store_true", help="print a systemd unit for this rig, and end"
    )
    parser.set_defaults(module="serve")


def _add_off(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "End the job of a bench that goes on by itself, then take every feed of every station off, "
        "read it back, and take a programmable supply's output off."
    )
    _add_rig_file(parser)
    _add_records_file(parser)
    _add_backend(parser)
    parser.add_argument(
        "--if-idle", action="store_true", help="leave a bench that goes on by itself alone"
    )
    parser.set_defaults(module="off")


def _add_judge(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Judge a trace file (CSV with time_s,current_a,voltage_v,battery_feed,ignition_feed; "
        ".gz and '-' for standard input are fine)."
    )
    parser.add_argument("trace", help="the trace file")
    parser.add_argument("--plan", required=True, help="a plan's name or file")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--picture", metavar="FILE", help="also save a picture (.png or .svg)")
    _add_rig(parser, "rig file whose uncertainties hold (default: those of a common INA219)")
    parser.set_defaults(module="judge")


def _add_why(parser: argparse.ArgumentParser) -> None:
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
        type=_number("degrees Celsius, as in --ambient 21"),
        metavar="C",
        help="degrees Celsius around the unit, if it had rested half an hour before the run",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    _add_rig(parser)
    _add_records_file(parser)
    parser.set_defaults(module="why")


def _add_records(parser: argparse.ArgumentParser) -> None:
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    listing = actions.add_parser("list", help="the runs, newest first")
    _add_run_filter(listing)
    listing.add_argument(
        "--limit",
        type=_whole("how many runs to list, as in --limit 20"),
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
        "--step", type=_whole("the step's number, as in --step 4"), help="only this step's trace"
    )
    out = actions.add_parser("out", help="many runs as tables, for other programs and benches")
    out.add_argument("folder", help="the folder to write; it must not be there yet")
    out.add_argument("--format", choices=("csv", "parquet"), default="csv", help="(csv)")
    out.add_argument(
        "--with-traces",
        action="store_true",
        help="the traces too; only so can another bench take the runs in",
    )
    _add_run_filter(out)
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


def _add_run_filter(parser: argparse.ArgumentParser) -> None:
    """Which runs are wanted; left out, all of them."""
    parser.add_argument("--serial", help="only this unit")
    parser.add_argument("--reference", help="only this job or lot")
    parser.add_argument("--verdict", choices=("pass", "fail", "retest"))
    parser.add_argument("--plan", help="only this plan")
    parser.add_argument("--since", metavar="YYYY-MM-DD")
    parser.add_argument("--until", metavar="YYYY-MM-DD", help="up to and with this day")


def _add_sheet(parser: argparse.ArgumentParser) -> None:
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
        _add_records_file(action)
        action.add_argument("--json", action="store_true", help="print one JSON object")
    for action in (make, label, changed, lot, check, template):
        _add_rig_file(action, "rig file whose records and letterhead are meant")
    parser.set_defaults(module="sheet")


def _add_gauge(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Gauge studies: some units, measured several times each by several people in a drawn "
        "order; what differs is told apart into rig, people and units, for every measure of the "
        "plan."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    new = actions.add_parser("new", help="set a study up and draw its order")
    new.add_argument("name", help="a name for the study")
    new.add_argument("--plan", required=True, help="a plan's name or file")
    new.add_argument(
        "--part",
        action="append",
        default=[],
        metavar="SERIAL",
        help="a unit that is measured, again for more: as many as ten, spread over what comes in",
    )
    new.add_argument("--operator", action="append", default=[], help="who measures, again for more")
    new.add_argument("--trials", type=int, default=3, help="of each by each (3)")
    new.add_argument("--seed", type=int, help="what the order is drawn with (default: drawn too)")
    new.add_argument("--note", default="", help="why it is made, for the record")
    listing = actions.add_parser("list", help="the studies, newest first")
    show = actions.add_parser("show", help="how far a study is, and its results")
    show.add_argument("--order", action="store_true", help="every trial with its runs")
    show.add_argument("--measure", help="only this measure, with its whole table")
    show.add_argument(
        "--pool-above",
        type=float,
        metavar="P",
        help="pool the interaction with the repeatability above this p (0.25)",
    )
    following = actions.add_parser("next", help="make the next trial's run")
    following.add_argument(
        "--all", action="store_true", help="go on, trial after trial, until one is not finished"
    )
    repeat = actions.add_parser("repeat", help="set a trial's run aside, so that it is repeated")
    repeat.add_argument("--trial", type=int, required=True, help="its number in the order")
    repeat.add_argument("--reason", required=True, help="why, for the record")
    for action in (show, following, repeat):
        action.add_argument("name", help="the study's name")
    _add_rig(new)
    _add_records_file(new)
    _add_study_run(following)
    for action in (listing, show, repeat):
        _add_rig_file(action)
        _add_records_file(action)
    for action in (listing, show):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="gauge")


def _add_lot(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Judge a delivery by a sample (ISO 2859-1): the plan for its size and AQL, the items\n"
        "drawn at random, a run of each, and what the lot comes to. How severe the inspection\n"
        "is follows from the supplier's lots before."
    )
    parser.epilog = LOT_STATUS
    parser.formatter_class = _WholeLines
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    opening = actions.add_parser("open", help="open a lot and draw its sample")
    opening.add_argument("--supplier", required=True, help="who delivered it")
    opening.add_argument(
        "--new-supplier", action="store_true", help="though one is spelt nearly alike"
    )
    opening.add_argument("--order", default="", help="order or delivery number")
    opening.add_argument(
        "--size", type=_whole("the number of units"), required=True, help="units delivered"
    )
    opening.add_argument(
        "--aql",
        type=_number("one, as in --aql 1.5"),
        required=True,
        help="acceptance quality limit, per cent nonconforming",
    )
    opening.add_argument("--level", default="II", help="I, II, III, S-1 to S-4 (II)")
    opening.add_argument("--plan", default="incoming", help="the plan of each run (incoming)")
    opening.add_argument(
        "--seed",
        type=_whole("one, as in --seed 7"),
        help="what the sample is drawn with (default: drawn too); told on the report",
    )
    opening.add_argument(
        "--steady", action="store_true", help="production is steady (for reduced inspection)"
    )
    opening.add_argument(
        "--agreed-by", default="", metavar="NAME", help="who agrees to reduced inspection"
    )
    opening.add_argument(
        "--irregular", default="", metavar="WHY", help="production is irregular: normal again"
    )
    opening.add_argument(
        "--acted",
        default="",
        metavar="WHAT",
        help="what the supplier has done since inspection of its lots ended",
    )
    opening.add_argument(
        "--again", default="", metavar="LOT", help="this lot, not accepted, is offered again"
    )
    listing = actions.add_parser("list", help="the lots, newest first")
    show = actions.add_parser("show", help="how far a lot is, its items, and the risks of its plan")
    show.add_argument(
        "--bad",
        action="append",
        default=[],
        type=_number("per cent, as in --bad 6.5"),
        metavar="PERCENT",
        help="a quality whose chance to be accepted is told, again for more",
    )
    following = actions.add_parser("next", help="which item to take from the crate")
    testing = actions.add_parser("run", help="test the next item by the lot's plan")
    testing.add_argument("--serial", default="", help="the unit's serial number")
    testing.add_argument(
        "--item", type=_whole("an item's number"), help="this item instead of the next"
    )
    testing.add_argument(
        "--all", action="store_true", help="simulated bench: go on until one is not finished"
    )
    testing.add_argument(
        "--seen-before",
        default="",
        metavar="WHY",
        help="why a unit that was in another lot is tested here (with --operator)",
    )
    aside = actions.add_parser("set-aside", help="set an item's runs aside: it is tested again")
    cannot = actions.add_parser("cannot-test", help="an item that is damaged, lost or missing")
    which = cannot.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "--nonconforming", action="store_true", help="it counts as a nonconforming one"
    )
    which.add_argument(
        "--replace", action="store_true", help="another one is drawn at random in its place"
    )
    can = actions.add_parser("can-test", help="take back that an item counts as nonconforming")
    close = actions.add_parser("close", help="close a lot as its sample says; final")
    withdraw = actions.add_parser("withdraw", help="give up a lot that was opened by mistake")
    history = actions.add_parser(
        "history", help="a supplier's lots, its average, and how the next is inspected"
    )
    history.add_argument("--supplier", required=True, help="whose lots")
    listing.add_argument("--supplier", help="only the lots of this one")
    curve = actions.add_parser("curve", help="the operating characteristic of a lot's plan")
    curve.add_argument("--picture", metavar="FILE", help="draw it as .png, .svg or .pdf")
    named = (opening, show, following, testing, aside, cannot, can, close, withdraw, curve)
    for action in named:
        action.add_argument("name", help="the lot's name")
    for action in (aside, cannot, can):
        action.add_argument(
            "item", type=_whole("an item's number"), help="its number in the crate, from 1"
        )
    for action in (aside, cannot, can, withdraw):
        action.add_argument("--reason", required=True, help="why, for the lot's report")
    for action in (opening, aside, cannot, can, close, withdraw):
        action.add_argument("--operator", required=True, help="who decides so")
    for action in (opening, close):
        action.add_argument("--note", default="", help="a remark, for the record")
    _add_rig(opening)
    _add_records_file(opening)
    _add_backend(opening)
    _add_study_run(testing)
    for action in (listing, show, following, aside, cannot, can, close, withdraw, history, curve):
        _add_rig_file(action)
        _add_records_file(action)
    for action in (listing, show, close, history, curve):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="lot")


def _add_golden(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Golden units: a unit known to be good, checked by the same plan every day; its values on "
        "control charts tell whether the rig is still the one that it was."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    declare = actions.add_parser("declare", help="declare a unit golden")
    declare.add_argument("--plan", required=True, help="the plan of its checks")
    declare.add_argument(
        "--baseline", type=int, metavar="N", help="so many checks set the limits (15)"
    )
    declare.add_argument(
        "--measure",
        action="append",
        default=[],
        help="a measure to chart, again for more (to_run, run, rest)",
    )
    listing = actions.add_parser("list", help="the golden units, and how the rig stands by them")
    show = actions.add_parser("show", help="a golden unit's charts, as numbers")
    show.add_argument("--baseline", type=int, metavar="K", help="an earlier baseline, from 1")
    check = actions.add_parser("check", help="check the rig by a golden unit: a run of its plan")
    baseline = actions.add_parser(
        "baseline", help="new limits from the next checks on, after a repair or a calibration"
    )
    baseline.add_argument("--reason", required=True, help="why, for the record")
    withdraw = actions.add_parser("withdraw", help="take a golden unit out of use")
    for action in (declare, show, check, baseline, withdraw):
        action.add_argument("serial", help="the golden unit's serial number")
    for action in (show, check, baseline, withdraw):
        action.add_argument("--plan", help="if it is golden by more plans than one")
    for action in (declare, baseline):
        action.add_argument("--operator", default="", help="who says so")
    _add_study_run(check)
    for action in (declare, show, baseline, withdraw):
        _add_rig(action)
        _add_records_file(action)
    _add_rig_file(listing)
    _add_records_file(listing)
    for action in (listing, show):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="golden")


def _add_limits(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Limits for a plan out of the recorded runs of units that are known to be good."
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    propose = actions.add_parser("propose", help="propose limits, and write them into a copy")
    propose.description = (
        "Propose tolerance limits, each unit counting once with the value nearest to the limit, "
        "and say what the plan's decision rule would make of good units at them. Name the units by "
        "--reference, --serial, --serials or --since; that they are good is known from elsewhere."
    )
    propose.add_argument("plan", help="the plan's name or file; its runs count")
    _add_unit_runs(propose)
    propose.add_argument(
        "--include",
        action="append",
        default=[],
        choices=("fail", "retest"),
        help="take good units in whose run is no pass, again for both",
    )
    propose.add_argument(
        "--coverage",
        type=_number("a part of 1, as 0.99"),
        default=0.99,
        help="so many of all such units keep a limit (0.99)",
    )
    propose.add_argument(
        "--confidence",
        type=_number("a part of 1, as 0.95"),
        default=0.95,
        help="and how surely (0.95)",
    )
    propose.add_argument(
        "--no-band",
        dest="with_band",
        action="store_false",
        help="leave the plan's guard band off: part of the good units then do not pass outright",
    )
    propose.add_argument(
        "--limit",
        action="append",
        default=[],
        metavar="KEY",
        help="only this limit, again for more; also one that the plan has not",
    )
    propose.add_argument("--out", metavar="FILE", help="write a copy of the plan (.toml)")
    propose.add_argument("--replace", action="store_true", help="--out may replace a file")
    _add_spread_output(propose)
    parser.set_defaults(module="limits")


def _add_capability(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "How the units of a lot, a month or a list lie in their plan's limits: performance "
        "indices with their intervals, and what part of all is beyond."
    )
    parser.add_argument("plan", help="the plan's name or file; its runs count, its limits hold")
    _add_unit_runs(parser)
    parser.add_argument("--month", metavar="YYYY-MM", help="the runs of this month")
    parser.add_argument(
        "--first",
        action="store_true",
        help="each unit's first run, as it came (default: its newest, as it left)",
    )
    parser.add_argument(
        "--confidence",
        type=_number("a part of 1, as 0.95"),
        default=0.95,
        help="of the intervals (0.95)",
    )
    _add_spread_output(parser)
    parser.set_defaults(module="capability")


def _add_unit_runs(parser: argparse.ArgumentParser) -> None:
    """Which recorded runs count."""
    parser.add_argument("--reference", help="the units of this job or lot")
    parser.add_argument("--serial", action="append", default=[], help="this unit, again for more")
    parser.add_argument("--serials", metavar="FILE", help="the units of a file, one a line")
    parser.add_argument(
        "--without", action="append", default=[], metavar="SERIAL", help="not this unit"
    )
    parser.add_argument("--since", metavar="YYYY-MM-DD")
    parser.add_argument("--until", metavar="YYYY-MM-DD", help="up to and with this day")
    _add_rig_file(parser)
    _add_records_file(parser)


def _add_spread_output(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--plot", action="store_true", help="normal probability plots as text")
    parser.add_argument("--picture", metavar="FILE", help="draw them (.png, .svg or .pdf)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")


def _add_study_run(parser: argparse.ArgumentParser) -> None:
    """A run of which the study says plan and unit."""
    _add_rig(parser)
    _add_records_file(parser)
    parser.add_argument(
        "--accept-cautions",
        action="store_true",
        help="you have read the cautions and guarded the jig (else you are asked)",
    )
    parser.add_argument("--operator", default="", help="who runs the test")
    _add_output(parser)
    _add_backend(parser)
    _add_simulated(parser)


def _add_check(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Check the rig file and plans against each other, and this machine; nothing is fed.  With "
        "--bench the rig must be switched on."
    )
    parser.add_argument("plans", nargs="*", help="plans to check (default: all the rig has)")
    _add_rig(parser)
    parser.add_argument(
        "--bench", action="store_true", help="also open the bench and look at outputs and sensors"
    )
    parser.add_argument(
        "--jig-empty",
        action="store_true",
        help="the jig is guarded and nothing is connected to the feeds: with --bench, prove the "
        "dead-man too (the master relay picks up)",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(module="check")


def _add_budget(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Print the uncertainty budgets of a station: what makes its current, voltage and time "
        "uncertain, and at each limit of a plan how far a value must be from it to pass or fail."
    )
    parser.add_argument(
        "plan", nargs="*", default=["qualify"], help="a plan's name or file, one at a time"
    )
    _add_rig(parser)
    _add_records_file(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(module="budget")


def _add_calibrate(parser: argparse.ArgumentParser) -> None:
    parser.description = (
        "Calibrate a station's current and voltage: zero with the feeds off, then points against a "
        "reference of the rig file ([[reference]]) in the unit's place.  Asks for each meter "
        "reading, shows what was found, and stores it when you accept.  The feeds are made for "
        "seconds at a time, after you said so."
    )
    _add_rig(parser)
    _add_records_file(parser)
    parser.add_argument("--show", action="store_true", help="list the calibrations there are")
    parser.add_argument("--json", action="store_true", help="with --show: print JSON")
    parser.add_argument(
        "--current",
        metavar="NAME",
        help="resistor or ammeter to hold the current against (default: the rig file's first)",
    )
    parser.add_argument(
        "--voltage",
        metavar="NAME",
        help="voltmeter to hold the voltage against (default: the rig file's first)",
    )
    parser.add_argument(
        "--load-ohm", type=float, metavar="OHM", help="with an ammeter: the load in series, about"
    )
    parser.add_argument(
        "--load-watt",
        type=float,
        metavar="W",
        help="with an ammeter: what the load stands for good",
    )
    parser.add_argument("--operator", default="", help="who calibrates")
    parser.add_argument("--note", default="", help="a note to keep with it")
    parser.add_argument(
        "--accept-cautions",
        action="store_true",
        help="you have read the cautions and guarded the jig (else you are asked)",
    )
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    _add_backend(parser)
    simulated = _add_simulated(parser)
    simulated.add_argument(
        "--ask",
        action="store_true",
        help="answer every question yourself (else the simulated hands do)",
    )
    parser.set_defaults(module="calibrate")


def _add_sync(parser: argparse.ArgumentParser) -> None:
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
    _add_rig_file(parser)
    _add_records_file(parser)
    parser.add_argument("--to", metavar="URL", help="the central records (default: the rig file's)")
    how_often = parser.add_mutually_exclusive_group()
    how_often.add_argument("--once", action="store_true", help="send what waits, and end (default)")
    how_often.add_argument(
        "--every",
        type=_number("seconds, as in --every 60"),
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


def _add_report(parser: argparse.ArgumentParser) -> None:
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
    _add_rig_file(parser)
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


def _add_faults(parser: argparse.ArgumentParser) -> None:
    parser.set_defaults(module="faults")


def _add_new(parser: argparse.ArgumentParser) -> None:
    parser.description = "Make a folder with a commented rig file, plans and a place for records."
    parser.add_argument("folder", help="the folder to make")
    parser.add_argument(
        "--stations",
        type=int,
        choices=range(1, 5),
        default=1,
        help="how many stations the rig has, 1 to 4 (1)",
    )
    parser.set_defaults(module="new")


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; no traceback ever reaches the operator."""
    from rig.commands.streams import make_usable, tell

    make_usable()
    options = _parser().parse_args(arguments)
    from importlib import import_module

    try:
        command: Command = import_module(f"rig.commands.{options.module}").run
        return command(options)
    except KeyboardInterrupt:
        tell("halfturn: interrupted; feeds are off.")
        return 7
    except Exception as error:
        from rig.commands.failure import explain

        status, text = explain(error)
        tell(f"halfturn: {text}")
        return status


if __name__ == "__main__":
    sys.exit(main())
