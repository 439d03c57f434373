"""Platinum resistance thermometers by the Callendar–Van Dusen equation.

Temperatures in °C, resistances in ohm; arrays of any shape; NaN outside -200 to 850 °C.
Source: IEC 60751: R = R₀ (1 + A t + B t² + [t < 0] C (t - 100) t³).
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.equations import Equation
from daq.calibration.signal import Array, Errors
from daq.config import key

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12
LOW_C, HIGH_C = -200.0, 850.0
Grade = Literal["AA", "A", "B", "C"]
_TOLERANCES: dict[Grade, tuple[float, float]] = {
    "AA": (0.1, 0.0017),
    "A": (0.15, 0.002),
    "B": (0.3, 0.005),
    "C": (0.6, 0.01),
}
_NEWTON_STEPS = 6


def resistance(celsius: ArrayLike, r0_ohm: float = 100.0) -> Array:
    """Resistance at a temperature."""
    t = np.asarray(celsius, dtype=np.float64)
    inside = (t >= LOW_C) & (t <= HIGH_C)
    return np.where(inside, r0_ohm * _ratio(t), np.nan)


def temperature(ohms: ArrayLike, r0_ohm: float = 100.0) -> Array:
    """Temperature at a resistance: the quadratic above 0 °C, Newton's method below."""
    ratio = np.asarray(ohms, dtype=np.float64) / r0_ohm
    inside = (ratio >= _ratio(np.float64(LOW_C)) - 1e-12) & (
        ratio <= _ratio(np.float64(HIGH_C)) + 1e-12
    )
    ratio = np.where(inside, ratio, np.nan)
    t = (-A + np.sqrt(A**2 - 4 * B * (1 - ratio))) / (2 * B)
    cold = ratio < 1
    for _ in range(_NEWTON_STEPS):
        t = np.where(cold, t - (_ratio(t) - ratio) / _slope(t), t)
    return t


def _ratio(t: NDArray[np.float64] | np.float64) -> Array:
    return np.asarray(1 + A * t + B * t**2 + C * (t - 100) * np.minimum(t, 0) ** 3)


def _slope(t: NDArray[np.float64]) -> Array:
    below = np.minimum(t, 0)
    return np.asarray(A + 2 * B * t + C * (4 * below**3 - 300 * below**2))


def tolerance(grade: Grade, celsius: ArrayLike) -> Array:
    """Greatest deviation of a new element of that class, ± K. Source: IEC 60751."""
    fixed, relative = _TOLERANCES[grade]
    return fixed + relative * np.abs(np.asarray(celsius, dtype=np.float64))


@dataclass(frozen=True)
class CallendarVanDusen(Equation):
    """Pt100, Pt1000 and their like; the one adjustable parameter is the resistance at 0 °C."""

    model: ClassVar[str] = "callendar_van_dusen"
    signal_unit: ClassVar[str] = "ohm"
    unit: ClassVar[str] = "degC"
    formula: ClassVar[str] = "x = r0*(1 + A*t + B*t^2 + C*(t-100)*t^3 for t < 0)"

    r0_ohm: float = key(100.0, unit="ohm", low=1, high=100_000)
    r0_uncertainty_ohm: float = key(0.0, unit="ohm", low=0, help="standard")
    lead_ohm: float = key(0.0, unit="ohm", low=0, high=100, help="both leads, two-wire connection")
    tolerance_class: Grade | None = None

    @property
    def parameters(self) -> Mapping[str, float]:
        return {"r0": self.r0_ohm}

    @property
    def parameter_covariance(self) -> NDArray[np.float64]:
        return np.array([[self.r0_uncertainty_ohm**2]])

    def value_error(self, value: Array) -> ArrayLike:
        """Tolerance of the class as a rectangular distribution."""
        if self.tolerance_class is None:
            return 0.0
        return tolerance(self.tolerance_class, value) / 3**0.5

    @property
    def ends(self) -> tuple[float, float]:
        return LOW_C, HIGH_C

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        (r0,) = self._with(errors)
        return temperature(signal - self.lead_ohm, r0)

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return resistance(value, self.r0_ohm) + self.lead_ohm
