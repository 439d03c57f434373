"""The event stream: each event is encoded once and goes to every client; slow ones are dropped."""

from __future__ import annotations

import asyncio
import json
import logging
from collections import deque
from typing import Any

from starlette.requests import Request
from starlette.types import Receive, Scope, Send

log = logging.getLogger("daq.main")

WAITING = 64
"""Events that may wait for a client that takes none, 3.2 s of values; at one more it is dropped."""
HEAD = [
    (b"content-type", b"text/event-stream"),
    (b"cache-control", b"no-store"),
]


def encode(kind: str, data: Any, number: int) -> bytes:
    """One server-sent event. Source: HTML Living Standard, 9.2 Server-sent events."""
    text = json.dumps(data, separators=(",", ":"), ensure_ascii=False)
    return f"event: {kind}\nid: {number}\ndata: {text}\n\n".encode()


class Client:
    """One who listens; ``every_ns`` thins out the values, not the other events."""

    def __init__(self, every_ns: int) -> None:
        self.waiting: deque[bytes] = deque()
        self.ended = False
        self.dropped = False
        self._every_ns = every_ns
        self._due_ns = 0
        self._sending = False
        self._more = asyncio.Event()
        self._task = asyncio.current_task()

    def put(self, event: bytes, values_ns: int | None) -> None:
        """Queue an event; *values_ns* is the time of one that has only values."""
        if values_ns is not None:
            if values_ns < self._due_ns:
                return
            due_ns = self._due_ns + self._every_ns if self._due_ns else 0
            self._due_ns = due_ns if due_ns > values_ns else values_ns + self._every_ns
        if len(self.waiting) >= WAITING and self._sending:
            self.drop()
            return
        self.waiting.append(event)
        self._more.set()

    def drop(self) -> None:
        """End a client that does not read."""
        if not self.ended:
            log.warning("a client of the event stream does not read; dropped")
        self.ended = self.dropped = True
        if self._task is not None:
            self._task.cancel()

    def end(self) -> None:
        """Send what waits, then no more."""
        self.ended = True
        self._more.set()

    async def send_all(self, send: Send) -> None:
        """Send events as they come until ended."""
        while not self.ended or self.waiting:
            await self._more.wait()
            self._more.clear()
            while self.waiting:
                body = b"".join(self.waiting)
                self.waiting.clear()
                self._sending = True
                await send({"type": "http.response.body", "body": body, "more_body": True})
                self._sending = False


class Hub:
    """All clients of the event stream; belongs to the server's loop."""

    def __init__(self) -> None:
        self.clients: set[Client] = set()
        self.dropped = 0
        self._ended = False

    def send(self, event: bytes, values_ns: int | None = None) -> None:
        """Hand an encoded event to everyone."""
        for client in tuple(self.clients):
            client.put(event, values_ns)

    def end(self) -> None:
        """Let everyone go."""
        self._ended = True
        for client in self.clients:
            client.end()

    async def serve(
        self, every_ns: int, first: bytes, scope: Scope, receive: Receive, send: Send
    ) -> None:
        """One client, until it goes, is dropped, or the server ends; *first* is its first event."""
        client = Client(every_ns)
        client.put(first, None)
        gone = asyncio.create_task(self._watch_gone(client, Request(scope, receive)))
        self.clients.add(client)
        try:
            if not self._ended:
                await send({"type": "http.response.start", "status": 200, "headers": HEAD})
                await client.send_all(send)
                await send({"type": "http.response.body", "body": b"", "more_body": False})
        except asyncio.CancelledError:
            if not client.dropped:
                raise
            self.dropped += 1
        finally:
            self.clients.discard(client)
            gone.cancel()

    async def _watch_gone(self, client: Client, request: Request) -> None:
        while (await request.receive())["type"] != "http.disconnect":
            pass
        client.end()
