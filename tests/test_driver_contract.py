"""The driver contract, proven on three sound drivers and on drivers that break one rule each.

Source: an invented device family of this test; frame checks by CRC-16/XMODEM of binascii.
"""

from __future__ import annotations

import binascii
import os
import random
import struct
import time
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, ClassVar

import numpy as np
import pytest
from numpy.typing import NDArray

from daq.driver import (
    Action,
    Block,
    Channel,
    Chunk,
    Conversation,
    Driver,
    Identified,
    Preface,
    Send,
    Stream,
    key,
)
from daq.errors import DeviceError, WireError
from daq.polled import (
    Dialogue,
    Exchange,
    PolledConversation,
    PolledDecoder,
    Reply,
    Request,
)
from daq.pushed import PushedDecoder, Span
from daq.testing import DriverContract, SerialDevice, broken
from daq.wire.serial import SerialPort


def crc(data: bytes) -> bytes:
    return struct.pack("<H", binascii.crc_hqx(data, 0))


def refuse_later(driver: Driver, preface: Preface) -> None:
    if preface.record_version not in driver.reads_versions:
        raise DeviceError(f"record version {preface.record_version} is not known")


# --- pushed: A5, value int16, CRC


class GaugeDecoder(PushedDecoder):
    size = 5
    covered = 3

    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        spans: list[Span] = []
        at = buffer.find(0xA5)
        while 0 <= at <= len(buffer) - self.size:
            if self.sound(bytes(buffer[at : at + self.size])):
                spans.append((at, at + self.size))
                at += self.size
            else:
                self.frames_bad += 1
                at += self.after_bad()
            at = buffer.find(0xA5, at)
        return spans, len(buffer) if at < 0 else min(at, len(buffer))

    def sound(self, frame: bytes) -> bool:
        return crc(frame[:-2]) == frame[-2:]

    def after_bad(self) -> int:
        return 1

    def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
        values = np.frombuffer(b"".join(frames), "u1").reshape(-1, self.size)[:, 1:3]
        raw = values.copy().view("<i2").ravel().astype(np.int64)
        return [Block("gauge", begun_by, {"boost": raw}, segment=self.segment)]


class Gauge(Driver):
    """A pressure gauge that talks by itself."""

    summary = "a gauge of this test"
    rung = "simulated"
    wires = frozenset({"serial"})

    @dataclass(frozen=True)
    class Config:
        range_kpa: float = key(100.0, unit="kPa")

    Decoder = GaugeDecoder
    channel = Channel(
        "boost",
        "kPa",
        "charge pressure",
        scale=0.01,
        raw_bits=16,
        source="frame layout in this file",
    )

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        return (Stream("gauge", (self.channel,), rate_hz=100.0),)

    def decoder(self, preface: Preface) -> Any:
        refuse_later(self, preface)
        return self.Decoder(preface.byte_ns)


class SimulatedGauge(SerialDevice):
    period_s = 0.005

    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(3)

    def step(self, now_ns: int) -> bytes:
        raw = self.value.randint(-9000, 9000)
        self.sampled("gauge", now_ns, boost=raw * 0.01)
        body = b"\xa5" + struct.pack("<h", raw)
        return body + crc(body)


class Quick(DriverContract):
    capture_s = 0.2
    silence_s = 0.5
    damages = 30


class GaugeContract(Quick):
    driver = Gauge
    settings: ClassVar = {"range_kpa": 250.0}

    def simulated(self) -> SimulatedGauge:
        return SimulatedGauge()


class TestGauge(GaugeContract):
    pass


# --- polled: "T?" LF, answered by "T=+12.34*XX" LF with the XOR of what stands before the star


def xor(text: bytes) -> bytes:
    total = 0
    for byte in text:
        total ^= byte
    return b"%02X" % total


class ProbeDialogue(Dialogue):
    requests = (
        Request(b"T?\n", 40.0, 0.05),
        Request(b"P?\n", 20.0, 0.05),
    )
    attempts = 3

    def read(self, request: Request, buffer: bytes) -> Reply | None:
        end = buffer.find(b"\n") + 1
        if not end:
            return None
        text, _, check = buffer[: end - 1].partition(b"*")
        if text[:1] != request.data[:1] or check != xor(text) or text[1:2] != b"=":
            return Reply("stray", 0, end)
        return Reply("refused" if text[2:] == b"ERR" else "answer", 0, end)


