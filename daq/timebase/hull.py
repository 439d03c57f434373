"""The straight line under all upper bounds: where the smallest latencies are.

An arrival says only that the sample was taken *earlier*. Averages of arrivals estimate the mean
latency, which is nobody's business; the line under all of them estimates the smallest one.

Source: the highest line under all points is a linear programme (Moon, Skelly and Towsley 1999,
from memory); its solution is the edge of the lower convex hull above the mean of the abscissae.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

GATE_S = 3e-3
"""A bound this far under the two-per-cent line is false: a damaged counter, not a fast arrival."""
SHARE = 0.02


def line_under(x: Floats, y: Floats) -> tuple[float, float]:
    """Value at the mean of *x* and slope of the highest line there that no point lies under.

    *x* float64[n] ascending, not all equal; *y* float64[n]; n >= 2. Exact, without building the
    hull: the support points left and right of the mean are exchanged until one line rests on
    both (Newton's method on a monotone function, with bisection as its guard).
    """
    pivot = float(x.mean())
    cut = int(np.clip(np.searchsorted(x, pivot, side="right"), 1, len(x) - 1))
    if x[cut] <= x[cut - 1]:
        cut = int(np.searchsorted(x, x[cut], side="left")) or int(np.argmax(x > x[0]))
    slope, low, high = 0.0, -np.inf, np.inf
    for _ in range(100):
        height = y - slope * x
        i, j = int(np.argmin(height[:cut])), cut + int(np.argmin(height[cut:]))
        if height[j] > height[i]:
            low = slope
        else:
            high = slope
        exact = float((y[j] - y[i]) / (x[j] - x[i]))
        if abs(exact - slope) <= 1e-15 + 1e-12 * abs(slope):
            break
        slope = exact if low < exact < high else (low + high) / 2
    return float(np.min(y - slope * (x - pivot))), slope


def line_over(x: Floats, y: Floats) -> tuple[float, float]:
    """Value at the mean of *x* and slope of the lowest line there that no point lies over."""
    value, slope = line_under(x, -y)
    return -value, -slope


def believable(x: Floats, y: Floats) -> Bools:
    """Which points are not more than 3 ms under the line that has two per cent under it.

    A single false *early* bound would ruin a hull; a late one does nothing. The slope is the
    median of slopes between low quantiles of up to 16 stretches (Theil and Sen), so that neither
    late nor early bounds bend it. Source for the gate: measured on a model with ground truth.
    """
    stretches = min(16, len(x) // 10)
    if stretches < 3:
        return np.ones(len(x), np.bool_)
    each = len(x) // stretches
    centre = x[: stretches * each].reshape(stretches, each).mean(axis=1)
    low = np.quantile(y[: stretches * each].reshape(stretches, each), 0.1, axis=1)
    first, second = np.triu_indices(stretches, 1)
    slope = float(np.median((low[second] - low[first]) / (centre[second] - centre[first])))
    level = y - slope * x
    believed: Bools = level >= np.quantile(level, SHARE) - GATE_S
    return believed
