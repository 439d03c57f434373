"""OBD polls per second against what request, answer and ECU allow; what listening costs.

``python tests/benchmarks/bench_obd.py`` prints JSON lines. First on a bus that exists as numbers
only, in steps of 0.05 ms: does the schedule leave the line idle? Then on a real pseudo-terminal,
with the ECU in a process of its own: the wire's thread and the conversation take turns with a bare
loop that writes a request and waits for its answer. ECU time is 5, 10 and 20 ms. Polls per second
are taken from the median time between requests, because other work on the machine holds up both
alike.

Exit status 1 when less than 95 % of the limit is reached, six parameters in a request give less
than 3 times the values of single ones, or an answer waits longer than 0.5 ms for the next request
(95 % of them). Shown without a limit: CPU time of hearing a busy bus on
the wire's thread, and of decoding it.
"""

from __future__ import annotations

import multiprocessing
import os
import select
import statistics
import sys
import tempfile
import threading
import tty
from collections.abc import Callable, Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

sys.path.insert(0, str(Path(__file__).parent))

import numpy as np
from bench_storage import report

from daq.bench import Bench, BenchConfig, DeviceConfig, WireConfig
from daq.clock import SECOND_NS, cpu_ns, monotonic_ns
from daq.driver import Chunk, ChunkKind, Preface, Send
from daq.reader import WireReader
from daq.simulate.car_can import slcan_line
from daq.simulate.ecu import Ecu, Frame
from daq.wire import slcan
from daq.wire.can import FRAME
from daq.wire.isotp import single
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.bus import Ear, record

ECU_S = (0.005, 0.010, 0.020)
FRAME_NS = 250_000
"""A frame of 8 bytes at 500 kbit/s. Source: ISO 11898-1 bit counts, about 111 to 135 bits."""
STEP_NS = 50_000
SIX = ("0C", "0B", "0D", "0F", "11", "05")
LEAST, TIMES, WAIT_MS = 0.95, 3.0, 0.5
ROUNDS, ROUND_S = 5, 0.8


def ecu(answer_s: float) -> Ecu:
    sizes = {pid: 2 if pid == "0C" else 1 for pid in SIX}
    return Ecu({int(pid, 16): lambda n=n: bytes(n) for pid, n in sizes.items()}, answer_s=answer_s)


# --- the schedule, on a bus of numbers


def values_per_second(answer_s: float, together: bool, seconds: float = 10.0) -> float:
    """Values answered each second; with one parameter a request, that is requests as well."""
    car = ecu(answer_s)
    talk = ObdCan(Config(dict.fromkeys(SIX, 100.0), together=together), {}).conversation()
    talk.rates = dict.fromkeys(talk.rates, 1000.0)
    on_bus: list[tuple[int, Frame]] = []
    now, begun, count = 0, 3 * SECOND_NS, 0

    def send(actions: Iterable[Any]) -> None:
        for action in actions:
            if isinstance(action, Send):
                on_bus.append((now + FRAME_NS, frame_of(action.data)))

    send(talk.opened(0))
    while now < begun + seconds * SECOND_NS:
        now += STEP_NS
        while on_bus and on_bus[0][0] <= now:
            car.receive(now / SECOND_NS, on_bus.pop(0)[1])
        for frame in car.step((now - FRAME_NS) / SECOND_NS):
            if now > begun and frame.data[0] >> 4 in (0, 1):
                count += 6 if frame.data[0] >> 4 == 1 else 1
            data = record(frame.identifier, False, frame.data)
            send(talk.received(Chunk(ChunkKind.RX, now, data)))
        wake = talk.next_wake_ns
        if wake is not None and wake <= now:
            send(talk.wake(now))
    return count / seconds


def frame_of(data: bytes) -> Frame:
    frame = np.frombuffer(data, FRAME)[0]
    return Frame(int(frame["id"]), frame["data"][: frame["length"]].tobytes())


def schedule() -> bool:
    ok = True
    for answer_s in ECU_S:
        singles, several = (values_per_second(answer_s, together) for together in (False, True))
        limit = 1 / (answer_s + 2 * FRAME_NS / SECOND_NS)
        name = f"obd schedule, ECU {answer_s * 1e3:.0f} ms"
        ok &= report(f"{name}: of the link's limit", singles / limit, "1", low=LEAST)
        ok &= report(f"{name}: six at once to singly", several / singles, "1", low=TIMES)
    return ok


# --- the whole path, on a real line


def serve(master: int, answer_s: float) -> None:
    """The ECU behind its adapter: a process of its own."""
    car, rest = ecu(answer_s), b""
    while True:
        now = monotonic_ns() / SECOND_NS
        due = car._due[0][0] if car._due else now + 1
        if select.select([master], [], [], max(0, due - now))[0]:
            *commands, rest = (rest + os.read(master, 4096)).split(b"\r")
            for frame in slcan.split(b"\r".join(commands) + b"\r").frames:
                data = frame["data"][: frame["length"]].tobytes()
                car.receive(monotonic_ns() / SECOND_NS, Frame(int(frame["id"]), data))
        sent = car.step(monotonic_ns() / SECOND_NS)
        if sent:
            os.write(master, b"".join(slcan_line(f.identifier, False, f.data) for f in sent))


