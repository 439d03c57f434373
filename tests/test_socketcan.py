"""Reading a CAN socket in batches. The kernel here may lack CAN: a loopback datagram socket stands
in, which delivers the same structures with the same stamps; a test on a real interface is skipped
where there is none.
"""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Iterator

import can
import can.interfaces.socketcan.socketcan as reference
import numpy as np
import pytest

from daq.clock import monotonic_ns, realtime_ns
from daq.errors import WireError
from daq.wire.can import FLAG_EXTENDED, FLAG_FD, FLAG_REMOTE, FRAME, FRAME_FD
from daq.wire.socketcan import CanSocket, open_socketcan

Pair = tuple[socket.socket, CanSocket]


@pytest.fixture
def pair() -> Iterator[Pair]:
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.connect(receiver.getsockname())
    wire = CanSocket(receiver, "stand-in")
    yield sender, wire
    sender.close()
    wire.close()


def frame(number: int, data: bytes) -> bytes:
    """struct can_frame. Source: Linux uapi/linux/can.h, as python-can builds it."""
    built: bytes = reference.build_can_frame(
        can.Message(arbitration_id=number & 0x1FFFFFFF, is_extended_id=number > 0x7FF, data=data)
    )
    return built


def test_frames_are_those_of_python_can(pair: Pair) -> None:
    """The same bytes read by python-can's own dissector give the same identifier and data."""
    sender, wire = pair
    sent = [(0x123, b"12345678"), (0x1ABCDEF0, b"\x01\x02"), (0x7FF, b"")]
    before_host, before_wall = monotonic_ns(), realtime_ns()
    for number, data in sent:
        sender.send(frame(number, data))
    time.sleep(0.01)
    ((kind, stamp, records),) = wire.read(1.0)
    frames = np.frombuffer(records, FRAME)
    assert kind == 0
    assert len(frames) == 3
    for got, (number, data) in zip(frames, sent, strict=True):
        arbitration, length, _, content = reference.dissect_can_frame(frame(number, data))
        assert got["id"] == number == arbitration & 0x1FFFFFFF
        assert got["length"] == length == len(data)
        assert got["data"].tobytes()[:length] == content[:length] == data
        assert bool(got["flags"] & FLAG_EXTENDED) == bool(arbitration & 0x80000000)
    assert (np.diff(frames["t_host"]) >= 0).all()
    assert before_host < frames["t_host"][0] <= frames["t_host"][-1] == stamp <= monotonic_ns()
    assert (frames["t_device"] >= before_wall).all()
    assert (frames["t_device"] <= realtime_ns()).all()


def test_remote_error_and_fd_frames(pair: Pair) -> None:
    sender, wire = pair
    sender.send(struct.pack("=IBxxx8s", 0x40000100, 4, b""))
    message = can.Message(
        arbitration_id=0x10, is_extended_id=False, is_fd=True, data=bytes(range(64))
    )
    sender.send(reference.build_can_frame(message))
    time.sleep(0.01)
    chunks = {kind: records for kind, _, records in wire.read(1.0)}
    (remote,) = np.frombuffer(chunks[0], FRAME)
    assert remote["id"] == 0x100
    assert remote["flags"] == FLAG_REMOTE
    (flexible,) = np.frombuffer(chunks[3], FRAME_FD)
    assert flexible["flags"] & FLAG_FD
    assert flexible["length"] == 64
    assert flexible["data"].tobytes() == bytes(range(64))


def test_what_is_no_frame_is_left_out(pair: Pair) -> None:
    sender, wire = pair
    sender.send(b"short")
    assert wire.read(0.1) == []


def test_silence_returns_in_time(pair: Pair) -> None:
    begun = time.monotonic()
    assert pair[1].read(0.1) == []
    assert time.monotonic() - begun < 0.3


def test_frames_dropped_by_the_kernel_are_counted() -> None:
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.bind(("127.0.0.1", 0))
    sender = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    sender.connect(receiver.getsockname())
    wire = CanSocket(receiver, "stand-in")
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    for number in range(200):
        sender.send(frame(number, b""))
    received = 0
    while chunks := wire.read(0.05):
        received += sum(len(np.frombuffer(records, FRAME)) for _, _, records in chunks)
    sender.send(frame(1, b""))
    received += len(wire.read(0.5))
    assert received < 200, "the small buffer dropped some"
    assert wire.take_dropped() == 201 - received
    assert wire.take_dropped() == 0
    sender.close()
    wire.close()


def test_a_sent_record_is_a_frame() -> None:
    wire_side, other = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
    wire = CanSocket(wire_side, "stand-in")
    record = np.zeros(1, FRAME)
    record["id"], record["flags"], record["length"] = 0x18DB33F1, FLAG_EXTENDED, 3
    record["data"][0, :3] = (2, 1, 12)
    before = monotonic_ns()
    assert before < wire.write(record.tobytes()) <= monotonic_ns()
    sent = other.recv(100)
    assert len(sent) == 16
    arbitration, length, _, data = reference.dissect_can_frame(sent)
    assert (arbitration, length) == (0x18DB33F1 | 0x80000000, 3)
    assert data[:3] == b"\x02\x01\x0c"
    other.close()
    wire.close()


def test_an_interface_that_is_not_there_is_named() -> None:
    with pytest.raises(WireError, match="nosuch0: cannot be opened"):
        open_socketcan("nosuch0")
