"""The once-per-revolution error of an encoder that sits off its axis."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

REVOLUTIONS = 3
"""Length of the stretches that are fitted: enough to tell a sine from a cubic."""
LONGEST_S = 1.5
LEAST_ROWS = 24
LEAST_STRETCHES = 5
MOST_ROWS = 120_000
SIGNIFICANT = 3.0


@dataclass(frozen=True)
class Eccentricity:
    """count = true count + sine sin(a) + cosine cos(a), a = 2 pi count / counts per revolution.

    ``sine``, ``cosine`` and their standard uncertainty in counts; ``stretches`` fitted.
    A true speed ripple once per roller revolution cannot be told from it.
    """

    sine: float
    cosine: float
    uncertainty: float
    stretches: int
    counts_per_revolution: float

    @property
    def amplitude(self) -> float:
        """Size of the error in counts."""
        return float(np.hypot(self.sine, self.cosine))

    @property
    def phase_rad(self) -> float:
        """error = amplitude sin(a + phase)."""
        return float(np.arctan2(self.cosine, self.sine))

    @property
    def offset_share(self) -> float:
        """How far the disc sits off its axis, as a share of its radius: the angle error in rad."""
        return 2 * np.pi * self.amplitude / self.counts_per_revolution

    @property
    def significant(self) -> bool:
        """Whether there is anything to remove: three standard uncertainties."""
        return self.amplitude > SIGNIFICANT * self.uncertainty

    def error(self, count: Floats) -> Floats:
        """Error in counts at each *count*."""
        angle = 2 * np.pi / self.counts_per_revolution * count
        wrong: Floats = self.sine * np.sin(angle) + self.cosine * np.cos(angle)
        return wrong


def find_eccentricity(
    t: Floats, count: Floats, counts_per_revolution: float
) -> Eccentricity | None:
    """Fit it over a run, or None where fewer than five stretches of three revolutions turn.

    *t* s and *count*, float64[n] in order of time. Each stretch is a cubic in time plus one sine
    per revolution; the median over the stretches stands.
    """
    stride = max(1, len(t) // MOST_ROWS)
    t, count = t[::stride], count[::stride]
    if len(t) < LEAST_ROWS:
        return None
    stretch = np.floor(count / (REVOLUTIONS * counts_per_revolution))
    starts = np.flatnonzero(np.diff(stretch, prepend=np.nan) != 0)
    sizes = np.diff(starts, append=len(t))
    last = starts + sizes - 1
    turned = np.abs(count[last] - count[starts]) / counts_per_revolution
    good = (sizes >= LEAST_ROWS) & (turned > 0.9 * REVOLUTIONS) & (t[last] - t[starts] < LONGEST_S)
    found = [
        pair
        for begin, end in zip(starts[good], last[good] + 1)
        if (pair := _sine(t[begin:end], count[begin:end], counts_per_revolution)) is not None
    ]
    if len(found) < LEAST_STRETCHES:
        return None
    pairs = np.array(found)
    middle = np.median(pairs, axis=0)
    # 1.4826: median absolute deviation to sigma; 1.2533: median against mean (normal)
    spread = 1.4826 * np.median(np.abs(pairs - middle), axis=0)
    uncertainty = float(1.2533 * np.max(spread) / np.sqrt(len(pairs)))
    return Eccentricity(
        float(middle[0]), float(middle[1]), uncertainty, len(pairs), counts_per_revolution
    )


def _sine(t: Floats, count: Floats, per_revolution: float) -> tuple[float, float] | None:
    """Sine and cosine part of one stretch, beside a cubic in time."""
    u = (t - t[0]) / (t[-1] - t[0]) * 2 - 1
    angle = 2 * np.pi / per_revolution * count
    columns = np.stack([np.ones_like(u), u, u * u, u**3, np.sin(angle), np.cos(angle)], axis=1)
    normal = columns.T @ columns
    try:
        solved = np.linalg.solve(normal, columns.T @ (count - count[0]))
    except np.linalg.LinAlgError:
        return None
    return float(solved[4]), float(solved[5])
