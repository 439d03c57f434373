"""Chunks of a CAN wire to frame records, whichever way the wire delivers them.

An interface of the kernel delivers records, each with its own stamp. An adapter on a serial line
delivers lines of text; for those, ``t_host`` bounds the moment at which the frame began on the
bus: its line cannot have begun to arrive before the frame was complete, and of the frames whose
lines came in the same chunk each took at least its shortest time on the bus. The duration of a
byte on the serial line is not used: on most adapters that line is USB, and its rate is nominal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import groupby
from operator import itemgetter
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Chunk, ChunkKind
from daq.pushed import ByteStream, breaks_stream
from daq.wire import slcan
from daq.wire.can import FLAG_EXTENDED, FLAG_REMOTE, FRAME, FRAME_FD

Frames = NDArray[Any]
"""Structured array of FRAME, or of FRAME_FD when frames of CAN FD are among them."""

_WRAP_NS = slcan.STAMP_WRAP_MS * MILLISECOND_NS


def frame_reader(wire: Mapping[str, Any]) -> FrameReader:
    """A reader for the wire that a preface describes: its ``kind`` and ``bitrate``."""
    if wire.get("kind") == "slcan":
        return LineReader(int(wire.get("bitrate", 0)))
    return RecordReader()


class FrameReader:
    """Chunks to frames in the order in which they came, with the segment they belong to.

    ``segment`` grows when the wire was opened again or chunks were lost before the journal;
    ``bad`` counts what is no frame.
    """

    def __init__(self) -> None:
        self.segment = 0
        self.bad = 0

    def feed(self, chunks: Sequence[Chunk]) -> list[tuple[int, Frames]]:
        """(segment, frames) for each unbroken run of chunks; nothing for an empty one."""
        found: list[tuple[int, Frames]] = []
        for chunk in chunks:
            if chunk.kind == ChunkKind.NOTE and breaks_stream(chunk):
                self._take(found)
                self._break()
                self.segment += 1
            elif chunk.kind in (ChunkKind.RX, ChunkKind.RX_FD):
                self._add(chunk)
        self._take(found)
        return found

    def _take(self, found: list[tuple[int, Frames]]) -> None:
        frames = self._frames()
        if len(frames):
            found.append((self.segment, frames))

    def _add(self, chunk: Chunk) -> None:
        raise NotImplementedError

    def _frames(self) -> Frames:
        raise NotImplementedError

    def _break(self) -> None:
        """Forget what later bytes do not continue."""


class RecordReader(FrameReader):
    """Reads chunks of whole records: FRAME in RX, FRAME_FD in RX_FD."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[tuple[np.dtype[Any], bytes]] = []

    def _add(self, chunk: Chunk) -> None:
        kind = FRAME if chunk.kind == ChunkKind.RX else FRAME_FD
        rest = len(chunk.data) % kind.itemsize
        self.bad += bool(rest)
        self._parts.append((kind, chunk.data[: len(chunk.data) - rest]))

    def _frames(self) -> Frames:
        # joined as bytes: numpy joins structured arrays field by field, ten times slower
        parts, self._parts = self._parts, []
        runs = groupby(parts, key=itemgetter(0))
        return joined(np.frombuffer(b"".join(map(itemgetter(1), run)), kind) for kind, run in runs)


