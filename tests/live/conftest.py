"""What the tests of the live view share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from daq.clock import MILLISECOND_NS
from daq.entries import ChunkRow, Entry
from daq.journal import Journal

TICK_NS = 50 * MILLISECOND_NS


def ticks(journal, start_ns: int) -> Iterator[tuple[int, list[Entry]]]:
    """The entries of a simulated run as a follower gets them: (time of the commit, entries)."""
    with Journal(journal) as reader:
        entries = list(reader.entries())
    notes = [entry for entry in entries if not isinstance(entry, ChunkRow)]
    yield start_ns, notes
    slices: dict[int, dict[str, list]] = {}
    for entry in entries:
        if isinstance(entry, ChunkRow):
            for chunk in entry.chunks:
                number = (chunk.t_ns - start_ns) // TICK_NS
                slices.setdefault(number, {}).setdefault(entry.wire, []).append(chunk)
    for number in sorted(slices):
        rows = [ChunkRow(0, wire, chunks) for wire, chunks in slices[number].items()]
        yield start_ns + (number + 1) * TICK_NS, rows


@pytest.fixture(scope="session")
def simulated_ticks(simulated_run):
    """The whole simulated run in ticks of 50 ms."""
    return list(ticks(simulated_run.journal, simulated_run.recording.start_ns))
