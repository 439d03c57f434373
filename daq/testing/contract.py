"""The driver contract: what every driver must keep, as one test class to subclass.

A subclass names the driver, gives its configuration and a *maker* of its simulated counterpart::

    class TestScale(DriverContract):
        driver = Scale
        settings = {"rate_hz": 10.0}

        def simulated(self) -> Simulated:
            return SimulatedScale(seed=1)

Everything then runs the driver's own code over a real pseudo-terminal. :func:`broken` runs all
checks without pytest's collecting and returns those that fail.
"""

from __future__ import annotations

import json
import random
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, is_dataclass, replace
from typing import Any, ClassVar

import pytest

from daq import config, units
from daq.driver import Block, Chunk, ChunkKind, Driver, Preface, Stream
from daq.errors import ConfigError, DeviceError
from daq.reader import Port
from daq.testing import faults
from daq.testing.line import Line
from daq.testing.rows import Row, counts, differences, malformed, tables, untrue
from daq.testing.simulated import Simulated, Truth
from daq.testing.watch import no_clock, opened_files, resources
from daq.wire.serial import SerialPort

CALL_S = 0.25
"""Longest that one call of a conversation may take."""
WAKES_PER_S = 2_000
"""More than this is a conversation that spins."""


@dataclass(frozen=True)
class Capture:
    """What a line gave in ``capture_s``: the record, its preface, and what was true."""

    chunks: Sequence[Chunk]
    preface: Preface
    truth: Sequence[Truth]


