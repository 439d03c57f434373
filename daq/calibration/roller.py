"""Roller circumference and encoder counts, by tape and by counted turns.

0.1 % of the circumference is 0.1 % of speed and of power. Rollers at rest and locked for the tape;
hands off while they turn.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from daq.calibration.checks import Check, judge
from daq.calibration.uncertainty import rectangular, type_a


class Measured(NamedTuple):
    """A value with its standard uncertainty, in the same unit."""

    value: float
    uncertainty: float


def circumference_by_tape(
    readings_m: Sequence[float], *, tape_thickness_m: float = 0.0, resolution_m: float = 0.001
) -> Measured:
    """Circumference in m from a tape wrapped at several places along the roller.

    A tape lies on the roller: its middle is half its thickness further out, which is taken off.
    Type A of the mean, with the tape's resolution (rectangular). Raises ValueError: fewer than two
    readings, not finite, or more than 2 % apart.
    """
    x = np.asarray(readings_m, dtype=np.float64)
    scatter = type_a(x)
    if np.ptp(x) > 0.02 * x.mean() or x.min() <= 0:
        raise ValueError(
            f"tape readings from {x.min():g} to {x.max():g} m; expected the same within 2 %"
        )
    value = float(x.mean()) - math.pi * tape_thickness_m
    return Measured(value, math.hypot(scatter, rectangular(resolution_m / 2)))


def circumference_by_turns(
    travel_m: float, turns: float, *, travel_uncertainty_m: float, turn_uncertainty: float = 0.0
) -> Measured:
    """Circumference in m from the travel of a belt, strip or wheel and counted turns.

    Ten or more turns (common practice, no source). Raises ValueError for fewer than one turn.
    """
    if not (turns >= 1 and travel_m > 0):
        raise ValueError(f"travel {travel_m!r} m in {turns!r} turns; expected at least one turn")
    value = travel_m / turns
    relative = math.hypot(travel_uncertainty_m / travel_m, turn_uncertainty / turns)
    return Measured(value, value * relative)


def agree(first: Measured, second: Measured) -> Check:
    """Whether two ways to the circumference agree: their difference against its uncertainty."""
    expanded = 2 * math.hypot(first.uncertainty, second.uncertainty)
    return judge(
        "circumference",
        first.value - second.value,
        expanded,
        1.5 * expanded,
        "m",
        "difference of the two ways to the circumference",
    )


def counts_per_revolution(counts: float, turns: int, configured: float) -> Check:
    """Encoder counts over whole turns (index or mark to mark) against the configured number.

    Half a count a turn warns, a whole one is refused: counts are lost or the number is wrong.
    Raises ValueError for less than one turn.
    """
    if turns < 1:
        raise ValueError(f"turns: expected 1 or more, got {turns!r}")
    return judge(
        "counts_per_revolution",
        abs(counts) / turns - configured,
        0.5,
        1.0,
        "1",
        f"counts in a revolution minus {configured:g}",
    )
