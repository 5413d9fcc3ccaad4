"""Placing the moment a current was cut off, between samples and in noise."""

from __future__ import annotations

import numpy as np

from rig.analysis.trace import FloatArray


def between_samples(
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


def likeliest(
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
    first = min(first, end - 1)
    if first < 0:
        return float(time_s[last]), 0.0, last
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
