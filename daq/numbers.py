"""Run numbers, never used twice, and what became of each run: a ledger that only grows.

``numbers.jsonl`` in the folder of runs has one JSON object a line. A number belongs to the run that
began at one entry of one journal; asked again, as after a crash, it is the same. A line that a
crash cut short was promised to nobody and is passed over.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from daq.clock import iso_utc, realtime_ns
from daq.errors import DaqError

FILE_NAME = "numbers.jsonl"
IN_FILE_NAME = re.compile(r"-r(\d{4,})\b")
"""A run's number in the name of its file."""
Line = dict[str, Any]


class NumberError(DaqError):
    """The ledger cannot be written."""


class Numbers:
    """The ledger of one folder of runs; any number of processes may use it at once."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.path = folder, folder / FILE_NAME

    def of_run(self, journal_id: str, start_seq: int) -> int:
        """The number of the run that began at entry *start_seq*, a new one when it has none.

        Raises NumberError when that cannot be put on the disk; then none was used.
        """
        with self._locked() as file:
            lines = list(_lines(file))
            for line in lines:
                if (line.get("journal"), line.get("start")) == (journal_id, start_seq):
                    return int(line["number"])
            number = 1 + max([_number(line) for line in lines] + self._in_file_names(), default=0)
            about = {"number": number, "event": "began", "journal": journal_id, "start": start_seq}
            self._append(file, about)
            return number

    def add(self, number: int, event: str, **facts: Any) -> None:
        """Write down what became of a run: kept or discarded, and why.

        Raises NumberError.
        """
        with self._locked() as file:
            self._append(file, {"number": number, "event": event, **facts})

    def lines(self, event: str = "") -> list[Line]:
        """All lines, oldest first; those of one *event* when given."""
        try:
            with self.path.open("rb") as file:
                return [line for line in _lines(file) if event in ("", line.get("event"))]
        except FileNotFoundError:
            return []

    # --- within

    @contextmanager
    def _locked(self) -> Iterator[Any]:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab+") as file:
                fcntl.flock(file, fcntl.LOCK_EX)
                yield file
        except OSError as error:
            raise NumberError(f"{self.path}: {error.strerror}; run numbers are kept here") from None

    def _append(self, file: Any, line: Line) -> None:
        """One line on the disk; what a crash left behind is first ended."""
        size = file.seek(0, os.SEEK_END)
        torn = size and not _ends_a_line(file, size)
        text = json.dumps({**line, "utc": iso_utc(realtime_ns())}, ensure_ascii=False)
        file.write(("\n" if torn else "").encode() + text.encode() + b"\n")
        file.flush()
        os.fsync(file.fileno())
        if not size:
            _sync_folder(self.folder)

    def _in_file_names(self) -> list[int]:
        """Numbers that files bear, should the ledger have been lost."""
        found = (IN_FILE_NAME.search(path.name) for path in self.folder.rglob("*.h5"))
        return [int(match[1]) for match in found if match]


def _lines(file: Any) -> Iterator[Line]:
    file.seek(0)
    for text in file.read().split(b"\n"):
        try:
            line = json.loads(text)
        except ValueError:
            continue
        if isinstance(line, dict) and isinstance(line.get("number"), int):
            yield line


def _number(line: Line) -> int:
    return int(line["number"])


def _ends_a_line(file: Any, size: int) -> bool:
    file.seek(size - 1)
    return bool(file.read(1) == b"\n")


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
