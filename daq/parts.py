"""The files of a journal: one SQLite database for each part, and how they are made and sealed.

A part that is written is in WAL mode; a part that is done is checkpointed and set to rollback mode,
so that it stands alone and opens from a read-only medium. One connection, the writer's, writes and
checkpoints; everyone else opens read-only.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

import daq
from daq.errors import JournalError

APPLICATION_ID = 0x52444A4C
VERSION = 1
"""Version of the tables below, kept in ``user_version``. An earlier one is read for ever."""

PATTERN = "part-*.sqlite"
WAL_ALARM_BYTES = 64_000_000
PAGE_BYTES = 4096
CHECKPOINT_PAGES = 256
"""A log of 1 MB is written over again and again: its file does not grow, and a commit costs an
eighth less CPU than with SQLite's 1000 pages."""
FULL = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)

SCHEMA = f"""
PRAGMA application_id = {APPLICATION_ID};
PRAGMA user_version = {VERSION};
BEGIN;
CREATE TABLE part (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE document (sha256 TEXT PRIMARY KEY, content BLOB NOT NULL);
CREATE TABLE configuration (
    seq INTEGER PRIMARY KEY, file_name TEXT NOT NULL, documents TEXT NOT NULL);
CREATE TABLE chunk (
    seq INTEGER PRIMARY KEY, wire TEXT NOT NULL, t_first INTEGER NOT NULL, t_last INTEGER NOT NULL,
    n INTEGER NOT NULL, crc32 INTEGER NOT NULL, data BLOB NOT NULL);
CREATE TABLE note (
    seq INTEGER PRIMARY KEY, wire TEXT NOT NULL, t_ns INTEGER NOT NULL,
    crc32 INTEGER NOT NULL, content TEXT NOT NULL);
CREATE TABLE mark (
    seq INTEGER PRIMARY KEY, t_ns INTEGER NOT NULL, kind TEXT NOT NULL, origin TEXT NOT NULL,
    crc32 INTEGER NOT NULL, content TEXT NOT NULL);
CREATE TABLE clock (
    seq INTEGER PRIMARY KEY, monotonic INTEGER NOT NULL, raw INTEGER NOT NULL,
    boottime INTEGER NOT NULL, realtime INTEGER NOT NULL);
"""


class DiskFull(JournalError):
    """Nothing more can be written; what was not committed is still in the writer."""


def part_paths(folder: Path) -> list[Path]:
    """The parts of a journal folder, oldest first."""
    return sorted(folder.glob(PATTERN))


def first_seq(path: Path) -> int:
    """The sequence number at which a part begins, from its name."""
    return int(path.stem.removeprefix("part-"))


def open_to_read(path: Path) -> sqlite3.Connection:
    """A connection that cannot write.

    Raises JournalError when *path* is not a journal part of a version that this release reads.
    """
    with reading(path):
        db = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)
        db.text_factory = _text
        try:
            db.execute("PRAGMA query_only = 1")
            check_version(db, path)
        except BaseException:
            db.close()
            raise
    return db


def _text(data: bytes) -> str:
    """Damaged text is not refused here: its checksum tells."""
    return data.decode(errors="replace")


@contextmanager
def reading(path: Path) -> Iterator[None]:
    """Turn whatever SQLite or a damaged content raises into a JournalError that names *path*."""
    try:
        yield
    except (sqlite3.Error, ValueError, KeyError) as error:
        advice = "the file is damaged or is not a journal part"
        if wal_of(path).exists() and not os.access(path.parent, os.W_OK):
            advice = "it was not sealed: copy it with its -wal file to a folder that can be written"
        raise JournalError(f"{path}: {error}; {advice}") from None


