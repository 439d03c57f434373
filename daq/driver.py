"""What a driver author imports.

A driver has two halves that never meet:

* *converse*: what to send and when. A :class:`Conversation` gets bytes and the time and returns
  actions; it holds no port and reads no clock. It runs in acquisition, on the wire's thread.
* *decode*: bytes to rows. A :class:`Decoder` gets chunks and returns blocks; it holds no port and
  reads no clock, so a journal from last year decodes as the live line does.

Everything a driver returns is checked by the contract tests in :mod:`daq.testing`.
"""

from __future__ import annotations

import re
from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path
from typing import Any, ClassVar, Literal, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from daq.config import key

__all__ = [
    "Action",
    "Block",
    "Channel",
    "Chunk",
    "ChunkKind",
    "Conversation",
    "Decoder",
    "Driver",
    "Identified",
    "Note",
    "Preface",
    "Send",
    "Stream",
    "key",
]

NAME = re.compile(r"[a-z][a-z0-9_]{0,50}")
RESERVED_ENDINGS = (
    "_errors", "_mask", "_set", "_weights", "_end", "_indices", "_offset", "_scaling_factor",
    "_increment_set", "_status", "_raw",
)  # fmt: skip
"""Endings a channel name may not have. Source: NeXus reserved suffixes; ours are the last two."""


class ChunkKind(IntEnum):
    """What a chunk holds."""

    RX = 0
    """Bytes that arrived; on a CAN wire, records of :data:`daq.wire.can.FRAME`."""
    TX = 1
    """Bytes that left, stamped just before they were written."""
    NOTE = 2
    """A small JSON text: opened, closed, lost, identified, found."""
    RX_FD = 3
    """CAN FD frames that arrived: records of :data:`daq.wire.can.FRAME_FD`."""


class Chunk(NamedTuple):
    """Bytes of one wire as they arrived or left.

    ``t_ns`` is CLOCK_MONOTONIC at the return of the read: whatever is in ``data`` was on the wire
    before then. What was sent is stamped just before the write: it was on the wire after then. A
    chunk is stamped once and never again.
    """

    kind: int
    t_ns: int
    data: bytes


@dataclass(frozen=True)
class Channel:
    """One measured quantity as a device delivers it, before any sensor calibration.

    ``value = scale * raw + offset`` in *unit*: the scaling that the protocol itself defines
    (a count of an analogue input stays a count, unit ``1``). ``low`` and ``high`` bound what is
    believable, in *unit*.
    """

    name: str
    unit: str
    description: str
    quantity: str = ""
    kind: Literal["continuous", "state", "counter"] = "continuous"
    scale: float = 1.0
    offset: float = 0.0
    raw_bits: int = 32
    raw_signed: bool = True
    decimal: bool = False
    """The source delivers decimals: raw is float64 instead of int64."""
    low: float | None = None
    high: float | None = None
    labels: Mapping[int, str] = field(default_factory=dict)
    """Meaning of raw values, for states."""
    role: str = ""
    source: str = ""
    """Where the scaling comes from: a standard's clause, a DBC signal, a data sheet."""

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"channel name {self.name!r}: expected {NAME.pattern}")
        if self.name.endswith(RESERVED_ENDINGS):
            raise ValueError(f"channel name {self.name!r}: its ending is reserved in the run file")


@dataclass(frozen=True)
class Stream:
    """Channels that are sampled together, so that one time serves them all.

    ``rate_hz`` is the nominal rate, None for events. ``index_hz`` is the nominal rate of the
    device's own tick or frame counter (``Block.index``), None when it has neither.
    """

    name: str
    channels: tuple[Channel, ...]
    rate_hz: float | None = None
    index_hz: float | None = None
    index_kind: Literal["tick", "counter", ""] = ""
    cyclic: bool = False
    """The device sends on a fixed period, so that a period grid may be fitted."""

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"stream name {self.name!r}: expected {NAME.pattern}")
        if bool(self.index_kind) != (self.index_hz is not None):
            raise ValueError(f"stream {self.name}: index_kind and index_hz go together")


@dataclass(frozen=True)
class Block:
    """Rows of one stream, in the order in which they were sampled. All arrays have n rows.

    * ``t_hi`` int64 ns: no row was sampled later than this (host time; bytes that followed within
      the same read are already taken off at their byte time).
    * ``t_lo`` int64 ns or None: no row was sampled earlier than this (a poll's request).
    * ``index`` int64 or None: device tick or frame counter, unwrapped within the segment.
    * ``segment``: grows by one when the index may have jumped (opened again, device reset).
    * ``raw``: channel name to int64[n] (float64[n] for a decimal channel).
    * ``missing``: channel name to bool[n], True where that row has no value; absent = none missing.
    """

    stream: str
    t_hi: NDArray[np.int64]
    raw: Mapping[str, NDArray[Any]]
    t_lo: NDArray[np.int64] | None = None
    index: NDArray[np.int64] | None = None
    segment: int = 0
    missing: Mapping[str, NDArray[np.bool_]] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.t_hi)


