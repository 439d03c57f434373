"""Recordings in open formats, as the chunks that a wire would have given.

CAN: candump log, ASC, BLF, TRC, read by python-can. Serial lines: timed bytes as CSV with the
columns ``t_s,hex``: when the first of the bytes began on the line, and the bytes; a third column,
0 for a byte with a bad stop bit, may follow. What was sent to the device on a line of requests and
answers is a recording of its own, selected as part ``sent``.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Chunk, ChunkKind
from daq.errors import RecordingError
from daq.log_readers import Log, read_log
from daq.timed_bytes import read_timed_bytes
from daq.wire.can import FLAG_FD, FRAME, FRAME_FD

CHUNK_NS = 50 * MILLISECOND_NS
"""Longest time that the frames of one chunk span."""
JITTER_NS = 100 * MILLISECOND_NS
"""A merged log may step back by so much; a longer step back is a clock that was set."""
EPOCH_NS = 1_000_000_000 * SECOND_NS
"""Times after this are wall time (2001 and later), earlier ones count from some start."""
SENT, RECEIVED = "sent", "received"
"""Parts of a serial line: the bytes to the device, and those from it."""
PAUSE_BYTES = 3.5
"""Silence that ends a request, in bytes. Source: Modbus over serial line V1.02, 2.5.1.1; other
protocols pause longer."""


@dataclass(frozen=True)
class Recording:
    """One bus or line of a recording; its times count from the recording's first moment.

    ``kind`` is ``can`` or ``serial``; ``buses`` are all that the file holds, ``bus`` the one
    selected; ``digest`` is the file's SHA-256. ``epoch_realtime_ns`` is the wall time of the first
    moment, None where the file does not tell; ``begin_ns`` is that moment by the file's own clock.
    ``notes`` say what was passed over or altered.
    """

    path: Path
    kind: str
    digest: str
    buses: tuple[str, ...] = ()
    bus: str = ""
    epoch_realtime_ns: int | None = None
    begin_ns: int = 0
    notes: tuple[str, ...] = ()
    _chunks: Callable[[int], Iterator[Chunk]] = lambda offset: iter(())

    @property
    def begin_realtime_ns(self) -> int:
        """Wall time of the first moment; 0 where the file does not tell."""
        return self.epoch_realtime_ns or 0

    def chunks(self, offset_ns: int = 0) -> Iterator[Chunk]:
        """Everything in the order of time, the first moment being at *offset_ns*.

        On a CAN bus each chunk holds up to 50 ms of frames as records of FRAME (or FRAME_FD),
        ``t_host`` being the time of each and ``t_device`` the stamp as it was recorded.
        """
        return self._chunks(offset_ns)


def read_recording(path: Path, bus: str | None = None, *, byte_ns: float = 0.0) -> Recording:
    """The recording at *path*; *bus* selects one of several, *byte_ns* is a serial byte's duration.

    Raises RecordingError when it is in no known format, when a line is not what it must be (a cut
    last line is passed over and noted), or when a bus must be selected.
    """
    try:
        content = path.read_bytes()
    except OSError as error:
        raise RecordingError(f"{path}: {error.strerror}") from None
    digest = hashlib.sha256(content).hexdigest()
    if _is_timed_bytes(content):
        return _serial(path, content, digest, bus, byte_ns)
    log = read_log(path, content)
    return _can(path, log, digest, bus)


def _is_timed_bytes(content: bytes) -> bool:
    first = content.removeprefix(b"\xef\xbb\xbf").lstrip()[:200].split(b"\n", 1)[0]
    return first.startswith(b"t_s,") or (b"," in first and _is_number(first.split(b",", 1)[0]))


def _is_number(text: bytes) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


# --- times


def timeline(t_ns: NDArray[np.int64]) -> tuple[NDArray[np.int64], int]:
    """Times int64[n] without the steps of a clock that was set back, and how many there were.

    After such a step time goes on from where it was; a step back of up to ``JITTER_NS`` stays.
    """
    step = np.diff(t_ns, prepend=t_ns[:1])
    resets = step < -JITTER_NS
    return t_ns - np.cumsum(np.where(resets, step, 0)), int(np.count_nonzero(resets))


def _in_order(t_ns: NDArray[np.int64], notes: list[str]) -> NDArray[np.int64]:
    """Times that never step back: an earlier one is held at the latest before it."""
    ordered = np.maximum.accumulate(t_ns)
    held = int(np.count_nonzero(ordered > t_ns))
    if held:
        notes.append(f"{held} times step back and are held at the one before")
    return ordered


def _based(t_ns: NDArray[np.int64], notes: list[str]) -> tuple[NDArray[np.int64], int]:
    """Times from the recording's first moment, and that moment."""
    if not len(t_ns):
        return t_ns, 0
    times, resets = timeline(t_ns)
    if resets:
        notes.append(f"the clock was set back {resets} times; time goes on from where it was")
    begin = int(times.min())
    return times - begin, begin


