"""Base for devices that talk by themselves: frames found in any cut of the bytes.

A read says one thing for certain: whatever it returned was on the line before the read returned.
With the duration of a byte that bounds when a frame began: if *n* bytes of the frame (or of what
followed it) had arrived by time *t*, its first bit was sent no later than ``t - n * byte_ns``.
Each frame takes the tightest of the bounds that its own chunks give.
"""

from __future__ import annotations

import json
from abc import ABC, abstractmethod
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from daq.driver import Block, Chunk, ChunkKind

Span = tuple[int, int]


class ByteStream:
    """Received bytes not yet used, with the times that bound them.

    ``buffer`` holds the bytes from stream offset ``start`` on; ``byte_ns`` is 0 where bytes have
    no duration.
    """

    def __init__(self, byte_ns: float) -> None:
        self.byte_ns = byte_ns
        self.buffer = bytearray()
        self.start = 0
        self._ends: list[int] = []
        self._times: list[int] = []

    def add(self, chunk: Chunk) -> None:
        """Append the bytes of a received chunk."""
        if chunk.data:
            self.buffer += chunk.data
            self._ends.append(self.start + len(self.buffer))
            self._times.append(chunk.t_ns)

    def drop(self, count: int) -> None:
        """Forget the first *count* bytes and the times that only they needed."""
        if count <= 0:
            return
        del self.buffer[:count]
        self.start += count
        used = 0
        while used < len(self._ends) and self._ends[used] <= self.start:
            used += 1
        del self._ends[:used], self._times[:used]

    def clear(self) -> None:
        """Forget all bytes: what follows does not continue them."""
        self.drop(len(self.buffer))

    def begun_by(self, spans: Sequence[Span]) -> NDArray[np.int64]:
        """Latest time in ns at which the first bit of each span was sent.

        *spans* are (first, end) positions in ``buffer``; the result has one row for each.
        """
        if not spans:
            return np.empty(0, np.int64)
        span = np.asarray(spans, np.int64) + self.start
        ends = np.asarray(self._ends, np.int64)
        times = np.asarray(self._times, np.int64)
        # integer base keeps ns exact: monotonic ns exceed the 53 bits of a float
        base = times[0]
        slack = (times - base) - ends * self.byte_ns
        first = np.searchsorted(ends, span[:, 0], side="right")
        last = np.searchsorted(ends, span[:, 1], side="left")
        tightest = slack[first]
        for step in range(1, int((last - first).max(initial=0)) + 1):
            within = first + step <= last
            following = slack[np.minimum(first + step, len(slack) - 1)]
            tightest = np.where(within, np.minimum(tightest, following), tightest)
        result: NDArray[np.int64] = base + np.floor(tightest + span[:, 0] * self.byte_ns).astype(
            np.int64
        )
        return result


class PushedDecoder(ABC):
    """Decoder of a byte stream: split into frames, then frames into rows.

    A subclass gives :meth:`split` and :meth:`rows`. ``segment`` grows whenever the bytes cannot
    continue the earlier ones: the wire was opened again or bytes were lost before the journal.
    """

    def __init__(self, byte_ns: float) -> None:
        self.stream = ByteStream(byte_ns)
        self.segment = 0
        self.frames_ok = 0
        self.frames_bad = 0
        self.bytes_skipped = 0

    @abstractmethod
    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        """Spans of all whole, valid frames in *buffer*, and how many bytes are done with.

        Bytes from that count on are seen again, with more behind them. A refused candidate is
        counted in ``frames_bad``; look again from the byte after its first, so that a false start
        never costs the true frame behind it.
        """

    @abstractmethod
    def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
        """Blocks from whole frames; ``begun_by`` int64[n] ns bounds when each frame began."""

    def feed(self, chunks: Sequence[Chunk]) -> list[Block]:
        """The rows completed by *chunks*."""
        blocks: list[Block] = []
        for chunk in chunks:
            if chunk.kind == ChunkKind.RX:
                self.stream.add(chunk)
            elif chunk.kind == ChunkKind.NOTE and breaks_stream(chunk):
                blocks += self._take()
                self.bytes_skipped += len(self.stream.buffer)
                self.stream.clear()
                self.segment += 1
        return blocks + self._take()

    def _take(self) -> list[Block]:
        if not self.stream.buffer:
            return []
        spans, done = self.split(self.stream.buffer)
        begun_by = self.stream.begun_by(spans)
        frames = [bytes(self.stream.buffer[first:end]) for first, end in spans]
        self.frames_ok += len(frames)
        self.bytes_skipped += done - sum(end - first for first, end in spans)
        self.stream.drop(done)
        return self.rows(frames, begun_by) if frames else []

    def report(self) -> dict[str, int | float | str]:
        """Frames accepted and refused, bytes that belong to no frame."""
        return {
            "frames_ok": self.frames_ok,
            "frames_bad": self.frames_bad,
            "bytes_skipped": self.bytes_skipped,
        }


def breaks_stream(chunk: Chunk) -> bool:
    """Whether a note says that later bytes do not continue the earlier ones."""
    return note_of(chunk).get("note") in ("opened", "closed", "lost")


def note_of(chunk: Chunk) -> dict[str, object]:
    """Content of a note chunk; empty when it is not a JSON object."""
    try:
        content = json.loads(chunk.data)
    except ValueError:
        return {}
    return content if isinstance(content, dict) else {}