class LineReader(FrameReader):
    """Reads the lines of an slcan adapter; *bitrate* in bit/s, 0 when it is not known."""

    def __init__(self, bitrate: int) -> None:
        super().__init__()
        self.bitrate = bitrate
        self.refused = 0
        self._stream = ByteStream(0.0)
        self._latest = 0
        self._stamp: tuple[int, int, int] | None = None

    def _add(self, chunk: Chunk) -> None:
        self._stream.add(chunk)

    def _break(self) -> None:
        self.bad += bool(self._stream.buffer)
        self._stream.clear()
        self._stamp = None

    def _frames(self) -> Frames:
        lines = slcan.split(self._stream.buffer)
        frames, spans = lines.frames, lines.spans
        self.bad += lines.bad
        self.refused += lines.refused
        frames["t_host"] = self._begun_by(frames, spans)
        frames["t_device"] = self._unwrapped(frames)
        self._stream.drop(lines.done)
        self._shorten()
        return frames

    def _shorten(self) -> None:
        """Keep one byte of a line that is already too long to be one: none that begins a frame."""
        buffer = self._stream.buffer
        if len(buffer) > slcan.LONGEST:
            self._stream.drop(len(buffer) - 1)
            buffer[0] = ord("?")

    def _begun_by(self, frames: Frames, spans: NDArray[np.int64]) -> NDArray[np.int64]:
        if not len(frames):
            return np.empty(0, np.int64)
        arrived = self._stream.begun_by([(first, first + 1) for first in spans[:, 0].tolist()])
        ended = self._stream.begun_by([(end - 1, end) for end in spans[:, 1].tolist()])
        took = shortest_ns(frames, self.bitrate)
        inside = np.where(arrived == ended, took, 0)
        before = np.cumsum(inside) - inside
        last = np.searchsorted(arrived, arrived, side="right") - 1
        following = before[last] + inside[last] - before - inside
        begun = np.maximum.accumulate(arrived - following - took)
        begun = np.maximum(begun, self._latest)
        self._latest = int(begun[-1])
        return begun

    def _unwrapped(self, frames: Frames) -> NDArray[np.int64]:
        """The adapter's stamps as one growing clock, 0 where there is none.

        Host time tells how often the stamp wrapped meanwhile.
        """
        result = np.zeros(len(frames), np.int64)
        rows = np.flatnonzero(frames["t_device"] >= 0)
        if not len(rows):
            return result
        stamp, host = frames["t_device"][rows], frames["t_host"][rows]
        before = self._stamp or (int(stamp[0]), int(host[0]), _WRAP_NS + int(stamp[0]))
        step = np.diff(stamp, prepend=before[0]) % _WRAP_NS
        missed = np.diff(host, prepend=before[1]) - step
        step += np.maximum((missed + _WRAP_NS // 2) // _WRAP_NS, 0) * _WRAP_NS
        result[rows] = before[2] + np.cumsum(step)
        self._stamp = (int(stamp[-1]), int(host[-1]), int(result[rows[-1]]))
        return result


def joined(parts: Iterable[Frames]) -> Frames:
    """One array of all *parts*; FRAME_FD when any of them is."""
    parts = [part for part in parts if len(part)]
    if not parts:
        return np.empty(0, FRAME)
    if all(part.dtype == parts[0].dtype for part in parts):
        return np.concatenate(parts) if len(parts) > 1 else parts[0]
    return np.concatenate([as_fd(part) for part in parts])


def as_fd(frames: Frames) -> Frames:
    """The same frames as FRAME_FD."""
    if frames.dtype == FRAME_FD:
        return frames
    wide = np.zeros(len(frames), FRAME_FD)
    for name in FRAME.names or ():
        if name != "data":
            wide[name] = frames[name]
    wide["data"][:, :8] = frames["data"]
    return wide


def shortest_ns(frames: Frames, bitrate: int) -> NDArray[np.int64]:
    """Shortest time in ns that each classical frame takes on the bus, intermission included.

    Without stuff bits: 47 bits beside the data of a standard frame, 67 of an extended one; all
    zeros when *bitrate* is 0. Source: ISO 11898-1 bit counts, from memory.
    """
    if bitrate <= 0:
        return np.zeros(len(frames), np.int64)
    flags = frames["flags"]
    carried = np.where(flags & FLAG_REMOTE, 0, np.minimum(frames["length"], 8)).astype(np.int64)
    bits = np.where(flags & FLAG_EXTENDED, 67, 47) + 8 * carried
    result: NDArray[np.int64] = bits * SECOND_NS // bitrate
    return result
