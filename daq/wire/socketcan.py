"""A CAN interface of the kernel: opened by python-can, its socket read in batches.

Every frame carries the kernel's stamp, which is wall time and not to be trusted, and our own
monotonic stamp at the return of the read. What the kernel dropped is counted.

Source: Linux Documentation/networking/can.rst (struct can_frame, canfd_frame, CAN_RAW);
socket(7) (SO_TIMESTAMPNS, SO_RXQ_OVFL, SO_RCVBUFFORCE).
"""

from __future__ import annotations

import contextlib
import select
import socket
import struct
from typing import Any

from daq.clock import SECOND_NS, monotonic_ns
from daq.errors import WireError
from daq.wire.can import (
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
    FLAG_SENT,
)

RX, RX_FD = 0, 3
"""As daq.driver.ChunkKind."""
BATCH = 512
RECEIVE_BUFFER_BYTES = 4_000_000
SO_TIMESTAMPNS = 35
SO_RXQ_OVFL = 40
SO_RCVBUFFORCE = 33
_EXTENDED, _REMOTE, _ERROR = 0x80000000, 0x40000000, 0x20000000
_MTU, _MTU_FD = 16, 72
_HEAD = struct.Struct("=IBBxx")
_TIMESPEC = struct.Struct("@ll")
_RECORD = struct.Struct("<qqIBBBx8s")
"""One record of daq.wire.can.FRAME."""
_RECORD_FD = struct.Struct("<qqIBBBx64s")
"""One record of daq.wire.can.FRAME_FD."""


def open_socketcan(channel: str) -> CanSocket:
    """The interface *channel*, by python-can.

    Raises WireError naming the channel and what to do.
    """
    import can

    try:
        bus: Any = can.Bus(channel, interface="socketcan", fd=True, receive_own_messages=False)
    except (can.CanError, OSError, ValueError) as error:
        raise WireError(
            f"{channel}: cannot be opened: {error};"
            f" is it there and up? (ip link set {channel} up type can bitrate ...)"
        ) from None
    return CanSocket(bus.socket, channel, bus.shutdown)


class CanSocket:
    """An open raw CAN socket. One thread reads, writes and closes it.

    ``dropped`` counts frames that the kernel had no room for, as far as it says.
    """

    def __init__(self, sock: socket.socket, channel: str, shutdown: Any = None) -> None:
        self.channel, self.dropped = channel, 0
        self._socket, self._shutdown = sock, shutdown or sock.close
        self._dropped_before = 0
        sock.setblocking(False)
        sock.setsockopt(socket.SOL_SOCKET, SO_TIMESTAMPNS, 1)
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, SO_RXQ_OVFL, 1)
        with contextlib.suppress(OSError):
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, RECEIVE_BUFFER_BYTES)
        with contextlib.suppress(OSError):  # beyond the system's limit: for root
            sock.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, RECEIVE_BUFFER_BYTES)
        size = sock.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)
        self.facts = {"channel": channel, "receive_buffer_bytes": size}

    def read(self, timeout_s: float) -> list[tuple[int, int, bytes]]:
        """All frames that wait, at most 512, as chunks (kind, host ns, records).

        Empty after *timeout_s*. Raises WireError when the interface is gone or down.
        """
        try:
            if not select.select([self._socket], [], [], max(timeout_s, 0))[0]:
                return []
            return self._batch()
        except OSError as error:
            raise WireError(f"{self.channel}: the interface is gone: {error.strerror}") from None

    def take_dropped(self) -> int:
        """Frames dropped by the kernel since this was last asked."""
        count, self._dropped_before = self.dropped - self._dropped_before, self.dropped
        return count

    def write(self, record: bytes) -> int:
        """Send one record of FRAME; host ns when the kernel has taken it.

        Raises WireError: also when the transmit queue is full, as when nobody acknowledges.
        """
        _, _, number, flags, _, length, data = _RECORD.unpack(record)
        number |= _EXTENDED * bool(flags & FLAG_EXTENDED) | _REMOTE * bool(flags & FLAG_REMOTE)
        try:
            self._socket.send(_HEAD.pack(number, length, 0) + data)
        except OSError as error:
            raise WireError(f"{self.channel}: cannot send: {error.strerror}") from None
        return monotonic_ns()

    def close(self) -> None:
        """Close the socket."""
        with contextlib.suppress(OSError):
            self._shutdown()

    def _batch(self) -> list[tuple[int, int, bytes]]:
        classic: list[bytes] = []
        flexible: list[bytes] = []
        for _ in range(BATCH):
            try:
                frame, ancillary, flags, _ = self._socket.recvmsg(_MTU_FD, 128)
            except BlockingIOError:
                break
            stamp = monotonic_ns()
            record = self._record(frame, stamp, self._ancillary(ancillary), flags)
            if record is not None:
                (flexible if len(frame) == _MTU_FD else classic).append(record)
        chunks = []
        if classic:
            chunks.append((RX, stamp, b"".join(classic)))
        if flexible:
            chunks.append((RX_FD, stamp, b"".join(flexible)))
        return chunks

    def _ancillary(self, items: list[tuple[int, int, bytes]]) -> int:
        """The kernel's stamp in ns, 0 for none; takes over its count of dropped frames."""
        stamp = 0
        for _, kind, data in items:
            if kind == SO_TIMESTAMPNS:
                seconds, nanoseconds = _TIMESPEC.unpack_from(data)
                stamp = seconds * SECOND_NS + nanoseconds
            elif kind == SO_RXQ_OVFL:
                self.dropped = int.from_bytes(data[:4], "little")
        return stamp

    def _record(self, frame: bytes, host: int, kernel: int, message_flags: int) -> bytes | None:
        """A record of FRAME or FRAME_FD; None for what is no CAN frame."""
        if len(frame) not in (_MTU, _MTU_FD):
            return None
        number, length, frame_flags = _HEAD.unpack_from(frame)
        flags = FLAG_SENT if message_flags & socket.MSG_DONTROUTE else 0
        flags |= FLAG_REMOTE if number & _REMOTE else 0
        flags |= FLAG_ERROR if number & _ERROR else 0
        flags |= FLAG_EXTENDED if number & _EXTENDED else 0
        number &= 0x1FFFFFFF if number & (_EXTENDED | _ERROR) else 0x7FF
        if len(frame) == _MTU:
            return _RECORD.pack(host, kernel, number, flags, 0, min(length, 8), frame[8:])
        flags |= FLAG_FD | (FLAG_BITRATE_SWITCH if frame_flags & 1 else 0)
        return _RECORD_FD.pack(host, kernel, number, flags, 0, min(length, 64), frame[8:])
