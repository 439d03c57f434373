"""The journal: all that came over the wires and all marks, in order, crash-safe.

Acquisition's :class:`JournalWriter` is the only one that writes. Everyone else reads through
:class:`Journal`. One sequence number runs through all tables and parts, so that the order in which
things were recorded is exact.
"""

from __future__ import annotations

import os
import sqlite3
import uuid
import zlib
from collections.abc import Container, Iterable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from daq import parts
from daq.clock import SECOND_NS, ClockRow
from daq.driver import Chunk
from daq.entries import (
    ChunkRow,
    ClockEntry,
    Entry,
    MarkRow,
    NoteRow,
    Run,
    from_row,
    pack,
    runs,
    times,
    to_json,
)
from daq.errors import JournalError
from daq.parts import DiskFull

__all__ = [
    "ChunkRow",
    "ClockEntry",
    "DiskFull",
    "Entry",
    "Journal",
    "JournalWriter",
    "Limits",
    "MarkRow",
    "NoteRow",
    "Run",
    "runs",
]

PAGE_ROWS = 256
NEVER = 2**62
"""A sequence number that no entry reaches."""
LATE_NS = 30 * SECOND_NS
"""No row is written later than this after its last chunk was stamped."""


class Limits(NamedTuple):
    """How much is kept, and how large one part grows."""

    part_bytes: int = 256_000_000
    keep_bytes: int = 20_000_000_000
    keep_ns: int = 90 * 86_400 * SECOND_NS
    reserve_bytes: int = 16_777_216


DEFAULT_LIMITS = Limits()


# --- reading

_SELECT = {
    "chunk": "SELECT seq, 'chunk', wire, '', t_first, t_last, n, crc32, data FROM chunk",
    "note": "SELECT seq, 'note', wire, '', t_ns, 0, 0, crc32, content FROM note",
    "mark": "SELECT seq, 'mark', kind, origin, t_ns, 0, 0, crc32, content FROM mark",
    "clock": "SELECT seq, 'clock', '', '', monotonic, raw, boottime, realtime, NULL FROM clock",
}
"""Each table in the same columns: seq, table, wire or kind, origin, four numbers, content."""
_BETWEEN = " WHERE seq > :after AND seq <= :until"
_PAGE = (
    " UNION ALL ".join(select + _BETWEEN for select in _SELECT.values())
    + f" ORDER BY 1 LIMIT {PAGE_ROWS}"
)
_IN_FORCE = ("opened", "closed", "identified", "preface")
_FIRST_SINCE = """
SELECT min(seq) FROM (
    SELECT * FROM (SELECT seq FROM chunk WHERE t_last >= :t ORDER BY seq LIMIT 1) UNION ALL
    SELECT * FROM (SELECT seq FROM note WHERE t_ns >= :t ORDER BY seq LIMIT 1) UNION ALL
    SELECT * FROM (SELECT seq FROM mark WHERE t_ns >= :t ORDER BY seq LIMIT 1) UNION ALL
    SELECT * FROM (SELECT seq FROM clock WHERE monotonic >= :t ORDER BY seq LIMIT 1))
"""


