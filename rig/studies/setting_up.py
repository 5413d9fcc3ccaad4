"""Setting a study of the rig up: what was asked for, checked in words, for command and console."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime

from rig.labels import NAME_LONGEST, SERIAL_LONGEST, trouble_with
from rig.plans import HALF_TURN_GUESS_S, Plan
from rig.records.study_model import GoldenStart, StudyStart
from rig.run_values import BY_NAME
from rig.studies.golden import USUAL_BASELINE, USUAL_MEASURES
from rig.studies.order import DesignError, draw_order

SEED_MOST = 999_999_999


def study_start(
    name: str,
    plan: Plan,
    station: str,
    parts: Sequence[str],
    operators: Sequence[str],
    trials: int,
    note: str = "",
    seed: int | None = None,
) -> StudyStart:
    """Return a gauge study as asked for, its order drawn with ``seed`` (None: drawn too).

    Raises DesignError.
    """
    name, note = needed_text("name", "The name", name, NAME_LONGEST), note.strip()
    parts = [needed_text("parts", "A part's serial number", part, SERIAL_LONGEST) for part in parts]
    operators = [
        needed_text("operators", "An operator's name", operator, NAME_LONGEST)
        for operator in operators
    ]
    need_printable("note", "The note", note, NAME_LONGEST)
    seed = drawn_seed(seed)
    order = draw_order(parts, operators, trials, seed)
    return StudyStart(name, plan.name, plan.text, station, datetime.now(UTC), seed, order, note)


def golden_start(
    serial: str,
    plan: Plan,
    station: str,
    measures: Sequence[str] = (),
    operator: str = "",
    baseline: int = USUAL_BASELINE,
) -> GoldenStart:
    """Return a unit as it is to be declared golden; no ``measures``: the usual ones.

    Raises DesignError.
    """
    serial = needed_text("serial", "The serial number", serial, SERIAL_LONGEST)
    operator = operator.strip()
    need_printable("operator", "The operator's name", operator, NAME_LONGEST)
    for measure in measures:
        if measure not in BY_NAME:
            raise DesignError(
                f"There is no measure '{measure}': {', '.join(BY_NAME)}.", about="measures"
            )
    return GoldenStart(
        serial,
        plan.unit.type,
        plan.name,
        station,
        baseline,
        tuple(dict.fromkeys(measures)) or USUAL_MEASURES,
        datetime.now(UTC),
        operator,
    )


def drawn_seed(seed: int | None) -> int:
    """Return the seed that was given, or one that is drawn; DesignError if it cannot be kept."""
    if seed is None:
        return random.SystemRandom().randrange(1_000_000)
    if not 0 <= seed <= SEED_MOST:
        raise DesignError(f"A seed is a whole number from 0 to {SEED_MOST}.", about="seed")
    return seed


def expected_run_s(plan: Plan) -> float:
    """Return how long a run of ``plan`` will take (s), before anything is known of the unit."""
    return sum(step.expected_s(HALF_TURN_GUESS_S) for step in plan.steps)


def needed_text(about: str, called: str, text: str, longest: int) -> str:
    """Return what was typed without blanks around it, if it may stand on a record.

    Raises DesignError about ``about``, whose sentence begins with ``called``.
    """
    text = text.strip()
    if not text:
        raise DesignError(f"{called} is empty.", about=about)
    need_printable(about, called, text, longest)
    return text


def need_printable(about: str, called: str, text: str, longest: int) -> None:
    """Raise DesignError if ``text`` has what may not stand on a record."""
    trouble = trouble_with(text, longest)
    if trouble:
        raise DesignError(f"{called} {trouble}", about=about)
