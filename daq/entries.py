"""What a journal holds, entry by entry, and how chunks are packed into one row."""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from daq.clock import ClockRow
from daq.driver import Chunk, ChunkKind

RUN_ENDS = ("stop", "acquisition_started", "acquisition_stopped")
"""Marks that end a run; every one but ``stop`` makes it a recovered run."""
RUN_SETTLED = ("finalised", "finalise_failed")
_HEAD = struct.Struct("<BqI")


class ChunkRow(NamedTuple):
    """What arrived on or left one wire between two commits, in the order in which it did."""

    seq: int
    wire: str
    chunks: list[Chunk]


class NoteRow(NamedTuple):
    """A conclusion about a wire or a device on it, in its exact place among the chunks."""

    seq: int
    wire: str
    t_ns: int
    content: dict[str, Any]

    @property
    def chunk(self) -> Chunk:
        """The note as a decoder is fed it."""
        return Chunk(ChunkKind.NOTE, self.t_ns, to_json(self.content).encode())


class MarkRow(NamedTuple):
    """Something that concerns the whole bench: start, stop, finalised, arm, acquisition_started."""

    seq: int
    t_ns: int
    kind: str
    origin: str
    content: dict[str, Any]


class ClockEntry(NamedTuple):
    """All clocks of the machine at one moment."""

    seq: int
    row: ClockRow


Entry = ChunkRow | NoteRow | MarkRow | ClockEntry


class Run(NamedTuple):
    """A run's start mark, what ended it, the mark of its file, and the mark that describes it."""

    start: MarkRow
    end: MarkRow | None
    settled: MarkRow | None
    about: MarkRow | None = None

    @property
    def unsettled(self) -> bool:
        """Whether it has ended and nothing has become of it."""
        return self.end is not None and self.settled is None

    @property
    def recovered(self) -> bool:
        """Whether acquisition ended before the run did."""
        return self.end is not None and self.end.kind != "stop"


def runs(marks: Iterable[MarkRow]) -> list[Run]:
    """Every run with a start mark, in order.

    A finalised or finalise_failed mark names its run by the start's seq, as ``content["start"]``;
    so does the about mark, which says to which number, vehicle and set-up the run belongs. A cut
    mark is a whole run: the interval from ``content["from_ns"]`` to ``content["to_ns"]``.
    """
    found: dict[int, Run] = {}
    running: int | None = None
    for mark in marks:
        if mark.kind == "start":
            found[mark.seq] = Run(mark, None, None)
            running = mark.seq
        elif mark.kind == "cut":
            found[mark.seq] = _cut_out(mark)
        elif mark.kind in RUN_ENDS and running is not None:
            found[running] = found[running]._replace(end=mark)
            running = None
        elif mark.kind in RUN_SETTLED and mark.content.get("start") in found:
            start = mark.content["start"]
            found[start] = found[start]._replace(settled=mark)
        elif mark.kind == "about" and mark.content.get("start") in found:
            start = mark.content["start"]
            found[start] = found[start]._replace(about=mark)
    return list(found.values())


def _cut_out(mark: MarkRow) -> Run:
    """What a cut mark cut out of the journal afterwards, as a run."""
    start = mark._replace(t_ns=int(mark.content["from_ns"]))
    return Run(start, mark._replace(t_ns=int(mark.content["to_ns"]), kind="stop"), None)


def pack(chunks: Sequence[Chunk]) -> bytes:
    """Chunks as one blob: n heads of kind u1, time i8 and length u4, then the n payloads."""
    heads = [_HEAD.pack(kind, t_ns, len(data)) for kind, t_ns, data in chunks]
    return b"".join(heads) + b"".join([data for _, _, data in chunks])


def unpack(data: bytes, count: int) -> list[Chunk]:
    """Inverse of :func:`pack`; struct.error or ValueError when *data* is not *count* chunks."""
    start = count * _HEAD.size
    chunks = []
    for kind, t_ns, length in _HEAD.iter_unpack(data[:start]):
        chunks.append(Chunk(kind, t_ns, data[start : start + length]))
        start += length
    if start != len(data) or len(chunks) != count:
        raise ValueError(f"expected {start} B in {count} chunks, got {len(data)} B")
    return chunks


def to_json(content: Mapping[str, Any]) -> str:
    """The text as which a note or mark is kept."""
    return json.dumps(content, separators=(",", ":"), ensure_ascii=False)


def from_row(row: tuple[Any, ...]) -> Entry:
    """An entry from a row of the journal's queries; a damaged one becomes a note that says so."""
    seq, table, name, origin, a, b, c, d, data = row
    if table == "clock":
        return ClockEntry(seq, ClockRow(a, b, c, d))
    blob = data if isinstance(data, bytes) else str(data).encode()
    try:
        if zlib.crc32(blob) != d:
            raise ValueError("its checksum is wrong")
        if table == "chunk":
            return ChunkRow(seq, name, unpack(blob, c))
        content = json.loads(blob)
    except (ValueError, TypeError, struct.error):
        wire = "" if table == "mark" else name
        return NoteRow(seq, wire, a, {"note": "lost", "reason": f"{table} {seq} is damaged"})
    if table == "note":
        return NoteRow(seq, name, a, content)
    return MarkRow(seq, a, name, origin, content)


def times(entry: Entry) -> tuple[int, int]:
    """First and last host time of an entry."""
    if isinstance(entry, ChunkRow):
        stamps = [chunk.t_ns for chunk in entry.chunks]
        return min(stamps), max(stamps)
    t_ns = entry.row.monotonic if isinstance(entry, ClockEntry) else entry.t_ns
    return t_ns, t_ns
