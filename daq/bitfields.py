"""Numbers out of frames in bulk: every signal a shift and a mask on one 64-bit word.

A big-endian signal is a little-endian one in the frame read backwards. So each frame is laid out
once forwards and once backwards, and a signal is described by the byte at which its word begins,
a shift, a mask and a sign bit, whatever its byte order.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.dbc import Signal

WORD = 8
"""Bytes of the word that a signal is cut from."""


def laid_out(data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Frames forwards and backwards, one row each, for :meth:`BitFields.take`.

    *data* is uint8[n, width]; rows of the result may be chosen before it is used.
    """
    width = data.shape[1]
    spare = 0 if width == WORD else WORD
    both = np.zeros((len(data), 2 * width + spare), np.uint8)
    both[:, :width] = data
    both[:, width : 2 * width] = data[:, ::-1]
    return both


class BitFields:
    """Where *signals* lie in frames of *width* bytes (8, or 64 with CAN FD)."""

    def __init__(self, signals: Sequence[Signal], width: int) -> None:
        self.bytes_needed = np.array([signal.bytes_needed for signal in signals], np.int64)
        self.most_needed = int(self.bytes_needed.max())
        # with 8 bytes the two words are the frame itself, forwards and backwards
        self._step = WORD if width == WORD else 1
        self._words = 2 * width // self._step
        inside = self.bytes_needed <= width
        low_bit = np.where(inside, [_low_bit(signal, width) for signal in signals], 0)
        length = np.array([[signal.length] for signal in signals], np.uint64)
        self._word = low_bit // (8 * self._step)
        self._shift = (low_bit % (8 * self._step)).astype(np.uint64)[:, None]
        self._mask = ~np.uint64(0) >> (np.uint64(64) - length)
        signed = np.array([[s.signed and not s.decimal] for s in signals])
        self._sign = np.where(signed, np.uint64(1) << (length - np.uint64(1)), np.uint64(0))
        self._signed = bool(signed.any())
        self._straddling = np.flatnonzero(inside[:, None] & (self._shift + length > 64))

    def take(self, both: NDArray[np.uint8]) -> NDArray[np.int64]:
        """Raw numbers int64[signals, n] of frames that :func:`laid_out` prepared.

        Unsigned numbers of 64 bits come in two's complement; a signal that reaches beyond the
        width gives an arbitrary number.
        """
        shape = (self._words, len(both))
        words = np.ndarray(shape, "<u8", both, strides=(self._step, both.shape[1]))
        raw = np.ascontiguousarray(words[self._word])
        raw >>= self._shift
        for signal in self._straddling:
            ninth = both[:, self._word[signal] + WORD].astype(np.uint64)
            raw[signal] |= ninth << (np.uint64(64) - self._shift[signal])
        raw &= self._mask
        if self._signed:
            raw ^= self._sign
            raw -= self._sign
        return raw.view(np.int64)


def _low_bit(signal: Signal, width: int) -> int:
    """Place of a signal's lowest bit in a row of frames laid out both ways."""
    return 2 * 8 * width - 1 - signal.last_bit if signal.big_endian else signal.start


def decimals(raw: NDArray[np.int64], length: int) -> NDArray[np.float64]:
    """IEEE 754 numbers of *length* 16, 32 or 64 bits from their bit patterns, NaN made quiet."""
    size = length // 8
    pattern: NDArray[Any] = raw.astype(f"<u{size}").view(f"<f{size}")
    with np.errstate(invalid="ignore"):
        return np.where(np.isnan(pattern), np.nan, pattern).astype(np.float64)
