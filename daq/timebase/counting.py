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
TOLERANCE = 0.1
"""Share of a period by which a bound may fall short before it contradicts."""
DRIFT = 3e-3
"""How fast the lower envelope may rise without a loss, as a share of the period."""
SURE = 0.3
"""A row later than this share of a period after a loss may belong before it."""


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
    silent = np.diff(t_hi) > max(SILENCE_S, 20 * (period_s or 0.0)) * 1e9
    broken = silent | (np.diff(segment) != 0)
    own = np.concatenate(([0], np.cumsum(broken)))[: len(t_hi)]
    bounds = np.flatnonzero(np.diff(own, prepend=-1, append=-1))
    period = estimate_period(t_hi, bounds, period_s)
    index = np.zeros(len(t_hi), np.int64)
    unsure = np.zeros(len(t_hi), np.bool_)
    for begin, end in pairwise(bounds):
        y = (t_hi[begin:end] - t_hi[begin]) * 1e-9
        index[begin:end], unsure[begin:end] = _count(y, period)
    return Count(index, own.astype(np.int64), unsure, period)


def estimate_period(t_hi: Ints, bounds: Ints, nominal_s: float | None) -> float:
    """Period in s of rows that lose few of their number, checked against the nominal one."""
    slopes = []
    for begin, end in pairwise(bounds):
        y = (t_hi[begin:end] - t_hi[begin]) * 1e-9
        look = min(LOOK, max(1, len(y) // 4))
        if len(y) < 20:
            continue
        lag = min(100, len(y) // 2)
        base = nominal_s or float(np.median(np.diff(y)))
        low = sliding_min(y - base * np.arange(len(y)), look)
        slopes.append(base + (low[lag:] - low[:-lag]) / lag)
    if not slopes or not any(len(part) for part in slopes):
        if nominal_s is None:
            raise ValueError("a period cannot be told from fewer than 20 rows; declare rate_hz")
        return nominal_s
    # losses only lengthen a lag, so the lower third is free of them
    found = float(np.quantile(np.concatenate(slopes), 0.35))
    if nominal_s is not None and abs(found / nominal_s - 1) < 3e-3:
        return nominal_s
    return found


def _count(y: Floats, period: float) -> tuple[Ints, Bools]:
    """Periods since the first row, and which rows may be wrong, for one stretch."""
    n = len(y)
    rows = np.arange(n)
    r = y - period * rows
    look = min(max(LOOK, int(LOOK_S / period)), n)
    ahead = sliding_min(np.concatenate((r, np.full(look - 1, np.inf))), look)
    lost = np.zeros(n, np.int64)
    unsure = np.zeros(n, np.bool_)
    rise = DRIFT * period
    count, at, level = 0, 0, float(ahead[0])
    while at < n:
        end = min(n, at + 4096)
        drifting = r[at:end] - count * period - rise * rows[at:end]
        start = level - rise * at
        floor = np.minimum.accumulate(np.concatenate(([start], drifting)))[:-1]
        floor = floor + rise * rows[at:end]
        excess = (ahead[at:end] - count * period - floor) / period + TOLERANCE
        jumps = np.flatnonzero(excess >= 1)
        stop = int(jumps[0]) if len(jumps) else end - at
        lost[at : at + stop] = count
        if stop:
            last = r[at + stop - 1] - count * period
            level = min(float(floor[stop - 1]) + rise, float(last) + rise)
        at += stop
        if len(jumps):
            count += int(excess[stop])
            late = (r[at : at + LOOK] - count * period - level) / period
            sure = np.flatnonzero(late < SURE)
            unsure[at : at + (int(sure[0]) if len(sure) else LOOK)] = True
            level = min(level, float(ahead[at]) - count * period)
    return rows + lost, unsure
