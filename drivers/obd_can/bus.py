"""Diagnostic frames on the bus: who asks, who answers, and records of both."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from daq.wire.allowed import FUNCTIONAL, FUNCTIONAL_EXTENDED, is_request_id
from daq.wire.can import FLAG_EXTENDED, FRAME

SHORT_ANSWERS = range(0x7E8, 0x7F0)
PENDING, NEGATIVE = 0x78, 0x7F
REFUSALS = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "wrong length",
    0x21: "busy, ask again",
    0x22: "conditions not correct",
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


def is_question(identifier: int, extended: bool) -> bool:
    """Whether a frame with this identifier comes from a tester."""
    return is_request_id(identifier, extended)


def functional(extended: bool) -> int:
    """Identifier of a request to every ECU."""
    return FUNCTIONAL_EXTENDED if extended else FUNCTIONAL


def record(identifier: int, extended: bool, data: bytes) -> bytes:
    """One record of FRAME, as a conversation sends it."""
    frame = np.zeros(1, FRAME)
    frame["id"], frame["flags"], frame["length"] = identifier, FLAG_EXTENDED * extended, len(data)
    frame["data"][0, : len(data)] = np.frombuffer(data, np.uint8)
    return frame.tobytes()


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
