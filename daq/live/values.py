"""The live view: decodes what is committed, keeps each channel's latest, watches limits."""

from __future__ import annotations

import logging
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, ChannelConfig, speed_channels
from daq.channels import BenchChannel, bench_channels
from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.decode import BenchDecoder
from daq.driver import Block, Channel, Chunk, Stream
from daq.entries import ChunkRow, Entry, MarkRow, NoteRow
from daq.evaluation import inputs_of
from daq.live.devices import Devices, DeviceState
from daq.live.limits import LimitEvent, LimitWatch
from daq.live.reading import RUNNING, Reading, judge, rounded
from daq.live.speed import LiveSpeed
from daq.live.track import RATE_NS, Track
from daq.motion import edge_channel
from daq.status import SampleStatus
from daq.timebase.live import LiveClock

log = logging.getLogger("daq.main")

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
LAZY_NS = 52 * MILLISECOND_NS
"""Where only the latest counts, a wire's bytes wait for so long, that is for every other commit:
half as many calls of a decoder cost half as much."""
Key = tuple[str, str]
"""Device and the driver's name of a channel or stream."""


class Sample(NamedTuple):
    """A new value of a channel at host time *t_ns*."""

    channel: str
    t_ns: int
    value: float


class Live:
    """Feed it the journal's entries; ask for a snapshot.

    All rows of the channels in *wanted* are returned as samples; of the others the last row of
    each block is kept and its value computed when a snapshot is taken. Not for use by several
    threads.
    """

    def __init__(self, bench: Bench, wanted: Iterable[str] = ()) -> None:
        self.bench, self._wanted = bench, frozenset(wanted)
        self.devices = Devices(bench)
        self.limit_events: list[LimitEvent] = []
        self.tracks: dict[str, Track] = {}
        self.watches: dict[str, LimitWatch] = {}
        self._decoder = BenchDecoder(bench, batch_bytes=0)
        self._at: dict[Key, Track] = {}
        self._inputs: dict[str, dict[str, str]] = {}
        self._held: dict[str, list[Chunk]] = {}
        self._urgent: set[str] = set()
        self._shown: dict[str, Reading] = {}
        self._shown_of: tuple[str, dict[str, DeviceState]] = ("", {})
        self._streams: dict[str, tuple[Stream, ...]] = {}
        self._clocks: dict[Key, LiveClock] = {}
        self._speeds = {
            name: (bench.roller_set[roller].encoder, LiveSpeed(bench.roller_set[roller]))
            for name, roller in speed_channels(bench).items()
        }
        self._unsupported: frozenset[str] = frozenset()
        self._know_channels()

    @property
    def wanted(self) -> frozenset[str]:
        """Channels of which every row is returned."""
        return self._wanted

    @wanted.setter
    def wanted(self, wanted: Iterable[str]) -> None:
        if wanted != self._wanted:
            self._wanted = frozenset(wanted)
            self._find_urgent()

    def _find_urgent(self) -> None:
        """The wires whose bytes are decoded as they come."""
        names = {*self._wanted, *self.watches, *(w.config.against for w in self.watches.values())}
        self._urgent = {
            self.bench.device[self.tracks[name].channel.device].wire
            for name in names
            if name in self.tracks
        }

    # --- what comes in

    def feed(self, entry: Entry) -> list[Sample]:
        """Take one entry of the journal; new values of the wanted channels, in order for each.

        Limit events are added to ``limit_events``. Of a wire without a wanted or limited channel
        the bytes wait for a snapshot.
        """
        if isinstance(entry, ChunkRow) and entry.wire not in self._urgent:
            self._held.setdefault(entry.wire, []).extend(entry.chunks)
            return []
        if isinstance(entry, ChunkRow | NoteRow):
            self._let_go(entry.wire)
        return self._decode(entry)

    def _let_go(self, wire: str) -> None:
        """Decode what waits of a wire."""
        if held := self._held.pop(wire, None):
            self._decode(ChunkRow(-1, wire, held))

    def _decode(self, entry: Entry) -> list[Sample]:
        samples: list[Sample] = []
        for device, block in self._decoder.feed(entry):
            self.devices.row(device, len(block), int(block.t_hi[-1]))
            samples += self._take(device, block)
        if isinstance(entry, NoteRow):
            self.devices.note(entry)
            self._know_channels()
        elif isinstance(entry, MarkRow) and entry.kind == "acquisition_started":
            self.devices.acquisition_started(entry.t_ns)
        return samples

    def _take(self, device: str, block: Block) -> list[Sample]:
        samples: list[Sample] = []
        times = self._times(device, block)
        for name, raw in block.raw.items():
            track = self._at.get((device, name))
            if track is None:
                continue
            t_ns, missing = times, block.missing.get(name)
            if missing is not None:
                t_ns, raw = t_ns[~missing], raw[~missing]
            if len(raw):
                track.take(t_ns, raw)
                samples += self._watch(track, t_ns, raw)
        for name, (encoder, speed) in self._speeds.items():
            if (count := self._count_of(encoder, device, block)) is not None:
                samples += self._take_speed(self.tracks[name], speed, block, count, times)
        return samples

    def _times(self, device: str, block: Block) -> Ints:
        """Host time of each row: by the device's ticks where it has some, else its bound."""
        clock = self._clocks.get((device, block.stream))
        if clock is None or block.index is None:
            return block.t_hi
        return clock.times(block.index, block.t_hi, block.segment)

    def _watch(self, track: Track, t_ns: Ints, raw: NDArray[Any]) -> list[Sample]:
        """Where every row's value is needed: for the caller, or to judge limits."""
        name = track.channel.name
        if name not in self.wanted and name not in self.watches:
            return []
        latest = self._latest_inputs(name)
        if latest is None:
            return []
        inputs = {asked: np.full(len(raw), value) for asked, value in latest.items()}
        value, _ = track.channel.value(raw, inputs)
        return self._judge(name, t_ns, value)

    def _judge(self, name: str, t_ns: Ints, value: Floats) -> list[Sample]:
        watch = self.watches.get(name)
        if watch is not None:
            load = self._load(watch.config.against, int(t_ns[-1]))
            self.limit_events += watch.feed(t_ns, value, load)
        if name not in self.wanted:
            return []
        return [Sample(name, t, x) for t, x in zip(t_ns.tolist(), value.tolist())]

    def _load(self, name: str, t_ns: int) -> float | None:
        """The load channel's latest value, None when it is old."""
        track = self.tracks.get(name)
        if track is None or not track.seen or track.stale(t_ns):
            return None
        return self._value(name)

    # --- roller speed, a channel of its own

    def _count_of(self, encoder: str, device: str, block: Block) -> str | None:
        """The driver's name of the count in *block*, if it is this encoder's."""
        owner, _, name = encoder.partition(".")
        if owner != device:
            return None
        config = self.bench.device[device].channels.get(name)
        name = (config.input if config is not None else "") or name
        return name if name in block.raw else None

    def _take_speed(
        self, track: Track, speed: LiveSpeed, block: Block, count: str, times: Ints
    ) -> list[Sample]:
        hz = track.channel.stream.index_hz
        ticks = block.raw.get(edge_channel(count))
        if block.index is not None and hz:
            at = block.index / hz
            edge = None if ticks is None else ticks / hz
        else:
            at, edge = times / SECOND_NS, None
        value = speed.feed(at, block.raw[count], edge, block.segment)
        known = np.isfinite(value)
        if not known.any():
            return []
        t_ns, value = times[known], value[known]
        track.take(t_ns, value)
        return self._judge(track.channel.name, t_ns, value)

    # --- channels

    def _know_channels(self) -> None:
        """Take over the channels of the devices as they have been identified."""
        streams = {name: d.record.streams for name, d in self._decoder.devices.items()}
        if streams == self._streams:
            return
        self._streams = streams
        self._clocks = {
            (device, stream.name): self._clocks.get((device, stream.name))
            or LiveClock(stream.index_hz)
            for device, its in streams.items()
            for stream in its
            if stream.index_hz and stream.index_kind == "tick"
        }
        channels = {
            name: self._speed_channel(name, roller, streams)
            for name, roller in speed_channels(self.bench).items()
        }
        for name, channel in bench_channels(self.bench, streams).items():
            channels.setdefault(name, channel)
        delivered = {(d, c.name) for d, its in streams.items() for s in its for c in s.channels}
        for name, old in self.tracks.items():
            channels.setdefault(name, old.channel)
        tracks = {}
        for name, channel in channels.items():
            tracks[name] = self.tracks.get(name) or Track(channel)
            tracks[name].channel = channel
        self.tracks = tracks
        self._at = {(c.device, c.input.name): tracks[n] for n, c in channels.items()}
        self._unsupported = frozenset(
            name
            for name, c in channels.items()
            if (c.device, c.input.name) not in delivered and name not in self._speeds
        )
        self._inputs = {name: _inputs(channel) for name, channel in channels.items()}
        for name, channel in channels.items():
            if channel.config.limit is not None and name not in self.watches:
                self.watches[name] = LimitWatch(name, channel.config.limit)
        self._shown = {}
        self._find_urgent()

    def _speed_channel(
        self, name: str, roller: str, streams: Mapping[str, Iterable[Stream]]
    ) -> BenchChannel:
        config = self.bench.roller_set[roller]
        device, _, count = config.encoder.partition(".")
        listed = self.bench.device[device].channels.get(count)
        count = (listed.input if listed is not None else "") or count
        stream = next(
            (s for s in streams[device] if any(c.name == count for c in s.channels)),
            Stream("encoder", ()),
        )
        about = f"speed of roller set {roller}, mean over 80 ms"
        channel = Channel(name, "m/s", about, quantity="speed", decimal=True)
        return BenchChannel(name, device, stream, channel, ChannelConfig(), listed=True)

    # --- values

    def _value(self, name: str) -> float:
        """A channel's latest value in its unit, NaN where it has none."""
        track = self.tracks[name]
        if track.raw is None or not (track.fresh or self._inputs[name]):
            return track.value
        track.fresh = False
        latest = self._latest_inputs(name)
        if latest is None:
            track.value, track.status = float("nan"), int(SampleStatus.DRIVER_FLAGGED)
        else:
            track.value, track.status = value_of(track.channel, track.raw, latest)
        return track.value

    def _latest_inputs(self, name: str) -> dict[str, float] | None:
        """Latest values of what a channel's calibration asks for; None when one was never seen."""
        latest = {}
        for asked, other in self._inputs[name].items():
            if other not in self.tracks or not self.tracks[other].seen:
                return None
            latest[asked] = self._value(other)
        return latest

    # --- what goes out

    def snapshot(self, heard_ns: int, silence: str = "") -> dict[str, Reading]:
        """Every channel as it is, by name.

        *heard_ns*: host time up to which everything that was read has been committed and fed.
        *silence*: why acquisition does not answer, empty when it does.
        """
        for wire in [w for w, held in self._held.items() if heard_ns - held[0].t_ns >= LAZY_NS]:
            self._let_go(wire)
        if (silence, self.devices.states) != self._shown_of:
            self._shown, self._shown_of = {}, (silence, dict(self.devices.states))
        readings = {
            name: self._shown_still(name, heard_ns) or self._reading(name, heard_ns, silence)
            for name in self.tracks
        }
        self._shown = readings
        return readings

    def _shown_still(self, name: str, heard_ns: int) -> Reading | None:
        """The last reading, where nothing can have changed since."""
        track, reading = self.tracks[name], self._shown.get(name)
        if reading is None or reading.state != RUNNING or self._inputs[name]:
            return None
        if (reading.t_ns, reading.raw) != (track.t_ns, track.raw):
            return None
        return None if heard_ns - track.t_ns > min(track.patience_ns, RATE_NS) else reading

    def _reading(self, name: str, heard_ns: int, silence: str) -> Reading:
        track = self.tracks[name]
        value = self._value(name)
        device = self.devices.states[track.channel.device]
        state, why = judge(track, device, heard_ns, silence, name not in self._unsupported)
        watch = self.watches.get(name)
        rate = track.rate_hz(heard_ns) if track.seen else None
        return Reading(
            track.channel,
            track.raw,
            rounded(value),
            track.status,
            track.t_ns,
            None if rate is None else float(f"{rate:.4g}"),
            state,
            why,
            watch.level.word if watch is not None else "ok",
        )


def _inputs(channel: BenchChannel) -> dict[str, str]:
    """What a channel's calibration calls its inputs, and the bench channels that they are."""
    if channel.calibration is None:
        return {}
    return dict(zip(channel.calibration.inputs, inputs_of(channel), strict=True))


def value_of(
    channel: BenchChannel, raw: float | int, latest: Mapping[str, float]
) -> tuple[float, int]:
    """Value and status of one reading, as ``channel.value`` gives for rows of them."""
    status = 0
    if channel.calibration is None:  # the usual case, ten times as fast without arrays
        value = raw * channel.input.scale + channel.input.offset
    else:
        inputs = {asked: np.array([value]) for asked, value in latest.items()}
        values, flags = channel.calibration.apply(np.array([raw]), inputs)
        value, status = float(values[0]), int(flags[0])
    low, high = channel.low, channel.high
    if (low is not None and value < low) or (high is not None and value > high):
        status |= int(SampleStatus.OUT_OF_RANGE)
    return value, status
