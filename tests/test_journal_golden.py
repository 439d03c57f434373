"""A journal of version 1 is read for ever: the file was written once and is never written again.

``python tests/test_journal_golden.py FOLDER`` writes what the golden file was made from, for a new
version beside it.
"""

from __future__ import annotations

import sys
from pathlib import Path

from daq.clock import ClockRow
from daq.driver import Chunk, ChunkKind
from daq.journal import (
    ChunkRow,
    ClockEntry,
    Entry,
    Journal,
    JournalWriter,
    MarkRow,
    NoteRow,
    runs,
)

GOLDEN = Path(__file__).parent / "golden" / "journal_v1.sqlite"
JOURNAL_ID = "11111111-2222-4333-8444-555555555555"
DOCUMENTS = {"bench.toml": "[bench]\nname = 'Prüfstand'\n".encode(), "can/car.dbc": b"\x00\xff\n"}
PREFACE = {
    "driver": "pulse_unit",
    "record_version": 1,
    "settings": {"inputs": [1, 2]},
    "found": {"hello": "unit 7"},
    "wire": {"kind": "serial", "byte_ns": 10851.0},
}
ENTRIES: list[Entry] = [
    ClockEntry(1, ClockRow(1_000, 2_000, 3_000, 1_700_000_000_000_000_000)),
    MarkRow(2, 1_500, "acquisition_started", "acquisition", {"pid": 1}),
    NoteRow(3, "unit", 2_000, {"note": "opened", "port": "/dev/serial/by-path/x"}),
    ChunkRow(4, "unit", [Chunk(ChunkKind.TX, 2_100, b"\x02\x01\x00")]),
    NoteRow(5, "unit", 2_200, {"note": "identified", "device": "pulses", "preface": PREFACE}),
    MarkRow(6, 3_000, "start", "hand button", {"name": "Zug 1 – 3. Gang"}),
    ChunkRow(
        7,
        "unit",
        [
            Chunk(ChunkKind.RX, 3_100, b""),
            Chunk(ChunkKind.RX, 3_200, bytes(range(256))),
            Chunk(ChunkKind.RX, 2**62, b"\x00" * 7),
        ],
    ),
    ChunkRow(8, "can", [Chunk(ChunkKind.RX_FD, 3_300, b"\x55" * 88)]),
    NoteRow(9, "unit", 3_400, {"note": "lost", "chunks": 2, "bytes": 99}),
    MarkRow(10, 4_000, "stop", "", {"start": 6}),
    MarkRow(11, 5_000, "finalised", "main", {"start": 6, "file": "run.h5"}),
]


def write(folder: Path) -> None:
    with JournalWriter(
        folder, DOCUMENTS, "bench.toml", boot_id="golden boot", journal_id=JOURNAL_ID
    ) as journal:
        for entry in ENTRIES:
            if isinstance(entry, ChunkRow):
                journal.append(entry.wire, entry.chunks)
                journal.commit()
            elif isinstance(entry, NoteRow):
                journal.note(entry.wire, entry.t_ns, entry.content)
            elif isinstance(entry, MarkRow):
                journal.mark(entry.t_ns, entry.kind, entry.origin, entry.content)
            else:
                journal.clock(entry.row)


def test_the_golden_journal_reads_as_it_was_written() -> None:
    with Journal(GOLDEN) as journal:
        assert list(journal.entries()) == ENTRIES
        assert journal.journal_id == JOURNAL_ID
        assert journal.boot_id(1) == "golden boot"
        assert journal.configuration(6) == ("bench.toml", DOCUMENTS)
        assert journal.clocks() == [ENTRIES[0].row]  # type: ignore[union-attr]
        (run,) = runs(journal.marks())
        assert (run.start, run.end, run.settled) == (ENTRIES[5], ENTRIES[9], ENTRIES[10])
        inside = list(journal.span(3_000, 4_000, 6))
    assert inside[:2] == [ENTRIES[2], ENTRIES[4]], "the notes in force come first"
    assert inside[2:] == [
        ENTRIES[5],
        ChunkRow(7, "unit", [Chunk(0, 3_100, b""), Chunk(0, 3_200, bytes(range(256)))]),
        *ENTRIES[7:10],
    ]


def test_this_release_writes_what_it_reads(tmp_path: Path) -> None:
    write(tmp_path)
    with Journal(tmp_path) as journal:
        assert list(journal.entries()) == ENTRIES


if __name__ == "__main__":
    write(Path(sys.argv[1]))
