"""Pulse-and-analogue unit: ten minutes of nominal load decoded, against COBS and CRC-32 alone.

``python tests/benchmarks/bench_pulse_unit.py`` prints JSON lines. The record is made by the
simulated unit: 16 inputs and encoder pairs at 1 kHz, 300 ignition edges a second, read 640 bytes
at a time. It is decoded in batches of 4 MB, as a run is. Two peers in the same run: the limit is
splitting at the delimiters, the cobs package and zlib.crc32, without making a single value; the
plain way is struct, record by record, into lists. Every value is compared with the plain way's
first. Exit status 1 when decoding differs, costs more than 8 times the limit, is less than twice
as fast as the plain way, or when sampled values get lost.

Also shown, without a limit: decoding in the steps of the live view (50 ms), and what listening
for answers costs the wire's reader.
"""

from __future__ import annotations

import json
import statistics
import struct
import sys
import zlib
from collections.abc import Callable
from typing import Any

import numpy as np
from cobs import cobs

from daq.clock import cpu_ns
from daq.config import load
from daq.driver import Block, Chunk, ChunkKind, Identified, Preface
from daq.simulate.pulse_unit import Signals, SimulatedUnit, UnitConfig
from drivers.pulse_unit import PulseUnit

SECONDS = 600
ROUNDS = 5
CHUNK_BYTES = 640
BATCH_BYTES = 4_000_000
TIMES_LIMIT = 8.0
TIMES_FASTER = 2.0
DRIVER = PulseUnit(load(PulseUnit.Config, {}), {})


