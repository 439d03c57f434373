"""What recording costs, at the nominal load in real time with a commit every 50 ms.

``python tests/benchmarks/bench_storage.py [--seconds 20]`` prints JSON lines. Nominal load: 16
analogue inputs and encoder pairs at 1 kHz, ignition edges at 300/s, 20 CAN signals at 100 Hz in 5
messages, 4 polled values at 10 Hz. The journal gets it as the bytes of three wires. Its peers take
turns with it, one after the other: a plain framed file, appended to with a CRC and fdatasync at
the same ticks, given the same bytes; and h5py, given the decoded values in the run file's layout
(a data set for each channel, times shared), appended to and flushed at every second tick.

Exit status 1 when a limit is missed: 2 times the framed file's CPU, a quarter of h5py's, 150 ms
from a byte's stamp to its commit, 1 ms that a reader waits to hand over while the recorder writes.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import struct
import sys
import tempfile
import threading
import zlib
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from daq import clock
from daq.acquire import quicken
from daq.clock import MILLISECOND_NS, SECOND_NS, cpu_ns, monotonic_ns
from daq.driver import Chunk, ChunkKind
from daq.entries import pack
from daq.journal import JournalWriter
from daq.reader import Inbox
from daq.recorder import Recorder

TICK_NS = 50 * MILLISECOND_NS
RANDOM = os.urandom(4096)
Load = dict[str, list[Chunk]]


def chunks(now: int, count: int, size: int) -> list[Chunk]:
    """*count* arrivals of *size* bytes, spread over the tick that ends *now*."""
    step = TICK_NS // count
    return [
        Chunk(ChunkKind.RX, now - step * (count - n), RANDOM[n : n + size]) for n in range(count)
    ]


def load(now: int) -> Load:
    """One tick: 5 frames of the unit, 25 CAN frames as lines, 2 polls with their answers."""
    return {
        "unit": chunks(now, 5, 10 * (16 * 2 + 8) + 3 * 4 + 12),
        "can": chunks(now, 25, 22),
        "polled": chunks(now, 4, 12),
    }


class FramedFile:
    """The peer: for each wire and tick a head with length and CRC, then the packed chunks."""

    def __init__(self, folder: Path) -> None:
        self.file = (folder / "framed").open("wb", buffering=0)

    def tick(self, wires: Load) -> None:
        out = []
        for number, items in enumerate(wires.values()):
            data = pack(items)
            out += [struct.pack("<BII", number, len(data), zlib.crc32(data)), data]
        self.file.write(b"".join(out))
        os.fdatasync(self.file.fileno())

    def close(self) -> None:
        self.file.close()


class Journalled:
    """The journal, as the recorder feeds it."""

    def __init__(self, folder: Path) -> None:
        self.writer = JournalWriter(folder, {"b.toml": b""}, "b.toml", boot_id=clock.boot_id())

    def tick(self, wires: Load) -> None:
        for wire, items in wires.items():
            self.writer.append(wire, items)
        self.writer.commit()

    def close(self) -> None:
        self.writer.close()


class Hdf5:
    """The other peer: decoded values, appended channel by channel."""

    GROUPS = (
        ("analogue", 100, 16),
        ("encoder", 100, 2),
        ("ignition", 30, 1),
        *((f"can{number}", 10, 4) for number in range(5)),
        *((f"polled{number}", 1, 1) for number in range(4)),
    )
    """Name, rows in 100 ms, channels that share their times."""

    def __init__(self, folder: Path) -> None:
        self.file = h5py.File(folder / "live.h5", "w", libver="earliest")
        self.blocks = [
            (self._new(f"{name}/{column}"), np.random.default_rng(1).random(rows))
            for name, rows, width in self.GROUPS
            for column in ("time", *(f"channel{number}" for number in range(width)))
        ]
        self.ticks = 0

    def _new(self, name: str) -> Any:
        return self.file.create_dataset(name, (0,), "f8", maxshape=(None,), chunks=True)

    def tick(self, wires: Load) -> None:
        self.ticks += 1
        if self.ticks % 2:
            return
        for dataset, values in self.blocks:
            before = len(dataset)
            dataset.resize(before + len(values), axis=0)
            dataset[before:] = values
        self.file.flush()

    def close(self) -> None:
        self.file.close()


Store = Journalled | FramedFile | Hdf5


def in_turns(seconds: float, *stores: Store) -> tuple[list[float], list[int]]:
    """Mean CPU in ns of a tick of each store, and each time from the oldest stamp to the commit.

    Whoever comes first after the wait finds cold caches: they take turns at that.
    """
    cost: list[list[int]] = [[] for _ in stores]
    uncommitted = []
    begun = monotonic_ns()
    for number in range(round(seconds * SECOND_NS / TICK_NS)):
        clock.sleep_until(begun + (number + 1) * TICK_NS)
        for turn in range(len(stores)):
            index = (number + turn) % len(stores)
            wires = load(monotonic_ns())
            before = cpu_ns()
            stores[index].tick(wires)
            cost[index].append(cpu_ns() - before)
            if index == 0:
                uncommitted.append(monotonic_ns() - wires["unit"][0].t_ns)
    for store in stores:
        store.close()
    return [statistics.fmean(values) for values in cost], uncommitted


def handing_over(seconds: float, folder: Path) -> list[int]:
    """Time in ns of each hand-over, 1000 a second, while the recorder commits what comes."""
    writer = JournalWriter(folder, {"b.toml": b""}, "b.toml", boot_id=clock.boot_id())
    inbox, took = Inbox(), []
    recorder = Recorder(writer, {"unit": inbox}, lambda: None)
    recorder.hurried = True

    def read() -> None:
        begun = monotonic_ns()
        for number in range(round(1000 * seconds)):
            clock.sleep_until(begun + number * MILLISECOND_NS)
            chunk = Chunk(ChunkKind.RX, monotonic_ns(), RANDOM[:64])
            before = monotonic_ns()
            inbox.put(chunk)
            took.append(monotonic_ns() - before)

    reader = threading.Thread(target=read)
    recorder.start()
    reader.start()
    reader.join()
    recorder.finish()
    return took


def percentile(values: list[int], share: float) -> float:
    return float(np.percentile(values, share))


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=20.0)
    seconds = parser.parse_args().seconds
    quicken()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as name:
        folder = Path(name)
        (journal, framed), uncommitted = in_turns(
            seconds, Journalled(folder / "a"), FramedFile(folder)
        )
        (beside, hdf5), _ = in_turns(seconds, Journalled(folder / "b"), Hdf5(folder))
        took = handing_over(seconds / 2, folder / "c")
    report("storage: journal, of a core", 100 * journal / TICK_NS, "%")
    report("storage: framed file, of a core", 100 * framed / TICK_NS, "%")
    report("storage: h5py, of a core", 100 * hdf5 / TICK_NS, "%")
    results = [
        report("storage: journal to framed file", journal / framed, "1", high=2.0),
        report("storage: h5py to journal", hdf5 / beside, "1", low=4.0),
        report("storage: not committed, longest", max(uncommitted) / 1e6, "ms", high=150.0),
        report("storage: hand-over, 99.9 %", percentile(took, 99.9) / 1e6, "ms", high=1.0),
        report("storage: hand-over, longest", max(took) / 1e6, "ms"),
    ]
    return 0 if all(results) else 1


def report(
    name: str, value: float, unit: str, *, high: float | None = None, low: float | None = None
) -> bool:
    """Print one result; whether it is within its limit."""
    line: dict[str, Any] = {"name": name, "value": round(value, 4), "unit": unit}
    ok = True
    if high is not None or low is not None:
        ok = (high is None or value <= high) and (low is None or value >= low)
        line |= {"limit": low if high is None else high, "ok": ok}
    print(json.dumps(line), flush=True)
    return ok


if __name__ == "__main__":
    sys.exit(main())
