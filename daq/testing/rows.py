"""Rows as plain tables: joined, compared with each other and with the truth, checked for form."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.driver import Block, Channel, Stream
from daq.testing.simulated import Truth

Row = tuple[Any, ...]


@dataclass(frozen=True)
class Table:
    """All rows of one stream, in order; ``rows`` holds a tuple of values, None where missing."""

    rows: list[Row]
    t_lo: list[int]
    t_hi: list[int]
    index: list[int]
    segment: list[int]

    def __len__(self) -> int:
        return len(self.rows)


def tables(streams: Iterable[Stream], blocks: Sequence[Block]) -> dict[str, Table]:
    """Blocks joined by stream; values are ``scale * raw + offset`` in the order of channels."""
    result = {}
    for stream in streams:
        table = Table([], [], [], [], [])
        for block in blocks:
            if block.stream == stream.name:
                _extend(table, stream, block)
        result[stream.name] = table
    return result


def _extend(table: Table, stream: Stream, block: Block) -> None:
    columns = [_column(channel, block) for channel in stream.channels]
    table.rows.extend(zip(*columns, strict=True))
    table.t_hi.extend(block.t_hi.tolist())
    table.t_lo.extend(([0] * len(block)) if block.t_lo is None else block.t_lo.tolist())
    if block.index is not None:
        table.index.extend(block.index.tolist())
    table.segment.extend([block.segment] * len(block))


def _column(channel: Channel, block: Block) -> list[float | None]:
    raw = block.raw.get(channel.name)
    if raw is None:
        return [None] * len(block)
    values = (raw * channel.scale + channel.offset).tolist()
    missing = block.missing.get(channel.name)
    if missing is None:
        return list(values)
    return [None if gone else value for value, gone in zip(values, missing.tolist())]


def differences(streams: Iterable[Stream], one: Sequence[Block], two: Sequence[Block]) -> list[str]:
    """How two decodings of the same bytes differ: values, times, indices or segments."""
    streams = tuple(streams)
    first, second = tables(streams, one), tables(streams, two)
    return [
        f"stream {name}: {part} differ"
        for name in first
        for part in ("rows", "t_lo", "t_hi", "index", "segment")
        if not _same(getattr(first[name], part), getattr(second[name], part))
    ]


def _same(one: list[Any], two: list[Any]) -> bool:
    return repr(one) == repr(two)  # NaN equals NaN, 1 differs from 1.0


def untrue(
    streams: Sequence[Stream],
    blocks: Sequence[Block],
    truth: Sequence[Truth],
    *,
    gaps: bool = False,
) -> list[str]:
    """What of the decoded rows is not as the device sampled it.

    Rows must be a run of the true rows without a hole (with *gaps*: in their order), equal in
    every channel to 1e-6 relative, and each true time must lie within the row's bounds.
    """
    problems = []
    for stream in streams:
        table = tables([stream], blocks)[stream.name]
        names = [channel.name for channel in stream.channels]
        true = [
            (row.t_ns, tuple(row.values.get(name) for name in names))
            for row in truth
            if row.stream == stream.name
        ]
        if table and not true:
            problems.append(f"stream {stream.name}: {len(table)} rows, and the truth has none")
        elif table:
            problems += _compare(stream.name, names, table, true, gaps)
    return problems


def _compare(
    stream: str, names: list[str], table: Table, true: list[tuple[int, Row]], gaps: bool
) -> list[str]:
    starts = [n for n, (_, row) in enumerate(true) if _close(table.rows[0], row)]
    if not starts:
        shown = dict(zip(names, table.rows[0]))
        return [f"stream {stream}: the first row {shown} was never sampled"]
    trials = [_follow(stream, table, true, start, gaps) for start in starts]
    return min(trials, key=len)


def _follow(
    stream: str, table: Table, true: list[tuple[int, Row]], start: int, gaps: bool
) -> list[str]:
    at = start
    for number, row in enumerate(table.rows):
        while gaps and at < len(true) and not _fits(table, number, true[at]):
            at += 1
        if at >= len(true) or not _close(row, true[at][1]):
            nearest = true[at][1] if at < len(true) else "the end"
            return [f"stream {stream}: row {number}: got {row}, sampled {nearest}"]
        t_true, low, high = true[at][0], table.t_lo[number], table.t_hi[number]
        if not low <= t_true <= high:
            return [
                f"stream {stream}: row {number}: sampled at {t_true} ns, outside its bounds"
                f" {low} to {high} ns"
            ]
        at += 1
    return []


def _fits(table: Table, number: int, true: tuple[int, Row]) -> bool:
    inside = table.t_lo[number] <= true[0] <= table.t_hi[number]
    return inside and _close(table.rows[number], true[1])


def _close(one: Row, two: Row) -> bool:
    return all(
        (a is None) == (b is None)
        and (a is None or b is None or abs(a - b) <= 1e-6 * max(1.0, abs(b)))
        for a, b in zip(one, two, strict=True)
    )


def malformed(streams: Sequence[Stream], blocks: Sequence[Block]) -> list[str]:
    """What is wrong with the form or order of *blocks*."""
    known = {stream.name: stream for stream in streams}
    last: dict[str, Block] = {}
    problems: list[str] = []
    for block in blocks:
        stream = known.get(block.stream)
        if stream is None:
            problems.append(f"stream {block.stream!r} is not declared")
            continue
        problems += [f"stream {stream.name}: {text}" for text in _form(stream, block)]
        if stream.name in last:
            order = _order(stream, last[stream.name], block)
            problems += [f"stream {stream.name}: {text}" for text in order]
        if len(block):
            last[stream.name] = block
    return problems


def _form(stream: Stream, block: Block) -> list[str]:
    n = len(block)
    channels = {channel.name: channel for channel in stream.channels}
    problems = _array("t_hi", block.t_hi, np.int64, n)
    if np.any(np.diff(block.t_hi) < 0):
        problems.append("t_hi goes back")
    if block.t_lo is not None:
        problems += _array("t_lo", block.t_lo, np.int64, n)
        if np.any(block.t_lo > block.t_hi):
            problems.append("t_lo is later than t_hi")
    problems += _index(stream, block)
    for name, raw in block.raw.items():
        if name not in channels:
            problems.append(f"channel {name!r} is not declared")
        else:
            problems += _values(channels[name], raw, block.missing.get(name), n)
    for name in block.missing:
        if name not in block.raw:
            problems.append(f"channel {name!r} is marked missing and has no values")
    return problems


def _index(stream: Stream, block: Block) -> list[str]:
    if (block.index is None) != (not stream.index_kind):
        return ["index and index_kind do not go together"]
    if block.index is None:
        return []
    least = 1 if stream.index_kind == "counter" else 0
    problems = _array("index", block.index, np.int64, len(block))
    if np.any(np.diff(block.index) < least):
        problems.append("index does not increase within the segment")
    return problems


def _values(
    channel: Channel, raw: NDArray[Any], missing: NDArray[np.bool_] | None, n: int
) -> list[str]:
    name = channel.name
    problems = _array(name, raw, np.float64 if channel.decimal else np.int64, n)
    present = raw
    if missing is not None:
        problems += _array(f"missing {name}", missing, np.bool_, n)
        if len(missing) == len(raw):
            present = raw[~missing]
    if not len(present):
        return problems
    if channel.decimal:
        if not np.all(np.isfinite(present)):
            problems.append(f"{name}: not a number, and not marked missing")
    else:
        bits = channel.raw_bits - channel.raw_signed
        low = -(1 << bits) if channel.raw_signed else 0
        if int(present.min()) < low or int(present.max()) >= 1 << bits:
            problems.append(f"{name}: raw does not fit {channel.raw_bits} bits as declared")
    return problems


def _array(name: str, array: Any, dtype: Any, n: int) -> list[str]:
    if not isinstance(array, np.ndarray) or array.dtype != dtype or array.shape != (n,):
        found = f"{array.dtype}{array.shape}" if isinstance(array, np.ndarray) else repr(array)
        return [f"{name}: expected {np.dtype(dtype)}({n},), got {found}"]
    return []


def _order(stream: Stream, before: Block, block: Block) -> list[str]:
    problems: list[str] = []
    if not len(block):
        return problems
    if block.t_hi[0] < before.t_hi[-1]:
        problems.append("t_hi goes back between blocks")
    if block.segment < before.segment:
        problems.append("segment goes back")
    if block.index is not None and before.index is not None and block.segment == before.segment:
        least = 1 if stream.index_kind == "counter" else 0
        if block.index[0] - before.index[-1] < least:
            problems.append("index does not increase within the segment")
    return problems


def counts(blocks: Iterable[Block]) -> Mapping[str, int]:
    """Rows by stream."""
    result: dict[str, int] = {}
    for block in blocks:
        result[block.stream] = result.get(block.stream, 0) + len(block)
    return result
