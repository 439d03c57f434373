"""The rollers' motion on the grid: from each set's encoder, as the bench configures it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, RollerSetConfig
from daq.channels import BenchChannel
from daq.evaluation import Evaluation, Key, Motion
from daq.rollers.kinematics import kinematics, lost_counts

Floats = NDArray[np.float64]


def roller_motions(bench: Bench, result: Evaluation) -> dict[str, Motion]:
    """Motion of every roller set whose encoder has rows, at the grid's times.

    The first of them gives the columns ``roller_distance``, ``roller_speed`` and
    ``roller_acceleration``, the others have their set's name in front.
    """
    found: dict[str, Motion] = {}
    for name, roller in bench.roller_set.items():
        encoder = result.find(roller.encoder)
        if encoder is not None and len(result.rows[result.key(encoder.name)]):
            column = name if found else "roller"
            found[name] = _motion(result, roller, encoder, column)
    return found


def encoder_channels(roller_sets: Mapping[str, RollerSetConfig]) -> set[str]:
    """``device.channel`` of every count and of the edge ticks beside it."""
    counts = [roller.encoder for roller in roller_sets.values()]
    return {*counts, *(edge_channel(count) for count in counts)}


def edge_channel(count: str) -> str:
    """Name of the channel with the tick of the last edge, beside that of a count."""
    return count.removesuffix("_count") + "_edge_tick"


def _motion(
    result: Evaluation, roller: RollerSetConfig, encoder: BenchChannel, column: str
) -> Motion:
    key = result.key(encoder.name)
    rows, at = result.rows[key], result.seconds(key)
    count = rows.raw[encoder.input.name]
    segment = rows.segment.astype(np.int64)
    edge_s = _edges(result, key, encoder)
    moved = kinematics(
        count,
        at,
        result.grid,
        edge_s=edge_s,
        segment=segment,
        counts_per_revolution=roller.counts_per_revolution,
        circumference_m=roller.circumference_m,
        reversed=roller.reversed,
    )
    lost = _lost(result, roller, at if edge_s is None else edge_s, count, segment)
    return Motion(column, f"{key[0]}_{key[1]}/{encoder.name}", moved, lost)


def _edges(result: Evaluation, key: Key, encoder: BenchChannel) -> Floats | None:
    """When each row's last edge came, in s; None where edges are not timed."""
    rows = result.rows[key]
    ticks = rows.raw.get(edge_channel(encoder.input.name))
    if ticks is None or rows.index is None or not rows.stream.index_hz:
        return None
    skew = 1.0 + result.times[key].clock_skew_ppm * 1e-6
    since = (rows.index - ticks) / rows.stream.index_hz * skew
    edges: Floats = result.seconds(key) - since
    return edges


def _lost(
    result: Evaluation,
    roller: RollerSetConfig,
    edge_s: Floats,
    count: NDArray[np.int64],
    segment: NDArray[np.int64],
) -> NDArray[np.int64] | None:
    """Counts lost in each turn, by the index pulse; None without one or where counting broke."""
    index = result.find(roller.index_pulse) if roller.index_pulse else None
    if index is None or index.name not in result.values or segment.any():
        return None
    t, level = result.samples(index.name)
    rises = t[1:][(level[1:] > 0) & (level[:-1] <= 0)]
    fresh = np.flatnonzero(np.diff(count, prepend=count[0] - 1))
    if len(rises) < 2 or len(fresh) < 2:
        return None
    at = np.rint(np.interp(rises, edge_s[fresh], count[fresh])).astype(np.int64)
    return lost_counts(at, round(roller.counts_per_revolution))
