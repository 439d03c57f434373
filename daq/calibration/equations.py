"""Sensor equations: what they have in common, and the straight and polynomial ones.

An equation is a frozen dataclass that is the table ``[equation]`` of a calibration record. It takes
the electrical signal (float64, any shape) and gives the value, NaN where there is none; its
parameters carry a covariance, so that a value's uncertainty can be computed.
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.signal import Array, Errors
from daq.config import key

Matrix = tuple[tuple[float, ...], ...]


class Equation(ABC):
    """Signal to value."""

    model: ClassVar[str]
    signal_unit: ClassVar[str] = ""
    """Unit the signal must have; any when empty."""
    unit: ClassVar[str] = ""
    """Unit of the value; the record's own when empty."""
    formula: ClassVar[str]

    @property
    def parameters(self) -> Mapping[str, float]:
        """The adjustable numbers by name, in the order of the covariance."""
        return {}

    @property
    def parameter_covariance(self) -> NDArray[np.float64]:
        """Covariance of the parameters, k × k; zeros when none is on record."""
        count = len(self.parameters)
        return as_covariance(getattr(self, "covariance", ()), count)

    @property
    def inputs(self) -> Mapping[str, str]:
        """Channels it needs, with the unit each is expected in."""
        return {}

    @property
    def uncertainties(self) -> Mapping[str, float]:
        """Standard uncertainties of named errors that :meth:`value` understands."""
        return {}

    def value_error(self, value: Array) -> ArrayLike:
        """Standard uncertainty of the equation itself at *value*, in the value's unit."""
        return 0.0

    @property
    def ends(self) -> tuple[float, float] | None:
        """Lowest and highest value the equation holds for; None when it knows no limit."""
        return None

    @abstractmethod
    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        """Value at *signal*. ``errors["parameters"]`` (k) is added to the parameters."""

    @abstractmethod
    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        """The inverse of :meth:`value`: the signal at *value*, NaN where there is none."""

    def _with(self, errors: Errors) -> NDArray[np.float64]:
        own = np.array(list(self.parameters.values()), dtype=np.float64)
        return own + np.asarray(errors["parameters"]) if "parameters" in errors else own


def as_covariance(rows: Matrix, count: int) -> NDArray[np.float64]:
    """A checked covariance matrix, zeros when *rows* is empty. Raises ValueError."""
    if not rows:
        return np.zeros((count, count))
    if len(rows) != count or any(len(row) != count for row in rows):
        raise ValueError(f"covariance: expected {count} rows of {count} numbers, got {rows!r}")
    matrix = np.array(rows, dtype=np.float64)
    scale = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    scale = np.where(scale > 0, scale, 1.0)
    correlation = matrix / np.outer(scale, scale)
    if not np.allclose(correlation, correlation.T, rtol=1e-6, atol=1e-9):
        raise ValueError("covariance: expected a symmetric matrix")
    if np.linalg.eigvalsh(correlation).min() < -1e-6:
        raise ValueError("covariance: expected no negative variance in any direction")
    return (matrix + matrix.T) / 2


@dataclass(frozen=True)
class Polynomial(Equation):
    """``value = a0 + a1 (x - origin) + a2 (x - origin)² + ...``."""

    model: ClassVar[str] = "polynomial"
    formula: ClassVar[str] = "a0 + a1*(x-origin) + a2*(x-origin)^2 + ..."

    coefficients: tuple[float, ...]
    origin: float = 0.0
    covariance: Matrix = ()

    def __post_init__(self) -> None:
        if len(self.coefficients) < 2 or not any(self.coefficients[1:]):
            raise ValueError(
                f"coefficients: expected a0, a1 and so on, not all of a1 and up zero, "
                f"got {list(self.coefficients)!r}"
            )
        as_covariance(self.covariance, len(self.coefficients))

    @property
    def parameters(self) -> Mapping[str, float]:
        return {f"a{power}": value for power, value in enumerate(self.coefficients)}

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return polynomial(signal - self.origin, self._with(errors))

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return np.asarray(np.vectorize(self._root, otypes=[np.float64])(value))

    def _root(self, value: float) -> float:
        """The real root nearest the straight part; NaN when there is none."""
        a = np.array(self.coefficients)
        if not np.isfinite(value):
            return float("nan")
        roots = np.roots([*a[:0:-1], a[0] - value])
        real = roots[np.abs(roots.imag) < 1e-9 * (1 + np.abs(roots.real))].real
        if not len(real):
            return float("nan")
        start = (value - a[0]) / a[1] if a[1] else 0.0
        return float(real[np.argmin(np.abs(real - start))]) + self.origin


