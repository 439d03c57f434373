"""The serial wire on real pseudo-terminals, and what it says when it cannot be opened."""

from __future__ import annotations

import contextlib
import os
import pty
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq.clock import monotonic_ns
from daq.errors import WireError
from daq.wire.serial import SerialPort, resolve


@pytest.fixture
def line(tmp_path: Path) -> Iterator[tuple[int, int, str]]:
    """Master, slave and a stable link to a pseudo-terminal."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    link = tmp_path / "line"
    link.symlink_to(os.ttyname(slave))
    yield master, slave, str(link)
    for descriptor in (master, slave):
        with contextlib.suppress(OSError):
            os.close(descriptor)


def test_reads_what_arrives_and_stamps_it_at_once(line: tuple[int, int, str]) -> None:
    master, _, link = line
    port = SerialPort(link, baud=115200)
    for timeout_s in (0.05, 0.25):
        before = monotonic_ns()
        os.write(master, b"hello")
        ((kind, stamp, data),) = port.read(timeout_s)
        assert (kind, data) == (0, b"hello")
        assert before < stamp <= monotonic_ns()
    port.close()


@pytest.mark.parametrize("timeout_s", [0.0, 0.05, 0.25, 10.0])
def test_silence_returns_within_a_quarter_second(
    line: tuple[int, int, str], timeout_s: float
) -> None:
    port = SerialPort(line[2], baud=115200)
    begun = time.monotonic()
    assert port.read(timeout_s) == []
    assert time.monotonic() - begun < min(timeout_s, 0.2) + 0.15
    port.close()


def test_writes_and_says_when(line: tuple[int, int, str]) -> None:
    master, _, link = line
    port = SerialPort(link, baud=9600, parity="even", data_bits=7)
    before = monotonic_ns()
    assert before < port.write(b"T?\r") <= monotonic_ns()
    assert os.read(master, 100) == b"T?\r"
    port.close()


def test_unplugged_is_a_wire_error(line: tuple[int, int, str]) -> None:
    master, slave, link = line
    port = SerialPort(link, baud=115200)
    os.close(slave)
    os.close(master)
    for timeout_s in (0.25, 0.01):
        with pytest.raises(WireError, match="the line is gone"):
            port.read(timeout_s)
    with pytest.raises(WireError):
        port.write(b"x")
    port.close()


def test_a_line_that_takes_nothing_is_a_wire_error(line: tuple[int, int, str]) -> None:
    port = SerialPort(line[2], baud=115200)
    begun = time.monotonic()
    with pytest.raises(WireError, match="takes no bytes"):
        port.write(bytes(1_000_000))
    assert time.monotonic() - begun < 5
    port.close()


def test_a_port_that_is_held_names_its_holder(line: tuple[int, int, str]) -> None:
    first = SerialPort(line[2], baud=115200)
    with pytest.raises(WireError, match="another program has this port open"):
        SerialPort(line[2], baud=115200)
    first.close()
    SerialPort(line[2], baud=115200).close()


def test_a_port_that_is_absent_is_named() -> None:
    with pytest.raises(WireError, match=r"/dev/serial/by-id/none: no such port"):
        SerialPort("/dev/serial/by-id/none", baud=115200)


def test_something_that_is_no_port_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(WireError, match="cannot be opened"):
        SerialPort(str(tmp_path / "file"), baud=115200)


@pytest.mark.parametrize("name", ["/dev/ttyUSB0", "/dev/ttyACM12"])
def test_names_that_move_are_refused(name: str) -> None:
    with pytest.raises(WireError, match=f"{name}: this name may go to another device"):
        resolve(name)


def test_a_usb_identity_that_no_port_has_is_named() -> None:
    with pytest.raises(WireError, match="no port has this identity; found: "):
        resolve("usb:0403:6001:NOSUCH")


def test_facts_name_the_device(line: tuple[int, int, str]) -> None:
    _, slave, link = line
    port = SerialPort(link, baud=115200)
    assert port.facts["device"] == os.ttyname(slave)
    assert port.facts["port"] == link
    assert port.facts["low_latency"] is False, "a pseudo-terminal has no such thing"
    port.close()