def check_version(db: sqlite3.Connection, path: Path) -> None:
    """Raise JournalError unless *db* is a journal part that this release reads."""
    (application,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if application != APPLICATION_ID:
        raise JournalError(f"{path}: not a part of a journal (application id {application:#x})")
    if version != VERSION:
        raise JournalError(
            f"{path}: journal version {version}; this release reads {VERSION}: update rollerdaq"
        )


def wal_of(path: Path) -> Path:
    """The write-ahead log beside a part."""
    return path.with_name(path.name + "-wal")


def is_sealed(path: Path) -> bool:
    """Whether a part stands alone.

    Source: SQLite database file format 1.3.3: byte 18 is 1 for rollback, 2 for WAL mode.
    """
    with path.open("rb") as file:
        return file.read(19)[18:] == b"\1"


def facts(db: sqlite3.Connection) -> dict[str, str]:
    """What a part says of itself: journal_id, boot_id, release."""
    return dict(db.execute("SELECT key, value FROM part").fetchall())


def create(path: Path, about: Mapping[str, str]) -> None:
    """Make a new, empty part that appears under its name only when whole.

    *about* gives journal_id and boot_id. Raises DiskFull, JournalError.
    """
    fresh = path.with_name(path.name + ".new")
    try:
        remove(fresh)
        db = sqlite3.connect(fresh, isolation_level=None)
        try:
            db.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            db.executescript(SCHEMA)
            rows = {"release": daq.__version__, **about}
            db.executemany("INSERT INTO part VALUES (?, ?)", sorted(rows.items()))
            db.execute("COMMIT")
        finally:
            db.close()
        fresh.rename(path)
        sync_folder(path.parent)
    except (sqlite3.Error, OSError) as error:
        raise write_failed(path, error) from None


def open_to_write(path: Path, *, sync: bool) -> sqlite3.Connection:
    """The one connection that writes a part, in WAL mode."""
    db = sqlite3.connect(path, isolation_level=None, check_same_thread=False, timeout=1.0)
    try:
        check_version(db, path)
        db.execute("PRAGMA journal_mode = WAL")
        db.execute(f"PRAGMA wal_autocheckpoint = {CHECKPOINT_PAGES}")
        db.execute(f"PRAGMA synchronous = {'FULL' if sync else 'OFF'}")
    except sqlite3.Error as error:
        db.close()
        raise write_failed(path, error) from None
    return db


def seal(db: sqlite3.Connection) -> bool:
    """Make the part stand alone; False while a reader still hangs on it."""
    try:
        db.execute("PRAGMA busy_timeout = 0")
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        (mode,) = db.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError:
        return False
    return bool(mode == "delete")


@contextmanager
def transaction(db: sqlite3.Connection, path: Path) -> Iterator[None]:
    """Commit what is done within, or nothing of it.

    Raises DiskFull, JournalError.
    """
    try:
        db.execute("BEGIN IMMEDIATE")
        yield
        db.execute("COMMIT")
    except sqlite3.Error as error:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise write_failed(path, error) from None


def put_documents(
    db: sqlite3.Connection, path: Path, seq: int, file_name: str, documents: Mapping[str, bytes]
) -> None:
    """Record the configuration in force from *seq* on."""
    names = {name: hashlib.sha256(content).hexdigest() for name, content in documents.items()}
    rows = [(names[name], content) for name, content in documents.items()]
    with transaction(db, path):
        db.executemany("INSERT OR IGNORE INTO document VALUES (?, ?)", rows)
        values = (seq, file_name, json.dumps(names, sort_keys=True))
        db.execute("INSERT INTO configuration VALUES (?, ?, ?)", values)


def documents_at(db: sqlite3.Connection, seq: int) -> tuple[str, dict[str, bytes]] | None:
    """Bench file name and documents in force at *seq*; None before the first configuration."""
    row = db.execute(
        "SELECT file_name, documents FROM configuration WHERE seq <= ? ORDER BY seq DESC LIMIT 1",
        (seq,),
    ).fetchone()
    if row is None:
        return None
    contents = dict(db.execute("SELECT sha256, content FROM document").fetchall())
    return row[0], {name: contents[digest] for name, digest in json.loads(row[1]).items()}


def last_seq(db: sqlite3.Connection) -> int:
    """The highest sequence number in a part; -1 when it is empty."""
    tables = ("configuration", "chunk", "note", "mark", "clock")
    tops = (db.execute(f"SELECT max(seq) FROM {table}").fetchone()[0] for table in tables)
    return max((top for top in tops if top is not None), default=-1)


def write_failed(path: Path, error: sqlite3.Error | OSError) -> JournalError:
    """DiskFull when that is the reason, JournalError otherwise."""
    code = getattr(error, "sqlite_errorcode", None)
    if code == sqlite3.SQLITE_FULL or getattr(error, "errno", None) in FULL:
        return DiskFull(f"{path}: the disk is full")
    return JournalError(f"{path}: cannot be written: {error}")


def lock(folder: Path) -> int:
    """Descriptor whose lock says that this process writes the journal."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        descriptor = os.open(folder / "lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o640)
    except OSError as error:
        raise JournalError(f"{folder}: {error.strerror}; expected a folder to write to") from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        raise JournalError(f"{folder}: another process writes this journal") from None
    return descriptor


def sync_folder(folder: Path) -> None:
    """Make names in *folder* last."""
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def remove(path: Path) -> None:
    """Delete a part and what SQLite keeps beside it."""
    for ending in ("", "-wal", "-shm", "-journal"):
        path.with_name(path.name + ending).unlink(missing_ok=True)


# --- the reserve: space set aside so that a stop can be written on a full disk


def set_aside(folder: Path, size: int) -> bool:
    """Take *size* bytes of the disk, to be given back when it is full; False when there are none.

    Twice the size must be free, so that the reserve itself never fills the disk.
    """
    path = folder / "reserve"
    if path.exists() and path.stat().st_size == size:
        return True
    free = os.statvfs(folder)
    if free.f_bavail * free.f_frsize < 2 * size:
        return False
    try:
        with path.open("wb") as file:
            if size:
                os.posix_fallocate(file.fileno(), 0, size)
            os.fsync(file.fileno())
    except OSError:
        release(folder)
        return False
    return True


def release(folder: Path) -> None:
    """Give the reserve back."""
    (folder / "reserve").unlink(missing_ok=True)