def polynomial(x: ArrayLike, coefficients: ArrayLike) -> Array:
    """Polynomial with ascending *coefficients* at *x*, by Horner's rule."""
    x = np.asarray(x, dtype=np.float64)
    total = np.zeros_like(x)
    for coefficient in np.asarray(coefficients, dtype=np.float64)[::-1]:
        total = total * x + coefficient
    return total


@dataclass(frozen=True)
class Linear(Polynomial):
    """``value = a0 + a1 (x - origin)``."""

    model: ClassVar[str] = "linear"
    formula: ClassVar[str] = "a0 + a1*(x-origin)"

    def __post_init__(self) -> None:
        super().__post_init__()
        if len(self.coefficients) != 2:
            raise ValueError(
                f"coefficients: expected [a0, a1], got {len(self.coefficients)} numbers; "
                "for more terms use model = 'polynomial'"
            )

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        a0, a1 = self.coefficients
        return (value - a0) / a1 + self.origin


@dataclass(frozen=True)
class TwoPoint(Equation):
    """A straight line through two points, as data sheets give transfer functions.

    ``covariance`` is that of the two values, in the value's unit squared.
    """

    model: ClassVar[str] = "two_point"
    formula: ClassVar[str] = "y0 + (x-x0)/(x1-x0)*(y1-y0)"

    first: tuple[float, float] = key(help="[signal, value]")
    second: tuple[float, float] = key(help="[signal, value]")
    covariance: Matrix = ()

    def __post_init__(self) -> None:
        if self.first[0] == self.second[0] or self.first[1] == self.second[1]:
            raise ValueError(
                f"first and second: expected two points that differ in signal and value, "
                f"got {list(self.first)} and {list(self.second)}"
            )
        as_covariance(self.covariance, 2)

    @property
    def parameters(self) -> Mapping[str, float]:
        return {"y0": self.first[1], "y1": self.second[1]}

    @property
    def ends(self) -> tuple[float, float]:
        return min(self.first[1], self.second[1]), max(self.first[1], self.second[1])

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        y0, y1 = self._with(errors)
        return two_point(signal, self.first[0], y0, self.second[0], y1)

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return two_point(value, self.first[1], self.first[0], self.second[1], self.second[0])


def two_point(x: ArrayLike, x0: float, y0: float, x1: float, y1: float) -> Array:
    """The straight line through (x0, y0) and (x1, y1) at *x*."""
    return y0 + (np.asarray(x, dtype=np.float64) - x0) / (x1 - x0) * (y1 - y0)


@dataclass(frozen=True, kw_only=True)
class Wideband(TwoPoint):
    """Analogue output of a wideband controller: two points, in lambda or in air-fuel ratio.

    The value is always lambda. An output that the maker scales in air-fuel ratio needs the
    stoichiometric ratio *the maker* used, whatever the fuel in the tank is.
    """

    model: ClassVar[str] = "wideband"
    unit: ClassVar[str] = "1"
    formula: ClassVar[str] = "(y0 + (x-x0)/(x1-x0)*(y1-y0)) / stoichiometric_ratio"

    scaled_in: Literal["lambda", "AFR"] = key(help="what first and second give")
    stoichiometric_ratio: float | None = key(None, low=2, high=40)

    def __post_init__(self) -> None:
        super().__post_init__()
        if (self.scaled_in == "AFR") != (self.stoichiometric_ratio is not None):
            raise ValueError(
                "stoichiometric_ratio: expected with scaled_in = 'AFR' and only there, "
                f"got {self.stoichiometric_ratio!r} with scaled_in = {self.scaled_in!r}"
            )

    @property
    def _ratio(self) -> float:
        return self.stoichiometric_ratio or 1.0

    @property
    def ends(self) -> tuple[float, float]:
        low, high = super().ends
        return low / self._ratio, high / self._ratio

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return super().value(signal, inputs, errors) / self._ratio

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return super().signal(value * self._ratio, inputs)
