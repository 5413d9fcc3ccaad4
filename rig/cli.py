"""The program `halfturn`: its command line.  Everything heavy is imported by the command used."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence

from rig import __version__
from rig.command_line.base import EXIT_STATUS, Parser, WholeLines
from rig.command_line.deliveries import add_capability, add_limits, add_lot
from rig.command_line.results import (
    add_judge,
    add_records,
    add_report,
    add_sheet,
    add_sync,
    add_why,
)
from rig.command_line.rig_itself import (
    add_budget,
    add_calibrate,
    add_check,
    add_faults,
    add_gauge,
    add_golden,
    add_new,
)
from rig.command_line.running import (
    add_attach,
    add_console,
    add_demo,
    add_isolate,
    add_off,
    add_run,
    add_serve,
)

Command = Callable[[argparse.Namespace], int]


def _parser() -> argparse.ArgumentParser:
    parser = Parser(
        prog="halfturn",
        description="Bench tester for self-parking half-turn actuators.",
        epilog=EXIT_STATUS,
        formatter_class=WholeLines,
    )
    parser.add_argument("--version", action="version", version=f"halfturn {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    add_console(commands.add_parser("console", help="the operator's console, full screen"))
    add_demo(commands.add_parser("demo", help="qualify three simulated units and show it"))
    add_run(commands.add_parser("run", help="run a plan on a unit"))
    add_isolate(commands.add_parser("isolate", help="find out what is wrong with a suspect unit"))
    add_attach(commands.add_parser("attach", help="come back to a run that goes on by itself"))
    add_judge(commands.add_parser("judge", help="judge a trace file from anywhere"))
    add_why(commands.add_parser("why", help="why a unit is as it is: motor, stroke, feed, fuse"))
    add_records(
        commands.add_parser(
            "records", help="what was recorded: list, show, export, verify, back up"
        )
    )
    add_sheet(
        commands.add_parser("sheet", help="what leaves the shop: sheets, labels, their check")
    )
    add_gauge(commands.add_parser("gauge", help="gauge studies: what of a value is the rig's own"))
    add_lot(commands.add_parser("lot", help="judge a delivery by a sample: plan, runs, verdict"))
    add_golden(commands.add_parser("golden", help="golden units: is the rig in control today?"))
    add_limits(commands.add_parser("limits", help="limits for a plan out of known good units"))
    add_capability(
        commands.add_parser("capability", help="how a lot or a month lies in its plan's limits")
    )
    add_check(commands.add_parser("check", help="check a rig file and plans; feeds nothing"))
    add_budget(
        commands.add_parser("budget", help="what a reading is worth, at each limit of a plan")
    )
    add_calibrate(commands.add_parser("calibrate", help="hold a station against a reference"))
    add_sync(commands.add_parser("sync", help="send the records to a shop's central ones"))
    add_report(
        commands.add_parser("report", help="suppliers, benches, months and types beside each other")
    )
    add_faults(commands.add_parser("faults", help="list the faults of the simulated bench"))
    add_new(commands.add_parser("new", help="make a rig folder to start from"))
    add_serve(commands.add_parser("serve", help="a bench that is always there, as a service"))
    add_off(commands.add_parser("off", help="take every feed of the rig off"))
    return parser


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
