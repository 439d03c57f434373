"""The load cell on the brake's arm, and its calibration by dead weights.

Its span error passes one to one into the roller inertia and the power, so it comes first.
Take care with hanging weights: secure them, keep clear of the drop, rollers locked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from daq.calibration.checks import Check, judge
from daq.calibration.fit import Fit, Repeats, fit_polynomial, repeats
from daq.calibration.signal import Array
from daq.errors import CalibrationError


def gravity(latitude_deg: float, altitude_m: float = 0.0) -> float:
    """Acceleration of free fall in m/s² at a place.

    Source: GRS 80 series and free-air gradient as in 40 CFR 1065.630 (from memory).
    Raises ValueError for an impossible place.
    """
    if not (-90.0 <= latitude_deg <= 90.0 and -500.0 <= altitude_m <= 9000.0):
        raise ValueError(
            f"latitude {latitude_deg!r}°, altitude {altitude_m!r} m; expected -90 to 90 and "
            "-500 to 9000"
        )
    s = math.sin(math.radians(latitude_deg)) ** 2
    series = 1 + 5.2790414e-3 * s + 2.32718e-5 * s**2 + 1.262e-7 * s**3 + 7e-10 * s**4
    return 9.7803267715 * series - 3.086e-6 * altitude_m


def weight_force(
    mass_kg: ArrayLike, gravity_m_s2: float, *, air_kg_m3: float = 0.0, weight_kg_m3: float = 8000.0
) -> Array:
    """Newtons of a hanging mass; with *air_kg_m3* less its buoyancy (0.015 % for steel)."""
    lift = 1.0 - air_kg_m3 / weight_kg_m3
    return np.asarray(mass_kg, dtype=np.float64) * gravity_m_s2 * lift


def torque(force_n: ArrayLike, arm_m: float, arm_angle_deg: float = 0.0) -> Array:
    """Newton metres of a vertical force on an arm that is *arm_angle_deg* off horizontal."""
    return np.asarray(force_n, dtype=np.float64) * arm_m * math.cos(math.radians(arm_angle_deg))


@dataclass(frozen=True)
class DeadWeights:
    """What dead weights say about a load cell. Forces in N, shares of the span as fractions."""

    fit: Fit
    span_n: float
    zero_n: float
    """Force that the fitted line gives at the mean reading without weights."""
    linearity: float
    """Greatest residual over the span."""
    repeats: Repeats
    zero_return: float
    """Last reading without weights minus the first, over the span."""

    @property
    def hysteresis(self) -> float:
        """Greatest difference between loading and unloading over the span."""
        return self.repeats.hysteresis / self.span_n


def dead_weights(
    mass_kg: Sequence[float],
    reading: Sequence[float],
    direction: Sequence[str],
    gravity_m_s2: float,
    *,
    lever: float = 1.0,
    reading_uncertainty: float = 0.0,
) -> DeadWeights:
    """Fit a load cell (reading in V, mV or counts) to dead weights hung in order, up and down.

    *lever* is the arm of the weights over the arm of the cell: the force at the cell is
    m g lever. *reading_uncertainty* is the standard uncertainty of a reading. What all weights
    share (their set's certificate, gravity, the lever) is a relative uncertainty of the record, not
    of the fit. Source: method of 40 CFR 1065.310 (six or more weights up and down).
    Raises CalibrationError: no reading without weights, fewer than 3 different weights, a mass
    below 0.
    """
    masses = np.asarray(mass_kg, dtype=np.float64)
    readings = np.asarray(reading, dtype=np.float64)
    _check_weights(masses, readings, direction)
    force = weight_force(masses, gravity_m_s2) * lever
    try:
        fit = fit_polynomial(readings, force, 1, x_uncertainty=reading_uncertainty)
    except ValueError as error:
        raise CalibrationError(f"dead weights: {error}") from None
    unloaded = readings[masses == 0.0]
    span = float(force.max())
    change = float(fit.slope(unloaded.mean())) * float(unloaded[-1] - unloaded[0])
    return DeadWeights(
        fit,
        span,
        float(fit.value(unloaded.mean())),
        float(np.max(np.abs(fit.residuals))) / span,
        repeats(fit.value(readings), force, direction),
        change / span,
    )


def _check_weights(masses: Array, readings: Array, direction: Sequence[str]) -> None:
    if not len(masses) == len(readings) == len(direction):
        raise CalibrationError(
            f"dead weights: expected one reading and one direction for each weight, got "
            f"{len(masses)}, {len(readings)} and {len(direction)}"
        )
    if not np.all(np.isfinite(masses)) or np.any(masses < 0):
        raise CalibrationError("dead weights: expected masses of 0 kg and more")
    if not np.any(masses == 0.0):
        raise CalibrationError("dead weights: expected a reading without weights (0 kg)")
    if len(np.unique(masses)) < 3:
        raise CalibrationError(
            f"dead weights: expected at least 3 different weights with the empty arm, got "
            f"{len(np.unique(masses))}"
        )


def span_error(found: Fit, in_force: Fit) -> float:
    """Relative error of the span now in force against the one found: it errs the power alike."""
    at = sum(found.span) / 2
    return float(in_force.slope(at)) / float(found.slope(at)) - 1.0


def creep(time_s: ArrayLike, reading: ArrayLike, settle_s: float = 10.0) -> float:
    """Change of the reading under constant load, from *settle_s* to the end, as a fraction.

    Straight-line means of a tenth of the record at either end. Raises ValueError for a record
    that is too short.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(reading, dtype=np.float64)
    kept = t >= t[0] + settle_s if len(t) else np.zeros(0, dtype=np.bool_)
    t, x = t[kept], x[kept]
    if len(t) < 20:
        raise ValueError(f"creep: expected 20 readings after {settle_s:g} s, got {len(t)}")
    tenth = max(1, len(x) // 10)
    start = float(x[:tenth].mean())
    return (float(x[-tenth:].mean()) - start) / start


def verdict(
    found: DeadWeights, *, span_limit: float = 0.005, zero_limit: float = 0.001
) -> list[Check]:
    """Linearity, hysteresis and zero return against limits, shares of the span in %.

    Limits ± 0.5 % of full scale and ± 0.1 % zero: common practice, no source.
    """
    rows = (
        ("linearity", found.linearity, span_limit, "greatest residual"),
        ("hysteresis", found.hysteresis, span_limit, "loading against unloading"),
        ("zero_return", found.zero_return, zero_limit, "zero after unloading"),
    )
    return [
        judge(name, 100 * value, 50 * limit, 100 * limit, "%", f"{meaning}, share of the span")
        for name, value, limit, meaning in rows
        if not (name == "hysteresis" and found.repeats.levels == 0)
    ]
