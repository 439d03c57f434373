"""A device's clock on the host's: anchors in, a table of straight pieces out.

All arithmetic is anchored: integer nanoseconds minus an integer origin, so that a float only ever
holds a small difference (monotonic ns do not fit the 53 bits of a float).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.timebase.hull import Bools, Floats, believable, line_over, line_under
from daq.timebase.segments import Breaks, part_of, parts

Ints = NDArray[np.int64]

WINDOW_S = 20.0
LONG_S = 30.0
LEAST_ANCHORS = 20
LEAST_SPAN_S = 1.0
GROUP_BIN_S = 0.25e-3
GROUP_APART = 4

PIECE = np.dtype(
    [
        ("segment", "<i8"),
        ("begins_ns", "<i8"),
        ("first", "<i8"),
        ("last", "<i8"),
        ("x0", "<i8"),
        ("y0_ns", "<i8"),
        ("slope", "<f8"),
        ("anchors", "<i8"),
        ("rejected", "<i8"),
        ("q05_s", "<f8"),
        ("q50_s", "<f8"),
        ("scatter_s", "<f8"),
        ("unseen_s", "<f8"),
        ("half_gap_s", "<f8"),
    ]
)
"""One straight piece: host ns = y0_ns + slope * (index - x0).

``segment``, ``begins_ns``: the rows it serves (that segment, bounded from that host time on);
``first``, ``last``: its range of indices, the next piece begins where it ends; ``slope`` ns per
count; ``anchors`` used and ``rejected``; ``q05_s``, ``q50_s``: how far the bounds lie above the
line at 5 and 50 %; ``scatter_s``: how much lines under every seventh anchor differ at its ends;
``unseen_s``: spacing of those distances where they come in regular groups
(arrivals wait for the ticks of a timer that goes evenly with the device, and the smallest wait
may be anything up to that), else 0; ``half_gap_s``: half the distance between the bounds from
both sides, NaN where bounds come from one side only.
"""


@dataclass(frozen=True)
class Anchors:
    """Facts that tie a device's index to the host's clock. All arrays have n rows.

    ``index`` int64; ``t_hi`` int64 ns, that index passed no later; ``segment`` int64.
    """

    index: Ints
    t_hi: Ints
    segment: Ints

    @classmethod
    def of(cls, index: Any, t_hi: Any, segment: Any = 0) -> Anchors:
        """The same from anything array-like; one *segment* serves all rows."""
        index = np.asarray(index, np.int64)
        segment = np.broadcast_to(np.asarray(segment, np.int64), index.shape)
        return cls(index, np.asarray(t_hi, np.int64), segment)

    def __len__(self) -> int:
        return len(self.index)

    def tightest(self) -> Anchors:
        """Only the last row of each run with one bound: the others say less."""
        if len(self) < 2:
            return self
        last = np.append((np.diff(self.t_hi) != 0) | (np.diff(self.segment) != 0), True)
        return Anchors(self.index[last], self.t_hi[last], self.segment[last])


@dataclass(frozen=True)
class Echo:
    """Answers to an echo request: the device took ``index`` between ``t_sent`` and ``t_heard``.

    ``t_sent`` int64 ns: when the last byte of the request can have left at the earliest;
    ``t_heard`` int64 ns: bound of the answer as for any frame.
    """

    index: Ints
    t_sent: Ints
    t_heard: Ints
    segment: Ints

    def anchors(self) -> Anchors:
        """What an answer says as an ordinary frame."""
        return Anchors(self.index, self.t_heard, self.segment)


@dataclass(frozen=True)
class ClockMap:
    """A device's index on the host's clock, as a table of :data:`PIECE`."""

    index_hz: float
    pieces: NDArray[Any]
    breaks: Breaks

    def times(self, index: Ints, t_hi: Ints, segment: Ints) -> tuple[Ints, Ints]:
        """Host time in ns of each index and the piece used; where there is none, ``t_hi`` and -1.

        Rows that share one bound with a break may lie on either side of it: the side counts that
        puts them nearer to their bound.
        """
        part = part_of(self.breaks, t_hi, segment)
        t, piece = self._in_part(part, index, t_hi)
        shared = np.flatnonzero((part > 0) & (t_hi == self.breaks.begins_ns[part.clip(0)]))
        shared = shared[self.breaks.segment[part[shared] - 1] == segment[shared]]
        before, its_piece = self._in_part(part[shared] - 1, index[shared], t_hi[shared])
        nearer = np.abs(t_hi[shared] - before) < np.abs(t_hi[shared] - t[shared])
        t[shared] = np.where(nearer, before, t[shared])
        piece[shared] = np.where(nearer, its_piece, piece[shared])
        return t, piece

    def _in_part(self, part: Ints, index: Ints, t_hi: Ints) -> tuple[Ints, Ints]:
        """Times and pieces of rows whose part is known."""
        piece = self._piece_of(part, index)
        if not len(self.pieces):
            return t_hi.copy(), piece
        row = self.pieces[np.maximum(piece, 0)]
        step = np.rint(row["slope"] * (index - row["x0"]).astype(np.float64)).astype(np.int64)
        return np.where(piece >= 0, row["y0_ns"] + step, t_hi), piece

    def _piece_of(self, part: Ints, index: Ints) -> Ints:
        """Row of ``pieces`` that serves each sample; -1 where none does."""
        piece_part = part_of(self.breaks, self.pieces["begins_ns"], self.pieces["segment"])
        result = np.full(len(index), -1, np.int64)
        for number in np.unique(piece_part):
            mine = np.flatnonzero(piece_part == number)
            rows = part == number
            at = np.searchsorted(self.pieces["first"][mine], index[rows], side="right") - 1
            result[rows] = mine[np.maximum(at, 0)]
        return result

    @property
    def skew_ppm(self) -> float:
        """How much slower than nominal the device's clock runs, in 1e-6; mean of all pieces."""
        if not len(self.pieces):
            return 0.0
        weight = np.maximum(self.pieces["anchors"], 1)
        slope = float(np.average(self.pieces["slope"], weights=weight))
        return (slope * self.index_hz * 1e-9 - 1.0) * 1e6

    @property
    def two_way(self) -> bool:
        """Whether every piece is bounded from both sides."""
        return bool(len(self.pieces)) and not np.isnan(self.pieces["half_gap_s"]).any()


