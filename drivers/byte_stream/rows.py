"""Rows from declared frames: fields cut out of whole batches of frames."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.clock import SECOND_NS
from drivers.byte_stream.declaration import Bits, Counter, Digits, Field, Frame, Where

Bytes = NDArray[np.uint8]
TRUSTED_WRAP_S = 2.0
"""A counter that wraps faster than this cannot be checked against arrival times, which a stalled
reader may delay. Source: common practice, no source."""


def laid_out(bodies: Sequence[bytes]) -> tuple[Bytes, NDArray[np.int64]]:
    """Frames as uint8[n, longest], filled up with zeros, and their lengths."""
    lengths = np.array([len(body) for body in bodies], np.int64)
    width = int(lengths.max())
    joined = b"".join(body.ljust(width, b"\0") for body in bodies)
    return np.frombuffer(joined, np.uint8).reshape(len(bodies), width), lengths


class Values:
    """Reads the fields of one kind of frame."""

    def __init__(self, frame: Frame) -> None:
        self.frame = frame
        trailer = 0 if frame.checksum is None else -frame.checksum.place
        self._trailer = trailer

    def take(
        self, bodies: Sequence[bytes]
    ) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[np.bool_]]]:
        """Raw numbers and what is missing, by channel."""
        rows, lengths = laid_out(bodies)
        raw: dict[str, NDArray[Any]] = {}
        missing: dict[str, NDArray[np.bool_]] = {}
        for field in self.frame.field:
            raw[field.name], gone = self._field(field, rows, lengths)
            if gone.any():
                missing[field.name] = gone
        return raw, missing

    def counts(self, counter: Counter, bodies: Sequence[bytes]) -> NDArray[np.int64]:
        """The device's counter in each frame."""
        rows, _ = laid_out(bodies)
        return _whole(counter, _wide_enough(rows, counter.end), self.frame)

    def _field(
        self, field: Field, rows: Bytes, lengths: NDArray[np.int64]
    ) -> tuple[NDArray[Any], NDArray[np.bool_]]:
        rows = _wide_enough(rows, field.end)
        gone = lengths - self._trailer < field.end
        where = field.where
        if field.digits is not None:
            raw, unknown = _display(field.digits, rows)
            gone |= unknown
        elif where is not None and field.decimal:
            raw = _floating(where, rows, self.frame)
            gone |= ~np.isfinite(raw)
        else:
            assert where is not None
            raw = _whole(where, rows, self.frame)
        if field.flag is not None:
            gone |= _bits(field.flag, rows) == 0
        if field.missing:
            gone |= np.isin(raw, field.missing)
        if field.valid is not None:
            gone |= ~((raw >= field.valid[0]) & (raw <= field.valid[1]))
        return np.where(gone, raw.dtype.type(0), raw), gone


def _wide_enough(rows: Bytes, width: int) -> Bytes:
    short = width - rows.shape[1]
    return np.pad(rows, ((0, 0), (0, short))) if short > 0 else rows


def _whole(where: Where, rows: Bytes, frame: Frame) -> NDArray[np.int64]:
    number = np.zeros(len(rows), np.int64)
    for column in where.columns(frame.byte_order):
        number = (number << 8) | rows[:, column]
    number = (number >> where.bit) & ((1 << where.width) - 1)
    if where.signed:
        top = 1 << (where.width - 1)
        number = (number ^ top) - top
    return number


def _floating(where: Where, rows: Bytes, frame: Frame) -> NDArray[np.float64]:
    columns = np.ascontiguousarray(rows[:, where.columns(frame.byte_order)])
    with np.errstate(invalid="ignore"):  # a signalling NaN is no value, and no error
        return columns.view(f">f{where.size}").ravel().astype(np.float64)


def _bits(place: Bits, rows: Bytes) -> NDArray[np.int64]:
    return (rows[:, place.byte].astype(np.int64) >> place.low) & ((1 << place.width) - 1)


def _display(digits: Digits, rows: Bytes) -> tuple[NDArray[Any], NDArray[np.bool_]]:
    """The number that the digits show, and where they show none."""
    number = np.zeros(len(rows), np.int64)
    unknown = np.zeros(len(rows), np.bool_)
    digit_of = digits.digit_of
    for places in digits.places:
        code = np.zeros(len(rows), np.int64)
        for place in places:
            code = (code << place.width) | _bits(place, rows)
        table = np.full(1 << sum(place.width for place in places), -1, np.int64)
        for pattern, shown in digit_of.items():
            if 0 <= pattern < len(table):
                table[pattern] = shown
        digit = table[code]
        unknown |= digit < 0
        number = number * 10 + np.maximum(digit, 0)
    if digits.minus is not None:
        number = np.where(_bits(digits.minus, rows) == 1, -number, number)
    if not digits.point:
        return number, unknown
    decimals = np.zeros(len(rows), np.int64)
    for place, count in digits.points:
        decimals = np.where(_bits(place, rows) == 1, count, decimals)
    return number / 10.0**decimals, unknown


class Unwrap:
    """A counter that starts over becomes an index that grows; says where the device restarted.

    Between two frames the counter advances by what it says, and by whole wraps when so much time
    went by. An advance that does not fit the time that went by is a restart of the device.
    """

    def __init__(self, counter: Counter) -> None:
        self._wrap = 1 << counter.width
        self._rate = counter.rate_hz / SECOND_NS
        self._least = 1 if counter.kind == "counter" else 0
        self._timed = self._wrap / counter.rate_hz >= TRUSTED_WRAP_S
        self._slack = max(0.25 * self._wrap, 2.0)
        self.clear()

    def clear(self) -> None:
        """What follows does not continue what was."""
        self._last: tuple[int, int, int] | None = None

    def take(self, counts: NDArray[np.int64], t_hi: NDArray[np.int64]) -> list[tuple[int, bool]]:
        """Index of each frame, and whether it begins anew."""
        return [self._one(int(count), int(t)) for count, t in zip(counts, t_hi)]

    def _one(self, count: int, t_ns: int) -> tuple[int, bool]:
        if self._last is None:
            self._last = (count, count, t_ns)
            return count, False
        last_count, last_index, last_ns = self._last
        step = (count - last_count) % self._wrap
        if self._timed:
            expected = (t_ns - last_ns) * self._rate
            step += self._wrap * max(0, round((expected - step) / self._wrap))
            if abs(step - expected) > self._slack + 0.05 * expected or step < self._least:
                self._last = (count, count, t_ns)
                return count, True
        elif step < self._least:
            step += self._wrap
        self._last = (count, last_index + step, t_ns)
        return last_index + step, False
