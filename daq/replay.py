"""Recordings to a run file, without hardware and without the clock.

Every recording becomes a journal first, then the same code that finishes a live run makes the file
of it. Recordings in an open format are set on one host time by their own time of day; those that
tell none are taken to be of one clock. Journals keep the host time, notes and marks that they have.
"""

from __future__ import annotations

import heapq
import tempfile
import uuid
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from daq.bench import Bench
from daq.clock import MILLISECOND_NS, SECOND_NS, ClockRow
from daq.config import nearest, to_plain
from daq.driver import Chunk
from daq.entries import ChunkRow, ClockEntry, Entry, MarkRow, NoteRow, runs
from daq.errors import ConfigError, RecordingError
from daq.finalise import finalise
from daq.journal import Journal, JournalWriter
from daq.recordings import Recording, read_recording

BEGIN_NS = 100 * SECOND_NS
"""Host time given to the first moment of imported recordings."""
NAMESPACE = uuid.UUID("6f7c2f0e-7f0b-5d0c-9a55-2d9b5a5f2c11")
"""Of journal identities made from recordings."""
Progress = Callable[[str], None]


@dataclass(frozen=True)
class WireSource:
    """A recording to be played to a wire.

    ``part`` selects one bus or wire of those it holds; ``sent``: timed bytes that went to a device.
    """

    wire: str
    path: Path
    part: str = ""

    @classmethod
    def parse(cls, text: str) -> WireSource:
        """From ``NAME=FILE`` or ``NAME=FILE@PART``."""
        wire, equals, rest = text.partition("=")
        if not (wire and equals and rest):
            raise ConfigError(f"--wire {text!r}: expected NAME=FILE, or NAME=FILE@BUS")
        if not Path(rest).exists() and "@" in rest:
            rest, _, part = rest.rpartition("@")
            return cls(wire, Path(rest), part)
        return cls(wire, Path(rest))

    @property
    def is_journal(self) -> bool:
        """Whether the path is a journal's folder or one of its parts."""
        if self.path.is_dir():
            return True
        try:
            with self.path.open("rb") as file:
                return file.read(16) == b"SQLite format 3\0"
        except OSError:
            return False


def replay(
    bench: Bench, sources: Sequence[WireSource], out: Path, progress: Progress = lambda text: None
) -> Path:
    """Write the run file *out* of *bench* from recordings; returns its path.

    Raises ConfigError for a wire that the bench does not have, RecordingError for a recording that
    cannot be read.
    """
    for source in sources:
        if source.wire not in bench.wire:
            close = nearest(source.wire, bench.wire)
            raise ConfigError(f"--wire {source.wire}: the bench has no such wire{close}")
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".replay-", dir=out.parent) as name:
        start_seq = import_recordings(bench, sources, Path(name), progress)
        with Journal(Path(name)) as journal:
            return finalise(journal, start_seq, out, progress)


def import_recordings(
    bench: Bench, sources: Sequence[WireSource], folder: Path, progress: Progress
) -> int:
    """Write *sources* into a new journal in *folder*; the seq of its run's start mark."""
    kinds = {source.is_journal for source in sources}
    if kinds == {True, False}:
        raise RecordingError(
            "journals and recordings in other formats have no time in common; replay them apart"
        )
    if kinds == {True}:
        return _import_journals(bench, sources, folder, progress)
    return _import_foreign(bench, sources, folder, progress)


# --- recordings in open formats


def _import_foreign(
    bench: Bench, sources: Sequence[WireSource], folder: Path, progress: Progress
) -> int:
    recordings = [(source, _open(bench, source)) for source in sources]
    known = [r.epoch_realtime_ns for _, r in recordings if r.epoch_realtime_ns is not None]
    begin = min(known, default=0)
    own = min((r.begin_ns for _, r in recordings if r.epoch_realtime_ns is None), default=0)
    facts = [f"{s.wire} {s.part} {r.digest}" for s, r in recordings]
    identity = str(uuid.uuid5(NAMESPACE, "\n".join([bench.digest(), *facts])))
    with JournalWriter(
        folder,
        bench.documents,
        bench.file_name,
        boot_id=f"recording {identity}",
        journal_id=identity,
        sync=False,
    ) as writer:
        writer.clock(ClockRow(BEGIN_NS, BEGIN_NS, BEGIN_NS, begin))
        for source, recording in recordings:
            _identify(writer, bench, source, recording)
        start = writer.mark(
            BEGIN_NS, "start", "replay", {"recordings": [s.path.name for s, _ in recordings]}
        )
        last = BEGIN_NS
        streams = [_shifted(s.wire, r, begin, own) for s, r in recordings]
        for count, (t_ns, wire, chunk) in enumerate(heapq.merge(*streams, key=lambda x: x[0])):
            writer.append(wire, [chunk])
            last = max(last, t_ns)
            if count % 1000 == 999:
                writer.commit()
                progress(f"reading recordings, {(last - BEGIN_NS) / SECOND_NS:.0f} s of bench time")
        writer.mark(last + MILLISECOND_NS, "stop", "replay", {"reason": "end of recordings"})
        writer.commit()
    return start


