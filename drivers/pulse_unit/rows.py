"""From the unit's bytes to rows.

The payloads of all frames of a kind are joined and read by numpy at once; only framing, checksum
and order are looked at frame by frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any, NamedTuple

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from daq.clock import SECOND_NS
from daq.driver import Block
from daq.pushed import PushedDecoder, Span
from drivers.pulse_unit.framing import (
    ANALOGUE,
    DIGITAL,
    ECHO,
    ENCODER,
    HEADER,
    HELLO,
    IGNITION,
    LONGEST_CODE,
    MASK,
    OUTPUT,
    TO_UNIT,
    open_code,
)
from drivers.pulse_unit.hello import OUTPUTS, Group, Hello

U4 = np.dtype("<u4")
PAIR = np.dtype([("count", "<u4"), ("tick", "<u4")])
LEVELS = np.dtype([("tick", "<u4"), ("levels", "u1"), ("changed", "u1"), ("count", "<u2")])
ECHOED = np.dtype([("token", "<u8"), ("tick", "<u4"), ("sent", "<u4")])

Ints = NDArray[np.int64]

GRACE_S = 0.1
"""How far a tick in a payload may lie behind the one that it is measured from: an edge that came
between the timer's sample and its reading, or while the frame was made."""
CRYSTAL_ERROR = 0.01
"""The most that a unit's oscillator is wrong by; a ceramic resonator may be 1 %. From memory."""


class Frame(NamedTuple):
    """An accepted frame: its tick unwrapped, the time by which it had begun, its payload."""

    tick: int
    t_hi: int
    payload: bytes


class Order:
    """Puts frames into order: unwraps ticks, counts lost frames, refuses late ones, tells breaks.

    ``breaks`` grows when the unit's clock may have jumped: after a reset, or when a later frame
    bears an earlier tick.
    """

    LATE = 256
    """Frames back from the last one within which an earlier frame counts as late or double."""

    def __init__(self, tick_hz: int) -> None:
        self.tick_hz = tick_hz
        self.lost = self.late = self.resets = self.breaks = 0
        self._known = False
        self._reset = self._sequence = self._tick = self._t_ns = 0

    def forget(self) -> None:
        """What follows does not continue what came."""
        self._known = False

    def place(self, reset: int, sequence: int, raw_tick: int, t_ns: int) -> int | None:
        """The frame's tick, unwrapped; None for a frame that comes late or twice."""
        tick = raw_tick
        if self._known and reset != self._reset:
            self.resets += 1
            self.breaks += 1
        elif self._known:
            tick = self._unwrap(raw_tick, t_ns)
            if tick <= self._tick and (self._sequence - sequence) & 0xFFFF < self.LATE:
                self.late += 1
                return None
            if tick < self._tick:
                self.breaks += 1
                tick = raw_tick
            else:
                self.lost += (sequence - self._sequence - 1) & 0xFFFF
        self._known = True
        self._reset, self._sequence, self._tick, self._t_ns = reset, sequence, tick, t_ns
        return tick

    def _unwrap(self, raw_tick: int, t_ns: int) -> int:
        """The tick nearest to what the host's clock expects, so that a gap may be of any length."""
        expected = self._tick + (t_ns - self._t_ns) * self.tick_hz // SECOND_NS
        return expected + ((raw_tick - expected + (1 << 31)) & MASK) - (1 << 31)


class Reader(NamedTuple):
    """Reads one kind of frame: whole records of *size* bytes behind *skip*, or exactly one."""

    read: Callable[[list[Frame], int], list[Block]]
    size: int
    skip: int = 0
    single: bool = False

    def fits(self, payload: bytes) -> bool:
        """Whether the payload's length is one that such a frame can have."""
        records, odd = divmod(len(payload) - self.skip, self.size)
        return not odd and (records == 1 or (records > 1 and not self.single))


