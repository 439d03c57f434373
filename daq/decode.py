"""Chunks to rows: the path that the live view, the finaliser and a replay share.

A device's decoder starts at its identification, or at a repeated preface when the record was cut;
before that its bytes are kept but not believed.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.driver import Block, Chunk, Decoder, Preface, Stream
from daq.entries import ChunkRow, Entry, NoteRow
from daq.errors import DaqError

BATCH_BYTES = 4_000_000
"""Bytes of one wire that are decoded at once: large enough for numpy, small enough for memory."""


@dataclass
class Rows:
    """All rows of one stream, joined; the fields are those of :class:`daq.driver.Block`.

    ``segment`` is int32[n]. Arrays are in the order of sampling.
    """

    device: str
    stream: Stream
    t_hi: NDArray[np.int64]
    t_lo: NDArray[np.int64] | None
    index: NDArray[np.int64] | None
    segment: NDArray[np.int32]
    raw: dict[str, NDArray[Any]]
    missing: dict[str, NDArray[np.bool_]]

    def __len__(self) -> int:
        return len(self.t_hi)

    def present(self, channel: str) -> NDArray[np.bool_] | slice:
        """Selects the rows that have a value of *channel*."""
        missing = self.missing.get(channel)
        return slice(None) if missing is None else ~missing


@dataclass
class DeviceRecord:
    """What decoding learnt of one device."""

    name: str
    wire: str
    driver: str
    prefaces: list[Preface] = field(default_factory=list)
    reports: list[Mapping[str, int | float | str]] = field(default_factory=list)
    streams: tuple[Stream, ...] = ()
    problems: list[str] = field(default_factory=list)
    opened: int = 0

    def report(self) -> dict[str, int | float | str]:
        """Counts added over all decoders that the device needed; texts and shares of the last."""
        total: dict[str, int | float | str] = {}
        for report in self.reports:
            for name, value in report.items():
                before = total.get(name)
                if isinstance(value, int) and isinstance(before, int):
                    total[name] = before + value
                else:
                    total[name] = value
        return total


class DeviceDecoder:
    """Follows one device through identifications, prefaces and breaks of its wire."""

    def __init__(self, bench: Bench, name: str) -> None:
        self.driver = bench.driver(name)
        self.record = DeviceRecord(name, bench.device[name].wire, bench.device[name].driver)
        self.record.streams = self.driver.streams({})
        self._decoder: Decoder | None = None
        self._believed = True
        self._segment_base = 0
        self._segment_last = -1

    def note(self, row: NoteRow) -> Chunk | None:
        """Take a note of the wire; returns it as a chunk when the decoder must see it."""
        kind = row.content.get("note")
        if kind == "opened":
            self._believed = False
            self.record.opened += 1
        mine = row.content.get("device") == self.record.name
        if mine and kind in ("identified", "preface"):
            if kind == "identified" or self._decoder is None:
                self._believed = True
                self._begin(Preface(**row.content["preface"]))
            return None
        if kind in ("opened", "closed", "lost"):
            return row.chunk
        return None

    def feed(self, chunks: list[Chunk]) -> list[Block]:
        """Rows of *chunks*, with segments that keep growing over all decoders."""
        if self._decoder is None or not self._believed:
            return []
        try:
            blocks = self._decoder.feed(chunks)
        except Exception as error:  # a driver's fault must not take the others along
            self._fail(f"decoding failed: {type(error).__name__}: {error}")
            return []
        return [self._continue(block) for block in blocks if len(block)]

    def finish(self) -> DeviceRecord:
        """What was learnt, with the present decoder's report."""
        self._close()
        return self.record

    def _begin(self, preface: Preface) -> None:
        if self._decoder is not None and self.record.prefaces[-1] == preface:
            return
        self._close()
        try:
            self.record.streams = self.driver.streams(preface.found)
            self._decoder = self.driver.decoder(preface)
        except DaqError as error:
            self._fail(str(error))
            return
        self.record.prefaces.append(preface)
        self._segment_base = self._segment_last + 1

    def _close(self) -> None:
        if self._decoder is not None:
            self.record.reports.append(self._decoder.report())
            self._decoder = None

    def _fail(self, text: str) -> None:
        self.record.problems.append(f"device {self.record.name}: {text}")
        self._close()

    def _continue(self, block: Block) -> Block:
        segment = self._segment_base + block.segment
        self._segment_last = max(self._segment_last, segment)
        if segment == block.segment:
            return block
        return Block(
            block.stream, block.t_hi, block.raw, block.t_lo, block.index, segment, block.missing
        )


