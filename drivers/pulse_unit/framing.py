"""Frames of the pulse-and-analogue unit: kinds, header, checksum, delimiters."""

from __future__ import annotations

import struct
import zlib

from cobs import cobs

PROTOCOL = 1
HELLO, ECHO, OUTPUT, DIGITAL, IGNITION, ENCODER, ANALOGUE = 1, 2, 3, 4, 5, 6, 0x10
"""Kinds of frame from the unit; analogue group n comes as ``ANALOGUE + n - 1``."""
ASK_HELLO, ASK_ECHO, SET_OUTPUT = 0x81, 0x82, 0x83
"""Kinds of frame to the unit."""
TO_UNIT = 0x80
"""Kinds from here on are requests."""
HEADER = struct.Struct("<BBHI")
"""Kind, reset counter, sequence number, tick."""
LONGEST_BODY = 4096
"""Header, payload and CRC together, in bytes."""
LONGEST_CODE = LONGEST_BODY + LONGEST_BODY // 254 + 1
MASK = 0xFFFF_FFFF


def frame(kind: int, sequence: int, payload: bytes = b"") -> bytes:
    """A request as it goes on the line."""
    body = HEADER.pack(kind, 0, sequence & 0xFFFF, 0) + payload
    code: bytes = cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))
    return b"\0" + code + b"\0"


def open_code(code: bytes) -> bytes | None:
    """Header and payload from the code between two delimiters, None when it is no valid frame."""
    if len(code) > LONGEST_CODE:
        return None
    try:
        body: bytes = cobs.decode(code)
    except cobs.DecodeError:
        return None
    if len(body) < HEADER.size + 4 or zlib.crc32(body[:-4]) != int.from_bytes(body[-4:], "little"):
        return None
    return body[:-4]
