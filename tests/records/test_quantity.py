from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.records.quantity import rounded, with_uncertainty


@pytest.mark.parametrize(
    ("value", "u", "unit", "text"),
    [
        # JCGM 100:2008, 7.2.4: m_S = (100,021 47 ± 0,000 79) g
        (100.02147, 0.00079, "g", "100.02147 ± 0.00079 g"),
        # JCGM 100:2008, 7.2.6: 10,057 62 ohm with 27 mohm is rounded to 10,058 ohm
        (10.05762, 0.027, "ohm", "10.058 ± 0.027 ohm"),
        # by the same rule
        (0.0, 0.0021, "s", "0.0000 ± 0.0021 s"),
        (12345.0, 170.0, "V", "12340 ± 170 V"),
        (1.0, 0.0996, "", "1.00 ± 0.10"),
        (0.5, 0.0, "s", "0.5000 s"),
        (0.5, None, "1", "0.5000"),
        (3, None, "1", "3"),
        (None, 0.1, "s", "-"),
        (math.nan, 0.1, "s", "-"),
        (1.0, math.nan, "s", "1 s"),
    ],
)
def test_value_and_uncertainty_end_at_the_same_place(value, u, unit, text):
    assert with_uncertainty(value, u, unit) == text


@given(st.floats(-1e6, 1e6), st.floats(1e-6, 1e3))
def test_what_is_printed_is_within_half_a_digit_of_the_uncertainty(value, u):
    shown, _, shown_u = with_uncertainty(value, u).partition(" ± ")
    # two significant digits of u: half a unit of the last is at most 5 % of u
    assert abs(float(shown) - value) <= 0.0501 * u + 1e-9 * abs(value)
    assert float(shown_u) == pytest.approx(u, rel=0.0501)
    assert rounded(value, u) == shown
