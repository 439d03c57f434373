"""The journal: what is committed is read back in order, whatever happens to its parts."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
import zlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq import parts
from daq.clock import SECOND_NS, ClockRow
from daq.driver import Chunk, ChunkKind
from daq.entries import pack, unpack
from daq.errors import JournalError
from daq.journal import (
    ChunkRow,
    ClockEntry,
    DiskFull,
    Journal,
    JournalWriter,
    Limits,
    MarkRow,
    NoteRow,
    runs,
)

DOCUMENTS = {"bench.toml": b"[bench]\nname = 'B'\n", "can/a.dbc": b'VERSION ""\n'}


def writer(folder: Path, **options: object) -> JournalWriter:
    given = {"boot_id": "boot-1", **options}
    return JournalWriter(folder, DOCUMENTS, "bench.toml", **given)  # type: ignore[arg-type]


def rx(t_ns: int, data: bytes) -> Chunk:
    return Chunk(ChunkKind.RX, t_ns, data)


def bytes_of(entries: object, wire: str) -> bytes:
    rows = [e for e in entries if isinstance(e, ChunkRow) and e.wire == wire]  # type: ignore[attr-defined]
    return b"".join(chunk.data for row in rows for chunk in row.chunks)


chunks_strategy = st.lists(
    st.builds(
        Chunk,
        st.integers(0, 3),
        st.integers(-(2**63), 2**63 - 1),
        st.binary(max_size=80),
    ),
    max_size=20,
)


@given(chunks_strategy)
def test_packing_is_lossless(chunks: list[Chunk]) -> None:
    assert unpack(pack(chunks), len(chunks)) == chunks


@given(chunks_strategy, st.binary(min_size=1, max_size=9))
def test_a_blob_of_another_length_is_refused(chunks: list[Chunk], extra: bytes) -> None:
    with pytest.raises(ValueError, match="expected"):
        unpack(pack(chunks) + extra, len(chunks))


def test_order_of_chunks_notes_and_marks_is_exact(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        journal.append("a", [rx(1, b"one")])
        journal.note("a", 2, {"note": "lost", "chunks": 3})
        journal.append("a", [rx(3, b"two")])
        journal.append("b", [rx(4, b"other")])
        journal.mark(5, "start", "cli", {"name": "pull"})
        journal.append("a", [rx(6, b"three"), rx(7, b"four")])
        journal.clock(ClockRow(8, 9, 10, 11))
        last = journal.commit()
    with Journal(tmp_path) as reader:
        entries = list(reader.entries())
    assert [e.seq for e in entries] == list(range(1, last + 1)), "0 is the configuration"
    assert entries == [
        ChunkRow(1, "a", [rx(1, b"one")]),
        NoteRow(2, "a", 2, {"note": "lost", "chunks": 3}),
        ChunkRow(3, "a", [rx(3, b"two")]),
        ChunkRow(4, "b", [rx(4, b"other")]),
        MarkRow(5, 5, "start", "cli", {"name": "pull"}),
        ClockEntry(6, ClockRow(8, 9, 10, 11)),
        ChunkRow(7, "a", [rx(6, b"three"), rx(7, b"four")]),
    ]


def test_entries_after_until_and_of_some_wires(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        for number in range(1000):
            journal.append("ab"[number % 2], [rx(number, b"%d" % number)])
            journal.commit()
        journal.mark(2000, "mark", "test", {})
    with Journal(tmp_path) as reader:
        assert [e.seq for e in reader.entries(after=990, until=995)] == list(range(991, 996))
        assert len(list(reader.entries())) == 1001
        one = list(reader.entries(wires={"a"}))
        assert bytes_of(one, "a") == b"".join(b"%d" % n for n in range(0, 1000, 2))
        assert bytes_of(one, "b") == b""
        assert isinstance(one[-1], MarkRow)


def test_uncommitted_rows_are_not_seen_and_a_follower_sees_each_commit(tmp_path: Path) -> None:
    journal = writer(tmp_path)
    reader = Journal(tmp_path)
    seen = -1
    for number in range(20):
        journal.append("a", [rx(number, bytes([number]))])
        assert list(reader.entries(after=seen)) == []
        seen = journal.commit()
        (entry,) = reader.entries(after=seen - 1)
        assert bytes_of([entry], "a") == bytes([number])
    reader.close()
    journal.close()


def test_readers_cannot_write(tmp_path: Path) -> None:
    with writer(tmp_path):
        db = parts.open_to_read(parts.part_paths(tmp_path)[0])
        with pytest.raises(sqlite3.OperationalError):
            db.execute("DELETE FROM configuration")
        db.close()


def test_sequence_runs_on_through_parts_and_each_part_stands_alone(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        for number in range(30):
            journal.append("a", [rx(number, bytes([number]))])
            journal.commit()
            if number % 10 == 9:
                journal.rotate()
        journal_id = journal.journal_id
    found = parts.part_paths(tmp_path)
    assert len(found) == 4
    with Journal(tmp_path) as reader:
        assert bytes_of(reader.entries(), "a") == bytes(range(30))
        seqs = [entry.seq for entry in reader.entries()]
        assert seqs == sorted(set(seqs))
        assert reader.configuration(seqs[-1]) == ("bench.toml", DOCUMENTS)
        assert reader.configuration(0) == ("bench.toml", DOCUMENTS)
    for number, part in enumerate(found[:3]):
        assert parts.is_sealed(part)
        assert not parts.wal_of(part).exists()
        with Journal(part) as alone:
            assert bytes_of(alone.entries(), "a") == bytes(range(10 * number, 10 * number + 10))
            assert alone.journal_id == journal_id
            assert alone.configuration(10**9) == ("bench.toml", DOCUMENTS)


def test_a_part_opens_from_a_read_only_medium(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        journal.append("a", [rx(1, b"x")])
    part = parts.part_paths(tmp_path)[0]
    medium = tmp_path / "medium"
    medium.mkdir()
    mounted = subprocess.run(["mount", "--bind", tmp_path, medium], check=False).returncode == 0
    if not mounted:
        pytest.skip("needs the right to mount")
    try:
        subprocess.run(["mount", "-o", "remount,bind,ro", medium], check=True)
        with pytest.raises(OSError, match="Read-only"):
            (medium / "probe").touch()
        with Journal(medium / part.name) as reader:
            assert bytes_of(reader.entries(), "a") == b"x"
    finally:
        subprocess.run(["umount", medium], check=True)


def test_sealing_waits_for_a_reader_that_hangs_on(tmp_path: Path) -> None:
    journal = writer(tmp_path)
    journal.append("a", [rx(1, b"x")])
    journal.commit()
    old = journal.part
    hanging = parts.open_to_read(old)
    hanging.execute("SELECT * FROM chunk").fetchall()
    journal.rotate()
    assert not parts.is_sealed(old)
    assert journal.seal_done() == 1
    hanging.close()
    assert journal.seal_done() == 0
    assert parts.is_sealed(old)
    journal.close()


def test_a_follower_lets_go_of_an_old_part_when_it_goes_on(tmp_path: Path) -> None:
    journal = writer(tmp_path)
    reader = Journal(tmp_path)
    journal.append("a", [rx(1, b"x")])
    journal.commit()
    assert bytes_of(reader.entries(), "a") == b"x"
    journal.rotate()
    journal.append("a", [rx(2, b"y")])
    journal.commit()
    assert bytes_of(reader.entries(), "a") == b"xy"
    assert journal.seal_done() == 0
    reader.close()
    journal.close()


def test_goes_on_after_an_unclean_end_in_the_same_boot(tmp_path: Path) -> None:
    """The writer is killed: no close, no seal; what was committed is there, and seq runs on."""
    code = """
