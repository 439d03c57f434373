"""Delays that belong to a sensor and its plumbing: force chain, pressure hose, temperature."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

UNMEASURED_S = 0.05
"""Standard uncertainty of a force chain's delay that nobody measured.

Source: common practice, no source."""


@dataclass(frozen=True)
class ForceChain:
    """Delay and lag of a load cell with its amplifier and filter, to be taken off its times.

    ``uncertainty_s`` is a line of the power budget. ``measured`` False is a flag on every result
    that adds this force to mass times acceleration, and the uncertainty is 50 ms, never zero.
    """

    delay_s: float = 0.0
    lag_s: float = 0.0
    uncertainty_s: float = UNMEASURED_S
    measured: bool = False

    @classmethod
    def of(
        cls, delay_s: float | None, lag_s: float | None, uncertainty_s: float | None
    ) -> ForceChain:
        """From a calibration record; without an uncertainty it counts as unmeasured."""
        if uncertainty_s is None or (delay_s is None and lag_s is None):
            return cls(delay_s or 0.0, lag_s or 0.0)
        return cls(delay_s or 0.0, lag_s or 0.0, uncertainty_s, True)

    def sampled(self, t: Floats) -> Floats:
        """When the force was what the samples at *t* s show.

        A first-order lag delays slow changes by its time constant.
        """
        shifted: Floats = t - (self.delay_s + self.lag_s)
        return shifted


def speed_of_sound(air_degc: float = 20.0) -> float:
    """In dry air, m/s. Source: 331.3 sqrt(1 + t/273.15), any acoustics text."""
    return float(331.3 * np.sqrt(1 + air_degc / 273.15))


@dataclass(frozen=True)
class Hose:
    """A hose between manifold and pressure sensor.

    ``length_m``; ``air_degc`` in it; ``lag_s`` of the sensor and the bore, measured by a pressure
    step or configured, with ``lag_uncertainty_s``.
    """

    length_m: float
    lag_s: float = 0.0
    lag_uncertainty_s: float = 1e-3
    air_degc: float = 20.0

    @property
    def delay_s(self) -> float:
        """Time of sound through the hose, and the lag."""
        return self.length_m / speed_of_sound(self.air_degc) + self.lag_s

    @property
    def resonance_hz(self) -> float:
        """Quarter-wave resonance of a hose closed by the sensor."""
        return speed_of_sound(self.air_degc) / (4 * self.length_m) if self.length_m else np.inf

    @property
    def uncertainty_s(self) -> float:
        """Standard uncertainty: the lag's, and 5 % of the time of sound for warmth and bore."""
        return float(np.hypot(self.lag_uncertainty_s, 0.05 * (self.delay_s - self.lag_s)))


def cycle_mean(
    t: Floats, value: Floats, edge: Floats, turns: Floats, run: Ints, cycle_turns: float = 2.0
) -> tuple[Floats, Floats]:
    """Mean of a pressure over the working cycle around each ignition pulse.

    *t* s and *value*, float64[n]; *edge* s, *turns* and *run* as :class:`EngineSpeed` has them.
    Returns times (the middle of each cycle, s) and means; a cycle must lie within one run of the
    engine and within the samples, and no sample in it be missing.
    """
    if len(t) < 2 or not len(edge):
        return np.empty(0), np.empty(0)
    missing = ~np.isfinite(value)
    value = np.where(missing, 0.0, value)
    area = np.concatenate(([0.0], np.cumsum(np.diff(t) * (value[1:] + value[:-1]) / 2)))
    apart = turns + run * (10 * cycle_turns)
    first = np.flatnonzero(np.diff(run, prepend=run[0] - 1))
    low, high = apart[first][run - run[0]], apart[np.append(first[1:], len(run)) - 1][run - run[0]]
    whole = (apart - cycle_turns / 2 >= low) & (apart + cycle_turns / 2 <= high)
    begin = np.interp(apart[whole] - cycle_turns / 2, apart, edge)
    end = np.interp(apart[whole] + cycle_turns / 2, apart, edge)
    inside = (begin >= t[0]) & (end <= t[-1]) & (end > begin)
    begin, end = begin[inside], end[inside]
    mean = (_area(end, t, value, area) - _area(begin, t, value, area)) / (end - begin)
    before = np.concatenate(([0], np.cumsum(missing)))
    first, last = np.searchsorted(t, begin, side="right") - 1, np.searchsorted(t, end) + 1
    good = before[last.clip(0, len(t))] == before[first.clip(0)]
    return ((begin + end) / 2)[good], mean[good]


def _area(at: Floats, t: Floats, value: Floats, area: Floats) -> Floats:
    """Integral of the straight lines through the samples up to *at*."""
    left = np.clip(np.searchsorted(t, at, side="right") - 1, 0, len(t) - 2)
    h = at - t[left]
    step = t[left + 1] - t[left]
    slope = (value[left + 1] - value[left]) / np.where(step > 0, step, 1.0)
    total: Floats = area[left] + h * (value[left] + slope * h / 2)
    return total


def lag_error(t: Floats, value: Floats, lag_s: float, limit: float) -> tuple[Floats, Bools]:
    """What a slow sensor lacks, lag times rate of change, and where that exceeds *limit*.

    *t* s, *value* float64[n] of a temperature, *limit* in its unit. The rate is taken over the lag
    itself, so that noise does not count.
    """
    if len(t) < 2:
        return np.zeros(len(t)), np.zeros(len(t), np.bool_)
    reach = max(lag_s, float(np.median(np.diff(t)))) / 2
    later, earlier = np.interp(t + reach, t, value), np.interp(t - reach, t, value)
    span = np.minimum(t + reach, t[-1]) - np.maximum(t - reach, t[0])
    error = lag_s * (later - earlier) / np.where(span > 0, span, 1.0)
    return error, np.abs(error) > limit
