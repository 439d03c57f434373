"""Messages over CAN frames: what a reader of diagnostics needs of the transport protocol.

Pure: no bus and no clock, so that a journal is put together again as the live bus was. Requests
of a reader fit into single frames; answers may need several, which is all that has to be told
apart here.

Source: ISO 15765-2 (frame kinds, flow control, separation time), from memory; checked against the
published values in tests and against the can-isotp package as a peer.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

SINGLE, FIRST, CONSECUTIVE, FLOW_CONTROL = 0, 1, 2, 3
"""Upper half of a frame's first byte."""
CONTINUE, WAIT, OVERFLOW = 0, 1, 2
"""Flow status."""
PADDING = 0x00
TIMEOUT_NS = 1_000_000_000
"""N_Cr: longest wait for a consecutive frame."""


class FlowControl(NamedTuple):
    """What the receiver of a long message tells its sender."""

    status: int
    block_size: int
    separation_us: int


class Message(NamedTuple):
    """A whole message, and the times of its first and last frame in ns."""

    data: bytes
    t_first: int
    t_last: int


def single(data: bytes) -> bytes:
    """The 8 data bytes of a frame that carries *data* (1 to 7 bytes); ValueError otherwise."""
    if not 1 <= len(data) <= 7:
        raise ValueError(f"a single frame carries 1 to 7 bytes, not {len(data)}")
    return (bytes([len(data)]) + data).ljust(8, bytes([PADDING]))


def clear_to_send() -> bytes:
    """The flow control frame that asks for the rest without pause."""
    return bytes([FLOW_CONTROL << 4 | CONTINUE, 0, 0]).ljust(8, bytes([PADDING]))


def flow_control(data: bytes) -> FlowControl | None:
    """What a flow control frame says; None when it is none. Reserved times count as 127 ms."""
    if len(data) < 3 or data[0] >> 4 != FLOW_CONTROL:
        return None
    return FlowControl(data[0] & 0x0F, data[1], separation_us(data[2]))


def separation_us(code: int) -> int:
    """Least time between consecutive frames in µs, from its code."""
    if code <= 0x7F:
        return code * 1000
    if 0xF1 <= code <= 0xF9:
        return (code - 0xF0) * 100
    return 127_000


@dataclass
class Assembler:
    """Puts the frames of one sender together. ``broken`` counts messages that did not get whole."""

    broken: int = 0
    _data: bytearray = field(default_factory=bytearray)
    _length: int = 0
    _next: int = 0
    _first_ns: int = 0
    _last_ns: int = 0

    @property
    def wants_flow_control(self) -> bool:
        """Whether the frame just taken was the first of a long message."""
        return bool(self._length) and self._next == 1 and len(self._data) <= 6

    def take(self, frame: bytes, t_ns: int) -> Message | None:
        """The message that *frame* completes, or None."""
        kind = frame[0] >> 4 if frame else FLOW_CONTROL
        if kind == SINGLE:
            self._drop()
            length = frame[0] & 0x0F
            whole = 1 <= length <= len(frame) - 1
            self.broken += not whole
            return Message(bytes(frame[1 : 1 + length]), t_ns, t_ns) if whole else None
        if kind == FIRST:
            self._begin(frame, t_ns)
        elif kind == CONSECUTIVE and self._length:
            return self._continue(frame, t_ns)
        return None

    def _begin(self, frame: bytes, t_ns: int) -> None:
        self._drop()
        length = (frame[0] & 0x0F) << 8 | frame[1] if len(frame) == 8 else 0
        if length < 8:
            self.broken += 1
            return
        self._data, self._length, self._next = bytearray(frame[2:]), length, 1
        self._first_ns = self._last_ns = t_ns

    def _continue(self, frame: bytes, t_ns: int) -> Message | None:
        if frame[0] & 0x0F != self._next or t_ns - self._last_ns > TIMEOUT_NS:
            self._drop()
            return None
        self._data += frame[1:]
        self._next, self._last_ns = (self._next + 1) & 0x0F, t_ns
        if len(self._data) < self._length:
            return None
        message = Message(bytes(self._data[: self._length]), self._first_ns, t_ns)
        self._length = 0
        return message

    def _drop(self) -> None:
        self.broken += bool(self._length)
        self._length = 0
