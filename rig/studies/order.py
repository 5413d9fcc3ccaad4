"""The order in which the trials of a gauge study are made."""

from __future__ import annotations

import random
from collections.abc import Sequence

from rig.records.study_model import TrialPlanned


class DesignError(ValueError):
    """A study that cannot be set up so; the message is a sentence.

    ``about`` is what of it is wrong, by the name it was asked for with; "" if it is the whole.
    """

    def __init__(self, sentence: str, *, about: str = "") -> None:
        super().__init__(sentence)
        self.about = about


LEAST_PARTS, LEAST_OPERATORS, LEAST_TRIALS = 2, 2, 2
MOST_TRIALS = 1000  # of all: days of work


def draw_order(
    parts: Sequence[str], operators: Sequence[str], trials: int, seed: int
) -> tuple[TrialPlanned, ...]:
    """Return every part by every operator ``trials`` times, in an order drawn with ``seed``.

    Round by round (trial 1 of everything, then trial 2), the operators in a drawn order and each
    with the parts in a new one: nobody measures a part twice in a row remembering what came out (a
    round that would begin so is drawn again), and drift of the rig falls on all alike.  Raises
    DesignError.
    """
    for what, names, least in (
        ("parts", parts, LEAST_PARTS),
        ("operators", operators, LEAST_OPERATORS),
    ):
        twice = sorted({name for name in names if list(names).count(name) > 1})
        if twice:
            raise DesignError(f"{', '.join(twice)} is named twice among the {what}.", about=what)
        if len(names) < least:
            raise DesignError(f"A gauge study needs at least {least} {what}.", about=what)
    if trials < LEAST_TRIALS:
        raise DesignError(
            f"A gauge study needs at least {LEAST_TRIALS} trials of each part by each operator, or "
            "its repeatability cannot be seen.",
            about="trials",
        )
    count = len(parts) * len(operators) * trials
    if count > MOST_TRIALS:
        raise DesignError(f"That would be {count} runs; {MOST_TRIALS} are the most of a study.")
    chance = random.Random(seed)
    order: list[TrialPlanned] = []
    for trial in range(1, trials + 1):
        for operator in chance.sample(list(operators), len(operators)):
            drawn = chance.sample(list(parts), len(parts))
            while order and (order[-1].operator, order[-1].part) == (operator, drawn[0]):
                drawn = chance.sample(list(parts), len(parts))
            order += [TrialPlanned(part, operator, trial) for part in drawn]
    return tuple(order)