class ProbeDecoder(PolledDecoder):
    names: Mapping[bytes, str] = {b"T": "temperature", b"P": "pressure"}

    def rows(self, exchanges: list[Exchange]) -> list[Block]:
        return [self.row(*exchange) for exchange in exchanges]

    def row(self, request: Request, answer: bytes, t_lo: int, t_hi: int) -> Block:
        name = self.names[request.data[:1]]
        value = float(answer[2 : answer.index(b"*")])
        times = np.array([t_lo]), np.array([t_hi])
        return Block(name, times[1], {name: np.array([value])}, times[0], segment=self.segment)


class Probe(Driver):
    """A probe that answers questions."""

    summary = "a probe of this test"
    rung = "simulated"
    wires = frozenset({"serial"})

    @dataclass(frozen=True)
    class Config:
        address: int = key(1, low=1, high=9)

    Conversation: type[PolledConversation] = PolledConversation
    Decoder = ProbeDecoder
    Dialogue: type[Dialogue] = ProbeDialogue

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        source = "answers described in this file"
        hot = Channel("temperature", "degC", "oil temperature", decimal=True, source=source)
        pressed = Channel("pressure", "kPa", "oil pressure", decimal=True, source=source)
        return Stream("temperature", (hot,), 40.0), Stream("pressure", (pressed,), 20.0)

    def conversation(self) -> Conversation:
        return self.Conversation(self.Dialogue())

    def decoder(self, preface: Preface) -> Any:
        refuse_later(self, preface)
        return self.Decoder(self.Dialogue(), preface.byte_ns)


class SimulatedProbe(SerialDevice):
    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(4)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        letter = request[:1]
        if letter not in ProbeDecoder.names:
            return b""
        name = ProbeDecoder.names[letter]
        number = self.value.randint(-999, 9999) / 100
        self.sampled(name, now_ns, **{name: number})
        text = letter + b"=%+.2f" % number
        return text + b"*" + xor(text) + b"\n"


class ProbeContract(Quick):
    driver = Probe
    settings: ClassVar = {"address": 1}
    polled = True
    late_s = 0.08
    edge_bytes = 1

    def simulated(self) -> SimulatedProbe:
        return SimulatedProbe()


class TestProbe(ProbeContract):
    pass


# --- block: 7E, tick of the first value (8 bits, wraps), number, values uint16, CRC


class CounterDecoder(PushedDecoder):
    def __init__(self, byte_ns: float) -> None:
        super().__init__(byte_ns)
        self.tick: int | None = None

    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        spans: list[Span] = []
        at = buffer.find(0x7E)
        while at >= 0:
            size = 5 + 2 * buffer[at + 2] if at + 2 < len(buffer) else len(buffer) + 1
            if at + 2 < len(buffer) and not 1 <= buffer[at + 2] <= 8:
                at = buffer.find(0x7E, at + 1)
            elif at + size > len(buffer):
                return spans, at
            elif crc(bytes(buffer[at : at + size - 2])) == buffer[at + size - 2 : at + size]:
                spans.append((at, at + size))
                at = buffer.find(0x7E, at + size)
            else:
                self.frames_bad += 1
                at = buffer.find(0x7E, at + 1)
        return spans, len(buffer)

    def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
        return [self.block(frame, t_hi) for frame, t_hi in zip(frames, begun_by)]

    def block(self, frame: bytes, t_hi: int) -> Block:
        count = frame[2]
        raw = np.frombuffer(frame, "<u2", count, 3).astype(np.int64)
        index = np.arange(self.unwrap(frame[1]), self.tick + count)
        times = np.full(count, t_hi)
        return Block("counter", times, {"count": raw}, index=index, segment=self.segment)

    def unwrap(self, tick: int) -> int:
        last = tick if self.tick is None else self.tick
        self.tick = last + (tick - last) % 256
        return self.tick


class Counter(Driver):
    """A counter with a crystal of its own."""

    summary = "a counter of this test"
    rung = "simulated"
    wires = frozenset({"serial"})

    @dataclass(frozen=True)
    class Config:
        pass

    Decoder = CounterDecoder

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        source = "frame layout in this file"
        count = Channel("count", "1", "pulses", kind="counter", raw_bits=16, raw_signed=False,
                        source=source)  # fmt: skip
        return (Stream("counter", (count,), 500.0, 500.0, "counter"),)

    def decoder(self, preface: Preface) -> Any:
        refuse_later(self, preface)
        return self.Decoder(preface.byte_ns)


