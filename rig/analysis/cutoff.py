"""When a current ended for good: the last fall to a rest level that stays until the feed changes.

No threshold here is a number of amperes: all follow from the noise and the current of the window
itself.  In quiet traces the last sample above rest marks the cut-off; in noisy ones the most
likely place of a step between the two levels does (the likelihood of every place is summed, and
its spread is the uncertainty).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from rig.analysis.levels import level, median, median3, running_mean
from rig.analysis.trace import FloatArray

# Parts of the running current.  Below QUIET a current is as good as rest; a new rest level
# (leakage that begins with parking) may be as high as LEAK_MOST if it is reached by a sharp step.
QUIET = 0.03
LEAK_MOST = 0.6
SHARP = 0.6
# In noise thresholds, how far a sharp step to a new rest level must stand out.
STANDS_OUT = 1.6
# Just before it ends the current is below this part of what it was ten samples earlier: it fades.
FADING = 0.45
# In much noise a current ran out if over a quarter of its time, so many samples at least, it lost
# this part of the last step.
RUN_OUT, RAN_OUT = 24, 0.75
# Of the step, what may be left just after it.
LEFT = 0.15
# Noise in standard deviations that no sample of a whole run reaches by chance, spikes taken out.
NOISE_SIGMAS = 5.0
# So many samples above the noise are a current.
SAMPLES_OF_FLOW = 3
# Smoothing may blur no more than this (s); the place of the step is then found in the raw samples.
BLUR_S = 0.030
# A blip that short (s), that long (s) after the current had ended, is interference.
BLIP_S, BLIP_AFTER_S = 0.005, 0.1
# Of smoothed noise a rare peak may top the threshold, but hardly by this factor.
FAINT = 1.5
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
    the rest level is above that before the half-turn.
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


@dataclass(frozen=True, slots=True)
class Flow:
    """The current of a window against rest: smoothed, its running level, what counts as flowing."""

    smooth_a: FloatArray
    width: int
    running_a: float
    threshold_a: float


def see_flow(above_a: FloatArray, noise_a: float, step_s: float, least_a: float) -> Flow | None:
    """Return what flows in a window (A above rest); None if nothing does.

    ``least_a`` is the current below which nothing can be said to flow.
    """
    clean = median3(above_a)
    smooth = clean
    width_most = max(1, int(BLUR_S / step_s)) if step_s > 0 else 1
    width = 1
    while True:
        size = np.abs(smooth)
        floor = NOISE_SIGMAS * noise_a / np.sqrt(width)
        # Two spikes side by side pass the median: three samples must agree.
        if int(np.count_nonzero(size > max(1.2 * floor, least_a))) >= SAMPLES_OF_FLOW:
            break
        if width >= width_most:
            return None
        width = min(4 * width, width_most)
        most_a = NOISE_SIGMAS * noise_a
        smooth = running_mean(np.clip(clean, -most_a, most_a), width)
    top = float(size.max())
    running_a = level(size[size > max(0.02 * top, floor)])
    # Smooth until the noise threshold is a small part of the running current, but not further.
    wanted = int(np.ceil((NOISE_SIGMAS * noise_a / (0.15 * running_a)) ** 2))
    wanted = min(max(wanted, 1), width_most)
    if wanted > width:
        width = wanted
        smooth = running_mean(clean, width)
    threshold_a = max(NOISE_SIGMAS * noise_a / np.sqrt(width), QUIET * running_a)
    return Flow(smooth, width, running_a, float(threshold_a))


def find_cut(time_s: FloatArray, above_a: FloatArray, flow: Flow, noise_a: float) -> Cut | None:
    """Return the cut-off in a window; None if current flows until the window's end."""
    n = len(above_a)
    step_s = (float(time_s[-1]) - float(time_s[0])) / max(n - 1, 1)
    rest_count = max(REST_SAMPLES, int(REST_S / step_s)) if step_s > 0 else REST_SAMPLES
    tail = max(rest_count, min(int(TAIL_S / step_s), n // 4)) if step_s > 0 else rest_count
    tail_a = level(above_a[-tail:])
    near_a = max(QUIET * flow.running_a, NOISE_SIGMAS * noise_a / np.sqrt(tail))
    if abs(tail_a) <= near_a:
        last = _last_flowing(time_s, flow, tail_a)
        if n - 1 - last >= rest_count:
            return _refined(time_s, above_a, last, tail_a, flow, noise_a)
    else:
        last = _last_flowing(time_s, flow, tail_a)
        if n - 1 - last >= max(tail // 2, rest_count) and _is_sharp(flow, last, tail_a):
            return _refined(time_s, above_a, last, tail_a, flow, noise_a)
    last = _last_flowing(time_s, flow, 0.0)
    if n - 1 - last >= rest_count:
        return _refined(time_s, above_a, last, 0.0, flow, noise_a)
    return None


def _last_flowing(time_s: FloatArray, flow: Flow, rest_a: float) -> int:
    """Return the last sample that differs from ``rest_a``, blips long after it left out.

    -1 if none does.
    """
    size = np.abs(flow.smooth_a - rest_a)
    where = np.flatnonzero(size > flow.threshold_a)
    while len(where) > 1:
        gaps = np.diff(where[-64:])
        breaks = np.flatnonzero(gaps > max(2 * flow.width, 2))
        if len(breaks) == 0:
            break
        begin = len(where) - len(gaps) + int(breaks[-1])
        blip = where[begin:]
        lasts_s = float(time_s[blip[-1]] - time_s[blip[0]])
        after_s = float(time_s[blip[0]] - time_s[where[begin - 1]])
        is_short = lasts_s <= BLIP_S and after_s > BLIP_AFTER_S
        is_faint = after_s > 3.0 * lasts_s and float(size[blip].max()) < FAINT * flow.threshold_a
        if not (is_short or (is_faint and flow.width > 1)):
            break
        where = where[:begin]
    return int(where[-1]) if len(where) else -1


def _is_sharp(flow: Flow, last: int, rest_a: float) -> bool:
    """Whether the current steps down to ``rest_a`` as only a contact can make it.

    A motor that speeds up or sheds its load comes down in a curve that runs into its new level:
    just before it arrives little is left to fall.
    """
    lag = flow.width // 2
    near = flow.smooth_a[max(last - lag - 3, 0) : max(last - lag, 0)] - rest_a
    far = flow.smooth_a[max(last - lag - 12, 0) : max(last - lag - 4, 0)] - rest_a
    if len(near) < 2 or len(far) < 2:
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
        near_s, half_s, last = _between_samples(time_s, over, last, step_a, noise_a)
    else:
        near_s, u_s, last = _likeliest(time_s, over, (begin, last), step_a, flow.width, noise_a)
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
        left_a = float(left.mean()) * np.sign(step_a)
        if left_a > LEFT * abs(step_a) + 3.0 * noise_a / np.sqrt(len(left)):
            return True
    if NOISE_SIGMAS * noise_a < 0.5 * abs(step_a):  # what was lost just before is plain to see
        end, width = last - flow.width // 2, 10
        far = over_a[max(end - width - 4, 0) : max(end - 4, 0)]
        return len(far) > 4 and abs(step_a) < FADING * abs(median(far))
    # In much noise: over its last quarter it lost more than was left for the contact to cut.
    end = max(last - flow.width // 2, 0)
    count = min(max(end // 4, RUN_OUT), 4 * RUN_OUT)
    before = over_a[max(end - count, 0) : end]
    if len(before) < RUN_OUT // 2:
        return False
    x = np.arange(len(before)) - 0.5 * (len(before) - 1)
    lost_a = -float(x @ before) / float(x @ x) * len(before) * np.sign(step_a)
    return bool(lost_a > RAN_OUT * abs(step_a))


def _between_samples(
    time_s: FloatArray, over_a: FloatArray, last: int, step_a: float, noise_a: float
) -> tuple[float, float, int]:
    """Return time, half width and last sample of a cut-off that stands clear of the noise.

    A sample between the levels caught the cut-off within its own conversion and shares it out;
    how long a conversion lasts is not known, so half the sample distance is taken.
    """
    n = len(over_a)
    # A threshold low against the step may take a sample of noise for flow: step back over those.
    while last > 0 and abs(over_a[last]) < max(3.0 * noise_a, 0.02 * abs(step_a)):
        last -= 1
    after = min(last + 1, n - 1)
    part = float(over_a[last]) / step_a if step_a else 1.0
    gap_s = float(time_s[after] - time_s[last])
    if 0.0 < part < 0.85 and last > 0:
        span_s = min(0.5 * float(time_s[after] - time_s[last - 1]), gap_s)
        return float(time_s[last]) + (part - 0.5) * 0.5 * span_s, 0.25 * span_s, last
    return 0.5 * float(time_s[last] + time_s[after]), 0.5 * gap_s, last


def _likeliest(
    time_s: FloatArray,
    over_a: FloatArray,
    stretch: tuple[int, int],
    step_a: float,
    width: int,
    noise_a: float,
) -> tuple[float, float, int]:
    """Return time, standard uncertainty and last sample of a cut-off buried in noise.

    Log likelihood of "running at ``step_a`` up to sample k, at rest after", summed over the
    samples: the cumulative sum of step (x - step/2) / sigma^2 (textbook change-point estimate).
    """
    n = len(over_a)
    begin, last = stretch
    first = max(last - 3 * width - 6, begin)
    end = min(last + width + 6, n - 1)
    sigma_a = max(noise_a, 0.1 * abs(step_a))
    # A spike must not outweigh the samples about it: none counts for more than two.
    part = np.clip(over_a[first:end] / step_a, -0.5, 1.5)
    gain = (part - 0.5) * (step_a / sigma_a) ** 2
    total = np.cumsum(gain)
    weight = np.exp(total - total.max())
    weight /= weight.sum()
    places = 0.5 * (time_s[first:end] + time_s[first + 1 : end + 1])
    mean_s = float(weight @ places)
    u_s = float(np.sqrt(weight @ (places - mean_s) ** 2))
    return mean_s, u_s, first + int(np.argmax(total))
