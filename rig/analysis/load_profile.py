"""The current that the load takes over a half-turn.

C de/dt = i - f gives f = i - C de/dt.  It is taken over equal parts of the way between two
cut-offs' ends, the run-up left out.
"""

from __future__ import annotations

import numpy as np

from rig.analysis.followed import Followed
from rig.analysis.levels import running_mean
from rig.analysis.run_up_fit import RunUpFit
from rig.analysis.trace import FloatArray

# Parts of a half-turn that the profile has; what of its end the cam's edge blurs is left out.
PARTS = 24
END_PART = 0.03
# The run-up is over after so many time constants.
RUN_UP = 6.0
# Current at the borders of a part is a mean over so long (s).
SMOOTH_S = 0.008


def load_profile(followed: Followed, fit: RunUpFit) -> FloatArray:
    """Return the load's current (A) in each of PARTS parts of the way; NaN where it is not seen.

    The drive must be one that went half round.
    """
    profile = np.full(PARTS, np.nan)
    # Where the current dropped out there was none to turn the load, whatever bridges the gap.
    drive, current_a, emf_v = followed.drive, followed.drive.current_a, followed.emf_v
    time_s = drive.time_s
    if drive.cut_s is None or len(time_s) < 2 * PARTS:
        return profile
    steps_s = np.diff(time_s)
    steps_vs = 0.5 * steps_s * (emf_v[1:] + emf_v[:-1])
    steps_vs[: drive.begin] = 0.0
    way = np.concatenate(([0.0], np.cumsum(steps_vs)))
    whole = float(way[-1]) + (drive.cut_s - float(time_s[-1])) * float(emf_v[-1])
    charge = np.concatenate(([0.0], np.cumsum(0.5 * steps_s * (current_a[1:] + current_a[:-1]))))
    first = int(np.searchsorted(time_s, drive.begin_s + RUN_UP * fit.time_constant_s))
    width = max(int(SMOOTH_S / float(np.median(steps_s))), 1)
    smooth_v = running_mean(emf_v, width)
    borders = np.searchsorted(way, whole * np.linspace(0.0, 1.0 - END_PART, PARTS + 1))
    for k in range(PARTS):
        a, b = int(borders[k]), int(borders[k + 1])
        if a < first or b - a < 2 or b >= len(time_s) - width // 2:
            continue
        span_s = float(time_s[b] - time_s[a])
        speeds_up_a = fit.farad * float(smooth_v[b] - smooth_v[a]) / span_s
        profile[k] = float(charge[b] - charge[a]) / span_s - speeds_up_a
    return profile
