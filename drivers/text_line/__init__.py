"""A text instrument described by a declaration: wideband controllers, scales, analysers, stations.

Source: the declaration's own ``source`` key, named in each channel.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
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
from drivers.text_line.declaration import Declaration, Field, Message
from drivers.text_line.lines import Line, Reader

__all__ = ["Declaration", "TextLine", "TextLineConfig"]


@dataclass(frozen=True)
class TextLineConfig:
    """Which declaration describes the device."""

    declaration: Path = key(help="the declaration, relative to this file")


class PushedLines(PushedDecoder):
    """Decoder of a device that talks by itself.

    What stands before the first line end after an opening may be the rest of a cut line that looks
    whole, so it is never believed.
    """

    def __init__(self, declaration: Declaration, byte_ns: float) -> None:
        super().__init__(byte_ns)
        self._reader = Reader(declaration)
        self._lines: list[Line] = []
        self._whole_in = -1  # segment in which a line end has been seen
        self.lines_other = 0

    def split(self, buffer: bytearray) -> tuple[list[Span], int]:
        """Spans of all sound lines of a declared kind."""
        end_mark = self._reader.terminator
        spans: list[Span] = []
        self._lines = []
        first = 0
        while (at := buffer.find(end_mark, first)) >= 0:
            end = at + len(end_mark)
            if self._whole_in == self.segment:
                self._take_line(bytes(buffer[first:at]), (first, end), spans)
            self._whole_in = self.segment
            first = end
        # a line that is already too long stays too long, so its first bytes can go
        return spans, max(first, len(buffer) - self._reader.longest - len(end_mark) - 1)

    def _take_line(self, data: bytes, span: Span, spans: list[Span]) -> None:
        line = self._reader.read(data)
        if isinstance(line, Line):
            spans.append(span)
            self._lines.append(line)
        elif line:
            self.lines_other += bool(data.strip())
        else:
            self.frames_bad += 1

    def rows(self, frames: list[bytes], begun_by: NDArray[np.int64]) -> list[Block]:
        """Blocks of the lines that were just read."""
        blocks = []
        for kind in sorted({line.kind for line in self._lines}):
            chosen = [n for n, line in enumerate(self._lines) if line.kind == kind]
            raw, missing = self._reader.columns(kind, [self._lines[n] for n in chosen])
            name = self._reader.messages[kind].name
            t_hi = begun_by[chosen]
            blocks.append(Block(name, t_hi, raw, segment=self.segment, missing=missing))
        return blocks

    def report(self) -> dict[str, int | float | str]:
        """Lines read and damaged, bytes of none, and lines of no declared kind."""
        return {**super().report(), "lines_other": self.lines_other}


class LineDialogue(Dialogue):
    """The declared requests and how their answers are recognised."""

    def __init__(self, declaration: Declaration) -> None:
        self.attempts = declaration.attempts
        self.reader = Reader(declaration)
        self.kinds: dict[bytes, int] = {}
        requests = []
        for kind, message in enumerate(declaration.message):
            assert message.poll is not None
            self.kinds[message.poll.data] = kind
            requests.append(
                Request(message.poll.data, message.poll.rate_hz, message.poll.timeout_s)
            )
        self.requests = requests

    def read(self, request: Request, buffer: bytes) -> Reply | None:
        """The first line that answers, refuses or answers something else; others are skipped."""
        kind = self.kinds[request.data]
        refusal = self.reader.messages[kind].refusal
        first = 0
        while (at := buffer.find(self.reader.terminator, first)) >= 0:
            end = at + len(self.reader.terminator)
            line = self.reader.read(buffer[first:at])
            if isinstance(line, Line):
                return Reply("answer" if line.kind == kind else "stray", first, end)
            text = buffer[first:at].decode("latin-1").strip()
            if refusal is not None and refusal.fullmatch(text):
                return Reply("refused", first, end)
            first = end
        return None


class PolledLines(PolledDecoder):
    """Decoder of a device that answers."""

    def __init__(self, declaration: Declaration, byte_ns: float) -> None:
        self._known = LineDialogue(declaration)
        super().__init__(self._known, byte_ns)

    def rows(self, exchanges: list[Exchange]) -> list[Block]:
        """Blocks of the answers, by message."""
        reader = self._known.reader
        blocks = []
        kinds = [self._known.kinds[exchange.request.data] for exchange in exchanges]
        for kind in sorted(set(kinds)):
            mine = [e for e, k in zip(exchanges, kinds) if k == kind]
            answers = [reader.read(e.answer.removesuffix(reader.terminator)) for e in mine]
            lines = [line for line in answers if isinstance(line, Line)]
            raw, missing = reader.columns(kind, lines)
            t_lo = np.array([e.t_lo for e in mine], np.int64)
            t_hi = np.array([e.t_hi for e in mine], np.int64)
            name = reader.messages[kind].name
            blocks.append(Block(name, t_hi, raw, t_lo, None, self.segment, missing))
        return blocks


class TextLine(Driver):
    """Any device whose lines of text a declaration describes. Sends only the declared requests.

    Source: the declaration.
    """

    summary = "lines of text described by a TOML declaration: patterns or columns, states, polls"
    rung = "captured"
    wires: ClassVar[frozenset[str]] = frozenset({"serial"})
    Config = TextLineConfig

    @classmethod
    def files(cls, config: TextLineConfig) -> tuple[Path, ...]:
        """The declaration."""
        return (config.declaration,)

    @property
    def declaration(self) -> Declaration:
        """The declaration; ConfigError naming each mistake in it."""
        return read_declaration(Declaration, self.config.declaration, self.documents)

    def streams(self, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """A stream for each kind of line."""
        declaration = self.declaration
        source = f"{self.config.declaration.name}: {declaration.source}"
        return tuple(message.stream(source) for message in declaration.message)

    def line(self) -> Mapping[str, Any]:
        """The declared line settings."""
        line = self.declaration.line
        return {} if line is None else dataclasses.asdict(line)

    def sketch(self) -> str:
        """The lines and what their parts mean."""
        declaration = self.declaration
        parts = [f"line {declaration.line.words}"] if declaration.line else []
        parts.append(f"lines end with {declaration.terminator!a}")
        return "\n".join([*parts, *(_sketch(message) for message in declaration.message)])

    def conversation(self) -> Conversation:
        """Silent, or asking the declared requests."""
        declaration = self.declaration
        if declaration.polled:
            return PolledConversation(LineDialogue(declaration))
        return Conversation()

    def decoder(self, preface: Preface) -> Decoder:
        """A decoder by the declaration."""
        if preface.record_version not in self.reads_versions:
            raise DeviceError(
                f"record version {preface.record_version} of lines of text;"
                f" this release reads {sorted(self.reads_versions)}"
            )
        declaration = self.declaration
        if declaration.polled:
            return PolledLines(declaration, preface.byte_ns)
        return PushedLines(declaration, preface.byte_ns)


def _sketch(message: Message) -> str:
    shape = message.pattern or message.separator.join(c or "-" for c in message.columns)
    asked = ""
    if message.poll is not None:
        sent = repr(message.poll.data)[1:]
        asked = f", asked {message.poll.rate_hz:g} times a second by {sent}"
    return "\n".join([f"message {message.name}: {shape}{asked}", *map(_in_words, message.field)])


def _in_words(item: Field) -> str:
    if item.labels:
        return f"  {item.name}: " + ", ".join(f"{t} {word}" for t, word in item.labels.items())
    offset = f" {'-' if item.offset < 0 else '+'} {abs(item.offset):g}" if item.offset else ""
    states = ", ".join(f"{text} {word}" for text, word in item.states.items())
    return f"  {item.name}: {item.scale:g} × {item.number}{offset} in {item.unit}" + (
        f" ({states})" if states else ""
    )
