"""Devices on wires with known truth: what a reader would get, and when each row was sampled.

The model: a device samples on its own crystal, late by its scheduler; the bytes leave one after
another; an adapter passes them on in packets of 62 bytes or when its latency timer runs out; the
host polls it each millisecond; the reader stalls now and then. It proves algorithms, not a bench.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.driver import Channel, Chunk, ChunkKind, Stream
from daq.pushed import ByteStream

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

ORIGIN_NS = 3_600_000_000_000_000
"""Host time of the model's zero: 41 days, where a float of ns is no longer exact."""
CHANNEL = (Channel("x", "1", "a value"),)


@dataclass(frozen=True)
class Case:
    """How bad the world is."""

    skew_ppm: float = 40.0
    jitter_s: float = 1.2e-3
    least_latency_s: float = 0.15e-3
    timer_s: float = 16e-3
    stall_share: float = 0.01
    stalls_s: tuple[float, ...] = (0.08, 0.25)
    lost: float = 0.002
    damaged: float = 0.002
    cut_s: float = 0.0
    seconds: float = 24.0


TYPICAL = Case()
HARD = Case(skew_ppm=80.0, jitter_s=2e-3, stall_share=0.03, cut_s=1.3)


@dataclass
class Rows:
    """Rows as a decoder gives them, and the truth."""

    stream: Stream
    t_hi: Ints
    index: Ints
    segment: Ints
    truth: Ints
    """When each row was sampled, int64 ns."""

    def uncounted(self) -> Rows:
        """The same without the device's counter."""
        stream = Stream("rows", CHANNEL, rate_hz=self.stream.rate_hz, cyclic=True)
        return Rows(stream, self.t_hi, self.index, self.segment, self.truth)

    def error_ms(self, t_ns: Ints) -> Floats:
        return (t_ns - self.truth) * 1e-6


def ns(seconds: Floats) -> Ints:
    return ORIGIN_NS + np.rint(seconds * 1e9).astype(np.int64)


def host_time(device_s: Floats, case: Case, rng: np.random.Generator) -> Floats:
    """Host time at which the device's crystal shows *device_s*: skew and a slow wander."""
    phase, sign = rng.uniform(0, 2 * np.pi), rng.choice([-1, 1])
    wander = 0.5e-6 * 20 / (2 * np.pi) * np.sin(2 * np.pi * device_s / 20 + phase)
    return device_s * (1 + sign * case.skew_ppm * 1e-6) + wander