def _wall_time(begin: int, stated: int | None) -> int | None:
    if begin >= EPOCH_NS:
        return begin
    return None if stated is None else stated + begin


# --- CAN


def _can(path: Path, log: Log, digest: str, bus: str | None) -> Recording:
    notes = list(log.notes)
    buses = tuple(sorted(set(log.buses) - {""}))
    chosen = _chosen(path, buses, bus)
    times, begin = _based(log.t_ns, notes)
    mine = np.array([name == chosen for name in log.buses], bool)
    nowhere = sum(name == "" for name in log.buses)
    if nowhere and buses:
        notes.append(f"{nowhere} error frames name no bus and are passed over")
    frames = log.frames[mine]
    frames["t_host"] = _in_order(times[mine], notes)
    frames["t_device"] = log.t_ns[mine]

    def chunks(offset: int) -> Iterator[Chunk]:
        return _can_chunks(frames, offset)

    epoch = _wall_time(begin, log.stated_start_ns)
    return Recording(path, "can", digest, buses, chosen, epoch, begin, tuple(notes), chunks)


def _chosen(path: Path, buses: Sequence[str], bus: str | None) -> str:
    held = ", ".join(buses) or "none"
    if bus and bus not in buses:
        raise RecordingError(f"{path}: holds no bus {bus!r}; it holds {held}")
    if not bus and len(buses) > 1:
        raise RecordingError(f"{path}: holds several buses; select one of {held}")
    return bus or (buses[0] if buses else "")


def _can_chunks(frames: NDArray[Any], offset: int) -> Iterator[Chunk]:
    shifted = frames.copy()
    shifted["t_host"] += offset
    times = shifted["t_host"]
    wide = shifted["flags"] & FLAG_FD != 0
    turns = np.flatnonzero(np.diff(wide)) + 1
    first = 0
    while first < len(times):
        end = int(np.searchsorted(times, times[first] + CHUNK_NS, side="left"))
        turn = int(np.searchsorted(turns, first, side="right"))
        if turn < len(turns):
            end = min(end, int(turns[turn]))
        yield _can_chunk(shifted[first:end], bool(wide[first]))
        first = end


def _can_chunk(frames: NDArray[Any], wide: bool) -> Chunk:
    t_ns = int(frames["t_host"][-1])
    if wide:
        return Chunk(ChunkKind.RX_FD, t_ns, frames.tobytes())
    narrow = np.zeros(len(frames), FRAME)
    for name in FRAME_FD.names or ():
        narrow[name] = frames[name][:, :8] if name == "data" else frames[name]
    return Chunk(ChunkKind.RX, t_ns, narrow.tobytes())


# --- serial lines


def _serial(path: Path, content: bytes, digest: str, part: str | None, byte_ns: float) -> Recording:
    if part not in (None, SENT, RECEIVED):
        raise RecordingError(
            f"{path}: is one serial line and holds no part {part!r}; expected {SENT} for a"
            f" recording of what went to the device, {RECEIVED} for what came from it"
        )
    rows, notes = read_timed_bytes(path, content)
    times, begin = _based(np.array([row.t_ns for row in rows], np.int64), notes)
    lasted = np.array([round(len(row.data) * byte_ns) for row in rows], np.int64)
    data = [row.data for row in rows]

    def received(offset: int) -> Iterator[Chunk]:
        for t_ns, its in zip(arrived, data, strict=True):
            yield Chunk(ChunkKind.RX, t_ns + offset, its)

    def sent(offset: int) -> Iterator[Chunk]:
        for first, end in _requests(began, lasted, round(PAUSE_BYTES * byte_ns)):
            yield Chunk(ChunkKind.TX, int(began[first]) + offset, b"".join(data[first:end]))

    began = _in_order(times, notes)
    arrived = _in_order(times + lasted, []).tolist()
    epoch = _wall_time(begin, None)
    chunks = sent if part == SENT else received
    return Recording(path, "serial", digest, (), part or "", epoch, begin, tuple(notes), chunks)


def _requests(
    began: NDArray[np.int64], lasted: NDArray[np.int64], pause_ns: int
) -> Iterator[tuple[int, int]]:
    """Rows that were written at once: first and end of each group without a pause in it."""
    cuts = np.flatnonzero(began[1:] - (began + lasted)[:-1] > pause_ns) + 1
    firsts, ends = [0, *cuts.tolist()], [*cuts.tolist(), len(began)]
    return ((first, end) for first, end in zip(firsts, ends, strict=True) if end > first)
