"""Where run files lie: undecided until one is kept under its vehicle and visit, or discarded.

::

    runs/undecided/20260331-141502-r0017-stock.h5
    runs/pennon/2026-03-31/20260331-141502-r0017-stock.h5      kept
    runs/numbers.jsonl                                         numbers, and why one was discarded
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from daq.errors import DaqError
from daq.garage import NAME
from daq.numbers import IN_FILE_NAME, Numbers

UNDECIDED = "undecided"
NOWHERE = "other"
"""In place of a vehicle or visit that a run does not have."""


class ShelfError(DaqError):
    """A run that is not there, or is not undecided, or a file that cannot be moved."""


class Shelf:
    """The folder of runs."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.numbers = folder, Numbers(folder)

    def undecided(self) -> list[Path]:
        """Files about which nothing is decided, the oldest first.

        A file whose run was discarded just before a crash is removed.
        """
        gone = {int(line["number"]) for line in self.numbers.lines("discarded")}
        found = sorted((self.folder / UNDECIDED).glob("*.h5"))
        for path in [path for path in found if number_of(path) in gone]:
            _remove(path)
            found.remove(path)
        return found

    def find(self, run: str) -> Path:
        """The undecided file of *run*: its number, the beginning of its file's name, or ``last``.

        Raises ShelfError that says what became of it, or what there is.
        """
        found = self.undecided()
        if run == "last" and found:
            return found[-1]
        mine = [p for p in found if _is(p, run)]
        if len(mine) == 1:
            return mine[0]
        if mine:
            raise ShelfError(f"run {run!r}: {len(mine)} files; give its number or its whole name")
        raise ShelfError(f"run {run!r}: {self._fate(run)}; {self._what_there_is(found)}")

    def keep(self, path: Path, vehicle: str, visit: str, **facts: str | float) -> Path:
        """Move an undecided file to its vehicle's and visit's folder; where it is then.

        *facts* (a note, tyre pressures after the run) go into the ledger: the file is sealed.
        Raises ShelfError when it cannot be moved, or would replace another.
        """
        target = self.folder / _folder(vehicle) / _folder(visit) / path.name
        if target.exists():
            raise ShelfError(f"{target}: is there already; {path.name} stays undecided")
        try:
            target.parent.mkdir(parents=True, exist_ok=True)
            path.rename(target)
        except OSError as error:
            raise ShelfError(f"{target}: {error.strerror}; {path.name} stays undecided") from None
        self._write("kept", target, facts)
        return target

    def discard(self, path: Path, reason: str) -> None:
        """Remove an undecided file; its number, the time and *reason* stay.

        Raises ShelfError, NumberError.
        """
        if not reason.strip():
            raise ShelfError(f"{path.name}: say why it is discarded; number and reason stay")
        self._write("discarded", path, {"reason": reason.strip()})
        _remove(path)

    # --- within

    def _write(self, event: str, path: Path, facts: dict[str, str | float]) -> None:
        about = {"file": str(path.relative_to(self.folder)), **facts}
        self.numbers.add(number_of(path) or 0, event, **about)

    def _fate(self, run: str) -> str:
        for line in reversed(self.numbers.lines()):
            if line["event"] != "began" and run.lstrip("r0") == str(line["number"]):
                why = f": {line['reason']}" if "reason" in line else f" as {line.get('file')}"
                return f"{line['event']} {line['utc'][:19]}Z{why}"
        return "no such run is undecided"

    def _what_there_is(self, found: list[Path]) -> str:
        if not found:
            return "nothing is undecided"
        return "undecided: " + ", ".join(str(number_of(p) or p.name) for p in found[-12:])


def number_of(path: Path) -> int | None:
    """The number in a run file's name; None where it has none."""
    match = IN_FILE_NAME.search(path.name)
    return int(match[1]) if match else None


def _is(path: Path, run: str) -> bool:
    number = run.removeprefix("r")
    if number.isdigit() and len(number) < 8:
        return number_of(path) == int(number)
    return bool(run) and path.name.startswith(Path(run).name)


def _folder(name: str) -> str:
    return name if NAME.fullmatch(name) else NOWHERE


def _remove(path: Path) -> None:
    try:
        with contextlib.suppress(FileNotFoundError):
            path.unlink()
    except OSError as error:
        raise ShelfError(f"{path}: {error.strerror}; the file stays") from None
