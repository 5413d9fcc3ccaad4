"""Commands for the rig itself and its files: their options."""

from __future__ import annotations

import argparse

from rig.command_line.shared import (
    add_ask,
    add_backend,
    add_consent,
    add_records_file,
    add_rig,
    add_rig_file,
    add_simulated,
    add_study_run,
)


def add_gauge(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn gauge`."""
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
    add_rig(new)
    add_records_file(new)
    add_study_run(following)
    for action in (listing, show, repeat):
        add_rig_file(action)
        add_records_file(action)
    for action in (listing, show):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="gauge")


def add_golden(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn golden`."""
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
    add_study_run(check)
    for action in (declare, show, baseline, withdraw):
        add_rig(action)
        add_records_file(action)
    add_rig_file(listing)
    add_records_file(listing)
    for action in (listing, show):
        action.add_argument("--json", action="store_true", help="print JSON")
    parser.set_defaults(module="golden")


def add_check(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn check`."""
    parser.description = (
        "Check the rig file and plans against each other, and this machine; nothing is fed.  With "
        "--bench the rig must be switched on."
    )
    parser.add_argument("plans", nargs="*", help="plans to check (default: all the rig has)")
    add_rig(parser)
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


def add_budget(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn budget`."""
    parser.description = (
        "Print the uncertainty budgets of a station: what makes its current, voltage and time "
        "uncertain, and at each limit of a plan how far a value must be from it to pass or fail."
    )
    parser.add_argument(
        "plan", nargs="*", default=["qualify"], help="a plan's name or file, one at a time"
    )
    add_rig(parser)
    add_records_file(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(module="budget")


def add_calibrate(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn calibrate`."""
    parser.description = (
        "Calibrate a station's current and voltage: zero with the feeds off, then points against a "
        "reference of the rig file ([[reference]]) in the unit's place.  Asks for each meter "
        "reading, shows what was found, and stores it when you accept.  The feeds are made for "
        "seconds at a time, after you said so."
    )
    add_rig(parser)
    add_records_file(parser)
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
    add_consent(parser)
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    add_backend(parser)
    add_ask(add_simulated(parser))
    parser.set_defaults(module="calibrate")


def add_faults(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn faults`."""
    parser.set_defaults(module="faults")


def add_new(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn new`."""
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
