"""Exact steps of two coupled linear differential equations with constant input."""

from __future__ import annotations

from math import cos, exp, sin, sqrt

Quad = tuple[float, float, float, float]  # a 2 x 2 matrix, row by row
ZERO: Quad = (0.0, 0.0, 0.0, 0.0)

# Below this rate x time the differences of the closed forms cancel and a series is exact enough.
_TINY = 1e-3


def exponential(a: float, b: float, c: float, d: float, h: float) -> Quad:
    """Return exp(A h) for A = ((a, b), (c, d)) by its eigenvalues (closed form for 2 x 2)."""
    half = 0.5 * (a + d)
    spread = 0.25 * (a - d) ** 2 + b * c
    if spread > 0.0:
        root = sqrt(spread)
        # Single exponentials of the eigenvalues: cosh and sinh overflow on a stiff system.
        fast, slow = exp((half - root) * h), exp((half + root) * h)
        even = 0.5 * (fast + slow)
        odd = 0.5 * (slow - fast) / root
    elif spread < 0.0:
        root = sqrt(-spread)
        decay = exp(half * h)
        even = decay * cos(root * h)
        odd = decay * sin(root * h) / root
    else:
        even = exp(half * h)
        odd = h * even
    return (even + odd * (a - half), odd * b, odd * c, even + odd * (d - half))


def linear_step(a: float, b: float, c: float, d: float, h: float) -> tuple[Quad, Quad, Quad]:
    """Return E, S, D of ``x' = A x + u`` with constant u over ``h`` seconds.

    x(h) = E x(0) + S u and the integral of x over the step = S x(0) + D u, where E = exp(A h),
    S = inv(A) (E - I) and D = inv(A) (S - h I).  A must not be singular.
    """
    if (abs(a) + abs(b)) * h < _TINY and (abs(c) + abs(d)) * h < _TINY:
        return _series(a, b, c, d, h)
    e11, e12, e21, e22 = exponential(a, b, c, d, h)
    det = a * d - b * c
    i11, i12, i21, i22 = d / det, -b / det, -c / det, a / det
    f11, f22 = e11 - 1.0, e22 - 1.0
    s11, s12 = i11 * f11 + i12 * e21, i11 * e12 + i12 * f22
    s21, s22 = i21 * f11 + i22 * e21, i21 * e12 + i22 * f22
    g11, g22 = s11 - h, s22 - h
    return (
        (e11, e12, e21, e22),
        (s11, s12, s21, s22),
        (
            i11 * g11 + i12 * s21,
            i11 * s12 + i12 * g22,
            i21 * g11 + i22 * s21,
            i21 * s12 + i22 * g22,
        ),
    )


def _series(a: float, b: float, c: float, d: float, h: float) -> tuple[Quad, Quad, Quad]:
    """Return E, S, D by their series in A h up to the second power."""
    p, q, r, s = a * h, b * h, c * h, d * h
    pp, qq, rr, ss = p * p + q * r, q * (p + s), r * (p + s), s * s + q * r

    def total(of_one: float, of_first: float, of_second: float) -> Quad:
        return (
            of_one + of_first * p + of_second * pp,
            of_first * q + of_second * qq,
            of_first * r + of_second * rr,
            of_one + of_first * s + of_second * ss,
        )

    hh = h * h
    return total(1.0, 1.0, 0.5), total(h, h / 2, h / 6), total(hh / 2, hh / 6, hh / 24)


def single_step(rate: float, h: float) -> tuple[float, float, float]:
    """Return the same three factors of the single equation ``x' = -rate x + u`` (rate >= 0)."""
    e = exp(-rate * h)
    x = rate * h
    if x < _TINY:
        return e, h * (1.0 - x / 2 + x * x / 6), h * h * (0.5 - x / 6 + x * x / 24)
    s = (1.0 - e) / rate
    return e, s, (h - s) / rate