class Journal:
    """Read-only view over all parts of a folder, or over one part file.

    Each query fetches one page and ends its transaction, so no snapshot is held while the caller
    works. At most one part is open at a time. Not for use by several threads at once.

    Raises JournalError when there is no journal, or a part of a version that is not read.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._open: tuple[Path, sqlite3.Connection] | None = None
        self.journal_id = self._fact(self.part_paths()[-1], "journal_id")

    def __enter__(self) -> Journal:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the part that is open."""
        if self._open is not None:
            self._open[1].close()
            self._open = None

    def part_paths(self) -> list[Path]:
        """The parts as they are now, oldest first."""
        found = [self.path] if self.path.is_file() else parts.part_paths(self.path)
        if not found:
            raise JournalError(f"{self.path}: no journal here; expected files {parts.PATTERN}")
        return found

    def entries(
        self, after: int = -1, until: int = NEVER, wires: Container[str] | None = None
    ) -> Iterator[Entry]:
        """Everything with after < seq <= until, in order; of *wires* alone when given.

        Marks and clock rows belong to no wire and always come. What is committed while this runs
        may or may not come: ask again with the last seq seen.
        """
        for part in self._parts_after(after):
            while rows := self._query(part, _PAGE, {"after": after, "until": until}):
                after = rows[-1][0]
                for row in rows:
                    if wires is None or row[1] in ("mark", "clock") or row[2] in wires:
                        yield from_row(row)

    def marks(self, after: int = -1) -> list[MarkRow]:
        """All marks with seq > *after*, in order."""
        found = self._all("mark", after, NEVER)
        return [entry for entry in found if isinstance(entry, MarkRow)]

    def clocks(self, after: int = -1, until: int = NEVER) -> list[ClockRow]:
        """All clock rows with after < seq <= until, in order."""
        found = self._all("clock", after, until)
        return [entry.row for entry in found if isinstance(entry, ClockEntry)]

    def configuration(self, seq: int) -> tuple[str, dict[str, bytes]]:
        """Bench file name and documents in force at *seq*.

        Raises JournalError before the first configuration.
        """
        for part in reversed(self.part_paths()):
            if self._first_of(part) > seq:
                continue
            with parts.reading(part):
                found = parts.documents_at(self._connection(part), seq)
            if found is not None:
                return found
        raise JournalError(f"{self.path}: no configuration was in force at entry {seq}")

    def boot_id(self, seq: int) -> str:
        """Identity of the boot to which the times at *seq* belong."""
        return self._fact(self._part_of(seq), "boot_id")

    def span(self, t_lo: int, t_hi: int, start_seq: int) -> Iterator[Entry]:
        """Everything stamped in [t_lo, t_hi] (host ns) in the boot to which *start_seq* belongs.

        First come, in order, the notes before *t_lo* that are still in force: the last opened or
        closed of each wire and the last identified or preface of each device. Chunks are cut to
        the interval one by one; rows without a chunk in it are left out.
        """
        boot = self.boot_id(start_seq)
        same = [p for p in self.part_paths() if self._fact(p, "boot_id") == boot]
        begin = self._first_since(same, t_lo)
        if begin is None:
            return
        yield from self.in_force(begin)
        for entry in self.entries(begin - 1, self._last_of(same[-1])):
            first, last = times(entry)
            if first > t_hi + LATE_NS:
                return
            if isinstance(entry, ChunkRow) and (first < t_lo or last > t_hi):
                entry = entry._replace(chunks=[c for c in entry.chunks if t_lo <= c.t_ns <= t_hi])
                if entry.chunks:
                    yield entry
            elif first >= t_lo and last <= t_hi:
                yield entry

    def _first_since(self, part_paths: list[Path], t_ns: int) -> int | None:
        for part in part_paths:
            ((seq,),) = self._query(part, _FIRST_SINCE, {"t": t_ns})
            if seq is not None:
                return int(seq)
        return None

    def in_force(self, before: int) -> list[NoteRow]:
        """The notes that still hold just before entry *before*, in order.

        They are the last opened or closed of each wire and the last identified or preface of each
        device, from the part of *before* and the one ahead of it.
        """
        near = [part for part in self.part_paths() if self._first_of(part) <= before][-2:]
        boots = [self._fact(part, "boot_id") for part in near]
        since = next(p for p, boot in zip(near, boots) if boot == boots[-1])
        latest: dict[tuple[str, str], NoteRow] = {}
        for note in self._all("note", self._first_of(since) - 1, before - 1):
            kind = note.content.get("note") if isinstance(note, NoteRow) else None
            if isinstance(note, NoteRow) and kind in _IN_FORCE:
                # what an opened wire calls its device is a path, and no device of ours
                device = "" if kind in ("opened", "closed") else str(note.content.get("device", ""))
                latest[note.wire, device] = note
        return sorted(latest.values(), key=lambda note: note.seq)

    def last_seq(self) -> int:
        """The last entry that is committed; -1 when there is none."""
        return self._last_of(self.part_paths()[-1])

    def _part_of(self, seq: int) -> Path:
        inside = [part for part in self.part_paths() if self._first_of(part) <= seq]
        if not inside:
            raise JournalError(f"{self.path}: entry {seq} is no longer kept")
        return inside[-1]

    def _first_of(self, part: Path) -> int:
        """First seq of a part; one that is read alone may have any name."""
        return parts.first_seq(part) if self.path.is_dir() else 0

    def _last_of(self, part: Path) -> int:
        with parts.reading(part):
            return parts.last_seq(self._connection(part))

    def _parts_after(self, after: int) -> list[Path]:
        """The parts that may hold a seq above *after*."""
        found = self.part_paths()
        done = [part for part, then in pairwise(found) if parts.first_seq(then) <= after + 1]
        return found[len(done) :]

    def _all(self, table: str, after: int, until: int) -> Iterator[Entry]:
        query = _SELECT[table] + _BETWEEN + " ORDER BY seq"
        for part in self._parts_after(after):
            yield from map(from_row, self._query(part, query, {"after": after, "until": until}))

    def _fact(self, part: Path, key: str) -> str:
        with parts.reading(part):
            return parts.facts(self._connection(part))[key]

    def _connection(self, part: Path) -> sqlite3.Connection:
        if self._open is None or self._open[0] != part:
            self.close()
            self._open = (part, parts.open_to_read(part))
        return self._open[1]

    def _query(self, part: Path, query: str, values: dict[str, int]) -> list[tuple[Any, ...]]:
        with parts.reading(part):
            return self._connection(part).execute(query, values).fetchall()


