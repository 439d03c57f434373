"""A driver on a real line, driven as acquisition drives it, on the calling thread."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from typing import Any

import numpy as np

from daq.clock import SECOND_NS, monotonic_ns
from daq.config import to_plain
from daq.driver import (
    Action,
    Block,
    Chunk,
    ChunkKind,
    Driver,
    Identified,
    Note,
    Preface,
    Send,
)
from daq.errors import DeviceError
from daq.reader import Port
from daq.wire import slcan
from daq.wire.can import FRAME

BEAT_S = 0.25


class Line:
    """One device on one line.

    ``chunks`` is the record from identification on, as a decoder is given it; ``early`` is what
    came before, ``notes`` the conversation's own. ``preface`` is set by identification.
    ``slowest_s`` is the longest that any call of the conversation took, ``wakes`` how often it
    asked to be woken.
    """

    def __init__(
        self, driver: Driver, open_port: Callable[[], Port], name: str, wire: Mapping[str, Any]
    ) -> None:
        self.driver, self.name, self.wire = driver, name, wire
        self.chunks: list[Chunk] = []
        self.early: list[Chunk] = []
        self.notes: list[Mapping[str, Any]] = []
        self.preface: Preface | None = None
        self.slowest_s = 0.0
        self.wakes = 0
        self._open_port = open_port
        self._port: Port | None = None
        self._identified = False

    def __enter__(self) -> Line:
        self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def open(self) -> None:
        """Open the port and begin a new conversation."""
        self._port = self._open_port()
        if self.wire.get("kind") == "slcan":
            self._port.write(slcan.open_commands(int(self.wire["bitrate"]), listen_only=True))
        self._identified = False
        self._note({"note": "opened"})
        self._conversation = self.driver.conversation()
        self._carry_out(self._conversation.opened)

    def close(self) -> None:
        """Close the port; again does nothing."""
        if self._port is not None:
            self._port.close()
            self._port = None
            self._note({"note": "closed"})

    def run(self, seconds: float, until: Callable[[], bool] = lambda: False) -> None:
        """Read and converse for *seconds* or *until* something is so.

        Raises DeviceError, as acquisition would meet it, with the device's name in front.
        """
        end = monotonic_ns() + round(seconds * SECOND_NS)
        beat = monotonic_ns() + round(BEAT_S * SECOND_NS)
        while (now := monotonic_ns()) < end and not until():
            wanted = self._conversation.next_wake_ns
            due = beat if wanted is None else wanted
            if now >= due:
                self.wakes += 1
                beat = now + round(BEAT_S * SECOND_NS)
                self._carry_out(self._conversation.wake)
            self._read((min(due, end) - now) / SECOND_NS)

    def decode(self) -> list[Block]:
        """Rows of the record so far, by a new decoder."""
        if self.preface is None:
            return []
        return self.driver.decoder(self.preface).feed(self.chunks)

    def _read(self, timeout_s: float) -> None:
        assert self._port is not None, "the line is not open"
        for kind, t_ns, data in self._port.read(max(0.0, timeout_s)):
            self._hear(Chunk(kind, t_ns, data))

    def _hear(self, chunk: Chunk) -> None:
        self._record(chunk)
        self._carry_out(lambda _: self._conversation.received(chunk))

    def _carry_out(self, call: Callable[[int], Iterable[Action]]) -> None:
        before = monotonic_ns()
        try:
            actions = tuple(call(before))
        except DeviceError as error:
            raise type(error)(f"device {self.name}: lost: {error}") from error
        self.slowest_s = max(self.slowest_s, (monotonic_ns() - before) / SECOND_NS)
        for action in actions:
            self._act(action)

    def _act(self, action: Action) -> None:
        assert self._port is not None, "the line is not open"
        if isinstance(action, Send):
            leaves_ns = monotonic_ns()  # before the write: a bound must hold if we are set aside
            data = action.data
            if self.wire.get("kind") == "slcan":
                data = slcan.encode(np.frombuffer(data, FRAME))
            self._port.write(data)
            self._record(Chunk(ChunkKind.TX, leaves_ns, data))
        elif isinstance(action, Note):
            self.notes.append(json.loads(json.dumps(action.content)))
        elif isinstance(action, Identified):
            self._identify(action.found)

    def _identify(self, found: Mapping[str, Any]) -> None:
        self._identified = True
        preface = Preface(
            self.name, self.driver.record_version, to_plain(self.driver.config), found, self.wire
        )
        if self.preface is None:
            self.preface = preface
        assert preface == self.preface, "the device came back as another one"

    def _record(self, chunk: Chunk) -> None:
        (self.chunks if self._identified else self.early).append(chunk)

    def _note(self, content: Mapping[str, Any]) -> None:
        text = json.dumps(content).encode()
        self.chunks.append(Chunk(ChunkKind.NOTE, monotonic_ns(), text))
