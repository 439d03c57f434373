"""Rows without a counter: how many periods have passed, told from arrivals alone.

Rows that come on a fixed period lie on a grid; a lost row lifts every later arrival by whole
periods. A late arrival does so too, but not lastingly. So a row's count is the largest that none
of the following rows contradicts: a bound may never lie before the time that the count gives.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from daq.timebase.hull import believable, line_under
from daq.timebase.segments import sliding_min

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SILENCE_S = 0.5
"""After so long a silence nobody can say how many periods passed: a new segment."""
LOOK = 24
LOOK_S = 0.6
"""Following rows, at least, and their time, of which one must be punctual: longer than a stall
that does not already count as silence. Source: measured on a model with ground truth."""
STRIDE = 4096
TOLERANCE = 0.2
"""Share of a period by which a bound may fall short before it contradicts."""
DRIFT = (1e-3, 2e-4)
"""How far off the period may be, as a share of it: at first, and once the rows were counted."""
AGREES = 1e-3
NEAR = 5e-3
PUNCTUAL = 0.3
"""A row is sure to lie after a loss when it came within this share of a period."""


@dataclass(frozen=True)
class Count:
    """``index`` int64[n] periods within its segment; ``segment`` int64[n]; ``unsure`` bool[n]:
    between the rows that bracket a loss, possibly wrong by whole periods; ``period_s``."""

    index: Ints
    segment: Ints
    unsure: Bools
    period_s: float


def count_periods(t_hi: Ints, segment: Ints, period_s: float | None) -> Count:
    """Number the rows of a cyclic stream from their upper bounds *t_hi* (int64[n] ns).

    *period_s* is the nominal period, None when unknown. It is believed when the arrivals agree
    within 0.3 %, otherwise theirs is taken (a message declared at 10 ms may come each 12).
    Raises ValueError when the period is unknown and fewer than 20 rows came.
    """
    silent = np.diff(t_hi) > max(SILENCE_S, 5 * (period_s or 0.0)) * 1e9
    broken = silent | (np.diff(segment) != 0)
    own = np.concatenate(([0], np.cumsum(broken)))[: len(t_hi)].astype(np.int64)
    bounds = np.flatnonzero(np.diff(own, prepend=-1, append=-1))
    stretches = list(pairwise(bounds.tolist()))
    period = estimate_period(t_hi, bounds, period_s)
    index, unsure = _count_all(t_hi, stretches, period, DRIFT[0])
    period = _refined(t_hi, index, stretches, period)
    if period_s is None or abs(period / period_s - 1) > DRIFT[0]:
        index, unsure = _count_all(t_hi, stretches, period, DRIFT[0])
        period = _refined(t_hi, index, stretches, period)
    index, unsure = _count_all(t_hi, stretches, period, DRIFT[1])
    return Count(index, own, unsure, period)


def _count_all(
    t_hi: Ints, stretches: list[tuple[int, int]], period: float, drift: float
) -> tuple[Ints, Bools]:
    index = np.zeros(len(t_hi), np.int64)
    unsure = np.zeros(len(t_hi), np.bool_)
    for begin, end in stretches:
        y = (t_hi[begin:end] - t_hi[begin]) * 1e-9
        index[begin:end], unsure[begin:end] = _count(y, period, drift)
    return index, unsure


def _refined(t_hi: Ints, index: Ints, stretches: list[tuple[int, int]], period: float) -> float:
    """The period by the line under the longest counted stretch; unchanged when that is short."""
    begin, end = max(stretches, key=lambda stretch: stretch[1] - stretch[0])
    if end - begin < 100:
        return period
    x: Floats = index[begin:end] * np.float64(period)
    y = (t_hi[begin:end] - t_hi[begin]) * 1e-9 - x
    # a miscounted row lies whole periods early
    keep = believable(x, y)
    _, slope = line_under(x[keep], y[keep])
    return period * (1 + slope) if abs(slope) < NEAR else period


def estimate_period(t_hi: Ints, bounds: Ints, nominal_s: float | None) -> float:
    """Period in s of rows that lose few of their number, checked against the nominal one."""
    slopes = []
    for begin, end in pairwise(bounds):
        y = (t_hi[begin:end] - t_hi[begin]) * 1e-9
        if len(y) >= 20:
            slopes.append(_slopes(y, nominal_s or float(np.median(np.diff(y)))))
    if not slopes:
        if nominal_s is None:
            raise ValueError("a period cannot be told from fewer than 20 rows; declare rate_hz")
        return nominal_s
    found = float(np.median(np.concatenate(slopes)))
    if nominal_s is not None and abs(found / nominal_s - 1) < AGREES:
        return nominal_s
    return found


def _slopes(y: Floats, base: float) -> Floats:
    """Periods over up to 100 rows of which none was lost: the lowest cluster of all of them."""
    lag = min(100, len(y) // 2)
    low = sliding_min(y - base * np.arange(len(y)), min(LOOK, len(y) // 4))
    slope = base + (low[lag:] - low[:-lag]) / lag
    if not len(slope):
        return slope
    # one lost row lengthens the mean by a period over the lag
    apart = base / lag
    middle = float(np.quantile(slope, 0.1))
    for _ in range(3):
        near = slope[np.abs(slope - middle) <= apart / 2]
        middle = float(np.median(near))
    return near


def _count(y: Floats, period: float, drift: float) -> tuple[Ints, Bools]:
    """Periods since the first row, and which rows may be wrong, for one stretch.

    The level is the earliest arrival so far, allowed to rise by *drift*; where the earliest of
    the following arrivals lies whole periods above it, that many were lost.
    """
    n = len(y)
    rows = np.arange(n)
    r = y - period * rows
    look = min(max(LOOK, int(LOOK_S / period)), n)
    ahead = sliding_min(np.concatenate((r, np.full(look - 1, np.inf))), look)
    lost = np.zeros(n, np.int64)
    rise = drift * period
    steps: list[int] = []
    count, at, level = 0, 0, float(ahead[0])
    while at < n:
        end = min(n, at + STRIDE)
        steady = r[at:end] - count * period - rise * rows[at:end]
        lowest = np.minimum.accumulate(np.concatenate(([level - rise * at], steady)))
        floor = lowest[:-1] + rise * rows[at:end]
        excess = (ahead[at:end] - count * period - floor) / period + TOLERANCE
        jumps = np.flatnonzero(excess >= 1)
        stop = int(jumps[0]) if len(jumps) else end - at
        lost[at : at + stop] = count
        level = float(lowest[stop]) + rise * (at + stop)
        at += stop
        if len(jumps):
            steps.append(at)
            count += int(excess[stop])
            level = min(level, float(ahead[at]) - count * period)
    return rows + lost, _unsure(r - period * lost, steps, period, look)


def _unsure(late: Floats, steps: list[int], period: float, look: int) -> Bools:
    """Rows between those that bracket a loss: from its first row to the first punctual one.

    The last frame before a loss often waits for an adapter's timer, as nothing follows it, and
    then looks like the first one after it.
    """
    unsure = np.zeros(len(late), np.bool_)
    for at in steps:
        level = float(np.min(late[max(0, at - look) : at + look]))
        punctual = np.flatnonzero(late[at : at + look] < level + PUNCTUAL * period)
        unsure[at : at + (int(punctual[0]) + 1 if len(punctual) else look)] = True
    return unsure
