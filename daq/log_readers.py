"""Logs of CAN buses as python-can reads them: candump log, ASC, BLF and TRC.

What python-can takes on trust is checked here: lengths, identifiers, times, and the objects of a
BLF file, so that a damaged file is an error that names the place and nothing else.
"""

from __future__ import annotations

import io
import math
import re
import struct
import zlib
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple, TextIO, cast

import numpy as np
from numpy.typing import NDArray

from daq.clock import SECOND_NS
from daq.errors import RecordingError
from daq.wire.can import (
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
    FLAG_SENT,
    FRAME_FD,
)

LONGEST_S = 9_000_000_000
"""Times beyond this do not fit into 64 bits of nanoseconds."""
MOST_BLF_BYTES = 4_000_000_000
"""A BLF file that unpacks to more is refused."""
FD_LENGTHS = frozenset((*range(9), 12, 16, 20, 24, 32, 48, 64))
"""Lengths that a CAN FD frame can have. Source: ISO 11898-1, from memory."""
NO_FRAMES = "holds no CAN frame"


@dataclass(frozen=True)
class Log:
    """All frames of a log in the order of the file.

    ``t_ns`` int64[n] as recorded, ``frames`` FRAME_FD[n] without times, ``buses`` the name of each
    frame's bus as the file has it. ``stated_start_ns`` is the wall time that the file gives for
    its time 0, taken as UTC.
    """

    t_ns: NDArray[np.int64]
    frames: NDArray[Any]
    buses: list[str]
    stated_start_ns: int | None = None
    notes: list[str] = field(default_factory=list)


def read_log(path: Path, content: bytes) -> Log:
    """The log, in whichever of the four formats its first bytes are.

    Raises RecordingError.
    """
    if content.startswith(b"LOGG"):
        return _read_blf(path, content)
    text = content.decode("utf-8-sig", errors="replace")
    start = text.lstrip()[:200].lower()
    for pattern, read in _TEXT_FORMATS:
        if re.match(pattern, start):
            return read(path, text)
    raise RecordingError(
        f"{path}: begins with {content[:40]!r}; expected a candump log (candump -l or -L), ASC,"
        " BLF, TRC, or timed bytes as CSV with the columns t_s,hex"
    )


# --- candump


def _read_candump(path: Path, text: str) -> Log:
    from can.io.canutils import CanutilsLogReader

    lines = _Lines(text)
    rows = _Rows(path, lines, "expected '(seconds) bus identifier#data'")
    rows.read(
        lambda: CanutilsLogReader(lines.file), lambda message: str(message.channel or ""), 1e6
    )
    rows.drop_doubtful_end(text)
    return rows.log()


# --- ASC


def _read_asc(path: Path, text: str) -> Log:
    from can.io.asc import ASCReader

    lines = _Lines(_with_absolute_times(text))
    rows = _Rows(path, lines, "expected 'seconds channel identifier Rx d length data'")
    rows.read(lambda: ASCReader(lines.file), _counted_from_one, 1e9)
    return rows.log(_asc_start_ns(text), "the file states its start without a time zone")


def _asc_start_ns(text: str) -> int | None:
    from can.io.asc import ASCReader

    head = "\n".join(text.split("\n")[:50])
    reader = ASCReader(io.StringIO(head), relative_timestamp=False)
    try:
        next(iter(reader), None)
        local = datetime.fromtimestamp(reader.start_time) if reader.start_time else None
    except Exception:  # whatever the reader raises for a date of another language
        return None
    return None if local is None else round(local.replace(tzinfo=UTC).timestamp() * 1e6) * 1000


def _with_absolute_times(text: str) -> str:
    """Where the header says 'timestamps relative', each time counts from the line before."""
    if not re.search(r"^\s*base\s+\w+\s+timestamps\s+relative", text, re.MULTILINE | re.IGNORECASE):
        return text
    now = 0.0
    lines = []
    for line in text.split("\n"):
        found = re.match(r"\s*(\d+\.\d+)(?=\s)", line)
        if found:
            now += float(found[1])
            line = f"   {now:.9f}{line[found.end() :]}"
        lines.append(line)
    return "\n".join(lines)


# --- TRC


def _read_trc(path: Path, text: str) -> Log:
    from can.io.trc import TRCReader

    lines = _Lines(text)
    rows = _Rows(path, lines, "expected number, milliseconds, type, identifier, length, data")
    made: list[Any] = []

    def make() -> Any:
        made.append(TRCReader(lines.file))
        return made[-1]

    rows.read(make, lambda message: str(message.channel), 1e6)
    data_lines = sum(1 for line in text.split("\n") if line.strip() and line.strip()[0] != ";")
    if data_lines > len(rows.t_ns) + rows.cut:
        rows.notes.append(f"{data_lines - len(rows.t_ns) - rows.cut} lines hold no frame")
    start = made[-1].start_time
    if start is None:
        return rows.log()
    start_ns = round(start.timestamp() * 1e6) * 1000
    rows.t_ns = [t_ns - start_ns for t_ns in rows.t_ns]
    return rows.log(start_ns, "the file states its start without a time zone")


