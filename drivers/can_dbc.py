"""A CAN bus listened to, described by a DBC file. Never sends.

Each message is a stream. Signals under a multiplexer are streams of their own, one for each set
of multiplexer values, because they are not sampled together with the others: each row is then a
frame that carried the signal, and the rate is the true one. A frame that is too short for a
signal has no value of it; signals that overlap are read each for itself.

Source: all scalings, units and ranges are the DBC file's, named in each channel's ``source``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.bitfields import BitFields, decimals, laid_out
from daq.config import nearest
from daq.dbc import Dbc, Message, Part, Signal, id_label, read_dbc
from daq.dbc_names import Names, Unit, unit_of
from daq.driver import Block, Channel, Chunk, Driver, Preface, Stream, key
from daq.errors import ConfigError, DeviceError
from daq.frames import Frames, frame_reader
from daq.wire.can import FLAG_ERROR, FLAG_EXTENDED, FLAG_REMOTE, FLAG_SENT

MOST_IDS = 4096
"""Unknown identifiers counted one by one; any further ones are counted together."""
LISTED = 12
"""Entries of a list in a report."""
EXTENDED = 1 << 31
WIDTHS = (8, 64)
"""Most data bytes of a classical frame and of one of CAN FD."""

NO_VALUE = frozenset({"sna", "n/a", "na", "not available", "signal not available", "invalid"})
"""Labels, in lower case, of a physical signal's raw values that mean that there is none.

Source: common practice, no source.
"""


@dataclass(frozen=True)
class DbcConfig:
    """What is listened to."""

    dbc: Path = key(help="the DBC file, relative to this file")
    messages: tuple[str, ...] = key((), help="names of the messages wanted; all when left out")


@dataclass(frozen=True)
class PlannedPart:
    """One stream and how its rows are made."""

    stream: Stream
    signals: tuple[Signal, ...]
    conditions: tuple[tuple[Signal, NDArray[np.int64]], ...]
    """(multiplexer signal, its values) from the outermost."""
    no_value: Mapping[str, NDArray[np.int64]]
    """Channel to the raw values that mean that it has none."""
    fields: Mapping[int, BitFields]
    """By width of the frames: 8, or 64 with CAN FD."""


@dataclass(frozen=True)
class Plan:
    """How to decode the wanted messages of a DBC, made once."""

    dbc: Dbc
    messages: tuple[Message, ...]
    """Sorted by identifier, the extended ones last."""
    keys: NDArray[np.uint32]
    """Their identifiers, with ``EXTENDED`` where they are."""
    parts: Mapping[str, tuple[PlannedPart, ...]]
    """By label of the message; none for one that is not wanted."""

    @property
    def notes(self) -> tuple[str, ...]:
        """What was mended, left out or taken as it is in the DBC file."""
        written = {
            signal.unit
            for planned in self.parts.values()
            for part in planned
            for signal in part.signals
        }
        strange = sorted(unit for unit in written if not unit_of(unit).known)
        more = (f"units not known, recorded as plain numbers: {', '.join(map(repr, strange))}",)
        return self.dbc.notes + (more if strange else ())

    @property
    def streams(self) -> tuple[Stream, ...]:
        """Of all wanted messages, in the order of the file."""
        return tuple(
            part.stream
            for message in self.dbc.messages
            for part in self.parts.get(message.label, ())
        )


class CanDbc(Driver):
    """Decodes what a DBC file describes; sends nothing."""

    summary = "listens to a CAN bus described by a DBC file"
    rung: ClassVar[Literal["simulated", "captured", "benched"]] = "captured"
    wires = frozenset({"can"})
    Config = DbcConfig

    @classmethod
    def files(cls, config: DbcConfig) -> tuple[Path, ...]:
        """The DBC file."""
        return (config.dbc,)

    def plan(self) -> Plan:
        """How the file's messages are decoded; raises ConfigError when it cannot be read."""
        name = str(self.config.dbc)
        if name not in self.documents:
            raise ConfigError(f"{name}: the DBC file is missing")
        return _plan(self.documents[name], name, self.config.messages)

    def notes(self) -> tuple[str, ...]:
        """What was mended, left out or taken as it is in the DBC file."""
        return self.plan().notes

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """A stream for each wanted message, and for each set of multiplexer values."""
        return self.plan().streams

    def decoder(self, preface: Preface) -> DbcDecoder:
        """Decodes frames of a kernel interface or lines of an adapter, as the preface says."""
        if preface.record_version not in self.reads_versions:
            raise DeviceError(
                f"can_dbc: record version {preface.record_version};"
                f" this release reads {sorted(self.reads_versions)}"
            )
        return DbcDecoder(self.plan(), preface)


