"""Base for devices that answer requests: one request at a time, and no answer passes for another.

A request that has left and the answer that came bound the sample from both sides: it was taken
no earlier than the request left and no later than the answer's first bit.

A late answer is the danger: it would be taken for the answer to the next request, and so for ever.
Three things keep it out. A request is given up after a bounded time, and the line must then be
quiet before the next one. The exchange after a failed one is *in doubt*: it is believed only when
nothing follows its answer. And where the device echoes what it was asked, a reply to anything else
is set aside (:attr:`Dialogue.read` calls it a *stray*).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NamedTuple

from daq.clock import SECOND_NS
from daq.driver import (
    Action,
    Block,
    Chunk,
    ChunkKind,
    Conversation,
    Identified,
    Send,
)
from daq.errors import DeviceError
from daq.pushed import ByteStream, breaks_stream

PATIENCE = 3
"""Failures in a row after which a request is asked at REST_S only, so that it costs the others
little. Source: common practice, no source."""
REST_S = 30.0
PENDING_S = 5.0
"""Longest time that a device may put off one answer. Source: common practice, no source."""
ANSWER_BYTES = 65_536
"""Bytes after a request beyond which no answer is looked for any more."""
TALKATIVE_S = 5.0
"""How long bytes may arrive that nothing asked for before the device is taken for another one."""


@dataclass(frozen=True)
class Request:
    """What is sent, how often it is wanted, and how long its answer may take."""

    data: bytes
    rate_hz: float
    timeout_s: float = 0.2
    name: str = ""

    @property
    def words(self) -> str:
        """The request as an error names it."""
        return self.name or repr(self.data)[1:]


class Reply(NamedTuple):
    """A whole message found in the bytes since the request: its kind and its span.

    *answer*: the answer to the request; *refused*: the device said no; *pending*: it asks for more
    time; *stray*: a whole message that answers something else.
    """

    kind: Literal["answer", "refused", "pending", "stray"]
    first: int
    end: int


class Dialogue(ABC):
    """What is asked of a device and how its replies are recognised; shared by both halves."""

    requests: Sequence[Request]
    attempts: int = 3
    """Requests without an answer, in a row, after which the device is lost."""

    @abstractmethod
    def read(self, request: Request, buffer: bytes) -> Reply | None:
        """The first whole reply in *buffer*, or None while more bytes are needed."""

    def found(self, request: Request, answer: bytes) -> Mapping[str, Any]:
        """What the first answer tells of the device, for the preface.

        Raises DeviceError when another device answers.
        """
        return {}


class Schedule:
    """Which request is due: the one that is latest by its own period; a late one is not made up.

    A request that fails PATIENCE times in a row rests until REST_S have passed.
    """

    def __init__(self, requests: Sequence[Request], now_ns: int) -> None:
        self._requests = requests
        self._due = dict.fromkeys(requests, now_ns)
        self._failures = dict.fromkeys(requests, 0)

    @property
    def next_due_ns(self) -> int:
        """Host time at which the next request is due."""
        return min(self._due.values())

    def take(self, now_ns: int) -> Request | None:
        """The request to send now, or None; its next turn is set."""
        due = [request for request in self._requests if self._due[request] <= now_ns]
        if not due:
            return None
        request = max(due, key=lambda r: (now_ns - self._due[r]) / self._period_ns(r))
        period = self._period_ns(request)
        self._due[request] = max(self._due[request] + period, now_ns + period // 2)
        return request

    def answered(self, request: Request) -> None:
        """The request was answered."""
        self._failures[request] = 0

    def failed(self, request: Request, now_ns: int) -> None:
        """The request was refused or not answered."""
        self._failures[request] += 1
        if self._failures[request] >= PATIENCE:
            self._due[request] = now_ns + round(REST_S * SECOND_NS)

    @staticmethod
    def _period_ns(request: Request) -> int:
        return max(1, round(SECOND_NS / request.rate_hz))


class PolledConversation(Conversation):
    """Asks by schedule, one request outstanding at a time.

    ``late``, ``absent`` and ``refused`` count replies of those kinds.
    """

    def __init__(self, dialogue: Dialogue) -> None:
        self.dialogue = dialogue
        self.late = self.absent = self.refused = 0
        self._asked: Request | None = None
        self._asked_ns = 0
        self._buffer = bytearray()
        self._until_ns = 0  # the answer's deadline, or the end of the wait for quiet
        self._noisy_since_ns: int | None = None
        self._failures = 0
        self._in_doubt = True  # what an earlier opening asked may still be answered
        self._identified = False

    def opened(self, now_ns: int) -> Iterable[Action]:
        """Send the first request; the device is identified by its answer."""
        self._schedule = Schedule(self.dialogue.requests, now_ns)
        return self._ask(now_ns)

    @property
    def next_wake_ns(self) -> int | None:
        """The answer's deadline, the end of a wait for quiet, or the next turn."""
        if self._asked is not None:
            return self._until_ns
        return max(self._until_ns, self._schedule.next_due_ns)

    def received(self, chunk: Chunk) -> Iterable[Action]:
        """Take the bytes as the reply that is awaited, or as late."""
        if chunk.kind != ChunkKind.RX or not chunk.data:
            return ()
        if self._asked is None:
            return self._unasked(chunk)
        self._buffer += chunk.data
        actions: list[Action] = []
        while self._asked and (reply := self.dialogue.read(self._asked, bytes(self._buffer))):
            message = bytes(self._buffer[reply.first : reply.end])
            del self._buffer[: reply.end]
            actions += self._replied(self._asked, reply.kind, message, chunk.t_ns)
        return (*actions, *self._ask(chunk.t_ns))

    def wake(self, now_ns: int) -> Iterable[Action]:
        """Give up an overdue request; send the next one that is due."""
        if self._asked is not None and now_ns >= self._until_ns:
            self._give_up(self._asked, now_ns)
        return self._ask(now_ns)

    def _replied(self, request: Request, kind: str, message: bytes, now_ns: int) -> list[Action]:
        if kind == "stray":
            self.late += 1
            return []
        if kind == "pending":
            latest = self._asked_ns + _ns(PENDING_S)
            self._until_ns = min(now_ns + _ns(request.timeout_s), latest)
            return []
        self._asked, self._failures = None, 0
        if kind == "refused":
            self.refused += 1
            self._schedule.failed(request, now_ns)
        else:
            self._schedule.answered(request)
        wait = self._in_doubt or self._buffer
        self._until_ns = now_ns + _ns(request.timeout_s) if wait else now_ns
        self._in_doubt = bool(self._buffer)
        if self._identified or kind == "refused":
            return []
        self._identified = True
        return [Identified(self.dialogue.found(request, message))]

    def _give_up(self, request: Request, now_ns: int) -> None:
        self.absent += 1
        self._failures += 1
        if self._failures >= self.dialogue.attempts:
            raise DeviceError(
                f"no answer to {request.words} within {request.timeout_s:g} s"
                f" (got {bytes(self._buffer[:40])!r})"
            )
        self._schedule.failed(request, now_ns)
        self._asked, self._in_doubt = None, True
        self._until_ns = now_ns + _ns(request.timeout_s)

    def _unasked(self, chunk: Chunk) -> Iterable[Action]:
        self.late += 1
        self._in_doubt = True
        if self._noisy_since_ns is None:
            self._noisy_since_ns = chunk.t_ns
        if chunk.t_ns - self._noisy_since_ns > TALKATIVE_S * SECOND_NS:
            raise DeviceError(f"bytes arrive that nothing asked for (got {chunk.data[:40]!r})")
        slowest = max(request.timeout_s for request in self.dialogue.requests)
        self._until_ns = chunk.t_ns + _ns(slowest)
        return ()

    def _ask(self, now_ns: int) -> Iterable[Action]:
        if self._asked is not None or now_ns < self._until_ns:
            return ()
        request = self._schedule.take(now_ns)
        if request is None:
            return ()
        self._asked, self._asked_ns, self._noisy_since_ns = request, now_ns, None
        self._buffer.clear()
        self._until_ns = now_ns + _ns(request.timeout_s)
        return (Send(request.data),)


