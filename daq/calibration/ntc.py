"""Thermistors with negative temperature coefficient: Steinhart–Hart, and beta as a fall-back.

Temperatures in °C, resistances in ohm; arrays of any shape.
Source: J. S. Steinhart and S. R. Hart, Deep-Sea Research 15 (1968) 497:
1/T = a + b ln R + c (ln R)³, T in K, R in ohm.
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.equations import Equation, Matrix, as_covariance
from daq.calibration.signal import Array, Errors
from daq.calibration.table import check_points
from daq.config import key

ZERO_C = 273.15


def steinhart_hart(ohms: ArrayLike, coefficients: ArrayLike) -> Array:
    """Temperature in °C from resistance; NaN unless the resistance is positive."""
    a, b, c = np.asarray(coefficients, dtype=np.float64)
    log = _log(ohms)
    inverse = a + log * (b + c * log**2)
    return np.asarray(1.0 / np.where(inverse > 0, inverse, np.nan) - ZERO_C)


def steinhart_hart_resistance(celsius: ArrayLike, coefficients: ArrayLike) -> Array:
    """Resistance in ohm from temperature: the real root of the cubic in ln R (Cardano)."""
    a, b, c = np.asarray(coefficients, dtype=np.float64)
    target = 1.0 / (np.asarray(celsius, dtype=np.float64) + ZERO_C)
    if c == 0.0:
        return np.asarray(np.exp((target - a) / b))
    half = (a - target) / (2 * c)
    third = b / (3 * c)
    root = np.sqrt(half**2 + third**3)
    return np.asarray(np.exp(np.cbrt(-half + root) + np.cbrt(-half - root)))


def beta_temperature(ohms: ArrayLike, r0_ohm: float, t0_c: float, beta_k: float) -> Array:
    """Temperature in °C by 1/T = 1/T₀ + ln(R/R₀)/β. Source: definition of β, IEC 60539-1."""
    inverse = 1.0 / (t0_c + ZERO_C) + (_log(ohms) - np.log(r0_ohm)) / beta_k
    return np.asarray(1.0 / np.where(inverse > 0, inverse, np.nan) - ZERO_C)


def beta_resistance(celsius: ArrayLike, r0_ohm: float, t0_c: float, beta_k: float) -> Array:
    """The inverse of :func:`beta_temperature`, in ohm."""
    kelvin = np.asarray(celsius, dtype=np.float64) + ZERO_C
    return r0_ohm * np.exp(beta_k * (1.0 / kelvin - 1.0 / (t0_c + ZERO_C)))


def beta_from_points(t1_c: float, r1_ohm: float, t2_c: float, r2_ohm: float) -> float:
    """β in K from two points. Raises ValueError for two equal temperatures."""
    if t1_c == t2_c or not min(r1_ohm, r2_ohm) > 0:
        raise ValueError(
            f"{r1_ohm} ohm at {t1_c} °C and {r2_ohm} ohm at {t2_c} °C give no beta; expected two "
            "temperatures and resistances above 0"
        )
    return float(np.log(r1_ohm / r2_ohm) / (1 / (t1_c + ZERO_C) - 1 / (t2_c + ZERO_C)))


def _log(ohms: ArrayLike) -> Array:
    r = np.asarray(ohms, dtype=np.float64)
    return np.log(np.where(r > 0, r, np.nan))


class NtcFit(NamedTuple):
    """Coefficients a, b, c in 1/K, their covariance, and the residuals in K (curve - table)."""

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    residuals: NDArray[np.float64]


def fit_steinhart_hart(celsius: ArrayLike, ohms: ArrayLike) -> NtcFit:
    """Least squares through the sensor's own table, weighted so that equal errors in K count alike.

    Three points are met exactly and leave a covariance of zero. Raises ValueError for fewer, for
    equal points, or when the resistance does not fall as the temperature rises.
    """
    t = np.asarray(celsius, dtype=np.float64)
    r = np.asarray(ohms, dtype=np.float64)
    _check_ntc_table(t, r)
    order = np.argsort(t)
    kelvin, log = t[order] + ZERO_C, np.log(r[order])
    design = np.column_stack([np.ones_like(log), log, log**3])
    weight = kelvin**2  # dT = -T² d(1/T)
    scale = np.linalg.norm(design * weight[:, None], axis=0)
    scaled = design * weight[:, None] / scale
    solution, *_ = np.linalg.lstsq(scaled, kelvin, rcond=None)
    coefficients = solution / scale
    residuals = steinhart_hart(r, coefficients) - t
    freedom = len(t) - 3
    variance = float(residuals @ residuals) / freedom if freedom else 0.0
    covariance = variance * np.linalg.inv(scaled.T @ scaled) / np.outer(scale, scale)
    return NtcFit(coefficients, covariance, residuals)


def _check_ntc_table(t: NDArray[np.float64], r: NDArray[np.float64]) -> None:
    if len(t) != len(r) or len(t) < 3:
        raise ValueError(
            f"thermistor table: expected at least 3 points (°C, ohm), got {len(t)} and {len(r)}"
        )
    order = np.argsort(t, kind="stable")
    check_points(t[order], r[order])
    if np.any(r <= 0):
        raise ValueError(f"thermistor table: expected resistances above 0, got {float(r.min())!r}")
    rising = np.flatnonzero(np.diff(r[order]) >= 0)
    if len(rising):
        a, b = order[rising[0]], order[rising[0] + 1]
        raise ValueError(
            f"thermistor table: {float(r[a])} ohm at {float(t[a])} °C and {float(r[b])} ohm at "
            f"{float(t[b])} °C; expected a resistance that falls as the temperature rises"
        )


@dataclass(frozen=True)
class SteinhartHart(Equation):
    """Thermistor by coefficients, or by the sensor's own table, through which they are fitted."""

    model: ClassVar[str] = "steinhart_hart"
    signal_unit: ClassVar[str] = "ohm"
    unit: ClassVar[str] = "degC"
    formula: ClassVar[str] = "1/(a + b*ln(x) + c*ln(x)^3) - 273.15"

    coefficients: tuple[float, float, float] | None = key(None, help="a, b, c in 1/K, R in ohm")
    covariance: Matrix = ()
    table_degc: tuple[float, ...] = key((), unit="degC")
    table_ohm: tuple[float, ...] = key((), unit="ohm")

    def __post_init__(self) -> None:
        if self.coefficients is None:
            if not self.table_degc:
                raise ValueError("expected coefficients, or table_degc and table_ohm")
            fit_steinhart_hart(self.table_degc, self.table_ohm)
        elif not self.coefficients[1] > 0:
            raise ValueError(f"coefficients: expected b above 0, got {self.coefficients[1]!r}")
        as_covariance(self.covariance, 3)

    @cached_property
    def fit(self) -> NtcFit:
        """Coefficients as given, or fitted to the table."""
        if self.coefficients is None:
            return fit_steinhart_hart(self.table_degc, self.table_ohm)
        given = np.array(self.coefficients)
        return NtcFit(given, as_covariance(self.covariance, 3), np.zeros(0))

    @property
    def parameters(self) -> Mapping[str, float]:
        return dict(zip("abc", self.fit.coefficients.tolist()))

    @property
    def parameter_covariance(self) -> NDArray[np.float64]:
        return self.fit.covariance

    @property
    def ends(self) -> tuple[float, float]:
        """The table's ends; without a table -40 and 150 °C (common practice, no source)."""
        if self.table_degc:
            return min(self.table_degc), max(self.table_degc)
        return -40.0, 150.0

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return steinhart_hart(signal, self._with(errors))

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return steinhart_hart_resistance(value, self.fit.coefficients)


