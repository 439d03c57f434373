"""The serial-line CAN protocol: commands to an adapter, its lines to frames and back.

Source: the LAWICEL CAN232 manual (ASCII commands), as python-can and the Linux slcan driver
use it; from memory.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.clock import MILLISECOND_NS
from daq.wire.can import FLAG_EXTENDED, FLAG_REMOTE, FRAME

BITRATES = {
    10_000: b"S0",
    20_000: b"S1",
    50_000: b"S2",
    100_000: b"S3",
    125_000: b"S4",
    250_000: b"S5",
    500_000: b"S6",
    800_000: b"S7",
    1_000_000: b"S8",
}
"""Bit rate in bit/s to the command that sets it."""

LONGEST = 30
"""Characters of the longest line: type, 8 of identifier, length, 16 of data, 4 of stamp."""

STAMP_WRAP_MS = 60_000
"""An adapter's stamp counts milliseconds from 0 to 59 999."""

_STANDARD = np.frombuffer(b"tr", np.uint8)
_EXTENDED = np.frombuffer(b"TR", np.uint8)
_ANSWERS = np.frombuffer(b"zZVvNF", np.uint8)
_ENDS_LINE = np.isin(np.arange(256), list(b"\r\n\a"))
_NIBBLE = np.full(256, 255, np.uint8)
_NIBBLE[list(b"0123456789ABCDEF")] = np.arange(16)
_NIBBLE[list(b"abcdef")] = np.arange(10, 16)


def open_commands(bitrate: int, listen_only: bool) -> bytes:
    """What opens an adapter's channel: empty its line, close, set the rate, open or listen.

    Raises ValueError for a rate that the protocol has no command for.
    """
    try:
        rate = BITRATES[bitrate]
    except KeyError:
        known = ", ".join(str(known) for known in BITRATES)
        raise ValueError(f"bitrate {bitrate} bit/s: an slcan adapter knows {known}") from None
    return b"\r\rC\r" + rate + (b"\rL\r" if listen_only else b"\rO\r")


def close_commands() -> bytes:
    """What closes an adapter's channel."""
    return b"\rC\r"


# --- lines to frames


class Lines(NamedTuple):
    """What a piece of an adapter's byte stream holds.

    ``frames`` is :data:`daq.wire.can.FRAME` [n] without ``t_host``; ``t_device`` is the adapter's
    16-bit stamp in ns as it was sent, -1 where there is none. ``spans`` int64[n, 2] are first and
    end byte of each frame's line, the terminator included; ``done`` bytes are used up. ``bad``
    counts lines that are no frame and no answer, ``refused`` the adapter's error bells.
    """

    frames: NDArray[Any]
    spans: NDArray[np.int64]
    done: int
    bad: int
    refused: int


def split(buffer: bytes | bytearray) -> Lines:
    """All whole lines of *buffer*; what follows the last terminator is left for the next call.

    A line is a frame only when it is one from its first character to its last: type letter,
    identifier in range, length, exactly that many data bytes, and nothing or a stamp of four
    digits. The type letters ``t T r R`` are no hexadecimal digits, so the rest of a cut line is
    never taken for a frame. CAN FD lines (``d D b B``) do not have that property and are not read.
    """
    text = np.frombuffer(bytes(buffer), np.uint8)
    ends = np.flatnonzero(_ENDS_LINE[text])
    if not len(ends):
        return Lines(np.empty(0, FRAME), np.empty((0, 2), np.int64), 0, 0, 0)
    firsts = np.concatenate(([0], ends[:-1] + 1))
    wide = np.concatenate((text, np.zeros(LONGEST, np.uint8)))
    lines = np.lib.stride_tricks.sliding_window_view(wide, LONGEST)[firsts]
    lengths = ends - firsts
    standard = np.isin(lines[:, 0], _STANDARD)
    extended = np.isin(lines[:, 0], _EXTENDED)
    frames = np.zeros(len(lines), FRAME)
    whole = np.zeros(len(lines), bool)
    for chosen, digits in ((standard, 3), (extended, 8)):
        if chosen.any():
            frames[chosen], whole[chosen] = _read(lines[chosen], lengths[chosen], digits)
    answers = (lengths == 0) | np.isin(lines[:, 0], _ANSWERS)
    spans = np.stack((firsts, ends + 1), axis=1)[whole]
    bad = int(np.count_nonzero(~whole & ~answers))
    return Lines(frames[whole], spans, int(ends[-1]) + 1, bad, bytes(buffer).count(b"\a"))


def _read(
    lines: NDArray[np.uint8], lengths: NDArray[np.int64], digits: int
) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """Frames of lines with an identifier of *digits*, and which of them are whole."""
    nibbles = _NIBBLE[lines]
    used = np.arange(LONGEST) < lengths[:, None]
    hexadecimal = ((nibbles <= 15) | ~used)[:, 1:].all(axis=1)
    nibbles = np.where(used, nibbles, 0)
    frames = np.zeros(len(lines), FRAME)
    frames["id"] = _number(nibbles[:, 1 : 1 + digits])
    frames["length"] = nibbles[:, 1 + digits]
    remote = (lines[:, 0] == ord("r")) | (lines[:, 0] == ord("R"))
    frames["flags"] = np.where(remote, FLAG_REMOTE, 0) | (FLAG_EXTENDED if digits == 8 else 0)
    shown = np.where(remote, 0, frames["length"]).astype(np.int64)
    head = 2 + digits
    end = head + 2 * shown
    stamped = lengths == end + 4
    pairs = nibbles[:, head : head + 16]
    data = (pairs[:, 0::2] << 4) | pairs[:, 1::2]
    frames["data"] = np.where(np.arange(8) < shown[:, None], data, 0)
    stamp = _number(np.take_along_axis(nibbles, (end[:, None] + np.arange(4)) % LONGEST, axis=1))
    frames["t_device"] = np.where(stamped, stamp.astype(np.int64) * MILLISECOND_NS, -1)
    in_range = (frames["id"] <= (0x7FF if digits == 3 else 0x1FFFFFFF)) & (frames["length"] <= 8)
    in_range &= ~stamped | (stamp < STAMP_WRAP_MS)
    return frames, hexadecimal & in_range & (stamped | (lengths == end))


def _number(nibbles: NDArray[np.uint8]) -> NDArray[np.uint32]:
    """Whole number of each row of hexadecimal digits, the highest first."""
    total = np.zeros(len(nibbles), np.uint32)
    for digit in nibbles.T:
        total = (total << 4) | digit
    return total


def encode(frames: NDArray[Any]) -> bytes:
    """The lines an adapter sends for *frames* (FRAME [n]), without stamps."""
    return b"".join(_line(frame) for frame in frames)


def _line(frame: Any) -> bytes:
    flags, length = int(frame["flags"]), int(frame["length"])
    letter = "r" if flags & FLAG_REMOTE else "t"
    number = f"{frame['id']:03X}"
    if flags & FLAG_EXTENDED:
        letter, number = letter.upper(), f"{frame['id']:08X}"
    shown = "" if flags & FLAG_REMOTE else frame["data"][:length].tobytes().hex().upper()
    return f"{letter}{number}{length:X}{shown}\r".encode()
