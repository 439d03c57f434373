"""The local command socket: JSON lines to acquisition, each answered after the commit.

``{"command": "start", "origin": "button", "content": {...}}`` is answered by
``{"ok": true, "seq": 17, "t_ns": ...}`` or ``{"ok": false, "error": "..."}``. A connection that
sends ``{"command": "follow"}`` gets, after the answer, one byte for each commit.
"""

from __future__ import annotations

import contextlib
import json
import os
import selectors
import socket
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from daq.errors import DaqError

SOCKET_NAME = "acquisition.sock"
LINE_BYTES = 65_536
BEAT_S = 0.25
Answer = dict[str, Any]
Reply = Callable[[Answer], None]
Handler = Callable[[Mapping[str, Any], Reply], None]


class CommandError(DaqError):
    """A command was refused, or nobody answers it."""


# --- the asking side


def ask(path: Path, command: str, *, timeout_s: float = 10.0, **values: Any) -> Answer:
    """Send one command; its answer.

    Raises CommandError with the reason when it is refused, or when acquisition does not answer.
    """
    with contextlib.closing(_connect(path, timeout_s)) as connection:
        answer = _exchange(connection, path, {"command": command, **values})
    if not answer.get("ok"):
        raise CommandError(str(answer.get("error", "refused")))
    return answer


def follow(path: Path, timeout_s: float = 1.0) -> socket.socket:
    """A connection that gets one byte after each commit and is closed with acquisition.

    Raises CommandError when acquisition does not answer.
    """
    connection = _connect(path, timeout_s)
    try:
        _exchange(connection, path, {"command": "follow"})
    except CommandError:
        connection.close()
        raise
    connection.setblocking(False)
    return connection


def _connect(path: Path, timeout_s: float) -> socket.socket:
    connection = socket.socket(socket.AF_UNIX)
    connection.settimeout(timeout_s)
    try:
        connection.connect(str(path))
    except OSError as error:
        connection.close()
        raise CommandError(f"{path}: acquisition does not answer: {error.strerror}") from None
    return connection


def _exchange(connection: socket.socket, path: Path, request: Mapping[str, Any]) -> Answer:
    received = b""
    try:
        connection.sendall(json.dumps(request).encode() + b"\n")
        while not received.endswith(b"\n") and (
            data := connection.recv(1 if _one(request) else 4096)
        ):
            received += data
        answer = json.loads(received)
    except (OSError, ValueError) as error:
        raise CommandError(f"{path}: acquisition ended or does not answer: {error}") from None
    return answer if isinstance(answer, dict) else {}


def _one(request: Mapping[str, Any]) -> bool:
    """A follower must not read into the bytes that come behind the answer."""
    return bool(request["command"] == "follow")


# --- the answering side


class CommandServer:
    """Serves the socket on the calling thread until its control pipe ends.

    *handle* gets each request and a function that takes the answer, from any thread.
    """

    def __init__(self, path: Path, handle: Handler) -> None:
        self._handle = handle
        self._selector = selectors.DefaultSelector()
        self._followers: set[socket.socket] = set()
        self._lines: dict[socket.socket, bytes] = {}
        self._listener = _listen(path)
        self._selector.register(self._listener, selectors.EVENT_READ)

    def run(self, control: int, ended: Callable[[], bool]) -> None:
        """Serve until *control*, a descriptor, is at its end or *ended* says so."""
        self._selector.register(control, selectors.EVENT_READ)
        while not ended():
            for key, _ in self._selector.select(BEAT_S):
                if key.fileobj is self._listener:
                    self._accept()
                elif key.fd == control:
                    if not os.read(control, 4096):
                        return
                elif isinstance(key.fileobj, socket.socket):
                    self._receive(key.fileobj)

    def wake_followers(self) -> None:
        """Send one byte to each follower; one that has not read the last one needs no other."""
        for connection in tuple(self._followers):
            with contextlib.suppress(OSError):
                connection.send(b"\n", socket.MSG_DONTWAIT)

    def close(self) -> None:
        """Close all connections and the socket."""
        for connection in tuple(self._lines):
            self._drop(connection)
        self._listener.close()
        self._selector.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            connection, _ = self._listener.accept()
            connection.setblocking(False)
            self._lines[connection] = b""
            self._selector.register(connection, selectors.EVENT_READ)

    def _receive(self, connection: socket.socket) -> None:
        try:
            data = connection.recv(LINE_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        *lines, rest = (self._lines[connection] + data).split(b"\n")
        if not data or len(rest) > LINE_BYTES:
            self._drop(connection)
            return
        self._lines[connection] = rest
        for line in lines:
            self._take(connection, line)

    def _take(self, connection: socket.socket, line: bytes) -> None:
        try:
            request = json.loads(line)
        except ValueError:
            request = None
        if not (isinstance(request, dict) and isinstance(request.get("command"), str)):
            _answer(connection, {"ok": False, "error": "expected a JSON object with 'command'"})
        elif request["command"] == "follow":
            _answer(connection, {"ok": True})
            self._followers.add(connection)
        else:
            self._handle(request, lambda answer: _answer(connection, answer))

    def _drop(self, connection: socket.socket) -> None:
        self._followers.discard(connection)
        self._lines.pop(connection, None)
        self._selector.unregister(connection)
        connection.close()


def _answer(connection: socket.socket, answer: Answer) -> None:
    with contextlib.suppress(OSError):  # whoever asked has gone
        connection.sendall(json.dumps(answer).encode() + b"\n")


def _listen(path: Path) -> socket.socket:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX)
    try:
        listener.bind(str(path))
        path.chmod(0o660)
        listener.listen(16)
    except OSError as error:
        listener.close()
        raise CommandError(f"{path}: cannot listen here: {error}") from None
    listener.setblocking(False)
    return listener
