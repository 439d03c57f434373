"""Engine speed from ignition pulses or a toothed crank wheel. Pure numpy.

    speed = 60 / (pulses per revolution * time between pulses)

holds when every pulse is one ignition event. It is not so with coils that spark several times,
with glitches, with pulses that were missed and with a limiter that cuts the spark: those are
found, named in ``flags``, and counted for what they are.

Source: definition; filters and limits are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Bytes = NDArray[np.uint8]
Pickup = Literal["common", "wasted_spark", "one_coil", "one_lead", "all_coils"]

RPM_MAX = 8000.0
STALL_RPM = 50.0
BLANK_SHARE = 0.6
"""Pulses closer than this share of the shortest period that can be are no ignition events."""
FALL_RPM_PER_S = 20_000.0
"""No engine changes speed faster, unloaded."""
SPLIT_SHARE = 0.75
REPEAT_SHARE = 0.4
WHOLE = 0.15
"""How near a whole number an interval must be to count as missed pulses."""
MOST_MISSED = 12
CUT_S = 0.3
"""Missed pulses closer together than this are a cut."""


class SpeedFlag(IntFlag):
    """What is special about an interval between pulses."""

    EXTRA = 1
    """Pulses within it were taken for repeated sparks or glitches."""
    MISSED = 2
    """It holds more than one ignition event."""
    CUT = 4
    """One of several such close together: the spark was cut, the engine did not slow down."""
    STALL = 8
    """Longer than a turn at 50 rpm: the engine stood; the speed is 0."""
    LOST_TOOTH = 16
    """The crank wheel's turn did not have the right number of teeth."""


@dataclass(frozen=True)
class EngineSpeed:
    """Engine speed at n times, one for each interval between pulses (two for a long stall).

    ``t`` float64[n] s, the interval's middle; ``speed`` float64[n] rpm over the interval;
    ``cycle`` float64[n] rpm over a whole working cycle (four-stroke: 720 degrees) around it;
    ``flags`` uint8[n] of SpeedFlag. ``edge`` float64[m] s are the pulses that count and
    ``turns`` float64[m] the crank's revolutions there; ``run`` int64[m] grows at each stall.
    ``dropped`` pulses do not count.
    """

    t: Floats
    speed: Floats
    cycle: Floats
    flags: Bytes
    edge: Floats
    turns: Floats
    run: Ints
    dropped: int


def pulses_per_revolution(cylinders: int, pickup: Pickup, strokes: int = 4) -> float:
    """Pulses per crank revolution of an ignition pick-up.

    ``common``: the one coil's primary, a distributor, an output for a rev counter;
    ``all_coils``: all coils or leads joined; ``wasted_spark``: one coil that also sparks in the
    exhaust stroke; ``one_coil``, ``one_lead``: one coil on its plug, a clamp on one lead.
    Raises ValueError for an engine of other than two or four strokes.
    """
    if strokes not in (2, 4):
        raise ValueError(f"strokes: {strokes!r}; expected 2 or 4")
    if cylinders < 1:
        raise ValueError(f"cylinders: {cylinders!r}; expected 1 or more")
    per_cylinder = 0.5 if strokes == 4 else 1.0
    each = {
        "common": cylinders * per_cylinder,
        "all_coils": cylinders * per_cylinder,
        "wasted_spark": 1.0,
        "one_coil": per_cylinder,
        "one_lead": per_cylinder,
    }
    return each[pickup]


def shortest_period(rpm_max: float, pulses: float) -> float:
    """Time in s under which a second pulse cannot be another ignition event."""
    return BLANK_SHARE * 60 / (rpm_max * pulses)


def engine_speed(
    edge: Floats,
    pulses: float,
    *,
    rpm_max: float = RPM_MAX,
    blank_s: float | None = None,
    cycle_turns: float = 2.0,
    uneven: bool = False,
    stall_rpm: float = STALL_RPM,
    until: float | None = None,
) -> EngineSpeed:
    """Engine speed from the times of pulses, float64[k] s ascending, *pulses* per revolution.

    *blank_s*: a pulse this soon after another is the same event (longer than the shortest period
    that *rpm_max* allows, for coils that spark several times); *cycle_turns* revolutions of a
    working cycle, 2 of a four-stroke; *uneven* firing: intervals alternate, none is called
    missed. A longer pause than at *stall_rpm* is a stall; *until* s: the device was alive until
    then, so that silence is one too.
    """
    if pulses <= 0:
        raise ValueError(f"pulses per revolution: {pulses!r}; expected more than 0")
    edge = np.asarray(edge, np.float64)
    blank = max(shortest_period(rpm_max, pulses), blank_s or 0.0)
    kept = _blanked(edge, blank)
    if not uneven:
        kept = _without_repeats(kept)
        kept = _rephased(_without_splits(kept), edge)
    gap = np.diff(kept)
    stall = gap > 60 / (stall_rpm * pulses)
    events = np.ones(len(gap), np.int64) if uneven else _events(gap, stall, pulses)
    flags = _flags(kept, gap, stall, events, edge)
    return _build(
        kept, events / pulses, stall, flags, cycle_turns, until, stall_rpm, len(edge) - len(kept)
    )


