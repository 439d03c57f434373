"""Pressures: transfer functions, references, and the checks that need no pump.

Absolute pressure counts from vacuum, gauge pressure from the ambient air; one becomes the other
only by a measured ambient pressure, never by a constant. All pressures here are in kPa.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from daq.calibration.checks import Check, judge, normalised_error
from daq.calibration.equations import TwoPoint
from daq.calibration.signal import Array
from daq.errors import CalibrationError


def to_absolute(gauge: ArrayLike, ambient: ArrayLike) -> Array:
    """Absolute pressure from gauge pressure and the ambient (absolute) pressure."""
    return np.asarray(gauge, dtype=np.float64) + np.asarray(ambient, dtype=np.float64)


def to_gauge(absolute: ArrayLike, ambient: ArrayLike) -> Array:
    """Gauge pressure from absolute pressure and the ambient (absolute) pressure."""
    return np.asarray(absolute, dtype=np.float64) - np.asarray(ambient, dtype=np.float64)


def ratiometric(
    volts: ArrayLike,
    supply_v: ArrayLike,
    low: float,
    high: float,
    *,
    low_v: float = 0.5,
    high_v: float = 4.5,
    nominal_v: float = 5.0,
) -> Array:
    """Pressure of a sensor that gives *low* at *low_v* and *high* at *high_v*, at nominal supply.

    Source: common practice, no source: p = p₀ + (V·5/Vs - 0.5)/4 · (p₁ - p₀).
    """
    at_nominal = np.asarray(volts, dtype=np.float64) * nominal_v / np.asarray(supply_v)
    return np.asarray(low + (at_nominal - low_v) / (high_v - low_v) * (high - low))


def two_point_of_fraction(slope: float, offset: float, low: float, high: float) -> TwoPoint:
    """The equation of a data sheet that says V = Vs (slope·P + offset), at a 5 V supply.

    For an integrated silicon sensor with 0.004/kPa and -0.04, 20 to 250 kPa (from memory), this is
    0.2 V at 20 kPa and 4.8 V at 250 kPa.
    """
    return TwoPoint((5.0 * (slope * low + offset), low), (5.0 * (slope * high + offset), high))


def key_on_engine_off(
    manifold: float,
    barometer: float,
    seconds_since_stop: float,
    *,
    warn: float = 2.0,
    refuse: float = 5.0,
) -> Check:
    """Manifold absolute pressure against the barometer, key on and engine off.

    Limits: common practice, no source; take them from the sensor's own accuracy where it is known.
    Raises CalibrationError within 2 s of the engine's stop, and for a barometer that is not
    absolute (outside 50 to 110 kPa).
    """
    if not seconds_since_stop >= 2.0:
        raise CalibrationError(
            f"manifold against barometer: the engine stopped {seconds_since_stop:.1f} s ago; wait "
            "until 2 s after it has stopped"
        )
    if not 50.0 <= barometer <= 110.0:
        raise CalibrationError(
            f"manifold against barometer: barometer {barometer:.4g} kPa; expected an absolute "
            "ambient pressure from 50 to 110 kPa"
        )
    return judge(
        "manifold_barometer",
        manifold - barometer,
        warn,
        refuse,
        "kPa",
        "manifold pressure minus barometer",
    )


class Pair(NamedTuple):
    """Two sensors on one pressure: what they disagree by."""

    offset: float
    """Mean of first minus second, kPa."""
    gain: float
    """Slope of first against second; NaN while the pressure hardly changed."""
    scatter: float
    """Standard deviation of the differences, kPa."""
    normalised_error: float
    """Greatest |E_n| over the readings."""


def cross_check(
    first: ArrayLike, second: ArrayLike, first_expanded: float, second_expanded: float
) -> Pair:
    """Compare two sensors that see the same pressure, reading by reading (kPa, float64[n]).

    Raises ValueError unless there are two or more pairs of finite readings.
    """
    a, b = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if a.shape != b.shape or a.size < 2 or not np.all(np.isfinite(a) & np.isfinite(b)):
        raise ValueError(
            f"expected two or more pairs of finite readings, got {a.shape} and {b.shape}"
        )
    difference = a - b
    moved = float(np.ptp(b)) > 10 * float(difference.std(ddof=1)) and float(np.ptp(b)) > 0
    gain = float(np.polyfit(b, a, 1)[0]) if moved else math.nan
    worst = max(
        abs(normalised_error(x, first_expanded, y, second_expanded))
        for x, y in zip(a.tolist(), b.tolist())
    )
    return Pair(float(difference.mean()), gain, float(difference.std(ddof=1)), worst)


class Air(NamedTuple):
    """Standard atmosphere at one altitude."""

    pressure_kpa: float
    temperature_k: float
    density_kg_m3: float


def standard_atmosphere(altitude_m: float) -> Air:
    """Pressure, temperature and density at a geometric altitude below 11 km.

    For telling a station pressure from one reduced to sea level: at 500 m they differ by 6 %.
    Source: ICAO Doc 7488 / US Standard Atmosphere 1976. Raises ValueError outside -1 to 11 km.
    """
    if not -1000.0 <= altitude_m <= 11_000.0:
        raise ValueError(f"altitude {altitude_m!r} m; expected from -1000 to 11000 m")
    geopotential = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m)
    kelvin = 288.15 - 0.0065 * geopotential
    gas_constant = 8.31432 / 0.0289644
    pressure = 101.325 * (kelvin / 288.15) ** (9.80665 / (gas_constant * 0.0065))
    return Air(pressure, kelvin, pressure * 1e3 / (gas_constant * kelvin))


def plausible_barometer(barometer: float, altitude_m: float) -> Check:
    """A barometer reading against the standard atmosphere at the bench's altitude.

    Weather moves it by some 4 kPa (common practice, no source); more is a sensor's fault, or a
    pressure reduced to sea level taken for the pressure of the place.
    """
    expected = standard_atmosphere(altitude_m).pressure_kpa
    return judge(
        "barometer",
        barometer - expected,
        4.0,
        6.0,
        "kPa",
        f"barometer minus the standard atmosphere at {altitude_m:g} m ({expected:.2f} kPa)",
    )
