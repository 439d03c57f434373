"""Thermocouples B, E, J, K, N, R, S and T by the ITS-90 reference functions.

Voltages in mV, temperatures in °C; arrays of any shape; NaN outside a function's range.
Source: NIST Monograph 175 / Standard Reference Database 60, the functions of IEC 60584-1;
coefficients in its90.json.
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any, ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.equations import Equation, polynomial
from daq.calibration.signal import Array, Errors
from daq.config import key

Type = Literal["B", "E", "J", "K", "N", "R", "S", "T"]
_LOWEST_INVERSE = {"B": 250.0, "J": -210.0, "R": -50.0, "S": -50.0}
"""°C; -200 for the others. Type B: E(t) turns near 21 °C, its inverse starts at 0.291 mV."""
_NEWTON_STEPS = 2


@cache
def _tables() -> dict[str, Any]:
    text = files("daq.calibration").joinpath("its90.json").read_text(encoding="utf-8")
    tables: dict[str, Any] = json.loads(text)["types"]
    return tables


def temperature_range(kind: Type) -> tuple[float, float]:
    """Range of the reference function in °C."""
    pieces = _tables()[kind]["forward"]
    return float(pieces[0]["t_min"]), float(pieces[-1]["t_max"])


def inverse_range(kind: Type) -> tuple[float, float]:
    """Range in °C in which a voltage gives one temperature: that of the published inverses."""
    return _LOWEST_INVERSE.get(kind, -200.0), temperature_range(kind)[1]


def emf(kind: Type, celsius: ArrayLike) -> Array:
    """Voltage in mV against a reference junction at 0 °C; NaN outside the range."""
    return _sum_pieces(kind, celsius, _piece_emf)


def seebeck(kind: Type, celsius: ArrayLike) -> Array:
    """Slope of :func:`emf` in mV/K (the Seebeck coefficient of the pair)."""
    return _sum_pieces(kind, celsius, _piece_slope)


def _sum_pieces(kind: Type, celsius: ArrayLike, function: Any) -> Array:
    t = np.asarray(celsius, dtype=np.float64)
    result = np.full_like(t, np.nan)
    for piece in _tables()[kind]["forward"]:
        inside = (t >= piece["t_min"]) & (t <= piece["t_max"]) & np.isnan(result)
        result[inside] = function(piece, t[inside])
    return result


def _piece_emf(piece: Mapping[str, Any], t: NDArray[np.float64]) -> Array:
    value = polynomial(t, piece["coeffs"])
    if piece["exp"]:
        a0, a1, a2 = piece["exp"]
        value = value + a0 * np.exp(a1 * (t - a2) ** 2)
    return value


def _piece_slope(piece: Mapping[str, Any], t: NDArray[np.float64]) -> Array:
    coefficients = np.array(piece["coeffs"])
    slope = polynomial(t, coefficients[1:] * np.arange(1, len(coefficients)))
    if piece["exp"]:
        a0, a1, a2 = piece["exp"]
        slope = slope + 2 * a0 * a1 * (t - a2) * np.exp(a1 * (t - a2) ** 2)
    return slope


def temperature(kind: Type, millivolts: ArrayLike) -> Array:
    """Temperature in °C from the voltage against 0 °C; NaN outside the inverse's range.

    The published inverse polynomial (within 0.06 K) refined by Newton steps on the reference
    function, so that ``emf(temperature(E)) == E``.
    """
    mv = np.asarray(millivolts, dtype=np.float64)
    low, high = inverse_range(kind)
    lowest_mv, highest_mv = emf(kind, low), emf(kind, high)
    inside = (mv >= lowest_mv - 1e-9) & (mv <= highest_mv + 1e-9)
    t = np.clip(_approximate(kind, np.where(inside, mv, lowest_mv)), low, high)
    for _ in range(_NEWTON_STEPS):
        t = np.clip(t - (emf(kind, t) - mv) / seebeck(kind, t), low, high)
    return np.where(inside, t, np.nan)


def _approximate(kind: Type, mv: NDArray[np.float64]) -> Array:
    """The published inverse; pieces that overlap are changed at the lower one's end."""
    pieces = _tables()[kind]["inverse"]
    result = polynomial(mv, pieces[-1]["coeffs"])
    for piece in reversed(pieces[:-1]):
        result = np.where(mv <= piece["mv_max"], polynomial(mv, piece["coeffs"]), result)
    return np.asarray(result)


