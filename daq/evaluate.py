"""What we make of the rows: times, values, and every channel on one grid.

Everything here can be computed again from what a run file records; nothing reads a port, a clock
or a file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.channels import BenchChannel, bench_channels
from daq.clock import SECOND_NS
from daq.decode import Decoded, Rows
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

Key = tuple[str, str]
"""Device and stream."""
Floats = NDArray[np.float64]


@dataclass
class Evaluation:
    """Rows with their times, values and status; ``channels`` by bench name."""

    zero_ns: int
    channels: dict[str, BenchChannel]
    rows: dict[Key, Rows]
    times: dict[Key, StreamTime]
    values: dict[str, Floats] = field(default_factory=dict)
    status: dict[str, NDArray[np.uint8]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)

    def seconds(self, key: Key) -> Floats:
        """Sample times of a stream, float64[n] seconds since zero."""
        return (self.times[key].t_ns - self.zero_ns) / SECOND_NS

    def key(self, channel: str) -> Key:
        """Device and stream of a bench channel."""
        found = self.channels[channel]
        return found.device, found.stream.name

    def inputs(self, channel: BenchChannel) -> dict[str, Floats] | None:
        """Values of what a channel's calibration asks for, at its rows; None when one lacks.

        Where the other channel is of another stream its values are interpolated in time.
        """
        if channel.calibration is None:
            return {}
        found: dict[str, Floats] = {}
        own = (channel.device, channel.stream.name)
        for asked, name in zip(channel.calibration.inputs, inputs_of(channel), strict=True):
            if name not in self.values:
                return None
            values = self.values[name]
            if self.key(name) != own:
                at, since = self.seconds(own), self.seconds(self.key(name))
                values = np.interp(at, since, values, left=np.nan, right=np.nan)
            found[asked] = values
        return found


def evaluate(bench: Bench, decoded: Decoded, zero_ns: int) -> Evaluation:
    """Times and values of all *decoded* rows; *zero_ns* is the run's zero in host time."""
    streams = {name: record.streams for name, record in decoded.devices.items()}
    channels = bench_channels(bench, streams)
    result = Evaluation(zero_ns, channels, decoded.rows, stream_times(decoded.rows))
    for name in _in_order(channels, result.problems):
        _value(result, name)
    return result


# --- times


def stream_times(rows: Mapping[Key, Rows]) -> dict[Key, StreamTime]:
    """When each row was sampled; streams that count one device's ticks share its clock."""
    clocks = {device: _clock(rows, device) for device in {device for device, _ in rows}}
    return {key: _stream_time(its, clocks[key[0]]) for key, its in rows.items()}


def _stream_time(rows: Rows, clock: ClockMap | None) -> StreamTime:
    ticks = rows.stream.index_kind == "tick" and clock is not None
    return stream_time(
        rows.stream,
        rows.t_hi,
        rows.t_lo,
        rows.index,
        rows.segment.astype(np.int64),
        clock=clock if ticks else None,
        method="hull_ticks" if ticks else "auto",
    )


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


def _in_order(channels: Mapping[str, BenchChannel], problems: list[str]) -> list[str]:
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


def inputs_of(channel: BenchChannel) -> tuple[str, ...]:
    """Bench channels that a channel's calibration asks for."""
    if channel.calibration is None:
        return ()
    return tuple(name.rpartition(".")[2] for name in channel.calibration.inputs)


def _value(result: Evaluation, name: str) -> None:
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
    flags = result.times[key].flags
    status = status | _bit(flags, TimeFlag.GAP_BEFORE, SampleStatus.GAP_BEFORE)
    suspect = TimeFlag.INDEX_UNSURE | TimeFlag.FEW_ANCHORS
    status |= _bit(flags, suspect, SampleStatus.CLOCK_SUSPECT)
    result.values[name], result.status[name] = value, status.astype(np.uint8)


def _bit(flags: NDArray[np.uint8], wanted: int, bit: int) -> NDArray[np.uint8]:
    return np.where(flags & wanted, np.uint8(bit), np.uint8(0))