@dataclass(frozen=True)
class Preface:
    """All that decoding needs beside the bytes; noted when a device is identified and each 60 s.

    ``settings`` is the device's configuration as plain data, ``found`` what the conversation found
    (hello, supported requests, scalings), ``wire`` facts of the line: ``kind``, ``byte_ns``,
    ``bitrate``.
    """

    driver: str
    record_version: int
    settings: Mapping[str, Any] = field(default_factory=dict)
    found: Mapping[str, Any] = field(default_factory=dict)
    wire: Mapping[str, Any] = field(default_factory=dict)

    @property
    def byte_ns(self) -> float:
        """Duration of one byte on a serial line in ns; 0 when the line has no such thing."""
        return float(self.wire.get("byte_ns", 0.0))


# --- actions of a conversation


class Send(NamedTuple):
    """Write these bytes (on a CAN wire: one record of daq.wire.can.FRAME)."""

    data: bytes


class Note(NamedTuple):
    """Put a conclusion into the record, as one JSON object."""

    content: Mapping[str, Any]


class Identified(NamedTuple):
    """The right device answers: its rows count from now on; *found* goes into the preface."""

    found: Mapping[str, Any]


Action = Send | Note | Identified


class Conversation:
    """What to send and when; silent by default, for devices that talk by themselves.

    Raise DeviceError when the wrong device answers or none does: the wire is closed and opened
    again with back-off. Every method returns actions, carried out in order.
    """

    def opened(self, now_ns: int) -> Iterable[Action]:
        """The wire has just been opened. A silent device is taken as identified at once."""
        return (Identified({}),)

    def received(self, chunk: Chunk) -> Iterable[Action]:
        """Bytes arrived on the wire (all of them, other devices' too)."""
        return ()

    def wake(self, now_ns: int) -> Iterable[Action]:
        """Called at ``next_wake_ns``, or within 0.25 s when that is None."""
        return ()

    @property
    def next_wake_ns(self) -> int | None:
        """Host time at which *wake* should be called, or None for the ordinary beat."""
        return None

    def command(self, name: str, value: Any, now_ns: int) -> Iterable[Action]:
        """Carry out a command (lamp, buzzer); ValueError for one the device does not know."""
        raise ValueError(f"this device takes no command {name!r}")


class Decoder(Protocol):
    """Bytes to rows, the same rows however the bytes are cut."""

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """The rows completed by *chunks*; the rest waits for the next call.

        Never raises for bad bytes: they are counted in :meth:`report`.
        """
        ...

    def report(self) -> dict[str, int | float | str]:
        """Counts so far: at least ``frames_ok`` and ``frames_bad``."""
        ...


class Driver(ABC):
    """The code for a kind of device.

    Registered by an entry point in group ``daq.drivers``; its name is the entry point's name.
    """

    summary: ClassVar[str]
    """One line for `daq drivers`."""
    rung: ClassVar[Literal["simulated", "captured", "benched"]]
    record_version: ClassVar[int] = 1
    reads_versions: ClassVar[frozenset[int]] = frozenset({1})
    wires: ClassVar[frozenset[str]]
    """Kinds of wire it works on: ``serial``, ``can``."""
    sends: ClassVar[bool] = False
    """It asks on a CAN bus, so that its wire must not be listen-only."""
    Config: ClassVar[type]
    """Frozen dataclass of the driver's own keys in the device's table."""

    def __init__(self, config: Any, documents: Mapping[str, bytes]) -> None:
        """*config* is an instance of ``Config``; *documents* the content of each of its files."""
        self.config = config
        self.documents = documents
        self.wire: Mapping[str, Any] = {}
        """Facts of the wire, as in a preface; the bench sets them before a conversation begins."""

    @classmethod
    def files(cls, config: Any) -> tuple[Path, ...]:
        """The files that *config* names; each is read once and travels with the record."""
        return ()

    @abstractmethod
    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """What this device delivers, given what the conversation found (empty: by configuration).

        Raises ConfigError when configuration and documents do not fit each other.
        """

    def line(self) -> Mapping[str, Any]:
        """Settings of a serial line that its documents ask for, by the wire's keys; empty: any."""
        return {}

    def notes(self) -> Sequence[str]:
        """What was passed over or mended in its documents, for `daq check`."""
        return ()

    def sketch(self) -> str:
        """What lies on the line, drawn for `daq check`; empty when there is nothing to draw."""
        return ""

    def conversation(self) -> Conversation:
        """A new conversation, for one opening of the wire."""
        return Conversation()

    @abstractmethod
    def decoder(self, preface: Preface) -> Decoder:
        """A new decoder for what follows *preface*.

        Raises DeviceError when the preface is of a record version it does not read.
        """
