"""The undecoded record of each wire, gathered for the run file."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from daq.bench import Bench
from daq.decode import DeviceRecord
from daq.driver import Chunk, ChunkKind
from daq.entries import ChunkRow, Entry, NoteRow, to_json
from daq.journal import NEVER
from daq.runfile.content import BytesContent, Fact, SourceContent
from daq.wire.can import FRAME, FRAME_FD


class Sources:
    """Collects chunks and notes of every wire; :meth:`contents` joins them.

    ``begin`` is the host time in ns of the first chunk.
    """

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.begin = NEVER
        self._chunks: dict[str, list[Chunk]] = {wire: [] for wire in bench.wire}
        self._notes: dict[str, list[tuple[int, str]]] = {wire: [] for wire in bench.wire}
        self._records: dict[str, bool] = {}

    def add(self, entry: Entry) -> None:
        """Keep what belongs to a wire."""
        if isinstance(entry, ChunkRow):
            self._chunks.setdefault(entry.wire, []).extend(entry.chunks)
            self.begin = min(self.begin, entry.chunks[0].t_ns)
        elif isinstance(entry, NoteRow):
            self._notes.setdefault(entry.wire, []).append((entry.t_ns, to_json(entry.content)))
            wire = entry.content.get("preface", {}).get("wire", {})
            if wire:
                self._records[entry.wire] = wire.get("kind") == "socketcan"

    def contents(self, devices: Mapping[str, DeviceRecord]) -> list[SourceContent]:
        """One for each wire that has anything."""
        return [
            self._content(wire, [d for d in devices.values() if d.wire == wire])
            for wire in self._chunks
            if self._chunks[wire] or self._notes[wire]
        ]

    def _content(self, wire: str, devices: list[DeviceRecord]) -> SourceContent:
        config = self.bench.wire[wire]
        info: dict[str, Fact] = {
            "port": config.port or config.channel,
            "bitrate_bit_s": config.bitrate if config.family == "can" else None,
            "baud": config.baud if config.kind != "socketcan" else None,
            "byte_ns": config.byte_ns or None,
        }
        for device in devices:
            info[f"{device.name}_driver"] = device.driver
            info[f"{device.name}_opened"] = device.opened
            if device.prefaces:
                info[f"{device.name}_record_version"] = device.prefaces[-1].record_version
            info |= {f"{device.name}_{name}": value for name, value in device.report().items()}
        content = SourceContent(wire, config.kind, notes=self._notes[wire], info=info)
        chunks = self._chunks[wire]
        if self._records.get(wire, config.kind == "socketcan"):
            content.kind = "socketcan"
            content.frames = _frames(chunks, ChunkKind.RX, FRAME)
            content.frames_fd = _frames(chunks, ChunkKind.RX_FD, FRAME_FD)
        else:
            content.bytes = _bytes(chunks)
        return content


def _frames(
    chunks: list[Chunk], kind: ChunkKind, dtype: np.dtype[np.void]
) -> np.ndarray[tuple[int], np.dtype[np.void]] | None:
    data = b"".join(chunk.data for chunk in chunks if chunk.kind == kind)
    return np.frombuffer(data, dtype) if data else None


def _bytes(chunks: list[Chunk]) -> BytesContent:
    lengths = np.array([len(chunk.data) for chunk in chunks], np.int64)
    return BytesContent(
        data=np.frombuffer(b"".join(chunk.data for chunk in chunks), np.uint8),
        raw_time=np.array([chunk.t_ns for chunk in chunks], np.int64),
        first_byte=np.cumsum(lengths) - lengths,
        direction=np.array([chunk.kind == ChunkKind.TX for chunk in chunks], np.uint8),
    )