def made_chunks() -> list[Chunk]:
    """What the unit sends in ten minutes while the roller runs up and down."""
    unit = SimulatedUnit(UnitConfig(noise_counts=2.0, first_tick=2**32 - 300_000_000), seed=1)
    sent, times = [], []
    position = 0.0
    for step in range(SECONDS * 20):
        t = (step + 1) * 0.05
        position += 0.05 * (8000 + 6000 * np.sin(t / 10))
        volts = {f"ai{n}": 2.5 + 2 * np.sin(t / n) for n in range(1, 16)} | {"supply": 5.0}
        sparks = [unit.now_s + (n + 0.5) / 300 for n in range(15)]
        data = unit.step(0.05, Signals([position], volts, sparks, step // 40 % 2))
        sent.append(data)
        times += [round(t * 1e9)] * len(data)
    whole = b"".join(sent)
    ends = range(CHUNK_BYTES, len(whole) + CHUNK_BYTES, CHUNK_BYTES)
    return [
        Chunk(ChunkKind.RX, times[min(end, len(whole)) - 1], whole[end - CHUNK_BYTES : end])
        for end in ends
    ]


def preface(chunks: list[Chunk]) -> Preface:
    """The preface that a conversation gives on these bytes."""
    talk = DRIVER.conversation()
    talk.opened(0)
    for chunk in chunks:
        for action in talk.received(chunk):
            if isinstance(action, Identified):
                return Preface("pulse_unit", 1, found=action.found, wire={"byte_ns": 2500.0})
    raise AssertionError("no hello")


def bulk(chunks: list[Chunk], told: Preface, batch_bytes: int = BATCH_BYTES) -> list[Block]:
    """Decode as a run is decoded."""
    decoder = DRIVER.decoder(told)
    step = max(1, batch_bytes // CHUNK_BYTES)
    return [b for n in range(0, len(chunks), step) for b in decoder.feed(chunks[n : n + step])]


def limit(chunks: list[Chunk]) -> int:
    """Frames whose COBS and CRC are right, in the same batches, and nothing else done."""
    good, rest = 0, b""
    step = BATCH_BYTES // CHUNK_BYTES
    for n in range(0, len(chunks), step):
        *codes, rest = (rest + b"".join(c.data for c in chunks[n : n + step])).split(b"\0")
        for code in codes:
            if code:
                body = cobs.decode(code)
                good += zlib.crc32(body[:-4]) == int.from_bytes(body[-4:], "little")
    return good


def plain(chunks: list[Chunk]) -> dict[str, list[tuple[int, ...]]]:
    """The samples and ignition edges, record by record, as a first version would read them."""
    rows: dict[str, list[tuple[int, ...]]] = {"encoder_1": [], "analogue_1": [], "ignition": []}
    for code in b"".join(chunk.data for chunk in chunks).split(b"\0"):
        body = cobs.decode(code)
        if len(body) < 12 or zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
            continue
        if body[0] == 6:
            rows["encoder_1"] += struct.iter_unpack("<iI", body[12:-4])
        elif body[0] == 16:
            rows["analogue_1"] += struct.iter_unpack("<16H", body[12:-4])
        elif body[0] == 5:
            rows["ignition"] += struct.iter_unpack("<II", body[8:-4])
    return rows


def differing(blocks: list[Block], rows: dict[str, list[tuple[int, ...]]]) -> tuple[int, int]:
    """(values compared, values that differ); ticks by their 32 bits."""
    compared = wrong = 0
    for stream, expected in rows.items():
        parts = [block for block in blocks if block.stream == stream]
        columns = [np.concatenate([b.raw[name] for b in parts]) for name in parts[0].raw]
        if stream == "ignition":
            columns.append(np.concatenate([b.index for b in parts if b.index is not None]))
        table = np.array(expected, np.int64).T
        for ours, theirs in zip(columns, table, strict=True):
            compared += len(theirs)
            same = len(ours) == len(theirs)
            wrong += int(np.sum((ours - theirs) % 2**32 != 0)) if same else len(theirs)
    return compared, wrong


def cpu_s(work: Callable[[], Any]) -> float:
    """CPU seconds of one call."""
    before = cpu_ns()
    work()
    return (cpu_ns() - before) / 1e9


def listen(chunks: list[Chunk]) -> None:
    """The conversation's share of a reader's work."""
    talk = DRIVER.conversation()
    talk.opened(0)
    for chunk in chunks:
        talk.received(chunk)


def report(name: str, value: float, unit: str, **more: Any) -> None:
    print(
        json.dumps({"name": f"pulse_unit.{name}", "value": round(value, 4), "unit": unit, **more})
    )


def main() -> int:
    """Measure; 1 when a limit is missed."""
    chunks = made_chunks()
    told = preface(chunks)
    blocks = bulk(chunks, told)
    compared, wrong = differing(blocks, plain(chunks))
    enough = compared >= SECONDS * (16 * 1000 + 2 * 1000 + 2 * 300) * 0.999
    report("differing", wrong, "1", limit=0, compared=compared, ok=not wrong and enough)
    samples = sum(len(block) * len(block.raw) for block in blocks)
    del blocks
    rounds = [
        (
            cpu_s(lambda: bulk(chunks, told)),
            cpu_s(lambda: limit(chunks)),
            cpu_s(lambda: plain(chunks)),
        )
        for _ in range(ROUNDS)
    ]
    ours, floor, peer = (statistics.median(column) for column in zip(*rounds, strict=True))
    times = statistics.median(a / b for a, b, _ in rounds)
    faster = statistics.median(c / a for a, _, c in rounds)
    report("bulk", ours, "s", bytes=sum(len(c.data) for c in chunks), seconds=SECONDS)
    report("samples_per_cpu_s", samples / ours / 1e6, "M/s")
    report("cobs_and_crc", floor, "s")
    report("times_limit", times, "1", limit=TIMES_LIMIT, ok=times <= TIMES_LIMIT)
    report("plain", peer, "s")
    report("times_faster", faster, "1", limit=TIMES_FASTER, ok=faster >= TIMES_FASTER)
    live = cpu_s(lambda: bulk(chunks, told, 2 * CHUNK_BYTES))
    report("live_50_ms", live / SECONDS * 100, "% of a core")
    report("listening", cpu_s(lambda: listen(chunks)) / SECONDS * 100, "% of a core")
    kept = not wrong and enough and times <= TIMES_LIMIT and faster >= TIMES_FASTER
    return 0 if kept else 1


if __name__ == "__main__":
    sys.exit(main())
