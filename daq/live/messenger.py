"""Takes what main has to say to acquisition there, so that main never waits for an answer."""

from __future__ import annotations

import logging
import queue
import threading
from pathlib import Path
from typing import Any

from daq.commands import CommandError, ask

log = logging.getLogger("daq.main")

WAITING = 1000
"""Marks that may wait; what comes beyond is told in the log and dropped."""


class Messenger(threading.Thread):
    """Begin with ``start``; commands go in the order in which they were given."""

    def __init__(self, socket: Path) -> None:
        super().__init__(name="messenger", daemon=True)
        self._socket = socket
        self._waiting: queue.Queue[tuple[str, dict[str, Any]]] = queue.Queue(WAITING)

    def tell(self, command: str, **values: Any) -> None:
        """Have *command* sent; a refusal goes to the log."""
        try:
            self._waiting.put_nowait((command, values))
        except queue.Full:
            log.error("acquisition takes no more: %s dropped", command)

    def run(self) -> None:
        """Send for as long as the process lives."""
        while True:
            command, values = self._waiting.get()
            try:
                ask(self._socket, command, timeout_s=5.0, **values)
            except CommandError as error:
                log.warning("%s: %s", command, error)
