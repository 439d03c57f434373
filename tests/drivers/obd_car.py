"""ECUs and an OBD conversation on one bus, in steps of 0.25 ms, without a clock."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

import numpy as np

from daq.clock import SECOND_NS
from daq.driver import Action, Block, Chunk, ChunkKind, Identified, Note, Preface, Send
from daq.simulate.ecu import Ecu, Frame
from daq.wire import allowed
from daq.wire.can import FLAG_EXTENDED, FRAME
from drivers.obd_can import Config, ObdCan

STEP_NS = 250_000
WIRE = {"kind": "socketcan"}
Row = tuple[int, int, int | None]
"""(t_lo, t_hi, raw)"""


def received(t_ns: int, *frames: Frame) -> Chunk:
    """Frames as a CAN wire hands them over."""
    made = np.zeros(len(frames), FRAME)
    for row, frame in zip(made, frames):
        row["t_host"], row["id"], row["length"] = t_ns, frame.identifier, len(frame.data)
        row["flags"] = FLAG_EXTENDED * frame.extended
        row["data"][: len(frame.data)] = list(frame.data)
    return Chunk(ChunkKind.RX, t_ns, made.tobytes())


class Car:
    """What was sent and received lies in ``chunks``, what was concluded in ``found``, ``notes``."""

    def __init__(self, *ecus: Ecu, **keys: Any) -> None:
        self.ecus = ecus
        self.driver = ObdCan(Config(**keys), {})
        self.talk = self.driver.conversation()
        self.now_ns = 0
        self.chunks: list[Chunk] = []
        self.found: dict[str, Any] = {}
        self.notes: list[str] = []
        self.do(self.talk.opened(0))

    def do(self, actions: Iterable[Action]) -> None:
        for action in actions:
            if isinstance(action, Send):
                self.send(action.data)
            elif isinstance(action, Identified):
                self.found = dict(action.found)
            elif isinstance(action, Note):
                self.notes.append(str(dict(action.content)))

    def send(self, record: bytes) -> None:
        allowed.check_record(record)
        self.chunks.append(Chunk(ChunkKind.TX, self.now_ns, record))
        frame = np.frombuffer(record, FRAME)[0]
        data = frame["data"][: frame["length"]].tobytes()
        sent = Frame(int(frame["id"]), data, bool(frame["flags"] & FLAG_EXTENDED))
        for ecu in self.ecus:
            ecu.receive(self.now_ns / SECOND_NS, sent)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * SECOND_NS / STEP_NS)):
            self.now_ns += STEP_NS
            for ecu in self.ecus:
                for frame in ecu.step(self.now_ns / SECOND_NS):
                    self.hear(frame)
            wake = self.talk.next_wake_ns
            if wake is not None and wake <= self.now_ns:
                self.do(self.talk.wake(self.now_ns))

    def hear(self, frame: Frame) -> None:
        chunk = received(self.now_ns, frame)
        self.chunks.append(chunk)
        self.do(self.talk.received(chunk))

    def blocks(self, chunks: list[Chunk] | None = None, batch: int = 0) -> list[Block]:
        decoder = self.driver.decoder(Preface("obd_can", 1, {}, self.found, WIRE))
        chunks = self.chunks if chunks is None else chunks
        step = batch or max(1, len(chunks))
        return [b for n in range(0, len(chunks), step) for b in decoder.feed(chunks[n : n + step])]

    def rows(self, chunks: list[Chunk] | None = None, batch: int = 0) -> dict[str, list[Row]]:
        return rows_of(self.blocks(chunks, batch))

    def requests(self) -> list[tuple[int, bytes]]:
        """(when, data) of each request of service 01 that was sent to one ECU."""
        return [
            (chunk.t_ns, chunk.data[25 : 25 + chunk.data[24]])
            for chunk in self.chunks
            if chunk.kind == ChunkKind.TX and chunk.data[24] >> 4 == 0
            and int.from_bytes(chunk.data[16:20], "little") not in (0x7DF, 0x18DB33F1)
        ]  # fmt: skip


def rows_of(blocks: list[Block]) -> dict[str, list[Row]]:
    """Channel to its rows; None where a value is missing."""
    found: dict[str, list[Row]] = {}
    for block in blocks:
        assert block.t_lo is not None
        assert (block.t_lo <= block.t_hi).all()
        for name, raw in block.raw.items():
            gone = block.missing.get(name, np.zeros(len(raw), bool))
            values = [None if none else int(n) for n, none in zip(raw, gone)]
            rows = zip(block.t_lo.tolist(), block.t_hi.tolist(), values)
            found.setdefault(name, []).extend(rows)
    return found


def counter() -> Callable[[], bytes]:
    """A value that tells every time it is asked apart."""
    state = {"n": 0}

    def next_value() -> bytes:
        state["n"] += 1
        return (state["n"] % 65536).to_bytes(2, "big")

    return next_value


def engine(**keys: Any) -> Ecu:
    """An ECU with engine speed, manifold pressure, road speed, temperatures and throttle."""
    values = {0x0C: counter(), 0x0B: lambda: b"\x63", 0x0D: lambda: b"\x32", 0x05: lambda: b"\x7b",
              0x0F: lambda: b"\x41", 0x11: lambda: b"\x7f", 0x46: lambda: b"\x3c"}  # fmt: skip
    return Ecu(values, **keys)


SIX = {"0C": 50.0, "0B": 50.0, "0D": 50.0, "0F": 50.0, "11": 50.0, "05": 50.0}
NAMES = {"0C": "engine_speed", "0B": "manifold_pressure", "0D": "vehicle_speed",
         "0F": "intake_temperature", "11": "throttle", "05": "coolant_temperature"}  # fmt: skip
