"""Serves the API on a Unix socket, on a thread of its own beside main's following."""

from __future__ import annotations

import asyncio
import logging
import socket
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from daq.commands import CommandError
from daq.live.client import API_SOCKET

log = logging.getLogger("daq.main")

END_S = 2.0


class Server(threading.Thread):
    """Begin with ``start``; ``publish`` from any thread; ``close`` ends it.

    ``readings`` and ``state`` are what requests are answered from: replace them as a whole.
    """

    def __init__(self, run_dir: Path, command: Any, runs: Path) -> None:
        super().__init__(name="api", daemon=True)
        self.readings: Mapping[str, Any] = {}
        self.state: Mapping[str, Any] = {}
        self._command, self._runs = command, runs
        self._socket = listen(run_dir / API_SOCKET)
        self._number = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._api: Any = None
        self._server: Any = None

    @property
    def listening(self) -> bool:
        """Whether anybody follows the event stream."""
        return self._api is not None and bool(self._api.hub.clients)

    def publish(self, kind: str, data: Any, values_ns: int | None = None) -> None:
        """Send an event to everyone who listens; *values_ns*: it has only values, of this time."""
        if self._loop is None or not self.listening:
            return
        from daq.live.events import encode

        self._number += 1
        event = encode(kind, data, self._number)
        try:
            self._loop.call_soon_threadsafe(self._api.hub.send, event, values_ns)
        except RuntimeError:  # the loop has just ended
            self._loop = None

    def run(self) -> None:
        """Serve until closed. The web library is imported here, so that main begins without it."""
        try:
            asyncio.run(self._serve())
        except Exception:
            log.exception("API: ended by a fault; recording is not concerned")

    def close(self) -> None:
        """Let clients go and end."""
        loop, self._loop = self._loop, None
        if loop is not None and self.is_alive():
            loop.call_soon_threadsafe(self._api.hub.end)
            self._server.should_exit = True
            self.join(END_S)
        self._socket.close()

    async def _serve(self) -> None:
        import uvicorn

        from daq.live.api import Api

        self._api = Api(self, self._command, self._runs)
        config = uvicorn.Config(
            self._api.app,
            http="h11",
            ws="none",
            lifespan="off",
            loop="asyncio",
            log_config=None,
            log_level="critical",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=1,
        )
        self._server = uvicorn.Server(config)
        self._loop = asyncio.get_running_loop()
        await self._server.serve(sockets=[self._socket])


def listen(path: Path) -> socket.socket:
    """A listening Unix socket at *path* for its owner and group.

    Raises CommandError when it cannot be.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX)
    try:
        listener.bind(str(path))
        path.chmod(0o660)
        listener.listen(64)
    except OSError as error:
        listener.close()
        raise CommandError(f"{path}: cannot listen here: {error}") from None
    return listener