def device_clock(
    anchors: Anchors | Sequence[Anchors], index_hz: float, *, echo: Echo | None = None
) -> ClockMap:
    """Fit one map through the anchors of all streams that share a device's clock.

    Robust lower hull of the bounds against the index: one line up to 30 s, beyond that a chain of
    lines with a node each 20 s. With *echo*, the middle between the bounds of both sides. A piece
    with fewer than 20 anchors or less than 1 s keeps the slope of the longest one (or nominal).
    """
    groups = [anchors] if isinstance(anchors, Anchors) else list(anchors)
    if echo is not None:
        groups.append(echo.anchors())
    thin = [group.tightest() for group in groups if len(group)]
    if not thin:
        return ClockMap(index_hz, np.empty(0, PIECE), Breaks.none())
    merged = _merge(thin)
    breaks = parts(merged.index, merged.t_hi, merged.segment, index_hz)
    part = part_of(breaks, merged.t_hi, merged.segment)
    echo_part = None if echo is None else part_of(breaks, echo.t_heard, echo.segment)
    fits = []
    for number in range(len(breaks)):
        rows = part == number
        one_echo = None
        if echo is not None and echo_part is not None:
            mine = echo_part == number
            one_echo = (echo.index[mine], echo.t_sent[mine])
        if rows.any():
            fits.append(
                _Part(
                    int(breaks.segment[number]),
                    int(breaks.begins_ns[number]),
                    merged.index[rows],
                    merged.t_hi[rows],
                    1e9 / index_hz,
                    one_echo,
                )
            )
    return ClockMap(index_hz, _table(fits), breaks)