# --- pulses that are none


def _blanked(edge: Floats, blank: float) -> Floats:
    """Without the pulses that follow a counted one within *blank* s."""
    while len(edge) > 1:
        close = np.diff(edge) < blank
        # only the first of a group is sure to follow a counted one
        drop = close & ~np.concatenate(([False], close[:-1]))
        if not drop.any():
            break
        edge = edge[np.concatenate(([True], ~drop))]
    return edge


def _without_repeats(edge: Floats) -> Floats:
    """Without repeated sparks: short intervals that have long ones before and after them."""
    gap = np.diff(edge)
    if len(gap) < 8:
        return edge
    padded = np.pad(gap, 3, mode="reflect")
    longest = sliding_window_view(padded, 3).max(axis=1)
    before, after = longest[: len(gap)], longest[4:]
    repeat = gap < REPEAT_SHARE * np.minimum(before, after)
    if np.mean(repeat) < 0.02:
        # a rare short interval is a glitch, and either of its pulses may be the true one
        return edge
    return edge[np.concatenate(([True], ~repeat))]


def _without_splits(edge: Floats) -> Floats:
    """Without single pulses that split an ordinary interval in two."""
    for _ in range(3):
        gap = np.diff(edge)
        if len(gap) < 9:
            break
        usual = _usual(gap)
        limit = SPLIT_SHARE * usual
        whole = (gap[:-1] + gap[1:]) / usual[:-1]
        split = (gap[:-1] < limit[:-1]) & (gap[1:] < limit[1:]) & (np.abs(whole - 1) < 0.2)
        split &= ~np.concatenate(([False], split[:-1]))
        if not split.any():
            break
        edge = edge[np.concatenate(([True], ~split, [True]))]
    return edge


def _usual(gap: Floats) -> Floats:
    """Median of the nine intervals around each."""
    around: Floats = np.median(sliding_window_view(np.pad(gap, 4, mode="reflect"), 9), axis=1)
    return around


def _rephased(kept: Floats, edge: Floats) -> Floats:
    """Where a glitch came just before its pulse and hid it, the pulse in the glitch's place."""
    if len(kept) < 10:
        return kept
    gap = np.diff(kept)
    usual = _usual(gap)
    follower = edge[np.minimum(np.searchsorted(edge, kept, side="right"), len(edge) - 1)][1:-1]
    hidden = follower < kept[2:]
    before = np.abs(gap[:-1] / usual[:-1] - 1)
    better = np.abs((follower - kept[:-2]) / usual[:-1] - 1)
    after = np.abs((kept[2:] - follower) / usual[1:] - 1)
    swap = hidden & (before > 0.15) & (better < 0.1) & (after < 0.15)
    return np.concatenate((kept[:1], np.where(swap, follower, kept[1:-1]), kept[-1:]))


# --- pulses that are missing


def _events(gap: Floats, stall: Bools, pulses: float) -> Ints:
    """Ignition events in each interval: 1, or more where pulses were missed or cut.

    An interval of k periods counts as k events when the engine could not have slowed down so
    fast, or when it is back at its old period soon after.
    """
    events = np.ones(len(gap), np.int64)
    if len(gap) < 3:
        return events
    ratio = gap[1:] / gap[:-1]
    suspects = np.flatnonzero((ratio > 1.5) & ~stall[1:] & ~stall[:-1]) + 1
    done = -1
    for first in suspects:
        if first > done:
            done = _follow(gap, stall, events, int(first), pulses)
    return events


def _follow(gap: Floats, stall: Bools, events: Ints, first: int, pulses: float) -> int:
    """Count events from *first* on until eight ordinary intervals passed; the last one seen."""
    period, quiet, i = float(gap[first - 1]), 0, first
    while i < len(gap) and quiet < 8 and not stall[i]:
        number = _number(gap, i, period, pulses)
        events[i] = number
        period = float(gap[i]) / number
        quiet = quiet + 1 if number == 1 else 0
        i += 1
    return i - 1


