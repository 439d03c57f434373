"""A simulated ECU that answers OBD on the car's bus: frames in, frames out after its own time.

It has the habits that real ones have, each with a switch: see :class:`Ecu`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

Values = Mapping[int, Callable[[], bytes]]
"""Parameter to a function that gives its data bytes now."""
SERVICE_NOT_SUPPORTED, WRONG_LENGTH, PENDING = 0x11, 0x13, 0x78
PENDING_S = 0.08
FRAME_GAP_S = 0.001


class Frame(NamedTuple):
    """A frame of the bus."""

    identifier: int
    data: bytes
    extended: bool = False


@dataclass
class Ecu:
    """Answers service 01, one request after the other, each ``answer_s`` after it could begin.

    ``many``: what it does with several parameters in one request: answers them all, or the first
    alone, refuses, or says nothing. ``asleep``: says nothing at all. ``pending``: says so many
    times that it needs longer. ``refuses``: parameters that it claims to have and answers with
    this code; ``ignores``: those that it is silent on; ``hides``: those that it does not list.
    """

    values: Values
    answers: int = 0x7E8
    extended: bool = False
    answer_s: float = 0.008
    many: Literal["all", "first", "refused", "silent"] = "all"
    asleep: bool = False
    pending: int = 0
    refuses: Mapping[int, int] = field(default_factory=dict)
    ignores: frozenset[int] = frozenset()
    hides: frozenset[int] = frozenset()
    heard: list[Frame] = field(default_factory=list)
    _due: deque[tuple[float, bytes]] = field(default_factory=deque)
    _rest: list[bytes] = field(default_factory=list)
    _free_s: float = 0.0

    @property
    def asked_on(self) -> int:
        """Identifier of requests to this ECU alone."""
        if self.extended:
            return 0x18DA00F1 | (self.answers & 0xFF) << 8
        return self.answers - 8

    def receive(self, now_s: float, frame: Frame) -> None:
        """A frame of the bus."""
        to_all = 0x18DB33F1 if self.extended else 0x7DF
        mine = frame.identifier == self.asked_on
        if frame.extended != self.extended or not (mine or frame.identifier == to_all):
            return
        self.heard.append(frame)
        if self.asleep or not frame.data:
            return
        kind = frame.data[0] >> 4
        if kind == 3 and mine:
            self._due.extend((now_s + FRAME_GAP_S * n, d) for n, d in enumerate(self._rest, 1))
            self._rest = []
        elif kind == 0:
            self._free_s = max(now_s, self._free_s) + self.answer_s
            self._ask(frame.data[1 : 1 + (frame.data[0] & 15)], mine)

    def step(self, now_s: float) -> list[Frame]:
        """Frames that leave by *now_s*."""
        sent = []
        while self._due and self._due[0][0] <= now_s:
            data = self._due.popleft()[1].ljust(8, b"\xaa")
            sent.append(Frame(self.answers, data, self.extended))
        return sent

    def _ask(self, request: bytes, mine: bool) -> None:
        service, asked = request[:1], request[1:]
        if service != b"\x01":
            if mine and request:
                self._refuse(request[0], SERVICE_NOT_SUPPORTED)
            return
        for _ in range(self.pending):
            self._refuse(1, PENDING)
            self._free_s += PENDING_S
        if len(asked) > 1 and self.many != "all":
            if self.many == "refused":
                self._refuse(1, WRONG_LENGTH)
            if self.many != "first":
                return
            asked = asked[:1]
        codes = [self.refuses[pid] for pid in asked if pid in self.refuses]
        if codes:
            self._refuse(1, codes[0])
            return
        answer = b"".join(bytes([pid]) + data for pid in asked if (data := self._data(pid)))
        if answer:
            self._send(b"\x41" + answer)

    def _refuse(self, service: int, code: int) -> None:
        self._due.append((self._free_s, bytes([3, 0x7F, service, code])))

    def _data(self, pid: int) -> bytes:
        if pid % 0x20 == 0:
            bits = sum(1 << (32 - n) for n in range(1, 33) if self._lists(pid + n))
            return bits.to_bytes(4, "big") if bits or pid == 0 else b""
        return self.values[pid]() if pid in self.values and pid not in self.ignores else b""

    def _lists(self, pid: int) -> bool:
        listed = {*self.values, *self.refuses} - self.hides
        return any(known >= pid for known in listed) if pid % 0x20 == 0 else pid in listed

    def _send(self, message: bytes) -> None:
        if len(message) <= 7:
            self._due.append((self._free_s, bytes([len(message)]) + message))
            return
        head = bytes([0x10 | len(message) >> 8, len(message) & 255])
        self._due.append((self._free_s, head + message[:6]))
        parts = [message[n : n + 7] for n in range(6, len(message), 7)]
        self._rest = [bytes([0x20 | n & 15]) + part for n, part in enumerate(parts, 1)]