def _merge(groups: Sequence[Anchors]) -> Anchors:
    """All anchors in the order of segment, arrival and index."""
    if len(groups) == 1:
        return groups[0]
    index = np.concatenate([group.index for group in groups])
    t_hi = np.concatenate([group.t_hi for group in groups])
    segment = np.concatenate([group.segment for group in groups])
    order = np.lexsort((index, t_hi, segment))
    return Anchors(index[order], t_hi[order], segment[order]).tightest()


def _table(fits: Sequence[_Part]) -> NDArray[Any]:
    fitted = [fit for fit in fits if fit.nodes]
    longest = max(fitted, key=lambda fit: fit.span_s, default=None)
    slope = 0.0 if longest is None else longest.mean_slope
    rows = [row for fit in fits for row in fit.pieces(slope)]
    return np.array(rows, PIECE)


@dataclass(frozen=True)
class _Node:
    """A point of the map in seconds from the part's origin, with the slope there."""

    x: float
    y: float
    slope: float
    half_gap: float = np.nan
    rejected: int = 0
    scatter: float = np.nan


class _Part:
    """Rows whose index runs on without a break: y - nominal x, in seconds, against x."""

    def __init__(
        self,
        segment: int,
        begins_ns: int,
        index: Ints,
        t_hi: Ints,
        nominal_ns: float,
        echo: tuple[Ints, Ints] | None,
    ) -> None:
        self.segment, self.begins_ns, self.nominal_ns = segment, begins_ns, nominal_ns
        order = np.argsort(index, kind="stable")
        self.index, self.x0, self.y0 = index[order], int(index[order][0]), int(t_hi[order][0])
        self.x, self.r = self._seconds(self.index, t_hi[order])
        self.echo = None if echo is None else self._seconds(*echo)
        self.nodes = self._nodes()

    def _seconds(self, index: Ints, t_ns: Ints) -> tuple[Floats, Floats]:
        x_ns: Floats = (index - self.x0) * np.float64(self.nominal_ns)
        return x_ns * 1e-9, ((t_ns - self.y0) - x_ns) * 1e-9

    @property
    def span_s(self) -> float:
        return float(self.x[-1] - self.x[0])

    @property
    def mean_slope(self) -> float:
        first, last = self.nodes[0], self.nodes[-1]
        return first.slope if first is last else (last.y - first.y) / (last.x - first.x)

    def _nodes(self) -> list[_Node]:
        windows = max(1, round(self.span_s / WINDOW_S)) if self.span_s > LONG_S else 1
        edges = np.linspace(self.x[0], self.x[-1], windows + 1)
        found = [self._node(edges[i], edges[i + 1]) for i in range(windows)]
        nodes = [node for node in found if node is not None]
        if not nodes and windows > 1:
            whole = self._node(self.x[0], self.x[-1])
            nodes = [whole] if whole is not None else []
        return nodes

    def _node(self, begin: float, end: float) -> _Node | None:
        inside = (self.x >= begin) & (self.x <= end)
        x, r = self.x[inside], self.r[inside]
        if len(x) < LEAST_ANCHORS or x[-1] - x[0] < LEAST_SPAN_S:
            return None
        keep = believable(x, r)
        x, r = x[keep], r[keep]
        value, slope = line_under(x, r)
        scatter = _scatter(x, r, (begin, end))
        node = _Node(float(x.mean()), value, slope, np.nan, int((~keep).sum()), scatter)
        return self._two_sided(node, begin, end)

    def _two_sided(self, node: _Node, begin: float, end: float) -> _Node:
        if self.echo is None:
            return node
        inside = (self.echo[0] >= begin) & (self.echo[0] <= end)
        x, r = self.echo[0][inside], self.echo[1][inside]
        if len(x) < 4 or x[-1] <= x[0]:
            return node
        value, slope = line_over(x, r)
        below = value + slope * (node.x - float(x.mean()))
        tilt = abs(node.slope - slope) / 2 * max(end - node.x, node.x - begin)
        half_gap = max(0.0, (node.y - below) / 2) + tilt
        middle, lean = (node.y + below) / 2, (node.slope + slope) / 2
        return replace(node, y=middle, slope=lean, half_gap=half_gap)

    def pieces(self, slope: float) -> list[tuple[Any, ...]]:
        """Rows of the table; *slope* serves where there is too little for one of its own."""
        if not self.nodes:
            level = float(np.min(self.r - slope * self.x))
            return [self._piece(_Node(0.0, level, slope), None, None)]
        if len(self.nodes) == 1:
            return [self._piece(self.nodes[0], None, None)]
        rows = []
        for i, (a, b) in enumerate(pairwise(self.nodes)):
            begin = None if i == 0 else a.x
            end = None if i == len(self.nodes) - 2 else b.x
            chord = replace(
                a,
                slope=(b.y - a.y) / (b.x - a.x),
                half_gap=max(a.half_gap, b.half_gap),
                rejected=a.rejected + (b.rejected if end is None else 0),
                scatter=max(a.scatter, b.scatter),
            )
            rows.append(self._piece(chord, begin, end))
        return rows

    def _piece(self, node: _Node, begin: float | None, end: float | None) -> tuple[Any, ...]:
        """One row; its y0 is put on a whole index, so that nothing is lost in rounding x."""
        first = self.x0 if begin is None else self._index_at(begin)
        last = int(self.index[-1]) if end is None else self._index_at(end)
        x0 = self._index_at(node.x)
        x_s = (x0 - self.x0) * self.nominal_ns * 1e-9
        y_ns = (node.y + node.slope * (x_s - node.x) + x_s) * 1e9
        rows = self._between(first, last)
        above = self.r[rows] - (node.y + node.slope * (self.x[rows] - node.x))
        q05, q50 = np.quantile(above, (0.05, 0.5)) if len(above) else (np.nan, np.nan)
        return (
            self.segment,
            self.begins_ns,
            first,
            last,
            x0,
            self.y0 + round(y_ns),
            self.nominal_ns * (1 + node.slope),
            int(rows.sum()),
            node.rejected,
            float(q05),
            float(q50),
            node.scatter,
            _grouped(above),
            node.half_gap,
        )

    def _index_at(self, x_s: float) -> int:
        return self.x0 + round(x_s * 1e9 / self.nominal_ns)

    def _between(self, first: int, last: int) -> Bools:
        return (self.index >= first) & (self.index <= last)


