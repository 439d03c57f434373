"""The aligned table: every channel on the encoder's grid, beside roller distance and speed."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench
from daq.channels import BenchChannel
from daq.evaluate import Evaluation
from daq.runfile.content import AlignedContent, ColumnContent
from daq.status import AlignedStatus, SampleStatus

Floats = NDArray[np.float64]
WINDOW_S = 0.1
GAP_PERIODS = 2.5
EVENT_GAP_S = 3.0
"""Events and slow messages: older than this is stale. Common practice, no source."""


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
    time = np.arange(np.ceil(first * rate), np.floor(last * rate) + 1) / rate
    columns: list[ColumnContent] = []
    if set_name is not None:
        columns += _roller_columns(bench, result, set_name, time)
    for name, channel in result.channels.items():
        if name in result.values and not _is_encoder(bench, channel):
            columns.append(_column(result, channel, time))
    return AlignedContent(
        time=time,
        columns=columns,
        grid="encoder" if set_name is not None else "time_only",
        grid_rate_hz=rate,
        resampling="linear for continuous channels, hold for states and counters, NaN in gaps and"
        " outside a channel's first and last sample",
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


def _column(result: Evaluation, channel: BenchChannel, time: Floats) -> ColumnContent:
    key = result.key(channel.name)
    at = result.seconds(key) - channel.config.latency_s
    value, status = result.values[channel.name], result.status[channel.name]
    rate = channel.stream.rate_hz
    present = (status & SampleStatus.MISSING) == 0
    if not present.all():
        at, value, status, rate = at[present], value[present], status[present], None
    gap_s = GAP_PERIODS / rate if rate else EVENT_GAP_S
    hold = channel.input.kind != "continuous"
    aligned, bits = resample(at, value, status, time, gap_s=gap_s, hold=hold)
    return ColumnContent(
        name=channel.name,
        unit=channel.unit,
        value=aligned,
        status=bits,
        long_name=channel.description,
        quantity=channel.config.quantity or channel.input.quantity,
        channel=f"{key[0]}_{key[1]}/{channel.name}",
    )


def resample(
    at: Floats,
    value: Floats,
    status: NDArray[np.uint8],
    time: Floats,
    *,
    gap_s: float,
    hold: bool,
) -> tuple[Floats, NDArray[np.uint8]]:
    """Values at *time* and their status bits; never outside the samples, never across a gap.

    Continuous: linear between two samples closer than *gap_s*. *hold*: the last sample, stale when
    older than *gap_s*.
    """
    aligned = np.full(len(time), np.nan)
    bits = np.full(len(time), np.uint8(AlignedStatus.NO_DATA))
    if not len(at):
        return aligned, bits
    left = np.searchsorted(at, time, side="right") - 1
    right = np.minimum(left + 1, len(at) - 1)
    inside = (left >= 0) & (time <= at[-1])
    left = np.maximum(left, 0)
    if hold:
        stale = time - at[left] > gap_s
        aligned[inside] = value[left[inside]]
        taken = AlignedStatus.HELD | np.where(stale, AlignedStatus.STALE, 0)
        worst = status[left]
    else:
        width = at[right] - at[left]
        inside &= width <= gap_s
        share = np.divide(time - at[left], width, out=np.zeros(len(time)), where=width > 0)
        mixed = np.where(
            share == 0, value[left], value[left] + share * (value[right] - value[left])
        )
        aligned[inside] = mixed[inside]
        taken = np.where(share == 0, 0, AlignedStatus.INTERPOLATED)
        worst = status[left] | np.where(share == 0, 0, status[right])
    inside &= np.isfinite(aligned)
    bits[inside] = (taken | _translated(worst))[inside].astype(np.uint8)
    return aligned, bits


def _translated(status: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Bits of samples as bits of aligned points."""
    saturated = SampleStatus.SATURATED_LOW | SampleStatus.SATURATED_HIGH
    suspect = SampleStatus.CLOCK_SUSPECT | SampleStatus.DRIVER_FLAGGED
    pairs = [
        (saturated, AlignedStatus.SATURATED),
        (SampleStatus.OUT_OF_RANGE, AlignedStatus.OUT_OF_RANGE),
        (suspect, AlignedStatus.SUSPECT),
        (SampleStatus.OPERATOR_EXCLUDED, AlignedStatus.OPERATOR_EXCLUDED),
    ]
    bits = np.zeros(len(status), np.int64)
    for sample, point in pairs:
        bits |= np.where(status & sample, int(point), 0)
    return bits
