"""Diagnostic frames on the bus: who asks, who answers, and records of both."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, NamedTuple

from daq.driver import Chunk, ChunkKind
from daq.wire import slcan
from daq.wire.allowed import FUNCTIONAL, FUNCTIONAL_EXTENDED, RECORD
from daq.wire.can import FLAG_EXTENDED

SHORT_ANSWERS = range(0x7E8, 0x7F0)
NEGATIVE = 0x7F
BUSY, CONDITIONS, PENDING = 0x21, 0x22, 0x78
REFUSALS = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "wrong length",
    BUSY: "busy, ask again",
    CONDITIONS: "conditions not correct",
    0x31: "request out of range",
    PENDING: "response pending, keep waiting",
}
"""Negative response codes. Source: ISO 14229-1, table of response codes."""


class Party(NamedTuple):
    """One ECU by the identifier of its answers."""

    answers: int
    extended: bool

    @property
    def name(self) -> str:
        """As a person and the configuration write it: 7E8, 18DAF110."""
        return f"{self.answers:08X}" if self.extended else f"{self.answers:03X}"

    @property
    def asked(self) -> int:
        """Identifier of requests to this ECU alone."""
        if self.extended:
            return 0x18DA00F1 | (self.answers & 0xFF) << 8
        return self.answers - 8


def party_of(identifier: int, extended: bool) -> Party | None:
    """Who answers with this identifier; None when it is no answer."""
    if extended:
        return Party(identifier, True) if identifier & 0x1FFFFF00 == 0x18DAF100 else None
    return Party(identifier, False) if identifier in SHORT_ANSWERS else None


def functional(extended: bool) -> int:
    """Identifier of a request to every ECU."""
    return FUNCTIONAL_EXTENDED if extended else FUNCTIONAL


def record(identifier: int, extended: bool, data: bytes) -> bytes:
    """One record of FRAME, as a conversation sends it."""
    return RECORD.pack(0, 0, identifier, FLAG_EXTENDED * extended, 0, len(data), 0, data)


def refusal(data: bytes) -> tuple[int, int] | None:
    """(service, code) of a negative answer; None when *data* is none."""
    if len(data) >= 3 and data[0] == NEGATIVE:
        return data[1], data[2]
    return None


def in_words(data: bytes) -> str:
    """What a negative answer says, for a note."""
    found = refusal(data)
    if found is None:
        return data.hex().upper()
    service, code = found
    return f"service {service:02X}: {REFUSALS.get(code, f'code {code:02X}')}"


class Ear:
    """Frames that ECUs answer with, among all that the bus carries.

    It runs on the wire's thread for each chunk of a busy bus, so it looks at nothing else: 0.5 to
    2 µs a chunk and 0.3 µs a frame, where arrays would cost 100 µs a chunk.
    """

    def __init__(self, wire: Mapping[str, Any]) -> None:
        self._lines = wire.get("kind") == "slcan"
        self._rest = b""

    def hear(self, chunk: Chunk) -> list[tuple[Party, bytes]]:
        """(who, data bytes) of each answer's frame in *chunk*, in order."""
        if chunk.kind != ChunkKind.RX:
            return []
        return self._in_lines(chunk.data) if self._lines else _in_records(chunk.data)

    def _in_lines(self, data: bytes) -> list[tuple[Party, bytes]]:
        text = self._rest + data
        end = 1 + max(map(text.rfind, _TERMINATORS))
        self._rest = text[end:] if len(text) - end <= slcan.LONGEST else b"?"
        found = []
        for short, long, length, digits in _ANSWER.findall(text, 0, end):
            count = 2 * int(length)
            if len(digits) in (count, count + 4):
                party = Party(int(short or long, 16), bool(long))
                found.append((party, bytes.fromhex(digits[:count].decode())))
        return found


_TERMINATORS = (b"\r", b"\n", b"\a")
_ANSWER = re.compile(
    rb"(?<![^\r\n\a])(?:t(7[eE][89a-fA-F])|T(18[dD][aA][fF]1[0-9a-fA-F]{2}))"
    rb"([1-8])((?:[0-9a-fA-F]{2})+)(?=[\r\n\a])"
)
"""A line of an adapter that carries an answer, perhaps with a stamp of four digits at its end."""


def _in_records(data: bytes) -> list[tuple[Party, bytes]]:
    found = []
    whole = len(data) // RECORD.size * RECORD.size
    for _, _, identifier, flags, _, length, _, content in RECORD.iter_unpack(data[:whole]):
        if length and flags in (0, FLAG_EXTENDED):
            party = party_of(identifier, bool(flags))
            if party is not None:
                found.append((party, content[:length]))
    return found