class BenchDecoder:
    """Decodes every device of a bench from journal entries, in batches per wire.

    ``batch_bytes`` of 0 decodes at every entry, for the live view.
    """

    def __init__(self, bench: Bench, batch_bytes: int = BATCH_BYTES) -> None:
        self.devices = {name: DeviceDecoder(bench, name) for name in bench.device}
        self._on_wire: dict[str, list[DeviceDecoder]] = {}
        for device in self.devices.values():
            self._on_wire.setdefault(device.record.wire, []).append(device)
        self._batch_bytes = batch_bytes
        self._waiting: dict[str, list[Chunk]] = {wire: [] for wire in self._on_wire}
        self._bytes: dict[str, int] = dict.fromkeys(self._on_wire, 0)

    def feed(self, entry: Entry) -> Iterator[tuple[str, Block]]:
        """(device, block) for what *entry* completes."""
        if isinstance(entry, ChunkRow) and entry.wire in self._on_wire:
            self._waiting[entry.wire] += entry.chunks
            self._bytes[entry.wire] += sum(len(chunk.data) for chunk in entry.chunks)
            if self._bytes[entry.wire] > self._batch_bytes:
                yield from self._flush(entry.wire)
        elif isinstance(entry, NoteRow) and entry.wire in self._on_wire:
            yield from self._flush(entry.wire)
            for device in self._on_wire[entry.wire]:
                chunk = device.note(entry)
                if chunk is not None:
                    yield from self._blocks(device, [chunk])

    def finish(self) -> Iterator[tuple[str, Block]]:
        """(device, block) for everything that still waits."""
        for wire in self._on_wire:
            yield from self._flush(wire)

    def _flush(self, wire: str) -> Iterator[tuple[str, Block]]:
        chunks, self._waiting[wire], self._bytes[wire] = self._waiting[wire], [], 0
        if chunks:
            for device in self._on_wire[wire]:
                yield from self._blocks(device, chunks)

    @staticmethod
    def _blocks(device: DeviceDecoder, chunks: list[Chunk]) -> Iterator[tuple[str, Block]]:
        for block in device.feed(chunks):
            yield device.record.name, block


@dataclass
class Decoded:
    """A recording decoded: rows by (device, stream) and what was learnt of each device."""

    rows: dict[tuple[str, str], Rows]
    devices: dict[str, DeviceRecord]


def decode(bench: Bench, entries: Iterable[Entry]) -> Decoded:
    """Decode all devices of *bench* from *entries*."""
    decoder = BenchDecoder(bench)
    blocks: dict[tuple[str, str], list[Block]] = {}
    for entry in entries:
        for device, block in decoder.feed(entry):
            blocks.setdefault((device, block.stream), []).append(block)
    for device, block in decoder.finish():
        blocks.setdefault((device, block.stream), []).append(block)
    devices = {name: device.finish() for name, device in decoder.devices.items()}
    streams = {(n, s.name): s for n, record in devices.items() for s in record.streams}
    rows = {name: join(name[0], streams[name], blocks[name]) for name in streams if name in blocks}
    return Decoded(rows, devices)


def join(device: str, stream: Stream, blocks: list[Block]) -> Rows:
    """All rows of one stream from its blocks; a channel that a block lacks is missing there."""
    lengths = [len(block) for block in blocks]
    segment = np.repeat(np.array([b.segment for b in blocks], np.int32), lengths)
    raw: dict[str, NDArray[Any]] = {}
    missing: dict[str, NDArray[np.bool_]] = {}
    for channel in stream.channels:
        parts = [block.raw.get(channel.name) for block in blocks]
        absent = [
            np.ones(n, bool) if part is None else block.missing.get(channel.name, np.zeros(n, bool))
            for block, part, n in zip(blocks, parts, lengths, strict=True)
        ]
        dtype = np.float64 if channel.decimal else np.int64
        raw[channel.name] = np.concatenate(
            [np.zeros(n, dtype) if p is None else p for p, n in zip(parts, lengths, strict=True)]
        ).astype(dtype, copy=False)
        gone = np.concatenate(absent)
        if gone.any():
            missing[channel.name] = gone
    return Rows(
        device,
        stream,
        np.concatenate([block.t_hi for block in blocks]),
        _optional(block.t_lo for block in blocks),
        _optional(block.index for block in blocks),
        segment,
        raw,
        missing,
    )


def _optional(parts: Iterable[NDArray[np.int64] | None]) -> NDArray[np.int64] | None:
    arrays = [part for part in parts if part is not None]
    return np.concatenate(arrays) if arrays else None