# --- BLF


def _read_blf(path: Path, content: bytes) -> Log:
    from can.io.blf import BLFReader

    whole = _whole_blf(path, content)
    rows = _Rows(path, None, "expected a BLF file")
    made: list[Any] = []

    def make() -> Any:
        reader = BLFReader(io.BytesIO(content[:whole]))
        made.append(reader.start_timestamp)
        reader.start_timestamp = 0.0  # times then keep their nanoseconds
        return reader

    rows.read(make, _counted_from_one, 1e9)
    if whole < len(content):
        rows.notes.append(f"the file is cut: {len(content) - whole} bytes at its end are no object")
    start_ns = round(made[-1] * 1e3) * 1_000_000 if made and made[-1] > 0 else None
    return rows.log(start_ns, "the file states its start without a time zone")


_HEADER = struct.Struct("<4sHHII")
_CONTAINER = 10


def _whole_blf(path: Path, content: bytes) -> int:
    """How many bytes of the file are whole objects, all of which are walked through.

    Raises RecordingError for one that does not say how long it is: no reader gets past it.
    Source: BLF as python-can reads it: a file header with its size, then objects of signature,
    header size, header version, object size and type, padded to four bytes; type 10 holds others.
    """
    if len(content) < 144:
        raise RecordingError(f"{path}: {len(content)} bytes; a BLF file has a header of 144")
    at = int(struct.unpack_from("<I", content, 4)[0])
    inner: list[bytes] = []
    unpacked = 0
    while at + _HEADER.size <= len(content):
        size, kind = _object(path, content, at)
        if at + size > len(content):
            break
        if kind == _CONTAINER:
            inner.append(_unpacked(path, content[at + _HEADER.size : at + size], at))
            unpacked += len(inner[-1])
            if unpacked > MOST_BLF_BYTES:
                raise RecordingError(f"{path}: unpacks to more than {MOST_BLF_BYTES} bytes")
        at += size + size % 4
    _walk(path, b"".join(inner))
    return min(at, len(content))


def _object(path: Path, data: bytes, at: int) -> tuple[int, int]:
    signature, header_size, _, size, kind = _HEADER.unpack_from(data, at)
    if signature != b"LOBJ" or size < max(_HEADER.size, header_size):
        raise RecordingError(
            f"{path}: byte {at}: {data[at : at + 16]!r}; expected an object that begins with LOBJ"
            " and is as long as it says; record or export the file again"
        )
    return size, kind


def _unpacked(path: Path, data: bytes, at: int) -> bytes:
    if len(data) < 16:
        raise RecordingError(f"{path}: byte {at}: a container of {len(data)} bytes")
    method, body = struct.unpack_from("<H", data)[0], data[16:]
    if method != 2:
        return body if method == 0 else b""
    try:
        return zlib.decompressobj().decompress(body, MOST_BLF_BYTES)
    except zlib.error as error:
        raise RecordingError(
            f"{path}: byte {at}: a container that cannot be unpacked: {error}"
        ) from None


def _walk(path: Path, data: bytes) -> None:
    at = 0
    while at + _HEADER.size <= len(data):
        found = data.find(b"LOBJ", at, at + 8)
        if found < 0:
            raise RecordingError(f"{path}: byte {at} of the unpacked log begins no object")
        if found + _HEADER.size > len(data):
            return
        size, _ = _object(path, data, found)
        at = found + size


# --- messages to rows


class _Lines:
    """Lines of a text for a reader, counted; a file as far as python-can's readers ask."""

    def __init__(self, text: str) -> None:
        self._lines = text.split("\n")
        self.number = 0

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self.number >= len(self._lines):
            raise StopIteration
        self.number += 1
        return self._lines[self.number - 1]

    @property
    def file(self) -> TextIO:
        """The lines as a file."""
        return cast("TextIO", self)

    @property
    def line(self) -> str:
        """The line that was read last."""
        return self._lines[self.number - 1] if self.number else ""

    def at_end(self) -> bool:
        """Whether only empty lines follow."""
        return not any(line.strip() for line in self._lines[self.number :])

    def read(self) -> str:
        """What a file would give; unused, and how python-can knows one."""
        return ""

    def write(self, text: str) -> None:
        """The same."""

    def close(self) -> None:
        """Nothing is open."""


class _Frame(NamedTuple):
    t_ns: int
    id: int
    flags: int
    data: bytes
    length: int


