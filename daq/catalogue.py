"""An index of run files, to find one among thousands. It is made from the files themselves.

The index may be deleted at any time: what it holds is in the run files and in the ledger of
numbers. A file is looked into again when its size or time of writing has changed.
"""

from __future__ import annotations

import contextlib
import json
import re
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from daq.config import nearest
from daq.errors import DaqError, RunFileError
from daq.numbers import Numbers
from daq.runfile.content import Facts, Quantity
from daq.runfile.read import RunFile
from daq.shelf import UNDECIDED

FILE_NAME = "catalogue.sqlite"
VERSION = 1
SCHEMA = """
CREATE TABLE file (path TEXT PRIMARY KEY, size INTEGER, mtime_ns INTEGER, problem TEXT);
CREATE TABLE run (
    path TEXT PRIMARY KEY REFERENCES file ON DELETE CASCADE, run_id TEXT, number INTEGER,
    time_zero TEXT, title TEXT, state TEXT, vehicle TEXT, visit TEXT, setup TEXT,
    duration_s REAL, end_reason TEXT, flags TEXT);
CREATE TABLE peak (
    path TEXT REFERENCES file ON DELETE CASCADE, name TEXT, value REAL, unit TEXT,
    PRIMARY KEY (path, name)) WITHOUT ROWID;
CREATE INDEX by_peak ON peak (name, value);
"""
COLUMNS = (
    "path", "run_id", "number", "time_zero", "title", "state", "vehicle", "visit", "setup",
    "duration_s", "end_reason", "flags",
)  # fmt: skip
FLAGS = ("not_for_power", "zero_shifted", "start_window", "problems")
"""Settings of a run that a person should know of before trusting it."""
PEAK = re.compile(r"\s*([A-Za-z0-9_/.-]+)\s*(>=|<=|>|<)\s*([-+0-9.eE]+)\s*")


class CatalogueError(DaqError):
    """The index cannot be kept, or a question to it cannot be understood."""


class PeakQuery(NamedTuple):
    """The highest value of a column compared with a number."""

    name: str
    sign: str
    value: float

    @classmethod
    def of(cls, text: str) -> PeakQuery:
        """From ``roller_speed>40``. Raises CatalogueError."""
        match = PEAK.fullmatch(text)
        with contextlib.suppress(ValueError):
            if match is not None:
                return cls(match[1], match[2], float(match[3]))
        raise CatalogueError(f"peak: {text!r}; expected for example 'charge_pressure>180'")


@dataclass(frozen=True)
class Query:
    """What to find; everything left out is anything."""

    vehicle: str = ""
    visit: str = ""
    setup: str = ""
    since: str = ""
    """ISO date or time, UTC: runs that began then or later."""
    until: str = ""
    undecided: bool | None = None
    peaks: tuple[PeakQuery, ...] = ()


@dataclass
class Found:
    """One run of the index. ``path`` is relative to the folder of runs."""

    path: str
    run_id: str
    number: int | None
    time_zero: str
    title: str
    state: str
    vehicle: str
    visit: str
    setup: str
    duration_s: float
    end_reason: str
    flags: dict[str, str]
    peaks: dict[str, tuple[float, str]] = field(default_factory=dict)
    """Highest value and unit of the aligned columns, and of results as ``result/value``."""

    @property
    def undecided(self) -> bool:
        """Whether it is neither kept nor discarded."""
        return self.path.startswith(f"{UNDECIDED}/")


