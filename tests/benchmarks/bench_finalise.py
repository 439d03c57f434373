"""What writing a ten-minute run costs, in CPU time and bytes a sample.

``python tests/benchmarks/bench_finalise.py [--minutes 10]`` prints JSON lines. Nominal load: 16
analogue inputs at 1 kHz (noisy 12 bit), encoder count and edge tick at 1 kHz, ignition edges at
300/s, 20 CAN signals at 100 Hz in 5 messages, 4 polled values at 10 Hz, and the aligned table of
all of them at 100 Hz. The peer is plain h5py with gzip 1, given the same arrays in the same run,
without and with the byte shuffle.

Exit status 1 when a limit is missed: 7.2 bytes a sample beside the undecoded bytes; 1.5 s of CPU
for the HDF5 part (without digests and reading back) and 3.5 times faster than plain gzip 1; 10 s
for all of it with the undecoded bytes, digests, sync and reading back.
"""

from __future__ import annotations

import argparse
import io
import json
import statistics
import sys
import tempfile
import uuid
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any
from unittest import mock

import h5py
import numpy as np

from daq.clock import SECOND_NS, cpu_ns
from daq.runfile import node, write
from daq.runfile.content import (
    AlignedContent,
    BytesContent,
    ChannelContent,
    ColumnContent,
    RunContent,
    SourceContent,
    StreamContent,
)
from daq.runfile.digest import is_pure_dimension
from daq.runfile.verify import verify
from daq.status import AlignedStatus

ZERO_NS = 7_000_000_000_000
BYTES_A_SAMPLE = 7.2
CPU_S = 1.5
TIMES_FASTER = 3.5
ROUNDS = 5


def channel(name: str, raw: np.ndarray, gain: float, offset: float, bits: int) -> ChannelContent:
    return ChannelContent(name, "kPa", raw.astype(np.int64), raw * gain + offset, raw_bits=bits)


def stamped(rng: np.random.Generator, seconds: np.ndarray, jitter_ns: int) -> np.ndarray:
    """Host stamps of *seconds*, each late by up to *jitter_ns*, never going back."""
    late = rng.integers(0, jitter_ns, len(seconds))
    return np.maximum.accumulate(ZERO_NS + (seconds * SECOND_NS).astype(np.int64) + late)


