"""Formulas of motor and winding against catalogues and SciPy, each source beside its check."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import least_squares

from rig.analysis import copper, winding
from rig.analysis import motor_relations as relations
from rig.analysis.run_up import CONVERSION_S, charge_c, mean_current_a
from rig.analysis.shared_fit import SOFT, fit_shared

REFERENCE = Path(__file__).parents[1] / "reference"


def rows(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text().splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


# --- motors of catalogues: dc_motor_rows.csv, rounding of the printed values 1 % ------------------

MOTORS = rows("dc_motor_rows.csv")
CONSTANT = {row["type"]: float(row["km_mnm_per_a"]) * 1e-3 for row in MOTORS}


@pytest.mark.parametrize("row", MOTORS, ids=lambda row: row["type"])
def test_catalogue_rows_agree_with_themselves(row):
    volts, ohm, constant = float(row["volts"]), float(row["ohm"]), CONSTANT[row["type"]]
    no_load_a = float(row["no_load_ma"]) * 1e-3
    stall_a = relations.stall_current_a(volts, ohm)
    assert stall_a == pytest.approx(float(row["stall_a"]), rel=0.01)
    stall_nm = relations.stall_torque_nm(constant, stall_a)
    assert stall_nm == pytest.approx(float(row["stall_mnm"]) * 1e-3, rel=0.01)
    speed = relations.no_load_rad_s(volts, ohm, constant, no_load_a)
    assert speed * 30.0 / math.pi == pytest.approx(float(row["no_load_rpm"]), rel=0.01)


@pytest.mark.parametrize("row", [m for m in MOTORS if m["tau_ms"]], ids=lambda row: row["type"])
def test_catalogue_time_constants(row):
    tau_s = relations.mechanical_time_constant_s(
        float(row["ohm"]), CONSTANT[row["type"]], float(row["j_gcm2"]) * 1e-7
    )
    assert tau_s == pytest.approx(float(row["tau_ms"]) * 1e-3, rel=0.01)


@pytest.mark.parametrize(("kind", "gradient"), [("RE 40", 2.97), ("RE 30", 8.09)])
def test_catalogue_speed_gradient(kind, gradient):
    """Printed in the same data sheets: rpm per mN m."""
    row = next(m for m in MOTORS if m["type"] == kind)
    per_nm = relations.speed_gradient_rad_s_per_nm(float(row["ohm"]), CONSTANT[kind])
    assert per_nm * 30.0 / math.pi * 1e-3 == pytest.approx(gradient, rel=0.01)


def test_a_gear_does_not_change_the_relations():
    """Felt at the output: torque and back-EMF times the gear, inertia times its square."""
    gear, constant, inertia, ohm = 80.0, 0.0293, 15e-6, 0.76
    per_rev = constant * gear * 2.0 * math.pi
    assert relations.constant_of(per_rev) == pytest.approx(constant * gear)
    assert relations.torque_nm(per_rev, 2.0) == pytest.approx(gear * constant * 2.0)
    assert relations.mechanical_time_constant_s(
        ohm, relations.constant_of(per_rev), inertia * gear**2
    ) == pytest.approx(relations.mechanical_time_constant_s(ohm, constant, inertia))


# --- copper ---------------------------------------------------------------------------------------


def test_the_published_constant_and_the_published_coefficient_agree():
    """1/0.00393 - 20 = 234.45 (IEC 60028) beside 234.5 (IEEE 112, NEMA MG 1)."""
    by_coefficient = 1.0 / copper.PER_K - 20.0
    assert by_coefficient == pytest.approx(234.5, abs=0.1)
    assert winding.USED is winding.CopperConstant.IEEE_NEMA
    assert winding.USED.value == 234.5
    assert winding.CopperConstant.IEC.value == 235.0  # from memory: no published check value


WORKED = rows("copper_resistance.csv")


@pytest.mark.parametrize("row", WORKED, ids=lambda row: f"{row['r2_ohm']} ohm")
def test_worked_resistance_method(row):
    """Worked out by the formula, not published: a guard against slips, not a check value."""
    r1, t1, r2 = float(row["r1_ohm"]), float(row["t1_c"]), float(row["r2_ohm"])
    assert winding.winding_c(r2, r1, t1) == pytest.approx(float(row["t2_c_234_5"]), abs=0.006)
    assert winding.winding_c(r2, r1, t1, winding.CopperConstant.IEC) == pytest.approx(
        float(row["t2_c_235"]), abs=0.006
    )
    if row["rise_k_234_5"]:
        rise = winding.rise_k(r2, r1, t1, float(row["ambient_c"]))
        assert rise == pytest.approx(float(row["rise_k_234_5"]), abs=0.006)


def test_reduced_to_20_degrees_by_the_coefficient():
    """2.40 ohm at 70.89 degrees C is 2.00 ohm at 20 (IEC 60028's coefficient)."""
    assert winding.at_20c(2.40, 70.89) == pytest.approx(2.00, abs=1e-4)
    assert winding.warmed(2.00, 70.89) == pytest.approx(2.40, abs=1e-4)


@given(st.floats(0.1, 10.0), st.floats(-40.0, 160.0))
def test_warming_and_reducing_undo_each_other(ohm, at_c):
    assert winding.at_20c(winding.warmed(ohm, at_c), at_c) == pytest.approx(ohm)


def test_resistances_must_be_positive():
    with pytest.raises(ValueError, match="positive"):
        winding.winding_c(0.0, 1.0, 20.0)


# --- the run-up in closed form, against SciPy -----------------------------------------------------


@settings(max_examples=15, deadline=None)
@given(
    st.floats(6.0, 16.0),
    st.floats(0.3, 5.0),
    st.floats(0.1e-3, 2e-3),
    st.floats(4e-3, 50e-3),
    st.floats(0.0, 0.6),
)
def test_the_run_up_is_what_scipy_integrates(volts, ohm, winding_s, tau_s, load):
    """LSODA on L di/dt = U - R i - e, C de/dt = i - f from rest, the rotor held while i < f."""
    henry, farad, load_a = winding_s * ohm, tau_s / ohm, load * volts / ohm

    def slope(_, y):
        current_a, emf, _ = y
        net_a = current_a - load_a
        return [
            (volts - ohm * current_a - emf) / henry,
            (net_a if emf > 0.0 or net_a > 0.0 else 0.0) / farad,
            current_a,
        ]

    at_s = np.linspace(0.0, 4.0 * tau_s, 60)
    theirs = solve_ivp(
        slope,
        (0.0, at_s[-1]),
        [0.0, 0.0, 0.0],
        "LSODA",
        dense_output=True,
        rtol=1e-7,
        atol=1e-10,
    )

    def their_charge_c(until_s):
        return np.where(until_s > 0.0, theirs.sol(np.maximum(until_s, 0.0))[2], 0.0)

    slack_c = 1e-5 * volts / ohm * tau_s
    own_c = charge_c(at_s, volts, ohm, henry, farad, load_a)
    assert own_c == pytest.approx(their_charge_c(at_s), rel=1e-3, abs=slack_c)
    mean_a = mean_current_a(at_s, volts, ohm, henry, farad, load_a)
    their_a = (their_charge_c(at_s) - their_charge_c(at_s - CONVERSION_S)) / CONVERSION_S
    assert mean_a == pytest.approx(their_a, rel=1e-3, abs=1e-3 * volts / ohm)


def test_nothing_flows_before_the_contact():
    assert np.all(charge_c(np.array([-1.0, -1e-3, 0.0]), 12.0, 0.8, 6e-4, 0.017, 2.0) == 0.0)


# --- the fit, against SciPy -----------------------------------------------------------------------


def test_shared_parameters_come_out_as_scipys_least_squares_has_them():
    """Decays of one rate and each its own height and level, one sample in twenty far out."""
    rng = np.random.default_rng(4)
    of = np.repeat(np.arange(6), 40)
    at = np.tile(np.linspace(0.0, 3.0, 40), 6)
    height, level = rng.uniform(2.0, 9.0, 6), rng.uniform(-1.0, 1.0, 6)
    values = height[of] * np.exp(-1.3 * at) + level[of] + 0.05 * rng.standard_normal(240)
    values[rng.random(240) < 0.05] += 2.0

    def residuals(shared, own):
        model = own[of, 0] * np.exp(-shared[0] * at) + own[of, 1]
        return (model - values) / 0.05, np.array([(shared[0] - 1.0) / 0.5])

    def flat(p):
        return np.concatenate(residuals(p[:1], p[1:].reshape(6, 2)))

    first = (np.array([0.7]), np.tile([4.0, 0.0], (6, 1)))
    own = fit_shared(residuals, of, first, (np.array([1e-6]), np.array([1e-6, 1e-6])))
    theirs = least_squares(
        flat,
        np.concatenate((first[0], first[1].ravel())),
        loss="soft_l1",
        f_scale=SOFT,
        xtol=1e-12,
        ftol=1e-12,
    )
    assert own is not None
    assert own.shared[0] == pytest.approx(theirs.x[0], rel=1e-4)
    assert own.own.ravel() == pytest.approx(theirs.x[1:], rel=1e-3, abs=1e-3)
    # The covariance is that of the normal equations of all thirteen parameters.
    at_rest = flat(theirs.x)
    slopes = np.array([(flat(theirs.x + h) - at_rest) / 1e-6 for h in 1e-6 * np.eye(13)]).T
    weight = 1.0 / np.sqrt(1.0 + (at_rest / SOFT) ** 2)
    square = max(float((weight * at_rest**2).sum()) / (len(at_rest) - 13), 1.0)
    covariance = square * np.linalg.inv((slopes * weight[:, None]).T @ slopes)
    assert own.covariance[0, 0] == pytest.approx(covariance[0, 0], rel=0.01)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 2**31),
    st.lists(st.sampled_from(["moves", "moves nothing", "moves as another"]), min_size=2),
    st.booleans(),
)
def test_what_moves_nothing_costs_the_others_nothing(seed, records, all_told):
    """Against NumPy's least squares with the columns that move nothing left out.

    Each record has two own parameters; the first may move nothing, or what the second moves.  The
    last of the shared parameters moves nothing unless ``all_told``: its variance is infinite.
    """
    rng = np.random.default_rng(seed)
    of = np.repeat(np.arange(len(records)), 12)
    shapes = rng.standard_normal((2, len(of)))
    kinds = np.array(records)[of]
    own_shape = rng.standard_normal(len(of))
    own_shape[kinds == "moves nothing"] = 0.0
    own_shape = np.where(kinds == "moves as another", 3.0, own_shape)
    shapes[1] *= all_told
    # Little noise beside the loss's `SOFT`: least squares all but for 1e-4 of it.
    values = 1.5 * shapes[0] + own_shape + 0.02 * rng.standard_normal(len(of))

    def residuals(shared, own):
        return shared @ shapes + own[of, 0] * own_shape + own[of, 1] - values, np.zeros(1)

    first = (np.zeros(2), np.zeros((len(records), 2)))
    found = fit_shared(residuals, of, first, (np.full(2, 1e-4), np.full(2, 1e-4)))
    each = (of[:, None] == np.arange(len(records))).astype(float)
    moving = [k for k, kind in enumerate(records) if kind == "moves"]
    columns = np.hstack(
        [shapes[: 1 + all_told].T, each * 1.0, (each * own_shape[:, None])[:, moving]]
    )
    theirs = np.linalg.lstsq(columns, values, rcond=None)[0]
    covariance = np.linalg.inv(columns.T @ columns)
    assert found is not None
    assert found.shared[0] == pytest.approx(theirs[0], abs=1e-3)
    assert found.covariance[0, 0] == pytest.approx(covariance[0, 0], rel=1e-3)
    if all_told:
        slack = 1e-3 * covariance[:2, :2].diagonal().min()
        assert found.covariance[:2, :2] == pytest.approx(covariance[:2, :2], rel=1e-3, abs=slack)
    else:
        assert found.covariance[1, 1] == np.inf
    for k, kind in enumerate(records):
        if kind == "moves nothing":
            assert found.own[k, 0] == 0.0


