"""Budgets by JCGM 100: worked numbers, and draws of every component (the method of JCGM 101)."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.quality.budget import (
    DIVISORS,
    LEVEL,
    Budget,
    Component,
    Shape,
    Source,
    coverage_factor,
    effective_dof,
)

B = Source.DECLARED


def part(u, dof=math.inf, shape=Shape.NORMAL, **more):
    return Component("part", u, "nm", shape, B, dof=dof, **more)


def test_the_end_gauge():
    """JCGM 100:2008, H.1 (end gauge of 50 mm), inputs and results from memory.

    Components in nm with their degrees of freedom: the standard, the comparator, the difference
    of the expansion coefficients, that of the temperatures.  u_c 32 nm, 16 degrees of freedom,
    U_99 = 93 nm (2.92 x 32).
    """
    comparator = (part(5.8, 24), part(3.9, 5), part(6.7, 8))
    u_d, dof_d = Budget("d", 0, "nm", comparator).standard_u, effective_dof(comparator)
    assert u_d == pytest.approx(9.7, abs=0.05)
    assert dof_d == pytest.approx(25.6, abs=0.6)  # printed from rounded components
    gauge = Budget(
        "length", 50e6, "nm", (part(25.0, 18), part(9.7, 25.6), part(2.9, 50), part(16.6, 2))
    )
    assert gauge.standard_u == pytest.approx(31.7, abs=0.1)
    assert math.floor(gauge.dof) == 16
    assert coverage_factor(gauge.dof, 0.99) == pytest.approx(2.92, abs=0.005)
    assert coverage_factor(gauge.dof, 0.99) * 31.7 == pytest.approx(93, abs=0.5)


@pytest.mark.parametrize(
    ("dof", "level", "k"),
    [
        # Student's t as in JCGM 100:2008, table G.2, from memory.
        (1, 0.95, 12.71),
        (2, 0.95, 4.30),
        (5, 0.95, 2.57),
        (10, 0.95, 2.23),
        (50, 0.95, 2.01),
        (1, LEVEL, 13.97),
        (4, LEVEL, 2.87),
        (10, LEVEL, 2.28),
        (20, LEVEL, 2.13),
        (math.inf, LEVEL, 2.000),
        (math.inf, 0.95, 1.960),
        (10.9, 0.95, 2.23),  # cut to ten
    ],
)
def test_coverage_factors(dof, level, k):
    assert coverage_factor(dof, level) == pytest.approx(k, abs=0.006)


def test_a_coverage_factor_needs_something_to_go_by():
    for dof, level in ((0.5, 0.95), (math.nan, 0.95), (5, 0.0), (5, 1.0)):
        with pytest.raises(ValueError, match="degree of freedom"):
            coverage_factor(dof, level)


@pytest.mark.parametrize("shape", Shape)
def test_a_divisor_is_its_distributions(shape):
    """Half width over the standard deviation of draws."""
    rng = np.random.default_rng(3)
    draws = drawn(Component("part", 2.0, "A", shape, B), rng, 200_000)
    assert draws.std() == pytest.approx(2.0 / DIVISORS[shape], rel=0.01)


def drawn(component, rng, count):
    """Draw a component's effect on the result, by its distribution."""
    draws = {
        Shape.RECTANGULAR: lambda: rng.uniform(-1, 1, count),
        Shape.NORMAL: lambda: rng.normal(0, 1, count),
    }
    return component.sensitivity * component.spread * draws[component.shape]()


components = st.lists(
    st.builds(
        Component,
        st.just("part"),
        st.floats(1e-3, 1e3),
        st.just("A"),
        st.sampled_from(Shape),
        st.just(B),
        st.floats(-5, 5),
        st.booleans(),
        st.sampled_from([1.0, 3.0, 9.0, math.inf]),
    ),
    min_size=1,
    max_size=6,
)


@given(components)
def test_what_holds_of_every_budget(parts):
    budget = Budget("current", 1.0, "A", tuple(parts))
    u, least = budget.standard_u, max(c.contribution for c in parts)
    assert least * (1 - 1e-12) <= u <= sum(c.contribution for c in parts) * (1 + 1e-12)
    if u > 0:
        assert sum(budget.share(c) for c in parts) == pytest.approx(1.0)
        # Not fewer than the least of those that count, not more than all together.
        assert budget.dof >= min(c.dof for c in parts) * (1 - 1e-9)
        assert budget.k >= 2.0 - 1e-9
        assert budget.largest.contribution == least
    doubled = Budget("current", 1.0, "A", tuple(c.scaled(2.0) for c in parts))
    assert doubled.standard_u == pytest.approx(2 * u)
    assert doubled.dof == pytest.approx(budget.dof)