def _number(gap: Floats, i: int, period: float, pulses: float) -> int:
    number = round(float(gap[i]) / period)
    if not 2 <= number <= MOST_MISSED or abs(gap[i] / (number * period) - 1) > WHOLE:
        return 1
    fall = 60 / pulses * (1 / period - 1 / gap[i]) / gap[i]
    if fall > FALL_RPM_PER_S:
        return number
    # soon back at the old period: a whole number of it again, one of them once
    after = gap[i + 1 : i + 4] / period
    back = np.abs(after - 1) < WHOLE
    return number if back.any() else 1


def _flags(kept: Floats, gap: Floats, stall: Bools, events: Ints, edge: Floats) -> Bytes:
    flags = np.zeros(len(gap), np.uint8)
    if not len(gap):
        return flags
    raw = np.diff(np.searchsorted(edge, kept))
    missed = events > 1
    flags[raw > 1] |= np.uint8(SpeedFlag.EXTRA)
    flags[missed] |= np.uint8(SpeedFlag.MISSED)
    flags[stall] |= np.uint8(SpeedFlag.STALL)
    where = np.flatnonzero(missed)
    when = kept[where]
    near = np.diff(when) < CUT_S
    several = np.concatenate((near, [False])) | np.concatenate(([False], near))
    flags[where[several[: len(where)]]] |= np.uint8(SpeedFlag.CUT)
    return flags


# --- speed


def _build(
    edge: Floats,
    turn: Floats,
    stall: Bools,
    flags: Bytes,
    cycle_turns: float,
    until: float | None,
    stall_rpm: float,
    dropped: int,
) -> EngineSpeed:
    """From counted pulses and the revolutions between them."""
    run = np.concatenate(([0], np.cumsum(stall)))[: len(edge)]
    turns = np.concatenate(([0.0], np.cumsum(np.where(stall, 0.0, turn))))[: len(edge)]
    gap = np.diff(edge)
    moving = ~stall
    middle = (edge[:-1] + edge[1:])[moving] / 2
    speed = 60 * turn[moving] / gap[moving]
    cycle = _cycle(edge, turns, run, np.flatnonzero(moving), cycle_turns)
    ends = edge if until is None or not len(edge) else np.append(edge, until)
    usual = float(np.median(turn)) if len(turn) else 1.0
    still = _standing(ends, 60 * usual / stall_rpm)
    t = np.concatenate((middle, still))
    order = np.argsort(t, kind="stable")
    zero = np.zeros(len(still))
    stalled = np.full(len(still), SpeedFlag.STALL, np.uint8)
    return EngineSpeed(
        t[order],
        np.concatenate((speed, zero))[order],
        np.concatenate((cycle, zero))[order],
        np.concatenate((flags[moving], stalled))[order],
        edge,
        turns,
        run,
        dropped,
    )


def _standing(edge: Floats, limit: float) -> Floats:
    """Times of speed 0: soon after the last pulse before a stall and just before the next."""
    at = np.flatnonzero(np.diff(edge) > limit)
    if not len(at):
        return np.empty(0)
    margin = np.minimum(limit, np.diff(edge)[at] / 2)
    return np.sort(np.concatenate((edge[at] + margin, edge[at + 1] - margin / 2)))


def _cycle(edge: Floats, turns: Floats, run: Ints, rows: Ints, cycle_turns: float) -> Floats:
    """Mean speed over one working cycle around each interval; over what there is at the ends."""
    if not len(rows):
        return np.empty(0)
    # runs far apart in turns, so that no window reaches from one into the next
    apart = turns + run * (10 * cycle_turns)
    first = np.flatnonzero(np.diff(run, prepend=-1))
    low, high = apart[first][run], apart[np.append(first[1:], len(edge)) - 1][run]
    middle = (apart[rows] + apart[rows + 1]) / 2
    begin = np.maximum(middle - cycle_turns / 2, low[rows])
    end = np.minimum(middle + cycle_turns / 2, high[rows])
    # apart grows strictly within a run; between runs it jumps while the engine stands
    duration = np.interp(end, apart, edge) - np.interp(begin, apart, edge)
    mean: Floats = 60 * (end - begin) / duration
    return mean


# --- crank wheel


