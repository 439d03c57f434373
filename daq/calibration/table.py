"""Calibration by table: monotone piecewise cubic interpolation between the points.

Source: F. N. Fritsch and R. E. Carlson, SIAM J. Numer. Anal. 17 (1980) 238; slopes after
F. N. Fritsch and J. Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300 (weighted harmonic mean),
one-sided three-point slopes at the ends. The curve never leaves the span of two neighbouring
points, so a monotone table has exactly one inverse.
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.equations import Equation, Matrix, as_covariance
from daq.calibration.signal import Array, Errors
from daq.config import key

_HALVINGS = 60


@dataclass(frozen=True)
class Table(Equation):
    """Points (signal, value) in order of rising signal, with values that only rise or only fall.

    Beyond the first and last point the end slope goes on; fault limits say how far.
    """

    model: ClassVar[str] = "table"
    formula: ClassVar[str] = "monotone piecewise cubic through the points (x, y)"

    x: tuple[float, ...] = key(help="signal at the points")
    y: tuple[float, ...] = key(help="value at the points")
    covariance: Matrix = ()

    def __post_init__(self) -> None:
        check_points(self.x, self.y)
        direction = np.sign(np.diff(self.y))
        turns = np.flatnonzero((direction != direction[0]) | (direction == 0))
        if len(turns):
            bad = int(turns[0])
            raise ValueError(
                f"y[{bad}] and y[{bad + 1}]: expected values that only rise or only fall, "
                f"got {self.y[bad]!r} and {self.y[bad + 1]!r}"
            )
        as_covariance(self.covariance, len(self.y))

    @property
    def parameters(self) -> Mapping[str, float]:
        return {f"y{index}": value for index, value in enumerate(self.y)}

    @property
    def ends(self) -> tuple[float, float]:
        return min(self.y), max(self.y)

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return Curve(self.x, self._with(errors))(signal)

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return Curve(self.x, self.y).inverse(value)


def check_points(x: ArrayLike, y: ArrayLike) -> None:
    """Raise ValueError unless *x* and *y* match, are finite and *x* rises strictly."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if len(xs) != len(ys) or len(xs) < 2:
        raise ValueError(
            f"points: expected as many signals as values, at least 2, got {len(xs)} and {len(ys)}"
        )
    for index, (a, b) in enumerate(zip(xs, ys)):
        if not (np.isfinite(a) and np.isfinite(b)):
            raise ValueError(f"point {index}: expected two finite numbers, got {a} and {b}")
    for index in np.flatnonzero(np.diff(xs) <= 0).tolist():
        what = "twice the same signal" if xs[index] == xs[index + 1] else "signals in disorder"
        raise ValueError(
            f"points {index} and {index + 1}: {what}, {xs[index]} and {xs[index + 1]}; "
            "expected strictly rising signals"
        )


class Curve:
    """A monotone piecewise cubic through points, straight beyond them."""

    def __init__(self, x: ArrayLike, y: ArrayLike) -> None:
        self.x = np.asarray(x, dtype=np.float64)
        self.y = np.asarray(y, dtype=np.float64)
        check_points(self.x, self.y)
        self.slope = slopes(self.x, self.y)

    def __call__(self, at: ArrayLike) -> Array:
        """Value at *at*, same shape."""
        at = np.asarray(at, dtype=np.float64)
        left = np.clip(np.searchsorted(self.x, at, side="right") - 1, 0, len(self.x) - 2)
        inside = self._cubic(at, left)
        below = self.y[0] + self.slope[0] * (at - self.x[0])
        above = self.y[-1] + self.slope[-1] * (at - self.x[-1])
        return np.where(at < self.x[0], below, np.where(at > self.x[-1], above, inside))

    def _cubic(self, at: Array, left: NDArray[np.intp]) -> Array:
        """Hermite form on the interval that starts at point *left*."""
        h = self.x[left + 1] - self.x[left]
        t = (at - self.x[left]) / h
        rest = 1.0 - t
        return np.asarray(
            (1 + 2 * t) * rest**2 * self.y[left]
            + t**2 * (3 - 2 * t) * self.y[left + 1]
            + h * t * rest * (rest * self.slope[left] - t * self.slope[left + 1])
        )

    def inverse(self, value: ArrayLike) -> Array:
        """The signal at *value* by halving; beyond the ends along the end slope, else NaN."""
        value = np.asarray(value, dtype=np.float64)
        sign = 1.0 if self.y[-1] > self.y[0] else -1.0
        low = np.full_like(value, self.x[0])
        high = np.full_like(value, self.x[-1])
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            under = sign * (self(middle) - value) < 0
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        result = (low + high) / 2
        for end in (0, -1):
            beyond = sign * (value - self.y[end]) * (1 if end else -1) > 0
            with np.errstate(divide="ignore", invalid="ignore"):
                straight = self.x[end] + (value - self.y[end]) / self.slope[end]
            result = np.where(beyond, straight if self.slope[end] else np.nan, result)
        return np.where(np.isnan(value), np.nan, result)


def slopes(x: NDArray[np.float64], y: NDArray[np.float64]) -> NDArray[np.float64]:
    """Slopes at the points, zero at a turn. Source: see the module."""
    h, rise = np.diff(x), np.diff(y) / np.diff(x)
    if len(x) == 2:
        return np.array([rise[0], rise[0]])
    inner = np.zeros(len(x) - 2)
    same = rise[:-1] * rise[1:] > 0
    w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
    inner[same] = ((w1 + w2)[same]) / (w1[same] / rise[:-1][same] + w2[same] / rise[1:][same])
    first = _end_slope(h[0], h[1], rise[0], rise[1])
    last = _end_slope(h[-1], h[-2], rise[-1], rise[-2])
    return np.concatenate([[first], inner, [last]])


def _end_slope(h0: float, h1: float, rise0: float, rise1: float) -> float:
    slope = ((2 * h0 + h1) * rise0 - h0 * rise1) / (h0 + h1)
    if np.sign(slope) != np.sign(rise0):
        return 0.0
    if np.sign(rise0) != np.sign(rise1) and abs(slope) > 3 * abs(rise0):
        return float(3 * rise0)
    return float(slope)
