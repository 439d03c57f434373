"""Whether a raw reading has settled: its noise, its drift, and the uncertainty of its mean."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

_FEWEST = 10


class Reading(NamedTuple):
    """The last seconds of a raw reading, in raw units."""

    mean: float
    noise: float
    """Standard deviation about the straight line through the readings."""
    drift_per_s: float
    drift_uncertainty_per_s: float
    uncertainty: float
    """Standard uncertainty of the mean, with the correlation of neighbouring readings."""
    readings: int
    settled: bool
    reason: str
    """Why not, or ``settled``."""


def read(
    time_s: ArrayLike,
    raw: ArrayLike,
    *,
    window_s: float = 2.0,
    drift_limit: float,
    noise_limit: float = math.inf,
    rails: tuple[float, float] | None = None,
) -> Reading:
    """Judge the last *window_s* seconds of float64[n] readings at rising times.

    Settled: the window is full, every reading is finite and off the rails, the noise is below
    *noise_limit*, and the straight line through it changes by less than *drift_limit* over the
    window, its uncertainty included (k = 2). Limits in raw units. Nothing is raised: a reading
    that cannot be judged says why.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(raw, dtype=np.float64)
    if not len(t):
        return _unread(0, "no readings yet")
    kept = t >= t[-1] - window_s
    full = t[0] <= t[-1] - window_s
    t, x = t[kept] - t[-1], x[kept]
    if not full or len(t) < _FEWEST:
        return _unread(len(t), f"wait for {window_s:g} s of readings")
    if not np.all(np.isfinite(x)):
        return _unread(len(t), "a reading is missing")
    if rails is not None and (x.min() <= rails[0] or x.max() >= rails[1]):
        end = rails[0] if x.min() <= rails[0] else rails[1]
        return _unread(len(t), f"the reading is at its end ({end:g}): check the wiring")
    return _judge(t, x, window_s, drift_limit, noise_limit)


def _unread(readings: int, reason: str) -> Reading:
    nan = math.nan
    return Reading(nan, nan, nan, nan, nan, readings, False, reason)


def _judge(
    t: NDArray[np.float64],
    x: NDArray[np.float64],
    window_s: float,
    drift_limit: float,
    noise_limit: float,
) -> Reading:
    centred = t - t.mean()
    slope = float(centred @ (x - x.mean()) / (centred @ centred))
    rest = x - x.mean() - slope * centred
    noise = math.sqrt(float(rest @ rest) / (len(x) - 2))
    independent = _independent(rest)
    slope_u = noise / math.sqrt(float(centred @ centred) * independent / len(x))
    change = (abs(slope) + 2 * slope_u) * window_s
    if noise > noise_limit:
        reason = f"noise {noise:.3g}, expected at most {noise_limit:.3g}"
    elif change > drift_limit:
        reason = (
            f"still moving: {slope * window_s:+.3g} ± {2 * slope_u * window_s:.2g} in "
            f"{window_s:g} s, expected within {drift_limit:.3g}"
        )
    else:
        reason = "settled"
    mean_u = max(noise / math.sqrt(independent), abs(slope) * window_s / math.sqrt(12))
    settled = reason == "settled"
    return Reading(float(x.mean()), noise, slope, slope_u, mean_u, len(x), settled, reason)


def _independent(rest: NDArray[np.float64]) -> float:
    """Number of independent readings, by the correlation of neighbours.

    n (1 - ρ)/(1 + ρ) for a first-order process, ρ below 0 taken as 0. Source: from memory.
    """
    power = float(rest @ rest)
    correlation = float(rest[1:] @ rest[:-1]) / power if power > 0 else 0.0
    correlation = min(max(correlation, 0.0), 0.99)
    return max(2.0, len(rest) * (1 - correlation) / (1 + correlation))