# --- writing


class JournalWriter:
    """The one writer of a journal folder; makes it, or goes on with the one that is there.

    Rows wait in memory until :meth:`commit`, which writes them in one transaction and, with *sync*,
    returns when they are on the disk. Chunks of one wire that follow each other without a note
    between become one row. Times are the caller's; an import of recordings must append in the
    order of time, to within 30 s between wires.

    *boot_id* is the boot to which host times belong (an import gives a name of its own). Raises
    JournalError when the folder cannot be written or another process writes it, DiskFull.
    """

    def __init__(
        self,
        folder: Path,
        documents: Mapping[str, bytes],
        file_name: str,
        *,
        boot_id: str,
        journal_id: str = "",
        sync: bool = True,
        limits: Limits = DEFAULT_LIMITS,
    ) -> None:
        self.folder, self.boot_id, self.sync, self.limits = folder, boot_id, sync, limits
        self._documents, self._file_name = documents, file_name
        self._lock = parts.lock(folder)
        self._waiting: dict[str, list[Chunk]] = {}
        self._rows: dict[str, list[tuple[Any, ...]]] = {table: [] for table in _INSERT}
        self._unsealed: list[sqlite3.Connection] = []
        self._part_bytes = 0
        self._open(journal_id)

    def __enter__(self) -> JournalWriter:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def append(self, wire: str, chunks: Iterable[Chunk]) -> None:
        """Add chunks of a wire."""
        self._waiting.setdefault(wire, []).extend(chunks)

    def note(self, wire: str, t_ns: int, content: Mapping[str, Any]) -> int:
        """Add a note behind the wire's chunks so far; its seq."""
        self._flush(wire)
        return self._add_text("note", (wire, t_ns), content)

    def mark(self, t_ns: int, kind: str, origin: str, content: Mapping[str, Any]) -> int:
        """Add a mark behind everything so far; its seq."""
        self._flush_all()
        return self._add_text("mark", (t_ns, kind, origin), content)

    def clock(self, row: ClockRow) -> int:
        """Add a clock row; its seq."""
        return self._add("clock", tuple(row))

    def commit(self) -> int:
        """Write what waits; the last seq that is on the disk.

        Raises DiskFull or JournalError; then everything still waits.
        """
        self._flush_all()
        if any(self._rows.values()):
            self._write()
            self._part_bytes += self._waiting_bytes()
            self.forget()
        return self.next_seq - 1

    def forget(self) -> int:
        """Drop what waits for the next commit; the number of rows dropped."""
        dropped = sum(map(len, self._rows.values())) + len(self._waiting)
        self._waiting.clear()
        for rows in self._rows.values():
            rows.clear()
        return dropped

    @property
    def wants_rotation(self) -> bool:
        """Whether the part has reached its size."""
        return self._part_bytes >= self.limits.part_bytes

    @property
    def wal_bytes(self) -> int:
        """Size of the write-ahead log; above parts.WAL_ALARM_BYTES a reader holds it back."""
        try:
            return parts.wal_of(self.part).stat().st_size
        except FileNotFoundError:
            return 0

    def rotate(self) -> None:
        """Commit, begin a new part, and seal the old one as soon as no reader hangs on it.

        The caller then repeats the prefaces, so that the new part can be decoded alone.
        """
        self.commit()
        old = self._db
        self._begin_part(self.next_seq)
        self._unsealed.append(old)
        self.seal_done()

    def seal_done(self) -> int:
        """Try again to seal parts that are done; how many still wait for a reader."""
        for db in list(self._unsealed):
            if parts.seal(db):
                db.close()
                self._unsealed.remove(db)
        return len(self._unsealed)

    def retain(self, realtime_ns: int) -> list[Path]:
        """Delete the oldest parts beyond the limits of size and age; those deleted.

        A part that holds a run, or the seconds before one, stays until the run is settled.
        """
        with Journal(self.folder) as journal:
            open_runs = [run for run in runs(journal.marks()) if run.settled is None]
        found = parts.part_paths(self.folder)
        sizes = {part: part.stat().st_size for part in found}
        removable = _before_runs(found, open_runs)
        dropped = []
        for part in removable:
            age_ns = realtime_ns - part.stat().st_mtime_ns
            if sum(sizes.values()) <= self.limits.keep_bytes and age_ns <= self.limits.keep_ns:
                break
            parts.remove(part)
            del sizes[part]
            dropped.append(part)
        return dropped

    def set_aside(self) -> bool:
        """Set the reserve aside; False when the disk has no room for it."""
        return parts.set_aside(self.folder, self.limits.reserve_bytes)

    def release(self) -> None:
        """Give the reserve back to a full disk, so that what waits can be committed."""
        parts.release(self.folder)

    def close(self) -> None:
        """Commit and seal; the journal then stands alone unless a reader hangs on it."""
        try:
            self.commit()
        finally:
            self._unsealed.append(self._db)
            self.seal_done()
            for db in self._unsealed:
                db.close()
            os.close(self._lock)

    # --- within

    def _open(self, journal_id: str) -> None:
        found = parts.part_paths(self.folder)
        for part in found[:-1]:
            if not parts.is_sealed(part):
                self._unsealed.append(parts.open_to_write(part, sync=self.sync))
        self.seal_done()
        if not found:
            self.journal_id = journal_id or str(uuid.uuid4())
            self._begin_part(0)
            return
        self._continue(found[-1], journal_id)

    def _continue(self, part: Path, journal_id: str) -> None:
        db = parts.open_to_write(part, sync=self.sync)
        about = parts.facts(db)
        self.journal_id = about["journal_id"]
        if journal_id not in ("", self.journal_id):
            db.close()
            raise JournalError(f"{self.folder}: is journal {self.journal_id}, not {journal_id}")
        self.next_seq = max(parts.last_seq(db) + 1, parts.first_seq(part))
        if about["boot_id"] == self.boot_id:
            self._use(part, db)
        else:
            self._unsealed.append(db)
            self._begin_part(max(self.next_seq, parts.first_seq(part) + 1))
            self.seal_done()

    def _begin_part(self, seq: int) -> None:
        part = self.folder / f"part-{seq:012d}.sqlite"
        parts.create(part, {"journal_id": self.journal_id, "boot_id": self.boot_id})
        self.next_seq = seq
        self._use(part, parts.open_to_write(part, sync=self.sync))

    def _use(self, part: Path, db: sqlite3.Connection) -> None:
        """Go on in *part*, with the configuration of this writer in force."""
        wanted = (self._file_name, dict(self._documents))
        if parts.documents_at(db, NEVER) != wanted:
            parts.put_documents(db, part, self.next_seq, *wanted)
            self.next_seq += 1
        self.part, self._db, self._part_bytes = part, db, part.stat().st_size

    def _flush_all(self) -> None:
        for wire in list(self._waiting):
            self._flush(wire)

    def _flush(self, wire: str) -> None:
        chunks = self._waiting.pop(wire, None)
        if chunks:
            data = pack(chunks)
            times = [chunk.t_ns for chunk in chunks]
            values = (wire, min(times), max(times), len(chunks), zlib.crc32(data), data)
            self._add("chunk", values)

    def _add_text(self, table: str, values: tuple[Any, ...], content: Mapping[str, Any]) -> int:
        text = to_json(content)
        return self._add(table, (*values, zlib.crc32(text.encode()), text))

    def _add(self, table: str, values: tuple[Any, ...]) -> int:
        seq = self.next_seq
        self.next_seq += 1
        self._rows[table].append((seq, *values))
        return seq

    def _write(self) -> None:
        with parts.transaction(self._db, self.part):
            for table, rows in self._rows.items():
                if rows:
                    self._db.executemany(_INSERT[table], rows)

    def _waiting_bytes(self) -> int:
        return sum(len(row[-1]) + 64 for row in self._rows["chunk"]) + 256 * len(self._rows["note"])


_INSERT = {
    "chunk": "INSERT INTO chunk VALUES (?, ?, ?, ?, ?, ?, ?)",
    "note": "INSERT INTO note VALUES (?, ?, ?, ?, ?)",
    "mark": "INSERT INTO mark VALUES (?, ?, ?, ?, ?, ?)",
    "clock": "INSERT INTO clock VALUES (?, ?, ?, ?, ?)",
}


def _before_runs(found: list[Path], open_runs: list[Run]) -> list[Path]:
    """The parts that may go: not the newest, none from the one ahead of the first open run on."""
    if not open_runs:
        return found[:-1]
    ahead = [part for part in found if parts.first_seq(part) <= open_runs[0].start.seq]
    return ahead[:-2]