def bare(path: str) -> float:
    """Requests per second of a loop that does nothing else: the link's own limit."""
    line = os.open(path, os.O_RDWR | os.O_NOCTTY)
    while select.select([line], [], [], 0.1)[0]:
        os.read(line, 4096)  # what was left over would let it run ahead
    request = slcan_line(0x7E0, False, single(bytes([1, 0x0C])))
    times = [monotonic_ns()]
    while times[-1] < times[0] + ROUND_S * SECOND_NS:
        os.write(line, request)
        data = b""
        while not data.endswith(b"\r"):
            data += os.read(line, 4096)
        times.append(monotonic_ns())
    os.close(line)
    return per_second(times)


def per_second(times: list[int]) -> float:
    return SECOND_NS / statistics.median(np.diff(times).tolist())


class Ours(NamedTuple):
    """Of the wire's thread: requests and values per second, times from answer to request in ms."""

    requests: float
    values: float
    waits: list[float]


def ours(path: str, together: bool) -> Ours:
    """Some time of the conversation, from the first value to the last."""
    config = Config(dict.fromkeys(SIX, 100.0), together=together)
    wire = WireConfig(kind="slcan", port=path, bitrate=500_000, listen_only=False)
    bench = Bench(BenchConfig("B"), {"car": wire}, {"obd": DeviceConfig("car", "obd_can", config)})
    stop = threading.Event()
    reader = WireReader(bench, "car", stop)
    reader.start()
    stop.wait(0.3 + ROUND_S)
    stop.set()
    reader.join()
    chunks = [item for item in reader.inbox.take() if isinstance(item, Chunk)]
    facts = {"kind": "slcan", "bitrate": 500_000}
    decoder = bench.driver("obd").decoder(Preface("obd_can", 1, wire=facts))
    times = np.sort(np.concatenate([block.t_hi for block in decoder.feed(chunks)]))
    waits = [
        (after.t_ns - before.t_ns) / 1e6
        for before, after in pairwise(chunks)
        if (before.kind, after.kind) == (ChunkKind.RX, ChunkKind.TX) and before.t_ns > times[0]
    ]
    asked = [c.t_ns for c in chunks if c.kind == ChunkKind.TX and c.t_ns > times[0]]
    values = (len(times) - 1) / float(times[-1] - times[0]) * SECOND_NS
    return Ours(per_second(asked[:-1]), values, waits[:-1])  # the last closes the adapter


def line(answer_s: float) -> bool:
    with tempfile.TemporaryDirectory() as folder:
        master, slave = os.openpty()
        tty.setraw(slave)
        path = os.path.join(folder, "car")
        os.symlink(os.ttyname(slave), path)
        server = multiprocessing.Process(target=serve, args=(master, answer_s), daemon=True)
        server.start()
        rounds = [(bare(path), ours(path, False)) for _ in range(ROUNDS)]
        several = ours(path, True)
        server.terminate()
        server.join()
        os.close(master)
        os.close(slave)
    ratio = statistics.median(own.requests / limit for limit, own in rounds)
    singles = statistics.median(own.values for _, own in rounds)
    wait = float(np.quantile([wait for _, own in rounds for wait in own.waits], 0.95))
    name = f"obd on a line, ECU {answer_s * 1e3:.0f} ms"
    ok = report(f"{name}: of a bare loop's polls", ratio, "1", low=LEAST)
    ok &= report(f"{name}: six at once to singly", several.values / singles, "1", low=TIMES)
    ok &= report(f"{name}: answer to next request, 95 %", wait, "ms", high=WAIT_MS)
    return report(f"{name}: polls", singles, "1/s") and ok


# --- what listening costs


def busy_bus(kind: str) -> list[Chunk]:
    """A second of a full bus: 4 000 frames, 200 of them answers, each in a chunk of its own."""
    chunks = []
    for n in range(4000):
        identifier, data = (
            (0x7E8, b"\x04\x41\x0c\x1a\xf8\0\0\0") if n % 20 == 0 else (0x123, bytes(8))
        )
        if n % 20 == 0:
            asked = record(0x7E0, False, single(bytes([1, 0x0C])))
            asked = slcan_line(0x7E0, False, asked[24:]) if kind == "slcan" else asked
            chunks.append(Chunk(ChunkKind.TX, n * 250_000, asked))
        made = record(identifier, False, data)
        text = slcan_line(identifier, False, data) if kind == "slcan" else made
        chunks.append(Chunk(ChunkKind.RX, n * 250_000 + 1000, text))
    return chunks


def cpu_s(call: Callable[[], object]) -> float:
    best = []
    for _ in range(3):
        begun = cpu_ns()
        call()
        best.append(cpu_ns() - begun)
    return min(best) / SECOND_NS


def listening() -> bool:
    ok = True
    for kind in ("slcan", "socketcan"):
        chunks, ear = busy_bus(kind), Ear({"kind": kind})
        preface = Preface("obd_can", 1, wire={"kind": kind, "bitrate": 500_000})
        driver = ObdCan(Config({"0C": 10.0}), {})
        heard = cpu_s(lambda c=chunks, e=ear: [e.hear(chunk) for chunk in c])
        decoded = cpu_s(lambda c=chunks, d=driver, p=preface: d.decoder(p).feed(c))
        ok &= report(f"obd hearing a full bus, {kind}", 100 * heard, "% of a core")
        ok &= report(f"obd decoding a full bus, {kind}", 100 * decoded, "% of a core")
    return ok


def main() -> int:
    results = [schedule(), *[line(answer_s) for answer_s in ECU_S], listening()]
    return 0 if all(results) else 1


if __name__ == "__main__":
    sys.exit(main())
