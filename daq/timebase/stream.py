"""The sample times of a stream on the host's clock, and what is known about their error."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import IntFlag
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from daq.driver import Stream
from daq.timebase.clockmap import PIECE, Anchors, ClockMap, Echo, device_clock
from daq.timebase.counting import count_periods

Ints = NDArray[np.int64]
Method = Literal["arrival", "hull_ticks", "hull_bytes", "two_way", "poll_bound", "period_grid"]

LEAST_LATENCY_S = 0.3e-3
"""The smallest latency of a wire lies between 0 and this; it cannot be seen one-way, so half of
it is taken off. Source: 0.1 to 0.2 ms on USB full speed; common practice, no source.
"""
LATENESS_S = {"tick": 0.0, "counter": 1.2e-3, "frame": 0.4e-3}
"""How late after its schedule a device samples, at most: a tick is latched by hardware, a frame
counter belongs to a task. Source: common practice, no source; a slower task may take 2 ms."""
LATENESS_EXCESS_S = 0.8e-3
"""By how much a task may be later than that: a one-sided bound of the error."""
ARRIVAL_LATE_S = 20e-3
"""Arrival times alone: a 16 ms latency timer of a USB adapter and a slow wake-up."""
POLL_AGE_S = 0.1
"""How old a polled value may be when nothing is configured. Common practice, no source."""
LEAST_RANDOM_S = 20e-6
LATE_S = 0.1
GAP_PERIODS = 2.5


class TimeFlag(IntFlag):
    """What is special about the time of a row."""

    INDEX_UNSURE = 1
    """Counted by arrivals next to a loss: may be wrong by whole periods."""
    GAP_BEFORE = 2
    LATE = 4
    """Arrived more than 0.1 s after it was sampled: the reader stalled."""
    AT_BOUND = 8
    """The map lay later than the row's own bound, so the bound was taken."""
    FEW_ANCHORS = 16
    """The piece of the map had too few anchors for a slope of its own."""
    SLOW_ANSWER = 32
    """A poll answered later than 95 % of them: the stated bounds are not for this row."""


@dataclass(frozen=True)
class StreamTime:
    """Times of n rows on the host's clock, with their uncertainty.

    ``t_ns`` int64[n], never decreasing. The true time lies within ``t - uncertainty_lo_s`` and
    ``t + uncertainty_hi_s``, one-sided bounds of what cannot be observed, widened by the random
    part, of which ``uncertainty_random_s`` is one standard deviation. ``segments`` is a table of
    :data:`daq.timebase.PIECE`; ``flags`` uint8[n] of :class:`TimeFlag`; ``index`` and ``segment``
    int64[n] are what the map was applied to, so that anyone can do it again:
    t = map(index) + min(lateness_s, t_hi - map(index)) / 2 - correction_s, at most t_hi (by the
    period grid over ticks: with the ticks' times for t_hi).
    """

    t_ns: Ints
    uncertainty_random_s: float
    uncertainty_lo_s: float
    uncertainty_hi_s: float
    method: Method
    segments: NDArray[Any]
    clock_skew_ppm: float
    flags: NDArray[np.uint8]
    index: Ints | None = None
    segment: Ints | None = None
    index_hz: float | None = None
    correction_s: float = 0.0
    lateness_s: float = 0.0

    def interval_s(self, coverage: float = 2.0) -> tuple[float, float]:
        """How much earlier and later the truth may be, at *coverage* standard deviations."""
        random = coverage * self.uncertainty_random_s
        return self.uncertainty_lo_s + random, self.uncertainty_hi_s + random


