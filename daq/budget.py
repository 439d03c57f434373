"""Standard uncertainty of a channel's values: type A from its quiet readings, type B by its record.

A reading is quiet where it is nothing but noise: where neighbouring readings differ as independent
ones do. What moves, pulsates or is filtered more slowly than it is sampled is not taken for noise.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.channels import BenchChannel
from daq.evaluation import Evaluation, Floats

WINDOW_ROWS = 64
MOST_WINDOWS = 256
TYPICAL_ROWS = 64


@dataclass(frozen=True)
class Budget:
    """Standard uncertainty of a channel's single values, in its unit; typical of the run.

    ``parts`` by source of uncertainty. ``stated`` is False where the record says nothing of the
    sensor's uncertainty: then only noise and resolution are known.
    """

    parts: Mapping[str, float]
    quiet_readings: int
    """Readings from which the noise was taken; 0: no quiet window, and type A is 0."""
    stated: bool

    @property
    def type_a(self) -> float:
        """From the scatter of the readings."""
        return self.parts.get("noise", 0.0)

    @property
    def type_b(self) -> float:
        """From everything else, as the record has it."""
        others = (u for name, u in self.parts.items() if name != "noise")
        return math.sqrt(math.fsum(u * u for u in others))

    def combined(self, readings: float = 1.0) -> float:
        """Of the mean of so many readings. Source: JCGM 100 5.1.2."""
        return math.hypot(self.type_a / math.sqrt(max(1.0, readings)), self.type_b)

    @property
    def text(self) -> str:
        """The parts, the greatest first."""
        greatest = sorted(self.parts.items(), key=lambda part: -part[1])
        return ", ".join(f"{name} {u:.3g}" for name, u in greatest if u)


def budget_of(result: Evaluation, channel: BenchChannel) -> Budget | None:
    """The budget of a calibrated channel; None where there is no calibration or no value.

    Medians over rows spread evenly over the run.
    """
    calibration, inputs = channel.calibration, result.inputs(channel)
    if calibration is None or inputs is None:
        return None
    raw = result.rows[result.key(channel.name)].raw[channel.input.name]
    value = result.values[channel.name]
    there = _spread(np.flatnonzero(np.isfinite(value)), TYPICAL_ROWS)
    if not len(there):
        return None
    noise, readings = quiet_noise(raw, value)
    some = {name: values[there] for name, values in inputs.items()}
    parts = calibration.budget(raw[there], some, noise=noise)
    return Budget(
        {name: _median(part) for name, part in parts.items()},
        readings,
        calibration.states_uncertainty,
    )


def quiet_noise(raw: NDArray[np.generic], value: Floats) -> tuple[float, int]:
    """Standard deviation of a single raw reading, and from how many quiet readings it is.

    Windows of 64 rows, with their straight line taken off, count as quiet where the mean square of
    successive differences is that of independent readings (twice the variance, within two standard
    deviations). (0, 0) where there is none. Source: J. von Neumann, Ann. Math. Statist. 12 (1941)
    367 (from memory).
    """
    count = len(raw) // WINDOW_ROWS
    if not count:
        return 0.0, 0
    chosen = _spread(np.arange(count), MOST_WINDOWS)
    shape = (count, WINDOW_ROWS)
    whole = np.isfinite(value[: count * WINDOW_ROWS].reshape(shape)[chosen]).all(axis=1)
    windows = raw[: count * WINDOW_ROWS].reshape(shape)[chosen[whole]].astype(np.float64)
    rest = _without_line(windows)
    variance = np.square(rest).sum(axis=1) / (WINDOW_ROWS - 2)
    steps = np.square(np.diff(rest, axis=1)).mean(axis=1)
    quiet = steps >= 2 * variance * (1 - 2 / math.sqrt(WINDOW_ROWS))
    if not quiet.any():
        return 0.0, 0
    return math.sqrt(float(variance[quiet].mean())), int(quiet.sum()) * WINDOW_ROWS


def _without_line(windows: Floats) -> Floats:
    """Each row less its straight line."""
    at = np.arange(WINDOW_ROWS) - (WINDOW_ROWS - 1) / 2
    slope = windows @ at / (at @ at)
    rest: Floats = windows - windows.mean(axis=1, keepdims=True) - slope[:, None] * at
    return rest


def _spread(rows: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """At most so many of *rows*, spread evenly."""
    if len(rows) <= most:
        return rows
    return rows[np.linspace(0, len(rows) - 1, most).astype(np.intp)]


def _median(part: Floats) -> float:
    known = part[np.isfinite(part)]
    return float(np.median(known)) if known.size else 0.0
