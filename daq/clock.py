"""The machine's clocks. No other module reads one (ruff TID251 sees to it).

Host time is CLOCK_MONOTONIC in whole nanoseconds. Wall time appears only in clock rows, which
pair all clocks at one moment, and in the header of a run.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import NamedTuple

SECOND_NS = 1_000_000_000
MILLISECOND_NS = 1_000_000


class ClockRow(NamedTuple):
    """All clocks of the machine at one moment, in ns.

    ``monotonic`` orders samples; ``raw`` is never slewed; ``boottime`` runs on in suspend;
    ``realtime`` is UTC since 1970 and may step.
    Source: clock_gettime(2), Linux manual pages.
    """

    monotonic: int
    raw: int
    boottime: int
    realtime: int


def monotonic_ns() -> int:
    """Host time: CLOCK_MONOTONIC in ns."""
    return time.monotonic_ns()


def realtime_ns() -> int:
    """Wall time: ns of UTC since 1970; may step, never orders samples."""
    return time.time_ns()


def cpu_ns() -> int:
    """CPU time of this process in ns."""
    return time.process_time_ns()


def thread_cpu_ns() -> int:
    """CPU time of the calling thread in ns."""
    return time.thread_time_ns()


def clock_row() -> ClockRow:
    """All clocks at one moment.

    ``monotonic`` is read before and after the others and the middle is taken, so the pairing is
    good to about a microsecond unless the thread is set aside in between.
    """
    before = time.monotonic_ns()
    raw = time.clock_gettime_ns(time.CLOCK_MONOTONIC_RAW)
    boottime = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
    realtime = time.time_ns()
    after = time.monotonic_ns()
    return ClockRow((before + after) // 2, raw, boottime, realtime)


def sleep_ns(duration_ns: int) -> None:
    """Wait; a negative duration does not wait."""
    if duration_ns > 0:
        time.sleep(duration_ns / SECOND_NS)


def sleep_until(moment_ns: int) -> None:
    """Wait until host time *moment_ns*; a moment that has passed does not wait."""
    sleep_ns(moment_ns - time.monotonic_ns())


def iso_utc(realtime: int) -> str:
    """ISO 8601 UTC text of a wall time in ns, to the microsecond."""
    seconds, nanoseconds = divmod(realtime, SECOND_NS)
    stamp = datetime.fromtimestamp(seconds, UTC).replace(microsecond=nanoseconds // 1000)
    return stamp.isoformat(timespec="microseconds").replace("+00:00", "Z")


def boot_id() -> str:
    """The kernel's random identity of this boot; monotonic times compare only within one boot."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            return file.read().strip()
    except OSError:
        return "unknown"
