"""The last seconds of a bench's channels, from the daemon's journal, which is only read."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from daq import clock
from daq.bench import Bench
from daq.channels import BenchChannel
from daq.config import nearest
from daq.decode import decode
from daq.errors import CalibrationError, JournalError
from daq.evaluate import values_of
from daq.evaluation import Evaluation, Floats
from daq.journal import Journal

STALE_S = 3.0
"""Newest entry older than this: nothing is being recorded. An idle daemon commits each second."""


class Recent:
    """Looks at the journal in *folder*, decoded as *bench* says."""

    def __init__(self, bench: Bench, folder: Path) -> None:
        self.bench, self.folder = bench, folder

    def look(self, span_s: float) -> Evaluation:
        """Times (s; now is 0) and values of all channels over the last *span_s* seconds.

        Raises CalibrationError when nothing is being recorded.
        """
        now = clock.monotonic_ns()
        try:
            with Journal(self.folder) as journal:
                last = journal.last_seq()
                if journal.boot_id(last) != clock.boot_id():
                    raise CalibrationError(f"{self.folder}: {_NOT_RUNNING}")
                begin = now - round(span_s * clock.SECOND_NS)
                decoded = decode(self.bench, journal.span(begin, now, last))
        except JournalError as error:
            raise CalibrationError(f"{error}: {_NOT_RUNNING}") from None
        return values_of(self.bench, decoded, now)


_NOT_RUNNING = "nothing is being recorded; start the daemon on this bench: daq serve"


def raw_of(result: Evaluation, channel: BenchChannel) -> tuple[Floats, Floats]:
    """Times in s and raw readings of a channel, float64[n], rows without a reading left out.

    Raises CalibrationError when it has none that is recent.
    """
    rows = result.rows.get((channel.device, channel.stream.name))
    count = 0 if rows is None else len(rows)
    if rows is None or not count or -result.seconds(result.key(channel.name))[-1] > STALE_S:
        raise CalibrationError(
            f"channel {channel.name}: no reading in the last {STALE_S:g} s; is the daemon running"
            f" (daq serve) and device {channel.device!r} connected and switched on?"
        )
    kept = np.ones(count, bool)
    if channel.input.name in rows.missing:
        kept = ~rows.missing[channel.input.name]
    at = result.seconds(result.key(channel.name))
    return at[kept], rows.raw[channel.input.name][kept].astype(np.float64)


def values(result: Evaluation, name: str) -> tuple[Floats, Floats]:
    """Times and values of the channel *name*; CalibrationError when there are none."""
    if name not in result.channels:
        raise CalibrationError(
            f"the bench has no channel {name!r}{nearest(name, list(result.channels))}"
        )
    raw_of(result, result.channels[name])
    at, found = result.samples(name)
    if not len(found):
        raise CalibrationError(f"channel {name}: none of its recent readings gives a value")
    return at, found