def reads(available: Floats, case: Case, rng: np.random.Generator) -> Floats:
    """When the reader gets what is available at these times (ascending)."""
    t = np.maximum.accumulate(available + rng.exponential(0.04e-3, len(available)))
    stalled = rng.random(len(t)) < case.stall_share
    length = np.where(stalled, rng.uniform(3e-3, 30e-3, len(t)), 0.0)
    for long in case.stalls_s:
        length[rng.integers(len(t) // 10, len(t))] = long
    end = np.maximum.accumulate(t + length)
    # all that comes during a stall is read when it ends
    return np.maximum(end, t)


def serial(
    case: Case,
    seed: int,
    *,
    rate_hz: float = 100.0,
    frame_bytes: int = 40,
    baud: int = 115_200,
) -> Rows:
    """An ECU's frames with a counter on a serial line behind an adapter with a latency timer."""
    rng = np.random.default_rng(seed)
    number = np.arange(int(case.seconds * rate_hz))
    scheduled = host_time(number / rate_hz, case, rng) + 1.0
    sampled = scheduled + rng.uniform(0, case.jitter_s, len(number))
    sent = rng.random(len(number)) >= case.lost
    if case.cut_s:
        begin = rng.uniform(0.3, 0.7) * case.seconds + 1
        sent &= (sampled < begin) | (sampled > begin + case.cut_s)
    number, sampled = number[sent], sampled[sent]
    byte_s = 10 / baud
    start = sampled.copy()
    for i in range(1, len(start)):
        start[i] = max(start[i], start[i - 1] + frame_bytes * byte_s)
    byte = (start[:, None] + (np.arange(frame_bytes) + 1) * byte_s).ravel()
    stream = ByteStream(byte_s * 1e9)
    ends, flushed = _adapter(byte, case.timer_s)
    available = flushed + rng.uniform(0, 1e-3, len(flushed)) + case.least_latency_s
    t_read = ns(reads(available, case, rng))
    first = 0
    for end, when in zip(ends, t_read):
        stream.add(Chunk(ChunkKind.RX, int(when), bytes(end - first)))
        first = end
    spans = [(i * frame_bytes, (i + 1) * frame_bytes) for i in range(len(number))]
    whole = rng.random(len(number)) >= case.damaged
    t_hi = stream.begun_by(spans)[whole]
    counted = Stream("rows", CHANNEL, rate_hz=rate_hz, index_hz=rate_hz, index_kind="counter")
    zero = np.zeros(len(t_hi), np.int64)
    return Rows(counted, t_hi, number[whole] + 700, zero, ns(sampled)[whole])


def _adapter(byte: Floats, timer_s: float) -> tuple[list[int], Floats]:
    """Ends of packets (in bytes) and when they leave: 62 bytes or the timer."""
    ends, when = [], []
    position, last = 0, float(byte[0]) - 0.37 * timer_s
    while position < len(byte):
        deadline = last + timer_s * max(1, np.ceil((byte[position] - last) / timer_s))
        full = position + 62
        if full <= len(byte) and byte[full - 1] <= deadline:
            end, last = full, float(byte[full - 1])
        else:
            end = max(position + 1, int(np.searchsorted(byte, deadline, side="right")))
            last = float(deadline)
        ends.append(end)
        when.append(last)
        position = end
    return ends, np.array(when)


def microcontroller(
    case: Case, seed: int, *, rate_hz: float = 1000.0, per_packet: int = 10, tick_hz: float = 8e6
) -> Rows:
    """Rows with hardware ticks in packets over USB."""
    rng = np.random.default_rng(seed)
    device = np.arange(int(case.seconds * rate_hz)) / rate_hz
    tick = np.rint(device * tick_hz).astype(np.int64) + 12_345_678
    sampled = host_time(device, case, rng) + 1.0
    packet = np.arange(len(device)) // per_packet
    last = sampled[np.minimum((packet + 1) * per_packet, len(device)) - 1]
    ready = last[::per_packet] + 0.02e-3
    available = ready + rng.uniform(0, 1e-3, len(ready)) + case.least_latency_s
    t_read = reads(np.maximum.accumulate(available), case, rng)
    kept = rng.random(len(t_read)) >= case.lost
    if case.cut_s:
        begin = rng.uniform(0.3, 0.7) * case.seconds + 1
        kept &= (ready < begin) | (ready > begin + case.cut_s)
    keep = kept[packet]
    ticking = Stream("rows", CHANNEL, rate_hz=rate_hz, index_hz=tick_hz, index_kind="tick")
    zero = np.zeros(int(keep.sum()), np.int64)
    return Rows(ticking, ns(t_read)[packet][keep], tick[keep], zero, ns(sampled)[keep])


def can_bus(case: Case, seed: int, *, rate_hz: float = 100.0, jitter_s: float = 0.4e-3) -> Rows:
    """A cyclic message: sampled, then arbitration, stamped by the interface's 1 MHz counter."""
    rng = np.random.default_rng(seed)
    number = np.arange(int(case.seconds * rate_hz))
    sampled = host_time(number / rate_hz, case, rng) + 1.0
    sampled = sampled + rng.uniform(0, jitter_s, len(number))
    wait = np.where(rng.random(len(number)) < 0.3, rng.exponential(0.6e-3, len(number)), 0.0)
    on_wire = np.maximum.accumulate(sampled + wait + 0.25e-3)
    adapter = Case(skew_ppm=-case.skew_ppm / 2)
    tick = np.rint(_device_time(on_wire, adapter) * 1e6).astype(np.int64)
    available = on_wire + rng.uniform(0, 1e-3, len(number)) + case.least_latency_s
    t_read = reads(np.maximum.accumulate(available), case, rng)
    keep = rng.random(len(number)) >= case.lost
    if case.cut_s:
        begin = rng.uniform(0.3, 0.7) * case.seconds + 1
        keep &= (sampled < begin) | (sampled > begin + case.cut_s)
    stream = Stream("rows", CHANNEL, rate_hz=rate_hz, index_hz=1e6, index_kind="tick", cyclic=True)
    frame = round(0.25e-3 * 1e9)
    zero = np.zeros(int(keep.sum()), np.int64)
    # the bound holds for the frame's first bit, as a decoder takes off the frame's own time
    return Rows(stream, ns(t_read)[keep] - frame, tick[keep], zero, ns(sampled)[keep])


def _device_time(host: Floats, case: Case) -> Floats:
    return host * (1 + case.skew_ppm * 1e-6)
