"""Resistance, inductance and inertia from the starts of a run, by least squares.

The closed form of `run_up` is laid through the current of every start at once.  Shared: R, L, C.
Each start has its own instant of contact and its own load.  The instant is fitted and not taken
from the trace: a contact that closes, or stops bouncing, within a sample is not known better, and a
sensor's constant delay goes with it.  Where the first samples show that the contacts bounced they
are not followed: only the charge they hold counts, which sets the motor going.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from rig.analysis.copper import PER_K
from rig.analysis.motor_relations import mechanical_time_constant_s
from rig.analysis.run_up import CONVERSION_S, charge_c, mean_current_a
from rig.analysis.shared_fit import fit_shared
from rig.analysis.starts import Starts, lay_out
from rig.analysis.trace import BoolArray, FloatArray
from rig.analysis.turned import Turned
from rig.analysis.warming import HEAT_U

# More starts than this tell no more (they are taken evenly).
STARTS_MOST = 24
# The winding's L/R (s) and the spread of its logarithm, which only counts where the samples do not
# show it (guess: catalogues of small motors have 0.1 to 0.5 ms, geared ones of cars rather more).
WINDING_TAU_S, WINDING_TAU_SPREAD = 6e-4, 0.6
# By how much each parameter is moved for a slope.
STEPS = (np.array([1e-5, 1e-5, 1e-5, 1e-3]), np.array([1e-6, 1e-4, 1e-4]))
# An early sample that is off by this part of the peak tells of contacts that bounced (guess).
BOUNCED = 0.06
# Contacts that bounce set the motor going before the current flows for good: to this part of the
# supply's voltage at most, else to next to nothing (standard, guess).
GOING_PART, STILL_PART = 0.02, 0.0005


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
    expected.  ``step_s`` is the sample distance (s).  ``supply_v`` is the mean voltage (V) behind
    the supply's resistance, which is known to ``source_u_ohm`` (ohm); the readings scatter about it
    by ``source_scatter_v`` (V).
    """

    ohm: float
    henry: float
    farad: float
    covariance: FloatArray
    load_a: tuple[float, ...]
    misfit: float
    warmed: float
    rise_k: float
    step_s: float
    stalls: tuple[StallOhm, ...]
    supply_v: float
    source_u_ohm: float
    source_scatter_v: float

    @property
    def time_constant_s(self) -> float:
        """R C."""
        return mechanical_time_constant_s(self.ohm, 1.0, self.farad)

    def ohm_at(self, predicted_k: FloatArray) -> FloatArray:
        """Return the resistance (ohm) at predicted rises (K)."""
        ohms: FloatArray = self.ohm * (
            1.0 + PER_K * self.warmed * (np.asarray(predicted_k) - self.rise_k)
        )
        return ohms


class _Problem:
    """Residuals of all samples, in standard deviations.

    Shared parameters: log R, log L, log C, part of the warming.  Own: the instant of contact (s),
    the load (A), and the back-EMF that a start begins with (V).
    """

    def __init__(
        self, data: Starts, stalls: Sequence[StallOhm], mean_k: float, bounced: BoolArray
    ) -> None:
        self._data = data
        self._stalls = stalls
        self._mean_k = mean_k
        self._going_v = data.volts * np.where(bounced, GOING_PART, STILL_PART)
        self._bounced = bounced
        each = np.arange(data.count)
        self.of = np.concatenate((data.of, each, each))

    def first(self, guess_ohm: float) -> tuple[FloatArray, FloatArray]:
        """Return where to begin."""
        data = self._data
        tau_s = float(np.median(data.tau_s))
        shared = np.array(
            [np.log(guess_ohm), np.log(WINDING_TAU_S * guess_ohm), np.log(tau_s / guess_ohm), 1.0]
        )
        contact_s = np.full(data.count, -0.5 * CONVERSION_S)
        return shared, np.stack((contact_s, data.load_a, np.zeros(data.count)), axis=1)

    def off_a(self, shared: FloatArray, own: FloatArray) -> FloatArray:
        """Return by how much the model is off at each sample (A)."""
        data, of = self._data, self._data.of
        _, henry, farad = np.exp(shared[:3])
        contact_s, load_a, going_v = own.T
        model = mean_current_a(
            data.since_s - contact_s[of],
            (data.volts - going_v)[of],
            self._loop_ohm(shared)[of],
            henry,
            farad,
            load_a[of],
        )
        return model - data.current_a

    def residuals(self, shared: FloatArray, own: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return all that ought to be nil: of the starts, and of what only R and warming move."""
        data = self._data
        _, henry, farad = np.exp(shared[:3])
        contact_s, load_a, going_v = own.T
        seen = self.off_a(shared, own) / data.sigma_a
        # What flowed while the contacts bounced, less what the load took, set the motor going.
        later_c = charge_c(
            data.charge_s - contact_s,
            data.volts - going_v,
            self._loop_ohm(shared),
            henry,
            farad,
            load_a,
        )
        before_c = farad * going_v + load_a * np.maximum(contact_s, 0.0)
        charge = (later_c + before_c - data.charge_c) / data.charge_u_c
        winding_tau = (shared[1] - shared[0] - np.log(WINDING_TAU_S)) / WINDING_TAU_SPREAD
        beside = [(shared[3] - 1.0) / HEAT_U, winding_tau]
        for stall in self._stalls:
            # As much warmer as nominal data say: a stall and the starts differ by more than heat.
            warmer = PER_K * (stall.rise_k - self._mean_k)
            u = np.hypot(stall.u_ohm / stall.ohm, HEAT_U * warmer)
            beside.append((shared[0] + warmer - np.log(stall.ohm)) / u)
        charge = np.where(self._bounced, charge, 0.0)
        return np.concatenate((seen, charge, going_v / self._going_v)), np.array(beside)

    def _loop_ohm(self, shared: FloatArray) -> FloatArray:
        data = self._data
        warm = 1.0 + PER_K * shared[3] * data.off_k
        loop: FloatArray = np.exp(shared[0]) * warm + data.source_ohm
        return loop


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
    data = lay_out(starts, np.asarray(rises_k) - mean_k)
    problem = _Problem(data, known, mean_k, np.zeros(data.count, dtype=np.bool_))
    found = fit_shared(problem.residuals, problem.of, problem.first(guess_ohm), STEPS)
    if found is None:
        return None
    off_a = np.abs(problem.off_a(found.shared, found.own))
    far = data.early & (off_a > BOUNCED * data.peak_a[data.of])
    bounced = np.isin(np.arange(data.count), data.of[far])
    if bounced.any():
        problem = _Problem(data.without_early(bounced), known, mean_k, bounced)
        found = fit_shared(problem.residuals, problem.of, (found.shared, found.own), STEPS)
        if found is None:
            return None
    ohm, henry, farad = np.exp(found.shared[:3])
    lines = [start.line for start in starts if start.line is not None]
    return RunUpFit(
        ohm=float(ohm),
        henry=float(henry),
        farad=float(farad),
        covariance=found.covariance,
        load_a=tuple(found.own[:, 1].tolist()),
        misfit=found.misfit,
        warmed=float(found.shared[3]),
        rise_k=mean_k,
        step_s=data.step_s,
        stalls=tuple(known),
        supply_v=sum(line.volts for line in lines) / len(lines),
        source_u_ohm=max(line.u_ohm for line in lines),
        source_scatter_v=max(line.scatter_v for line in lines),
    )
