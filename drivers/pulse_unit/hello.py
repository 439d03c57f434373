"""What a unit says of itself in its hello, what the bench expects of it, and its streams."""

from __future__ import annotations

import json
import struct
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import Any

from daq.config import key, load
from daq.driver import Channel, Stream
from daq.errors import ConfigError, DeviceError
from drivers.pulse_unit.framing import MASK, PROTOCOL

ANALOGUE_GROUPS = 16
OUTPUTS = ("lamp", "buzzer")
OUTPUT_CAUSES = {0: "command", 1: "time-out", 2: "reset"}
SOURCE = "drivers/pulse_unit.md"


@dataclass(frozen=True)
class Group:
    """Analogue inputs that are sampled together."""

    inputs: tuple[str, ...]
    period_ticks: int = key(unit="ticks", low=1, high=MASK)
    bits: int = key(unit="bit", low=1, high=32)
    full_scale_v: float = key(unit="V", low=1e-3, high=1e3)
    signed: bool = False

    @property
    def count_bytes(self) -> int:
        """Bytes of one count."""
        return 2 if self.bits <= 16 else 4

    @property
    def row_bytes(self) -> int:
        """Bytes of one sample of all inputs."""
        return self.count_bytes * len(self.inputs)


@dataclass(frozen=True)
class Hello:
    """A unit's description of itself, and with it the layout of its frames."""

    serial_number: str
    firmware: str
    tick_hz: int = key(unit="Hz", low=10_000, high=1_000_000_000)
    encoders: int = key(low=0, high=8)
    encoder_period_ticks: int = key(unit="ticks", low=1, high=MASK)
    analogue: tuple[Group, ...] = key(help="groups, in the order of their frame kinds")
    digital_inputs: int = key(low=0, high=8)
    native_usb: bool = False

    def __post_init__(self) -> None:
        if len(self.analogue) > ANALOGUE_GROUPS:
            raise ValueError(f"{len(self.analogue)} analogue groups; at most {ANALOGUE_GROUPS}")
        if any(not group.inputs for group in self.analogue):
            raise ValueError("an analogue group without inputs")
        names = [channel.name for stream in streams_of(self) for channel in stream.channels]
        twice = sorted({name for name in names if names.count(name) > 1})
        if twice:
            raise ValueError(f"more than one channel is called {', '.join(twice)}")

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of all analogue inputs."""
        return tuple(name for group in self.analogue for name in group.inputs)


def read_hello(payload: bytes) -> tuple[Hello, int]:
    """The description in a hello's payload, and the unit's reset counter.

    Raises DeviceError when it is of another protocol version or makes no sense.
    """
    if len(payload) < 8:
        raise DeviceError(f"the unit's hello is {len(payload)} bytes long; expected at least 8")
    version, resets = struct.unpack_from("<BxxxI", payload)
    if version != PROTOCOL:
        raise DeviceError(
            f"the unit speaks protocol {version}, this release {PROTOCOL};"
            " load firmware of that protocol or a newer release"
        )
    try:
        return load(Hello, _known_keys(json.loads(payload[8:]))), resets
    except (ValueError, ConfigError) as error:
        raise DeviceError(f"the unit's hello is not understood: {error}") from None


def _known_keys(text: Any) -> dict[str, Any]:
    """The keys that this version knows; a later firmware may say more."""
    if not isinstance(text, dict):
        raise ValueError(f"expected a JSON object, got {text!r}")
    known = {name: text[name] for name in (f.name for f in fields(Hello)) if name in text}
    groups = known.get("analogue")
    if isinstance(groups, list) and all(isinstance(group, dict) for group in groups):
        names = {f.name for f in fields(Group)}
        known["analogue"] = [{n: v for n, v in g.items() if n in names} for g in groups]
    return known


def streams_of(hello: Hello) -> tuple[Stream, ...]:
    """The streams of a unit that describes itself so; the index of each is the unit's tick."""

    def stream(name: str, channels: Iterable[Channel], period_ticks: int | None = None) -> Stream:
        rate_hz = hello.tick_hz / period_ticks if period_ticks else None
        cyclic = rate_hz is not None
        return Stream(name, tuple(channels), rate_hz, float(hello.tick_hz), "tick", cyclic)

    encoders = [
        stream(f"encoder_{n}", _encoder_channels(n), hello.encoder_period_ticks)
        for n in range(1, hello.encoders + 1)
    ]
    groups = [
        stream(f"analogue_{n}", _analogue_channels(group), group.period_ticks)
        for n, group in enumerate(hello.analogue, 1)
    ]
    events = [
        stream("ignition", [_counter("ignition_edge", "ignition edges since the unit's reset")]),
        stream("digital", _digital_channels(hello.digital_inputs)),
        stream("echo", [_counter("echo_sent_tick", "tick at which the echo was answered")]),
        stream("output", _output_channels()),
    ]
    return (*encoders, *groups, *events)


