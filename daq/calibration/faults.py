"""Fault limits of a sensor, derived from its own curve, and their debouncing.

A fixed limit rejects good sensors: a 2.5 kΩ thermistor behind 1 kΩ reads 4.8996 V of 5 V at -40 °C.
The limits lie beyond the ends of the curve, and on this side of what a broken wire reads.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

MARGIN = 0.05
"""Share of the curve's span; 0.3 and 4.7 V for 0.5 to 4.5 V. Source: common practice, no source."""


class Limits(NamedTuple):
    """Lowest and highest reading that a sound sensor gives."""

    low: float
    high: float

    def contain(self, reading: ArrayLike) -> NDArray[np.bool_]:
        """Whether each reading lies within; NaN does not."""
        x = np.asarray(reading, dtype=np.float64)
        return np.asarray((x >= self.low) & (x <= self.high))


def limits(
    ends: tuple[float, float], broken: tuple[float, float] | None = None, margin: float = MARGIN
) -> Limits:
    """Limits beyond the curve's *ends*: a margin of its span, at most half-way to *broken*.

    *broken* is what a short and an open wire read. Raises ValueError for ends in disorder.
    """
    low, high = ends
    if not low < high:
        raise ValueError(f"ends of the curve: expected low below high, got {low} and {high}")
    below = above = margin * (high - low)
    if broken is not None:
        below = min(below, max(0.0, (low - broken[0]) / 2))
        above = min(above, max(0.0, (broken[1] - high) / 2))
    slack = 1e-9 * (high - low)
    return Limits(low - below - slack, high + above + slack)


@dataclass(frozen=True)
class Held:
    """State of a debounced fault between two calls."""

    fault: bool = False
    other_since_s: float | None = None
    """Since when the input says otherwise."""


def debounce(
    faulty: ArrayLike, time_s: ArrayLike, hold_s: float, held: Held = Held()
) -> tuple[NDArray[np.bool_], Held]:
    """The fault, changing only after the input has said so for *hold_s* seconds.

    *faulty* bool[n], *time_s* float64[n] rising. Returns bool[n] and the state for the next call,
    so that cutting the input anywhere gives the same result. 0.2 to 1 s is common practice (no
    source). Raises ValueError for lengths that differ.
    """
    flags, times = np.asarray(faulty, dtype=np.bool_), np.asarray(time_s, dtype=np.float64)
    if flags.shape != times.shape:
        raise ValueError(f"expected a time for each reading, got {flags.shape} and {times.shape}")
    result = np.empty(flags.shape, dtype=np.bool_)
    starts = np.flatnonzero(np.diff(flags, prepend=~flags[:1]))
    for start, stop in zip(starts, [*starts[1:], len(flags)]):
        held = _run(bool(flags[start]), times[start:stop], hold_s, held, result[start:stop])
    return result, held


def _run(
    flag: bool, times: NDArray[np.float64], hold_s: float, held: Held, out: NDArray[np.bool_]
) -> Held:
    """One run of equal readings; fills *out*."""
    if flag == held.fault:
        out[:] = flag
        return Held(flag)
    since = float(times[0]) if held.other_since_s is None else held.other_since_s
    turned = times - since >= hold_s
    out[:] = np.where(turned, flag, held.fault)
    return Held(flag) if turned[-1] else Held(held.fault, since)
