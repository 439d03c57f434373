"""Roller speed as it is now: causal, from counts and the ticks of their edges."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from daq.bench import RollerSetConfig

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

WINDOW_S = 0.08
"""A speed is the mean over so long, so it lags by half of that."""


class LiveSpeed:
    """Speed of one roller set's surface, row by row of its encoder's stream.

    Counts between the last edges of two rows about 80 ms apart, by the time between those edges:
    at one count of quantisation the time is still good to a tick. Without edge ticks, by the rows'
    own times. A roller that gives no more edges is no faster than two counts in the time since the
    last (one, and one for the rounding of ticks).
    """

    def __init__(self, roller: RollerSetConfig) -> None:
        self._metres = roller.circumference_m / roller.counts_per_revolution
        if roller.reversed:
            self._metres = -self._metres
        self._segment = -1
        self._at = self._edge = np.empty(0)
        self._count = np.empty(0, np.int64)

    def feed(self, at_s: Floats, count: Ints, edge_s: Floats | None, segment: int = 0) -> Floats:
        """Speed in m/s at each row, float64[n]; NaN until a segment is one window long.

        *at_s* float64[n]: time of each row on the device's clock, or the host's; *edge_s*: that of
        its last edge on the same clock, or None.
        """
        if segment != self._segment:
            self._segment = segment
            self._forget()
        edge = at_s if edge_s is None else edge_s
        known = len(self._at)
        self._at = np.append(self._at, at_s)
        self._count = np.append(self._count, count)
        self._edge = np.append(self._edge, edge)
        now = np.arange(known, len(self._at))
        then = np.searchsorted(self._at, at_s - WINDOW_S, side="right") - 1
        speed = self._between(np.maximum(then, 0), now)
        speed[then < 0] = np.nan
        keep = int(max(0, then[-1])) if len(then) else 0
        self._at, self._count, self._edge = self._at[keep:], self._count[keep:], self._edge[keep:]
        return speed

    def _forget(self) -> None:
        self._at = self._edge = np.empty(0)
        self._count = np.empty(0, np.int64)

    def _between(self, then: Ints, now: Ints) -> Floats:
        counts = (self._count[now] - self._count[then]).astype(np.float64)
        begun = np.maximum(self._edge[then], self._at[then] - WINDOW_S)
        lasted = self._edge[now] - begun
        with np.errstate(divide="ignore", invalid="ignore"):
            rate = np.where((counts != 0) & (lasted > 0), counts / lasted, 0.0)
            most = 2.0 / (self._at[now] - self._edge[now])
        most[self._edge[now] >= self._at[now]] = np.inf
        speed: Floats = np.clip(rate, -most, most) * self._metres
        return speed