@pytest.mark.parametrize("size", [1.0, 1e-6, 1e6])
def test_two_shared_parameters_that_only_show_together_are_not_told(size):
    """Only their sum moves anything: what each is has an uncertainty no value survives."""
    of, at = np.repeat(np.arange(3), 20), np.tile(np.linspace(0.0, 1.0, 20), 3)
    noise = np.random.default_rng(5).standard_normal(60)

    def residuals(shared, own):
        return size * ((shared[0] + shared[1]) * at + own[of, 0] - 2.0 * at) + noise, np.zeros(1)

    first = (np.zeros(2), np.zeros((3, 1)))
    found = fit_shared(residuals, of, first, (np.full(2, 1e-4), np.full(1, 1e-4)))
    assert found is not None
    spread = np.sqrt(np.diag(found.covariance)) * size
    assert np.all(spread > 1e4)


def test_slopes_that_are_not_finite_are_no_fit():
    """It runs at its first guess, and nowhere beside it."""
    of = np.repeat(np.arange(2), 5)

    def residuals(shared, own):
        rows = np.where(shared[0] > 0.0, np.nan, 1.0) + own[of, 0]
        return rows, np.zeros(1)

    first = (np.zeros(1), np.zeros((2, 1)))
    assert fit_shared(residuals, of, first, (np.full(1, 1e-4), np.full(1, 1e-4))) is None
