"""Time: accuracy of every class of source against known truth, beside three peers; CPU of aligning.

``python tests/benchmarks/bench_alignment.py`` prints JSON lines. Accuracy is that of a model with
ground truth (tests/timing_model.py): median, 95 % and worst error in ms beside the goals, and the
share of rows whose truth lies in the stated interval at two standard deviations. The peers get the
same rows: arrival times as they are, a least-squares line, and pyxdf's loader (where installed) on
an equivalent recording. CPU is that of aligning 10 minutes of the nominal load completely, limit
2 s. Exit status 1 when a goal is missed.
"""

from __future__ import annotations

import json
import struct
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from timing_model import HARD, TYPICAL, Case, Rows, can_bus, microcontroller, ns, serial

from daq.align import Placement, grid
from daq.clock import cpu_ns
from daq.driver import Channel, Stream
from daq.engine_speed import engine_speed
from daq.rollers.kinematics import kinematics
from daq.timebase import Anchors, TimeFlag, device_clock, stream_time

SEEDS = range(5)
CASES = {
    "typical": TYPICAL,
    "hard": HARD,
    "timer_1_ms": replace(TYPICAL, timer_s=1e-3),
    "stall_250_ms": replace(TYPICAL, stalls_s=(0.25,) * 4, stall_share=0.0),
    "five_seconds": replace(TYPICAL, seconds=5.0),
}
Make = Callable[[Case, int], Rows]


def broken(rows: Rows, how: str) -> Rows:
    """The same rows with the device's counter reset, wrapped, or stepped in mid-run."""
    index, half = rows.index.copy(), len(rows.index) // 2
    if how == "reset":
        index[half:] -= index[half] - 1000
    elif how == "wrap":
        index = (index + 2**32 - index[half]) % 2**32
    else:
        index[half:] += round(1.7 * (rows.stream.index_hz or 1.0))
    return replace(rows, index=index)


CLASSES: dict[str, tuple[Make, tuple[float, float, float]]] = {
    "ticks": (microcontroller, (0.2, 0.4, 1.0)),
    "ticks_reset": (lambda c, s: broken(microcontroller(c, s), "reset"), (0.2, 0.4, 1.0)),
    "ticks_wrap": (lambda c, s: broken(microcontroller(c, s), "wrap"), (0.2, 0.4, 1.0)),
    "ticks_step": (lambda c, s: broken(microcontroller(c, s), "step"), (0.2, 0.4, 1.0)),
    "can_ticks": (can_bus, (0.3, 0.6, 1.5)),
    "can_software": (lambda c, s: can_bus(c, s).uncounted(), (1.0, 2.0, 40.0)),
    "serial_counter": (serial, (0.6, 1.5, 3.0)),
    "serial_24_bytes": (lambda c, s: serial(c, s, frame_bytes=24), (0.6, 1.5, 3.0)),
    "serial_38400": (lambda c, s: serial(c, s, frame_bytes=24, baud=38_400), (0.6, 1.5, 3.0)),
    "serial_no_counter": (lambda c, s: serial(c, s).uncounted(), (0.8, 2.0, 20.0)),
}
"""Maker and goal: median, 95 % and worst error in ms."""


def line(name: str, value: float, unit: str, **more: object) -> bool:
    ok = bool(more.get("ok", True))
    print(json.dumps({"name": name, "value": round(value, 4), "unit": unit, **more}), flush=True)
    return ok


def accuracy() -> bool:
    good = True
    for case_name, case in CASES.items():
        for name, (make, goal) in CLASSES.items():
            good &= one_class(f"time.{case_name}.{name}", make, case, goal)
    return good


