"""The winding's and the case's temperature."""

from __future__ import annotations

from .linear import linear_step

_SHORT_S = 0.01  # up to here a plain step is exact enough: the time constants are tens of seconds


class Heat:
    """Two bodies in a row to the air: winding and case.  Degrees Celsius, J/K and K/W."""

    def __init__(
        self, winding_j: float, case_j: float, winding_case: float, case_air: float, air_c: float
    ) -> None:
        self.winding_c = air_c
        self.case_c = air_c
        self._air_c = air_c
        self._winding_j = winding_j
        self._case_j = case_j
        self._winding_case = winding_case
        self._case_air = case_air

    def take(self, power_w: float, duration_s: float) -> None:
        """Heat the winding with a constant power for a time."""
        inward = 1.0 / self._winding_case
        outward = 1.0 / self._case_air
        winding, case = self.winding_c - self._air_c, self.case_c - self._air_c
        if duration_s <= _SHORT_S:
            across = (winding - case) * inward
            self.winding_c += (power_w - across) / self._winding_j * duration_s
            self.case_c += (across - case * outward) / self._case_j * duration_s
            return
        (e11, e12, e21, e22), (s11, _, s21, _), _ = linear_step(
            -inward / self._winding_j,
            inward / self._winding_j,
            inward / self._case_j,
            -(inward + outward) / self._case_j,
            duration_s,
        )
        rate = power_w / self._winding_j
        self.winding_c = self._air_c + e11 * winding + e12 * case + s11 * rate
        self.case_c = self._air_c + e21 * winding + e22 * case + s21 * rate