def _counter(name: str, description: str) -> Channel:
    return Channel(name, "1", description, kind="counter", raw_bits=64, source=SOURCE)


def _encoder_channels(number: int) -> list[Channel]:
    return [
        _counter(f"encoder_{number}_count", f"position of roller encoder {number}, in counts"),
        _counter(f"encoder_{number}_edge_tick", "tick at which that count was reached"),
    ]


def _analogue_channels(group: Group) -> list[Channel]:
    words = f"{group.bits} bit, {group.full_scale_v:g} V full scale"
    return [
        Channel(
            name,
            "1",
            f"count of input {name}, {words}",
            raw_bits=8 * group.count_bytes,
            raw_signed=group.signed,
            source=SOURCE,
        )
        for name in group.inputs
    ]


def _state(name: str, description: str, labels: Mapping[int, str]) -> Channel:
    return Channel(
        name, "1", description, kind="state", raw_bits=8, raw_signed=False,
        low=0, high=max(labels), labels=labels, source=SOURCE,
    )  # fmt: skip


def _digital_channels(count: int) -> list[Channel]:
    inputs = [
        _state(f"di{n}", f"contact at digital input {n}", {0: "open", 1: "closed"})
        for n in range(1, count + 1)
    ]
    return [*inputs, _counter("digital_edge", "changes of digital inputs since the unit's reset")]


def _output_channels() -> list[Channel]:
    outputs = [_state(name, f"{name} of the driver's aid", {0: "off", 1: "on"}) for name in OUTPUTS]
    return [*outputs, _state("output_cause", "why the outputs are as they are", OUTPUT_CAUSES)]


@dataclass(frozen=True)
class Config:
    """What the bench expects of the unit."""

    serial_number: str = key("", help="refuse every other unit; empty: take any")
    encoders: int = key(1, low=0, high=8, help="roller encoders that must be there")
    digital_inputs: int = key(6, low=0, high=8, help="digital inputs that must be there")
    inputs: tuple[str, ...] = key((), help="analogue inputs that must be there, by name")

    def misfit(self, hello: Hello) -> str:
        """What the unit lacks, in words; empty when it fits."""
        if self.serial_number and hello.serial_number != self.serial_number:
            return (
                f"the unit here is {hello.serial_number!r}, serial_number asks for"
                f" {self.serial_number!r}; connect that one or correct serial_number"
            )
        for name in ("encoders", "digital_inputs"):
            has, wanted = getattr(hello, name), getattr(self, name)
            if has < wanted:
                return f"the unit has {name} = {has}, the configuration asks for {wanted}"
        lacking = [name for name in self.inputs if name not in hello.inputs]
        if lacking:
            return (
                f"the unit has no input {', '.join(map(repr, lacking))};"
                f" it has {', '.join(hello.inputs) or 'none'}"
            )
        return ""

    def assumed(self) -> Hello:
        """A unit as it is expected before one has said hello."""
        inputs = self.inputs or (*(f"ai{n}" for n in range(1, 17)), "supply")
        group = Group(inputs, period_ticks=1000, bits=16, full_scale_v=5.0)
        return Hello("", "", 1_000_000, self.encoders, 1000, (group,), self.digital_inputs)
