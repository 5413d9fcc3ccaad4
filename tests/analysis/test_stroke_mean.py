"""Mean stroke profiles: how often sound ones are said to depart, and what is found all the same.

Profiles are drawn here, so that their spread is what it is said to be.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from drawn_profiles import ANGLE_DEG, drawn
from scipy.stats import t as student

from rig.analysis.model import Accuracy
from rig.analysis.stroke_mean import compare_profiles, mean_profile, student_factor


@pytest.mark.parametrize("noise_a", [0.02, 0.005])
@pytest.mark.parametrize("count", [2, 3, 5, 10])
def test_few_references_raise_no_false_departures(count, noise_a):
    """At most 1 in 100 comparisons; with a general difference 95.45 % (4.55 in 100) is promised."""
    rng = np.random.default_rng(20)
    told = []
    for _ in range(200):
        reference = mean_profile([drawn(rng, 0.05, noise_a) for _ in range(count)])
        told.append(compare_profiles(drawn(rng, 0.05, noise_a), reference))
    assert sum(bool(c.departures) for c in told) <= 2
    assert 2 <= sum(c.is_general for c in told) <= 20


@pytest.mark.parametrize(("count", "more_a"), [(2, 1.5), (3, 0.7), (5, 0.5), (10, 0.4)])
def test_a_place_that_stands_out_is_found(count, more_a):
    """With few references it must stand out farther: nobody knows yet how units differ."""
    rng = np.random.default_rng(21)
    place = (ANGLE_DEG > 90.0) & (ANGLE_DEG < 110.0)
    for _ in range(20):
        reference = mean_profile([drawn(rng, 0.03) for _ in range(count)])
        sound = drawn(rng, 0.03)
        found = compare_profiles(replace(sound, load_a=sound.load_a + more_a * place), reference)
        (departure,) = found.departures
        assert departure.from_deg == pytest.approx(90.0, abs=4.0)
        assert departure.to_deg == pytest.approx(110.0, abs=4.0)
        assert departure.load_a == pytest.approx(more_a, abs=4.0 * departure.load_u_a)


# JCGM 100:2008, table G.2, column 95.45 %.
TABLE = {1: 13.97, 2: 4.53, 3: 3.31, 4: 2.87, 5: 2.65, 6: 2.52, 7: 2.43, 8: 2.37, 9: 2.32, 10: 2.28}


def test_coverage_factors_are_students():
    for freedom, factor in TABLE.items():
        assert student_factor(2.0, freedom) == pytest.approx(factor, abs=0.006)
    for freedom in (1, 3, 12, 27):
        two_sided = student.ppf(0.5 + 0.9973 / 2, freedom)
        assert student_factor(3.0, freedom) == pytest.approx(two_sided, rel=1e-3)


def test_what_the_instrument_cannot_tell_is_in_a_general_difference():
    """References that are all alike do not make a difference sure beyond gain and zero.

    JCGM 100:2008, 5.2.4 and F.1.2: an error that both readings share drops out but for its part
    in proportion to their difference; those they do not share add by their squares.
    """
    rng = np.random.default_rng(22)
    twin = drawn(rng, 0.0, 0.0)
    reference = mean_profile([twin, twin])
    harder = replace(twin, load_a=twin.load_a + 10.0)
    accuracy = Accuracy(gain_u_rel=0.004, offset_u_a=0.006)
    told = compare_profiles(harder, reference, accuracy)
    assert told.general_a.value == pytest.approx(10.0)
    assert told.general_a.u >= math.hypot(10.0 * 0.004, 0.006 * math.sqrt(1.5))
    assert told.is_general
    # Readings without scatter do not make up for the doubt in the zero of either recording.
    nearly = replace(twin, load_a=twin.load_a + 0.02)
    assert not compare_profiles(nearly, reference, Accuracy(offset_u_a=0.01)).is_general