def wheel_gaps(gap: Floats, missing: int, per_turn: int | None = None) -> Ints:
    """Intervals (their numbers) that are the gap of a wheel with *missing* teeth.

    *per_turn* edges lie between true gaps: a lost tooth that looks like a gap is told by them.
    """
    if len(gap) < 3:
        return np.empty(0, np.int64)
    factor = 1.5 if missing == 1 else 2.3
    inner = gap[1:-1]
    found = (inner > factor * gap[:-2]) & (gap[2:] < 0.75 * inner)
    at = np.flatnonzero(found) + 1
    return at if per_turn is None else _in_rhythm(at, per_turn)


def _in_rhythm(at: Ints, per_turn: int) -> Ints:
    """Those of *at* that follow each other by *per_turn*, or come too late to be doubted."""
    accepted: list[int] = []
    doubted = -per_turn
    for i in at.tolist():
        if not accepted or i - accepted[-1] >= 0.8 * per_turn or i - doubted == per_turn:
            accepted.append(i)
        else:
            doubted = i
    return np.array(accepted, np.int64)


def crank_speed(
    edge: Floats,
    teeth: int,
    missing: int,
    *,
    rpm_max: float = RPM_MAX,
    cycle_turns: float = 2.0,
    until: float | None = None,
) -> EngineSpeed:
    """Engine speed from a wheel of *teeth* pitches of which *missing* have no tooth (60-2: 60, 2).

    Every turn is checked: one without the right number of teeth is flagged, and its turns count
    from gap to gap all the same. Edges before the first gap count by their pitch.
    """
    if missing < 1 or teeth <= missing + 2:
        raise ValueError(f"crank wheel {teeth}-{missing}: expected for example 60-2 or 36-1")
    edge = np.asarray(edge, np.float64)
    kept = _blanked(edge, shortest_period(rpm_max, teeth))
    gap = np.diff(kept)
    stall = gap > 60 / STALL_RPM / teeth * (missing + 2)
    turn = np.full(len(gap), 1 / teeth)
    gaps = wheel_gaps(gap, missing, teeth - missing)
    gaps = gaps[~stall[gaps]]
    turn[gaps] = (missing + 1) / teeth
    flags = np.where(stall, SpeedFlag.STALL, 0).astype(np.uint8)
    for begin, end in pairwise(gaps):
        if end - begin != teeth - missing and not stall[begin:end].any():
            flags[begin + 1 : end + 1] |= np.uint8(SpeedFlag.LOST_TOOTH)
            # the crank turned once all the same: share the turn out by time
            if abs(end - begin - (teeth - missing)) <= 3:
                turn[begin + 1 : end + 1] = (
                    gap[begin + 1 : end + 1] / gap[begin + 1 : end + 1].sum()
                )
    return _build(kept, turn, stall, flags, cycle_turns, until, STALL_RPM, len(edge) - len(kept))


# --- a wrong setting


USUAL_PULSES = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)
"""Pulses per revolution that ignitions have."""
AGREES = 0.015
DIFFERS = 0.05


@dataclass(frozen=True)
class WrongPulses:
    """A setting of pulses per revolution that does not fit another engine speed."""

    ratio: float
    pulses_set: float
    pulses_likely: float

    def __str__(self) -> str:
        return (
            f"pulses per revolution: set to {self.pulses_set:g}, but the engine speed is"
            f" {self.ratio:.3g} times the other one; {self.pulses_likely:.4g} would fit"
        )


def check_pulses(
    t: Floats, speed: Floats, other_t: Floats, other: Floats, pulses: float
) -> WrongPulses | None:
    """Compare with an engine speed from CAN or OBD; None where they agree or cannot be compared.

    The ratio is the median over the times at which both run. A usual setting must fit another
    usual one within 1.5 %; for a plain number (alternator, crank tap) the ratio itself says.
    """
    mine = np.interp(other_t, t, speed, left=0.0, right=0.0) if len(t) else np.zeros(len(other_t))
    both = (mine > 150) & (other > 500)
    if np.count_nonzero(both) < 10:
        return None
    ratio = float(np.median(mine[both] / other[both]))
    if pulses not in USUAL_PULSES:
        return WrongPulses(ratio, pulses, pulses * ratio) if abs(ratio - 1) > DIFFERS else None
    likely = min(USUAL_PULSES, key=lambda usual: abs(ratio * pulses / usual - 1))
    if likely == pulses or abs(ratio * pulses / likely - 1) > AGREES:
        return None
    return WrongPulses(ratio, pulses, likely)