def _open(bench: Bench, source: WireSource) -> Recording:
    wire = bench.wire[source.wire]
    recording = read_recording(source.path, source.part or None, byte_ns=wire.byte_ns)
    if recording.kind != wire.family:
        raise RecordingError(
            f"{source.path}: holds {recording.kind} data, and wire {source.wire!r} is {wire.kind}"
        )
    return recording


def _shifted(
    wire: str, recording: Recording, begin: int, own: int
) -> Iterator[tuple[int, str, Chunk]]:
    """Chunks in host time; *begin* is its begin in time of day, *own* by the files' own clock."""
    epoch = recording.epoch_realtime_ns
    offset = BEGIN_NS + (recording.begin_ns - own if epoch is None else epoch - begin)
    for chunk in recording.chunks(offset):
        yield chunk.t_ns, wire, chunk


def _identify(
    writer: JournalWriter, bench: Bench, source: WireSource, recording: Recording
) -> None:
    facts = bench.wire[source.wire].facts()
    if recording.kind == "can":
        facts |= {"kind": "socketcan", "byte_ns": 0.0}
    opened = {"note": "opened", "recording": source.path.name, "sha256": recording.digest}
    if recording.notes:
        opened["remarks"] = "; ".join(recording.notes)
    writer.note(source.wire, BEGIN_NS, opened)
    for name, device in bench.device.items():
        if device.wire == source.wire:
            preface = {
                "driver": device.driver,
                "record_version": type(bench.driver(name)).record_version,
                "settings": to_plain(device.settings),
                "found": {},
                "wire": facts,
            }
            note = {"note": "identified", "device": name, "preface": preface}
            writer.note(source.wire, BEGIN_NS, note)


# --- journals


def _import_journals(
    bench: Bench, sources: Sequence[WireSource], folder: Path, progress: Progress
) -> int:
    names = {(source.path, source.part or source.wire): source.wire for source in sources}
    journals = {path: Journal(path) for path in dict.fromkeys(source.path for source in sources)}
    first = next(iter(journals.values()))
    identity = first.journal_id
    if len(journals) > 1:
        ids = ",".join(sorted(journal.journal_id for journal in journals.values()))
        identity = str(uuid.uuid5(NAMESPACE, ids))
    wanted = {path: {part for p, part in names if p == path} for path in journals}
    with JournalWriter(
        folder,
        bench.documents,
        bench.file_name,
        boot_id=_common_boot(journals),
        journal_id=identity,
        sync=False,
    ) as writer:
        merged = heapq.merge(
            *(
                _timed(path, journal.entries(wires=wanted[path]), marks=journal is first)
                for path, journal in journals.items()
            ),
            key=lambda item: item[0],
        )
        copied = _copy(writer, merged, names, progress)
        if copied is None:
            raise RecordingError(f"{first.path}: holds nothing of wire {sources[0].wire!r}")
        start = copied
        writer.commit()
    for journal in journals.values():
        journal.close()
    return start


def _common_boot(journals: dict[Path, Journal]) -> str:
    boots = {path: journal.boot_id(journal.marks()[-1].seq) for path, journal in journals.items()}
    if len(set(boots.values())) > 1:
        raise RecordingError(
            f"{' and '.join(map(str, boots))}: recorded in different boots, so their host times"
            " have nothing in common; replay them apart"
        )
    return next(iter(boots.values()))


def _timed(path: Path, entries: Iterable[Entry], marks: bool) -> Iterator[tuple[int, Path, Entry]]:
    latest = 0
    for entry in entries:
        if isinstance(entry, MarkRow | ClockEntry) and not marks:
            continue
        if isinstance(entry, ChunkRow):
            latest = max(latest, entry.chunks[-1].t_ns)
        elif isinstance(entry, NoteRow | MarkRow):
            latest = max(latest, entry.t_ns)
        yield latest, path, entry


def _copy(
    writer: JournalWriter,
    merged: Iterable[tuple[int, Path, Entry]],
    names: dict[tuple[Path, str], str],
    progress: Progress,
) -> int | None:
    """Copy entries; the seq of the last run's start, of a start made for a journal without one."""
    first: int | None = None
    last = 0
    marks: list[MarkRow] = []
    for count, (t_ns, path, entry) in enumerate(merged):
        last = max(last, t_ns)
        if isinstance(entry, ChunkRow):
            writer.append(names[path, entry.wire], entry.chunks)
            first = first if first is not None else entry.chunks[0].t_ns
        elif isinstance(entry, NoteRow):
            if (path, entry.wire) in names:
                writer.note(names[path, entry.wire], entry.t_ns, entry.content)
        elif isinstance(entry, MarkRow):
            seq = writer.mark(entry.t_ns, entry.kind, entry.origin, entry.content)
            marks.append(entry._replace(seq=seq))
        else:
            writer.clock(entry.row)
        if count % 1000 == 999:
            writer.commit()
            progress(f"reading journals, {count + 1} entries")
    if first is None:
        return None
    found = runs(marks)
    if found:
        return found[-1].start.seq
    start = writer.mark(first, "start", "replay", {"reason": "the journal holds no run"})
    writer.mark(last + MILLISECOND_NS, "stop", "replay", {"reason": "end of the journal"})
    return start
