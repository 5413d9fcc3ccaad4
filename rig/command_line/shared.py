"""Options that several commands have."""

from __future__ import annotations

import argparse

from rig.command_line.base import whole

RIG_HELP = "rig file (default: rig.toml in this folder)"


def add_rig(parser: argparse.ArgumentParser, rig: str = RIG_HELP) -> None:
    """Add the rig file and one of its stations."""
    add_rig_file(parser, rig)
    parser.add_argument("--station", metavar="NAME", help="station (default: the rig's first)")


def add_rig_file(parser: argparse.ArgumentParser, rig: str = RIG_HELP) -> None:
    """Add the rig file."""
    parser.add_argument("--rig", metavar="FILE", help=rig)


def add_records_file(parser: argparse.ArgumentParser) -> None:
    """Add the records file."""
    parser.add_argument(
        "--records", metavar="FILE", help="records file (default: in the rig's logs)"
    )


def add_backend(parser: argparse.ArgumentParser) -> None:
    """Add the backend."""
    parser.add_argument("--backend", metavar="NAME", help="pi, simulated or package.module:factory")


def add_output(parser: argparse.ArgumentParser) -> None:
    """Add how progress and result are printed."""
    parser.add_argument("--json", action="store_true", help="print one JSON object at the end")
    parser.add_argument("--quiet", action="store_true", help="no progress on standard error")


def add_unit(parser: argparse.ArgumentParser) -> None:
    """Add the unit, who tests it and what for."""
    parser.add_argument("--unit", metavar="SERIAL", help="the unit's serial number")
    parser.add_argument("--operator", default="", help="who runs the test")
    parser.add_argument(
        "--source",
        choices=("not_told", "own_rebuild", "customer_job", "delivery_lot"),
        default="not_told",
        help="where the unit came from (not_told)",
    )
    parser.add_argument("--reference", default="", help="job or lot number")
    add_consent(parser)


def add_consent(parser: argparse.ArgumentParser) -> None:
    """Add that the cautions are accepted beforehand."""
    parser.add_argument(
        "--accept-cautions",
        action="store_true",
        help="you have read the cautions and guarded the jig (else you are asked)",
    )


def add_ask(simulated: argparse._ArgumentGroup) -> None:
    """Add that the operator answers what simulated hands would."""
    simulated.add_argument(
        "--ask",
        action="store_true",
        help="answer every question yourself (else the simulated hands do)",
    )


def add_simulated(parser: argparse.ArgumentParser) -> argparse._ArgumentGroup:
    """Add what is set on the simulated bench; return the group."""
    simulated = parser.add_argument_group("simulated bench")
    simulated.add_argument(
        "--fault",
        action="append",
        default=[],
        metavar="[STATION:]NAME[=DEGREE][@S][+S]",
        help="a fault of the unit or the rig, again for more (see `halfturn faults`)",
    )
    simulated.add_argument(
        "--seed", type=whole("one, as in --seed 7"), default=1, help="which unit and noise (1)"
    )
    simulated.add_argument(
        "--set", action="append", default=[], metavar="NAME=VALUE", help="a setting of the world"
    )
    simulated.add_argument(
        "--real-time", action="store_true", help="run at the speed of a real bench"
    )
    return simulated


def add_study_run(parser: argparse.ArgumentParser) -> None:
    """A run of which the study says plan and unit."""
    add_rig(parser)
    add_records_file(parser)
    add_consent(parser)
    parser.add_argument("--operator", default="", help="who runs the test")
    add_output(parser)
    add_backend(parser)
    add_simulated(parser)


def add_run_filter(parser: argparse.ArgumentParser) -> None:
    """Which runs are wanted; left out, all of them."""
    parser.add_argument("--serial", help="only this unit")
    parser.add_argument("--reference", help="only this job or lot")
    parser.add_argument("--verdict", choices=("pass", "fail", "retest"))
    parser.add_argument("--plan", help="only this plan")
    parser.add_argument("--since", metavar="YYYY-MM-DD")
    parser.add_argument("--until", metavar="YYYY-MM-DD", help="up to and with this day")


def add_unit_runs(parser: argparse.ArgumentParser) -> None:
    """Which recorded runs count."""
    parser.add_argument("--reference", help="the units of this job or lot")
    parser.add_argument("--serial", action="append", default=[], help="this unit, again for more")
    parser.add_argument("--serials", metavar="FILE", help="the units of a file, one a line")
    parser.add_argument(
        "--without", action="append", default=[], metavar="SERIAL", help="not this unit"
    )
    parser.add_argument("--since", metavar="YYYY-MM-DD")
    parser.add_argument("--until", metavar="YYYY-MM-DD", help="up to and with this day")
    add_rig_file(parser)
    add_records_file(parser)


def add_spread_output(parser: argparse.ArgumentParser) -> None:
    """Add how limits and capability are printed and drawn."""
    parser.add_argument("--plot", action="store_true", help="normal probability plots as text")
    parser.add_argument("--picture", metavar="FILE", help="draw them (.png, .svg or .pdf)")
    parser.add_argument("--json", action="store_true", help="print one JSON object")
