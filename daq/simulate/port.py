"""A port that a simulated device hangs on: a pseudo-terminal behind a stable link."""

from __future__ import annotations

import contextlib
import os
import tty
from pathlib import Path


class Port:
    """The device's end of a pseudo-terminal; the PC opens *link*.

    Plugged in again it is a new terminal, under a new name whenever someone still holds the old
    one, as a USB adapter is; the link stays.
    """

    def __init__(self, link: Path) -> None:
        self.link = link
        self.overrun = 0
        """Bytes lost because nobody read them."""
        self._master = self._slave = -1
        self.plug()

    @property
    def plugged(self) -> bool:
        """Whether the port is there."""
        return self._master >= 0

    def plug(self) -> None:
        """Open a terminal and point the link at it."""
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        os.set_blocking(self._master, False)
        self.link.unlink(missing_ok=True)
        self.link.symlink_to(os.ttyname(self._slave))

    def unplug(self) -> None:
        """Take the port away; whoever has it open gets an error at the next read."""
        if self.plugged:
            self.link.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self._master)
            self._master = self._slave = -1

    def write(self, data: bytes) -> None:
        """Send to the PC; what does not fit because nobody reads is lost and counted."""
        if data and self.plugged:
            written = 0
            with contextlib.suppress(BlockingIOError):
                written = os.write(self._master, data)
            self.overrun += len(data) - written

    def read(self) -> bytes:
        """What the PC has sent; empty when nothing."""
        if self.plugged:
            with contextlib.suppress(BlockingIOError):
                return os.read(self._master, 4096)
        return b""
