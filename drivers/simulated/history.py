"""The short past of a feed: what its sensor can still average over."""

from __future__ import annotations

from bisect import bisect_right

KEEP = 4096  # nodes; at 0.5 ms a node several times the 70 ms a sensor can look back


class FeedHistory:
    """Nodes of (time, charge, current, voltage) at a feed, in time order.

    Between nodes the charge is the cubic that fits charge and current at both ends, the voltage
    a straight line; after the last node current and voltage stay as they are.  Two nodes at one
    instant are a jump.  SI units.
    """

    __slots__ = ("charges", "currents", "times", "volts")

    def __init__(self) -> None:
        self.times: list[float] = [0.0]
        self.charges: list[float] = [0.0]
        self.currents: list[float] = [0.0]
        self.volts: list[float] = [0.0]

    def mark(self, time_s: float, current_a: float, voltage_v: float) -> None:
        """Let current and voltage jump (or begin to differ) at ``time_s``."""
        past_s = time_s - self.times[-1]
        flown = self.currents[-1] * past_s
        if past_s > 0.0:
            self._append(time_s, self.charges[-1] + flown, self.currents[-1], self.volts[-1])
        self._append(time_s, self.charges[-1], current_a, voltage_v)
        if len(self.times) > KEEP:
            self.prune()

    def _append(self, time_s: float, charge: float, current_a: float, voltage_v: float) -> None:
        self.times.append(time_s)
        self.charges.append(charge)
        self.currents.append(current_a)
        self.volts.append(voltage_v)

    def drop_last(self) -> None:
        """Forget the last node."""
        del self.times[-1], self.charges[-1], self.currents[-1], self.volts[-1]

    def prune(self) -> None:
        """Forget the older half."""
        half = len(self.times) // 2
        for column in (self.times, self.charges, self.currents, self.volts):
            del column[:half]

    def charge_at(self, time_s: float) -> float:
        """Return the charge (C) that has flown up to ``time_s``."""
        times = self.times
        k = bisect_right(times, time_s) - 1
        if k < 0:
            k = 0
        past = time_s - times[k]
        if k == len(times) - 1 or past == 0.0:
            return self.charges[k] + self.currents[k] * past
        h = times[k + 1] - times[k]
        x = past / h
        q0, q1 = self.charges[k], self.charges[k + 1]
        d0, d1 = self.currents[k] * h, self.currents[k + 1] * h
        rise = q1 - q0
        return q0 + x * (d0 + x * ((3.0 * rise - 2.0 * d0 - d1) + x * (d0 + d1 - 2.0 * rise)))

    def mean_a(self, t0_s: float, t1_s: float) -> float:
        """Return the mean current (A) from ``t0_s`` to ``t1_s``."""
        if t1_s <= t0_s:
            return self.at(t1_s)[0]
        if t0_s >= self.times[-1]:  # at rest for longer than the window: the usual case
            return self.currents[-1]
        return (self.charge_at(t1_s) - self.charge_at(t0_s)) / (t1_s - t0_s)

    def mean_v(self, t0_s: float, t1_s: float) -> float:
        """Return the mean voltage (V) from ``t0_s`` to ``t1_s``."""
        times, volts = self.times, self.volts
        if t0_s >= times[-1]:
            return volts[-1]
        if t1_s <= t0_s:
            return self.at(t1_s)[1]
        total = 0.0
        left_s, left_v = t0_s, self.at(t0_s)[1]
        for k in range(max(bisect_right(times, t0_s), 1), len(times)):
            if times[k] >= t1_s:
                break
            total += 0.5 * (left_v + volts[k]) * (times[k] - left_s)
            left_s, left_v = times[k], volts[k]
        total += 0.5 * (left_v + self._before(t1_s)) * (t1_s - left_s)
        return total / (t1_s - t0_s)

    def at(self, time_s: float) -> tuple[float, float]:
        """Return current and voltage at ``time_s``, after a jump there."""
        times = self.times
        k = max(bisect_right(times, time_s) - 1, 0)
        if k == len(times) - 1:
            return self.currents[k], self.volts[k]
        x = max((time_s - times[k]) / (times[k + 1] - times[k]), 0.0)
        return (
            self.currents[k] + x * (self.currents[k + 1] - self.currents[k]),
            self.volts[k] + x * (self.volts[k + 1] - self.volts[k]),
        )

    def _before(self, time_s: float) -> float:
        """Return the voltage as ``time_s`` is reached, before a jump there."""
        times, volts = self.times, self.volts
        k = bisect_right(times, time_s) - 1
        while k > 0 and times[k] == time_s:
            k -= 1
        if k == len(times) - 1:
            return volts[k]
        x = (time_s - times[k]) / (times[k + 1] - times[k])
        return volts[k] + min(x, 1.0) * (volts[k + 1] - volts[k])
