"""CAN by DBC: decoding in bulk against cantools, frame by frame; CPU time, in one run.

``python tests/benchmarks/bench_can.py`` prints JSON lines. One record is made here: 10 messages of
8 signals, one multiplexed, both byte orders, 40 000 frames; the other is a real one (7 402 frames)
where the folder of recorded data lies beside the project. Every value that cantools decodes is
compared first. Exit status 1 when bulk decoding is less than 10 times faster, or differs.

Also shown, without a limit: decoding in the steps of the live view (50 ms), and reading the lines
of an slcan adapter.
"""

from __future__ import annotations

import json
import statistics
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cantools
import numpy as np

from daq.clock import cpu_ns
from daq.driver import Chunk, ChunkKind, Preface
from daq.frames import LineReader
from daq.recordings import read_recording
from daq.wire import slcan
from daq.wire.can import FRAME
from drivers.can_dbc import CanDbc, DbcConfig

TIMES_FASTER = 10.0
ROUNDS = 7
FRAMES = 40_000
DATA = Path(__file__).resolve().parents[3] / "shared" / "data" / "can"
SOCKETCAN = Preface("can_dbc", 1, wire={"kind": "socketcan"})


def made_dbc() -> str:
    """Ten messages of eight signals; the last is multiplexed."""
    text = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECU\n'
    for message in range(10):
        text += f"\nBO_ {256 + message} M{message}: 8 ECU\n"
        for byte in range(8):
            order = message % 2
            start = 8 * byte + (0 if order else 7)
            mux = "" if message < 9 else " M" if byte == 0 else f" m{byte % 4}"
            sign = "-" if byte % 3 == 1 else "+"
            text += f' SG_ S{byte}{mux} : {start}|8@{order}{sign} (0.25,-40) [0|0] "" ECU\n'
    return text


def made_frames() -> np.ndarray:
    """Frames of those messages in random order, 0.25 ms apart; multiplexer 0 to 3."""
    rng = np.random.default_rng(1)
    frames = np.zeros(FRAMES, FRAME)
    frames["t_host"] = np.arange(FRAMES) * 250_000
    frames["id"] = 256 + rng.integers(0, 10, FRAMES)
    frames["length"] = 8
    frames["data"] = rng.integers(0, 256, (FRAMES, 8))
    multiplexed = frames["id"] == 265
    frames["data"][multiplexed, 0] %= 4
    return frames


def chunks_of(frames: np.ndarray, step_ns: int = 50_000_000) -> list[Chunk]:
    """Frames in chunks of 50 ms, as a wire's reader gives them."""
    turns = np.flatnonzero(np.diff(frames["t_host"] // step_ns)) + 1
    return [
        Chunk(ChunkKind.RX, int(part["t_host"][-1]), part.tobytes())
        for part in np.split(frames, turns)
    ]


def differing(driver: CanDbc, frames: np.ndarray, oracle: Any) -> tuple[int, int]:
    """(values compared, values that differ) between bulk and frame-by-frame decoding."""
    blocks = {b.stream: b for b in driver.decoder(SOCKETCAN).feed(chunks_of(frames))}
    found: dict[tuple[str, int], Any] = {}
    for stream in driver.streams({}):
        block = blocks.get(stream.name)
        for channel in stream.channels if block is not None else ():
            values = (block.raw[channel.name] * channel.scale + channel.offset).tolist()
            name = channel.source.split()[2]
            found.update({(name, t): v for t, v in zip(block.t_hi.tolist(), values, strict=True)})
    compared = wrong = 0
    for frame in frames:
        try:
            message = oracle.get_message_by_frame_id(int(frame["id"]))
            expected = message.decode(frame["data"][: frame["length"]].tobytes(), False)
        except (KeyError, cantools.database.DecodeError):
            continue
        for name, value in expected.items():
            compared += 1
            wrong += found.get((f"{message.name}.{name}", int(frame["t_host"]))) != value
    return compared, wrong


def cpu_s(work: Callable[[], Any]) -> float:
    """CPU seconds of one call."""
    before = cpu_ns()
    work()
    return (cpu_ns() - before) / 1e9


def one_by_one(oracle: Any, messages: list[tuple[int, bytes]]) -> None:
    """All frames through cantools."""
    for number, data in messages:
        try:  # noqa: SIM105 - suppress() would cost the peer time
            oracle.decode_message(number, data, decode_choices=False)
        except (KeyError, cantools.database.DecodeError):
            pass


def report(name: str, value: float, unit: str, **more: Any) -> None:
    print(json.dumps({"name": f"can.{name}", "value": round(value, 4), "unit": unit, **more}))


def compare(name: str, content: bytes, frames: np.ndarray) -> bool:
    """Measure one record; whether it keeps the limits."""
    driver = CanDbc(DbcConfig(Path("car.dbc")), {"car.dbc": content})
    oracle = cantools.database.can.Database(strict=False)
    oracle.add_dbc_string(content.decode())
    compared, wrong = differing(driver, frames, oracle)
    report(f"{name}.differing", wrong, "1", limit=0, compared=compared, ok=not wrong)
    chunks = chunks_of(frames)
    messages = [(int(f["id"]), f["data"][: f["length"]].tobytes()) for f in frames]

    def live() -> None:
        decoder = driver.decoder(SOCKETCAN)
        for chunk in chunks:
            decoder.feed([chunk])

    rounds = [
        (
            cpu_s(lambda: driver.decoder(SOCKETCAN).feed(chunks)),
            cpu_s(lambda: one_by_one(oracle, messages)),
            cpu_s(live),
        )
        for _ in range(ROUNDS)
    ]
    bulk, peer, steps = (statistics.median(column) / len(frames) * 1e6 for column in zip(*rounds))
    ratio = statistics.median(theirs / ours for ours, theirs, _ in rounds)
    fast = ratio >= TIMES_FASTER
    report(f"{name}.bulk", bulk, "us/frame")
    report(f"{name}.cantools", peer, "us/frame")
    report(f"{name}.times_faster", ratio, "1", limit=TIMES_FASTER, ratio=round(ratio, 2), ok=fast)
    report(f"{name}.live_50_ms", steps, "us/frame", ratio=round(peer / steps, 2))
    return fast and not wrong


def lines(frames: np.ndarray) -> None:
    """What reading an adapter's lines costs, in the steps of the live view."""
    chunks = [
        c._replace(data=slcan.encode(np.frombuffer(c.data, FRAME))) for c in chunks_of(frames)
    ]
    reader = LineReader(500_000)
    spent = cpu_s(lambda: [reader.feed([chunk]) for chunk in chunks])
    report("slcan_lines", spent / len(frames) * 1e6, "us/frame")


def main() -> int:
    """Run all of it; 1 when a limit is missed."""
    frames = made_frames()
    kept = [compare("made", made_dbc().encode(), frames)]
    if DATA.is_dir():
        recording = read_recording(DATA / "coupe_road_pull.log")
        parts = [np.frombuffer(chunk.data, FRAME) for chunk in recording.chunks()]
        content = (DATA / "dbc" / "coupe.dbc").read_bytes()
        kept.append(compare("road_pull", content, np.concatenate(parts)))
    else:
        print("no recorded data beside the project: one record only", file=sys.stderr)
    lines(frames)
    return 0 if all(kept) else 1


if __name__ == "__main__":
    sys.exit(main())