class Exchange(NamedTuple):
    """A request and its answer; the sample was taken from ``t_lo`` to ``t_hi``, host time in ns."""

    request: Request
    answer: bytes
    t_lo: int
    t_hi: int


class PolledDecoder(ABC):
    """Pairs what left with what came back; the same pairs however the bytes are cut.

    A subclass turns exchanges into rows. Requests that the dialogue does not know (another
    device's on the same line) end the exchange before them and have no answer here.
    """

    def __init__(self, dialogue: Dialogue, byte_ns: float) -> None:
        self.dialogue = dialogue
        self.stream = ByteStream(byte_ns)
        self.segment = 0
        self.counts = dict.fromkeys(("frames_ok", "frames_bad", "late", "absent", "refused"), 0)
        self._requests = {request.data: request for request in dialogue.requests}
        self._asked: Request | None = None
        self._asked_ns = 0
        self._in_doubt = True
        self._surplus = False
        self._held: Exchange | None = None

    @abstractmethod
    def rows(self, exchanges: list[Exchange]) -> list[Block]:
        """Blocks from exchanges, in their order; count an answer that makes no sense as bad."""

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """The rows completed by *chunks*."""
        done: list[Exchange] = []
        blocks: list[Block] = []
        for chunk in chunks:
            if chunk.kind == ChunkKind.RX:
                done += self._received(chunk)
            elif chunk.kind == ChunkKind.TX:
                done += self._sent(chunk)
            elif breaks_stream(chunk):
                blocks += self._rows(done)  # rows of the ended segment
                done = []
                self._restart()
        return blocks + self._rows(done)

    def report(self) -> dict[str, int | float | str]:
        """Answers taken and senseless, late, absent and refused ones."""
        return dict(self.counts)

    def _rows(self, exchanges: list[Exchange]) -> list[Block]:
        self.counts["frames_ok"] += len(exchanges)
        return self.rows(exchanges) if exchanges else []

    def _sent(self, chunk: Chunk) -> list[Exchange]:
        if self._asked is not None:
            self.counts["absent"] += 1
            self._in_doubt = True
        elif self._held is not None:
            self._in_doubt = False
        held, self._held, self._surplus = self._held, None, False
        self.stream.clear()
        self._asked, self._asked_ns = self._requests.get(chunk.data), chunk.t_ns
        return [held] if held else []

    def _received(self, chunk: Chunk) -> list[Exchange]:
        self.stream.add(chunk)
        done: list[Exchange] = []
        while self._asked and (reply := self.dialogue.read(self._asked, bytes(self.stream.buffer))):
            done += self._replied(self._asked, reply, chunk.t_ns)
        if self.stream.buffer and (self._asked is None or len(self.stream.buffer) > ANSWER_BYTES):
            self._unasked()
        return done

    def _replied(self, request: Request, reply: Reply, now_ns: int) -> list[Exchange]:
        begun_by = int(self.stream.begun_by([(reply.first, reply.end)])[0])
        answer = bytes(self.stream.buffer[reply.first : reply.end])
        self.stream.drop(reply.end)
        if reply.kind == "pending":
            return []
        if reply.kind == "stray":
            self.counts["late"] += 1
            return []
        self._asked = None
        if reply.kind == "refused":
            self.counts["refused"] += 1
            return []
        self.counts["late"] += now_ns > self._asked_ns + _ns(request.timeout_s)
        exchange = Exchange(request, answer, min(self._asked_ns, begun_by), begun_by)
        if not self._in_doubt:
            return [exchange]
        self._held = exchange
        return []

    def _unasked(self) -> None:
        """Bytes came that nothing asked for: an answer in doubt was another request's."""
        self.counts["late"] += (not self._surplus) + (self._held is not None)
        self._surplus = self._in_doubt = True
        self._held = None
        self.stream.clear()

    def _restart(self) -> None:
        self.stream.clear()
        self._asked = self._held = None
        self._in_doubt = True
        self.segment += 1


def _ns(seconds: float) -> int:
    return round(seconds * SECOND_NS)
