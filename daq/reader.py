"""One thread for each wire: opens it, reads and stamps, drives its devices' conversations.

A reader never waits for anything but its wire: what it read goes into an inbox that the recorder
empties. It decodes only what a conversation needs.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any, NamedTuple, Protocol

from daq.bench import Bench, WireConfig
from daq.clock import SECOND_NS, monotonic_ns
from daq.config import to_plain
from daq.driver import Action, Chunk, ChunkKind, Conversation, Driver, Identified, Note, Send
from daq.errors import DeviceError, WireError

log = logging.getLogger("daq.acquire")

INBOX_BYTES = 8_000_000
BEAT_NS = SECOND_NS // 5
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 5.0


class Remark(NamedTuple):
    """A note on its way to the journal."""

    t_ns: int
    content: Mapping[str, Any]


class Inbox:
    """What one wire hands to the recorder: put on the wire's thread, taken on the recorder's.

    Putting never waits. When more than INBOX_BYTES wait, chunks are dropped and counted; the count
    becomes a *lost* note as soon as there is room.
    """

    def __init__(self) -> None:
        self._items: deque[Chunk | Remark] = deque()
        self._put_bytes = self._taken_bytes = 0
        self._lost_chunks = self._lost_bytes = 0
        self.dropped = 0
        self.chunks = 0

    def put(self, chunk: Chunk) -> None:
        """Hand over a chunk, or count it as lost."""
        if self._put_bytes - self._taken_bytes > INBOX_BYTES:
            self._lost_chunks += 1
            self._lost_bytes += len(chunk.data)
            self.dropped += 1
            return
        if self._lost_chunks:
            self.tell_lost(chunk.t_ns)
        self._put_bytes += len(chunk.data)
        self.chunks += 1
        self._items.append(chunk)

    def note(self, t_ns: int, content: Mapping[str, Any]) -> None:
        """Hand over a note."""
        self._items.append(Remark(t_ns, content))

    def tell_lost(self, t_ns: int, reason: str = "the recorder did not keep up") -> None:
        """Note what was dropped, if anything and if there is room."""
        if self._lost_chunks and self._put_bytes - self._taken_bytes <= INBOX_BYTES:
            lost = {"chunks": self._lost_chunks, "bytes": self._lost_bytes}
            self.note(t_ns, {"note": "lost", **lost, "reason": reason})
            self._lost_chunks = self._lost_bytes = 0

    def take(self) -> Iterator[Chunk | Remark]:
        """Everything that waits, in order."""
        for _ in range(len(self._items)):
            item = self._items.popleft()
            if isinstance(item, Chunk):
                self._taken_bytes += len(item.data)
            yield item


class Port(Protocol):
    """An open wire."""

    facts: dict[str, Any]

    def read(self, timeout_s: float) -> list[tuple[int, int, bytes]]:
        """What arrived as (kind, host ns, bytes); empty after *timeout_s* at most 0.25 s."""
        ...

    def write(self, data: bytes) -> int:
        """Send; host ns when the write returned."""
        ...

    def close(self) -> None:
        """Close."""
        ...


class Order(NamedTuple):
    """A command for a device, and whom to tell: an error text, empty when it was carried out."""

    device: str
    name: str
    value: Any
    done: Callable[[str], None]


class Talk:
    """One device's conversation, for one opening of the wire after another."""

    def __init__(self, name: str, driver_name: str, driver: Driver) -> None:
        self.name, self.driver_name, self.driver = name, driver_name, driver
        self.failed = ""
        self.identified = False
        self.begin()

    def begin(self) -> None:
        """Start over, for a new opening."""
        self.identified = False
        self.conversation = self.driver.conversation()
        kind = type(self.conversation)
        self.listens = kind.received is not Conversation.received
        self.acts = kind.wake is not Conversation.wake

    def preface(self, found: Mapping[str, Any], wire: Mapping[str, Any]) -> dict[str, Any]:
        """All that decoding needs beside the bytes, as plain data."""
        return {
            "driver": self.driver_name,
            "record_version": self.driver.record_version,
            "settings": to_plain(self.driver.config),
            "found": to_plain(found),
            "wire": dict(wire),
        }