def one_class(name: str, make: Make, case: Case, goal: tuple[float, float, float]) -> bool:
    ours, claimed, arrival, squares, peer = [], [], [], [], []
    for seed in SEEDS:
        rows = make(case, seed)
        index = rows.index if rows.stream.index_hz is not None else None
        time = stream_time(rows.stream, rows.t_hi, None, index, rows.segment)
        error = rows.error_ms(time.t_ns)
        early, late = time.interval_s(2.0)
        claimed.append((error <= early * 1e3) & (error >= -late * 1e3))
        ours.append(np.abs(error)[(time.flags & TimeFlag.INDEX_UNSURE) == 0])
        arrival.append(np.abs(rows.error_ms(rows.t_hi)))
        squares.append(np.abs(rows.error_ms(least_squares(rows))))
        if (t := dejittered(rows)) is not None:
            peer.append(np.abs(rows.error_ms(t)))
    good = True
    quantiles = np.quantile(np.concatenate(ours), (0.5, 0.95, 1.0))
    for part, value, limit in zip(("median", "p95", "worst"), quantiles, goal):
        good &= line(f"{name}.{part}", float(value), "ms", limit=limit, ok=bool(value <= limit))
    share = float(np.concatenate(claimed).mean())
    good &= line(f"{name}.covered", share, "1", limit=0.95, ok=share >= 0.95)
    for other, found in (("arrival", arrival), ("least_squares", squares), ("pyxdf", peer)):
        if found:
            values = np.quantile(np.concatenate(found), (0.5, 0.95, 1.0))
            line(f"{name}.{other}", float(values[0]), "ms", p95=round(float(values[1]), 3))
    return good


# --- peers


def least_squares(rows: Rows) -> np.ndarray:
    """A straight line through arrival against the row's number, or its tick where it has one."""
    x = (rows.index - rows.index[0]).astype(float)
    if rows.stream.index_hz is None or np.any(np.diff(rows.index) < 0):
        x = np.arange(len(rows.t_hi), dtype=float)
    y = (rows.t_hi - rows.t_hi[0]).astype(float)
    return rows.t_hi[0] + np.rint(np.polyval(np.polyfit(x, y, 1), x)).astype(np.int64)


def dejittered(rows: Rows) -> np.ndarray | None:
    """What pyxdf makes of the rows, stored with their arrival times as an XDF recording."""
    try:
        import pyxdf
    except ImportError:
        return None
    base = int(rows.t_hi[0])
    seconds = (rows.t_hi - base) * 1e-9 + 1000.0
    rate = rows.stream.rate_hz or 0.0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows.xdf"
        path.write_bytes(xdf(seconds, rate))
        streams, _ = pyxdf.load_xdf(str(path), verbose=False)
    t = np.asarray(streams[0]["time_stamps"])
    return base + np.rint((t - 1000.0) * 1e9).astype(np.int64)


def xdf(seconds: np.ndarray, rate: float) -> bytes:
    """One stream of one int8 channel. Source: the XDF specification 1.0."""
    head = (
        "<?xml version='1.0'?><info><name>rows</name><type>x</type><channel_count>1</channel_count>"
        f"<nominal_srate>{rate}</nominal_srate><channel_format>int8</channel_format></info>"
    )
    offset = struct.pack("<dd", float(seconds[0]), 0.0)
    samples = b"".join(b"\x08" + struct.pack("<d", t) + b"\x00" for t in seconds)
    count = b"\x04" + struct.pack("<I", len(seconds))
    stream = struct.pack("<I", 1)
    return b"XDF:" + b"".join(
        chunk(tag, body)
        for tag, body in (
            (1, b"<?xml version='1.0'?><info><version>1.0</version></info>"),
            (2, stream + head.encode()),
            (4, stream + offset),
            (3, stream + count + samples),
            (6, stream + b"<?xml version='1.0'?><info></info>"),
        )
    )


def chunk(tag: int, body: bytes) -> bytes:
    content = struct.pack("<H", tag) + body
    return b"\x08" + struct.pack("<Q", len(content)) + content


# --- ten minutes of the nominal load


