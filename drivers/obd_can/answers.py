"""The decoder: requests and answers of the record put together, values with their time bounds."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from daq.clock import SECOND_NS
from daq.driver import Block, Chunk, ChunkKind
from daq.frames import frame_reader
from daq.pushed import breaks_stream
from daq.wire import slcan
from daq.wire.can import FLAG_EXTENDED, FRAME
from daq.wire.isotp import SINGLE, Assembler, Message
from drivers.obd_can.bus import PENDING, Party, is_question, party_of, refusal
from drivers.obd_can.pids import Parameter, split

LATE_NS = 6 * SECOND_NS
"""An answer later than any pending one may be belongs to no request."""


class ObdDecoder:
    """Rows of the parameters of service 01, one stream each.

    *asked* says which ECU a parameter is taken from; one that it does not name is taken from the
    ECU that answers first. A value was sampled after its request left and before the first frame
    of its answer began. Requests of another tester on the bus serve as well as our own.
    """

    def __init__(
        self, parameters: Mapping[int, Parameter], asked: Mapping[int, str], wire: Mapping[str, Any]
    ) -> None:
        self.parameters, self.sources = parameters, dict(asked)
        self.segment = 0
        self.counts = dict.fromkeys(
            ("frames_ok", "frames_bad", "answers", "unasked", "refused", "pending"), 0
        )
        self._slcan = wire.get("kind") == "slcan"
        self._frames = frame_reader(wire)
        self._parts: dict[Party, Assembler] = {}
        self._questions: dict[int, tuple[int, bytes]] = {}

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """Blocks of the answers that *chunks* complete."""
        blocks: list[Block] = []
        rows: dict[int, list[tuple[int, int, bytes]]] = {}
        for chunk in chunks:
            if chunk.kind == ChunkKind.NOTE and breaks_stream(chunk):
                blocks += self._blocks(rows)
                rows = {}
                self._restart(chunk)
            for t_ns, identifier, extended, data in self._taken(chunk):
                self._frame(rows, t_ns, identifier, extended, data)
        return blocks + self._blocks(rows)

    def report(self) -> dict[str, int | float | str]:
        """Answers, those without a request, refusals, and messages that never got whole."""
        broken = sum(part.broken for part in self._parts.values())
        return {**self.counts, "frames_bad": self.counts["frames_bad"] + broken}

    # --- frames in their order

    def _taken(self, chunk: Chunk) -> Iterator[tuple[int, int, bool, bytes]]:
        if chunk.kind == ChunkKind.TX:
            data = slcan.split(bytearray(chunk.data)).frames if self._slcan else _records(chunk)
            for frame in data:
                yield (chunk.t_ns, *_parts(frame))
            return
        for _, frames in self._frames.feed([chunk]):
            mine = frames[_diagnostic(frames)]
            for frame in mine:
                yield (int(frame["t_host"]), *_parts(frame))

    def _restart(self, chunk: Chunk) -> None:
        self._frames.feed([chunk])
        self.counts["frames_bad"] += sum(part.broken for part in self._parts.values())
        self._parts.clear()
        self._questions.clear()
        self.segment += 1

    def _frame(
        self, rows: dict[int, list[tuple[int, int, bytes]]], t_ns: int, identifier: int,
        extended: bool, data: bytes,
    ) -> None:  # fmt: skip
        if is_question(identifier, extended):
            if data and data[0] >> 4 == SINGLE and data[0] & 15 < len(data):
                self._questions[identifier] = (t_ns, data[1 : 1 + (data[0] & 15)])
            return
        party = party_of(identifier, extended)
        if party is None:
            return
        message = self._parts.setdefault(party, Assembler()).take(data, t_ns)
        if message is not None:
            self._message(rows, party, message)

    def _message(
        self, rows: dict[int, list[tuple[int, int, bytes]]], party: Party, message: Message
    ) -> None:
        refused = refusal(message.data)
        if refused is not None:
            self.counts["pending" if refused[1] == PENDING else "refused"] += 1
            return
        if message.data[:1] != b"\x41":
            return
        values = split(message.data[1:])
        t_lo = self._request_of(party, set(values), message.t_first)
        if t_lo is None or not values:
            self.counts["unasked"] += 1
            return
        self.counts["answers"] += 1
        self.counts["frames_ok"] += 1
        for pid, data in values.items():
            if pid in self.parameters and self.sources.setdefault(pid, party.name) == party.name:
                rows.setdefault(pid, []).append((t_lo, message.t_first, data))

    def _request_of(self, party: Party, values: set[int], t_first: int) -> int | None:
        """When the request that these values answer left: to this ECU, or to all of them."""
        wide = 0x18DB33F1 if party.extended else 0x7DF
        best = None
        for identifier in (party.asked, wide):
            t_ns, data = self._questions.get(identifier, (0, b""))
            if data[:1] == b"\x01" and values & set(data[1:]) and 0 <= t_first - t_ns <= LATE_NS:
                best = t_ns if best is None else max(best, t_ns)
        return best

    # --- rows

    def _blocks(self, rows: dict[int, list[tuple[int, int, bytes]]]) -> list[Block]:
        return [self._block(self.parameters[pid], its) for pid, its in rows.items() if its]

    def _block(self, parameter: Parameter, rows: list[tuple[int, int, bytes]]) -> Block:
        raw, missing = {}, {}
        for value in parameter.values:
            numbers = [value.raw(data) for _, _, data in rows]
            raw[value.name] = np.array([n or 0 for n in numbers], np.int64)
            gone = np.array([n is None for n in numbers])
            if gone.any():
                missing[value.name] = gone
        return Block(
            stream_name(parameter.pid),
            np.array([t for _, t, _ in rows], np.int64),
            raw,
            np.array([t for t, _, _ in rows], np.int64),
            None,
            self.segment,
            missing,
        )


def stream_name(pid: int) -> str:
    """Name of a parameter's stream."""
    return f"pid_{pid:02x}"


def _records(chunk: Chunk) -> np.ndarray[Any, Any]:
    whole = len(chunk.data) // FRAME.itemsize * FRAME.itemsize
    return np.frombuffer(chunk.data[:whole], FRAME)


def _parts(frame: Any) -> tuple[int, bool, bytes]:
    extended = bool(frame["flags"] & FLAG_EXTENDED)
    return int(frame["id"]), extended, frame["data"][: frame["length"]].tobytes()


def _diagnostic(frames: Any) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Frames that may be part of diagnostics; error and remote frames are not."""
    number, flags = frames["id"], frames["flags"]
    short = (flags & FLAG_EXTENDED == 0) & ((number == 0x7DF) | (number & 0x7F0 == 0x7E0))
    long = (flags & FLAG_EXTENDED != 0) & (number & 0x1FFE0000 == 0x18DA0000)
    plain = flags & 0x06 == 0
    result: np.ndarray[Any, np.dtype[np.bool_]] = plain & (short | long)
    return result
