"""A picture of two channels laid over each other, as they arrived and as they were aligned: SVG."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from daq.errors import RunFileError
from daq.findings import IGNITION
from daq.runfile.content import AlignedContent, ChannelContent, RunContent, StreamContent

Floats = NDArray[np.float64]

WIDTH, PANEL, LEFT, RIGHT, TOP, GAP = 960, 250, 70, 20, 44, 56
COLOURS = ("#1f4e8c", "#c8501e")
SPAN_S = 3.0
DOT_LIMIT = 400


@dataclass(frozen=True)
class Line:
    """One channel in one panel: times in s, values."""

    name: str
    unit: str
    t: Floats
    value: Floats

    def within(self, first: float, last: float) -> Line:
        """The part between two times, with values."""
        rows = (self.t >= first) & (self.t <= last) & np.isfinite(self.value)
        return Line(self.name, self.unit, self.t[rows], self.value[rows])


@dataclass(frozen=True)
class Panel:
    """Two lines over each other; ``late_s`` is how much the second lags, if that shows."""

    title: str
    lines: tuple[Line, Line]
    late_s: float | None


def usual_pair(content: RunContent) -> tuple[str, str]:
    """The two columns that should line up: engine speed by pulses and another, else twins.

    Raises RunFileError where no two columns measure one quantity.
    """
    channels = [channel for stream in content.streams for channel in stream.channels]
    names = set() if content.aligned is None else {c.name for c in content.aligned.columns}
    if IGNITION in names:
        for channel in channels:
            if channel.role == "engine_speed" and channel.name in names:
                return IGNITION, channel.name
    by_role: dict[str, str] = {}
    for channel in channels:
        if channel.role and channel.name in names:
            first = by_role.setdefault(channel.role, channel.name)
            if first != channel.name:
                return first, channel.name
    raise RunFileError(
        "no two channels measure one quantity, so none can be laid over each other; name two with"
        " --channels"
    )


def panels(content: RunContent, first: str, second: str) -> list[Panel]:
    """As they arrived and as aligned, around the steepest change of the first."""
    if content.aligned is None:
        raise RunFileError("the run file has no aligned table")
    aligned = tuple(_column(content.aligned, name) for name in (first, second))
    arrived = tuple(_arrived(content, line) for line in aligned)
    begin, end = _steepest(aligned[0])
    made = []
    for title, (one, two) in (("as they arrived", arrived), ("aligned", aligned)):
        lines = one.within(begin, end), two.within(begin, end)
        made.append(Panel(title, lines, lateness(*lines)))
    return made


def lateness(one: Line, two: Line) -> float | None:
    """By how much *two* lags *one* in s, by least squares after gain and offset are fitted."""
    if len(one.t) < 10 or len(two.t) < 10 or np.ptp(one.value) == 0:
        return None
    late = 0.0
    for _ in range(8):
        model = np.interp(two.t - late, one.t, one.value)
        slope = np.gradient(model, two.t)
        columns = np.stack([model, np.ones_like(model), -slope], axis=1)
        solved, *_ = np.linalg.lstsq(columns, two.value, rcond=None)
        if abs(solved[0]) < 1e-12:
            return None
        late += float(np.clip(solved[2] / solved[0], -0.05, 0.05))
    return late


def _column(aligned: AlignedContent, name: str) -> Line:
    for column in aligned.columns:
        if column.name == name:
            return Line(name, column.unit, aligned.time, column.value)
    raise RunFileError(
        f"the aligned table has no column {name!r}; there are:"
        f" {', '.join(c.name for c in aligned.columns)}"
    )


def _arrived(content: RunContent, line: Line) -> Line:
    """The same channel at the host's arrival times; pulses have the device's own times."""
    for stream, channel in _all_channels(content):
        if channel.name == line.name:
            t = (stream.raw_time - content.time_zero_ns) / 1e9
            return Line(line.name, line.unit, t, channel.value)
    return line


def _all_channels(content: RunContent) -> Iterator[tuple[StreamContent, ChannelContent]]:
    for stream in content.streams:
        for channel in stream.channels:
            yield stream, channel


def _steepest(line: Line) -> tuple[float, float]:
    """A stretch of 3 s around the steepest change over a tenth of a second."""
    good = np.isfinite(line.value)
    t, value = line.t[good], line.value[good]
    if len(t) < 3:
        raise RunFileError(f"column {line.name} has no values to draw")
    ahead = np.interp(t + 0.05, t, value) - np.interp(t - 0.05, t, value)
    middle = float(t[int(np.argmax(np.abs(ahead)))])
    begin = min(max(middle - SPAN_S / 2, float(t[0])), max(float(t[-1]) - SPAN_S, float(t[0])))
    return begin, begin + SPAN_S


# --- drawing


def svg(made: list[Panel], title: str) -> str:
    """The panels one below the other, as one SVG document."""
    height = TOP + len(made) * (PANEL + GAP)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}"'
        f' height="{height}" font-family="sans-serif" font-size="13">',
        f'<rect width="{WIDTH}" height="{height}" fill="white"/>',
        _text(LEFT, 22, title, size=16),
    ]
    for number, panel in enumerate(made):
        parts += _panel(panel, TOP + number * (PANEL + GAP))
    return "\n".join([*parts, "</svg>", ""])


def _panel(panel: Panel, top: float) -> Iterator[str]:
    lines = panel.lines
    t_low = min((float(line.t[0]) for line in lines if len(line.t)), default=0.0)
    t_high = max((float(line.t[-1]) for line in lines if len(line.t)), default=1.0)
    shared = lines[0].unit == lines[1].unit
    ranges = [_range(lines if shared else (line,)) for line in lines]
    right, bottom = WIDTH - RIGHT, top + PANEL
    yield (
        f'<rect x="{LEFT}" y="{top}" width="{right - LEFT}" height="{PANEL}" fill="none"'
        ' stroke="#999"/>'
    )
    yield from _axes((t_low, t_high), ranges[0], top)
    for line, (low, high), colour in zip(lines, ranges, COLOURS, strict=True):
        x = LEFT + (line.t - t_low) / max(t_high - t_low, 1e-9) * (right - LEFT)
        y = bottom - (line.value - low) / (high - low) * PANEL
        yield from _curve(x, y, colour)
    yield _text(LEFT, top - 6, _caption(panel))
    for n, (line, colour) in enumerate(zip(lines, COLOURS, strict=True)):
        yield _text(right - 260 + 130 * n, top - 6, line.name, colour=colour)


def _caption(panel: Panel) -> str:
    if panel.late_s is None:
        return panel.title
    which, late = panel.lines[1].name, 1e3 * panel.late_s
    return f"{panel.title}: {which} is {abs(late):.1f} ms {'late' if late >= 0 else 'early'}"


def _range(lines: tuple[Line, ...]) -> tuple[float, float]:
    values = np.concatenate([line.value for line in lines])
    if not len(values):
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    margin = 0.05 * (high - low) or 1.0
    return low - margin, high + margin


def _axes(t: tuple[float, float], value: tuple[float, float], top: float) -> Iterator[str]:
    for at in _ticks(*t):
        x = LEFT + (at - t[0]) / (t[1] - t[0]) * (WIDTH - RIGHT - LEFT)
        yield f'<path d="M{x:.1f} {top}v{PANEL}" stroke="#e4e4e4"/>'
        yield _text(x - 10, top + PANEL + 16, f"{at:g} s")
    for at in _ticks(*value):
        y = top + PANEL - (at - value[0]) / (value[1] - value[0]) * PANEL
        yield f'<path d="M{LEFT} {y:.1f}H{WIDTH - RIGHT}" stroke="#e4e4e4"/>'
        yield _text(6, y + 4, f"{at:g}")


def _ticks(low: float, high: float) -> list[float]:
    """Round numbers, about six of them."""
    rough = (high - low) / 6
    if rough <= 0:
        return [low]
    power = 10.0 ** np.floor(np.log10(rough))
    step = power * next(f for f in (1, 2, 5, 10) if f * power >= rough)
    return [round(k * step, 12) for k in range(int(np.ceil(low / step)), int(high // step) + 1)]


def _curve(x: Floats, y: Floats, colour: str) -> Iterator[str]:
    points = " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
    yield f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="1.5"/>'
    if len(x) <= DOT_LIMIT:
        dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x, y, strict=True))
        yield (
            f'<path d="{dots}" stroke="{colour}" stroke-width="4" stroke-linecap="round"'
            ' fill="none"/>'
        )


def _text(x: float, y: float, text: str, *, size: int = 13, colour: str = "#222") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size}" fill="{colour}">{escape(text)}</text>'
