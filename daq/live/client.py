"""Asks the daemon's API, for the command line. Imports nothing heavy."""

from __future__ import annotations

import http.client
import json
import socket
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from daq.errors import DaqError

API_SOCKET = "api.sock"
ANSWER_BYTES = 16_000_000


class ApiError(DaqError):
    """The daemon does not answer, or refuses: its reason."""


class NoDaemon(ApiError):
    """Nobody listens on the socket."""


class Event(NamedTuple):
    """One event of the stream."""

    kind: str
    number: int
    data: Any


class _Connection(http.client.HTTPConnection):
    def __init__(self, path: Path, timeout_s: float) -> None:
        super().__init__("localhost", timeout=timeout_s)
        self._path = path

    def connect(self) -> None:
        self.sock = socket.socket(socket.AF_UNIX)
        self.sock.settimeout(self.timeout)
        try:
            self.sock.connect(str(self._path))
        except OSError as error:
            self.sock.close()
            raise NoDaemon(f"{self._path}: no daemon answers here: {error.strerror}") from None


class ApiClient:
    """The daemon behind one socket."""

    def __init__(self, path: Path, timeout_s: float = 10.0) -> None:
        self.path, self.timeout_s = path, timeout_s

    def get(self, path: str) -> Any:
        """The answer to GET *path*.

        Raises ApiError with the daemon's reason, NoDaemon when nobody listens.
        """
        return self._exchange("GET", path)

    def command(self, command: str, origin: str = "", **content: Any) -> Any:
        """Give a command; the answer comes after its commit.

        Raises ApiError with the reason for a refusal.
        """
        body = {"command": command, "origin": origin or "command line", "content": content}
        return self._exchange("POST", "/commands", body)

    def events(self, rate_hz: float = 20.0) -> Iterator[Event]:
        """Events as they come, first one of kind ``whole``; ends when the daemon does.

        Raises ApiError when nothing came for the time-out.
        """
        connection = _Connection(self.path, self.timeout_s)
        try:
            answer = self._ask(connection, "GET", f"/events?rate_hz={rate_hz:g}")
            if answer.status != 200:
                raise ApiError(_reason(answer))
            yield from _parsed(answer)
        except (OSError, http.client.HTTPException) as error:
            raise ApiError(f"{self.path}: the daemon fell silent: {error}") from None
        finally:
            connection.close()

    def _exchange(self, method: str, path: str, body: Any = None) -> Any:
        connection = _Connection(self.path, self.timeout_s)
        try:
            answer = self._ask(connection, method, path, body)
            if answer.status != 200:
                raise ApiError(_reason(answer))
            return json.loads(answer.read(ANSWER_BYTES))
        except (OSError, ValueError, http.client.HTTPException) as error:
            raise ApiError(f"{self.path}: the daemon does not answer: {error}") from None
        finally:
            connection.close()

    def _ask(
        self, connection: _Connection, method: str, path: str, body: Any = None
    ) -> http.client.HTTPResponse:
        headers = {"content-type": "application/json"} if body is not None else {}
        data = json.dumps(body) if body is not None else None
        connection.request(method, path, data, headers)
        return connection.getresponse()


def _reason(answer: http.client.HTTPResponse) -> str:
    text = answer.read(ANSWER_BYTES)
    try:
        return str(json.loads(text)["error"])
    except (ValueError, KeyError, TypeError):
        return f"answer {answer.status}: {text[:200]!r}"


def _parsed(answer: http.client.HTTPResponse) -> Iterator[Event]:
    """Source: HTML Living Standard, 9.2.6 Interpreting an event stream."""
    fields: dict[str, str] = {}
    while line := answer.readline():
        text = line.decode().rstrip("\r\n")
        if text:
            name, _, value = text.partition(":")
            fields[name] = value.removeprefix(" ")
        elif fields:
            number = int(fields.get("id", "0"))
            yield Event(fields.get("event", ""), number, json.loads(fields.get("data", "null")))
            fields = {}
