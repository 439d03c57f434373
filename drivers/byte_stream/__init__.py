"""A byte stream described by a declaration: the way an unknown stream is added without Python.

Source: the declaration's own ``source`` key, named in each channel.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
from numpy.typing import NDArray

from daq.declared import read_declaration
from daq.driver import Block, Conversation, Decoder, Driver, Preface, Stream, key
from daq.errors import DeviceError
from daq.polled import Dialogue, Exchange, PolledConversation, PolledDecoder, Reply, Request
from daq.pushed import PushedDecoder, Span
from drivers.byte_stream.declaration import Declaration
from drivers.byte_stream.frames import Finder, Found
from drivers.byte_stream.rows import Unwrap, Values
from drivers.byte_stream.sketch import byte_map

__all__ = ["ByteStreamConfig", "ByteStreamDriver", "Declaration", "byte_map"]


@dataclass(frozen=True)
class ByteStreamConfig:
    """Which declaration describes the device."""

    declaration: Path = key(help="the declaration, relative to this file")


class RowMaker:
    """Found frames to blocks, each kind's counter unwrapped."""

    def __init__(self, declaration: Declaration) -> None:
        self._frames = declaration.frame
        self._values = [Values(frame) for frame in declaration.frame]
        self._unwraps = [Unwrap(f.counter) if f.counter else None for f in declaration.frame]
        self.restarts = 0

    def clear(self) -> None:
        """What follows does not continue what was."""
        for unwrap in self._unwraps:
            if unwrap is not None:
                unwrap.clear()

    def blocks(
        self,
        kind: int,
        bodies: Sequence[bytes],
        t_hi: NDArray[np.int64],
        t_lo: NDArray[np.int64] | None = None,
        segment: int = 0,
    ) -> Iterator[Block]:
        """Rows of frames of one kind; the segment counts restarts of the device too."""
        raw, missing = self._values[kind].take(bodies)
        name = self._frames[kind].name
        unwrap, counter = self._unwraps[kind], self._frames[kind].counter
        if unwrap is None or counter is None:
            yield Block(name, t_hi, raw, t_lo, None, segment + self.restarts, missing)
            return
        counts = self._values[kind].counts(counter, bodies)
        steps = unwrap.take(counts, t_hi)
        index = np.array([step for step, _ in steps], np.int64)
        restarts = [n for n, (_, again) in enumerate(steps) if again]
        for first, end in zip([0, *restarts], [*restarts, len(bodies)]):
            self.restarts += first in restarts
            if first == end:
                continue
            rows = slice(first, end)
            yield Block(
                name,
                t_hi[rows],
                {channel: values[rows] for channel, values in raw.items()},
                None if t_lo is None else t_lo[rows],
                index[rows],
                segment + self.restarts,
                {channel: gone[rows] for channel, gone in missing.items()},
            )


class PushedFrames(PushedDecoder):
    """Decoder of a device that talks by itself."""

    def __init__(self, declaration: Declaration, byte_ns: float) -> None:
        super().__init__(byte_ns)
        self._finder = Finder(declaration.frame)
        self._maker = RowMaker(declaration)
        self._found: list[Found] = []
        self._segment = 0

    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        """Spans of all valid frames."""
        scan = self._finder.scan(buffer)
        self._found = scan.found
        self.frames_bad += scan.refused
        return [(found.first, found.end) for found in scan.found], scan.done

    def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
        """Blocks of the frames that were just found."""
        if self.segment != self._segment:
            self._segment = self.segment
            self._maker.clear()
        blocks: list[Block] = []
        for kind in sorted({found.kind for found in self._found}):
            chosen = [n for n, found in enumerate(self._found) if found.kind == kind]
            bodies = [self._found[n].body for n in chosen]
            blocks += self._maker.blocks(kind, bodies, begun_by[chosen], segment=self.segment)
        return blocks

    def report(self) -> dict[str, int | float | str]:
        """Frames accepted and refused, bytes that belong to none, restarts of the device."""
        return {**super().report(), "restarts": self._maker.restarts}