class _Rows:
    """Collects frames from a reader of python-can, checking each."""

    def __init__(self, path: Path, lines: _Lines | None, expected: str) -> None:
        self.path, self.lines, self.expected = path, lines, expected
        self.t_ns: list[int] = []
        self.frames: list[_Frame] = []
        self.buses: list[str] = []
        self.notes: list[str] = []
        self.cut = self.unmarked = 0

    def read(
        self, make: Callable[[], Iterable[Any]], bus: Callable[[Any], str], ticks_per_s: float
    ) -> None:
        """All messages of the reader that *make* gives; a cut end is noted.

        Raises RecordingError for a bad line before the end.
        """
        try:
            for message in make():
                self._mark_extended(message)
                frame = _frame(message, ticks_per_s)
                self.buses.append(bus(message))
                self.frames.append(frame)
                self.t_ns.append(frame.t_ns)
        except Exception as error:  # whatever a reader raises for what it does not understand
            self._refuse(error)
        if not self.frames:
            raise RecordingError(f"{self.path}: {NO_FRAMES}; {self.expected}")

    def _mark_extended(self, message: Any) -> None:
        """An identifier above 11 bits can only be an extended one."""
        if message.arbitration_id > 0x7FF and not message.is_extended_id:
            message.is_extended_id = True
            self.unmarked += 1

    def _refuse(self, error: Exception) -> None:
        if self.lines is None:
            place = f"after frame {len(self.frames)}"
            raise RecordingError(f"{self.path}: {place}: {error}; {self.expected}") from error
        number, line = self.lines.number, self.lines.line.strip()
        if not (self.frames and self.lines.at_end()):
            raise RecordingError(
                f"{self.path}: line {number}: {line[:100]!r}; {self.expected}"
            ) from error
        self.cut = 1
        self.notes.append(f"line {number} is cut and passed over: {line[:100]!r}")

    def drop_doubtful_end(self, text: str) -> None:
        """Pass over a last line without its end, unless its frame is as long as one before it.

        A line that was cut in its data looks like a shorter frame.
        """
        if text.endswith("\n") or self.cut or not self.frames:
            return
        last = self.frames[-1]
        if any(f.id == last.id and f.length == last.length for f in self.frames[:-1]):
            return
        for column in (self.frames, self.t_ns, self.buses):
            column.pop()
        self.cut = 1
        self.notes.append("the last line has no end and may be cut; it is passed over")

    def log(self, stated_start_ns: int | None = None, note: str = "") -> Log:
        """All of it as arrays."""
        frames = np.zeros(len(self.frames), FRAME_FD)
        frames["id"] = [frame.id for frame in self.frames]
        frames["flags"] = [frame.flags for frame in self.frames]
        frames["length"] = [frame.length for frame in self.frames]
        data = b"".join(frame.data.ljust(64, b"\0") for frame in self.frames)
        frames["data"] = np.frombuffer(data, np.uint8).reshape(-1, 64)
        if stated_start_ns is not None:
            self.notes.append(note)
        if self.unmarked:
            self.notes.append(
                f"{self.unmarked} identifiers above 11 bits are not marked as extended and taken"
                " as such"
            )
        t_ns = np.array(self.t_ns, np.int64)
        return Log(t_ns, frames, self.buses, stated_start_ns, self.notes)


def _frame(message: Any, ticks_per_s: float) -> _Frame:
    """A message of python-can, checked; ValueError when it is none that a bus can carry."""
    t_s = message.timestamp
    if not (math.isfinite(t_s) and abs(t_s) < LONGEST_S):
        raise ValueError(f"time {t_s}")
    t_ns = round(t_s * ticks_per_s) * round(SECOND_NS / ticks_per_s)
    if message.is_error_frame:
        return _Frame(t_ns, 0, FLAG_ERROR, b"", 0)
    number, extended = message.arbitration_id, bool(message.is_extended_id)
    if not 0 <= number <= 0x1FFFFFFF:
        raise ValueError(f"identifier 0x{number:X}")
    # a classical length code above 8 stands for 8 bytes
    length = message.dlc if message.is_fd else min(message.dlc, 8)
    data = b"" if message.is_remote_frame else bytes(message.data or b"")
    if length not in FD_LENGTHS or not (message.is_remote_frame or len(data) == length):
        raise ValueError(f"{len(data)} data bytes where the length is {length}")
    flags = (
        FLAG_EXTENDED * extended
        | FLAG_REMOTE * bool(message.is_remote_frame)
        | FLAG_FD * bool(message.is_fd)
        | FLAG_BITRATE_SWITCH * bool(message.bitrate_switch)
        | FLAG_SENT * (not message.is_rx)
    )
    return _Frame(t_ns, number, flags, data, length)


def _counted_from_one(message: Any) -> str:
    """ASC and BLF count channels from 1, python-can from 0."""
    return "" if message.channel is None else str(message.channel + 1)


_TEXT_FORMATS: tuple[tuple[str, Callable[[Path, str], Log]], ...] = (
    (r"\(\d", _read_candump),
    (r";|\d+\)", _read_trc),
    (r"date\b|base\b|begin\b|//|no internal|internal", _read_asc),
)
