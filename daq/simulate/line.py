"""A serial line: bytes arrive no earlier than the line carries them, and what can go wrong."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from daq.config import key

Window = tuple[float, float]
"""Begin and duration in s of the bench's time."""
PACKET_BYTES = 62
"""Data bytes of a full USB packet of a common serial adapter, which leaves at once; a part of
one waits for the latency timer. Source: an adapter maker's application note."""


@dataclass(frozen=True)
class Faults:
    """What is to go wrong with one device and its line; windows are (begin, duration) in s."""

    noise_bytes_per_s: float = key(0.0, low=0, high=1e5)
    lost_bytes_per_s: float = key(0.0, low=0, high=1e5)
    latency_timer_s: float = key(0.0, unit="s", low=0, high=0.255)
    stalls: tuple[Window, ...] = key((), help="nothing is delivered, then all of it")
    hung: tuple[Window, ...] = key((), help="the device says nothing and hears nothing")
    unplugged: tuple[Window, ...] = key((), help="the port is gone and comes back")
    clock_ppm: float | None = key(None, low=-20_000, high=20_000, help="error of its crystal")


def within(windows: tuple[Window, ...], now_s: float) -> bool:
    """Whether *now_s* lies in one of *windows*."""
    return any(begin <= now_s < begin + duration for begin, duration in windows)


class Line:
    """Bytes on their way to the PC. Times are s of the bench's time."""

    def __init__(self, byte_s: float, faults: Faults | None = None, seed: int = 0) -> None:
        self.byte_s = byte_s
        self.faults = faults or Faults()
        self._random = np.random.default_rng((seed, 0x11E))
        self._sending: deque[tuple[float, bytes]] = deque()
        self._free_s = 0.0
        self._held = bytearray()
        self._left_s = 0.0

    def put(self, now_s: float, data: bytes) -> None:
        """The device hands *data* to the line at *now_s*."""
        if data and not within(self.faults.hung, now_s):
            data = self._spoilt(data)
            begin = max(now_s, self._free_s)
            self._free_s = begin + len(data) * self.byte_s
            self._sending.append((begin, data))

    def take(self, now_s: float) -> bytes:
        """What the PC's driver has by *now_s*."""
        self._carry(now_s)
        gone = within(self.faults.unplugged, now_s)
        if gone:
            self._held.clear()
        if not self._held or within(self.faults.stalls, now_s):
            return b""
        timer_s = self.faults.latency_timer_s
        ready = len(self._held)
        if timer_s and now_s - self._left_s < timer_s:
            ready -= ready % PACKET_BYTES
        if ready:
            self._left_s = now_s
        data = bytes(self._held[:ready])
        del self._held[:ready]
        return data

    def _carry(self, now_s: float) -> None:
        """Move what has crossed the line by now to the adapter's buffer."""
        while self._sending:
            begin, data = self._sending[0]
            # the sliver is for a byte whose end is now but for rounding
            whole = min(len(data), int((now_s - begin) / self.byte_s + 1e-6))
            if whole <= 0:
                return
            self._held += data[:whole]
            if whole < len(data):
                self._sending[0] = (begin + whole * self.byte_s, data[whole:])
                return
            self._sending.popleft()

    def _spoilt(self, data: bytes) -> bytes:
        """*data* with noise put in and bytes left out, by the chance of its time on the line."""
        faults, duration_s = self.faults, len(data) * self.byte_s
        lost = self._random.poisson(faults.lost_bytes_per_s * duration_s)
        noise = self._random.poisson(faults.noise_bytes_per_s * duration_s)
        if not lost and not noise:
            return data
        spoilt = bytearray(data)
        for _ in range(min(lost, len(spoilt))):
            del spoilt[self._random.integers(len(spoilt))]
        for _ in range(noise):
            spoilt.insert(self._random.integers(len(spoilt) + 1), int(self._random.integers(256)))
        return bytes(spoilt)
