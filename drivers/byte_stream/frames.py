"""Declared frames found in bytes, and whether their checksums are right; whole batches at once."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.wire.framing import cobs_decode, slip_decode
from drivers.byte_stream.declaration import Frame


class Found(NamedTuple):
    """A frame in a buffer: its span, which kind it is, and its bytes without coding and end."""

    first: int
    end: int
    kind: int
    body: bytes


class Scan(NamedTuple):
    """What a buffer holds: valid frames, bytes done with, candidates refused."""

    found: list[Found]
    done: int
    refused: int


class Finder:
    """Finds frames of the declared kinds; the same ones however the bytes come."""

    def __init__(self, frames: Sequence[Frame]) -> None:
        self.frames = frames
        self._delimiter = frames[0].delimiter
        self._sync = [re.compile(frame.pattern.regex, re.DOTALL) for frame in frames]
        self._starts = [re.compile(b"(?=%s)" % frame.pattern.regex, re.DOTALL) for frame in frames]
        self._keep = max(1, *(frame.pattern.size for frame in frames)) - 1

    def scan(self, buffer: bytearray) -> Scan:
        """All whole frames of *buffer*."""
        if self._delimiter:
            return self._scan_delimited(bytes(buffer))
        return self._scan_synced(bytes(buffer))

    # --- frames that begin with a sync

    def _scan_synced(self, data: bytes) -> Scan:
        candidates = sorted(
            (match.start(), kind)
            for kind, start in enumerate(self._starts)
            for match in start.finditer(data)
        )
        ends, whole = self._ends(data, candidates)
        sound = self._sound(data, candidates, ends, whole)
        found: list[Found] = []
        refused = 0
        free = 0
        for (first, kind), end, is_whole, is_sound in zip(candidates, ends, whole, sound):
            if first < free:
                continue
            if not is_whole:
                return Scan(found, first, refused)
            if is_sound:
                found.append(Found(first, end, kind, data[first:end]))
                free = end
            else:
                refused += 1
        return Scan(found, max(free, len(data) - self._keep), refused)

    def _ends(self, data: bytes, candidates: list[tuple[int, int]]) -> tuple[list[int], list[bool]]:
        """End of each candidate, -1 for an impossible length; and whether all of it is there."""
        ends, whole = [], []
        for first, kind in candidates:
            frame = self.frames[kind]
            length = frame.length or _counted(frame, data, first)
            if length is None:
                ends.append(-1)
                whole.append(False)
                continue
            fits = max(1, frame.pattern.size) <= length <= frame.longest
            end = first + length if fits else -1
            needed = end + (frame.pattern.size if frame.confirm else 0)
            ends.append(end)
            whole.append(needed <= len(data))
        return ends, whole

    def _sound(
        self,
        data: bytes,
        candidates: list[tuple[int, int]],
        ends: list[int],
        whole: list[bool],
    ) -> NDArray[np.bool_]:
        """Which candidates are whole, of a possible length, confirmed, and sum up."""
        sound = np.zeros(len(candidates), np.bool_)
        groups: dict[tuple[int, int], list[int]] = {}
        for number, ((first, kind), end) in enumerate(zip(candidates, ends)):
            if whole[number] and end > 0 and self._confirmed(data, kind, end):
                groups.setdefault((kind, end - first), []).append(number)
        view = np.frombuffer(data, np.uint8)
        for (kind, length), numbers in groups.items():
            firsts = np.array([candidates[number][0] for number in numbers])
            rows = view[firsts[:, None] + np.arange(length)]
            sound[numbers] = sums_up(self.frames[kind], rows)
        return sound

    def _confirmed(self, data: bytes, kind: int, end: int) -> bool:
        return not self.frames[kind].confirm or bool(self._sync[kind].match(data, end))

    # --- frames that end with a delimiter

    def _scan_delimited(self, data: bytes) -> Scan:
        pieces = data.split(self._delimiter)
        found: list[Found] = []
        refused = first = 0
        for piece in pieces[:-1]:
            end = first + len(piece) + len(self._delimiter)
            frame = self._in_piece(piece, first, end)
            if frame is not None:
                found.append(frame)
            elif piece:
                refused += 1
            first = end
        # a piece that is already too long stays too long, so its first bytes can go
        longest = 2 * max(frame.longest for frame in self.frames) + len(self._delimiter) + 1
        return Scan(found, max(first, len(data) - longest), refused)

    def _in_piece(self, piece: bytes, first: int, end: int) -> Found | None:
        for kind, frame in enumerate(self.frames):
            at, body = self._body(kind, piece)
            if body is None or len(body) > frame.longest:
                continue
            rows = np.frombuffer(body, np.uint8)[None, :]
            if sums_up(frame, rows)[0]:
                return Found(first + at, end, kind, body)
        return None

    def _body(self, kind: int, piece: bytes) -> tuple[int, bytes | None]:
        """Where the frame of *kind* begins in *piece*, and its bytes."""
        frame = self.frames[kind]
        if not frame.coding:
            at = max((m.start() for m in self._sync[kind].finditer(piece)), default=-1)
            if not frame.sync:
                at = 0
            return at, piece[at:] if at >= 0 else None
        if not piece or len(piece) > 2 * frame.longest:
            return 0, None
        try:
            body = cobs_decode(piece) if frame.coding == "cobs" else slip_decode(piece)
        except ValueError:
            return 0, None
        return 0, body if self._sync[kind].match(body) else None


def _counted(frame: Frame, data: bytes, first: int) -> int | None:
    """Length of the frame at *first* by its own count; None while the count is not there."""
    counted = frame.counted
    assert counted is not None
    place = first + counted.at
    size = int(counted.type[1:]) // 8
    if place + size > len(data):
        return None
    count = int.from_bytes(data[place : place + size], counted.byte_order)
    return max(0, count * counted.each + counted.plus)


def sums_up(frame: Frame, rows: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which of the frames uint8[n, length] carry the right checksum; all when there is none."""
    check = frame.checksum
    length = rows.shape[1]
    if check is None:
        return np.ones(len(rows), np.bool_)
    place = length + check.place
    if place < check.first or place < frame.pattern.size or length + check.stop < check.first:
        return np.zeros(len(rows), np.bool_)
    wanted = check.sum.of_rows(rows[:, check.first : length + check.stop])
    stored = rows[:, place : place + check.size].astype(np.uint64)
    if check.written == "hex":
        stored, known = _hex_digits(stored)
    else:
        known = np.ones(len(rows), np.bool_)
    columns = stored.T if check.byte_order == "big" else stored.T[::-1]
    value = np.zeros(len(rows), np.uint64)
    for column in columns:
        value = (value << np.uint64(8)) | column
    return np.asarray(known & (value == wanted))


def _hex_digits(text: NDArray[np.uint64]) -> tuple[NDArray[np.uint64], NDArray[np.bool_]]:
    """Bytes from pairs of hex digits, and which rows are all hex digits."""
    table = np.full(256, 16, np.uint64)
    for digit in range(16):
        for letter in f"{digit:x}{digit:X}":
            table[ord(letter)] = digit
    nibbles = table[text]
    known = np.asarray((nibbles < 16).all(axis=1))
    return nibbles[:, ::2] * np.uint64(16) + nibbles[:, 1::2], known