def _scatter(x: Floats, r: Floats, ends: tuple[float, float]) -> float:
    """Standard deviation, at the worse end, of the lines under every seventh point.

    Seven, because timers and packets go evenly with smaller numbers of rows.
    """
    folds = 7 if len(x) >= 70 else 2
    lines = [(x[i::folds].mean(), *line_under(x[i::folds], r[i::folds])) for i in range(folds)]
    at = np.array([[value + slope * (end - x0) for x0, value, slope in lines] for end in ends])
    return float(np.max(np.std(at, axis=1, ddof=1)))


def _grouped(above: Floats) -> float:
    """Spacing of distances that come in at least three evenly spaced groups; 0 if they do not."""
    usual = above[above <= np.quantile(above, 0.9)] if len(above) else above
    if len(usual) < LEAST_ANCHORS:
        return 0.0
    number = np.bincount((usual.clip(0) / GROUP_BIN_S).astype(np.int64))
    full = np.flatnonzero(number > 0.35 * number[number > 0].mean())
    begins = full[np.diff(full, prepend=-GROUP_APART) >= GROUP_APART]
    spacing = np.diff(begins)
    if len(spacing) < 2 or spacing.max() > 1.5 * spacing.min():
        return 0.0
    return float(np.median(spacing)) * GROUP_BIN_S
