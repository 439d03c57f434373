"""Simulated counterparts: devices at the far end of a real pseudo-terminal."""

from __future__ import annotations

import errno
import os
import select
import tempfile
import threading
import tty
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import NamedTuple, Protocol

from daq.clock import SECOND_NS, monotonic_ns


class Truth(NamedTuple):
    """One row as the device sampled it.

    ``t_ns`` is host time of sampling, before the first byte of the row left. ``values`` are in the
    channels' units; None stands for a value that the device says it does not have.
    """

    stream: str
    t_ns: int
    values: Mapping[str, float | None]


class Simulated(Protocol):
    """What the contract asks of a simulated device."""

    @property
    def path(self) -> str:
        """The port to open; it stays the same over unplugging."""
        ...

    def start(self) -> None:
        """Plug in and begin."""
        ...

    def stop(self) -> None:
        """End; everything it opened is closed."""
        ...

    def unplug(self) -> None:
        """The port vanishes, as when the plug is pulled."""
        ...

    def replug(self) -> None:
        """The port is back."""
        ...

    def hush(self, quiet: bool) -> None:
        """Hang: the port is there and nothing comes."""
        ...

    def late(self, seconds: float) -> None:
        """Answer the next request that much late, and those behind it no earlier."""
        ...

    def truth(self) -> Sequence[Truth]:
        """All rows so far, in order."""
        ...


class SerialDevice:
    """A device on a pseudo-terminal with a thread of its own.

    A subclass gives :meth:`step` (what it sends by itself, once each ``period_s``), or
    :meth:`answer`, or both, and calls :meth:`sampled` for each row *before* it returns its bytes.
    """

    period_s = 0.01

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="line-")
        self._link = Path(self._folder.name) / "device"
        self._truth: list[Truth] = []
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._lock = threading.Lock()  # guards the two ends below
        self._master: int | None = None
        self._slave: int | None = None
        self._quiet = False
        self._late_ns = 0
        self._waiting: list[tuple[int, bytes]] = []

    def step(self, now_ns: int) -> bytes:
        """What the device sends by itself now."""
        return b""

    def answer(self, request: bytes, now_ns: int) -> bytes:
        """What the device answers to bytes that came in one piece."""
        return b""

    def sampled(self, stream: str, t_ns: int, **values: float | None) -> None:
        """Note a row as it truly is."""
        self._truth.append(Truth(stream, t_ns, values))

    @property
    def path(self) -> str:
        """The port to open."""
        return str(self._link)

    def truth(self) -> Sequence[Truth]:
        """All rows so far, in order."""
        return tuple(self._truth)

    def start(self) -> None:
        """Plug in and begin."""
        self.replug()
        self._thread = threading.Thread(target=self._run, name="simulated device", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread and close the line."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        self.unplug()
        self._folder.cleanup()

    def unplug(self) -> None:
        """Close both ends, so that a reader meets what a pulled plug gives."""
        with self._lock:
            for end in (self._master, self._slave):
                if end is not None:
                    os.close(end)
            self._master = self._slave = None
            self._waiting.clear()
            self._link.unlink(missing_ok=True)

    def replug(self) -> None:
        """Open a new line under the old name."""
        with self._lock:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self._link.symlink_to(os.ttyname(self._slave))

    def hush(self, quiet: bool) -> None:
        """Hang, or go on."""
        self._quiet = quiet

    def late(self, seconds: float) -> None:
        """Answer the next request late."""
        self._late_ns = round(seconds * SECOND_NS)

    def _run(self) -> None:
        due = monotonic_ns()
        while not self._stop.is_set():
            now = monotonic_ns()
            if now >= due:
                due = max(due + round(self.period_s * SECOND_NS), now)
                self._turn(now)
            self._listen((due - monotonic_ns()) / SECOND_NS)

    def _turn(self, now_ns: int) -> None:
        with self._lock:
            if self._master is None or self._quiet:
                return
            self._write(self.step(now_ns))

    def _listen(self, seconds: float) -> None:
        with self._lock:
            soonest = min((due for due, _ in self._waiting), default=None)
            ready = [] if self._master is None else [self._master]
        if soonest is not None:
            seconds = min(seconds, (soonest - monotonic_ns()) / SECOND_NS)
        try:
            select.select(ready, [], [], max(0.0, min(seconds, 0.02)))
        except (OSError, ValueError):
            return  # unplugged while waiting
        with self._lock:
            self._take()
            now = monotonic_ns()
            for due, data in list(self._waiting):
                if due <= now:
                    self._waiting.remove((due, data))
                    self._write(data)

    def _take(self) -> None:
        if self._master is None:
            return
        try:
            request = os.read(self._master, 4096)
        except OSError:
            return
        if self._quiet:
            return
        now = monotonic_ns()
        reply = self.answer(request, now)
        if reply:
            # one answer after the other: a late one holds up those behind it
            behind = max((due for due, _ in self._waiting), default=0)
            self._waiting.append((max(now + self._late_ns, behind), reply))
            self._late_ns = 0

    def _write(self, data: bytes) -> None:
        if not data or self._master is None:
            return
        try:
            os.write(self._master, data)
        except OSError as error:  # nobody reads: lost, as on a real line
            if error.errno not in (errno.EAGAIN, errno.EIO):
                raise