class SimulatedCounter(SerialDevice):
    period_s = 0.004

    def __init__(self) -> None:
        super().__init__()
        self.tick = 200
        self.value = random.Random(5)

    def step(self, now_ns: int) -> bytes:
        values = [self.value.randint(0, 65535) for _ in range(self.value.randint(1, 4))]
        for value in values:
            self.sampled("counter", now_ns, count=value)
        body = bytes([0x7E, self.tick % 256, len(values)]) + struct.pack(
            f"<{len(values)}H", *values
        )
        self.tick += len(values)
        return body + crc(body)


class CounterContract(Quick):
    driver = Counter

    def simulated(self) -> SimulatedCounter:
        return SimulatedCounter()


class TestCounter(CounterContract):
    pass


# --- broken on purpose: one rule each


class ReadsFile(Gauge):
    def __init__(self, config: Any, documents: Mapping[str, bytes]) -> None:
        super().__init__(config, documents)
        with open("/etc/hostname", "rb") as file:
            file.read()


class UnknownUnit(Gauge):
    channel = replace(Gauge.channel, unit="kpa")


class NoSource(Gauge):
    channel = replace(Gauge.channel, source="")


class TwoLines(Gauge):
    summary = "a gauge\nof this test"


class WrongScale(Gauge):
    channel = replace(Gauge.channel, scale=0.0100001)


class AnyVersion(Gauge):
    def decoder(self, preface: Preface) -> Any:
        return self.Decoder(preface.byte_ns)


class FixedConfig(Gauge):
    Config = dict


class FixedConfigContract(GaugeContract):
    def make(self) -> Driver:
        return FixedConfig({}, {})


class TooEarly(Gauge):
    class Decoder(GaugeDecoder):
        def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
            return super().rows(frames, begun_by - 50_000_000)


class ForgetsRest(Gauge):
    class Decoder(GaugeDecoder):
        def split(self, buffer: bytearray) -> tuple[list[Span], int]:
            return super().split(buffer)[0], len(buffer)


class SkipsWholeFrames(Gauge):
    class Decoder(GaugeDecoder):
        def after_bad(self) -> int:
            return 4 * self.size


class ChecksNothing(Gauge):
    class Decoder(GaugeDecoder):
        def sound(self, frame: bytes) -> bool:
            return True


class RaisesOnGarbage(Gauge):
    class Decoder(GaugeDecoder):
        def split(self, buffer: bytearray) -> tuple[list[Span], int]:
            if b"\xff" * 20 in buffer:
                raise IndexError("no frame in sight")
            return super().split(buffer)


class SmallIntegers(Gauge):
    class Decoder(GaugeDecoder):
        def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
            (block,) = super().rows(frames, begun_by)
            return [replace(block, raw={"boost": block.raw["boost"].astype(np.int32)})]


class ReadsClock(Gauge):
    class Decoder(GaugeDecoder):
        def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
            time.monotonic_ns()
            return super().rows(frames, begun_by)


class SameSegment(Gauge):
    class Decoder(GaugeDecoder):
        def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
            return [replace(block, segment=0) for block in super().rows(frames, begun_by)]


class LosesFound(Gauge):
    class Conversation(Conversation):
        def opened(self, now_ns: int) -> Iterable[Action]:
            return (Identified({"scales": {1: 0.01}}),)

    def conversation(self) -> Conversation:
        return self.Conversation()

    def decoder(self, preface: Preface) -> Any:
        assert preface.found["scales"][1] == 0.01
        return super().decoder(preface)


class Sleeps(Gauge):
    class Conversation(Conversation):
        def wake(self, now_ns: int) -> Iterable[Action]:
            time.sleep(0.4)
            return ()

    def conversation(self) -> Conversation:
        return self.Conversation()


class Spins(Gauge):
    class Conversation(Conversation):
        @property
        def next_wake_ns(self) -> int:
            return 0

    def conversation(self) -> Conversation:
        return self.Conversation()


class Leaks(Gauge):
    class Conversation(Conversation):
        kept: ClassVar[list[int]] = []

        def opened(self, now_ns: int) -> Iterable[Action]:
            self.kept += os.pipe()
            return super().opened(now_ns)

    def conversation(self) -> Conversation:
        return self.Conversation()


class NeverWraps(Counter):
    class Decoder(CounterDecoder):
        def unwrap(self, tick: int) -> int:
            self.tick = tick
            return tick