class Catalogue:
    """The index of one folder of runs; brought up to date by :meth:`refresh`."""

    def __init__(self, folder: Path, index: Path | None = None) -> None:
        self.folder, self.path = folder, index or folder / FILE_NAME
        self._db = self._open()

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def refresh(self, progress: Callable[[str], None] = lambda text: None) -> list[str]:
        """Look into files that are new or changed, forget those that are gone; what is unreadable.

        Raises CatalogueError when the index cannot be written.
        """
        now = {str(path.relative_to(self.folder)): stamp for path, stamp in self._files()}
        rows = self._db.execute("SELECT path, size, mtime_ns FROM file")
        known = {path: (size, mtime) for path, size, mtime in rows}
        fresh = [name for name in sorted(now) if known.get(name) != now[name]]
        with self._writing():
            gone = known.keys() - now.keys()
            self._db.executemany("DELETE FROM file WHERE path = ?", [(name,) for name in gone])
            for count, name in enumerate(fresh, 1):
                progress(f"looking into {name} ({count} of {len(fresh)})")
                self._look_into(name, now[name])
        return [
            f"{path}: {problem}"
            for path, problem in self._db.execute(
                "SELECT path, problem FROM file WHERE problem != '' ORDER BY path"
            )
        ]

    def rebuild(self, progress: Callable[[str], None] = lambda text: None) -> list[str]:
        """Forget everything and look into every file; what is unreadable."""
        with self._writing():
            self._db.execute("DELETE FROM file")
        return self.refresh(progress)

    def find(self, query: Query = Query()) -> list[Found]:
        """Runs in the order in which they began.

        Raises CatalogueError for a peak of a column that no run has.
        """
        self._check_names(query)
        where, values = _where(query)
        rows = self._db.execute(
            f"SELECT {', '.join(COLUMNS)} FROM run{where} ORDER BY time_zero, path", values
        ).fetchall()
        return [self._found(row) for row in rows]

    def discarded(self) -> list[dict[str, Any]]:
        """What the ledger knows of runs whose files are gone: number, utc, reason."""
        return Numbers(self.folder).lines("discarded")

    # --- within

    def _files(self) -> Iterator[tuple[Path, tuple[int, int]]]:
        """Run files with size and time of writing."""
        for path in self.folder.rglob("*.h5"):
            with contextlib.suppress(FileNotFoundError):  # moved a moment ago
                facts = path.stat()
                if not path.name.startswith(".") and path.is_file():
                    yield path, (facts.st_size, facts.st_mtime_ns)

    def _look_into(self, name: str, stamp: tuple[int, int]) -> None:
        path = self.folder / name
        self._db.execute("DELETE FROM file WHERE path = ?", (name,))
        self._db.execute("INSERT INTO file VALUES (?, ?, ?, '')", (name, *stamp))
        try:
            run, peaks = look_into(path)
        except (RunFileError, KeyError, OSError, ValueError) as error:
            words = str(error).removeprefix(f"{path}: ") or type(error).__name__
            self._db.execute("UPDATE file SET problem = ? WHERE path = ?", (words, name))
            return
        columns = ", ".join(run)
        places = ", ".join("?" * (1 + len(run)))
        values = (name, *run.values())
        self._db.execute(f"INSERT INTO run (path, {columns}) VALUES ({places})", values)
        rows = [(name, peak, value, unit) for peak, (value, unit) in peaks.items()]
        self._db.executemany("INSERT INTO peak VALUES (?, ?, ?, ?)", rows)

    def _found(self, row: tuple[Any, ...]) -> Found:
        told = dict(zip(COLUMNS, row, strict=True))
        peaks = self._db.execute(
            "SELECT name, value, unit FROM peak WHERE path = ? ORDER BY name", (told["path"],)
        )
        told["flags"] = json.loads(told["flags"])
        return Found(**told, peaks={name: (value, unit) for name, value, unit in peaks})

    def _check_names(self, query: Query) -> None:
        known = [name for (name,) in self._db.execute("SELECT DISTINCT name FROM peak")]
        for peak in query.peaks:
            if known and peak.name not in known:
                close = nearest(peak.name, known)
                raise CatalogueError(f"peak: no run has a column {peak.name!r}{close}")

    def _open(self) -> sqlite3.Connection:
        """The index; one of another version, or damaged, is made anew."""
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            for attempt in range(2):
                db = sqlite3.connect(self.path, isolation_level=None, timeout=5.0)
                if _is_ours(db) or attempt:
                    return db
                db.close()
                self._start_anew()
        except (sqlite3.Error, OSError) as error:
            raise CatalogueError(f"{self.path}: the index cannot be kept: {error}") from None
        raise AssertionError

    def _start_anew(self) -> None:
        for ending in ("", "-journal"):
            self.path.with_name(self.path.name + ending).unlink(missing_ok=True)
        db = sqlite3.connect(self.path, isolation_level=None)
        db.executescript(f"BEGIN; PRAGMA user_version = {VERSION}; {SCHEMA} COMMIT;")
        db.close()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            self._db.execute("PRAGMA foreign_keys = 1")
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")
        except sqlite3.Error as error:
            raise CatalogueError(f"{self.path}: the index cannot be written: {error}") from None


def _is_ours(db: sqlite3.Connection) -> bool:
    try:
        (version,) = db.execute("PRAGMA user_version").fetchone()
        db.execute("SELECT count(*) FROM run").fetchone()
    except sqlite3.DatabaseError:
        return False
    return bool(version == VERSION)


def _where(query: Query) -> tuple[str, list[Any]]:
    parts: list[tuple[str, list[Any]]] = [
        (f"{name} = ?", [value])
        for name in ("vehicle", "visit", "setup")
        if (value := getattr(query, name))
    ]
    if query.since:
        parts.append(("time_zero >= ?", [query.since]))
    if query.until:
        parts.append(("time_zero < ?", [query.until]))
    if query.undecided is not None:
        like = "LIKE" if query.undecided else "NOT LIKE"
        parts.append((f"path {like} ?", [f"{UNDECIDED}/%"]))
    for peak in query.peaks:
        inner = f"SELECT path FROM peak WHERE name = ? AND value {peak.sign} ?"
        parts.append((f"path IN ({inner})", [peak.name, peak.value]))
    where = " AND ".join(part for part, _ in parts)
    return (f" WHERE {where}" if where else ""), [v for _, values in parts for v in values]


def look_into(path: Path) -> tuple[dict[str, Any], dict[str, tuple[float, str]]]:
    """What the index holds of one run file: facts, and peaks with their units.

    Raises RunFileError.
    """
    with RunFile(path) as run:
        told = run.attributes
        settings = run.facts("settings")
        vehicle, visit, setup = (
            _name(run.facts(n)) if n in run.run else "" for n in ("vehicle", "visit", "setup")
        )
        flags = {name: str(settings[name]) for name in FLAGS if settings.get(name)}
        if told["state"] != "complete":
            flags["state"] = str(told["state"])
        facts = {
            "run_id": str(told["run_id"]),
            "number": settings.get("run_number"),
            "time_zero": str(told["time_zero"]),
            "title": run.run["title"][()].decode(),
            "state": str(told["state"]),
            "vehicle": vehicle,
            "visit": visit,
            "setup": setup,
            "duration_s": float(told["t_end"]) - float(told["t_start"]),
            "end_reason": str(settings.get("end_reason", "")),
            "flags": json.dumps(flags, ensure_ascii=False),
        }
        return facts, _peaks(run)


def _name(facts: Facts) -> str:
    return str(facts.get("name", ""))


def _peaks(run: RunFile) -> dict[str, tuple[float, str]]:
    peaks: dict[str, tuple[float, str]] = {}
    aligned = run.aligned()
    for column in aligned.columns if aligned is not None else ():
        known = column.value[np.isfinite(column.value)]
        if known.size:
            peaks[column.name] = float(known.max()), column.unit
    for result in run.results():
        for name, value in result.values.items():
            if isinstance(value, Quantity):
                peaks[f"{result.name}/{name}"] = float(value.value), value.unit
    return peaks