@lru_cache(maxsize=8)
def _plan(content: bytes, file: str, wanted: tuple[str, ...]) -> Plan:
    dbc = read_dbc(content, file)
    known = [message.name for message in dbc.messages]
    unknown = [name for name in wanted if name not in known]
    if unknown:
        raise ConfigError(
            f"{file}: has no message {name!r}{nearest(name, known)}" for name in unknown
        )
    names = Names(dbc)
    messages = tuple(sorted(dbc.messages, key=_key))
    parts = {
        message.label: tuple(_planned(message, part, names) for part in message.parts)
        for message in messages
        if not wanted or message.name in wanted
    }
    return Plan(dbc, messages, np.array([_key(m) for m in messages], np.uint32), parts)


def _key(message: Message) -> int:
    return message.id | EXTENDED * message.extended


def _planned(message: Message, part: Part, names: Names) -> PlannedPart:
    channels = tuple(
        _channel(name, message, part, signal)
        for name, signal in zip(names.channels(message, part), part.signals, strict=True)
    )
    period_s = message.period_s if not part.conditions else None
    stream = Stream(
        names.stream(message, part),
        channels,
        rate_hz=1 / period_s if period_s else None,
        cyclic=period_s is not None,
    )
    signals = {signal.name: signal for each in message.parts for signal in each.signals}
    conditions = tuple(
        (signals[name], np.array(values, np.int64)) for name, values in part.conditions
    )
    no_value = {
        channel.name: np.array(codes, np.int64)
        for channel, signal in zip(channels, part.signals, strict=True)
        if (codes := _no_value(channel, signal))
    }
    fields = {width: BitFields(part.signals, width) for width in WIDTHS}
    return PlannedPart(stream, part.signals, conditions, no_value, fields)


def _no_value(channel: Channel, signal: Signal) -> list[int]:
    if channel.kind != "continuous" or channel.decimal:
        return []
    return [raw for raw, label in signal.labels.items() if label.strip().lower() in NO_VALUE]


def _channel(name: str, message: Message, part: Part, signal: Signal) -> Channel:
    unit = unit_of(signal.unit)
    plain = unit.name == "1" and signal.scale == 1 and signal.offset == 0 and not signal.decimal
    described = signal.comment or f"{signal.name} of {message.name}"
    under = "".join(f" under {switch} {values[0]}" for switch, values in part.conditions if values)
    if signal.unit and unit != Unit(signal.unit):
        described += f" [{signal.unit}]"
    return Channel(
        name,
        unit.name,
        described,
        kind="state" if plain and (signal.labels or signal.length == 1) else "continuous",
        scale=signal.scale * unit.factor,
        offset=signal.offset * unit.factor,
        raw_bits=signal.length,
        raw_signed=signal.signed or signal.decimal,
        decimal=_as_decimal(signal),
        low=None if signal.low is None else signal.low * unit.factor,
        high=None if signal.high is None else signal.high * unit.factor,
        labels=signal.labels,
        source=f"DBC {message.label} {message.name}.{signal.name}{under}",
    )


def _as_decimal(signal: Signal) -> bool:
    """Also an unsigned number of 64 bits, for which int64 is too small."""
    return signal.decimal or (signal.length == 64 and not signal.signed)


# --- decoding


