"""Commands that put a bench to work: their options."""

from __future__ import annotations

import argparse

from rig.command_line.shared import (
    add_ask,
    add_backend,
    add_output,
    add_records_file,
    add_rig,
    add_rig_file,
    add_simulated,
    add_unit,
)

ISOLATE_STATUS = """\
exit status:
  0  a cause, or that the unit is sound, is as likely as the plan's confidence asks for
  2  not so sure: the tests were spent, or ended by the operator
  3 to 7, 70  as for every command (`halfturn --help`)
"""


def add_demo(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn demo`."""
    parser.description = (
        "Qualify three simulated units: a good one, a slow one and one that will not park. "
        "Ends with 0 when all three got the verdict they deserve."
    )
    parser.add_argument("--folder", default="logs", help="where records and picture go (logs)")
    parser.set_defaults(module="demo")


def add_console(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn console`."""
    parser.description = (
        "The operator's console: bench, live view, feeding by hand, verdict, records and the rig, "
        "in one full-screen application. F1 helps, F12 takes the feeds off, ctrl+q leaves."
    )
    add_rig(parser)
    add_records_file(parser)
    add_backend(parser)
    parser.set_defaults(module="console")


def add_run(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn run`."""
    parser.description = (
        "Run a plan on one unit, judge it and keep the record; with --at on several units at "
        "once, each on its own station: ends with the worst of their statuses."
    )
    parser.add_argument("plan", help="a plan's name (qualify, suspect, ...) or file")
    add_rig(parser)
    add_unit(parser)
    parser.add_argument(
        "--at",
        action="append",
        default=[],
        metavar="STATION=SERIAL",
        help="a station and the unit on it, again for each station at work at once",
    )
    add_records_file(parser)
    parser.add_argument(
        "--detach",
        action="store_true",
        help="let the run go on by itself, in real time; `halfturn attach` comes back to it",
    )
    add_output(parser)
    add_backend(parser)
    add_simulated(parser)
    parser.set_defaults(module="run")


def add_isolate(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn isolate`."""
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
    add_rig(parser)
    add_unit(parser)
    add_records_file(parser)
    add_output(parser)
    add_backend(parser)
    add_ask(add_simulated(parser))
    parser.set_defaults(module="isolate")


def add_attach(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn attach`."""
    parser.description = (
        "Show a run that goes on by itself, from its beginning; ends with its verdict. Ctrl-C "
        "leaves it going on."
    )
    add_rig_file(parser)
    add_records_file(parser)
    parser.add_argument("--stop", action="store_true", help="end the run, feeds off")
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")
    parser.set_defaults(module="attach")


def add_serve(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn serve`."""
    parser.description = (
        "Be a bench that is always there: comes up with every feed off, marks a run that was "
        "interrupted, then does the jobs that consoles and `run --detach` bring. Listens at a "
        "socket beside the records, which only its own user may open; never at a network port."
    )
    add_rig_file(parser)
    add_records_file(parser)
    add_backend(parser)
    parser.add_argument(
        "--unit-file", action="store_true", help="print a systemd unit for this rig, and end"
    )
    parser.set_defaults(module="serve")


def add_off(parser: argparse.ArgumentParser) -> None:
    """Describe `halfturn off`."""
    parser.description = (
        "End the job of a bench that goes on by itself, then take every feed of every station off, "
        "read it back, and take a programmable supply's output off."
    )
    add_rig_file(parser)
    add_records_file(parser)
    add_backend(parser)
    parser.add_argument(
        "--if-idle", action="store_true", help="leave a bench that goes on by itself alone"
    )
    parser.set_defaults(module="off")
