"""The sync gesture: two throttle blips in neutral before the run.

It gives the delay of every engine-speed channel to half a millisecond from three seconds of data;
a plain ramp does not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STEP_S = 0.02
RISE_RPM = 600.0
SHORTEST_S = 0.15
LONGEST_S = 2.5
APART_S = 4.0
CALM_M_S = 0.5
"""In neutral the roller's speed changes by less than this over the gesture."""
MARGIN_S = (0.4, 0.8)


@dataclass(frozen=True)
class Gesture:
    """Two blips from ``first_s`` to ``last_s``, margins included; ``rise_rpm`` of each."""

    first_s: float
    last_s: float
    rise_rpm: tuple[float, float]


def find_gestures(
    t: Floats, speed: Floats, roller_t: Floats | None = None, roller_speed: Floats | None = None
) -> list[Gesture]:
    """All gestures in an engine speed (float64[n] rpm at *t* s), in order of time.

    A blip rises by at least 600 rpm over what it comes from and returns to, within 0.15 to 2.5 s;
    two of them less than 4 s apart are a gesture, unless the roller (m/s) follows them: then the
    car is in gear.
    """
    if len(t) < 2 or t[-1] - t[0] < 1.0:
        return []
    grid = np.arange(t[0], t[-1], STEP_S)
    smooth = np.convolve(np.interp(grid, t, speed), np.ones(3) / 3, mode="same")
    smooth[[0, -1]] = smooth[[1, -2]]
    blips = _blips(grid, smooth)
    found = []
    i = 0
    while i + 1 < len(blips):
        one, two = blips[i], blips[i + 1]
        if two[0] - one[1] < APART_S and _calm(one[0], two[1], roller_t, roller_speed):
            rises = (one[2], two[2])
            found.append(Gesture(one[0] - MARGIN_S[0], two[1] + MARGIN_S[1], rises))
            i += 2
        else:
            i += 1
    return found


def _blips(grid: Floats, speed: Floats) -> list[tuple[float, float, float]]:
    """First and last time and rise of each excursion that comes back to where it began."""
    back = int(LONGEST_S / STEP_S)
    found: list[tuple[float, float, float]] = []
    i = 1
    while i < len(speed) - 1:
        base = float(speed[max(0, i - 10) : i + 1].min())
        ahead = speed[i : i + back]
        high = np.flatnonzero(ahead > base + RISE_RPM)
        if not len(high) or high[0] > 0.6 / STEP_S:
            i += 5
            continue
        fallen = np.flatnonzero(ahead[high[0] :] < base + RISE_RPM / 2)
        if not len(fallen):
            i += 5
            continue
        begin, length = i, int(high[0] + fallen[0])
        peak = int(np.argmax(ahead[:length]))
        # the climb begins where the speed leaves its base for good
        low = np.flatnonzero(speed[begin : i + peak] < base + 0.1 * RISE_RPM)
        begin += int(low[-1]) if len(low) else 0
        end = i + length
        duration = (end - begin) * STEP_S
        if SHORTEST_S <= duration <= LONGEST_S:
            found.append((float(grid[begin]), float(grid[end]), float(ahead[peak]) - base))
        i = end + 1
    return found


def _calm(first: float, last: float, roller_t: Floats | None, roller_speed: Floats | None) -> bool:
    if roller_t is None or roller_speed is None:
        return True
    during = roller_speed[(roller_t >= first) & (roller_t <= last)]
    during = during[np.isfinite(during)]
    return not len(during) or float(np.ptp(during)) < CALM_M_S
