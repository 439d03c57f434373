"""What a wire does to bytes: cuts, flips, losses, delays. Pure and seeded."""

from __future__ import annotations

import random
from collections.abc import Sequence

from daq.driver import Chunk, ChunkKind


def cut(
    chunks: Sequence[Chunk], rng: random.Random, longest: int = 9, grain: int = 1
) -> list[Chunk]:
    """The same bytes in pieces of 1 to *longest* grains, each stamped as the chunk it came in.

    *grain* is the least number of bytes that stay together: 1 on a serial line, a record on CAN.
    """
    pieces: list[Chunk] = []
    for chunk in chunks:
        if chunk.kind in (ChunkKind.TX, ChunkKind.NOTE):
            pieces.append(chunk)
            continue
        first = 0
        while first < len(chunk.data):
            end = first + grain * rng.randint(1, longest)
            pieces.append(chunk._replace(data=chunk.data[first:end]))
            first = end
    return pieces


def received(chunks: Sequence[Chunk]) -> int:
    """Number of received bytes in *chunks*."""
    return sum(len(c.data) for c in chunks if c.kind in (ChunkKind.RX, ChunkKind.RX_FD))


def replace(chunks: Sequence[Chunk], position: int, data: bytes) -> list[Chunk]:
    """*chunks* with the received bytes from *position* on overwritten by *data*."""
    result: list[Chunk] = []
    for chunk in chunks:
        if chunk.kind in (ChunkKind.RX, ChunkKind.RX_FD):
            first, end = max(position, 0), min(position + len(data), len(chunk.data))
            if first < end:
                new = bytearray(chunk.data)
                new[first:end] = data[first - position : end - position]
                chunk = chunk._replace(data=bytes(new))
            position -= len(chunk.data)
        result.append(chunk)
    return result


def flip(chunks: Sequence[Chunk], position: int, rng: random.Random) -> list[Chunk]:
    """*chunks* with one received byte changed to another one."""
    old = at(chunks, position)
    return replace(chunks, position, bytes([old ^ rng.randint(1, 255)]))


def at(chunks: Sequence[Chunk], position: int) -> int:
    """The received byte at *position*; IndexError beyond the end."""
    for chunk in chunks:
        if chunk.kind in (ChunkKind.RX, ChunkKind.RX_FD):
            if position < len(chunk.data):
                return chunk.data[position]
            position -= len(chunk.data)
    raise IndexError("no such received byte")


def drop(chunks: Sequence[Chunk], position: int, count: int) -> list[Chunk]:
    """*chunks* without *count* received bytes from *position* on."""
    result: list[Chunk] = []
    for chunk in chunks:
        if chunk.kind in (ChunkKind.RX, ChunkKind.RX_FD):
            size = len(chunk.data)
            first, end = min(max(position, 0), size), min(max(position + count, 0), size)
            chunk = chunk._replace(data=chunk.data[:first] + chunk.data[end:])
            position -= size
        result.append(chunk)
    return result


def delay(chunks: Sequence[Chunk], seconds: float, first: int = 0) -> list[Chunk]:
    """*chunks* with those from number *first* on read later by *seconds*."""
    by = round(seconds * 1e9)
    return [
        chunk._replace(t_ns=chunk.t_ns + by) if number >= first else chunk
        for number, chunk in enumerate(chunks)
    ]


def garbage(rng: random.Random, count: int) -> bytes:
    """*count* bytes as a line in trouble gives them: random, stuck, and scraps of text."""
    kinds = (
        rng.randbytes,
        lambda n: bytes([rng.choice((0x00, 0xFF, 0x80, 0x55))]) * n,
        lambda n: bytes(rng.choice(b"0123456789+-. ,;:\r\nATV") for _ in range(n)),
    )
    result = b""
    while len(result) < count:
        result += rng.choice(kinds)(rng.randint(1, 60))
    return result[:count]