class DriverContract:
    """Subclass once per driver; see the module's text."""

    driver: ClassVar[type[Driver]]
    settings: ClassVar[Mapping[str, Any]] = {}
    """The driver's keys of a sound configuration."""
    documents: ClassVar[Mapping[str, bytes]] = {}
    """The files that the configuration names."""
    wire: ClassVar[Mapping[str, Any]] = {"kind": "serial", "byte_ns": 0.0}
    """Facts of the wire for the preface. A pseudo-terminal's bytes take no time, so ``byte_ns``
    is 0 unless the simulated device paces them."""
    polled: ClassVar[bool] = False
    """The device only answers: silence loses it, and late answers are tried."""
    checked: ClassVar[bool] = True
    """A damaged frame is refused by a checksum; False where the protocol has none worth the
    name, so that a damaged frame may give a wrong row (and no other frame may)."""
    capture_s: ClassVar[float] = 0.6
    silence_s: ClassVar[float] = 5.0
    """Longest time after which a polled device that says nothing must be reported as lost."""
    late_s: ClassVar[float] = 0.3
    """How late the late answer comes: longer than the driver's time-out."""
    edge_bytes: ClassVar[int] = 2
    """Bytes at a frame's end that also part it from the next one: damage there may cost both."""
    damages: ClassVar[int] = 60
    noise_bytes: ClassVar[int] = 4_000

    _captures: ClassVar[dict[type, Capture]] = {}

    # --- makers, for a subclass to give or to override

    def simulated(self) -> Simulated:
        """A new simulated counterpart, not started."""
        raise NotImplementedError

    def make(self) -> Driver:
        """A new driver by the configuration."""
        return self.driver(config.load(self.driver.Config, self.settings), self.documents)

    def open_port(self, path: str) -> Port:
        """Open the port as the wire does."""
        return SerialPort(path, baud=115_200)

    def damage(self, chunks: Sequence[Chunk], position: int, rng: random.Random) -> list[Chunk]:
        """*chunks* with the received byte at *position* damaged."""
        return faults.flip(chunks, position, rng)

    def line(self, path: str) -> Line:
        """The driver on the line *path*, not opened."""
        return Line(self.make(), lambda: self.open_port(path), "tested", self.wire)

    def capture(self) -> Capture:
        """What the sound device gives on a sound line; recorded once for the class."""
        kept = self._captures.get(type(self))
        if kept is None:
            with self._plugged() as device, self.line(device.path) as line:
                line.run(self.capture_s)
                line.close()
                assert line.preface is not None, "the device was not identified"
                kept = Capture(tuple(line.chunks), line.preface, device.truth())
            self._captures[type(self)] = kept
        return kept

    def streams(self) -> tuple[Stream, ...]:
        """The streams of the captured device."""
        return self.make().streams(self.capture().preface.found)

    def decode(self, chunks: Sequence[Chunk], batch: int = 0) -> list[Block]:
        """Rows of *chunks*, all at once or *batch* chunks at a time."""
        decoder = self.make().decoder(self.capture().preface)
        step = batch or max(1, len(chunks))
        parts = [decoder.feed(chunks[n : n + step]) for n in range(0, len(chunks), step)]
        return [block for part in parts for block in part]

    # --- what the driver says of itself

    def test_facts_stated(self) -> None:
        """Summary, rung, wires and record versions are stated."""
        cls = self.driver
        assert cls.summary.strip(), "summary: expected one line"
        assert "\n" not in cls.summary, "summary: expected one line"
        assert cls.rung in ("simulated", "captured", "benched"), f"rung: got {cls.rung!r}"
        assert cls.wires, "wires: expected serial or can"
        assert cls.wires <= {"serial", "can"}, f"wires: got {sorted(cls.wires)}"
        assert cls.record_version in cls.reads_versions, "it does not read its own record"

    def test_no_io_before_open(self) -> None:
        """Making a driver and its halves opens nothing, starts nothing and reads no clock."""
        preface = self.capture().preface
        before = resources()
        with opened_files() as opened, no_clock():
            driver = self.make()
            driver.streams(preface.found)
            driver.conversation()
            driver.decoder(preface)
        assert not opened, f"before the wire is open, the driver opens {opened}"
        assert resources() == before, "before the wire is open, the driver takes descriptors"

    def test_units_known(self) -> None:
        """Every channel has a unit of the closed list, and one that suits its quantity."""
        for channel in self._channels():
            unit = units.unit(channel.unit)
            assert unit.stored, f"channel {channel.name}: {unit.name!r} is for display only"
            if channel.quantity:
                units.check(channel.quantity, channel.unit)

    def test_sources_given(self) -> None:
        """The driver's text has a `Source:` line and every channel says where its scaling is from.

        A driver that takes its channels from a document says so by that line.
        """
        module = sys.modules[self.driver.__module__].__doc__ or ""
        text = module + (self.driver.__doc__ or "")
        assert "Source:" in text, "neither the module's text nor the class's has a Source: line"
        for channel in self._channels():
            assert channel.description, f"channel {channel.name}: no description"
            assert channel.source, f"channel {channel.name}: no source"

    def test_unknown_key_refused(self) -> None:
        """A misspelt key is named together with the right one."""
        cls = self.driver.Config
        assert is_dataclass(cls), "Config: expected a frozen dataclass"
        for name in [field.name for field in fields(cls) if field.init]:
            wrong = name[:-1] + "_" + name[-1]
            with pytest.raises(ConfigError) as caught:
                config.load(cls, {**self.settings, wrong: 0})
            text = str(caught.value)
            assert f"{wrong}: no such key; did you mean '{name}'?" in text, text
        with pytest.raises(ConfigError, match="no such key"):
            config.load(cls, {**self.settings, "zzz": 0})

    def test_absent_port_named(self) -> None:
        """A port that is not there is a DeviceError that names it."""
        with pytest.raises(DeviceError, match="/nowhere/at-all"):
            self.line("/nowhere/at-all").open()

    # --- decoding

    def test_values_true(self) -> None:
        """Rows are what the device sampled, each within its time bounds."""
        capture = self.capture()
        blocks = self.decode(capture.chunks)
        streams = self.streams()
        distinct = {row for table in tables(streams, blocks).values() for row in table.rows}
        assert len(distinct) > 2, f"only {len(distinct)} different rows came: nothing is shown"
        _none(untrue(streams, blocks, capture.truth, gaps=self.polled))

    def test_true_in_any_cut(self) -> None:
        """The same rows however the bytes are cut, and however many chunks are fed at once."""
        chunks = self.capture().chunks
        whole = self.decode(chunks)
        for seed in range(12):
            rng = random.Random(seed)
            pieces = faults.cut(chunks, rng, longest=rng.choice((1, 2, 7, 61, 400)))
            batch = rng.choice((0, 1, 3, 50))
            _none(differences(self.streams(), whole, self.decode(pieces, batch)))

    def test_noise_costs_only_what_it_touches(self) -> None:
        """One damaged byte costs the rows of its frame at most, and alters no row unseen."""
        chunks, ends = self._frame_ends()
        streams = self.streams()
        clean = _rows(streams, self.decode(chunks))
        if {name: len(rows) for name, rows in clean.items() if rows} != _totals(ends):
            pytest.skip("rows depend on the cut, as another check reports")
        every = sorted({at for rows in ends.values() for at, _ in rows})
        assert len(every) > 5, f"only {len(every)} frames came in {self.capture_s:g} s"
        rng = random.Random(1)
        size = every[-3]  # a row in doubt is decided by what follows it
        for _ in range(self.damages):
            position = rng.randrange(size)
            damaged = _rows(streams, self.decode(self.damage(chunks, position, rng)))
            for name, rows in clean.items():
                first, end = self._touched(ends, position, name)
                problem = _loss(rows, damaged[name], first, end, self.checked)
                assert not problem, f"byte {position} damaged: stream {name}: {problem}"

    def test_no_false_frame(self) -> None:
        """Garbage gives no row, raises nothing, and what follows it is decoded."""
        chunks = self.capture().chunks
        streams = self.streams()
        clean = _rows(streams, self.decode(chunks))
        for seed in range(4):
            noise = faults.garbage(random.Random(seed), 3_000)
            dirt = Chunk(ChunkKind.RX, chunks[0].t_ns, noise)
            assert not self.checked or not counts(self.decode([dirt])), "garbage became a row"
            after = _rows(streams, self.decode([chunks[0], dirt, *chunks[1:]]))
            for name, rows in clean.items():
                lost = _first_frame(self._frame_ends()[1], name)
                tail = rows[lost:]
                assert after[name][len(after[name]) - len(tail) :] == tail, (
                    f"stream {name}: garbage before the first frame costs more than that frame"
                )

    def test_blocks_well_formed(self) -> None:
        """Blocks have the declared streams, channels, dtypes and lengths, and are in order."""
        chunks = self.capture().chunks
        _none(malformed(self.streams(), self.decode(chunks)))
        _none(malformed(self.streams(), self.decode(faults.cut(chunks, random.Random(2)), 1)))

    def test_decoder_deterministic(self) -> None:
        """The same bytes give the same rows, without a clock; and bad bytes are counted."""
        chunks = self.capture().chunks
        with no_clock():
            one, two = self.decode(chunks), self.decode(chunks)
        _none(differences(self.streams(), one, two))
        decoder = self.make().decoder(self.capture().preface)
        decoder.feed(chunks)
        report = decoder.report()
        for name in ("frames_ok", "frames_bad"):
            assert isinstance(report.get(name), int), f"report: {name} is missing"
        json.dumps(report)

    def test_record_version_refused(self) -> None:
        """A record of a later version is refused by a DeviceError, not misread."""
        later = replace(self.capture().preface, record_version=max(self.driver.reads_versions) + 1)
        with pytest.raises(DeviceError):
            self.make().decoder(later)

    def test_preface_survives_json(self) -> None:
        """The preface that the journal keeps decodes as the live one does."""
        capture = self.capture()
        preface = capture.preface
        kept = Preface(
            **json.loads(json.dumps({f.name: getattr(preface, f.name) for f in fields(preface)}))
        )
        live = self.make().decoder(preface).feed(capture.chunks)
        again = self.make().decoder(kept).feed(capture.chunks)
        _none(differences(self.make().streams(kept.found), live, again))

    # --- on the line

    def test_silence_returns(self) -> None:
        """A hung device blocks nothing; a polled one is reported as lost, by its question."""
        with self._plugged(quiet=True) as device, self.line(device.path) as line:
            if self.polled:
                with pytest.raises(DeviceError, match=r"no answer to .* within .* s"):
                    line.run(self.silence_s)
            else:
                self._run_unless_lost(line)
            _prompt(line, self.silence_s)
            assert not counts(line.decode()), "rows came out of silence"

    def test_unplugged_is_device_error(self) -> None:
        """A pulled plug is a DeviceError that names the device or its port."""
        with self._plugged() as device, self.line(device.path) as line:
            line.run(self.capture_s / 3)
            device.unplug()
            with pytest.raises(DeviceError):
                line.run(self.silence_s)

    def test_reopens(self) -> None:
        """After a reopening rows are true again, in a later segment."""
        with self._plugged() as device, self.line(device.path) as line:
            line.run(self.capture_s)
            early = line.decode()
            was_true = not untrue(self.streams(), early, device.truth(), gaps=True)
            device.unplug()
            with pytest.raises(DeviceError):
                line.run(self.silence_s)
            line.close()
            device.replug()
            line.open()
            line.run(self.capture_s)
            line.close()
            blocks = line.decode()
            before, after = counts(early), counts(blocks)
            assert any(after[name] > before.get(name, 0) for name in after), "no rows came back"
            last = blocks[-1].segment
            assert last > blocks[0].segment, "the segment does not grow when the wire is reopened"
            if not malformed(self.streams(), early):  # else that is what is reported
                _none(malformed(self.streams(), blocks))
            if was_true:
                _none(untrue(self.streams(), blocks, device.truth(), gaps=True))

    def test_leaks_nothing(self) -> None:
        """Opening and closing leaves no descriptor and no thread behind."""
        with self._plugged() as device:
            line = self.line(device.path)
            line.open()
            line.close()
            before = resources()
            for _ in range(5):
                line.open()
                line.run(0.02)
                line.close()
            assert resources() == before, f"left behind: {resources()}, before: {before}"

    def test_late_answer_never_passes(self) -> None:
        """An answer that comes too late is not taken for the answer to a later request."""
        if not self.polled:
            pytest.skip("the device is not polled")
        with self._plugged() as device, self.line(device.path) as line:
            line.run(self.capture_s / 2)
            before = sum(counts(line.decode()).values())
            for lateness in (self.late_s, 1.6 * self.late_s):
                device.late(lateness)
                line.run(lateness + self.capture_s)
            line.close()
            blocks = line.decode()
            _none(untrue(self.streams(), blocks, device.truth(), gaps=True))
            assert sum(counts(blocks).values()) > before, "no rows after the late answer"
            _prompt(line, 3 * self.late_s + 3 * self.capture_s)

    # --- parts of the checks

    @contextmanager
    def _plugged(self, quiet: bool = False) -> Iterator[Simulated]:
        device = self.simulated()
        device.hush(quiet)
        device.start()
        try:
            yield device
        finally:
            device.stop()

    def _channels(self) -> list[Any]:
        found = [channel for stream in self.streams() for channel in stream.channels]
        assert found, "the driver declares no channel"
        return found

    def _run_unless_lost(self, line: Line) -> None:
        try:
            line.run(min(self.silence_s, 1.0))
        except DeviceError:
            return

    def _frame_ends(self) -> tuple[list[Chunk], dict[str, list[tuple[int, int]]]]:
        """A record of ``noise_bytes`` at most, and by stream (bytes received, rows so far)."""
        size, chunks = 0, []
        for chunk in self.capture().chunks:
            if chunk.kind == ChunkKind.RX:
                chunk = chunk._replace(data=chunk.data[: self.noise_bytes - size])
                size += len(chunk.data)
            chunks.append(chunk)
            if size >= self.noise_bytes:
                break
        decoder = self.make().decoder(self.capture().preface)
        ends: dict[str, list[tuple[int, int]]] = {}
        at, total = 0, dict[str, int]()
        for piece in faults.cut(chunks, random.Random(0), longest=1):
            at += len(piece.data) if piece.kind == ChunkKind.RX else 0
            for name, more in counts(decoder.feed([piece])).items():
                total[name] = total.get(name, 0) + more
                ends.setdefault(name, []).append((at, total[name]))
        return chunks, ends

    def _touched(
        self, ends: dict[str, list[tuple[int, int]]], position: int, stream: str
    ) -> tuple[int, int]:
        """First and end row of *stream* that damage at byte *position* may cost.

        A frame reaches from the end of the one before it, of whatever stream, to its own end.
        """
        every = sorted({at for rows in ends.values() for at, _ in rows})
        number = next((n for n, at in enumerate(every) if position < at), len(every))
        if number == len(every):
            return sys.maxsize, sys.maxsize
        last = number
        if position >= every[number] - self.edge_bytes:
            last = min(number + 1, len(every) - 1)
        start = every[number - 1] if number else 0
        mine = ends.get(stream, [])
        first = max((rows for at, rows in mine if at <= start), default=0)
        end = max((rows for at, rows in mine if at <= every[last]), default=0)
        return first, end


