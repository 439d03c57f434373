"""Pulses and counts to rotation, speed and distance.

Source: definitions; check values in 40 CFR 1066.235 (roll speed v = f π d / n).
"""

# ruff: noqa: D102 - what the methods of an equation do is said once, in Equation

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

import numpy as np
from numpy.typing import ArrayLike

from daq.calibration.equations import Equation
from daq.calibration.signal import Array, Errors
from daq.config import key

Pickup = Literal["distributor", "wasted_spark", "single_coil", "all_coils"]


def rpm_from_interval(seconds: ArrayLike, pulses_per_revolution: float) -> Array:
    """Revolutions per minute from the interval between pulses; NaN unless above 0."""
    s = np.asarray(seconds, dtype=np.float64)
    return 60.0 / (pulses_per_revolution * np.where(s > 0, s, np.nan))


def rpm_from_frequency(hertz: ArrayLike, pulses_per_revolution: float) -> Array:
    """Revolutions per minute from the pulse frequency."""
    return np.asarray(hertz, dtype=np.float64) * 60.0 / pulses_per_revolution


def ignition_pulses_per_revolution(cylinders: int, pickup: Pickup, strokes: int = 4) -> float:
    """Ignition pulses per crankshaft revolution. Source: common practice, no source.

    *pickup*: ``distributor`` (common coil), ``wasted_spark`` (one coil or lead fires each
    revolution), ``single_coil`` (one coil-on-plug, or a clamp on one lead), ``all_coils`` (the
    coils of all cylinders joined). Raises ValueError for an impossible engine.
    """
    if cylinders < 1 or strokes not in (2, 4):
        raise ValueError(
            f"expected 1 or more cylinders and 2 or 4 strokes, got {cylinders} and {strokes}"
        )
    one = 1.0 if strokes == 2 else 0.5
    if pickup == "wasted_spark":
        return 1.0
    return one if pickup == "single_coil" else cylinders * one


def distance(counts: ArrayLike, counts_per_revolution: float, circumference_m: float) -> Array:
    """Metres at the roller's surface from encoder counts (all edges that are counted)."""
    return np.asarray(counts, dtype=np.float64) * circumference_m / counts_per_revolution


def surface_speed(hertz: ArrayLike, counts_per_revolution: float, circumference_m: float) -> Array:
    """Metres per second at the roller's surface from the pulse frequency."""
    return np.asarray(hertz, dtype=np.float64) * circumference_m / counts_per_revolution


def speed_quantum(counts_per_revolution: float, circumference_m: float, gate_s: float) -> float:
    """Smallest step in m/s of a speed that is counted over a gate of *gate_s* seconds."""
    return circumference_m / (counts_per_revolution * gate_s)


@dataclass(frozen=True)
class PulseInterval(Equation):
    """Interval between pulses in seconds to rotational speed in rpm."""

    model: ClassVar[str] = "pulse_interval"
    signal_unit: ClassVar[str] = "s"
    unit: ClassVar[str] = "rpm"
    formula: ClassVar[str] = "60/(pulses_per_revolution*x)"

    pulses_per_revolution: float = key(low=0.01, high=10_000)

    def value(self, signal: Array, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        return rpm_from_interval(signal, self.pulses_per_revolution)

    def signal(self, value: Array, inputs: Mapping[str, ArrayLike]) -> Array:
        return rpm_from_interval(value, self.pulses_per_revolution)
