"""What may leave on a car's bus: the list, and the one place where it is held to."""

from __future__ import annotations

import os
import select
import struct
import threading
import time
import tty
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq import registry
from daq.bench import Bench, BenchConfig, DeviceConfig, WireConfig
from daq.driver import Action, Conversation, Driver, Send
from daq.errors import DeviceError
from daq.reader import WireReader
from daq.wire import allowed
from daq.wire.can import FLAG_ERROR, FLAG_EXTENDED, FLAG_FD, FLAG_REMOTE, FRAME

READS = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A, 0x19, 0x1A, 0x21, 0x22, 0x81, 0x82}
"""Services with any sub-function. Source: SAE J1979, ISO 14229-1, ISO 14230-3, from memory."""


def record(identifier: int, data: bytes, flags: int = 0, length: int | None = None) -> bytes:
    frame = np.zeros(1, FRAME)
    frame["id"], frame["flags"] = identifier, flags
    frame["length"] = len(data) if length is None else length
    frame["data"][0, : len(data)] = list(data)
    return frame.tobytes()


# --- the list


@pytest.mark.parametrize("service", range(256))
def test_only_reading_services_may_leave(service):
    data = bytes([2, service, 0x20])
    if service in READS:
        allowed.check(0x7E0, False, data)
    else:
        with pytest.raises(DeviceError, match=rf"^7E0#{data.hex().upper()} is not sent: .*"):
            allowed.check(0x7E0, False, data)


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("01 04", "clears trouble codes"),
        ("02 08 01", "actuates"),
        ("02 10 02", "programming session"),
        ("02 10 03", "extended session"),
        ("01 10", "a session without saying which"),
        ("02 11 01", "resets"),
        ("04 14 FF FF FF", "clears trouble codes"),
        ("02 27 01", "unlocks"),
        ("03 28 00 01", "silences the bus"),
        ("04 2E F1 90 00", "writes"),
        ("05 2F 01 02 03 FF", "actuates"),
        ("04 31 01 00 00", "starts a routine"),
        ("04 34 00 11 00", "begins a download"),
        ("03 3B 01 00", "writes (KWP)"),
        ("06 3D 11 00 00 01 FF", "writes memory"),
        ("02 85 02", "stops trouble codes from being set"),
        ("02 3E 33", "a keep-alive that nobody knows"),
        ("10 0A 22 F1 90 F1 91 F1", "first frame of a long request"),
        ("21 00", "the rest of a long request"),
        ("00 0C 2E F1 90 00 00 00", "length in the second byte"),
        ("09 01 0C", "longer than its frame"),
        ("33 00 00", "flow control with a reserved status"),
        ("30", "half a flow control"),
        ("", "nothing"),
    ],
)
def test_what_writes_unlocks_resets_actuates_or_is_no_request_is_refused(text, what):
    data = bytes.fromhex(text)
    with pytest.raises(DeviceError, match=f"7E0#{data.hex().upper()} is not sent"):
        allowed.check(0x7E0, False, data)


@pytest.mark.parametrize(
    "text", ["02 10 01", "02 3E 00", "02 3E 80", "30 00 00", "31 00 00", "02 01 0C", "03 22 F1 90",
             "03 19 02 FF", "02 1A 90", "02 21 01", "01 81", "01 82", "01 03", "01 07", "01 0A"]
)  # fmt: skip
def test_what_reads_passes_in_both_forms_of_identifier(text):
    allowed.check(0x7E7, False, bytes.fromhex(text))
    allowed.check(0x18DA10F1, True, bytes.fromhex(text))


def test_flow_control_goes_to_one_ecu():
    for identifier, extended in ((0x7DF, False), (0x18DB33F1, True)):
        with pytest.raises(DeviceError, match="one ECU"):
            allowed.check(identifier, extended, bytes([0x30, 0, 0]))


@given(st.integers(0, 0x1FFFFFFF), st.booleans())
def test_no_other_identifier_leaves(identifier, extended):
    """Source: ISO 15765-4, identifiers of requests, from memory."""
    short = identifier == 0x7DF or 0x7E0 <= identifier <= 0x7E7
    long = identifier == 0x18DB33F1 or (identifier >> 16, identifier & 0xFF) == (0x18DA, 0xF1)
    if long if extended else short:
        allowed.check(identifier, extended, b"\x02\x01\x0c")
    else:
        with pytest.raises(DeviceError, match="identifier"):
            allowed.check(identifier, extended, b"\x02\x01\x0c")


# --- records, as drivers send them


def test_a_record_is_read_as_it_is_laid_out():
    assert FRAME.itemsize == allowed.RECORD.size
    allowed.check_record(record(0x18DA10F1, b"\x02\x01\x0c", FLAG_EXTENDED))
    with pytest.raises(DeviceError, match="18DA10F1#0114"):
        allowed.check_record(record(0x18DA10F1, b"\x01\x14", FLAG_EXTENDED))