class FrameDialogue(Dialogue):
    """The declared requests and how their answers are recognised."""

    def __init__(self, declaration: Declaration) -> None:
        self.attempts = declaration.attempts
        self.kinds: dict[bytes, int] = {}
        requests = []
        for kind, frame in enumerate(declaration.frame):
            assert frame.poll is not None
            self.kinds[frame.poll.data] = kind
            requests.append(
                Request(frame.poll.data, frame.poll.rate_hz, frame.poll.timeout_s, frame.name)
            )
        self.requests = requests
        self._frames = declaration.frame
        self._finders = [Finder([frame]) for frame in declaration.frame]
        self._refusals = [
            re.compile(frame.refusal.regex, re.DOTALL) if frame.refusal else None
            for frame in declaration.frame
        ]

    def found(self, request: Request, answer: bytes) -> Mapping[str, Any]:
        """Nothing beyond that the right frame answered."""
        return {}

    def read(self, request: Request, buffer: bytes) -> Reply | None:
        """The first reply: the request's own frame, its refusal, or another request's frame."""
        kind = self.kinds[request.data]
        poll = self._frames[kind].poll
        skip = len(request.data) if poll and poll.echo and buffer.startswith(request.data) else 0
        if poll and poll.echo and not skip and request.data.startswith(buffer):
            return None  # the echo is not whole yet
        rest = buffer[skip:]
        replies = [
            Reply("answer" if n == kind else "stray", skip + found.first, skip + found.end)
            for n, finder in enumerate(self._finders)
            for found in finder.scan(bytearray(rest)).found[:1]
        ]
        refusal = self._refusals[kind]
        if refusal is not None and (match := refusal.search(rest)):
            replies.append(Reply("refused", skip + match.start(), skip + match.end()))
        # where two kinds look alike, the answer is what was asked for
        return min(replies, key=lambda r: (r.first, r.kind != "answer"), default=None)

    def body(self, request: Request, answer: bytes) -> bytes:
        """The frame in an answer that :meth:`read` found."""
        return self._finders[self.kinds[request.data]].scan(bytearray(answer)).found[0].body


class PolledFrames(PolledDecoder):
    """Decoder of a device that answers."""

    def __init__(self, declaration: Declaration, byte_ns: float) -> None:
        self._known = FrameDialogue(declaration)
        super().__init__(self._known, byte_ns)
        self._maker = RowMaker(declaration)
        self._segment = 0

    def rows(self, exchanges: list[Exchange]) -> list[Block]:
        """Blocks of the answers, by kind."""
        if self.segment != self._segment:
            self._segment = self.segment
            self._maker.clear()
        blocks: list[Block] = []
        kinds = [self._known.kinds[exchange.request.data] for exchange in exchanges]
        for kind in sorted(set(kinds)):
            mine = [e for e, k in zip(exchanges, kinds) if k == kind]
            t_hi = np.array([e.t_hi for e in mine], np.int64)
            t_lo = np.array([e.t_lo for e in mine], np.int64)
            bodies = [self._known.body(e.request, e.answer) for e in mine]
            blocks += self._maker.blocks(kind, bodies, t_hi, t_lo, self.segment)
        return blocks


class ByteStreamDriver(Driver):
    """Any device whose frames a declaration describes. Sends only the declared requests.

    Source: the declaration.
    """

    summary = "byte stream described by a TOML declaration: frames, checksums, fields, polls"
    rung = "captured"
    wires: ClassVar[frozenset[str]] = frozenset({"serial"})
    Config = ByteStreamConfig

    @classmethod
    def files(cls, config: ByteStreamConfig) -> tuple[Path, ...]:
        """The declaration."""
        return (config.declaration,)

    @property
    def declaration(self) -> Declaration:
        """The declaration; ConfigError naming each mistake in it."""
        return read_declaration(Declaration, self.config.declaration, self.documents)

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """A stream for each kind of frame."""
        declaration = self.declaration
        name = self.config.declaration.name
        return tuple(frame.stream(f"{name}: {declaration.source}") for frame in declaration.frame)

    def line(self) -> Mapping[str, Any]:
        """The declared line settings."""
        line = self.declaration.line
        return {} if line is None else dataclasses.asdict(line)

    def sketch(self) -> str:
        """The frames as byte maps."""
        return byte_map(self.declaration)

    def conversation(self) -> Conversation:
        """Silent, or asking the declared requests."""
        declaration = self.declaration
        if declaration.polled:
            return PolledConversation(FrameDialogue(declaration))
        return Conversation()

    def decoder(self, preface: Preface) -> Decoder:
        """A decoder by the declaration."""
        if preface.record_version not in self.reads_versions:
            raise DeviceError(
                f"record version {preface.record_version} of a byte stream;"
                f" this release reads {sorted(self.reads_versions)}"
            )
        declaration = self.declaration
        if declaration.polled:
            return PolledFrames(declaration, preface.byte_ns)
        return PushedFrames(declaration, preface.byte_ns)