import os, sys
from pathlib import Path
from daq.driver import Chunk
from daq.journal import JournalWriter
w = JournalWriter(Path(sys.argv[1]), {"bench.toml": b""}, "bench.toml", boot_id="boot-1")
w.append("a", [Chunk(0, 1, b"committed")]); w.commit()
w.append("a", [Chunk(0, 2, b"not committed")])
os.kill(os.getpid(), 9)
"""
    done = subprocess.run([sys.executable, "-c", code, tmp_path], check=False)
    assert done.returncode == -9
    with Journal(tmp_path) as reader:
        assert bytes_of(reader.entries(), "a") == b"committed"
    with writer(tmp_path) as journal:
        assert len(parts.part_paths(tmp_path)) == 1
        journal.append("a", [rx(3, b" and more")])
    with Journal(tmp_path) as reader:
        assert bytes_of(reader.entries(), "a") == b"committed and more"
        assert reader.configuration(1)[1] == {"bench.toml": b""}
        assert reader.configuration(10**9)[1] == DOCUMENTS, "a new configuration is in force"


def test_a_new_boot_begins_a_new_part(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        journal.append("a", [rx(1, b"x")])
    with writer(tmp_path, boot_id="boot-2") as journal:
        seq = journal.mark(1, "start", "", {})
    with Journal(tmp_path) as reader:
        assert len(reader.part_paths()) == 2
        assert reader.boot_id(1) == "boot-1"
        assert reader.boot_id(seq) == "boot-2"
        assert [type(e) for e in reader.span(0, 10, seq)] == [MarkRow], "other boot left out"


def test_only_one_process_writes(tmp_path: Path) -> None:
    with writer(tmp_path), pytest.raises(JournalError, match="another process writes"):
        writer(tmp_path)


def test_damage_costs_one_row_and_is_named(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        for number in range(3):
            journal.append("a", [rx(number, b"payload%d" % number)])
            journal.commit()
    part = parts.part_paths(tmp_path)[0]
    content = part.read_bytes()
    part.write_bytes(content.replace(b"payload1", b"payl0ad1"))
    with Journal(tmp_path) as reader:
        first, second, third = reader.entries()
    assert bytes_of([first, third], "a") == b"payload0payload2"
    assert isinstance(second, NoteRow)
    assert second.content == {"note": "lost", "reason": "chunk 2 is damaged"}
    assert second.wire == "a"


def test_checksums_are_those_of_the_standard_crc32(tmp_path: Path) -> None:
    """CRC-32 check value of b'123456789'.

    Source: catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC, check 0xcbf43926.
    """
    assert zlib.crc32(b"123456789") == 0xCBF43926
    with writer(tmp_path) as journal:
        journal.append("a", [rx(1, b"x")])
    db = parts.open_to_read(parts.part_paths(tmp_path)[0])
    ((crc, data),) = db.execute("SELECT crc32, data FROM chunk").fetchall()
    db.close()
    assert crc == zlib.crc32(data)


@pytest.mark.parametrize(
    ("pragma", "message"),
    [
        ("PRAGMA user_version = 99", "version 99; this release reads 1"),
        ("PRAGMA application_id = 7", "not a part of a journal"),
    ],
)
def test_foreign_and_future_files_are_refused(tmp_path: Path, pragma: str, message: str) -> None:
    with writer(tmp_path):
        pass
    part = parts.part_paths(tmp_path)[0]
    db = sqlite3.connect(part)
    db.execute(pragma)
    db.close()
    with pytest.raises(JournalError, match=message):
        Journal(tmp_path)
    with pytest.raises(JournalError, match=message):
        writer(tmp_path)


def test_no_journal_and_no_database_are_named(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no journal here"):
        Journal(tmp_path)
    (tmp_path / "part-000000000000.sqlite").write_bytes(b"rubbish" * 1000)
    with pytest.raises(JournalError, match="file is not a database"):
        Journal(tmp_path)
    with pytest.raises(JournalError, match="no configuration"), writer(tmp_path / "new"):
        Journal(tmp_path / "new").configuration(-1)


def test_span_cuts_chunk_by_chunk_and_brings_what_is_in_force(tmp_path: Path) -> None:
    preface = {"note": "preface", "device": "oil", "preface": {"driver": "probe"}}
    with writer(tmp_path) as journal:
        journal.note("a", 1, {"note": "opened"})
        journal.note("a", 2, {**preface, "note": "identified"})
        journal.note("b", 3, {"note": "opened"})
        journal.note("b", 4, {"note": "state", "text": "noise"})
        for number in range(10, 100, 10):
            journal.append("a", [rx(number + digit, bytes([number + digit])) for digit in range(5)])
            journal.commit()
        journal.note("a", 101, preface)
        journal.rotate()
        for number in range(110, 150, 10):
            journal.append("a", [rx(number + digit, bytes([number + digit])) for digit in range(5)])
            journal.commit()
        start = journal.mark(125, "start", "", {})
    with Journal(tmp_path) as reader:
        entries = list(reader.span(42, 121, start))
        later = list(reader.span(112, 10**12, start))
    notes = [e for e in entries if isinstance(e, NoteRow)]
    assert [(n.wire, n.content["note"]) for n in notes] == [
        ("a", "opened"), ("a", "identified"), ("b", "opened"), ("a", "preface"),
    ]  # fmt: skip
    wanted = [n + d for n in range(40, 130, 10) if n != 100 for d in range(5)]
    assert list(bytes_of(entries, "a")) == [t for t in wanted if 42 <= t <= 121]
    in_force = [e.content["note"] for e in later if isinstance(e, NoteRow)]
    assert in_force == ["opened", "opened", "preface"], "the preface replaces what identified said"
    assert bytes_of(later, "a")[:2] == bytes([112, 113])
    assert isinstance(later[-1], MarkRow)


def test_span_ends_soon_after_its_end(tmp_path: Path) -> None:
    with writer(tmp_path) as journal:
        start = journal.mark(0, "start", "", {})
        for second in range(100):
            journal.append("a", [rx(second * SECOND_NS, bytes([second]))])
            journal.append("b", [rx(max(0, second - 20) * SECOND_NS, bytes([second]))])
            journal.commit()
    with Journal(tmp_path) as reader:
        entries = list(reader.span(5 * SECOND_NS, 9 * SECOND_NS, start))
    assert list(bytes_of(entries, "a")) == [5, 6, 7, 8, 9]
    assert list(bytes_of(entries, "b")) == [25, 26, 27, 28, 29], "a late wire is whole"


def mark(seq: int, kind: str, **content: object) -> MarkRow:
    return MarkRow(seq, seq * 10, kind, "", dict(content))


def test_runs_are_told_from_marks() -> None:
    found = runs(
        [
            mark(1, "acquisition_started"),
            mark(2, "start"),
            mark(3, "mark"),
            mark(4, "stop"),
            mark(5, "start"),
            mark(6, "acquisition_started"),
            mark(7, "finalised", start=2),
            mark(8, "start"),
        ]
    )
    assert [(r.start.seq, r.end and r.end.seq, r.settled and r.settled.seq) for r in found] == [
        (2, 4, 7), (5, 6, None), (8, None, None),
    ]  # fmt: skip
    assert [r.recovered for r in found] == [False, True, False]


def fill(journal: JournalWriter, parts_wanted: int) -> None:
    for _ in range(parts_wanted):
        journal.append("a", [rx(1, os.urandom(50_000))])
        journal.commit()
        assert journal.wants_rotation
        journal.rotate()


def test_retention_by_size_spares_runs_that_are_not_finalised(tmp_path: Path) -> None:
    limits = Limits(part_bytes=40_000, keep_bytes=1)
    with writer(tmp_path, limits=limits) as journal:
        fill(journal, 3)
        start = journal.mark(1, "start", "", {})
        fill(journal, 2)
        journal.mark(2, "stop", "", {})
        journal.commit()
        before = parts.part_paths(tmp_path)
        assert journal.retain(0) == before[:2], "one part ahead of the run stays for its lead-in"
        assert journal.retain(0) == []
        journal.mark(3, "finalised", "main", {"start": start})
        journal.commit()
        assert journal.retain(0) == before[2:-1]
        assert parts.part_paths(tmp_path) == before[-1:]


def test_retention_by_age(tmp_path: Path) -> None:
    with writer(tmp_path, limits=Limits(part_bytes=40_000, keep_ns=SECOND_NS)) as journal:
        fill(journal, 2)
        newest = max(p.stat().st_mtime_ns for p in parts.part_paths(tmp_path))
        assert journal.retain(newest) == []
        assert len(journal.retain(newest + 5 * SECOND_NS)) == 2


@pytest.mark.skipif(os.geteuid() != 0, reason="needs the right to mount")
def test_a_full_disk_keeps_what_waits_and_the_reserve_lets_it_be_written(tmp_path: Path) -> None:
    small = tmp_path / "small"
    small.mkdir()
    if subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=4m", "none", small], check=False
    ).returncode:
        pytest.skip("needs the right to mount")
    try:
        journal = writer(small, limits=Limits(reserve_bytes=1_000_000))
        assert journal.set_aside()
        committed = -1

        def write_until_full() -> None:
            nonlocal committed
            for number in range(100):
                journal.append("a", [rx(number, bytes(100_000))])
                committed = journal.commit()

        with pytest.raises(DiskFull, match="the disk is full"):
            write_until_full()
        stop = journal.mark(1, "stop", "", {"reason": "disk_full"})
        with pytest.raises(DiskFull):
            journal.commit()
        journal.release()
        assert journal.commit() == stop
        with Journal(small) as reader:
            entries = list(reader.entries())
        assert entries[-1].seq == stop == committed + 2
        journal.close()
    finally:
        subprocess.run(["umount", small], check=True)


@settings(max_examples=30, deadline=None)
@given(st.data())
def test_a_damaged_file_never_passes_for_a_whole_one(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    """Any byte changed or the end cut off: rows true or named as lost, or JournalError."""
    folder = tmp_path_factory.mktemp("damage")
    with writer(folder) as journal:
        for number in range(8):
            journal.append("a", [rx(number, b"%04d" % number * 200)])
            journal.note("a", number, {"note": "state", "n": number})
            journal.commit()
    part = parts.part_paths(folder)[0]
    content = bytearray(part.read_bytes())
    place = data.draw(st.integers(0, len(content) - 1))
    if data.draw(st.booleans()):
        content = content[:place]
    else:
        content[place] ^= data.draw(st.integers(1, 255))
    part.write_bytes(content)
    true = {b"%04d" % number * 200 for number in range(8)}
    try:
        with Journal(folder) as reader:
            for entry in reader.entries():
                if isinstance(entry, ChunkRow):
                    assert {chunk.data for chunk in entry.chunks} <= true
    except JournalError:
        pass


def test_parts_are_private_to_the_group(tmp_path: Path) -> None:
    with writer(tmp_path):
        assert not stat.S_IMODE(parts.part_paths(tmp_path)[0].stat().st_mode) & stat.S_IWOTH


def test_an_opened_wire_is_no_longer_closed_whatever_its_port_is_called(tmp_path):
    with JournalWriter(tmp_path, {"b.toml": b""}, "b.toml", boot_id="b", sync=False) as writer:
        writer.note("unit", 1, {"note": "closed", "error": "no such port"})
        writer.note("unit", 2, {"note": "opened", "port": "unit", "device": "/dev/pts/1"})
        writer.commit()
        with Journal(tmp_path) as journal:
            assert [note.content["note"] for note in journal.in_force(100)] == ["opened"]
