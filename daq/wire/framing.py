"""Codings that keep a delimiter out of a frame: COBS and SLIP.

Source: Cheshire and Baker, "Consistent overhead byte stuffing" (1999), by the library cobs;
RFC 1055 for SLIP.
"""

from __future__ import annotations

import re

from cobs import cobs

COBS_DELIMITER = b"\0"
SLIP_DELIMITER = b"\xc0"
_ESCAPE, _ESCAPED_END, _ESCAPED_ESCAPE = b"\xdb", b"\xdb\xdc", b"\xdb\xdd"
_ESCAPES = re.compile(rb"\xdb(.?)", re.DOTALL)


def cobs_encode(data: bytes) -> bytes:
    """*data* without any 00; the delimiter is not added."""
    return bytes(cobs.encode(data))


def cobs_decode(code: bytes) -> bytes:
    """What lies between two delimiters, decoded; ValueError when it is no such code."""
    try:
        return bytes(cobs.decode(code))
    except cobs.DecodeError as error:
        raise ValueError(str(error)) from None


def slip_encode(data: bytes) -> bytes:
    """*data* with END at both ends."""
    escaped = data.replace(_ESCAPE, _ESCAPED_ESCAPE).replace(SLIP_DELIMITER, _ESCAPED_END)
    return SLIP_DELIMITER + escaped + SLIP_DELIMITER


def slip_decode(code: bytes) -> bytes:
    """What lies between two ENDs, decoded; ValueError for an escape that means nothing."""

    def plain(match: re.Match[bytes]) -> bytes:
        try:
            return {b"\xdc": SLIP_DELIMITER, b"\xdd": _ESCAPE}[match[1]]
        except KeyError:
            raise ValueError(f"escape {match[0].hex(' ')} means nothing in SLIP") from None

    return _ESCAPES.sub(plain, code)