class WireReader(threading.Thread):
    """Owns one wire from opening to closing, again and again until *stop*.

    ``state`` is ``opening``, ``open`` or ``lost`` since ``since_ns``; ``error`` says why it is
    lost; ``beat_ns`` moves at least each 0.25 s while the wire is open.
    """

    def __init__(self, bench: Bench, name: str, stop: threading.Event) -> None:
        super().__init__(name=f"wire {name}", daemon=True)
        self.wire, self.config, self._stop_event = name, bench.wire[name], stop
        self.inbox = Inbox()
        self.orders: deque[Order] = deque()
        self.state, self.error, self.since_ns = "opening", "", monotonic_ns()
        self.tried = False
        self.beat_ns = monotonic_ns()
        self._pause_s = FIRST_PAUSE_S
        self.talks = [
            Talk(device, config.driver, bench.driver(device))
            for device, config in bench.device.items()
            if config.wire == name
        ]

    def run(self) -> None:
        """Open, read, close, and again with back-off, for ever."""
        while not self._stop_event.is_set():
            try:
                with self._opened() as port:
                    self._converse(port)
            except DeviceError as error:
                self._lose(str(error))
            except Exception as error:
                log.exception("wire %s: fault in the program", self.wire)
                self._lose(f"{type(error).__name__}: {error}")
            self._refuse_orders()
            self._wait()

    # --- opening and losing

    @contextmanager
    def _opened(self) -> Iterator[Port]:
        self.beat_ns = monotonic_ns()
        port = open_port(self.config)
        try:
            self.facts = {**self.config.facts(), **port.facts}
            self._note({"note": "opened", **port.facts})
            if self.state == "lost":
                log.warning("wire %s: back", self.wire)
            self._enter("open", "")
            yield port
            for command in closing(self.config):
                self._send(port, command)
            self._note({"note": "closed"})
        finally:
            port.close()

    def _lose(self, reason: str) -> None:
        """Record a loss once, however often opening fails again for the same reason."""
        if reason != self.error:
            self._note({"note": "closed", "error": reason})
        if self.state != "lost":
            log.warning("wire %s: lost: %s", self.wire, reason)
            self._enter("lost", reason)
        self.error = reason
        for talk in self.talks:
            talk.identified = False

    def _enter(self, state: str, error: str) -> None:
        self.state, self.error, self.since_ns, self.tried = state, error, monotonic_ns(), True

    def _wait(self) -> None:
        self.inbox.tell_lost(monotonic_ns())
        self._stop_event.wait(self._pause_s)
        self.beat_ns = monotonic_ns()
        self._pause_s = min(2 * self._pause_s, LONGEST_PAUSE_S)

    # --- reading and conversing

    def _converse(self, port: Port) -> None:
        for command in opening(self.config):
            self._send(port, command)
        if not self.talks:
            self._pause_s = FIRST_PAUSE_S
        for talk in self.talks:
            talk.begin()
            self._do(port, talk, lambda t: t.conversation.opened(monotonic_ns()))
        listening = [talk for talk in self.talks if talk.listens]
        acting = [talk for talk in self.talks if talk.acts]
        due = monotonic_ns() + BEAT_NS
        while not self._stop_event.is_set():
            now = monotonic_ns()
            self.beat_ns = now
            if self.orders:
                self._obey(port)
            if now >= due:
                for talk in acting:
                    self._do(port, talk, lambda t: t.conversation.wake(monotonic_ns()))
                self.inbox.tell_lost(now)
            due = _next_wake(acting, now)
            for kind, t_ns, data in port.read(max(0, due - monotonic_ns()) / SECOND_NS):
                chunk = Chunk(kind, t_ns, data)
                self.inbox.put(chunk)
                for talk in listening:
                    self._hear(port, talk, chunk)
            self._tell_dropped(port)

    def _hear(self, port: Port, talk: Talk, chunk: Chunk) -> None:
        self._do(port, talk, lambda t: t.conversation.received(chunk))

    def _do(self, port: Port, talk: Talk, call: Callable[[Talk], Iterable[Action]]) -> None:
        """Carry out what a conversation wants; its faults cost that device alone."""
        if talk.failed:
            return
        try:
            actions = tuple(call(talk))
        except DeviceError as error:
            raise DeviceError(f"device {talk.name}: {error}") from None
        except Exception as error:
            self._fail(talk, error)
            return
        for action in actions:
            self._act(port, talk, action)

    def _act(self, port: Port, talk: Talk, action: Action) -> None:
        if isinstance(action, Send):
            try:
                self._check_leaving(action.data)
            except DeviceError as error:
                self._fail(talk, error)
                return
            self._send(port, encoded(self.config, action.data))
        elif isinstance(action, Note):
            content = {"note": "state", "device": talk.name, **to_plain(action.content)}
            self._note(content)
        elif isinstance(action, Identified):
            talk.identified = True
            self._pause_s = FIRST_PAUSE_S
            preface = talk.preface(action.found, self.facts)
            self._note({"note": "identified", "device": talk.name, "preface": preface})

    def _check_leaving(self, data: bytes) -> None:
        """Let only reading requests onto a car's bus; DeviceError names what is refused."""
        if self.config.family != "can":
            return
        if self.config.listen_only:
            raise DeviceError(f"wire {self.wire} is listen-only")
        from daq.wire import allowed

        allowed.check_record(data)

    def _send(self, port: Port, data: bytes) -> None:
        """Write, stamped before: no answer can belong to an earlier moment than this one."""
        leaves_ns = monotonic_ns()
        port.write(data)
        self.inbox.put(Chunk(ChunkKind.TX, leaves_ns, data))

    def _fail(self, talk: Talk, error: Exception) -> None:
        talk.failed = f"{type(error).__name__}: {error}"
        log.error("device %s: failed; the wire goes on", talk.name, exc_info=error)
        self._note({"note": "failed", "device": talk.name, "error": talk.failed})

    def _tell_dropped(self, port: Port) -> None:
        take = getattr(port, "take_dropped", None)
        if take is not None and (count := take()):
            self._note({"note": "lost", "frames": count, "reason": "the kernel's queue was full"})

    def _obey(self, port: Port) -> None:
        order = self.orders.popleft()
        talk = next(talk for talk in self.talks if talk.name == order.device)
        if talk.failed or not talk.identified:
            order.done(f"device {talk.name}: {talk.failed or 'not identified yet'}")
            return
        try:
            actions = tuple(talk.conversation.command(order.name, order.value, monotonic_ns()))
        except ValueError as error:
            order.done(f"device {talk.name}: {error}")
            return
        except Exception as error:
            self._fail(talk, error)
            order.done(f"device {talk.name}: {talk.failed}")
            return
        for action in actions:
            self._act(port, talk, action)
        ordered = {"name": order.name, "value": order.value}
        self._note({"note": "command", "device": talk.name, **ordered})
        order.done("")

    def _refuse_orders(self) -> None:
        while self.orders:
            self.orders.popleft().done(f"wire {self.wire} is lost: {self.error}")

    def _note(self, content: Mapping[str, Any]) -> None:
        self.inbox.note(monotonic_ns(), content)

    def status(self) -> dict[str, Any]:
        """How the wire and its devices are."""
        devices = {
            talk.name: talk.failed or ("identified" if talk.identified else "not identified")
            for talk in self.talks
        }
        return {
            "state": self.state,
            "since_ns": self.since_ns,
            "error": self.error,
            "tried": self.tried,
            "beat_ns": self.beat_ns,
            "chunks": self.inbox.chunks,
            "dropped": self.inbox.dropped,
            "devices": devices,
        }


