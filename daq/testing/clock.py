"""A clock that stands still until it is moved, and a watch that no clock is read."""

from __future__ import annotations

import time  # noqa: TID251 - it is taken away from the code under test
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from daq.clock import SECOND_NS

_READS = ("time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns")


class ManualClock:
    """Host time in ns that moves only when told, for conversations and whatever takes *now*."""

    def __init__(self, now_ns: int = 1_000 * SECOND_NS) -> None:
        self.now_ns = now_ns

    def __call__(self) -> int:
        """Host time in ns."""
        return self.now_ns

    def advance(self, seconds: float) -> int:
        """Move on by *seconds*; returns the new host time in ns."""
        return self.move_to(self.now_ns + round(seconds * SECOND_NS))

    def move_to(self, moment_ns: int) -> int:
        """Move on to host time *moment_ns*, never back."""
        self.now_ns = max(self.now_ns, moment_ns)
        return self.now_ns


@contextmanager
def no_clock() -> Iterator[None]:
    """AssertionError when the code inside reads a clock or sleeps."""

    def refuse(*_: Any) -> Any:
        raise AssertionError("a clock was read or waited for where time must be an argument")

    kept = {name: getattr(time, name) for name in (*_READS, "sleep")}
    for name in kept:
        setattr(time, name, refuse)
    try:
        yield
    finally:
        for name, function in kept.items():
            setattr(time, name, function)
