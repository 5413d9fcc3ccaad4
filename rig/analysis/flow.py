"""What of a window's current is a current, and what is noise about the rest level.

No threshold here is a number of amperes: all follow from the noise and the current of the window
itself.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rig.analysis.levels import level, median3, noise, running_mean
from rig.analysis.trace import FloatArray

# Noise in standard deviations that no sample of a whole run reaches by chance, spikes taken out.
NOISE_SIGMAS = 5.0
# Below this part of the running current a current is as good as rest.
QUIET = 0.03
# So many samples above the noise are a current.
SAMPLES_OF_FLOW = 3
# Smoothing may blur no more than this (s).
BLUR_S = 0.030
# A blip that short (s), that long (s) after the current had ended, is interference.
BLIP_S, BLIP_AFTER_S = 0.005, 0.1
# Of smoothed noise a rare peak may top the threshold, but hardly by this factor.
FAINT = 1.5


@dataclass(frozen=True, slots=True)
class Rest:
    """A rest level (A) and the noise about it (standard deviation, A), with its samples.

    ``lively`` tells that most of the samples differed from the one before.
    """

    level_a: float
    noise_a: float
    samples_a: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def lively(self) -> bool:
        """Whether most samples differ from the one before: the sensor is alive."""
        moves = np.count_nonzero(self.samples_a[1:] != self.samples_a[:-1])
        return 2 * int(moves) > len(self.samples_a)

    def smoothed_noise_a(self, width: int) -> float:
        """Return the noise of the running mean over ``width`` samples (A).

        White noise falls with the root of the width; hum does not, so the samples are asked.
        """
        white_a = self.noise_a / float(np.sqrt(width))
        if width == 1 or len(self.samples_a) < 3 * width:
            return white_a
        smooth = running_mean(self.samples_a, width)[width // 2 : -(width // 2)]
        return max(white_a, noise(smooth, self.level_a))


@dataclass(frozen=True, slots=True)
class Flow:
    """The current of a window against rest: smoothed, its running level, what counts as flowing."""

    smooth_a: FloatArray
    width: int
    running_a: float
    threshold_a: float


def see_flow(above_a: FloatArray, rest: Rest, step_s: float, least_a: float) -> Flow | None:
    """Return what flows in a window (A above ``rest``); None if nothing does.

    ``least_a`` is the current below which nothing can be said to flow.
    """
    clean = median3(above_a)
    smooth = clean
    width_most = max(1, int(BLUR_S / step_s)) if step_s > 0 else 1
    width = 1
    while True:
        size = np.abs(smooth)
        floor = NOISE_SIGMAS * rest.smoothed_noise_a(width)
        # Two spikes side by side pass the median: three samples must agree.
        if int(np.count_nonzero(size > max(1.2 * floor, least_a))) >= SAMPLES_OF_FLOW:
            break
        if width >= width_most:
            return None
        width = min(4 * width, width_most)
        most_a = NOISE_SIGMAS * rest.noise_a
        smooth = running_mean(np.clip(clean, -most_a, most_a), width)
    top = float(size.max())
    running_a = level(size[size > max(0.02 * top, floor)])
    # Smooth until the noise threshold is a small part of the running current, but not further.
    wanted = int(np.ceil((NOISE_SIGMAS * rest.noise_a / (0.15 * running_a)) ** 2))
    wanted = min(max(wanted, 1), width_most)
    if wanted > width:
        width = wanted
        smooth = running_mean(clean, width)
    threshold_a = max(NOISE_SIGMAS * rest.smoothed_noise_a(width), QUIET * running_a)
    return Flow(smooth, width, running_a, float(threshold_a))


def last_flowing(time_s: FloatArray, flow: Flow, rest_a: float) -> int:
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
