"""A clock that stands still until it is moved."""

from __future__ import annotations

from daq.clock import SECOND_NS


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
