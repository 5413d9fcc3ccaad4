"""When a current ended for good: the last fall to a rest level that stays until the feed changes.

In quiet traces the last sample above rest marks the cut-off; in noisy ones the most likely place
of a step between the two levels does (the likelihood of every place is summed, and its spread is
the uncertainty).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.flow import NOISE_SIGMAS, QUIET, Flow, last_flowing
from rig.analysis.levels import level, median
from rig.analysis.step import between_samples, likeliest
from rig.analysis.trace import FloatArray

# A new rest level (leakage that begins with parking) may be this part of the running current, if
# it is reached by a sharp step ...
LEAK_MOST = 0.6
SHARP = 0.6
# ... that stands out by so many noise thresholds.
STANDS_OUT = 1.6
# Just before it ends the current is below this part of what it was ten samples earlier: it fades.
FADING = 0.45
# In much noise a current ran out if over a quarter of its time, so many samples at least, it lost
# this part of the last step.
RUN_OUT, RAN_OUT = 24, 0.75
# In little noise a current ran out if the step is below so many thresholds.
RAN_DRY = 3.0
# Of the step, what may be left just after it.
LEFT = 0.15
# The level at the window's end is taken over this at most (s), or a quarter of the window.
TAIL_S = 0.5
# Rest must be seen this long (s, and samples) to count; a dropout is shorter, or comes back.
REST_S, REST_SAMPLES = 0.008, 3


@dataclass(frozen=True, slots=True)
class Cut:
    """The end of a current.

    ``last`` is the last sample with current, ``time_s`` when it ended, within ``half_s`` either
    way by the sampling and ``u_s`` (standard) by noise; ``gap_s`` is the distance of the samples
    about it.  ``rest_a`` is the level after, ``step_a`` the fall to it.  ``is_leak`` tells that
    the rest level is above that before the half-turn, ``fades`` that the current ran out so gently
    that the contact may have opened later.
    """

    last: int
    time_s: float
    half_s: float
    u_s: float
    gap_s: float
    rest_a: float
    step_a: float
    is_leak: bool
    fades: bool


def find_cut(time_s: FloatArray, above_a: FloatArray, flow: Flow, noise_a: float) -> Cut | None:
    """Return the cut-off in a window; None if current flows until the window's end."""
    n = len(above_a)
    step_s = (float(time_s[-1]) - float(time_s[0])) / max(n - 1, 1)
    rest_count = max(REST_SAMPLES, int(REST_S / step_s)) if step_s > 0 else REST_SAMPLES
    tail = max(rest_count, min(int(TAIL_S / step_s), n // 4)) if step_s > 0 else rest_count
    tail_a = level(above_a[-tail:])
    near_a = max(QUIET * flow.running_a, NOISE_SIGMAS * noise_a / np.sqrt(tail))
    if abs(tail_a) <= near_a:
        last = last_flowing(time_s, flow, tail_a)
        if n - 1 - last >= rest_count:
            return _refined(time_s, above_a, last, tail_a, flow, noise_a)
    else:
        last = last_flowing(time_s, flow, tail_a)
        if n - 1 - last >= max(tail // 2, rest_count) and _is_sharp(flow, last, tail_a):
            return _refined(time_s, above_a, last, tail_a, flow, noise_a)
    last = last_flowing(time_s, flow, 0.0)
    if n - 1 - last >= rest_count:
        return _refined(time_s, above_a, last, 0.0, flow, noise_a)
    return None


def _is_sharp(flow: Flow, last: int, rest_a: float) -> bool:
    """Whether the current steps down to ``rest_a`` as only a contact can make it.

    A motor that speeds up or sheds its load comes down in a curve that runs into its new level:
    just before it arrives little is left to fall.
    """
    end = last - flow.width // 2
    begin = max(end - 12, int(np.argmax(np.abs(flow.smooth_a) > flow.threshold_a)))
    near = flow.smooth_a[max(end - 3, begin) : end] - rest_a
    far = flow.smooth_a[begin : max(end - 4, begin)] - rest_a
    if len(near) < 3 or len(far) < 6:
        return False
    near_a, far_a = median(near), median(far)
    return (
        near_a > STANDS_OUT * flow.threshold_a
        and near_a > SHARP * far_a
        and near_a > (1.0 / LEAK_MOST - 1.0) * rest_a
    )


def _refined(
    time_s: FloatArray,
    above_a: FloatArray,
    last: int,
    rest_a: float,
    flow: Flow,
    noise_a: float,
) -> Cut:
    """Place the cut-off between samples and settle the rest level after it."""
    n = len(above_a)
    after = above_a[min(last + 2 + flow.width // 2, n - 1) :]
    if len(after) >= REST_SAMPLES:
        rest_a = level(after)
    over = above_a - rest_a
    lag = flow.width // 2
    begin = _stretch_begin(flow, rest_a, last)
    before = over[max(last - lag - max(3, flow.width), begin) : max(last - lag, begin + 1)]
    step_a = median(before)
    is_quiet = flow.width == 1 and NOISE_SIGMAS * noise_a < 0.5 * abs(step_a)
    u_s = 0.0
    if is_quiet or step_a == 0.0:
        near_s, half_s, last = between_samples(time_s, over, last, step_a, noise_a)
    else:
        near_s, u_s, last = likeliest(time_s, over, (begin, last), step_a, flow.width, noise_a)
        half_s = 0.5 * float(time_s[min(last + 1, n - 1)] - time_s[last])
    gap_s = float(time_s[min(last + 1, n - 1)] - time_s[last])
    is_leak = abs(rest_a) > max(QUIET * flow.running_a, NOISE_SIGMAS * noise_a / len(after) ** 0.5)
    fades = _fades(over, last, step_a, flow, noise_a)
    return Cut(last, near_s, half_s, u_s, gap_s, rest_a, step_a, bool(is_leak), fades)


def _stretch_begin(flow: Flow, rest_a: float, last: int) -> int:
    """Return where the current that ended at ``last`` had begun, or begun again."""
    nearest = max(last - 8 * flow.width - 16, 0)
    quiet = np.flatnonzero(np.abs(flow.smooth_a[nearest:last] - rest_a) <= flow.threshold_a)
    return nearest + int(quiet[-1]) + 1 if len(quiet) else nearest


def _fades(over_a: FloatArray, last: int, step_a: float, flow: Flow, noise_a: float) -> bool:
    """Whether the current had run out, or nearly, before it ended.

    A contact leaves nothing behind; a current that fades goes on a little below the threshold.
    """
    count = max(3, flow.width)
    left = over_a[last + 2 : last + 2 + count]
    if len(left) >= 3:
        left_a = median(left) * np.sign(step_a)
        if left_a > LEFT * abs(step_a) + 3.0 * noise_a / np.sqrt(len(left)):
            return True
    if NOISE_SIGMAS * noise_a < 0.5 * abs(step_a):
        return abs(step_a) < RAN_DRY * flow.threshold_a
    # In much noise a small step cannot be told from the end of a fading.
    plateau_a = abs(level(over_a[last // 4 : max(last - flow.width, last // 4 + 1)]))
    part = abs(step_a) / max(plateau_a, 1e-9)
    if part < FADING:
        return True
    # Over its last quarter it lost more than was left for the contact to cut, and goes on so.
    end = max(last - flow.width // 2, 0)
    count = min(max(end // 4, RUN_OUT), 4 * RUN_OUT)
    before = over_a[max(end - count, 0) : end]
    if len(before) < RUN_OUT // 2 or part > SHARP:
        return False
    lost_a = _lost_a(before) * np.sign(step_a)
    lately_a = _lost_a(before[len(before) // 2 :]) * np.sign(step_a)
    return bool(lost_a > RAN_OUT * abs(step_a) and 2.0 * lately_a > abs(step_a))


def _lost_a(values: FloatArray) -> float:
    """Return how far a stretch falls, by its least-squares line (A)."""
    x = np.arange(len(values)) - 0.5 * (len(values) - 1)
    return -float(x @ values) / float(x @ x) * len(values)
