"""Every channel on one grid of time or roller distance. Pure numpy.

Times are float64 seconds since the run's zero (exact to a nanosecond for 26 days). Alignment, not
the interpolator, is the error budget: a value carries the uncertainty of its time through its own
slope.

Source for rules and error terms: linear interpolation errs by at most h^2 max|f''|/8 (any text on
numerical analysis); a channel sampled more than twice as fast as the grid is smoothed first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.status import AlignedStatus, SampleStatus

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Kind = Literal["continuous", "state", "counter"]
Shape = Literal["linear", "monotone"]

GAP_PERIODS = 2.5
WIDE_PERIODS = 1.5
"""Samples further apart than this have one missing between them."""
CHUNK = 4096


def _carried() -> Bytes:
    """Aligned status of every combination of sample status bits."""
    pairs = {
        SampleStatus.SATURATED_LOW: AlignedStatus.SATURATED,
        SampleStatus.SATURATED_HIGH: AlignedStatus.SATURATED,
        SampleStatus.OUT_OF_RANGE: AlignedStatus.OUT_OF_RANGE,
        SampleStatus.CLOCK_SUSPECT: AlignedStatus.SUSPECT,
        SampleStatus.DRIVER_FLAGGED: AlignedStatus.SUSPECT,
        SampleStatus.OPERATOR_EXCLUDED: AlignedStatus.OPERATOR_EXCLUDED,
    }
    table = np.zeros(256, np.uint8)
    for bit, meaning in pairs.items():
        table[np.arange(256) & bit != 0] |= np.uint8(meaning)
    return table


CARRIED = _carried()


@dataclass(frozen=True)
class Column:
    """One channel on the grid: ``value`` float64[G], NaN where there is none; ``status`` uint8[G]
    of AlignedStatus; ``uncertainty`` float64[G], standard, in the value's unit, NaN likewise."""

    value: Floats
    status: Bytes
    uncertainty: Floats


# --- grids


def grid(first_s: float, last_s: float, rate_hz: float) -> Floats:
    """All times k / *rate_hz* (k whole) from *first_s* to *last_s*, both inclusive."""
    if rate_hz <= 0:
        raise ValueError(f"grid rate: {rate_hz!r} Hz; expected more than 0")
    # a first or last sample that is meant to lie on the grid may miss it by rounding
    first = int(np.ceil(round(first_s * rate_hz, 6)))
    last = int(np.floor(round(last_s * rate_hz, 6)))
    return np.arange(first, last + 1) / rate_hz


def distance_grid(t: Floats, distance: Floats, step_m: float) -> tuple[Floats, Floats]:
    """Whole multiples of *step_m* that the roller passed, and when it first did.

    *t* s and *distance* m, float64[n]; standstill and running back add no point.
    Returns (distance m, time s).
    """
    if step_m <= 0:
        raise ValueError(f"grid step: {step_m!r} m; expected more than 0")
    furthest = np.maximum.accumulate(distance)
    grows = np.diff(furthest, prepend=-np.inf) > 0
    # a stretch of standstill ends where the distance grows again
    leaves = np.append(grows[1:], True) & ~grows
    keep = grows | leaves
    marks = grid(float(furthest[0]), float(furthest[-1]), 1 / step_m)
    return marks, _first_crossing(marks, furthest[keep], t[keep])


def _first_crossing(marks: Floats, distance: Floats, t: Floats) -> Floats:
    after = np.searchsorted(distance, marks, side="left").clip(1, max(len(t) - 1, 1))
    if len(t) < 2:
        return np.full(len(marks), t[0])
    before = after - 1
    span = distance[after] - distance[before]
    share = np.where(span > 0, (marks - distance[before]) / np.where(span > 0, span, 1), 1.0)
    when: Floats = t[before] + share.clip(0, 1) * (t[after] - t[before])
    return when


# --- resampling


