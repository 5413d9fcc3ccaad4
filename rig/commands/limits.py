"""`halfturn limits`: limits for a plan out of the records of units that are known to be good."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from shlex import quote
from typing import TYPE_CHECKING

from rig.analysis.model import Verdict
from rig.commands import exits
from rig.commands.common import (
    open_records,
    picture_path,
    plan_of,
    records_path,
    settings_or_starter,
)
from rig.commands.exits import CommandError
from rig.commands.streams import say, tell
from rig.commands.terminal import wrapped
from rig.commands.unit_runs import (
    PASSES,
    chosen_runs,
    draw_spreads,
    need_share,
    serials_asked,
    wanted_runs,
)
from rig.labels import shown
from rig.plans import Plan, plan_from_text
from rig.settings import RigSettings
from rig.wholefile import whole_file

if TYPE_CHECKING:
    from rig.studies.known_good import Pair, Proposals


def run(options: argparse.Namespace) -> int:
    """Propose limits.

    All that can be wrong in the words of the command line is told before records and statistics
    are imported.
    """
    need_share("--coverage", options.coverage)
    need_share("--confidence", options.confidence)
    if not (options.reference or options.serial or options.serials or options.since):
        raise CommandError(
            exits.USAGE,
            "say which units are known to be good: --reference with their lot, --serial (again "
            "for more), --serials with a file of serial numbers, or --since with a date.",
        )
    picture = picture_path(options.picture)
    serials, wanted = serials_asked(options), wanted_runs(options)
    settings = settings_or_starter(options)
    plan = plan_of(options.plan, settings)
    out = _out(options, plan)
    keys = _keys(options.limit)

    from rig.studies.known_good import Asked, propose, values_of
    from rig.studies.known_good_words import comments_of, outright_words, proposal_lines
    from rig.studies.plan_text import literal, table_of
    from rig.studies.spread_json import proposals_object

    verdicts = PASSES | {Verdict(word) for word in options.include}
    with open_records(records_path(options, settings)) as store:
        chosen = chosen_runs(store, options, serials, plan, wanted, verdicts=verdicts, whole=True)
    asked = Asked(options.coverage, options.confidence, options.with_band)
    found = propose(chosen, asked, keys)
    values = {
        key: literal(value)
        for proposal in found.found
        for key, value in values_of(proposal, found.limits).items()
    }
    comments = comments_of(found)
    # A plan that would be refused is told before anything is written.
    edited = None if out is None else _edited(plan, out, values, comments)
    if options.json:
        say(json.dumps(proposals_object(found), indent=2))
    else:
        say("\n".join(proposal_lines(found, plot=options.plot)))
        if values and out is None:
            say()
            say(table_of(values, comments).rstrip())
    if picture is not None:
        _draw(picture, found)
    if out is not None and edited is not None:
        with whole_file(out) as file:
            file.write(edited.encode())
        count = f"{len(values)} proposed limit{'' if len(values) == 1 else 's'}"
        tell(f"{out}: plan {plan.name} with {count}.")
        if options.json:  # else it is the text's own last sentence
            tell(wrapped(outright_words(found)))
        tell(_then(out, settings))
    return exits.PASS if values else exits.RETEST


def _then(out: Path, settings: RigSettings) -> str:
    """Return what is done next with the plan that was written."""
    if out.resolve().parent == settings.plans.resolve():
        name = quote(out.stem)
        return f"Check it with `halfturn check {name}`; then it is the plan {name} of this rig."
    return (
        f"Check it with `halfturn check {quote(str(out))}`. It is not among the rig's plans:\n"
        f"to have it in the console's list, move it into {settings.plans}."
    )


def _draw(picture: Path, found: Proposals) -> None:
    chosen = found.chosen
    world = "SIMULATED: " if chosen.simulated else ""
    title = f"{world}{len(chosen.records)} known good units, plan {chosen.plan.name}"
    drawn = [(one.readings, _numbers(one.today), _numbers(one.proposed)) for one in found.found]
    draw_spreads(picture, drawn, title)


def _numbers(pair: Pair) -> list[float]:
    return [limit for limit in (pair.low, pair.high) if limit is not None]


def _keys(asked: list[str]) -> list[str]:
    from rig.studies.binding import BOUND_BY_KEY, OF_NO_UNIT

    for key in asked:
        if key in OF_NO_UNIT:
            raise CommandError(
                exits.USAGE, f"{key} is not set by known good units: {OF_NO_UNIT[key]}."
            )
        if key not in BOUND_BY_KEY:
            names = ", ".join(BOUND_BY_KEY)
            raise CommandError(
                exits.USAGE, f"there is no limit '{shown(key)[:40]}' to propose; there are {names}."
            )
    return asked


def _out(options: argparse.Namespace, plan: Plan) -> Path | None:
    """Return where the plan's copy goes; CommandError if it may not go there."""
    if options.out is None:
        return None
    out = Path(options.out)
    if out.suffix != ".toml":
        raise CommandError(exits.USAGE, f"a plan is saved as .toml, not as '{out}'.")
    if out.exists() and not options.replace:
        same = out.samefile(plan.file) if plan.file.exists() else False
        what = "is the plan itself" if same else "is there already"
        raise CommandError(
            exits.USAGE,
            f"{out} {what}; give another name, or --replace if its limits may be replaced.",
        )
    return out


def _edited(plan: Plan, out: Path, values: dict[str, str], comments: dict[str, list[str]]) -> str:
    """Return the plan's text with the proposed limits; PlanError if the plan would be refused."""
    from rig.studies.plan_text import PlanTextError, with_limits

    if not values:
        raise CommandError(exits.RETEST, "no limit is proposed, so no plan was written.")
    try:
        text = with_limits(plan.text, values, comments)
    except PlanTextError as error:
        raise CommandError(exits.FILES, f"{error}.") from None
    plan_from_text(text, out)
    return text
