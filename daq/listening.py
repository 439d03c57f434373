"""What can be told of a serial line nobody has described: where bytes pause, what repeats."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from daq.clock import MILLISECOND_NS, SECOND_NS

PAUSE_NS = 2 * MILLISECOND_NS
"""Silence that parts two groups: longer than an operating system dawdles over one."""
PAUSE_BYTES = 3.5
"""The same on a slow line. Source: Modbus over serial line V1.02, 2.5.1.1."""
LONGEST = 256
"""A line without pauses is cut after so many bytes."""


@dataclass
class Group:
    """Bytes that followed one another without a pause; ``t_ns`` when the first one began."""

    t_ns: int
    data: bytearray = field(default_factory=bytearray)

    def text(self, zero_ns: int) -> str:
        """One line: seconds since *zero_ns*, hex, and what of it can be read."""
        seen = "".join(chr(byte) if 32 <= byte < 127 else "." for byte in self.data)
        return f"{(self.t_ns - zero_ns) / SECOND_NS:9.4f}  {self.data.hex(' ').upper()}  {seen}"


class Grouping:
    """Parts what arrives into groups by its pauses; ``byte_ns`` is the duration of a byte."""

    def __init__(self, byte_ns: float) -> None:
        self.byte_ns = byte_ns
        self._pause_ns = max(PAUSE_NS, PAUSE_BYTES * byte_ns)
        self._open: Group | None = None
        self._last_ns = 0

    def add(self, t_ns: int, data: bytes) -> Iterator[Group]:
        """Groups that are complete now that *data* was read at *t_ns*."""
        began_ns = t_ns - round(len(data) * self.byte_ns)
        if self._open is not None and began_ns - self._last_ns > self._pause_ns:
            yield from self.end()
        if self._open is None:
            self._open = Group(began_ns)
        self._open.data += data
        self._last_ns = t_ns
        if len(self._open.data) >= LONGEST:
            yield from self.end()

    def end(self) -> Iterator[Group]:
        """The last group, when nothing follows."""
        if self._open is not None:
            yield self._open
            self._open = None


def findings(groups: Sequence[Group]) -> list[str]:
    """How long groups are, how far apart, and which of their bytes stay or count."""
    if not groups:
        return ["nothing came: is the line wired to its RX, and the device on?"]
    sizes = Counter(len(group.data) for group in groups)
    told = ", ".join(f"{size} B × {count}" for size, count in sizes.most_common(5))
    lines = [f"{len(groups)} groups between pauses: {told}"]
    size = sizes.most_common(1)[0][0]
    alike = [group for group in groups if len(group.data) == size]
    if len(alike) < 4:
        return [*lines, "too few of one length to compare"]
    apart = median(after.t_ns - one.t_ns for one, after in pairwise(alike))
    lines.append(f"those of {size} B: {apart / MILLISECOND_NS:.1f} ms apart (median)")
    columns = list(zip(*(group.data for group in alike)))
    same = [f"{n}: {c[0]:02X}" for n, c in enumerate(columns) if len(set(c)) == 1]
    rising = [str(n) for n, column in enumerate(columns) if _counts(column)]
    if same:
        lines.append(f"bytes that stay the same: {', '.join(same)} (a sync stands first)")
    if rising:
        lines.append(f"bytes that count up: {', '.join(rising)} (a frame counter, perhaps)")
    return lines


def _counts(column: Sequence[int]) -> bool:
    """Whether nearly every step is one up."""
    ups = sum(after == one + 1 for one, after in pairwise(column))
    return ups >= 0.9 * (len(column) - 1)