@pytest.mark.parametrize("flags", [FLAG_REMOTE, FLAG_ERROR, FLAG_FD, FLAG_REMOTE | FLAG_EXTENDED])
def test_only_plain_data_frames_leave(flags):
    with pytest.raises(DeviceError, match="no plain data frame"):
        allowed.check_record(record(0x7E0, b"\x02\x01\x0c", flags))


def test_a_length_beyond_the_frame_is_refused():
    with pytest.raises(DeviceError, match="length 9"):
        allowed.check_record(record(0x7E0, b"\x02\x01\x0c", length=9))


def test_a_second_record_does_not_slip_through_behind_the_first():
    good, bad = record(0x7E0, b"\x02\x01\x0c"), record(0x7E0, b"\x01\x04")
    for data in (good + bad, good[:-1], b""):
        with pytest.raises(DeviceError, match="not one record"):
            allowed.check_record(data)


@given(st.binary(min_size=32, max_size=32))
def test_whatever_passes_is_a_reading_request(data):
    try:
        allowed.check_record(data)
    except DeviceError:
        return
    identifier, length = struct.unpack_from("<I", data, 16)[0], data[22]
    assert identifier & 0x700 == 0x700 or identifier >> 16 in (0x18DA, 0x18DB)
    assert data[24] >> 4 == 3 or data[25] in READS | {0x10, 0x3E}
    assert length <= 8


# --- the place


@dataclass(frozen=True)
class Settings:
    pass


class Rogue(Driver):
    """Sends what it is told as soon as the wire is open."""

    summary = "sends anything"
    rung = "simulated"
    wires: ClassVar[frozenset[str]] = frozenset({"can"})
    Config = Settings
    says: ClassVar[bytes] = b""

    def streams(self, found: Any) -> tuple[()]:
        return ()

    def conversation(self) -> Conversation:
        return Says(self.says)

    def decoder(self, preface: Any) -> Any:
        raise NotImplementedError


class Says(Conversation):
    def __init__(self, data: bytes) -> None:
        self.data = data

    def opened(self, now_ns: int) -> Iterable[Action]:
        return (Send(self.data),)


@pytest.fixture
def adapter(tmp_path: Path) -> Iterator[int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    (tmp_path / "adapter").symlink_to(os.ttyname(slave))
    yield master
    os.close(master)
    os.close(slave)


Leaves = Callable[..., tuple[bytes, str]]


@pytest.fixture
def leaves(tmp_path: Path, adapter: int, monkeypatch: pytest.MonkeyPatch) -> Leaves:
    """Bytes on the adapter's line when a driver sends a record, and how the device is then."""
    monkeypatch.setattr(registry, "load", {"rogue": Rogue}.__getitem__)

    def leaves(data: bytes, listen_only: bool = False) -> tuple[bytes, str]:
        monkeypatch.setattr(Rogue, "says", data)
        wire = WireConfig(kind="slcan", port=str(tmp_path / "adapter"), bitrate=500_000,
                          listen_only=listen_only)  # fmt: skip
        devices = {"rogue": DeviceConfig("car", "rogue", Settings())}
        stop = threading.Event()
        reader = WireReader(Bench(BenchConfig("B"), {"car": wire}, devices), "car", stop)
        reader.start()
        while reader.state != "open":
            time.sleep(0.005)
        time.sleep(0.1)
        stop.set()
        reader.join(2.0)
        sent = b""
        while select.select([adapter], [], [], 0.3)[0]:
            sent += os.read(adapter, 4096)  # a terminal may hand over in pieces
        return sent, reader.status()["devices"]["rogue"]

    return leaves


OPENED, CLOSED = b"\r\rC\rS6\rO\r", b"\rC\r"


def test_what_reads_leaves_as_a_line_of_the_adapter(leaves: Leaves) -> None:
    data, state = leaves(record(0x7E0, b"\x02\x01\x0c"))
    assert data == OPENED + b"t7E0302010C\r" + CLOSED
    assert state == "not identified"


@pytest.mark.parametrize(
    "data",
    [
        record(0x7E0, b"\x01\x04"),
        record(0x123, b"\x02\x01\x0c"),
        record(0x7E0, b"\x02\x01\x0c", FLAG_REMOTE),
        record(0x7E0, b"\x02\x01\x0c") + record(0x7E0, b"\x01\x04"),
    ],
    ids=["clears", "identifier", "remote", "two records"],
)
def test_nothing_else_leaves_and_the_device_has_failed_by_name(leaves: Leaves, data: bytes) -> None:
    sent, state = leaves(data)
    assert sent == OPENED + CLOSED
    assert state.startswith("DeviceError: ")
    assert "is not sent" in state


def test_on_a_wire_that_listens_nothing_leaves_at_all(leaves: Leaves) -> None:
    sent, state = leaves(record(0x7E0, b"\x02\x01\x0c"), listen_only=True)
    assert sent == OPENED.replace(b"O", b"L") + CLOSED
    assert state == "DeviceError: wire car is listen-only"
