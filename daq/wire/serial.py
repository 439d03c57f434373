"""A serial line: opened by pyserial, read in plain blocking reads that end within a quarter second.

Waiting is left to the terminal layer (VMIN 0, VTIME 2): one system call for each arrival costs the
least and hands the interpreter over once.
"""

from __future__ import annotations

import contextlib
import os
import re
import select
import termios
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from daq.clock import monotonic_ns
from daq.errors import WireError

RX = 0
"""As daq.driver.ChunkKind.RX."""
READ_BYTES = 65_536
BLOCKING_S = 0.2
"""Longest time that a blocking read waits."""
WRITE_S = 0.25
_BARE = re.compile(r"/dev/tty(USB|ACM)\d+")
_BY_USB = re.compile(r"usb:([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::(.+))?")
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialPort:
    """An open serial line. One thread opens, reads, writes and closes it.

    *name* is a path, best a by-path or by-id link, or ``usb:VID:PID:SERIAL``. ``facts`` says what
    was opened: device, links, USB identity, low latency. Raises WireError.
    """

    def __init__(
        self, name: str, *, baud: int, data_bits: int = 8, parity: str = "none", stop_bits: int = 1
    ) -> None:
        self.name = name
        path = resolve(name)
        try:
            self._port = serial.Serial(
                path,
                baud,
                bytesize=data_bits,
                parity=_PARITY[parity],
                stopbits=stop_bits,
                timeout=0,
                exclusive=True,
            )
        except (serial.SerialException, OSError, ValueError, termios.error) as error:
            raise WireError(_why_closed(name, path, error)) from None
        self._fd = self._port.fileno()
        try:
            self._block()
            self.facts = {"port": name, **_identity(path), **self._low_latency(path)}
        except (OSError, termios.error) as error:
            self._port.close()
            raise WireError(f"{name}: cannot be set up: {error}") from None
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)

    def read(self, timeout_s: float) -> list[tuple[int, int, bytes]]:
        """What arrived, as (kind, host ns, bytes); empty after *timeout_s*, at most 0.2 s.

        Raises WireError when the line is gone.
        """
        try:
            if (
                timeout_s < BLOCKING_S
                and not select.select([self._fd], [], [], max(timeout_s, 0))[0]
            ):
                return []
            data = os.read(self._fd, READ_BYTES)
            stamp = monotonic_ns()
            if not data:
                self._check_there()
        except OSError as error:
            raise WireError(f"{self.name}: the line is gone: {error.strerror}") from None
        return [(RX, stamp, data)] if data else []

    def write(self, data: bytes) -> int:
        """Write all of *data*; host ns at the return of the last write.

        Raises WireError when the line is gone or takes nothing for 0.25 s.
        """
        rest = memoryview(data)
        try:
            while rest:
                if not select.select([], [self._fd], [], WRITE_S)[1]:
                    raise WireError(f"{self.name}: takes no bytes ({len(rest)} B left to send)")
                rest = rest[os.write(self._fd, rest[:256]) :]
        except OSError as error:
            raise WireError(f"{self.name}: cannot be written: {error.strerror}") from None
        return monotonic_ns()

    def close(self) -> None:
        """Close the line."""
        with contextlib.suppress(OSError, termios.error):
            self._port.close()

    def _block(self) -> None:
        os.set_blocking(self._fd, True)
        settings = termios.tcgetattr(self._fd)
        settings[6][termios.VMIN] = 0
        settings[6][termios.VTIME] = round(BLOCKING_S * 10)
        termios.tcsetattr(self._fd, termios.TCSANOW, settings)

    def _check_there(self) -> None:
        """An empty read is silence, or the end of the line: the poll tells which."""
        for _, event in self._poll.poll(0):
            if event & (select.POLLHUP | select.POLLERR | select.POLLNVAL):
                raise WireError(f"{self.name}: the line is gone: unplugged")

    def _low_latency(self, path: str) -> dict[str, Any]:
        """Ask the adapter not to hold bytes back, and what it then says of it.

        Source: Linux serial core ASYNC_LOW_LATENCY and usb-serial latency_timer in ms.
        """
        try:
            self._port.set_low_latency_mode(True)
            asked = True
        except (ValueError, OSError, AttributeError):
            asked = False
        tty = Path(path).resolve().name
        timer = Path(f"/sys/bus/usb-serial/devices/{tty}/latency_timer")
        try:
            return {"low_latency": asked, "latency_timer_ms": int(timer.read_text())}
        except (OSError, ValueError):
            return {"low_latency": asked}


def resolve(name: str) -> str:
    """The path to open for *name*.

    Raises WireError for a name that may stand for another device tomorrow, and for a USB identity
    that no port or more than one has.
    """
    if _BARE.fullmatch(name):
        stable = ", ".join(stable_links(name)) or "a link in /dev/serial/by-path"
        raise WireError(
            f"{name}: this name may go to another device when it is plugged in again;"
            f" use {stable} instead"
        )
    match = _BY_USB.fullmatch(name)
    if match is None:
        return name
    wanted = (int(match[1], 16), int(match[2], 16))
    ports = list_ports.comports()
    found = [p for p in ports if (p.vid, p.pid) == wanted and match[3] in (None, p.serial_number)]
    if len(found) != 1:
        seen = [p for p in found or ports if p.vid is not None]
        listed = ", ".join(
            f"usb:{p.vid:04x}:{p.pid:04x}:{p.serial_number} {p.device}" for p in seen
        )
        count = "more than one port has" if found else "no port has"
        raise WireError(f"{name}: {count} this identity; found: {listed or 'no USB port'}")
    return str(found[0].device)


def stable_links(path: str) -> list[str]:
    """Links of /dev/serial that lead to *path*, by-path first."""
    real = os.path.realpath(path)
    found = [
        link
        for folder in ("by-path", "by-id")
        for link in sorted(Path("/dev/serial", folder).glob("*"))
        if os.path.realpath(link) == real
    ]
    return [str(link) for link in found]


def _identity(path: str) -> dict[str, Any]:
    """Which device a path leads to; USB identity where there is one."""
    device = os.path.realpath(path)
    found: dict[str, Any] = {"device": device, "links": stable_links(path)}
    usb = Path("/sys/class/tty", Path(device).name, "device").resolve()
    for folder in usb.parents:
        if (folder / "idVendor").exists():
            names = {"vendor_id": "idVendor", "product_id": "idProduct", "serial_number": "serial"}
            found |= {
                key: (folder / file).read_text().strip()
                for key, file in names.items()
                if (folder / file).exists()
            }
            break
    return found


def _why_closed(name: str, path: str, error: Exception) -> str:
    """Why a port cannot be opened, and what to do about it."""
    number = getattr(error, "errno", None)
    if not os.path.exists(path):
        return f"{name}: no such port; is the device plugged in?"
    if isinstance(error, serial.SerialException) and "exclusively lock" in str(error):
        return f"{name}: another program has this port open{_holder(path)}"
    if number in (1, 13):
        status = os.stat(path)
        return (
            f"{name}: no permission (owner {status.st_uid}, group {status.st_gid},"
            f" mode {status.st_mode & 0o777:o}); add the user to that group"
        )
    return f"{name}: cannot be opened: {error}"


def _holder(path: str) -> str:
    """The process that has *path* open, when it may be seen."""
    real = os.path.realpath(path)
    for descriptor in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            process = descriptor.parts[2]
            if os.readlink(descriptor) == real and int(process) != os.getpid():
                command = Path("/proc", process, "comm").read_text().strip()
                return f": process {process} ({command})"
    return ""