class UnitDecoder(PushedDecoder):
    """Frames to blocks. The ticks in a frame lie before the frame's own, which settles wraps."""

    ECHO_NS = 5 * SECOND_NS
    """An echo that took longer bounds nothing: its token is of another clock or opening."""

    def __init__(self, hello: Hello, byte_ns: float) -> None:
        super().__init__(byte_ns)
        self.hello = hello
        self.order = Order(hello.tick_hz)
        self._grace = int(GRACE_S * hello.tick_hz)
        self.unknown = self.malformed = self.echoes_refused = self.rows_refused = 0
        self.ignition_lost = self.digital_lost = 0
        self._last: dict[str, int] = {}
        self._edges: dict[int, tuple[int, int]] = {}
        self._bounds: dict[str, int] = {}
        self._base_segment = self.segment
        self._readers = {
            IGNITION: Reader(self._ignition, PAIR.itemsize),
            DIGITAL: Reader(self._digital, LEVELS.itemsize),
            ECHO: Reader(self._echo, ECHOED.itemsize, single=True),
            OUTPUT: Reader(self._output, 4, single=True),
        }
        if hello.encoders:
            self._readers[ENCODER] = Reader(self._encoders, PAIR.itemsize * hello.encoders, 4)
        for number, group in enumerate(hello.analogue):
            reader = Reader(partial(self._analogue, number), group.row_bytes, 4)
            self._readers[ANALOGUE + number] = reader

    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        """Spans of valid frames with their delimiters.

        A code longer than any frame is forgotten but for its last bytes, so that it stays too
        long until its end comes.
        """
        data = bytes(buffer)
        spans: list[Span] = []
        done = first = 0
        *codes, rest = data.split(b"\0")
        for code in codes:
            end = first + len(code)
            if code:
                if open_code(code) is None:
                    self.frames_bad += 1
                else:
                    leading = first - 1 if first > done else first
                    spans.append((leading, end + 1))
                done = end + 1
            first = end + 1
        # a delimiter just before the rest may be the one that opens the next frame
        done = max(done, first - 1)
        return spans, done if len(rest) <= LONGEST_CODE else len(data) - LONGEST_CODE - 1

    def rows(self, frames: list[bytes], begun_by: Ints) -> list[Block]:
        """Blocks of all streams, cut where a new segment begins."""
        if self._base_segment != self.segment:
            self._base_segment = self.segment
            self.order.forget()
            self._forget()
        blocks: list[Block] = []
        kinds: dict[int, list[Frame]] = {}
        for code, t_hi in zip(frames, begun_by.tolist()):
            body = cobs.decode(code.strip(b"\0"))
            kind, reset, sequence, raw_tick = HEADER.unpack_from(body)
            if kind >= TO_UNIT:  # a looped line brings our own requests back
                self.unknown += 1
                continue
            breaks = self.order.breaks
            tick = self.order.place(reset, sequence, raw_tick, t_hi)
            if breaks != self.order.breaks:
                blocks += self._blocks(kinds, self.segment + breaks)
                kinds = {}
                self._forget()
            if tick is not None:
                kinds.setdefault(kind, []).append(Frame(tick, t_hi, body[HEADER.size : -4]))
        return blocks + self._blocks(kinds, self.segment + self.order.breaks)

    def _forget(self) -> None:
        self._last.clear()
        self._edges.clear()
        self._bounds.clear()

    def report(self) -> dict[str, int | float | str]:
        """Frames accepted, refused and lost, the unit's resets, edges that it or the line lost."""
        return super().report() | {
            "frames_lost": self.order.lost,
            "frames_late": self.order.late,
            "frames_unknown": self.unknown,
            "frames_malformed": self.malformed,
            "unit_resets": self.order.resets,
            "clock_breaks": self.order.breaks - self.order.resets,
            "ignition_edges_lost": self.ignition_lost,
            "digital_edges_lost": self.digital_lost,
            "echoes_refused": self.echoes_refused,
            "rows_refused": self.rows_refused,
        }

    def _blocks(self, kinds: dict[int, list[Frame]], segment: int) -> list[Block]:
        blocks: list[Block] = []
        for kind, frames in kinds.items():
            if kind in self._readers:
                reader = self._readers[kind]
                fit = [frame for frame in frames if reader.fits(frame.payload)]
                self.malformed += len(frames) - len(fit)
                blocks += reader.read(fit, segment) if fit else []
            elif kind != HELLO:
                self.unknown += len(frames)
        return [block for block in blocks if len(block)]

    def _block(
        self,
        stream: str,
        times: tuple[Ints, Ints],
        raw: dict[str, Ints],
        segment: int,
        t_lo: Ints | None = None,
    ) -> Block:
        """A block of the rows whose ticks do not run back."""
        index, t_hi = times
        t_hi = np.maximum.accumulate(np.append(self._bounds.get(stream, t_hi[0]), t_hi))[1:]
        self._bounds[stream] = int(t_hi[-1])
        latest = np.maximum.accumulate(np.append(self._last.get(stream, index[0]), index))
        self._last[stream] = int(latest[-1])
        keep = index >= latest[:-1]
        refused = len(index) - int(keep.sum())
        if refused:
            self.rows_refused += refused
            index, t_hi = index[keep], t_hi[keep]
            raw = {name: values[keep] for name, values in raw.items()}
            t_lo = None if t_lo is None else t_lo[keep]
        return Block(stream, t_hi, raw, t_lo, index, segment)

    def _unwrap(self, name: str, values: NDArray[Any], bits: int = 32) -> Ints:
        """A counter of *bits* made to run on; a segment's first value is taken as signed."""
        half, whole = 1 << bits - 1, (1 << bits) - 1
        before = self._last.get(name, 0)
        known = np.append(np.int64(before), values.astype(np.int64))
        steps: Ints = known[1:] - known[:-1]
        count: Ints = before + np.cumsum((steps + half & whole) - half)
        self._last[name] = int(count[-1])
        return count

    def _before(self, tick: Ints, raw: NDArray[Any]) -> Ints:
        """What the 32 bits *raw* mean: a moment within the turn that ends at *tick* and its grace.

        Broadcasts; int64 ticks, unwrapped.
        """
        return tick + self._grace - (tick + self._grace - raw.astype(np.int64) & MASK)

    def _event_times(self, frames: list[Frame], records: NDArray[Any]) -> tuple[Ints, Ints]:
        """Tick and time bound of each event."""
        counts = np.array([len(frame.payload) // records.dtype.itemsize for frame in frames])
        tick, t_hi = _spread(frames, counts)
        return self._before(tick, records["tick"]), t_hi

    def _sample_times(self, frames: list[Frame], size: int, period_ticks: int) -> tuple[Ints, Ints]:
        """Tick and time bound of each sample, from the tick of its frame's first sample.

        The bound of the frame is drawn forward by the ticks that passed between its last sample
        and its own tick, for what the unit's crystal may at worst be wrong by.
        """
        counts = np.array([(len(frame.payload) - 4) // size for frame in frames])
        tick, t_hi = _spread(frames, counts)
        raw = _join([f._replace(payload=f.payload[:4]) for f in frames], U4)
        number = np.arange(len(tick)) - np.repeat(np.cumsum(counts) - counts, counts)
        index = self._before(tick, np.repeat(raw, counts)) + number * period_ticks
        last = np.repeat(index[np.cumsum(counts) - 1], counts)
        passed_ns = (tick - last) * (SECOND_NS * (1 - CRYSTAL_ERROR) / self.hello.tick_hz)
        return index, t_hi - np.maximum(passed_ns, 0.0).astype(np.int64)

    # --- one reader for each kind of frame

    def _encoders(self, frames: list[Frame], segment: int) -> list[Block]:
        sets = self.hello.encoders
        table = _join(frames, PAIR, 4).reshape(-1, sets)
        times = self._sample_times(frames, PAIR.itemsize * sets, self.hello.encoder_period_ticks)
        return [self._encoder(n + 1, table[:, n], times, segment) for n in range(sets)]

    def _encoder(
        self, number: int, pairs: NDArray[Any], times: tuple[Ints, Ints], segment: int
    ) -> Block:
        name = f"encoder_{number}"
        raw = {
            f"{name}_count": self._unwrap(f"{name}_count", pairs["count"]),
            f"{name}_edge_tick": self._edge_ticks(number, pairs, times[0]),
        }
        return self._block(name, times, raw, segment)

    def _edge_ticks(self, number: int, pairs: NDArray[Any], index: Ints) -> Ints:
        """Ticks of the last edges, each before its sample.

        A roller that stands keeps its edge: after a turn of the tick its 32 bits alone would lie.
        """
        whole = np.ascontiguousarray(pairs).view("<u8")
        edge = self._before(index, pairs["tick"])
        stands = np.append(False, whole[1:] == whole[:-1])
        last = self._edges.get(number)
        if last is not None and last[0] == whole[0]:
            edge[0] = last[1]
        edge = edge[np.maximum.accumulate(np.where(stands, 0, np.arange(len(edge))))]
        self._edges[number] = int(whole[-1]), int(edge[-1])
        return edge

    def _analogue(self, number: int, frames: list[Frame], segment: int) -> list[Block]:
        group = self.hello.analogue[number]
        table = _join(frames, _dtype(group), 4).reshape(-1, len(group.inputs)).T.astype(np.int64)
        times = self._sample_times(frames, group.row_bytes, group.period_ticks)
        raw = dict(zip(group.inputs, table, strict=True))
        return [self._block(f"analogue_{number + 1}", times, raw, segment)]

    def _ignition(self, frames: list[Frame], segment: int) -> list[Block]:
        pairs = _join(frames, PAIR)
        before = self._last.get("ignition_edge")
        count = self._unwrap("ignition_edge", pairs["count"])
        self.ignition_lost += _missed(before, count, np.ones(len(count), np.int64))
        times = self._event_times(frames, pairs)
        return [self._block("ignition", times, {"ignition_edge": count}, segment)]

    def _digital(self, frames: list[Frame], segment: int) -> list[Block]:
        records = _join(frames, LEVELS)
        before = self._last.get("digital_edge")
        count = self._unwrap("digital_edge", records["count"], 16)
        changes = np.bitwise_count(records["changed"]).astype(np.int64)
        self.digital_lost += _missed(before, count, changes)
        names = [f"di{n + 1}" for n in range(self.hello.digital_inputs)]
        raw = _bits(records["levels"], names) | {"digital_edge": count}
        return [self._block("digital", self._event_times(frames, records), raw, segment)]

    def _echo(self, frames: list[Frame], segment: int) -> list[Block]:
        records = _join(frames, ECHOED)
        tick, t_hi = _spread(frames, np.ones(len(frames), np.int64))
        index, sent = self._before(tick, records["tick"]), self._before(tick, records["sent"])
        token = records["token"].astype(np.int64)
        believed = (t_hi >= token) & (t_hi - self.ECHO_NS <= token)
        self.echoes_refused += len(frames) - int(believed.sum())
        if not believed.any():
            return []
        times, raw = (index[believed], t_hi[believed]), {"echo_sent_tick": sent[believed]}
        return [self._block("echo", times, raw, segment, token[believed])]

    def _output(self, frames: list[Frame], segment: int) -> list[Block]:
        states = np.array([tuple(frame.payload[:2]) for frame in frames], np.int64)
        times = np.array([(frame.tick, frame.t_hi) for frame in frames], np.int64)
        raw = _bits(states[:, 0], OUTPUTS) | {"output_cause": states[:, 1]}
        return [self._block("output", (times[:, 0], times[:, 1]), raw, segment)]


def _join(frames: list[Frame], dtype: np.dtype[Any], skip: int = 0) -> NDArray[Any]:
    """All records of *frames*, one behind the other."""
    return np.frombuffer(b"".join(frame.payload[skip:] for frame in frames), dtype)


def _dtype(group: Group) -> np.dtype[Any]:
    """One count of the group as it lies in a frame."""
    return np.dtype(f"<{'i' if group.signed else 'u'}{group.count_bytes}")


def _spread(frames: list[Frame], counts: Ints) -> tuple[Ints, Ints]:
    """Tick and time bound of the frame that each record came in."""
    times = np.array([(frame.tick, frame.t_hi) for frame in frames], np.int64)
    return np.repeat(times[:, 0], counts), np.repeat(times[:, 1], counts)


def _bits(levels: NDArray[Any], names: Sequence[str]) -> dict[str, Ints]:
    """Each bit of *levels* as a channel of its own, the lowest first."""
    return {name: (levels >> n & 1).astype(np.int64) for n, name in enumerate(names)}


def _missed(before: int | None, count: Ints, changes: Ints) -> int:
    """Changes that the running count knows of and no record tells."""
    known = int(count[0] - changes[0]) if before is None else before
    return max(0, int(count[-1]) - known - int(changes.sum()))