def stream_time(
    stream: Stream,
    t_hi: Ints,
    t_lo: Ints | None = None,
    index: Ints | None = None,
    segment: Ints | int = 0,
    *,
    clock: ClockMap | None = None,
    echo: Echo | None = None,
    method: Method | Literal["auto"] = "auto",
    lateness_s: float | None = None,
    wait_s: float = 0.0,
    age_s: float | None = None,
    age_uncertainty_s: float | None = None,
) -> StreamTime:
    """When each row was sampled, by the best method that the data allow.

    *t_hi*, *t_lo*, *index* int64[n] and *segment* are those of :class:`daq.driver.Block`.
    *clock* is the device's map where several streams share it; *echo* bounds it from below.
    *lateness_s*: the device samples 0 to this late after its schedule (frame counters, cyclic
    messages). *wait_s*: it may wait so long between sample and stamp (arbitration on a bus).
    *age_s*: how long before its request a polled value was taken, with its bound.
    Raises ValueError when *method* needs what the rows do not have.
    """
    t_hi = np.asarray(t_hi, np.int64)
    segments = np.broadcast_to(np.asarray(segment, np.int64), t_hi.shape)
    chosen = _choose(stream, t_lo, index, method)
    if not len(t_hi):
        return _arrival(t_hi, chosen)
    if chosen == "arrival":
        return _finish(_arrival(t_hi), t_hi, stream)
    if chosen == "poll_bound":
        if t_lo is None:
            raise ValueError(f"stream {stream.name}: poll bounds need the time of the request")
        return _finish(_polled(t_hi, t_lo, age_s, age_uncertainty_s), t_hi, stream)
    if chosen == "period_grid":
        return _finish(_grid(stream, t_hi, index, segments, clock, lateness_s), t_hi, stream)
    if index is None or stream.index_hz is None:
        raise ValueError(f"stream {stream.name}: a clock map needs a tick or a frame counter")
    anchors = Anchors.of(index, t_hi, segments)
    clock = clock or device_clock(anchors, stream.index_hz, echo=echo)
    if lateness_s is None:
        lateness_s = LATENESS_S[stream.index_kind or "tick"]
    time = _mapped(anchors, clock, chosen, lateness_s, LEAST_LATENCY_S)
    return _finish(replace(time, uncertainty_lo_s=time.uncertainty_lo_s + wait_s), t_hi, stream)


def _choose(stream: Stream, t_lo: Ints | None, index: Ints | None, method: str) -> Method:
    if method != "auto":
        return method  # type: ignore[return-value]
    if stream.cyclic:
        return "period_grid"
    if index is not None:
        return "hull_ticks" if stream.index_kind == "tick" else "hull_bytes"
    return "poll_bound" if t_lo is not None else "arrival"


def _finish(time: StreamTime, t_hi: Ints, stream: Stream) -> StreamTime:
    """Never decreasing, and the flags that every method shares."""
    t = np.minimum.accumulate(time.t_ns[::-1])[::-1]
    flags = time.flags | np.where(t_hi - t > LATE_S * 1e9, TimeFlag.LATE, 0).astype(np.uint8)
    if stream.rate_hz and len(t) > 1:
        gap = np.diff(t, prepend=t[0]) > GAP_PERIODS * 1e9 / stream.rate_hz
        flags |= np.where(gap, TimeFlag.GAP_BEFORE, 0).astype(np.uint8)
    return replace(time, t_ns=t, flags=flags)


def _arrival(t_hi: Ints, method: Method = "arrival") -> StreamTime:
    flags = np.zeros(len(t_hi), np.uint8)
    no_map = np.empty(0, PIECE)
    random = ARRIVAL_LATE_S / np.sqrt(12)
    return StreamTime(t_hi, float(random), ARRIVAL_LATE_S, 0.0, method, no_map, 0.0, flags)


def _polled(t_hi: Ints, t_lo: Ints, age_s: float | None, bound_s: float | None) -> StreamTime:
    """The request's time less the value's age; the answer bounds it from above.

    The middle of request and answer is no better: adapters spend the time after the answer came.
    """
    age = age_s or 0.0
    bound = bound_s if bound_s is not None else (POLL_AGE_S if age_s is None else abs(age_s))
    t_lo = np.asarray(t_lo, np.int64)
    wait = (t_hi - t_lo) * 1e-9
    usual = float(np.quantile(wait, 0.95))
    flags = np.where(wait > usual, TimeFlag.SLOW_ANSWER, 0).astype(np.uint8)
    later = usual + age if bound_s is None else min(bound, usual + age)
    t = t_lo - round(age * 1e9)
    return StreamTime(t, 0.0, bound, max(later, 0.0), "poll_bound", np.empty(0, PIECE), 0.0, flags)