class WaitsForEver(Probe):
    class Conversation(PolledConversation):
        def _give_up(self, request: Request, now_ns: int) -> None:
            self._until_ns = now_ns + 10_000_000


class TakesAnything(Probe):
    """Asks on at once after an answer failed to come, and believes what comes next."""

    class Dialogue(ProbeDialogue):
        def read(self, request: Request, buffer: bytes) -> Reply | None:
            return super().read(replace(request, data=buffer[:1]), buffer)

    class Conversation(Conversation):
        def __init__(self, dialogue: Dialogue) -> None:
            self.requests = dialogue.requests
            self.turn = self.missed = 0

        def opened(self, now_ns: int) -> Iterable[Action]:
            return Identified({}), *self.ask(now_ns)

        def ask(self, now_ns: int) -> Iterable[Action]:
            self.turn += 1
            self.answered = False
            self.due = now_ns + 50_000_000
            return (Send(self.requests[self.turn % 2].data),)

        def wake(self, now_ns: int) -> Iterable[Action]:
            self.missed += not self.answered
            if self.missed > 5:
                raise DeviceError("no answer to 'T?' within 0.05 s")
            return self.ask(now_ns)

        def received(self, chunk: Chunk) -> Iterable[Action]:
            self.answered = chunk.data.endswith(b"\n")
            self.due = chunk.t_ns + 15_000_000
            return ()

        @property
        def next_wake_ns(self) -> int:
            return self.due

    class Decoder(ProbeDecoder):
        def _replied(self, request: Request, reply: Reply, now_ns: int) -> list[Exchange]:
            self._in_doubt = False
            return super()._replied(request, reply, now_ns)


class DeafPort(SerialPort):
    def read(self, timeout_s: float) -> list[tuple[int, int, bytes]]:
        try:
            return super().read(timeout_s)
        except WireError:
            time.sleep(timeout_s)
            return []


class DeafContract(GaugeContract):
    def open_port(self, path: str) -> SerialPort:
        return DeafPort(path, baud=115_200)


class RawErrorContract(GaugeContract):
    def open_port(self, path: str) -> SerialPort:
        os.stat(path)
        return SerialPort(path, baud=115_200)


GAUGE, COUNTER, PROBE = GaugeContract, CounterContract, ProbeContract


@pytest.mark.parametrize(
    ("contract", "driver", "checks"),
    [
        (GAUGE, ReadsFile, {"no_io_before_open"}),
        (GAUGE, UnknownUnit, {"units_known"}),
        (GAUGE, NoSource, {"sources_given"}),
        (GAUGE, TwoLines, {"facts_stated"}),
        (FixedConfigContract, FixedConfig, {"unknown_key_refused"}),
        (GAUGE, WrongScale, {"values_true"}),
        (GAUGE, TooEarly, {"values_true"}),
        (GAUGE, AnyVersion, {"record_version_refused"}),
        (GAUGE, ForgetsRest, {"true_in_any_cut"}),
        (GAUGE, SkipsWholeFrames, {"noise_costs_only_what_it_touches"}),
        (GAUGE, ChecksNothing, {"noise_costs_only_what_it_touches", "no_false_frame"}),
        (GAUGE, RaisesOnGarbage, {"no_false_frame"}),
        (GAUGE, SmallIntegers, {"blocks_well_formed"}),
        (COUNTER, NeverWraps, {"blocks_well_formed"}),
        (GAUGE, ReadsClock, {"decoder_deterministic"}),
        (GAUGE, SameSegment, {"reopens"}),
        (GAUGE, LosesFound, {"preface_survives_json"}),
        (GAUGE, Sleeps, {"silence_returns"}),
        (GAUGE, Spins, {"silence_returns"}),
        (GAUGE, Leaks, {"leaks_nothing"}),
        (PROBE, WaitsForEver, {"silence_returns"}),
        (PROBE, TakesAnything, {"late_answer_never_passes"}),
        (DeafContract, Gauge, {"unplugged_is_device_error", "reopens"}),
        (RawErrorContract, Gauge, {"absent_port_named"}),
    ],
)
def test_a_broken_driver_is_caught_by_its_check(
    contract: type[DriverContract], driver: type[Driver], checks: set[str]
) -> None:
    tried = type(f"{driver.__name__}Tried", (contract,), {"driver": driver})()
    failed = broken(tried)
    assert set(failed) == {f"test_{name}" for name in checks}, failed
