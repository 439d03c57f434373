"""A wire's thread and the conversations on it, on real pseudo-terminals."""

from __future__ import annotations

import os
import threading
import time
import tty
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import pytest

from daq import registry
from daq.bench import Bench, BenchConfig, DeviceConfig, WireConfig
from daq.clock import MILLISECOND_NS, monotonic_ns
from daq.driver import (
    Action,
    Chunk,
    ChunkKind,
    Conversation,
    Decoder,
    Driver,
    Identified,
    Note,
    Preface,
    Send,
    Stream,
)
from daq.errors import DeviceError
from daq.reader import INBOX_BYTES, Inbox, Order, Remark, WireReader


@dataclass(frozen=True)
class Settings:
    period_s: float = 0.1


class Asks(Conversation):
    """Asks who is there each 20 ms until it hears `7`, fails on `X`, is faulty on `!`."""

    def __init__(self) -> None:
        self.next: int | None = None
        self.wakes: list[int] = []

    def opened(self, now_ns: int) -> Iterable[Action]:
        self.next = now_ns + 20 * MILLISECOND_NS
        return (Send(b"ID?\r"),)

    def received(self, chunk: Chunk) -> Iterable[Action]:
        if chunk.data == b"X":
            raise DeviceError("another device answers")
        if chunk.data == b"!":
            raise ZeroDivisionError("a fault in the driver")
        if b"7" in chunk.data and self.next is not None:
            self.next = None
            return (Identified({"serial": 7}), Note({"note": "state", "text": "hello"}))
        return ()

    def wake(self, now_ns: int) -> Iterable[Action]:
        self.wakes.append(now_ns)
        if self.next is None or now_ns < self.next:
            return ()
        self.next = now_ns + 20 * MILLISECOND_NS
        return (Send(b"ID?\r"),)

    @property
    def next_wake_ns(self) -> int | None:
        return self.next

    def command(self, name: str, value: Any, now_ns: int) -> Iterable[Action]:
        if name != "lamp":
            return super().command(name, value, now_ns)
        return (Send(b"LAMP %d\r" % bool(value)),)


class Asking(Driver):
    summary = "asks"
    rung = "simulated"
    wires: ClassVar[frozenset[str]] = frozenset({"serial", "can"})
    Config = Settings

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        return ()

    def conversation(self) -> Conversation:
        return Asks()

    def decoder(self, preface: Preface) -> Decoder:
        raise NotImplementedError


class Listening(Asking):
    """Listens alone; its conversation is the silent one."""

    def conversation(self) -> Conversation:
        return Conversation()


@pytest.fixture
def master(tmp_path: Path) -> Iterator[int]:
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    (tmp_path / "line").symlink_to(os.ttyname(slave))
    yield master
    os.close(master)
    os.close(slave)


Start = Callable[..., WireReader]


@pytest.fixture
def start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Start]:
    drivers = {"asking": Asking, "listening": Listening}
    monkeypatch.setattr(registry, "load", drivers.__getitem__)
    stop = threading.Event()
    readers: list[WireReader] = []

    def start(*names: str, **wire: Any) -> WireReader:
        config = WireConfig(**{"kind": "serial", "port": str(tmp_path / "line"), **wire})
        devices = {name: DeviceConfig("line", name, Settings()) for name in names}
        bench = Bench(BenchConfig("B"), {"line": config}, devices)
        readers.append(WireReader(bench, "line", stop))
        readers[-1].start()
        return readers[-1]

    yield start
    stop.set()
    for reader in readers:
        reader.join(2.0)
        assert not reader.is_alive(), "a reader ends within its bounded waits"


class Tape:
    """Everything taken from an inbox so far."""

    def __init__(self, reader: WireReader) -> None:
        self.reader = reader
        self.items: list[Chunk | Remark] = []

    def wait(self, wanted: Callable[[Chunk | Remark], bool], count: int = 1) -> None:
        end = time.monotonic() + 5
        while sum(map(wanted, self.items)) < count:
            assert time.monotonic() < end, f"not seen; {self.items}"
            self.items += self.reader.inbox.take()
            time.sleep(0.005)

    def notes(self) -> list[str]:
        return [str(i.content["note"]) for i in self.items if isinstance(i, Remark)]


def note(kind: str) -> Callable[[Chunk | Remark], bool]:
    return lambda item: isinstance(item, Remark) and item.content["note"] == kind


def sent(data: bytes) -> Callable[[Chunk | Remark], bool]:
    return lambda item: isinstance(item, Chunk) and item[0] == ChunkKind.TX and item.data == data


def test_a_device_is_identified_and_its_preface_noted(start: Start, master: int) -> None:
    reader = start("asking")
    tape = Tape(reader)
    tape.wait(sent(b"ID?\r"), 3)
    assert reader.status()["devices"] == {"asking": "not identified"}
    os.write(master, b"unit 7")
    tape.wait(note("state"))
    assert tape.notes() == ["opened", "identified", "state"]
    (identified,) = [i for i in tape.items if note("identified")(i)]
    assert isinstance(identified, Remark)
    preface = Preface(**identified.content["preface"])
    assert identified.content["device"] == "asking"
    assert preface.driver == "asking"
    assert preface.settings == {"period_s": 0.1}
    assert preface.found == {"serial": 7}
    assert preface.byte_ns == pytest.approx(1e9 * 10 / 115200), "8N1 has ten bits a byte"
    heard = next(i for i, item in enumerate(tape.items) if isinstance(item, Chunk) and not item[0])
    assert heard < tape.items.index(identified), "the answer lies before what it told"
    assert os.read(master, 1000).startswith(b"ID?\rID?\r")


