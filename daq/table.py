"""The aligned table: every channel on the encoder's grid, beside roller distance and speed."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.align import Placement, grid
from daq.bench import Bench
from daq.channels import BenchChannel
from daq.evaluate import Evaluation, Key
from daq.runfile.content import AlignedContent, ColumnContent

Floats = NDArray[np.float64]
WINDOW_S = 0.1
UNCERTAINTY_ROWS = 64


class Motion(NamedTuple):
    """Roller motion at the grid's times: m, m/s, m/s², float64[G]; NaN where it is not known."""

    position: Floats
    speed: Floats
    acceleration: Floats


def aligned_content(bench: Bench, result: Evaluation) -> AlignedContent | None:
    """All channels on a uniform grid; None when there is no row at all.

    The grid is of the encoder's time base: the clock of the device that counts the rollers, put on
    host time. Without an encoder the grid is of host time alone, and says so.
    """
    if not result.rows:
        return None
    set_name = next((n for n in bench.roller_set if _encoder(bench, result, n) is not None), None)
    spans = [result.seconds(key)[[0, -1]] for key, rows in result.rows.items() if len(rows)]
    rate = bench.run.grid_rate_hz
    first, last = min(s[0] for s in spans), max(s[1] for s in spans)
    time = grid(float(first), float(last), rate)
    columns = [] if set_name is None else _roller_columns(bench, result, set_name, time)
    columns += _columns(bench, result, time)
    return AlignedContent(
        time=time,
        columns=columns,
        grid="encoder" if set_name is not None else "time_only",
        grid_rate_hz=rate,
        resampling="continuous channels: mean over a grid step where sampled more than twice as"
        " fast, else linear; states and counters: hold; NaN in gaps and outside a channel's first"
        " and last sample",
        info={
            "roller_set": set_name or "",
            "time_base": "roller encoder" if set_name is not None else "host, no encoder",
        },
    )


# --- rollers


def _is_encoder(bench: Bench, channel: BenchChannel) -> bool:
    name = f"{channel.device}.{channel.input.name}"
    encoders = [roller.encoder for roller in bench.roller_set.values()]
    pairs = [encoder.removesuffix("_count") + "_edge_tick" for encoder in encoders]
    return name in (*encoders, *pairs) or f"{channel.device}.{channel.name}" in encoders


def _encoder(bench: Bench, result: Evaluation, set_name: str) -> BenchChannel | None:
    """The channel of a roller set's count, when it has rows."""
    device, _, wanted = bench.roller_set[set_name].encoder.partition(".")
    for channel in result.channels.values():
        if channel.device == device and wanted in (channel.name, channel.input.name):
            return channel if result.key(channel.name) in result.rows else None
    return None


def _roller_columns(
    bench: Bench, result: Evaluation, set_name: str, time: Floats
) -> list[ColumnContent]:
    encoder = _encoder(bench, result, set_name)
    assert encoder is not None
    roller = bench.roller_set[set_name]
    key = result.key(encoder.name)
    rows, at = result.rows[key], result.seconds(key)
    sign = -1.0 if roller.reversed else 1.0
    scale = sign * roller.circumference_m / roller.counts_per_revolution
    counts = rows.raw[encoder.input.name]
    edges = at - _since_edge(result, key, encoder)
    motion = roller_motion(edges, counts, at, time)
    position = motion.position * scale
    source = f"{key[0]}_{key[1]}/{encoder.name}"
    known = [
        ("roller_distance", "m", position, "distance travelled by the roller's surface"),
        ("roller_speed", "m/s", motion.speed * scale, "speed of the roller's surface"),
        (
            "roller_acceleration",
            "m/s^2",
            motion.acceleration * scale,
            "acceleration of the roller's surface",
        ),
    ]
    return [
        ColumnContent(name, unit, value, long_name=text, channel=source)
        for name, unit, value, text in known
    ]


def _since_edge(result: Evaluation, key: tuple[str, str], encoder: BenchChannel) -> Floats:
    """Seconds from each row's last edge to the row itself; zeros where edges are not timed."""
    rows = result.rows[key]
    ticks = rows.raw.get(encoder.input.name.removesuffix("_count") + "_edge_tick")
    if ticks is None or rows.index is None or not rows.stream.index_hz:
        return np.zeros(len(rows))
    skew = 1.0 + result.times[key].clock_skew_ppm * 1e-6
    since: Floats = (rows.index - ticks) / rows.stream.index_hz * skew
    return since


