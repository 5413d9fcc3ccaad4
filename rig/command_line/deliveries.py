"""Commands for lots, and for what many units have in common: their options."""

from __future__ import annotations

import argparse

from rig.command_line.base import WholeLines, number, whole
from rig.command_line.shared import (
    add_backend,
    add_records_file,
    add_rig,
    add_rig_file,
    add_spread_output,
    add_study_run,
    add_unit_runs,
)

LOT_STATUS = """\
exit status:
  close   0  the lot is accepted        1  it is not
  run     that of `halfturn run`: 0 pass, 1 fail, 2 retest; 0 too if nothing is left to be tested,
          3 if the lot is closed
  3 to 7, 70  as for every command (`halfturn --help`)
"""


def add_lot(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn lot`."""
    parser.description = (
        "Judge a delivery by a sample (ISO 2859-1): the plan for its size and AQL, the items\n"
        "drawn at random, a run of each, and what the lot comes to. How severe the inspection\n"
        "is follows from the supplier's lots before."
    )
    parser.epilog = LOT_STATUS
    parser.formatter_class = WholeLines
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    opening = actions.add_parser("open", help="open a lot and draw its sample")
    opening.add_argument("--supplier", required=True, help="who delivered it")
    opening.add_argument(
        "--new-supplier", action="store_true", help="though one is spelt nearly alike"
    )
    opening.add_argument("--order", default="", help="order or delivery number")
    opening.add_argument(
        "--size", type=whole("the number of units"), required=True, help="units delivered"
    )
    opening.add_argument(
        "--aql",
        type=number("one, as in --aql 1.5"),
        required=True,
        help="acceptance quality limit, per cent nonconforming",
    )
    opening.add_argument("--level", default="II", help="I, II, III, S-1 to S-4 (II)")
    opening.add_argument("--plan", default="incoming", help="the plan of each run (incoming)")
    opening.add_argument(
        "--seed",
        type=whole("one, as in --seed 7"),
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
        type=number("per cent, as in --bad 6.5"),
        metavar="PERCENT",
        help="a quality whose chance to be accepted is told, again for more",
    )
    following = actions.add_parser("next", help="which item to take from the crate")
    testing = actions.add_parser("run", help="test the next item by the lot's plan")
    testing.add_argument("--serial", default="", help="the unit's serial number")
    testing.add_argument(
        "--item", type=whole("an item's number"), help="this item instead of the next"
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
            "item", type=whole("an item's number"), help="its number in the crate, from 1"
        )
    for action in (aside, cannot, can, withdraw):
        action.add_argument("--reason", required=True, help="why, for the lot's report")
    for action in (opening, aside, cannot, can, close, withdraw):
        action.add_argument("--operator", required=True, help="who decides so")
    for action in (opening, close):
        action.add_argument("--note", default="", help="a remark, for the record")
    add_rig(opening)
    add_records_file(opening)
    add_backend(opening)
    add_study_run(testing)
    for action in (listing, show, following, aside, cannot, can, close, withdraw, history, curve):
        add_rig_file(action)
        add_records_file(action)
    for action in (listing, show, close, history, curve):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="lot")


def add_limits(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn limits`."""
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
    add_unit_runs(propose)
    propose.add_argument(
        "--include",
        action="append",
        default=[],
        choices=("fail", "retest"),
        help="take good units in whose run is no pass, again for both",
    )
    propose.add_argument(
        "--coverage",
        type=number("a part of 1, as 0.99"),
        default=0.99,
        help="so many of all such units keep a limit (0.99)",
    )
    propose.add_argument(
        "--confidence",
        type=number("a part of 1, as 0.95"),
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
    add_spread_output(propose)
    parser.set_defaults(module="limits")


def add_capability(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn capability`."""
    parser.description = (
        "How the units of a lot, a month or a list lie in their plan's limits: performance "
        "indices with their intervals, and what part of all is beyond."
    )
    parser.add_argument("plan", help="the plan's name or file; its runs count, its limits hold")
    add_unit_runs(parser)
    parser.add_argument("--month", metavar="YYYY-MM", help="the runs of this month")
    parser.add_argument(
        "--first",
        action="store_true",
        help="each unit's first run, as it came (default: its newest, as it left)",
    )
    parser.add_argument(
        "--confidence",
        type=number("a part of 1, as 0.95"),
        default=0.95,
        help="of the intervals (0.95)",
    )
    add_spread_output(parser)
    parser.set_defaults(module="capability")
