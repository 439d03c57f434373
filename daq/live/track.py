"""One channel as it comes in: its last reading, how often, how long ago."""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from daq.channels import BenchChannel
from daq.clock import SECOND_NS

RATE_NS = 2 * SECOND_NS
"""The achieved rate is counted over so long, or over the last three readings of a slower one."""
PATIENCE_PERIODS = 5
PATIENCE_NS = SECOND_NS // 2
"""A channel is stale after five of its periods without a reading, and no sooner than 0.5 s.
Common practice, no source."""


class Track:
    """The latest of one channel. ``fresh``: a reading came since its value was computed last."""

    def __init__(self, channel: BenchChannel) -> None:
        self.channel = channel
        self.t_ns = 0
        self.raw: float | int | None = None
        self.value = float("nan")
        self.status = 0
        self.fresh = False
        self._count = 0
        self._arrivals: deque[tuple[int, int]] = deque()

    @property
    def seen(self) -> bool:
        """Whether it ever had a reading."""
        return self._count > 0

    @property
    def eventful(self) -> bool:
        """It comes with events (edges, switches), so that silence says nothing."""
        stream = self.channel.stream
        return stream.rate_hz is None and all(c.kind != "continuous" for c in stream.channels)

    def take(self, t_ns: NDArray[np.int64], raw: NDArray[np.generic]) -> None:
        """Readings in order, at least one; int64[n] host ns and raw[n]."""
        self.t_ns = int(t_ns[-1])
        self.raw = raw[-1].item()
        self.fresh = True
        self._count += len(raw)
        arrivals = self._arrivals
        arrivals.append((self.t_ns, self._count))
        while len(arrivals) > 3 and self.t_ns - arrivals[0][0] > RATE_NS:
            arrivals.popleft()

    def rate_hz(self, heard_ns: int) -> float | None:
        """Readings per second of late, None when it cannot be told; 0 when stale."""
        silent_ns = heard_ns - self.t_ns
        if silent_ns > (RATE_NS if self.eventful else self.patience_ns):
            return 0.0
        return self._lately()

    def stale(self, heard_ns: int) -> bool:
        """Whether a reading is overdue, all up to *heard_ns* being known."""
        return not self.eventful and heard_ns - self.t_ns > self.patience_ns

    @property
    def patience_ns(self) -> int:
        """How long one waits for a reading."""
        rate = self.channel.stream.rate_hz or self._lately()
        if not rate:
            return 4 * PATIENCE_NS
        return max(PATIENCE_NS, round(PATIENCE_PERIODS * SECOND_NS / rate))

    def _lately(self) -> float | None:
        if len(self._arrivals) < 2:
            return None
        (first_ns, first), (last_ns, last) = self._arrivals[0], self._arrivals[-1]
        return (last - first) * SECOND_NS / (last_ns - first_ns) if last_ns > first_ns else None
