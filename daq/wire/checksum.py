"""Checksums of declared streams: any CRC, sums, XOR and Fletcher's, over many frames at once.

Source: Ross N. Williams, "A painless guide to CRC error detection algorithms" (1993), for the
parameters of a CRC; J. G. Fletcher, "An arithmetic checksum for serial transmissions" (1982).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.config import key

Kind = Literal["crc", "sum", "sum_twos_complement", "sum_ones_complement", "xor", "fletcher"]
_TOP = np.uint64(56)
_BYTE = np.uint64(8)


@dataclass(frozen=True)
class Checksum:
    """A checksum and its parameters, which are keys of a declaration too.

    Parameters of a CRC are given in unreflected form: ``polynomial`` without its highest term,
    ``initial`` and ``final_xor`` as whole registers.
    """

    kind: Kind
    width: int = key(8, unit="bit", low=1, high=64)
    polynomial: int | None = key(None, low=0, help="crc only; without the highest term")
    initial: int = key(0, low=0, help="crc only")
    reflect_in: bool = key(False, help="crc only: each byte's lowest bit first")
    reflect_out: bool = key(False, help="crc only: the register turned round at the end")
    final_xor: int = key(0, low=0, help="crc only")

    def __post_init__(self) -> None:
        if self.kind == "crc":
            self._check_crc()
        elif (self.polynomial, self.initial, self.final_xor) != (None, 0, 0) or (
            self.reflect_in or self.reflect_out
        ):
            raise ValueError("polynomial, initial, reflect_in, reflect_out, final_xor: for a crc")
        widths = {"xor": (8,), "fletcher": (16, 32), "crc": range(1, 65)}
        allowed = widths.get(self.kind, (8, 16, 24, 32))
        if self.width not in allowed:
            words = " or ".join(map(str, allowed))
            raise ValueError(f"width: expected {words} for kind {self.kind!r}, got {self.width}")

    def _check_crc(self) -> None:
        if self.polynomial is None:
            raise ValueError("polynomial: missing; expected one for a crc, such as 0x1021")
        for name in ("polynomial", "initial", "final_xor"):
            value = getattr(self, name)
            if value >> self.width:
                top = name == "polynomial" and value >> self.width == 1
                meant = f" (without the highest term: {value ^ 1 << self.width:#x})" if top else ""
                raise ValueError(
                    f"{name}: expected at most {self.width} bits{meant}, got {value:#x}"
                )

    @property
    def size(self) -> int:
        """Bytes that it takes in a frame."""
        return (self.width + 7) // 8

    def of(self, data: bytes) -> int:
        """The checksum of *data*."""
        return int(self.of_rows(np.frombuffer(data, np.uint8)[None, :])[0])

    def of_rows(self, rows: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """uint64[n] checksums of uint8[n, length] frames."""
        if self.kind == "crc":
            return self._crc(rows)
        if self.kind == "xor":
            return np.asarray(np.bitwise_xor.reduce(rows, axis=1), np.uint64)
        if self.kind == "fletcher":
            return self._fletcher(rows)
        total: NDArray[np.uint64] = rows.sum(axis=1, dtype=np.uint64)
        if self.kind == "sum_twos_complement":
            total = np.uint64(0) - total
        elif self.kind == "sum_ones_complement":
            total = ~total
        return total & np.uint64((1 << self.width) - 1)

    def _crc(self, rows: NDArray[np.uint8]) -> NDArray[np.uint64]:
        spare = np.uint64(64 - self.width)  # the register lies at the upper end of 64 bits
        assert self.polynomial is not None
        table = _table(self.polynomial << (64 - self.width))
        source = _turned_bytes()[rows] if self.reflect_in else rows
        columns = source.T.astype(np.uint64) << _TOP
        register = np.full(len(rows), np.uint64(self.initial) << spare, np.uint64)
        for column in columns:
            register = (register << _BYTE) ^ table[(register ^ column) >> _TOP]
        result = register >> spare
        if self.reflect_out:
            result = _turned(result, self.width)
        return result ^ np.uint64(self.final_xor)

    def _fletcher(self, rows: NDArray[np.uint8]) -> NDArray[np.uint64]:
        """Two sums modulo 255 of bytes, or modulo 65535 of little-endian words padded by zero."""
        half = self.width // 2
        words = rows.astype(np.uint64)
        if half == 16:
            padded = np.pad(words, ((0, 0), (0, words.shape[1] % 2)))
            words = padded[:, ::2] + (padded[:, 1::2] << _BYTE)
        modulus = np.uint64((1 << half) - 1)
        count = words.shape[1]
        first: NDArray[np.uint64] = words.sum(axis=1) % modulus
        # each word is in the second sum as often as words follow it, itself included
        second: NDArray[np.uint64] = (words * np.arange(count, 0, -1, dtype=np.uint64)).sum(
            axis=1
        ) % modulus
        return (second << np.uint64(half)) | first


@cache
def _table(polynomial: int) -> NDArray[np.uint64]:
    """What each top byte of a 64-bit register adds to it as it is shifted out."""
    register = np.arange(256, dtype=np.uint64) << _TOP
    for _ in range(8):
        top = register >> np.uint64(63)
        register = (register << np.uint64(1)) ^ (top * np.uint64(polynomial))
    return register


@cache
def _turned_bytes() -> NDArray[np.uint8]:
    return _turned(np.arange(256, dtype=np.uint64), 8).astype(np.uint8)


def _turned(values: NDArray[np.uint64], width: int) -> NDArray[np.uint64]:
    """*values* with their lowest *width* bits in reverse order."""
    one = np.uint64(1)
    result = np.zeros_like(values)
    for bit in range(width):
        result = (result << one) | ((values >> np.uint64(bit)) & one)
    return result