def _mapped(
    anchors: Anchors, clock: ClockMap, method: Method, lateness_s: float, least_s: float
) -> StreamTime:
    """By a clock map; rows of a late task lie within the map and their own bound.

    *least_s* is the largest that the smallest latency may be; the middle is taken of what cannot
    be observed, so the bounds lie on both sides.
    """
    earliest, piece = clock.times(anchors.index, anchors.t_hi, anchors.segment)
    room = np.clip(anchors.t_hi - earliest, 0, round(lateness_s * 1e9))
    early, late = _unobserved(clock, least_s)
    t = earliest + room // 2 - round(early * 1e9)
    beyond = t > anchors.t_hi
    t = np.minimum(t, anchors.t_hi)
    few = (piece < 0) | (clock.pieces["anchors"][piece] < 20) if len(clock.pieces) else beyond
    flags = np.where(beyond, TimeFlag.AT_BOUND, 0) | np.where(few, TimeFlag.FEW_ANCHORS, 0)
    excess = LATENESS_EXCESS_S if lateness_s >= LATENESS_S["counter"] else 0.0
    return StreamTime(
        t,
        float(np.hypot(_random(clock), lateness_s / np.sqrt(12))),
        late,
        early + excess if not clock.two_way else late + excess,
        "two_way" if clock.two_way and method == "hull_ticks" else method,
        clock.pieces,
        clock.skew_ppm,
        flags.astype(np.uint8),
        anchors.index,
        anchors.segment,
        clock.index_hz,
        correction_s=early,
        lateness_s=lateness_s,
    )


def _unobserved(clock: ClockMap, least_s: float) -> tuple[float, float]:
    """What is taken off for latencies that cannot be seen, and how much more it may be.

    Of the wait for a timer that goes evenly with the device a quarter: frames that are being sent
    when it runs out see less of it. No line is surer than the distance of the nearest 5 % to it.
    """
    if clock.two_way:
        return 0.0, float(np.max(clock.pieces["half_gap_s"]))
    wait = float(np.max(clock.pieces["unseen_s"], initial=0.0))
    slack = float(np.max(np.nan_to_num(clock.pieces["q05_s"]), initial=0.0))
    return least_s / 2 + wait / 4, least_s / 2 + wait * 3 / 4 + slack


def _random(clock: ClockMap) -> float:
    """Standard deviation of the worst piece of a map; where it has no scatter of its own, from
    how far the nearest bounds lie."""
    pieces = clock.pieces[clock.pieces["anchors"] > 0]
    if not len(pieces):
        return ARRIVAL_LATE_S
    own = pieces["scatter_s"]
    few = np.where(np.isnan(own), pieces["q50_s"] + LEAST_RANDOM_S, own)
    return max(float(np.max(few)), LEAST_RANDOM_S)


def _grid(
    stream: Stream,
    t_hi: Ints,
    index: Ints | None,
    segment: Ints,
    clock: ClockMap | None,
    lateness_s: float | None,
) -> StreamTime:
    """By the message's own period: over the interface's ticks where it has them."""
    bound, least, low, high = t_hi, LEAST_LATENCY_S, 0.0, 0.0
    if index is not None and stream.index_hz is not None:
        ticks = Anchors.of(index, t_hi, segment)
        clock = clock or device_clock(ticks, stream.index_hz)
        by_tick = _mapped(ticks, clock, "hull_ticks", 0.0, least)
        bound, least = by_tick.t_ns, 0.0
        low, high = by_tick.uncertainty_lo_s, by_tick.uncertainty_hi_s
    period = None if stream.rate_hz is None else 1.0 / stream.rate_hz
    count = count_periods(bound, segment, period)
    rows = Anchors(count.index, bound, count.segment)
    sure = ~count.unsure
    anchors = Anchors(count.index[sure], bound[sure], count.segment[sure])
    own = device_clock(anchors, 1.0 / count.period_s)
    kind = "frame" if index is not None else "counter"
    late = LATENESS_S[kind] if lateness_s is None else lateness_s
    time = _mapped(rows, own, "period_grid", late, least)
    unsure = np.where(count.unsure, TimeFlag.INDEX_UNSURE, 0).astype(np.uint8)
    return replace(
        time,
        flags=time.flags | unsure,
        uncertainty_lo_s=time.uncertainty_lo_s + low,
        uncertainty_hi_s=time.uncertainty_hi_s + high,
    )
