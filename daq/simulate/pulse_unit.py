"""Simulated firmware of a pulse-and-analogue unit: signals in, bytes out, requests answered.

An implementation of drivers/pulse_unit.md that shares nothing with the driver. It holds no port
and reads no clock; whoever owns the line moves its bytes:

    unit = SimulatedUnit(UnitConfig(), seed=1)
    signals = Signals(encoder=[12.5], analogue={"ai1": 2.5, "supply": 5.0})
    line.write(unit.step(0.001, signals))      # 1 ms later the signals are these
    unit.receive(line.read())                  # requests; answered by the next step
    unit.lamp, unit.buzzer                     # what the driver in the car sees and hears
    unit.reset()                               # brown-out: counts and ticks start again
    unit.now_s                                 # true time, the sum of all steps
    unit.tick_at(unit.now_s)                   # the unit's own clock, unwrapped

Between two steps positions and volts run linearly, so steps of 1 ms keep edge times true to far
below a tick even in a hard pull. Frames leave with the step in which they are due: with long
steps several blocks leave at once. Simulate stalls, noise and lost bytes on the line, not here.
"""

from __future__ import annotations

import json
import math
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field

import numpy as np
from numpy.typing import NDArray

HELLO, ECHO, OUTPUT, DIGITAL, IGNITION, ENCODER, ANALOGUE = 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x10
ASK_HELLO, ASK_ECHO, SET_OUTPUT = 0x81, 0x82, 0x83
PROTOCOL = 1
BY_COMMAND, BY_TIMEOUT, BY_RESET = 0, 1, 2
LONGEST_REQUEST = 64
_WRAP = 1 << 32


@dataclass(frozen=True)
class InputGroup:
    """Analogue inputs sampled together: every ``period_ticks``, to ``bits``.

    ``full_scale_v`` at the terminal reads ``2**bits`` counts (signed: half of them).
    """

    inputs: tuple[str, ...]
    period_ticks: int = 1000
    bits: int = 12
    signed: bool = False
    full_scale_v: float = 5.5


@dataclass(frozen=True)
class UnitConfig:
    """What the unit says of itself in its hello, and how good its parts are."""

    serial_number: str = "SIM-0001"
    firmware: str = "simulated 1"
    tick_hz: int = 1_000_000
    native_usb: bool = False
    encoders: int = 1
    encoder_period_ticks: int = 1000
    analogue: tuple[InputGroup, ...] = (
        InputGroup((*(f"ai{number}" for number in range(1, 16)), "supply")),
    )
    digital_inputs: int = 8
    block_ticks: int = 50_000
    levels_ticks: int = 500_000
    resets: int = 1
    crystal_ppm: float = 0.0
    first_tick: int = 0
    noise_counts: float = 0.0


@dataclass
class Signals:
    """True signals at the end of a step.

    ``encoder``: position of each set in counts; ``analogue``: volts at the terminal by input
    name, missing inputs read 0 V; ``ignition_s``: true times in s (as ``now_s`` counts) of the
    pick-up's edges within this step, in order; ``digital``: bit 0 for di1 and so on, 1 = closed.
    """

    encoder: Sequence[float] = ()
    analogue: Mapping[str, float] = field(default_factory=dict)
    ignition_s: Sequence[float] = ()
    digital: int = 0