def roller_motion(edges: Floats, counts: NDArray[np.int64], at: Floats, time: Floats) -> Motion:
    """Position in counts, speed and acceleration at *time* from rows (count, time of last edge).

    A parabola is fitted to the edges within ±50 ms of each grid time. Where a window holds fewer
    than four edges but has rows, the roller stands or creeps: position is held, speed is the
    difference quotient over the window. Source: local quadratic fit, Savitzky and Golay 1964,
    from memory.
    """
    fresh = np.concatenate([[True], np.diff(counts) != 0])
    edge, count = edges[fresh], counts[fresh] - counts[0]
    first = np.searchsorted(edge, time - WINDOW_S / 2)
    last = np.searchsorted(edge, time + WINDOW_S / 2, side="right")
    seen = np.searchsorted(at, time + WINDOW_S / 2) - np.searchsorted(at, time - WINDOW_S / 2)
    fit = np.full((len(time), 3), np.nan)
    enough = (last - first >= 4) & (seen > 0)
    for part in np.array_split(np.flatnonzero(enough), max(1, len(time) // 5000)):
        if len(part):
            fit[part] = _parabolas(edge, count, first[part], last[part], time[part])
    slow = ~enough & (seen > 0)
    if slow.any():
        fit[slow] = _creeping(at, counts - counts[0], time[slow])
    return Motion(fit[:, 0], fit[:, 1], fit[:, 2])


def _parabolas(
    edge: Floats,
    count: NDArray[np.int64],
    first: NDArray[np.intp],
    last: NDArray[np.intp],
    time: Floats,
) -> Floats:
    """Least-squares position, speed and acceleration at each time, float64[G, 3]."""
    index = first[:, None] + np.arange(int((last - first).max()))
    inside = index < last[:, None]
    index = np.minimum(index, len(edge) - 1)
    half = WINDOW_S / 2
    x = np.where(inside, (edge[index] - time[:, None]) / half, 0.0)
    origin = count[first]
    y = np.where(inside, count[index] - origin[:, None], 0.0).astype(np.float64)
    powers = [np.where(inside, x**k, 0.0).sum(axis=1) for k in range(5)]
    normal = np.stack([np.stack(powers[k : k + 3], axis=1) for k in range(3)], axis=1)
    right = np.stack([(y * x**k).sum(axis=1) for k in range(3)], axis=1)
    a = np.linalg.solve(normal + 1e-12 * np.eye(3), right[:, :, None])[:, :, 0]
    fitted: Floats = np.stack([a[:, 0] + origin, a[:, 1] / half, 2 * a[:, 2] / half**2], axis=1)
    return fitted


def _creeping(at: Floats, count: NDArray[np.int64], time: Floats) -> Floats:
    """Held position and the mean speed over the window, where edges are too few for a fit."""
    half = WINDOW_S / 2
    before = np.interp(time - half, at, count)
    after = np.interp(time + half, at, count)
    moved: Floats = np.stack(
        [np.interp(time, at, count), (after - before) / WINDOW_S, np.zeros(len(time))], axis=1
    )
    return moved


# --- channels


def _columns(bench: Bench, result: Evaluation, time: Floats) -> Iterator[ColumnContent]:
    """Every channel that has values; channels of one stream and latency share their placement."""
    placed: dict[tuple[Key, float], Placement] = {}
    for name, channel in result.channels.items():
        if name not in result.values or _is_encoder(bench, channel):
            continue
        at = result.key(name), channel.config.latency_s
        if at not in placed:
            placed[at] = _placement(result, channel, time)
        yield _column(result, channel, placed[at])


def _placement(result: Evaluation, channel: BenchChannel, time: Floats) -> Placement:
    at = result.seconds(result.key(channel.name)) - channel.config.latency_s
    rate = channel.stream.rate_hz
    if rate:
        return Placement(at, time, period_s=1.0 / rate)
    events = any(c.kind != "continuous" for c in channel.stream.channels)
    return Placement(at, time, period_s=math.inf if events else None)


def _column(result: Evaluation, channel: BenchChannel, placement: Placement) -> ColumnContent:
    key = result.key(channel.name)
    u_value = typical_uncertainty(result, channel)
    u_time_s = time_uncertainty_s(result, channel)
    column = placement.column(
        result.values[channel.name],
        result.status[channel.name],
        kind=channel.input.kind,
        u_value=u_value,
        u_time_s=u_time_s,
    )
    return ColumnContent(
        name=channel.name,
        unit=channel.unit,
        value=column.value,
        status=column.status,
        uncertainty=column.uncertainty if channel.calibration is not None else None,
        long_name=channel.description,
        quantity=channel.config.quantity or channel.input.quantity,
        channel=f"{key[0]}_{key[1]}/{channel.name}",
        info={"value_uncertainty": u_value, "time_uncertainty_s": u_time_s},
    )


def typical_uncertainty(result: Evaluation, channel: BenchChannel) -> float:
    """Standard uncertainty of a channel's value by its calibration, in its unit.

    The median over rows spread evenly over the run; 0 without a calibration.
    """
    inputs = result.inputs(channel)
    if channel.calibration is None or inputs is None:
        return 0.0
    raw = result.rows[result.key(channel.name)].raw[channel.input.name]
    rows = np.unique(np.linspace(0, len(raw) - 1, UNCERTAINTY_ROWS).astype(np.intp))
    there = rows[np.isfinite(result.values[channel.name][rows])]
    if not len(there):
        return 0.0
    some = {name: values[there] for name, values in inputs.items()}
    found = channel.calibration.uncertainty(raw[there], some)
    return float(np.nanmedian(found)) if np.isfinite(found).any() else 0.0


def time_uncertainty_s(result: Evaluation, channel: BenchChannel) -> float:
    """Standard uncertainty of a channel's times: the map's, its bounds' and the latency's.

    One-sided bounds are taken as a rectangle. Source: JCGM 100 4.3.7.
    """
    time = result.times[result.key(channel.name)]
    width = time.uncertainty_lo_s + time.uncertainty_hi_s
    latency = channel.config.latency_uncertainty_s or 0.0
    return float(np.sqrt(time.uncertainty_random_s**2 + width**2 / 12 + latency**2))
