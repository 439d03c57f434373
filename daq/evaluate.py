"""What we make of the rows: times, values, and every channel on one grid.

Everything here can be computed again from what a run file records; nothing reads a port, a clock
or a file.
"""

from __future__ import annotations

from collections.abc import Mapping, Set
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.ages import find_latencies
from daq.align import grid
from daq.bench import Bench
from daq.channels import BenchChannel, bench_channels
from daq.decode import Decoded, Rows
from daq.evaluation import Evaluation, Floats, Key, inputs_of
from daq.ignition import find_ignition
from daq.latency import Gesture, find_gestures
from daq.motion import roller_motions
from daq.status import SampleStatus
from daq.timebase import (
    Anchors,
    ClockMap,
    Echo,
    StreamTime,
    TimeFlag,
    device_clock,
    stream_time,
)

__all__ = ["Evaluation", "Floats", "Key", "evaluate", "inputs_of", "put_on_grid", "stream_times"]

BUS_WAIT_S = 1e-3
"""How long a frame may wait for a bus between its sampling and its stamp: four longest frames at
500 kbit/s. Source: ISO 11898-1, 135 bits with stuffing."""


def evaluate(bench: Bench, decoded: Decoded, zero_ns: int) -> Evaluation:
    """Times, values and grid of all *decoded* rows; *zero_ns* is the run's zero in host time."""
    result = values_of(bench, decoded, zero_ns)
    put_on_grid(bench, result)
    return result


def values_of(bench: Bench, decoded: Decoded, zero_ns: int) -> Evaluation:
    """Times and values alone."""
    streams = {name: record.streams for name, record in decoded.devices.items()}
    channels = bench_channels(bench, streams)
    times = stream_times(decoded.rows, bus_devices(bench))
    result = Evaluation(zero_ns, channels, decoded.rows, times)
    for name in in_order(channels, result.problems):
        put_value(result, name)
    return result


def put_on_grid(bench: Bench, result: Evaluation) -> None:
    """What follows from times and values: motion of the rollers, engine speed, latencies."""
    spans = [result.seconds(key)[[0, -1]] for key, rows in result.rows.items() if len(rows)]
    if not spans:
        return
    first, last = min(s[0] for s in spans), max(s[1] for s in spans)
    result.grid = grid(float(first), float(last), bench.run.grid_rate_hz)
    result.motions = roller_motions(bench, result)
    result.ignition = find_ignition(bench, result)
    result.gestures = _gestures(result)
    result.latencies = find_latencies(bench, result)


def _gestures(result: Evaluation) -> list[Gesture]:
    if result.ignition is None:
        return []
    speed = result.ignition.speed
    rollers = [motion.kinematics for motion in result.motions.values()]
    if not rollers:
        return find_gestures(speed.t, speed.cycle)
    moved = np.nanmax(np.abs([roller.speed for roller in rollers]), axis=0, initial=0.0)
    return find_gestures(speed.t, speed.cycle, result.grid, moved)


# --- times


def bus_devices(bench: Bench) -> set[str]:
    """Devices on a CAN bus: their ticks, if any, are the interface's stamps of whole frames."""
    return {name for name, d in bench.device.items() if bench.wire[d.wire].family == "can"}


def stream_times(rows: Mapping[Key, Rows], on_bus: Set[str] = frozenset()) -> dict[Key, StreamTime]:
    """When each row was sampled; streams that count one device's ticks share its clock.

    *on_bus*: devices whose ticks stamp frames and not samples.
    """
    clocks = {device: _clock(rows, device) for device in {device for device, _ in rows}}
    return {key: _stream_time(its, clocks[key[0]], key[0] in on_bus) for key, its in rows.items()}


def _stream_time(rows: Rows, clock: ClockMap | None, on_bus: bool) -> StreamTime:
    ticks = rows.stream.index_kind == "tick" and clock is not None
    by_grid = rows.stream.cyclic and (on_bus or not rows.stream.index_kind)
    return stream_time(
        rows.stream,
        rows.t_hi,
        rows.t_lo,
        rows.index,
        rows.segment.astype(np.int64),
        clock=clock if ticks else None,
        method="auto" if by_grid or not rows.stream.index_kind else _hull(rows),
        wait_s=BUS_WAIT_S if on_bus else 0.0,
    )


