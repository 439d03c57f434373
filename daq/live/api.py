"""The local HTTP API: paths, requests and answers. OpenAPI describes it at /openapi.json.

Reads what main has published; sends commands on; touches neither journal nor samples.
"""

from __future__ import annotations

import json
import logging
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Protocol

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route
from starlette.types import Receive, Scope, Send

from daq import clock
from daq.commands import CommandError
from daq.config import nearest
from daq.live.events import Hub, encode
from daq.live.openapi import COMMANDS, document
from daq.live.reading import Reading

log = logging.getLogger("daq.main")

BODY_BYTES = 65_536
FASTEST_HZ = 20.0
Command = Callable[[Mapping[str, Any]], Mapping[str, Any]]


class Published(Protocol):
    """What main has published last; each is replaced as a whole, never changed."""

    readings: Mapping[str, Reading]
    state: Mapping[str, Any]


class Wrong(Exception):
    """A request that cannot be answered: status and *where: what was found; what was expected*."""

    def __init__(self, status: int, text: str) -> None:
        super().__init__(text)
        self.status = status


class Api:
    """The application; *command* is called on a worker thread and may raise CommandError."""

    def __init__(self, published: Published, command: Command, runs: Path) -> None:
        self.hub = Hub()
        self._published, self._command, self._runs = published, command, runs
        routes = [
            Route("/state", self.state),
            Route("/channels", self.channels),
            Route("/channels/{name}", self.channel),
            Route("/runs", self.runs),
            Route("/commands", self.commands, methods=["POST"]),
            Route("/events", Events(self)),
            Route("/openapi.json", self.openapi),
        ]
        self.app = Starlette(
            routes=routes,
            exception_handlers={
                HTTPException: self._refuse_path,
                Wrong: lambda _, wrong: answer({"error": str(wrong)}, wrong.status),
                Exception: self._fail,
            },
        )
        self.paths = [route.path for route in routes]

    # --- requests

    async def state(self, request: Request) -> Response:
        """The bench at one glance."""
        now = clock.monotonic_ns()
        return answer({"t_ns": now, **self._published.state, "clients": len(self.hub.clients)})

    async def channels(self, request: Request) -> Response:
        """Every channel."""
        now = clock.monotonic_ns()
        return answer([reading.whole(now) for reading in self._published.readings.values()])

    async def channel(self, request: Request) -> Response:
        """One channel."""
        name, readings = request.path_params["name"], self._published.readings
        if name not in readings:
            raise Wrong(404, f"channels: no channel is called {name!r}{nearest(name, readings)}")
        return answer(readings[name].whole(clock.monotonic_ns()))

    async def runs(self, request: Request) -> Response:
        """Run files in the bench's folder, the latest first."""
        return answer(await run_in_threadpool(run_files, self._runs))

    async def commands(self, request: Request) -> Response:
        """Send a command on; answered after the commit."""
        wanted = check_command(await self._object(request))
        try:
            done = await run_in_threadpool(self._command, wanted)
        except CommandError as error:
            raise Wrong(409, str(error)) from None
        return answer(done)

    async def openapi(self, request: Request) -> Response:
        """This interface's description."""
        return answer(document())

    def whole(self) -> bytes:
        """The first event of every client: everything."""
        now = clock.monotonic_ns()
        readings = self._published.readings.values()
        whole = {
            "t_ns": now,
            "state": self._published.state,
            "channels": [reading.whole(now) for reading in readings],
        }
        return encode("whole", whole, 0)

    # --- within

    async def _object(self, request: Request) -> dict[str, Any]:
        kind = request.headers.get("content-type", "").partition(";")[0].strip()
        if kind != "application/json":
            raise Wrong(415, f"content-type: {kind!r}; expected application/json")
        body = b""
        async for piece in request.stream():
            body += piece
            if len(body) > BODY_BYTES:
                raise Wrong(413, f"body: more than {BODY_BYTES} B; expected a short JSON object")
        try:
            found = json.loads(body)
        except (ValueError, RecursionError) as error:
            raise Wrong(400, f"body: not JSON ({error}); expected a JSON object") from None
        if not isinstance(found, dict):
            raise Wrong(400, f"body: {type(found).__name__}; expected a JSON object")
        return found

    async def _refuse_path(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        path = request.url.path
        if error.status_code == 405:
            text = f"{path}: {request.method} is not for this path"
            expected = "POST" if path == "/commands" else "GET"
            return answer({"error": f"{text}; expected {expected}"}, 405, error.headers)
        if error.status_code == 404:
            text = f"{path}: no such path{nearest(path, self.paths)}"
            return answer({"error": text}, 404)
        return answer({"error": f"{path}: {error.detail}"}, error.status_code)

    async def _fail(self, request: Request, error: Exception) -> Response:
        log.error("API: %s %s failed", request.method, request.url.path, exc_info=error)
        return answer({"error": f"{request.url.path}: a fault of ours; the log says more"}, 500)


class Events:
    """GET /events, below the framework's responses: each event is written as it is encoded."""

    def __init__(self, api: Api) -> None:
        self._api = api

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one client."""
        if scope["method"] != "GET":
            raise HTTPException(405, headers={"allow": "GET"})
        every_ns = period_ns(Request(scope))
        await self._api.hub.serve(every_ns, self._api.whole(), scope, receive, send)


def answer(content: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """A JSON answer."""
    body = json.dumps(content, separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    return Response(body, status, headers, media_type="application/json")


def period_ns(request: Request) -> int:
    """The least time between two events of values, by the query's rate_hz."""
    for name in request.query_params:
        if name != "rate_hz":
            raise Wrong(400, f"query: {name!r}; expected rate_hz or nothing")
    text = request.query_params.get("rate_hz", str(FASTEST_HZ))
    try:
        rate = float(text)
    except ValueError:
        rate = 0.0
    if not 0.1 <= rate <= FASTEST_HZ:
        raise Wrong(400, f"rate_hz: {text!r}; expected a number from 0.1 to {FASTEST_HZ:g} Hz")
    return 0 if rate == FASTEST_HZ else round(clock.SECOND_NS / rate)


def check_command(found: Mapping[str, Any]) -> dict[str, Any]:
    """A command as it may be sent on.

    Raises Wrong naming the key.
    """
    known = {"command": str, "origin": str, "content": dict, "t_ns": int}
    for name, value in found.items():
        if name not in known:
            raise Wrong(400, f"{name}: no such key{nearest(name, known)}")
        if not isinstance(value, known[name]) or isinstance(value, bool):
            words = {str: "a text", dict: "an object", int: "host time in ns"}[known[name]]
            raise Wrong(400, f"{name}: {value!r}; expected {words}")
    command = found.get("command")
    if command is None:
        raise Wrong(400, f"command: missing; expected one of {', '.join(COMMANDS)}")
    if command not in COMMANDS:
        raise Wrong(400, f"command: {command!r}{nearest(command, COMMANDS)}")
    return {"origin": "api", **found}


def run_files(folder: Path) -> list[dict[str, Any]]:
    """Run files below *folder*, the latest first."""
    found = []
    for path in folder.rglob("*.h5"):
        try:
            facts = path.stat()
        except OSError:  # renamed or deleted a moment ago
            continue
        found.append(
            {
                "file": str(path.relative_to(folder)),
                "bytes": facts.st_size,
                "written": clock.iso_utc(facts.st_mtime_ns),
            }
        )
    return sorted(found, key=lambda run: str(run["written"]), reverse=True)