def analogue(rng: np.random.Generator, duration: float) -> StreamContent:
    """16 inputs; records come in blocks of 10, so ten rows share one read."""
    n = int(duration * 1000)
    ticks = np.arange(n, dtype=np.int64) * 8000
    arrival = np.repeat(stamped(rng, np.arange(n // 10) / 100 + 0.011, 900_000), 10)
    late = np.tile(np.arange(9, -1, -1) * 86_806, n // 10)
    phases = rng.uniform(0, 6, 16)
    channels = []
    for number, phase in enumerate(phases):
        signal = 2048 + 900 * np.sin(np.arange(n) / 3000 + phase) + rng.normal(0, 6, n)
        raw = np.clip(np.round(signal), 0, 4095)
        channels.append(channel(f"analogue_{number}", raw, 0.0731 + phase / 100, 1.3, 12))
    time = ticks / 8e6 * (1 + 12e-6) + 0.0013
    return StreamContent(
        "unit_analogue", time, arrival - late, channels, index=ticks, index_kind="tick"
    )


def encoder(rng: np.random.Generator, duration: float) -> StreamContent:
    """Count and tick of the last edge; speed swings between 5 and 15 revolutions/s."""
    n = int(duration * 1000)
    ticks = np.arange(n, dtype=np.int64) * 8000
    angle = 1000 * (10 * ticks / 8e6 - 5 / 0.05 * (np.cos(0.05 * ticks / 8e6) - 1))
    count = np.floor(angle)
    speed = 1000 * (10 + 5 * np.sin(0.05 * ticks / 8e6))
    edge = ticks - np.round((angle - count) / speed * 8e6) + rng.integers(-1, 2, n)
    arrival = np.repeat(stamped(rng, np.arange(n // 10) / 100 + 0.011, 900_000), 10)
    time = ticks / 8e6 * (1 + 12e-6) + 0.0013
    channels = [channel("count", count, 1.0, 0.0, 32), channel("edge_tick", edge, 1.0, 0.0, 64)]
    return StreamContent("unit_encoder", time, arrival, channels, index=ticks, index_kind="tick")


def ignition(rng: np.random.Generator, duration: float) -> StreamContent:
    """Edges at 300/s on average: the index is the edge's tick, the value its number."""
    n = int(duration * 300)
    ticks = np.cumsum(rng.normal(8e6 / 300, 60, n)).astype(np.int64)
    number = channel("edges", np.arange(n), 1.0, 0.0, 32)
    arrival = stamped(rng, np.ceil(ticks / 8e4) / 100 + 0.001, 900_000)
    return StreamContent(
        "unit_ignition", ticks / 8e6, arrival, [number], index=ticks, index_kind="tick",
        sampling="event",
    )  # fmt: skip


def can(rng: np.random.Generator, duration: float) -> Iterator[StreamContent]:
    """5 messages at 100 Hz with 4 signals each."""
    n = int(duration * 100)
    for message in range(5):
        arrival = stamped(rng, np.arange(n) / 100 + message / 1000, 400_000)
        signals = []
        for number in range(4):
            wave = 3000 + 2000 * np.sin(np.arange(n) / 400 + number) + rng.normal(0, 2, n)
            signals.append(channel(f"signal_{message}_{number}", np.round(wave), 0.25, 0.0, 16))
        yield StreamContent(f"can_{message}", (arrival - ZERO_NS) / 1e9, arrival, signals)


def polled(rng: np.random.Generator, duration: float) -> Iterator[StreamContent]:
    n = int(duration * 10)
    for number in range(4):
        request = stamped(rng, np.arange(n) / 10 + number / 40, 2_000_000)
        answer = request + rng.integers(20_000_000, 60_000_000, n)
        raw = np.round(90 + 5 * np.sin(np.arange(n) / 900) + rng.normal(0, 0.5, n))
        yield StreamContent(
            f"polled_{number}", (request - ZERO_NS) / 1e9, answer,
            [channel(f"answer_{number}", raw, 1.0, -40.0, 8)], raw_time_low=request,
            sampling="polled",
        )  # fmt: skip


def aligned(streams: list[StreamContent], duration: float) -> AlignedContent:
    time = np.arange(int(duration * 100)) / 100
    status = np.full(len(time), AlignedStatus.INTERPOLATED, np.uint8)
    columns = [
        ColumnContent("roller_distance", "m", time * 12.5 + np.sin(time)),
        ColumnContent("roller_speed", "m/s", 12.5 + np.cos(time)),
    ]
    for stream in streams:
        for item in stream.channels:
            value = np.interp(time, stream.time, item.value)
            path = f"{stream.name}/{item.name}"
            columns.append(ColumnContent(item.name, item.unit, value, status, channel=path))
    return AlignedContent(time, columns, grid_rate_hz=100.0)


def source(rng: np.random.Generator, duration: float) -> SourceContent:
    """About 98 kB/s of undecoded bytes, 100 reads a second."""
    data = rng.integers(0, 64, int(duration * 98_000), dtype=np.uint8)
    first = np.arange(0, len(data), 980, dtype=np.int64)
    reads = stamped(rng, np.arange(len(first)) / 100, 900_000)
    return SourceContent(
        "unit", "serial", bytes=BytesContent(data, reads, first, np.zeros(len(first), np.uint8))
    )


def run_content(duration: float) -> RunContent:
    rng = np.random.default_rng(7)
    streams = [analogue(rng, duration), encoder(rng, duration), ignition(rng, duration)]
    streams += [*can(rng, duration), *polled(rng, duration)]
    return RunContent(
        str(uuid.UUID(int=1)), "Nominal load", ZERO_NS, 1_767_225_600_000_000_000, 0.0, duration,
        streams=streams, aligned=aligned(streams, duration),
    )  # fmt: skip


def cpu_seconds(work: Callable[[], Any]) -> float:
    before = cpu_ns()
    work()
    return (cpu_ns() - before) / SECOND_NS


def hdf5_part(content: RunContent) -> tuple[float, io.BytesIO]:
    """CPU time of building the file, and the file; digests are left to :func:`whole`."""
    kept: list[io.BytesIO] = []
    with (
        mock.patch.object(node, "values_digest", return_value="0" * 64),
        mock.patch.object(write, "_entries", return_value={}),
    ):
        seconds = cpu_seconds(lambda: kept.append(write.build(content)[0]))
    return seconds, kept[0]


def arrays_of(image: io.BytesIO) -> dict[str, np.ndarray]:
    arrays: dict[str, np.ndarray] = {}

    def keep(name: str, item: Any) -> None:
        is_array = isinstance(item, h5py.Dataset) and item.ndim and item.dtype.kind != "O"
        if is_array and not is_pure_dimension(item):
            arrays[name] = item[()]

    with h5py.File(image, "r") as file:
        file.visititems(keep)
    return arrays


def peer(arrays: dict[str, np.ndarray], shuffle: bool) -> tuple[float, int]:
    """CPU time and size of the same arrays by plain h5py."""
    image = io.BytesIO()

    def work() -> None:
        with h5py.File(image, "w") as file:
            for name, array in arrays.items():
                options: Any = {"compression": "gzip", "compression_opts": 1, "shuffle": shuffle}
                file.create_dataset(name, data=array, **(options if array.size else {}))

    return cpu_seconds(work), len(image.getbuffer())


def measure(duration: float) -> bool:
    content = run_content(duration)
    samples = sum(len(s.time) * len(s.channels) for s in content.streams)
    image = hdf5_part(content)[1]
    arrays, size = arrays_of(image), len(image.getbuffer()) / samples
    del image
    ours, plain, shuffled = [], [], []
    for _ in range(ROUNDS):
        ours.append(hdf5_part(content)[0])
        plain.append(peer(arrays, shuffle=False))
        shuffled.append(peer(arrays, shuffle=True))
    cpu = statistics.median(ours)
    good = [
        say("size", size, "B/sample", limit=BYTES_A_SAMPLE, samples=samples),
        say("hdf5_part", cpu, "s CPU", limit=CPU_S * max(1.0, duration / 600)),
    ]
    for name, peers, goal in (("gzip1", plain, TIMES_FASTER), ("shuffle_gzip1", shuffled, 1.0)):
        times = statistics.median(seconds for seconds, _ in peers) / cpu
        peer_size = peers[0][1] / samples
        good.append(say(f"times_{name}", times, "1", at_least=goal, peer_bytes_a_sample=peer_size))
    return all(good)


def whole(duration: float) -> None:
    """The same with the undecoded bytes, digests, sync, reading back and verifying."""
    content = run_content(duration)
    content.sources.append(source(np.random.default_rng(8), duration))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "nominal.h5"
        seconds = cpu_seconds(lambda: write.write_run(content, path))
        say("whole_write", seconds, "s CPU", limit=10.0, megabytes=path.stat().st_size / 1e6)
        say("verify", cpu_seconds(lambda: verify(path)), "s CPU")


def say(name: str, value: float, unit: str, **more: float) -> bool:
    """One JSON line; ``ok`` where there is a limit or a least value. Returns whether it is ok."""
    ok = value <= more.get("limit", value) and value >= more.get("at_least", value)
    judged = {"ok": ok} if more.keys() & {"limit", "at_least"} else {}
    rounded = {key: round(number, 3) for key, number in {"value": value, **more}.items()}
    line = {"name": f"finalise.{name}", "unit": unit, **rounded, **judged}
    print(json.dumps(line), flush=True)
    return ok


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--minutes", type=float, default=10.0)
    duration = parser.parse_args().minutes * 60
    ok = measure(duration)
    whole(duration)
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
