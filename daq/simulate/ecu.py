"""A simulated ECU that answers OBD on the car's bus: frames in, frames out after its own time."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple

Values = Mapping[int, Callable[[], bytes]]
"""Parameter to a function that gives its data bytes now."""
SERVICE_NOT_SUPPORTED = 0x11


class Frame(NamedTuple):
    """A frame with an 11-bit identifier."""

    identifier: int
    data: bytes


@dataclass
class Ecu:
    """Answers service 01 on *answers* - 8 and 7DF, ``answer_s`` after the request.

    ``single``: answers only the first of several parameters, as cheap ones do. ``asleep``: says
    nothing. ``pending``: says so many times that it needs longer. ``refuses``: parameters that it
    claims to have and then refuses.
    """

    values: Values
    answers: int = 0x7E8
    answer_s: float = 0.008
    single: bool = False
    asleep: bool = False
    pending: int = 0
    refuses: frozenset[int] = frozenset()
    heard: list[Frame] = field(default_factory=list)
    _due: deque[tuple[float, bytes]] = field(default_factory=deque)
    _rest: list[bytes] = field(default_factory=list)

    def receive(self, now_s: float, frame: Frame) -> None:
        """A frame of the bus."""
        mine = frame.identifier == self.answers - 8
        if not mine and frame.identifier != 0x7DF:
            return
        self.heard.append(frame)
        if self.asleep or not frame.data:
            return
        kind = frame.data[0] >> 4
        if kind == 3 and mine and self._rest:
            self._due.extend((now_s + 0.001 * n, data) for n, data in enumerate(self._rest, 1))
            self._rest = []
        elif kind == 0:
            self._ask(now_s, frame.data[1 : 1 + (frame.data[0] & 15)], mine)

    def step(self, now_s: float) -> list[Frame]:
        """Frames that leave by *now_s*."""
        sent = []
        while self._due and self._due[0][0] <= now_s:
            sent.append(Frame(self.answers, self._due.popleft()[1].ljust(8, b"\xaa")))
        return sent

    def _ask(self, now_s: float, request: bytes, mine: bool) -> None:
        due = now_s + self.answer_s
        if request[:1] != b"\x01":
            if mine and request:
                self._due.append((due, bytes([3, 0x7F, request[0], SERVICE_NOT_SUPPORTED])))
            return
        for _ in range(self.pending):
            self._due.append((due, bytes([3, 0x7F, 1, 0x78])))
            due += 0.08
        wanted = request[1:2] if self.single else request[1:]
        if any(pid in self.refuses for pid in wanted):
            self._due.append((due, bytes([3, 0x7F, 1, 0x12])))
            return
        answer = b"".join(bytes([pid]) + data for pid in wanted if (data := self._data(pid)))
        if answer:
            self._send(due, b"\x41" + answer)

    def _data(self, pid: int) -> bytes:
        if pid % 0x20 == 0:
            bits = sum(1 << (32 - n) for n in range(1, 33) if self._has(pid + n))
            return bits.to_bytes(4, "big") if bits or pid == 0 else b""
        return self.values[pid]() if pid in self.values else b""

    def _has(self, pid: int) -> bool:
        if pid % 0x20 == 0:
            return any(known >= pid for known in self.values)
        return pid in self.values

    def _send(self, due: float, message: bytes) -> None:
        if len(message) <= 7:
            self._due.append((due, bytes([len(message)]) + message))
            return
        self._due.append((due, bytes([0x10 | len(message) >> 8, len(message) & 255]) + message[:6]))
        parts = [message[n : n + 7] for n in range(6, len(message), 7)]
        self._rest = [bytes([0x20 | n & 15]) + part for n, part in enumerate(parts, 1)]