def resample(
    t: Floats,
    value: Floats,
    at: Floats,
    *,
    status: Bytes | None = None,
    kind: Kind = "continuous",
    period_s: float | None = None,
    gap_s: float | None = None,
    shape: Shape = "linear",
    smooth: bool | None = None,
    u_value: float = 0.0,
    u_time_s: float = 0.0,
) -> Column:
    """One channel at the times *at*; see :class:`Placement` and :meth:`Placement.column`."""
    placement = Placement(t, at, period_s=period_s, gap_s=gap_s, smooth=smooth)
    return placement.column(
        value, status, kind=kind, shape=shape, u_value=u_value, u_time_s=u_time_s
    )


class Placement:
    """Where the points of a grid lie among a stream's samples; shared by all its channels.

    *t* float64[n] s, never decreasing (latencies already taken off); *at* float64[G] s, growing.
    A gap is a spacing of more than 2.5 periods and more than *gap_s*; without *period_s* it is
    the median spacing. An event stream has no period: pass ``period_s=math.inf`` and what it said
    last holds. *smooth* averages before decimation, by default where the samples come more than
    twice as fast as the grid.
    Raises ValueError for times that run backwards.
    """

    def __init__(
        self,
        t: Floats,
        at: Floats,
        *,
        period_s: float | None = None,
        gap_s: float | None = None,
        smooth: bool | None = None,
    ) -> None:
        self.t, self.at = np.asarray(t, np.float64), np.asarray(at, np.float64)
        spacing = np.diff(self.t)
        if len(spacing) and not spacing.min() >= 0:
            row = int(np.argmax(~(spacing >= 0))) + 1
            raise ValueError(f"sample times run backwards at row {row}")
        self.asked = period_s, gap_s, smooth
        self.period = period_s or (float(np.median(spacing)) if len(spacing) else 0.0)
        limit = max(GAP_PERIODS * self.period, gap_s or 0.0)
        # the times carry rounding of a nanosecond
        self.run = np.concatenate(([0], np.cumsum(spacing > limit + 1e-9)))[: len(self.t)]
        self.left = np.searchsorted(self.t, self.at, side="right") - 1
        self.right = np.minimum(self.left + (self._offset() > 0), len(self.t) - 1)
        self.known = self._known()
        self.step = float(np.median(np.diff(self.at))) if len(self.at) > 1 else 0.0
        wanted = 2 * self.period < self.step if smooth is None else smooth
        self.smooth = wanted and 0 < self.period < np.inf
        self._weights: tuple[Ints, Floats] | None = None

    def _offset(self) -> Floats:
        """Time since the sample before each point."""
        if not len(self.t):
            return np.full(len(self.at), -np.inf)
        return np.where(self.left >= 0, self.at - self.t[self.left.clip(0)], -np.inf)

    def _known(self) -> Bools:
        """Points between the first and the last sample and in no gap."""
        if not len(self.t):
            return np.zeros(len(self.at), np.bool_)
        inside = (self.left >= 0) & (self.at <= self.t[-1])
        known: Bools = inside & (self.run[self.left.clip(0)] == self.run[self.right])
        return known

    def column(
        self,
        value: Floats,
        status: Bytes | None = None,
        *,
        kind: Kind = "continuous",
        shape: Shape = "linear",
        u_value: float = 0.0,
        u_time_s: float = 0.0,
    ) -> Column:
        """One channel, *value* float64[n] with NaN where a row has none, on the grid.

        Continuous channels are interpolated, by straight lines or by the monotone cubic that
        never overshoots; states and counters are held. Never outside the first and the last
        sample; a gap stays one. *status* uint8[n] of SampleStatus. *u_value* in the value's unit
        and *u_time_s* are standard uncertainties.
        """
        value = np.asarray(value, np.float64)
        there = np.isfinite(value)
        if not there.all():
            kept = None if status is None else status[there]
            period, gap_s, smooth = self.asked
            own = period or self.period
            part = Placement(self.t[there], self.at, period_s=own, gap_s=gap_s, smooth=smooth)
            return part.column(
                value[there], kept, kind=kind, shape=shape, u_value=u_value, u_time_s=u_time_s
            )
        nothing = np.full(len(self.at), np.nan)
        if not self.known.any():
            none = np.full(len(self.at), AlignedStatus.NO_DATA, np.uint8)
            return Column(nothing, none, nothing)
        flags = self._flags(status, kind)
        if kind != "continuous":
            held = np.where(self.known, value[self.left.clip(0)], np.nan)
            return Column(held, flags, np.where(self.known, u_value, np.nan))
        if self.smooth:
            result = self._averaged(value)
        elif shape == "monotone":
            result = self._between(value, monotone_slopes(self.t, value))
        else:
            result = self._between(value)
        result = np.where(self.known, result, np.nan)
        return Column(result, flags, self._uncertainty(value, result, u_value, u_time_s))

    # --- values

    def _between(self, value: Floats, slope: Floats | None = None) -> Floats:
        """Straight or cubic (with *slope* at the samples) between the neighbours."""
        left, right = self.left.clip(0), self.right
        h = self.t[right] - self.t[left]
        share = np.where(h > 0, (self.at - self.t[left]) / np.where(h > 0, h, 1), 0.0)
        low, high = value[left], value[right]
        straight: Floats = low + share * (high - low)
        if slope is None:
            return straight
        rise = high - low
        a, b = slope[left] * h - rise, rise - slope[right] * h
        curved: Floats = straight + share * (1 - share) * (a * (1 - share) + b * share)
        return curved

    def _averaged(self, value: Floats) -> Floats:
        """Weighted mean around each point: zero phase, exact for straight lines."""
        first, weight = self.weights()
        result = np.empty(len(self.at))
        reach = np.arange(weight.shape[1])
        for begin in range(0, len(result), CHUNK):
            rows = slice(begin, begin + CHUNK)
            index = np.minimum(first[rows, None] + reach, len(value) - 1)
            result[rows] = np.einsum("gk,gk->g", weight[rows], value[index])
        return result

    def weights(self) -> tuple[Ints, Floats]:
        """First sample (int64[G]) and weights (float64[G, K]) of the mean around each point.

        A Hann window that reaches one grid step to either side, over samples of the same run,
        tilted so that its centre of gravity lies on the point.
        """
        if self._weights is None:
            first = np.searchsorted(self.t, self.at - self.step, side="left")
            last = np.searchsorted(self.t, self.at + self.step, side="right")
            # at least the two neighbours, so that no point is without samples
            first = np.minimum(first, self.left.clip(0))
            width = int(np.max(np.maximum(last, self.right + 1) - first))
            weight = np.empty((len(self.at), width))
            for begin in range(0, len(self.at), CHUNK):
                rows = slice(begin, begin + CHUNK)
                weight[rows] = self._window(first[rows], rows, width)
            self._weights = first, weight
        return self._weights

    def _window(self, first: Ints, rows: slice, width: int) -> Floats:
        index = first[:, None] + np.arange(width)
        inside = index < len(self.t)
        index = np.minimum(index, len(self.t) - 1)
        d = (self.t[index] - self.at[rows, None]) / self.step
        same = self.run[index] == self.run[self.left[rows].clip(0), None]
        w = np.where(inside & same & (np.abs(d) < 1), 1 + np.cos(np.pi * d), 0.0)
        s0, s1, s2 = w.sum(axis=1), (w * d).sum(axis=1), (w * d * d).sum(axis=1)
        spread = s0 * s2 - s1 * s1
        tilt = spread > 1e-9 * s0 * s0
        factor = np.where(tilt[:, None], s2[:, None] - s1[:, None] * d, 1.0)
        w = w * factor
        total = w.sum(axis=1, keepdims=True)
        return np.where(total > 0, w / np.where(total > 0, total, 1), 0.0)

    # --- what is known about them

    def _flags(self, status: Bytes | None, kind: Kind) -> Bytes:
        left, right = self.left.clip(0), self.right
        flags = np.zeros(len(self.at), np.uint8)
        if status is not None and status.any():
            # what is smoothed carries only its neighbours' bits: they weigh most
            other = right if kind == "continuous" else left
            flags |= CARRIED[status[left]] | CARRIED[status[other]]
        if kind == "continuous":
            width = self.t[right] - self.t[left]
            wide = (width > WIDE_PERIODS * self.period) | self._beside_gap()
            flags |= np.where(wide, AlignedStatus.INTERPOLATED, 0).astype(np.uint8)
        else:
            width = self.at - self.t[left]
            old = width > WIDE_PERIODS * self.period
            flags |= np.where(old, AlignedStatus.HELD, 0).astype(np.uint8)
        stale = width > GAP_PERIODS * self.period + 1e-9
        flags |= np.where(stale, AlignedStatus.STALE, 0).astype(np.uint8)
        return np.where(self.known, flags, np.uint8(AlignedStatus.NO_DATA))

    def _beside_gap(self) -> Bools:
        """Points within one period of a gap."""
        edges = np.flatnonzero(np.diff(self.run))
        if not len(edges):
            return np.zeros(len(self.at), np.bool_)
        ends = np.sort(np.concatenate((self.t[edges], self.t[edges + 1])))
        after = np.searchsorted(ends, self.at).clip(0, len(ends) - 1)
        near = np.minimum(
            np.abs(ends[after] - self.at), np.abs(self.at - ends[(after - 1).clip(0)])
        )
        beside: Bools = near < self.period
        return beside

    def _uncertainty(
        self, value: Floats, result: Floats, u_value: float, u_time_s: float
    ) -> Floats:
        """u^2 = u_value^2 + (f' u_time)^2 + (h^2 f''/8)^2 / 3, the last for straight lines."""
        slope = self._slope(value)
        if self.smooth and len(result) > 1:
            smooth = np.gradient(result, self.at)
            # beside a gap the samples' own slope has to do
            slope = np.where(np.isfinite(smooth), smooth, slope)
        square = u_value**2 + (slope * u_time_s) ** 2
        if not self.smooth:
            square = square + (self._bend(value) / 8) ** 2 / 3
        return np.where(self.known, np.sqrt(square), np.nan)

    def _slope(self, value: Floats) -> Floats:
        """Slope of *value* between the samples around each point, within one run."""
        left = self.left.clip(0)
        last = len(self.t) - 1
        after = np.minimum(left + 1, last)
        after = np.where(self.run[after] == self.run[left], after, left)
        before = np.where(after > left, left, (left - 1).clip(0))
        before = np.where(self.run[before] == self.run[left], before, left)
        h = self.t[after] - self.t[before]
        slope: Floats = np.where(h > 0, (value[after] - value[before]) / np.where(h > 0, h, 1), 0.0)
        return slope

    def _bend(self, value: Floats) -> Floats:
        """h^2 f'' of *value* around each point that lies between two samples; 0 on a sample."""
        left, right = self.left.clip(0), self.right
        before, after = (left - 1).clip(0), np.minimum(right + 1, len(value) - 1)
        whole = (self.run[before] == self.run[after]) & (right > left)
        bend = (value[before] - value[left] - value[right] + value[after]) / 2
        return np.where(whole, bend, 0.0)