class SimulatedUnit:
    """The unit; see the module's text."""

    def __init__(self, config: UnitConfig | None = None, seed: int = 0) -> None:
        self.config = config or UnitConfig()
        self.random = np.random.default_rng(seed)
        self.now_s = 0.0
        self.resets = self.config.resets
        self._origin_s = 0.0
        self._origin_tick = self.config.first_tick
        self._signals = Signals()
        self._start()

    def _start(self) -> None:
        """Everything that a reset clears."""
        config = self.config
        tick = self.tick_at(self.now_s)
        self.outputs = 0
        self._off_tick: int | None = None
        self._sequence = 0
        self._request = bytearray()
        self._answers: list[tuple[int, bytes]] = []
        self._frames = bytearray()
        self._zero = [self._position(number) for number in range(config.encoders)]
        self._last_edge = [tick] * config.encoders
        self._encoder = _Sampler(tick, config.encoder_period_ticks)
        self._groups = [_Sampler(tick, group.period_ticks) for group in config.analogue]
        self._ignition: list[tuple[int, int]] = []
        self._ignition_count = 0
        self._digital: list[tuple[int, int, int, int]] = []
        self._digital_edges = 0
        self._next_block = tick + config.block_ticks
        self._next_levels = tick
        self._say(HELLO, self._hello(), tick)
        self._say_output(BY_RESET, 0, tick)

    @property
    def lamp(self) -> bool:
        """Whether the lamp is lit."""
        return bool(self.outputs & 1)

    @property
    def buzzer(self) -> bool:
        """Whether the buzzer sounds."""
        return bool(self.outputs & 2)

    def tick_at(self, time_s: float) -> int:
        """The unit's clock at a true time in s, not wrapped."""
        return self._origin_tick + math.floor((time_s - self._origin_s) * self._tick_rate)

    def reset(self) -> None:
        """Start again as after a brown-out: ticks and counts from zero, outputs off."""
        self.resets += 1
        self._origin_s, self._origin_tick = self.now_s, 0
        self._start()

    def step(self, dt_s: float, signals: Signals) -> bytes:
        """Bytes that the unit sends in the next *dt_s* seconds, at whose end *signals* hold."""
        before, begin, end = self._signals, self.now_s, self.now_s + dt_s
        span = _Span(begin, end, before, signals)
        self._sample_encoders(span)
        self._sample_analogue(span)
        self._capture_ignition(signals)
        self.now_s, self._signals = end, signals
        tick = self.tick_at(end)
        self._capture_digital(before.digital, signals.digital, tick)
        self._answer(tick)
        self._watch_outputs(tick)
        if tick >= self._next_block:
            self._next_block = tick + self.config.block_ticks - tick % self.config.block_ticks
            self._send_blocks(tick)
        sent, self._frames = bytes(self._frames), bytearray()
        return sent

    def receive(self, data: bytes) -> None:
        """Take bytes from the PC; whatever is no valid request is ignored."""
        for byte in data:
            if byte:
                self._request.append(byte)
                del self._request[: -LONGEST_REQUEST - 1]
            else:
                self._take_request(bytes(self._request))
                self._request.clear()

    # --- sampling

    def _position(self, number: int) -> int:
        """Where a set stands, in whole counts."""
        known = self._signals.encoder
        return math.floor(known[number]) if number < len(known) else 0

    @property
    def _tick_rate(self) -> float:
        return self.config.tick_hz * (1 + self.config.crystal_ppm * 1e-6)

    def _time_of(self, ticks: NDArray[np.int64]) -> NDArray[np.float64]:
        times: NDArray[np.float64] = self._origin_s + (ticks - self._origin_tick) / self._tick_rate
        return times

    def _sample_encoders(self, span: _Span) -> None:
        ticks = self._encoder.due(self.tick_at(span.end))
        times = self._time_of(ticks)
        rows = np.zeros((len(ticks), self.config.encoders, 2), np.int64)
        for number in range(self.config.encoders):
            first, last = span.encoder(number)
            self._pairs(rows[:, number], number, span, times, first, last)
        self._encoder.add(ticks, rows.astype("<u4"))

    def _pairs(
        self,
        rows: NDArray[np.int64],
        number: int,
        span: _Span,
        times: NDArray[np.float64],
        first: float,
        last: float,
    ) -> None:
        """Fill (count, tick of the last edge) at each sample time of one set."""
        slope = (last - first) / (span.end - span.begin)
        zero = self._zero[number]
        position = first + (times - span.begin) * slope
        level = np.floor(position)
        edge = self._edge_ticks(level, first, slope, span.begin)
        edge = np.where(edge < 0, self._last_edge[number], edge)
        rows[:, 0] = level.astype(np.int64) - zero
        rows[:, 1] = edge
        final = self._edge_ticks(np.array([math.floor(last)]), first, slope, span.begin)[0]
        if final >= 0:
            self._last_edge[number] = int(final)

    def _edge_ticks(
        self, level: NDArray[np.float64], first: float, slope: float, begin: float
    ) -> NDArray[np.int64]:
        """Tick of the crossing that led to each count, -1 where it lies before this step.

        Going up a count begins at its own integer, going down at the integer above it.
        """
        if slope == 0:
            return np.full(len(level), -1, np.int64)
        crossing = level if slope > 0 else level + 1
        after = (crossing - first) / slope
        times = begin + after - self._origin_s
        ticks = self._origin_tick + np.floor(times * self._tick_rate).astype(np.int64)
        crossed = after > 0 if slope > 0 else after >= 0
        return np.where(crossed, ticks, -1)

    def _sample_analogue(self, span: _Span) -> None:
        for group, sampler in zip(self.config.analogue, self._groups, strict=True):
            ticks = sampler.due(self.tick_at(span.end))
            part = (self._time_of(ticks) - span.begin) / (span.end - span.begin)
            volts = span.analogue(group.inputs, np.clip(part, 0.0, 1.0))
            sampler.add(ticks, self._convert(group, volts))

    def _convert(self, group: InputGroup, volts: NDArray[np.float64]) -> NDArray[np.generic]:
        whole = 1 << group.bits
        counts = volts / group.full_scale_v * (whole // 2 if group.signed else whole)
        if self.config.noise_counts:
            counts += self.random.normal(0.0, self.config.noise_counts, counts.shape)
        low, high = (-whole // 2, whole // 2 - 1) if group.signed else (0, whole - 1)
        kind = ("i" if group.signed else "u") + ("2" if group.bits <= 16 else "4")
        return np.clip(np.floor(counts), low, high).astype("<" + kind)

    def _capture_ignition(self, signals: Signals) -> None:
        for time_s in signals.ignition_s:
            self._ignition_count += 1
            self._ignition.append((self._ignition_count, self.tick_at(time_s)))

    def _capture_digital(self, before: int, now: int, tick: int) -> None:
        now &= (1 << self.config.digital_inputs) - 1
        changed = (before ^ now) & 0xFF
        self._digital_edges += changed.bit_count()
        if changed or tick >= self._next_levels:
            self._digital.append((tick, now, changed, self._digital_edges))
            self._next_levels = tick + self.config.levels_ticks

    # --- requests

    def _take_request(self, code: bytes) -> None:
        body = cobs_decode(code) if 0 < len(code) <= LONGEST_REQUEST else None
        if body is None or len(body) < 12 or _crc(body[:-4]) != body[-4:]:
            return
        self._answers.append((self.tick_at(self.now_s), body[:-4]))

    def _answer(self, tick: int) -> None:
        answers, self._answers = self._answers, []
        for received, body in answers:
            kind, payload = body[0], body[8:]
            if kind == ASK_HELLO:
                self._say(HELLO, self._hello(), tick)
            elif kind == ASK_ECHO and len(payload) == 8:
                times = struct.pack("<II", received % _WRAP, tick % _WRAP)
                self._say(ECHO, payload + times, tick)
            elif kind == SET_OUTPUT and len(payload) == 4:
                self._set_outputs(payload, struct.unpack_from("<H", body, 2)[0], tick)

    def _set_outputs(self, payload: bytes, request: int, tick: int) -> None:
        mask, levels, hold_ms = struct.unpack("<BBH", payload)
        self.outputs = (self.outputs & ~mask | levels & mask) & 3
        self._off_tick = tick + min(hold_ms, 10_000) * self.config.tick_hz // 1000
        self._say_output(BY_COMMAND, request, tick)

    def _watch_outputs(self, tick: int) -> None:
        if self.outputs and self._off_tick is not None and tick >= self._off_tick:
            self.outputs = 0
            self._say_output(BY_TIMEOUT, 0, tick)

    # --- sending

    def _hello(self) -> bytes:
        config = self.config
        text = {
            "serial_number": config.serial_number,
            "firmware": config.firmware,
            "tick_hz": config.tick_hz,
            "native_usb": config.native_usb,
            "encoders": config.encoders,
            "encoder_period_ticks": config.encoder_period_ticks,
            "analogue": [asdict(group) for group in config.analogue],
            "digital_inputs": config.digital_inputs,
        }
        head = struct.pack("<BxxxI", PROTOCOL, self.resets % _WRAP)
        return head + json.dumps(text, separators=(",", ":")).encode()

    def _send_blocks(self, tick: int) -> None:
        if self.config.encoders:
            for payload in self._encoder.take():
                self._say(ENCODER, payload, tick)
        for number, sampler in enumerate(self._groups):
            for payload in sampler.take():
                self._say(ANALOGUE + number, payload, tick)
        self._send_events(tick)

    def _send_events(self, tick: int) -> None:
        pairs = [struct.pack("<II", count, t % _WRAP) for count, t in self._ignition]
        self._say_records(IGNITION, pairs, tick)
        states = [struct.pack("<IBBH", t % _WRAP, a, b, n % 65536) for t, a, b, n in self._digital]
        self._say_records(DIGITAL, states, tick)
        self._ignition, self._digital = [], []

    def _say_records(self, kind: int, records: list[bytes], tick: int) -> None:
        for first in range(0, len(records), 500):
            self._say(kind, b"".join(records[first : first + 500]), tick)

    def _say_output(self, cause: int, request: int, tick: int) -> None:
        self._say(OUTPUT, struct.pack("<BBH", self.outputs, cause, request), tick)

    def _say(self, kind: int, payload: bytes, tick: int) -> None:
        head = struct.pack("<BBHI", kind, self.resets % 256, self._sequence, tick % _WRAP)
        self._sequence = (self._sequence + 1) % 65536
        self._frames += frame(head + payload)


class _Span:
    """One step: true times and the signals at both ends."""

    def __init__(self, begin: float, end: float, before: Signals, after: Signals) -> None:
        self.begin, self.end, self.before, self.after = begin, end, before, after

    def encoder(self, number: int) -> tuple[float, float]:
        """Position of a set at both ends; a set that was not told stands."""
        last = self.after.encoder[number] if number < len(self.after.encoder) else 0.0
        first = self.before.encoder[number] if number < len(self.before.encoder) else last
        return first, last

    def analogue(self, inputs: tuple[str, ...], part: NDArray[np.float64]) -> NDArray[np.float64]:
        """Volts float64[samples, inputs] at fractions *part* of the step."""
        after = np.array([self.after.analogue.get(name, 0.0) for name in inputs])
        before = np.array(
            [self.before.analogue.get(name, volts) for name, volts in zip(inputs, after)]
        )
        volts: NDArray[np.float64] = before + part[:, None] * (after - before)
        return volts


class _Sampler:
    """Samples on the unit's own clock, gathered until the block is sent."""

    LONGEST = 4000

    def __init__(self, tick: int, period: int) -> None:
        self.period = period
        self.next_tick = tick + period
        self.first_tick = self.next_tick
        self.parts: list[NDArray[np.generic]] = []

    def due(self, now: int) -> NDArray[np.int64]:
        """Ticks at which samples fall up to *now*."""
        ticks = np.arange(self.next_tick, now + 1, self.period, dtype=np.int64)
        self.next_tick += len(ticks) * self.period
        return ticks

    def add(self, ticks: NDArray[np.int64], rows: NDArray[np.generic]) -> None:
        """Keep one row for each of *ticks*."""
        if not len(ticks):
            return
        if not self.parts:
            self.first_tick = int(ticks[0])
        self.parts.append(rows)

    def take(self) -> list[bytes]:
        """Payloads of whole blocks: first tick and rows."""
        if not self.parts:
            return []
        rows = np.concatenate(self.parts)
        self.parts = []
        most = self.LONGEST // (rows.nbytes // len(rows))
        return [
            struct.pack("<I", (self.first_tick + at * self.period) % _WRAP)
            + rows[at : at + most].tobytes()
            for at in range(0, len(rows), most)
        ]


def frame(body: bytes) -> bytes:
    """A frame as it goes on the line: delimiter, COBS of body and CRC, delimiter."""
    return b"\0" + cobs_encode(body + _crc(body)) + b"\0"


def _crc(body: bytes) -> bytes:
    return zlib.crc32(body).to_bytes(4, "little")


def cobs_encode(data: bytes) -> bytes:
    """Consistent Overhead Byte Stuffing.

    Source: Cheshire and Baker, IEEE/ACM Transactions on Networking 7 (2), 1999.
    """
    coded = bytearray()
    groups = data.split(b"\0")
    for number, group in enumerate(groups):
        while len(group) >= 254:
            coded += b"\xff" + group[:254]
            group = group[254:]
            if not group and number == len(groups) - 1:
                return bytes(coded)
        coded += bytes([len(group) + 1]) + group
    return bytes(coded)


def cobs_decode(code: bytes) -> bytes | None:
    """The data of a COBS code without delimiter, None when it is not one."""
    data = bytearray()
    at = 0
    while at < len(code):
        length = code[at]
        if not length or at + length > len(code):
            return None
        data += code[at + 1 : at + length]
        at += length
        if length < 255 and at < len(code):
            data.append(0)
    return bytes(data)
