"""Where a device's clock breaks: a reset, a wrap missed, a step; every break begins a new part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

STEP_S = 0.03
"""A lasting change of the lower envelope beyond this is a step of a clock, not latency.

Source: common practice, no source; clock daemons step by 0.128 s (RFC 5905) or more.
"""
LOOK = 24
LOOK_S = 3.0
"""Least number of rows on either side, and their time, whose lower envelope must have changed."""
WAITED = 0.5
"""A row was late for sure when the next one came behind it in half the time between them."""
GLITCHES = 2
"""False rows among them that do not make an envelope."""


@dataclass(frozen=True)
class Breaks:
    """Parts in order: each begins in ``segment`` at host time ``begins_ns`` (of the bound)."""

    segment: Ints
    begins_ns: Ints

    @classmethod
    def none(cls) -> Breaks:
        """No part at all."""
        return cls(np.empty(0, np.int64), np.empty(0, np.int64))

    def __len__(self) -> int:
        return len(self.segment)


def part_of(breaks: Breaks, t_hi: Ints, segment: Ints) -> Ints:
    """Number of the part of each row; -1 for a segment that has none."""
    result = np.full(len(t_hi), -1, np.int64)
    for number in np.unique(breaks.segment):
        mine = np.flatnonzero(breaks.segment == number)
        rows = segment == number
        at = np.searchsorted(breaks.begins_ns[mine], t_hi[rows], side="right") - 1
        result[rows] = mine[np.maximum(at, 0)]
    return result


def parts(index: Ints, t_hi: Ints, segment: Ints, index_hz: float) -> Breaks:
    """Break rows (in order of arrival) wherever the index does not run on with the host.

    Within a segment that is where the index runs backwards, or where the lower envelope of
    arrival minus index changes by more than 30 ms and stays changed. A reader's stall does not:
    its late rows are followed by punctual ones.
    """
    segments: list[int] = []
    begins: list[int] = []
    for number in np.unique(segment):
        rows = np.flatnonzero(segment == number)
        cuts = [0, *_cuts(index[rows], t_hi[rows], index_hz)]
        segments += [int(number)] * len(cuts)
        begins += [int(t_hi[rows[cut]]) for cut in cuts]
    return Breaks(np.array(segments, np.int64), np.array(begins, np.int64))


def _cuts(index: Ints, t_hi: Ints, index_hz: float) -> list[int]:
    """Rows at which a new part begins, without the first."""
    back = [int(i) + 1 for i in np.flatnonzero(np.diff(index) < 0)]
    back = [i for i in back if _lasting(index, i)]
    found = list(back)
    for begin, end in zip([0, *back], [*back, len(index)]):
        x = (index[begin:end] - index[begin]) / index_hz
        t = (t_hi[begin:end] - t_hi[begin]) * 1e-9
        last = _punctual(x, t)
        steps = _steps(x[last], t[last] - x[last])
        found += [begin + int(last[step - 1]) + 1 for step in steps]
    return sorted(found)


def _punctual(x: Floats, t: Floats) -> Ints:
    """Rows of which it is not known that they waited for the next one."""
    step, wait = np.diff(x), np.diff(t)
    # a greater step than this is one of the clock
    waited = (wait < WAITED * step) & (step < 4 * np.median(step)) if len(step) else wait > 0
    return np.flatnonzero(np.append(~waited, True))


def _lasting(index: Ints, at: int) -> bool:
    """Whether the index stays behind what it was, so that it is a reset and no damaged row."""
    after, before = index[at : at + LOOK], index[max(0, at - LOOK) : at]
    return bool(np.median(after) < np.median(before))


def _steps(x: Floats, r: Floats) -> list[int]:
    """Rows from which the lower envelope of *r* has lastingly changed by more than STEP_S.

    The envelopes before and after a row reach over 3 s of the device's time, longer than a
    reader stalls; the rows of the burst after a stall that waited are not among them.
    """
    if len(r) < 2 * LOOK or x[-1] <= x[0]:
        return []
    width = max(LOOK, int(LOOK_S * len(x) / (x[-1] - x[0])))
    r = _without_glitches(_level(x, r, width))
    pad = np.full(width, np.inf)
    envelope = sliding_min(np.concatenate((pad, r, pad)), width)
    # envelope[b] covers rows b-width..b-1 and envelope[b+width] rows b..b+width-1
    rows = np.arange(LOOK, len(r) - LOOK)
    before, after = envelope[rows], envelope[rows + width]
    steps: list[int] = []
    at = 0
    while at < len(rows):
        ahead = np.flatnonzero(np.abs(after[at:] - before[at:]) > STEP_S)
        if not len(ahead):
            break
        at += int(ahead[0])
        row = int(rows[at])
        if after[at] > before[at]:
            steps.append(row)
            at += width
        else:
            low = r[row : row + width] < (before[at] + after[at]) / 2
            steps.append(row + int(np.argmax(low)))
            at += int(np.argmax(low)) + LOOK
    return steps


def _level(x: Floats, r: Floats, width: int) -> Floats:
    """*r* without its trend (a poor oscillator drifts 0.5 %), by the median slope of minima."""
    starts = np.arange(0, len(r) - 1, width)
    low, where = np.minimum.reduceat(r, starts), x[starts]
    if len(starts) < 3:
        return r
    return r - float(np.median(np.diff(low) / np.diff(where))) * x


def _without_glitches(r: Floats) -> Floats:
    """*r* with single false early rows lifted to the third lowest of the rows around them."""
    around = np.partition(sliding_window_view(r, LOOK), GLITCHES, axis=1)[:, GLITCHES]
    floor = np.pad(around, (LOOK // 2, LOOK - 1 - LOOK // 2), mode="edge")
    return np.maximum(r, floor - STEP_S / 2)


def sliding_min(values: Floats, width: int) -> Floats:
    """Minimum of each *width* consecutive values: float64[n - width + 1]."""
    size = 1
    while size < width:
        step = min(size, width - size)
        values = np.minimum(values[:-step], values[step:])
        size += step
    return values