def test_requests_keep_their_times(start: Start, master: int) -> None:
    tape = Tape(start("asking"))
    tape.wait(sent(b"ID?\r"), 20)
    times = [item.t_ns for item in tape.items if sent(b"ID?\r")(item)]
    took = times[19] - times[0]
    assert took > 19 * 20 * MILLISECOND_NS - 5 * MILLISECOND_NS
    assert took < 1500 * MILLISECOND_NS, "not at the ordinary beat of 0.2 s"


def test_the_wrong_device_is_lost_and_asked_again_with_growing_pauses(
    start: Start, master: int
) -> None:
    reader = start("asking")
    tape = Tape(reader)
    for count in range(1, 4):
        tape.wait(note("opened"), count)
        tape.wait(sent(b"ID?\r"), count)
        os.write(master, b"X")
        wait_until(lambda: reader.state == "lost")
    tape.wait(note("opened"), 4)
    opened = [item.t_ns for item in tape.items if note("opened")(item)]
    assert opened[1] - opened[0] >= 200 * MILLISECOND_NS
    assert opened[2] - opened[1] >= 400 * MILLISECOND_NS
    assert opened[3] - opened[2] >= 800 * MILLISECOND_NS
    closed = [item for item in tape.items if note("closed")(item)]
    assert isinstance(closed[0], Remark)
    assert closed[0].content["error"] == "device asking: another device answers"


def wait_until(done: Callable[[], bool]) -> None:
    end = time.monotonic() + 5
    while not done():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_a_fault_in_one_driver_leaves_the_wire_to_the_others(
    start: Start, master: int, caplog: pytest.LogCaptureFixture
) -> None:
    reader = start("asking", "listening")
    tape = Tape(reader)
    tape.wait(note("identified"))
    os.write(master, b"!")
    tape.wait(note("failed"))
    os.write(master, b"more")
    tape.wait(lambda item: isinstance(item, Chunk) and item.data == b"more")
    assert reader.state == "open"
    assert reader.status()["devices"] == {
        "asking": "ZeroDivisionError: a fault in the driver",
        "listening": "identified",
    }
    assert "device asking: failed" in caplog.text
    assert "Traceback" in caplog.text


def test_orders_are_carried_out_or_refused(start: Start, master: int) -> None:
    reader = start("asking")
    tape = Tape(reader)
    told: list[str] = []
    reader.orders.append(Order("asking", "lamp", True, told.append))
    wait_until(lambda: len(told) == 1)
    assert told == ["device asking: not identified yet"]
    os.write(master, b"7")
    tape.wait(note("identified"))
    reader.orders.append(Order("asking", "lamp", True, told.append))
    reader.orders.append(Order("asking", "buzz", 1, told.append))
    wait_until(lambda: len(told) == 3)
    assert told[1:] == ["", "device asking: this device takes no command 'buzz'"]
    tape.wait(note("command"))
    assert sent(b"LAMP 1\r")(next(i for i in tape.items if sent(b"LAMP 1\r")(i)))


def test_a_listen_only_bus_is_never_sent_on(start: Start, master: int) -> None:
    tape = Tape(start("asking", "listening", kind="slcan", listen_only=True))
    tape.wait(note("failed"))
    tape.wait(note("identified"))
    time.sleep(0.1)
    received = os.read(master, 1000)
    assert received.endswith(b"S6\rL\r"), "opened to listen, and nothing else sent"
    assert b"ID" not in received


def test_an_slcan_adapter_is_opened_first_and_closed_last(start: Start, master: int) -> None:
    tape = Tape(start("listening", kind="slcan", bitrate=250_000))
    tape.wait(note("identified"))
    first = tape.items[1]
    assert isinstance(first, Chunk)
    assert first.data.endswith(b"C\rS5\rL\r")
    tape.reader._stop_event.set()
    tape.wait(note("closed"))
    assert sent(b"\rC\r")(tape.items[-2])


def test_an_impossible_bit_rate_is_named(start: Start, master: int) -> None:
    reader = start("listening", kind="slcan", bitrate=333_000)
    wait_until(lambda: reader.state == "lost")
    assert "333000" in reader.error


def test_a_full_inbox_counts_what_it_drops_and_says_so() -> None:
    inbox = Inbox()
    chunk = Chunk(ChunkKind.RX, 1, bytes(1_000_000))
    for _ in range(12):
        inbox.put(chunk)
    kept = list(inbox.take())
    assert len(kept) == INBOX_BYTES // 1_000_000 + 1
    inbox.put(Chunk(ChunkKind.RX, 2, b"after"))
    lost, after = inbox.take()
    assert isinstance(lost, Remark)
    assert lost.content["note"] == "lost"
    assert (lost.content["chunks"], lost.content["bytes"]) == (3, 3_000_000)
    assert isinstance(after, Chunk)
    assert after.data == b"after"
    assert inbox.dropped == 3


def test_putting_never_waits_for_a_taker_that_is_stuck() -> None:
    inbox = Inbox()
    chunk = Chunk(ChunkKind.RX, 1, bytes(100))
    begun = monotonic_ns()
    for _ in range(200_000):
        inbox.put(chunk)
    assert monotonic_ns() - begun < 2_000 * MILLISECOND_NS
    assert inbox.dropped == 200_000 - len(list(inbox.take()))
