"""Bytes of a serial line with their times, as CSV: ``t_s,hex`` and perhaps a third column."""

from __future__ import annotations

from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import NamedTuple

from daq.clock import SECOND_NS
from daq.errors import RecordingError

LONGEST_S = 9_000_000_000
"""Times beyond this do not fit into 64 bits of nanoseconds."""


class TimedBytes(NamedTuple):
    """Bytes, and when the first of them began on the line, in ns."""

    t_ns: int
    data: bytes


def read_timed_bytes(path: Path, content: bytes) -> tuple[list[TimedBytes], list[str]]:
    """All rows in the order of the file, and notes on what was passed over.

    Raises RecordingError that names the line.
    """
    text = content.decode("utf-8-sig", errors="replace")
    lines = text.split("\n")
    rows: list[TimedBytes] = []
    notes: list[str] = []
    bad_stops = 0
    for number, line in enumerate(lines, 1):
        columns = [column.strip() for column in line.split(",")]
        if columns == [""] or (not rows and columns[:2] == ["t_s", "hex"]):
            continue
        row = _row(columns)
        if row is None:
            if number == len(lines):
                notes.append(f"line {number} is cut and passed over: {line[:60]!r}")
                break
            raise RecordingError(
                f"{path}: line {number}: {line.strip()[:60]!r}; expected columns t_s,hex: seconds,"
                " a comma, bytes as hexadecimal digits, for example '12.345678,0D0A'"
            )
        rows.append(row)
        bad_stops += columns[2:3] == ["0"]
    if bad_stops:
        notes.append(f"{bad_stops} bytes have a bad stop bit")
    return rows, notes


def _row(columns: list[str]) -> TimedBytes | None:
    if len(columns) < 2:
        return None
    try:
        t_s, data = Decimal(columns[0]), bytes.fromhex(columns[1])
    except (InvalidOperation, ValueError):
        return None
    if not data or not t_s.is_finite() or abs(t_s) > LONGEST_S:
        return None
    return TimedBytes(round(t_s * SECOND_NS), data)
