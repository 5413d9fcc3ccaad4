"""The starts of a run laid out for the fit: which samples count, and how much each may be off."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from rig.analysis.backemf import integral
from rig.analysis.levels import running_mean
from rig.analysis.run_up import CONVERSION_S
from rig.analysis.trace import BoolArray, FloatArray
from rig.analysis.turned import Turned

# The run-up is looked at for so many time constants, and for this part of the drive at most; all of
# so many samples, and fewer of the level that follows.
SPAN, PART_MOST = 6.0, 0.4
SAMPLES_MOST, THINNED = 160, 8
# The model's own error as a part of the current: brushes, ripple, the supply's line (guess).
MODEL_PART = 0.004
# Contacts bounce this long (s, common relay data: 1 to 3 ms); a sample of that time may then be
# this part of the peak off (guess).
BOUNCE_S, BOUNCE_PART = 0.003, 0.02
# A load may have changed by this part when the run-up is over: a spring, a cable's slack (guess);
# or by all that the current changes afterwards, up to this part of the inrush.
LOAD_PART, CHANGE_MOST = 0.5, 0.3
# The charge of the first samples is known to this part of the peak times the sample distance:
# what is between the conversions is not seen.
CHARGE_PART = 0.25


@dataclass(frozen=True, slots=True)
class Starts:
    """Samples of all starts laid end to end; ``of`` says whose each is, ``early`` which may bounce.

    For each start: ``volts`` and ``source_ohm`` of the supply; ``off_k`` predicted rise less their
    mean (K); ``charge_c`` that the first samples hold up to ``charge_s``, known to ``charge_u_c``;
    ``tau_s``, ``load_a`` and ``peak_a`` at first look.  ``step_s`` is the sample distance (s).
    """

    since_s: FloatArray
    current_a: FloatArray
    sigma_a: FloatArray
    of: np.ndarray
    early: BoolArray
    volts: FloatArray
    source_ohm: FloatArray
    off_k: FloatArray
    charge_c: FloatArray
    charge_s: FloatArray
    charge_u_c: FloatArray
    step_s: float
    tau_s: FloatArray
    load_a: FloatArray
    peak_a: FloatArray

    @property
    def count(self) -> int:
        """How many starts there are."""
        return len(self.volts)

    def without_early(self, bounced: BoolArray) -> Starts:
        """Return the same with the early samples of the ``bounced`` starts left out."""
        keep = ~(self.early & bounced[self.of])
        return replace(
            self,
            since_s=self.since_s[keep],
            current_a=self.current_a[keep],
            sigma_a=self.sigma_a[keep],
            of=self.of[keep],
            early=self.early[keep],
        )


def lay_out(starts: Sequence[Turned], off_k: FloatArray) -> Starts:
    """Return the starts laid out; each must have a supply line."""
    each = [_lay_out(start) for start in starts]
    columns = [np.concatenate([one[k] for one in each]) for k in range(4)]
    of = np.concatenate([np.full(len(one[0]), k) for k, one in enumerate(each)])
    single = np.array([one[4:] for one in each]).T
    lines = [start.line for start in starts if start.line is not None]
    return Starts(
        since_s=columns[0],
        current_a=columns[1],
        sigma_a=columns[2],
        of=of,
        early=columns[3].astype(np.bool_),
        volts=np.array([line.volts for line in lines]),
        source_ohm=np.array([line.ohm for line in lines]),
        off_k=off_k,
        charge_c=single[0],
        charge_s=single[1],
        charge_u_c=CHARGE_PART * single[2] * single[5],
        step_s=float(np.median(single[2])),
        tau_s=single[3],
        load_a=single[4],
        peak_a=single[5],
    )


def _lay_out(
    start: Turned,
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray, float, float, float, float, float, float]:
    tau_s, load_a, change_a = _first_look(start)
    time_s = start.time_s - start.begin_s
    span_s = min(max(SPAN * tau_s, 0.02), PART_MOST * float(time_s[-1]))
    # A dropout ends what can be followed: afterwards the motor is no longer where it would be.
    out = np.flatnonzero(~start.closed)
    used = np.flatnonzero(time_s[: out[0] if len(out) else None] < span_s)
    if len(used) > SAMPLES_MOST:
        used = np.concatenate((used[:SAMPLES_MOST], used[SAMPLES_MOST::THINNED]))
    current_a = start.current_a[used]
    peak_a = float(start.current_a.max())
    early = np.abs(time_s[used]) < BOUNCE_S
    bounce_a = np.where(early, BOUNCE_PART * peak_a, 0.0)
    off_a = change_a * (np.maximum(time_s[used], 0.0) / (SPAN * tau_s)) ** 2
    square = start.noise_a**2 + (MODEL_PART * current_a) ** 2 + bounce_a**2 + off_a**2
    sigma_a = np.maximum(np.sqrt(square), 1e-4)
    charge_c, charge_s, step_s = _first_charge(start, time_s)
    single = (charge_c, charge_s, step_s, tau_s, load_a, peak_a)
    return time_s[used], current_a, sigma_a, early, *single


def _first_charge(start: Turned, time_s: FloatArray) -> tuple[float, float, float]:
    """Return the charge (C) of the samples that may bounce, until when (s), and their distance."""
    last = min(int(np.searchsorted(time_s, BOUNCE_S)), len(time_s) - 1)
    first = max(start.begin - 1, 0)
    current_a = start.current_a[first : last + 1].copy()
    if start.begin > 0:
        current_a[0] = 0.0
    step_s = float(time_s[last] - time_s[first]) / max(last - first, 1)
    # A reading is the mean of a conversion that ends at its stamp.
    until_s = float(time_s[last]) - 0.5 * CONVERSION_S
    return integral(time_s[first : last + 1], current_a), until_s, step_s


def _first_look(start: Turned) -> tuple[float, float, float]:
    """Return about how fast the current falls (s), to what, and by what that may change (A)."""
    current_a = start.current_a[start.driven]
    time_s = start.time_s[start.driven]
    n = len(current_a)
    calm = running_mean(current_a, max(5, n // 20))
    # It has run up where the current is lowest; what comes after is its load, or a jam.
    load_a = max(float(calm[: max(n // 2, 1)].min()), 0.0)
    top = int(np.argmax(current_a[: max(n // 3, 1)]))
    excess = current_a[top:] - load_a
    below = np.flatnonzero(excess < 0.368 * excess[0])
    fall = int(below[0]) if len(below) else len(excess) - 1
    after = calm[min(top + 4 * fall, n - 1) :]
    changes_a = min(float(after.max() - after.min()), CHANGE_MOST * float(excess[0]))
    change_a = max(LOAD_PART * load_a, changes_a)
    return max(float(time_s[top + fall] - time_s[top]), 1e-3), load_a, change_a