def compensated(kind: Type, millivolts: ArrayLike, cold_junction_c: ArrayLike) -> Array:
    """Temperature in °C from the measured voltage and the cold junction's temperature.

    The junction is compensated in volts, never in degrees: T = E⁻¹(V + E(T_cj)).
    Source: law of intermediate temperatures, NIST Monograph 175 section 1.
    """
    return temperature(kind, np.asarray(millivolts) + emf(kind, cold_junction_c))


_TOLERANCES: dict[tuple[str, int], tuple[float, float]] = {
    **{(kind, 1): (1.5, 0.004) for kind in "KNEJ"},
    **{(kind, 2): (2.5, 0.0075) for kind in "KNEJ"},
    **{(kind, 3): (2.5, 0.015) for kind in "KNE"},
    ("T", 1): (0.5, 0.004),
    ("T", 2): (1.0, 0.0075),
    ("T", 3): (1.0, 0.015),
    **{(kind, 2): (1.5, 0.0025) for kind in "RS"},
}


def tolerance(kind: Type, grade: int, celsius: ArrayLike) -> Array:
    """Greatest deviation of a new thermocouple of that class, ± K. Source: IEC 60584-1.

    Raises ValueError where the standard's table has no such class.
    """
    if (kind, grade) not in _TOLERANCES:
        raise ValueError(f"type {kind}: no tolerance class {grade!r} on record")
    fixed, relative = _TOLERANCES[kind, grade]
    return np.maximum(fixed, relative * np.abs(np.asarray(celsius, dtype=np.float64)))


@dataclass(frozen=True)
class Thermocouple(Equation):
    """Thermocouple with its cold junction measured by another channel, or at a fixed value."""

    model: ClassVar[str] = "thermocouple"
    signal_unit: ClassVar[str] = "V"
    unit: ClassVar[str] = "degC"
    formula: ClassVar[str] = "E^-1(1000*x + E(cold_junction)) by ITS-90"

    type: Type
    cold_junction: str = key("", help="channel of the cold junction's temperature")
    cold_junction_degc: float | None = key(None, unit="degC", low=-40, high=120)
    cold_junction_uncertainty_k: float = key(0.0, unit="K", low=0, help="standard")
    tolerance_class: int | None = key(None, choices=(None, 1, 2, 3), help="IEC 60584-1")

    def __post_init__(self) -> None:
        if bool(self.cold_junction) == (self.cold_junction_degc is not None):
            raise ValueError(
                "cold_junction (a channel) or cold_junction_degc (a fixed value): "
                "expected exactly one of them"
            )
        if self.tolerance_class is not None:
            tolerance(self.type, self.tolerance_class, 0.0)

    @property
    def inputs(self) -> Mapping[str, str]:
        return {self.cold_junction: "degC"} if self.cold_junction else {}

    @property
    def uncertainties(self) -> Mapping[str, float]:
        name = self.cold_junction or "cold_junction"
        return {name: self.cold_junction_uncertainty_k}

    def value_error(self, value: Array) -> ArrayLike:
        """Tolerance of the class as a rectangular distribution."""
        if self.tolerance_class is None:
            return 0.0
        return tolerance(self.type, self.tolerance_class, value) / 3**0.5

    @property
    def ends(self) -> tuple[float, float]:
        return inverse_range(self.type)

    def _junction(self, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        name = self.cold_junction or "cold_junction"
        celsius = inputs[self.cold_junction] if self.cold_junction else self.cold_junction_degc
        return np.asarray(np.asarray(celsius, dtype=np.float64) + errors.get(name, 0.0))

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return compensated(self.type, signal * 1e3, self._junction(inputs, errors))

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return (emf(self.type, value) - emf(self.type, self._junction(inputs, {}))) * 1e-3