def broken(contract: DriverContract) -> dict[str, str]:
    """Runs every check of *contract*; name to message of those that fail.

    Checks that skip themselves count as kept.
    """
    failed: dict[str, str] = {}
    names = [name for name in dir(contract) if name.startswith("test_")]
    for name in names:
        check: Callable[[], None] = getattr(contract, name)
        try:
            check()
        except pytest.skip.Exception:
            continue
        except (Exception, pytest.fail.Exception) as error:
            failed[name] = f"{type(error).__name__}: {error}"
    return failed


def _none(problems: Sequence[str]) -> None:
    assert not problems, "\n".join(problems)


def _rows(streams: Sequence[Stream], blocks: Sequence[Block]) -> dict[str, list[Row]]:
    return {name: table.rows for name, table in tables(streams, blocks).items()}


def _first_frame(ends: Mapping[str, list[tuple[int, int]]], stream: str) -> int:
    """Rows of *stream* that the first frame of the record holds."""
    mine = ends.get(stream, [])
    return mine[0][1] if mine else 0


def _totals(ends: Mapping[str, list[tuple[int, int]]]) -> dict[str, int]:
    return {name: rows[-1][1] for name, rows in ends.items()}


def _loss(clean: list[Row], damaged: list[Row], first: int, end: int, checked: bool) -> str:
    """What *damaged* lacks or adds outside rows *first* to *end* of *clean*; empty if nothing."""
    first, end = min(first, len(clean)), min(end, len(clean))
    tail = len(clean) - end
    if damaged[:first] != clean[:first]:
        return "an earlier row is lost or altered"
    if len(damaged) < first + tail or damaged[len(damaged) - tail :] != clean[end:]:
        return f"a later frame is lost or altered ({len(clean) - len(damaged)} rows fewer)"
    middle = damaged[first : len(damaged) - tail]
    if len(middle) > end - first:
        return "a false row appeared"
    left = iter(clean[first:end])
    if checked and not all(row in left for row in middle):
        return "a damaged frame was taken for true"
    return ""


def _prompt(line: Line, seconds: float) -> None:
    assert line.slowest_s < CALL_S, f"a call of the conversation took {line.slowest_s:.2f} s"
    spun = f"the conversation asked to be woken {line.wakes} times in {seconds:g} s"
    assert line.wakes < WAKES_PER_S * seconds, spun