def _next_wake(acting: list[Talk], now: int) -> int:
    """When the next conversation wants to be woken, within one beat."""
    due = now + BEAT_NS
    for talk in acting:
        wanted = None if talk.failed else talk.conversation.next_wake_ns
        if wanted is not None and wanted < due:
            due = wanted
    return due


def open_port(config: WireConfig) -> Port:
    """Open the wire that *config* describes.

    Raises WireError.
    """
    if config.kind == "socketcan":
        from daq.wire.socketcan import open_socketcan

        return open_socketcan(config.channel)
    from daq.wire.serial import SerialPort

    return SerialPort(
        config.port,
        baud=config.baud,
        data_bits=config.data_bits,
        parity=config.parity,
        stop_bits=config.stop_bits,
    )


def opening(config: WireConfig) -> tuple[bytes, ...]:
    """What is sent first on a wire.

    Raises WireError for a bit rate that the adapter's protocol does not know.
    """
    if config.kind != "slcan":
        return ()
    from daq.wire import slcan

    try:
        return (slcan.open_commands(config.bitrate, config.listen_only),)
    except ValueError as error:
        raise WireError(str(error)) from None


def closing(config: WireConfig) -> tuple[bytes, ...]:
    """What is sent last on a wire."""
    if config.kind != "slcan":
        return ()
    from daq.wire import slcan

    return (slcan.close_commands(),)


def encoded(config: WireConfig, data: bytes) -> bytes:
    """What a conversation sends, as the wire takes it: frames become lines on slcan."""
    if config.kind != "slcan":
        return data
    import numpy as np

    from daq.wire import can, slcan

    return slcan.encode(np.frombuffer(data, can.FRAME))
