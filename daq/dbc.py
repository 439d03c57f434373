"""What a DBC file says: messages, and where and how their signals lie in them.

cantools reads the file. What it refuses as a whole is narrowed down: a file that breaks its
rules is read without them, and what still cannot be read is mended or left out line by line and
named in the notes, so that one bad line does not cost the other messages.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

from daq.dbc_repair import Refused, bounded, mended, taken_out
from daq.errors import ConfigError

Conditions = tuple[tuple[str, tuple[int, ...]], ...]
"""(multiplexer signal, values) from the outermost; all must hold."""
MOST_REPAIRS = 150
"""After so many the file is not a DBC with mistakes but something else."""


@dataclass(frozen=True)
class Signal:
    """One number in a message: ``value = scale * raw + offset`` in *unit*.

    ``start`` is the DBC's start bit: the lowest bit of a little-endian signal, the highest of a
    big-endian one, bits counted byte by byte from the lowest.
    """

    name: str
    start: int
    length: int
    big_endian: bool = False
    signed: bool = False
    decimal: bool = False
    """The bits are an IEEE 754 number."""
    scale: float = 1.0
    offset: float = 0.0
    low: float | None = None
    high: float | None = None
    unit: str = ""
    comment: str = ""
    labels: Mapping[int, str] = field(default_factory=dict)

    @property
    def last_bit(self) -> int:
        """Place of the lowest bit of a big-endian signal, counted from the first byte's highest."""
        return self.start // 8 * 8 + 7 - self.start % 8 + self.length - 1

    @property
    def bytes_needed(self) -> int:
        """How many bytes a frame must have for the signal to lie in it."""
        last = self.last_bit if self.big_endian else self.start + self.length - 1
        return last // 8 + 1


@dataclass(frozen=True)
class Part:
    """Signals of a message that are always sent together.

    ``conditions`` is empty for what every frame of the message carries.
    """

    conditions: Conditions
    signals: tuple[Signal, ...]


@dataclass(frozen=True)
class Message:
    """One message; ``length`` in bytes, ``period_s`` where the file states a fixed one."""

    name: str
    id: int
    extended: bool
    length: int
    parts: tuple[Part, ...]
    comment: str = ""
    period_s: float | None = None

    @property
    def label(self) -> str:
        """Its identifier as the trade writes it: 0x1A0, with an x behind an extended one."""
        return id_label(self.id, self.extended)


@dataclass(frozen=True)
class Dbc:
    """All messages of a file, and in *notes* what was mended, left out or taken as it is."""

    messages: tuple[Message, ...]
    notes: tuple[str, ...] = ()


def id_label(number: int, extended: bool) -> str:
    """An identifier as text: ``0x1A0`` standard, ``0x18FEEE00x`` extended."""
    return f"0x{number:08X}x" if extended else f"0x{number:03X}"


@lru_cache(maxsize=8)
def read_dbc(content: bytes, file: str) -> Dbc:
    """The messages of a DBC file's *content*; *file* names it in notes and errors.

    Raises ConfigError when it cannot be read even without its bad lines.
    """
    text = _text(content)
    if not any(line.lstrip().startswith("BO_ ") for line in text.splitlines()):
        raise ConfigError(
            f"{file}: no line begins with 'BO_ ', so it describes no message; expected a DBC file"
        )
    notes: list[str] = []
    database = _database(bounded(text, notes), notes, file)
    messages: dict[tuple[int, bool], Message] = {}
    for found in database.messages:
        message = _message(found, notes)
        same = messages.pop((message.id, message.extended), None)
        if same is not None:
            notes.append(
                f"messages {same.name} and {message.name} have the same identifier"
                f" {message.label}; {same.name} is left out"
            )
        messages[message.id, message.extended] = message
    if not messages:
        raise ConfigError([f"{file}: describes no message that can be read", *notes])
    return Dbc(tuple(messages.values()), tuple(notes))


def _text(content: bytes) -> str:
    """UTF-8 where it is that, else Windows-1252, which most DBC editors write."""
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")