@dataclass(frozen=True)
class Beta(Equation):
    """Thermistor by β alone: a fall-back, whose error must be stated.

    β between 25 and 100 °C errs by several kelvin at the ends of an engine's range.
    """

    model: ClassVar[str] = "beta"
    signal_unit: ClassVar[str] = "ohm"
    unit: ClassVar[str] = "degC"
    formula: ClassVar[str] = "1/(1/T0 + ln(x/r0)/beta) - 273.15"

    r0_ohm: float = key(unit="ohm", low=0.1, high=1e8)
    beta_k: float = key(unit="K", low=500, high=10_000)
    error_k: float = key(unit="K", low=0, high=100, help="greatest error of the equation, ±")
    t0_degc: float = key(25.0, unit="degC", low=-100, high=300)
    low_degc: float = key(-40.0, unit="degC", low=-273, high=1000)
    high_degc: float = key(150.0, unit="degC", low=-273, high=1000)
    covariance: Matrix = ()

    def __post_init__(self) -> None:
        as_covariance(self.covariance, 2)

    @property
    def parameters(self) -> Mapping[str, float]:
        return {"r0": self.r0_ohm, "beta": self.beta_k}

    def value_error(self, value: Array) -> ArrayLike:
        """Rectangular within ±error_k."""
        return self.error_k / 3**0.5

    @property
    def ends(self) -> tuple[float, float]:
        return self.low_degc, self.high_degc

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        r0, beta = self._with(errors)
        return beta_temperature(signal, r0, self.t0_degc, beta)

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return beta_resistance(value, self.r0_ohm, self.t0_degc, self.beta_k)