def nominal(seconds: float = 600.0) -> dict[str, object]:
    """Encoder and 16 analogue channels at 1 kHz, ignition at 300/s, five CAN messages of four
    signals at 100 Hz, four polled values at 10 Hz."""
    rng = np.random.default_rng(1)
    case = replace(TYPICAL, seconds=seconds)
    unit = microcontroller(case, 1)
    t = (unit.truth - unit.truth[0]) * 1e-9
    position = 5 * t + 20 * np.cumsum(np.clip(np.sin(t / 30), 0, None)) * 1e-3
    can = [can_bus(case, seed) for seed in range(5)]
    asked = ns(np.arange(1.0, seconds, 0.1))
    return {
        "unit": unit,
        "count": np.floor(position * 1000).astype(np.int64),
        "analogue": [np.round(rng.normal(2000, 100, len(t))) for _ in range(16)],
        "ignition": np.sort(rng.choice(len(t), int(seconds * 300), replace=False)),
        "can": can,
        "can_values": [[rng.normal(size=len(c.index)) for _ in range(4)] for c in can],
        "asked": asked,
        "answered": asked + rng.integers(20_000_000, 60_000_000, len(asked)),
        "polled": [rng.normal(size=len(asked)) for _ in range(4)],
    }


def align_all(load: dict[str, object], rate_hz: float = 100.0) -> int:
    """Times, motion, engine speed and every channel on the grid; the number of aligned values."""
    unit: Rows = load["unit"]  # type: ignore[assignment]
    origin = int(unit.t_hi[0])
    rows = Anchors.of(unit.index, unit.t_hi)
    clock = device_clock(rows, 8e6)

    def seconds(t_ns: np.ndarray) -> np.ndarray:
        return (t_ns - origin) * 1e-9

    encoder = stream_time(unit.stream, unit.t_hi, None, unit.index, 0, clock=clock)
    analogue = stream_time(unit.stream, unit.t_hi, None, unit.index, 0, clock=clock)
    t = seconds(encoder.t_ns)
    at = grid(t[0], t[-1], rate_hz)
    # the last edge came up to a count before the row: times of edges, by the same clock
    edge = t - 1e-4
    kinematics(load["count"], t, at, edge_s=edge, counts_per_revolution=1000, circumference_m=1.0)  # type: ignore[arg-type]
    values = 3 * len(at)
    placement = Placement(seconds(analogue.t_ns), at, period_s=1e-3)
    for value in load["analogue"]:  # type: ignore[attr-defined]
        values += len(placement.column(value, u_time_s=1e-4).value)
    sparks = load["ignition"]
    pulses = Stream("ignition", (Channel("x", "1", "x"),), index_hz=8e6, index_kind="tick")
    spark_time = stream_time(pulses, unit.t_hi[sparks], None, unit.index[sparks], 0, clock=clock)
    speed = engine_speed(seconds(spark_time.t_ns), 2, uneven=True)
    values += len(Placement(speed.t, at, gap_s=0.5, smooth=False).column(speed.cycle).value)
    for message, signals in zip(load["can"], load["can_values"]):  # type: ignore[call-overload]
        time = stream_time(message.stream, message.t_hi, None, message.index, message.segment)
        its = Placement(seconds(time.t_ns), at, period_s=0.01)
        values += sum(len(its.column(signal, u_time_s=1e-4).value) for signal in signals)
    polls = Stream("polls", (Channel("x", "1", "x"),), rate_hz=10.0)
    time = stream_time(polls, load["answered"], load["asked"])  # type: ignore[arg-type]
    its = Placement(seconds(time.t_ns), at, period_s=0.1)
    return values + sum(len(its.column(v).value) for v in load["polled"])  # type: ignore[attr-defined]


def cost() -> bool:
    load = nominal()
    align_all(nominal(20.0))
    taken = []
    for _ in range(3):
        begin = cpu_ns()
        values = align_all(load)
        taken.append((cpu_ns() - begin) * 1e-9)
    best = min(taken)
    return line(
        "align.ten_minutes.cpu", best, "s", limit=2.0, ok=best <= 2.0, values=values,
        without_scipy="scipy" not in sys.modules,
    )  # fmt: skip


def main() -> int:
    cheap = cost()
    return 0 if accuracy() & cheap else 1


if __name__ == "__main__":
    sys.exit(main())