def _database(text: str, notes: list[str], file: str) -> Any:
    try:
        return _parsed(text, strict=True)
    except Exception as error:  # whatever the reader raises for a file it does not understand
        strict_error = _words(error)
    try:
        database = _parsed(text, strict=False)
        notes.append(f"read signal by signal: {strict_error}")
    except Exception:  # the same
        database = _without_bad_lines(mended(text, notes), notes, file)
    return database


def _without_bad_lines(text: str, notes: list[str], file: str) -> Any:
    for _ in range(MOST_REPAIRS):
        try:
            return _parsed(text, strict=False)
        except Exception as error:  # whatever the reader raises
            words = _words(error)
        try:
            text, note = taken_out(text, words)
        except Refused:
            raise ConfigError(
                f"{file}: {words}; correct or remove what it names, or save the file again"
                " with a DBC editor"
            ) from None
        notes.append(note)
    raise ConfigError([f"{file}: not a DBC file, or one with too many mistakes", *notes[:10]])


def _parsed(text: str, strict: bool) -> Any:
    from cantools.database.can import Database  # slow to import

    database = Database(strict=strict)
    database.add_dbc_string(text)
    return database


def _words(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__


def _message(found: Any, notes: list[str]) -> Message:
    signals: dict[str, Any] = {signal.name: signal for signal in found.signals}
    parts: dict[Conditions, list[Signal]] = {}
    for signal in found.signals:
        if not 1 <= signal.length <= 64 or (signal.is_float and signal.length not in (16, 32, 64)):
            notes.append(
                f"signal {signal.name} of message {found.name} has {signal.length} bits;"
                " expected 1 to 64 (a decimal 16, 32 or 64); it is left out"
            )
            continue
        read = _signal(signal)
        if read.bytes_needed > 64 or signal.start < 0:
            notes.append(f"signal {signal.name} of message {found.name} lies outside any frame")
            continue
        parts.setdefault(_conditions(signal, signals), []).append(read)
    return Message(
        name=found.name,
        id=found.frame_id,
        extended=found.is_extended_frame,
        length=found.length,
        parts=tuple(_parts(found.name, parts, notes)),
        comment=_comment(found),
        period_s=_period_s(found),
    )


def _parts(
    message: str, signals: Mapping[Conditions, list[Signal]], notes: list[str]
) -> Iterator[Part]:
    """The parts, but for those under a multiplexer that cannot be read."""
    readable = {signal.name for rows in signals.values() for signal in rows}
    for conditions, rows in signals.items():
        lost = [name for name, _ in conditions if name not in readable]
        if lost:
            names = ", ".join(signal.name for signal in rows)
            notes.append(f"message {message}: {names} depend on {lost[0]}, which cannot be read")
        else:
            yield Part(conditions, tuple(rows))


def _conditions(signal: Any, signals: Mapping[str, Any]) -> Conditions:
    found: list[tuple[str, tuple[int, ...]]] = []
    seen = {signal.name}
    while signal.multiplexer_signal is not None:
        parent = signal.multiplexer_signal
        found.insert(0, (parent, tuple(sorted(set(signal.multiplexer_ids or ())))))
        if parent in seen or parent not in signals:
            break
        seen.add(parent)
        signal = signals[parent]
    return tuple(found)


def _signal(found: Any) -> Signal:
    low, high = found.minimum, found.maximum
    stated = low is not None and high is not None and low < high
    return Signal(
        name=found.name,
        start=found.start,
        length=found.length,
        big_endian=found.byte_order == "big_endian",
        signed=found.is_signed,
        decimal=found.is_float,
        scale=float(found.scale),
        offset=float(found.offset),
        low=float(low) if stated else None,
        high=float(high) if stated else None,
        unit=found.unit or "",
        comment=_comment(found),
        labels={int(raw): str(name) for raw, name in (found.choices or {}).items()},
    )


def _comment(found: Any) -> str:
    return " ".join((found.comment or "").split())[:300]


def _period_s(found: Any) -> float | None:
    """The period that the file states, unless it also says that the message is not cyclic.

    Source: DBC attributes GenMsgCycleTime (ms) and GenMsgSendType, common practice.
    """
    if not found.cycle_time or found.cycle_time < 0:
        return None
    kind = str(found.send_type or "cyclic").lower()
    return found.cycle_time / 1000 if "cyclic" in kind else None