def monotone_slopes(t: Floats, value: Floats) -> Floats:
    """Slopes at the samples of the monotone cubic: no overshoot, flat at extremes.

    Source: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984); weighted harmonic mean.
    """
    n = len(t)
    h = np.diff(t)
    with np.errstate(divide="ignore", invalid="ignore"):
        chord = np.where(h > 0, np.diff(value) / h, 0.0)
        if n < 3:
            return np.full(n, chord[0] if n == 2 else 0.0)
        w1, w2 = 2 * h[1:] + h[:-1], h[1:] + 2 * h[:-1]
        mean = (w1 + w2) / (w1 / chord[:-1] + w2 / chord[1:])
    inner = np.where(chord[:-1] * chord[1:] > 0, mean, 0.0)
    ends = (
        _end_slope(h[0], h[1], chord[0], chord[1]),
        _end_slope(h[-1], h[-2], chord[-1], chord[-2]),
    )
    return np.concatenate(([ends[0]], inner, [ends[1]]))


def _end_slope(h0: float, h1: float, chord0: float, chord1: float) -> float:
    """Three-point slope at an end, limited so that the end interval stays monotone."""
    if h0 + h1 == 0:
        return 0.0
    slope = ((2 * h0 + h1) * chord0 - h0 * chord1) / (h0 + h1)
    if slope * chord0 <= 0:
        return 0.0
    if chord0 * chord1 <= 0 and abs(slope) > 3 * abs(chord0):
        return float(3 * chord0)
    return float(slope)
