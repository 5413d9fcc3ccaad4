"""Resistance, inductance and inertia from the starts of a run, by least squares.

The closed form of `run_up` is laid through the current of every start at once.  Shared: R, L, C.
Each start has its own instant of contact and its own load.  The instant is fitted and not taken
from the trace: a contact that closes, or stops bouncing, within a sample is not known better, and a
sensor's constant delay goes with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.optimize import least_squares

from rig.analysis.levels import running_mean
from rig.analysis.run_up import CONVERSION_S, mean_current_a
from rig.analysis.supply_line import SupplyLine
from rig.analysis.trace import FloatArray
from rig.analysis.turned import Turned
from rig.analysis.warming import HEAT_U
from rig.analysis.winding import COPPER_PER_K

# More starts than this tell no more (they are taken evenly).
STARTS_MOST = 24
# The run-up is looked at for so many time constants, and for this part of the drive at most.
SPAN, PART_MOST = 6.0, 0.4
SAMPLES_MOST = 160
# The model's own error as a part of the current: brushes, ripple, the supply's line (guess).
MODEL_PART = 0.004
# Contacts bounce this long (s, common relay data: 1 to 3 ms); the current of a sample may then be
# this part of the peak off (guess).
BOUNCE_S, BOUNCE_PART = 0.0025, 0.02
# A load may have changed by this part when the run-up is over: a spring, a cable's slack (guess).
LOAD_PART = 0.5
# ... or by all that the current changes afterwards, up to this part of the inrush.
CHANGE_MOST = 0.3
# Residuals beyond so many standard deviations count less.
SOFT = 2.0
# Parameters that all starts share: R, L, C and the part of the warming.
SHARED = 4


class StallOhm(NamedTuple):
    """A resistance at standstill (ohm), its own scatter (standard), and the predicted rise (K)."""

    ohm: float
    u_ohm: float
    rise_k: float


@dataclass(frozen=True, slots=True)
class RunUpFit:
    """What the starts agree on: ``ohm``, ``henry``, ``farad``.

    ``covariance`` is that of their logarithms and of ``warmed``, the part of the predicted warming
    that the resistance shows; ``ohm`` holds at the predicted rise ``rise_k`` (K).  ``load_a`` is
    what each start's load took (A); ``misfit`` the scatter about the model in parts of what was
    expected.  ``supply_v`` is the mean voltage (V) behind the supply's resistance, which is known
    to ``source_u_ohm`` (ohm); the readings scatter about it by ``source_scatter_v`` (V).
    """

    ohm: float
    henry: float
    farad: float
    covariance: FloatArray
    load_a: tuple[float, ...]
    misfit: float
    warmed: float
    rise_k: float
    supply_v: float
    source_u_ohm: float
    source_scatter_v: float

    @property
    def time_constant_s(self) -> float:
        """R C."""
        return self.ohm * self.farad

    def ohm_at(self, predicted_k: FloatArray) -> FloatArray:
        """Return the resistance (ohm) at predicted rises (K)."""
        ohms: FloatArray = self.ohm * (
            1.0 + COPPER_PER_K * self.warmed * (np.asarray(predicted_k) - self.rise_k)
        )
        return ohms


@dataclass(frozen=True, slots=True)
class _Starts:
    """The samples of all starts laid end to end; ``of`` says whose each is."""

    since_s: FloatArray
    current_a: FloatArray
    sigma_a: FloatArray
    of: np.ndarray
    volts: FloatArray
    source_ohm: FloatArray
    off_k: FloatArray
    count: int


def fit_run_ups(
    starts: Sequence[Turned],
    rises_k: Sequence[float],
    guess_ohm: float,
    known: Sequence[StallOhm] = (),
) -> RunUpFit | None:
    """Return what the starts agree on; None if the fit finds nothing.

    Every start must have a supply line.  ``rises_k`` is the predicted rise (K) at each.  ``known``
    are resistances from stalls: each counts as one more observation.
    """
    if len(starts) > STARTS_MOST:
        at = np.linspace(0, len(starts) - 1, STARTS_MOST).round().astype(int)
        starts, rises_k = [starts[k] for k in at], [rises_k[k] for k in at]
    mean_k = float(np.mean(rises_k))
    data, first = _laid_out(starts, np.asarray(rises_k) - mean_k, guess_ohm)
    n = data.count

    def residuals(p: FloatArray) -> FloatArray:
        seen = (_model(p, data) - data.current_a) / data.sigma_a
        beside = [(p[3] - 1.0) / HEAT_U]
        for stall in known:
            warmer = COPPER_PER_K * p[3] * (stall.rise_k - mean_k)
            beside.append((p[0] + warmer - np.log(stall.ohm)) * stall.ohm / stall.u_ohm)
        return np.append(seen, beside)

    def jacobian(p: FloatArray) -> FloatArray:
        here = residuals(p)
        rows = np.arange(len(data.of))
        full = np.zeros((len(here), len(p)))
        for k, h in enumerate((1e-5, 1e-5, 1e-5, 1e-3)):
            step = p.copy()
            step[k] += h
            full[:, k] = (residuals(step) - here) / h
        # A start's own parameters move its own samples only: all starts are moved at once.
        for block, h in ((SHARED, 1e-6), (SHARED + n, 1e-4)):
            step = p.copy()
            step[block : block + n] += h
            slope = (residuals(step) - here) / h
            full[rows, block + data.of] = slope[: len(rows)]
        return full

    scale = np.concatenate(([0.1, 0.5, 0.1, 1.0], np.full(n, 5e-4), np.full(n, 0.3)))
    found = least_squares(
        residuals, first, jacobian, x_scale=scale, loss="soft_l1", f_scale=SOFT, max_nfev=60
    )
    if not np.all(np.isfinite(found.x)):
        return None
    lines = [start.line for start in starts if start.line is not None]
    return _fit_of(found.x, residuals(found.x), jacobian(found.x), lines, mean_k)


def _fit_of(
    p: FloatArray, off: FloatArray, jacobian: FloatArray, lines: list[SupplyLine], mean_k: float
) -> RunUpFit:
    n = len(lines)
    # The weights that soft_l1 gave, once more for the covariance.
    weight = 1.0 / np.sqrt(1.0 + (off / SOFT) ** 2)
    square = float((weight * off**2).sum()) / max(len(off) - len(p), 1)
    normal = (jacobian * weight[:, None]).T @ jacobian
    covariance = np.linalg.pinv(normal) * max(square, 1.0)
    ohm, henry, farad = np.exp(p[:3])
    return RunUpFit(
        ohm=float(ohm),
        henry=float(henry),
        farad=float(farad),
        covariance=np.asarray(covariance[:SHARED, :SHARED], dtype=np.float64),
        load_a=tuple(p[SHARED + n :].tolist()),
        misfit=square**0.5,
        warmed=float(p[3]),
        rise_k=mean_k,
        supply_v=sum(line.volts for line in lines) / n,
        source_u_ohm=max(line.u_ohm for line in lines),
        source_scatter_v=max(line.scatter_v for line in lines),
    )


def _model(p: FloatArray, data: _Starts) -> FloatArray:
    n, of = data.count, data.of
    ohm, henry, farad = np.exp(p[:3])
    since_s = data.since_s - p[SHARED : SHARED + n][of]
    loop_ohm = ohm * (1.0 + COPPER_PER_K * p[3] * data.off_k) + data.source_ohm
    return mean_current_a(since_s, data.volts[of], loop_ohm[of], henry, farad, p[SHARED + n :][of])


def _laid_out(
    starts: Sequence[Turned], off_k: FloatArray, guess_ohm: float
) -> tuple[_Starts, FloatArray]:
    taus, loads, contacts = [], [], []
    columns: list[tuple[FloatArray, FloatArray, FloatArray, np.ndarray]] = []
    for k, start in enumerate(starts):
        tau_s, load_a, change_a = _first_look(start)
        taus.append(tau_s)
        loads.append(load_a)
        time_s = start.time_s - start.begin_s
        span_s = min(max(SPAN * tau_s, 0.02), PART_MOST * float(time_s[-1]))
        # A dropout ends what can be followed: afterwards the motor is no longer where it would be.
        out = np.flatnonzero(~start.closed)
        used = np.flatnonzero(time_s[: out[0] if len(out) else None] < span_s)
        if len(used) > SAMPLES_MOST:  # all of the fall, fewer of the level that follows
            used = np.concatenate((used[:SAMPLES_MOST], used[SAMPLES_MOST::8]))
        current_a = start.current_a[used]
        sigma_a = _sigma_a(start, time_s[used], current_a, tau_s, change_a)
        columns.append((time_s[used], current_a, sigma_a, np.full(len(used), k)))
        # The stamp is at the end of the conversion.
        contacts.append(-0.5 * CONVERSION_S)
    since_s, current_a, sigma_a, of = (np.concatenate(c) for c in zip(*columns, strict=True))
    lines = [start.line for start in starts if start.line is not None]
    data = _Starts(
        since_s=since_s,
        current_a=current_a,
        sigma_a=sigma_a,
        of=of,
        volts=np.array([line.volts for line in lines]),
        source_ohm=np.array([line.ohm for line in lines]),
        off_k=off_k,
        count=len(starts),
    )
    tau_s = float(np.median(taus))
    first = [np.log(guess_ohm), np.log(8e-4 * guess_ohm), np.log(tau_s / guess_ohm)]
    return data, np.array([*first, 1.0, *contacts, *loads])


def _sigma_a(
    start: Turned, time_s: FloatArray, current_a: FloatArray, tau_s: float, change_a: float
) -> FloatArray:
    """Return what each sample may be off: noise, the model, bounce, and a load that changes."""
    bounce_a = np.where(np.abs(time_s) < BOUNCE_S, BOUNCE_PART * float(current_a.max()), 0.0)
    off_a = change_a * (np.maximum(time_s, 0.0) / (SPAN * tau_s)) ** 2
    square = start.noise_a**2 + (MODEL_PART * current_a) ** 2 + bounce_a**2 + off_a**2
    sigma_a: FloatArray = np.maximum(np.sqrt(square), 1e-4)
    return sigma_a


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