def _hull(rows: Rows) -> Literal["hull_ticks", "hull_bytes", "arrival", "poll_bound"]:
    """By the device's own tick or counter, where the rows have it."""
    if rows.index is None:
        return "arrival" if rows.t_lo is None else "poll_bound"
    return "hull_ticks" if rows.stream.index_kind == "tick" else "hull_bytes"


def _clock(rows: Mapping[Key, Rows], device: str) -> ClockMap | None:
    """The map of a device's ticks, from the bounds of all its streams and its echoes."""
    ticking = [
        its
        for (name, _), its in rows.items()
        if name == device and its.stream.index_kind == "tick" and its.index is not None
    ]
    if not ticking:
        return None
    anchors = [Anchors.of(its.index, its.t_hi, its.segment).tightest() for its in ticking]
    index, t_hi, segment = (
        np.concatenate([getattr(a, name) for a in anchors]) for name in ("index", "t_hi", "segment")
    )
    order = np.lexsort((index, t_hi, segment))
    echo = next((_echo(its) for its in ticking if its.t_lo is not None), None)
    rate = ticking[0].stream.index_hz or 1.0
    return device_clock(Anchors(index[order], t_hi[order], segment[order]), rate, echo=echo)


def _echo(rows: Rows) -> Echo:
    assert rows.index is not None
    assert rows.t_lo is not None
    return Echo(rows.index, rows.t_lo, rows.t_hi, rows.segment.astype(np.int64))


# --- values


def in_order(channels: Mapping[str, BenchChannel], problems: list[str]) -> list[str]:
    """Channel names, those that a calibration asks for before those that ask."""
    done: dict[str, None] = {}

    def visit(name: str, above: tuple[str, ...]) -> None:
        if name in done:
            return
        if name in above:
            problems.append(f"channel {name}: its calibration asks for itself through {above}")
            return
        for wanted in inputs_of(channels[name]):
            if wanted in channels:
                visit(wanted, (*above, name))
        done[name] = None

    for name in channels:
        visit(name, ())
    return list(done)


def put_value(result: Evaluation, name: str) -> None:
    """Compute a channel's values and status from its raw readings."""
    channel, key = result.channels[name], result.key(name)
    rows = result.rows.get(key)
    if rows is None:
        return
    raw = rows.raw[channel.input.name]
    inputs = result.inputs(channel)
    if inputs is None:
        asked = ", ".join(inputs_of(channel))
        result.problems.append(
            f"channel {name}: its calibration asks for {asked}, and one has no values; its own"
            " cannot be computed"
        )
        value = np.full(len(raw), np.nan)
        status = np.full(len(raw), int(SampleStatus.DRIVER_FLAGGED), np.uint8)
    else:
        value, status = channel.value(raw, inputs)
    missing = rows.missing.get(channel.input.name)
    if missing is not None:
        value = np.where(missing, np.nan, value)
        status = np.where(missing, np.uint8(SampleStatus.MISSING), status)
    result.values[name] = value
    result.status[name] = with_time_status(status, result.times[key].flags)


def with_time_status(status: NDArray[np.uint8], flags: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """*status* with the bits that a row's time has, by its TimeFlags."""
    suspect = TimeFlag.INDEX_UNSURE | TimeFlag.FEW_ANCHORS
    kept = status & np.uint8(255 ^ (SampleStatus.GAP_BEFORE | SampleStatus.CLOCK_SUSPECT))
    kept |= _bit(flags, TimeFlag.GAP_BEFORE, SampleStatus.GAP_BEFORE)
    kept |= _bit(flags, suspect, SampleStatus.CLOCK_SUSPECT)
    return kept.astype(np.uint8)


def _bit(flags: NDArray[np.uint8], wanted: int, bit: int) -> NDArray[np.uint8]:
    return np.where(flags & wanted, np.uint8(bit), np.uint8(0))