class DbcDecoder:
    """Frames to rows of every message, in bulk."""

    def __init__(self, plan: Plan, preface: Preface) -> None:
        self.plan = plan
        self.reader = frame_reader(preface.wire)
        self.frames = self.matched = self.short = self.passed_over = 0
        self.seen = np.zeros(len(plan.keys), np.int64)
        self.unknown: Counter[int] = Counter()
        self.multiplexers: Counter[str] = Counter()

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """Blocks of all streams with rows in *chunks*."""
        return [
            block
            for segment, frames in self.reader.feed(chunks)
            for block in self._decoded(segment, frames)
        ]

    def _decoded(self, segment: int, frames: Frames) -> list[Block]:
        other = frames["flags"] & (FLAG_SENT | FLAG_ERROR | FLAG_REMOTE)
        if other.any():
            self.passed_over += int(np.count_nonzero(other))
            frames = frames.take(np.flatnonzero(other == 0))
        self.frames += len(frames)
        if not len(frames) or not len(self.plan.keys):
            return []
        number = self._numbers(frames)
        counts = np.bincount(number, minlength=len(self.plan.keys) + 1)[:-1]
        bounds = np.concatenate(([0], np.cumsum(counts)))
        self.seen += counts
        self.matched += int(bounds[-1])
        frames = frames.take(np.argsort(number, kind="stable")[: bounds[-1]])
        both = laid_out(frames["data"])
        blocks: list[Block] = []
        for at in np.flatnonzero(counts).tolist():
            rows = slice(bounds[at], bounds[at + 1])
            table = Table(frames["t_host"][rows], both[rows], frames["length"][rows])
            blocks += self._message(segment, self.plan.messages[at], table)
        return blocks

    def _numbers(self, frames: Frames) -> NDArray[Any]:
        """Number of each frame's message in the plan, or the count of messages for none."""
        keys = self.plan.keys
        extended = (frames["flags"] & FLAG_EXTENDED).astype(np.uint32)
        wanted = frames["id"] | (extended * np.uint32(EXTENDED // FLAG_EXTENDED))
        place = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        known = keys[place] == wanted
        for value, count in zip(*np.unique(wanted[~known], return_counts=True), strict=True):
            full = len(self.unknown) >= MOST_IDS and int(value) not in self.unknown
            self.unknown[-1 if full else int(value)] += int(count)
        # stable sorting is fastest for the narrowest type
        return np.where(known, place, len(keys)).astype(np.min_scalar_type(len(keys)))

    def _message(self, segment: int, message: Message, table: Table) -> Iterator[Block]:
        """Blocks of one message's parts, each of the frames that carry it."""
        self.short += int(np.count_nonzero(table.lengths < message.length))
        switches: dict[str, Switch] = {}
        for part in self.plan.parts.get(message.label, ()):
            carries = np.ones(len(table.t_hi), bool)
            for signal, values in part.conditions:
                if signal.name not in switches:
                    switches[signal.name] = Switch(signal, table)
                carries = switches[signal.name].stands_at(values, carries)
            yield from _blocks(segment, part, table if carries.all() else table.rows(carries))
        strange = [switch.sent & ~switch.answered for switch in switches.values()]
        if strange:
            self.multiplexers[message.name] += int(np.count_nonzero(np.any(strange, axis=0)))

    def report(self) -> dict[str, int | float | str]:
        """Frames matched and refused, and what tells whether the file fits the bus."""
        messages = self.plan.messages
        silent = [m.name for m, count in zip(messages, self.seen, strict=True) if not count]
        found: dict[str, int | float | str] = {
            "frames_ok": self.matched,
            "frames_bad": self.reader.bad,
            "frames_matched_share": self.matched / self.frames if self.frames else 0.0,
            "frames_unknown": self.frames - self.matched,
            "frames_short": self.short,
            "frames_passed_over": self.passed_over,
            "multiplexer_unknown": self.multiplexers.total(),
            "messages_seen": len(messages) - len(silent),
            "messages_never_seen": len(silent),
        }
        texts = {
            "never_seen": _listed(silent),
            "unknown_ids": _listed([f"{_label(k)} {n}" for k, n in self.unknown.most_common()]),
            "unknown_multiplexers": _listed(
                [f"{k} {n}" for k, n in self.multiplexers.items() if n]
            ),
            "hint": _listed(list(self._hints())),
            "dbc_notes": _listed(self.plan.notes),
        }
        return found | {name: text for name, text in texts.items() if text}

    def _hints(self) -> Iterator[str]:
        known = set(self.plan.keys.tolist())
        for number in self.unknown:
            if number >= 0 and number ^ EXTENDED in known:
                yield f"{_label(number)} arrives, and the DBC has {_label(number ^ EXTENDED)}"
        if self.frames >= 100 and self.matched < 0.5 * self.frames:
            share = 100 * self.matched / self.frames
            yield f"the DBC knows only {share:.0f} % of the frames; is it this car's?"


class Table(NamedTuple):
    """Frames of one message: host times, bytes laid out both ways, lengths in bytes."""

    t_hi: NDArray[np.int64]
    both: NDArray[np.uint8]
    lengths: NDArray[np.uint8]

    @property
    def width(self) -> int:
        """Most bytes that a frame can have: 8, or 64 with CAN FD."""
        return WIDTHS[self.both.shape[1] > 2 * WIDTHS[0]]

    def rows(self, chosen: NDArray[np.bool_]) -> Table:
        """The same with the chosen rows only."""
        return Table(self.t_hi[chosen], self.both[chosen], self.lengths[chosen])


class Switch:
    """A multiplexer signal in frames of its message.

    ``sent`` tells the frames that carry it, ``answered`` those where some part belongs to its
    value.
    """

    def __init__(self, signal: Signal, table: Table) -> None:
        self.values = BitFields((signal,), table.width).take(table.both)[0]
        self.fits = table.lengths >= signal.bytes_needed
        self.sent = np.zeros(len(self.values), bool)
        self.answered = np.zeros(len(self.values), bool)

    def stands_at(self, values: NDArray[np.int64], among: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Those *among* the frames in which it has one of *values*."""
        carries = among & self.fits
        matches = carries & np.isin(self.values, values)
        self.sent |= carries
        self.answered |= matches
        return matches


def _blocks(segment: int, part: PlannedPart, table: Table) -> Iterator[Block]:
    """The block of one part; rows in which no signal fits are left out."""
    fields = part.fields[table.width]
    absent = None
    if len(table.t_hi) and fields.most_needed > int(table.lengths.min()):
        absent = table.lengths < fields.bytes_needed[:, None]
        carried: NDArray[np.bool_] = ~np.all(absent, axis=0)
        table, absent = table.rows(carried), absent[:, carried]
    if not len(table.t_hi):
        return
    values: dict[str, NDArray[Any]] = {}
    missing: dict[str, NDArray[np.bool_]] = {}
    raw = fields.take(table.both)
    for number, (channel, signal) in enumerate(zip(part.stream.channels, part.signals)):
        values[channel.name] = _values(signal, raw[number])
        none = _without_value(signal, values[channel.name], part.no_value.get(channel.name))
        if absent is not None:
            none = absent[number] if none is None else none | absent[number]
        if none is not None and none.any():
            missing[channel.name] = none
    yield Block(part.stream.name, table.t_hi.copy(), values, segment=segment, missing=missing)


def _values(signal: Signal, raw: NDArray[np.int64]) -> NDArray[Any]:
    if signal.decimal:
        return decimals(raw, signal.length)
    return raw.view(np.uint64).astype(np.float64) if _as_decimal(signal) else raw


def _without_value(
    signal: Signal, values: NDArray[Any], codes: NDArray[np.int64] | None
) -> NDArray[np.bool_] | None:
    """Where a frame says that it has no value; None for a signal that cannot say so."""
    if signal.decimal:
        unset: NDArray[np.bool_] = np.isnan(values)
        return unset
    return None if codes is None else np.isin(values, codes)


def _label(number: int) -> str:
    if number < 0:
        return "others"
    return id_label(number & ~EXTENDED, bool(number & EXTENDED))


def _listed(items: Sequence[str]) -> str:
    more = f", {len(items) - LISTED} more" if len(items) > LISTED else ""
    return ", ".join(items[:LISTED]) + more
