"""The decoder: requests and answers of the record put together, values with their time bounds."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any, NamedTuple

import numpy as np

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Block, Chunk, ChunkKind
from daq.frames import Frames, frame_reader
from daq.pushed import breaks_stream
from daq.wire import slcan
from daq.wire.allowed import FUNCTIONAL, FUNCTIONAL_EXTENDED, is_request_id
from daq.wire.can import FLAG_ERROR, FLAG_EXTENDED, FLAG_REMOTE, FRAME
from daq.wire.isotp import SINGLE, Assembler, Message
from drivers.obd_can.bus import PENDING, Party, party_of, refusal
from drivers.obd_can.parameter import Parameter
from drivers.obd_can.pids import split

LATE_NS = 11 * SECOND_NS
"""An answer later than the longest wait for a pending one belongs to no request."""
HEARD_NS = 20 * MILLISECOND_NS
"""A request that another tester sent is heard late: adapters hold frames back by up to 16 ms.
Source: default latency timer of common USB serial adapters; common practice, no source."""

Rows = dict[int, list[tuple[int, int, bytes]]]
"""Parameter to (t_lo, t_hi, data bytes)."""


class Question(NamedTuple):
    """A request of service 01: its number, when it was on the bus, since when it may have been."""

    number: int
    t_ns: int
    t_lo: int
    identifier: int
    pids: frozenset[int]


class Questions:
    """Requests on the bus, and how far each ECU has come with them.

    An ECU answers in the order in which it is asked, so what it answers settles all that it was
    asked before. Of several equal requests the earliest that is not settled is taken: the value
    was certainly not sampled before that.
    """

    def __init__(self) -> None:
        self._open: deque[Question] = deque()
        self._count = 0
        self._settled: dict[Party, int] = {}
        self._given: dict[Party, set[int]] = {}

    def asked(self, t_ns: int, t_lo: int, identifier: int, pids: bytes) -> None:
        """A request was on the bus at *t_ns*."""
        self._count += 1
        self._open.append(Question(self._count, t_ns, t_lo, identifier, frozenset(pids)))
        while t_ns - self._open[0].t_ns > LATE_NS:
            self._open.popleft()

    def answered(self, party: Party, pids: set[int], t_ns: int) -> int | None:
        """Since when the values of *pids* may have been sampled; None when nobody asked."""
        for question in self._to(party, t_ns):
            again = question.number == self._settled.get(party)
            if pids & question.pids and not (again and pids & self._given[party]):
                self._settle(party, question)
                self._given[party] |= pids
                return question.t_lo
        return None

    def refused(self, party: Party, t_ns: int) -> None:
        """The ECU will not answer the earliest request that is open."""
        for question in self._to(party, t_ns):
            if question.number != self._settled.get(party):
                self._settle(party, question)
                self._given[party] = set(question.pids)
                return

    def _to(self, party: Party, t_ns: int) -> Iterator[Question]:
        """Requests to *party* that are not settled, and the one that it last answered."""
        all_of_them = FUNCTIONAL_EXTENDED if party.extended else FUNCTIONAL
        settled = self._settled.get(party, 0)
        for question in self._open:
            mine = question.identifier in (party.asked, all_of_them)
            if mine and question.number >= settled and 0 <= t_ns - question.t_ns <= LATE_NS:
                yield question

    def _settle(self, party: Party, question: Question) -> None:
        if self._settled.get(party) != question.number:
            self._settled[party], self._given[party] = question.number, set()


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
        self._questions = Questions()
        self._rows: Rows = {}

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """Blocks of the answers that *chunks* complete."""
        blocks: list[Block] = []
        for kind, run in groupby(chunks, key=_kind):
            if kind == ChunkKind.TX:
                for chunk in run:
                    self._sent(chunk)
            elif kind == ChunkKind.NOTE:
                for chunk in filter(breaks_stream, run):
                    blocks += self._blocks()
                    self._restart(chunk)
            else:
                for _, frames in self._frames.feed(list(run)):
                    self._received(frames)
        return blocks + self._blocks()

    def report(self) -> dict[str, int | float | str]:
        """Answers, those without a request, refusals, and messages that never got whole."""
        return {**self.counts, "frames_bad": self.counts["frames_bad"] + self._broken()}

    def _broken(self) -> int:
        return sum(part.broken for part in self._parts.values())

    # --- frames in their order

    def _sent(self, chunk: Chunk) -> None:
        frames = slcan.split(chunk.data).frames if self._slcan else _records(chunk)
        for _, key, data in _diagnostic(frames):
            self._asked(chunk.t_ns, chunk.t_ns, key, data)

    def _received(self, frames: Frames) -> None:
        for t_ns, key, data in _diagnostic(frames):
            party = party_of(*key)
            if party is None:
                self._asked(t_ns, t_ns - HEARD_NS, key, data)
                continue
            message = self._parts.setdefault(party, Assembler()).take(data, t_ns)
            if message is not None:
                self._message(party, message)

    def _asked(self, t_ns: int, t_lo: int, key: tuple[int, bool], data: bytes) -> None:
        length = data[0] & 15 if data and data[0] >> 4 == SINGLE else 0
        if is_request_id(*key) and 1 < length < len(data) and data[1] == 1:
            self._questions.asked(t_ns, t_lo, key[0], data[2 : 1 + length])

    def _restart(self, chunk: Chunk) -> None:
        self._frames.feed([chunk])
        self.counts["frames_bad"] += self._broken()
        self._parts.clear()
        self._questions = Questions()
        self.segment += 1

    def _message(self, party: Party, message: Message) -> None:
        refused = refusal(message.data)
        if refused is not None:
            self.counts["pending" if refused[1] == PENDING else "refused"] += 1
            if refused[0] == 1 and refused[1] != PENDING:
                self._questions.refused(party, message.t_first)
        elif message.data[:1] == b"\x41":
            self._values(party, message)

    def _values(self, party: Party, message: Message) -> None:
        values = split(message.data[1:])
        t_lo = self._questions.answered(party, set(values), message.t_first)
        if t_lo is None:
            self.counts["unasked"] += 1
            return
        self.counts["answers"] += 1
        self.counts["frames_ok"] += 1
        for pid, data in values.items():
            if pid in self.parameters and self.sources.setdefault(pid, party.name) == party.name:
                self._rows.setdefault(pid, []).append((t_lo, message.t_first, data))

    # --- rows

    def _blocks(self) -> list[Block]:
        rows, self._rows = self._rows, {}
        return [self._block(self.parameters[pid], its) for pid, its in rows.items()]

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


def _kind(chunk: Chunk) -> int:
    """What it is, frames of CAN FD counted among those received."""
    return ChunkKind.RX if chunk.kind == ChunkKind.RX_FD else chunk.kind


def _records(chunk: Chunk) -> Frames:
    whole = len(chunk.data) // FRAME.itemsize * FRAME.itemsize
    return np.frombuffer(chunk.data[:whole], FRAME)


def _diagnostic(frames: Frames) -> list[tuple[int, tuple[int, bool], bytes]]:
    """(t_host, (identifier, extended), data bytes) of the frames that may be of diagnostics."""
    number, flags = frames["id"], frames["flags"]
    extended = flags & FLAG_EXTENDED != 0
    short = ~extended & ((number == FUNCTIONAL) | (number & 0x7F0 == 0x7E0))
    long = extended & (number & 0x1FFE0000 == 0x18DA0000)
    plain = flags & (FLAG_REMOTE | FLAG_ERROR) == 0
    mine = frames[plain & (short | long) & (frames["length"] > 0)]
    return [
        (t_ns, (identifier, bool(flag & FLAG_EXTENDED)), bytes(data[:length]))
        for t_ns, _, identifier, flag, _, length, _, data in mine.tolist()
    ]
