"""The aligned table: every channel on the encoder's grid, beside roller distance and speed."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from daq.align import Placement
from daq.bench import Bench
from daq.budget import budget_of
from daq.channels import BenchChannel
from daq.evaluation import Evaluation, Floats, Key, Latency, Motion
from daq.gas import gas_columns
from daq.ignition import sample_status
from daq.motion import encoder_channels
from daq.runfile.content import AlignedContent, ColumnContent
from daq.status import AlignedStatus


def aligned_content(bench: Bench, result: Evaluation) -> AlignedContent | None:
    """All channels on a uniform grid; None when there is no row at all.

    The grid is of the encoder's time base: the clock of the device that counts the rollers, put on
    host time. Without an encoder the grid is of host time alone, and says so.
    """
    if not len(result.grid):
        return None
    columns = [c for motion in result.motions.values() for c in _roller_columns(motion)]
    columns += _ignition_columns(result)
    columns += _columns(bench, result)
    columns += gas_columns(result, {column.name: column for column in columns}, bench.engine)
    encoder = next(iter(result.motions), "")
    return AlignedContent(
        time=result.grid,
        columns=columns,
        grid="encoder" if encoder else "time_only",
        grid_rate_hz=bench.run.grid_rate_hz,
        resampling="continuous channels: mean over a grid step where sampled more than twice as"
        " fast, else linear; states and counters: hold; NaN in gaps and outside a channel's first"
        " and last sample",
        info={
            "roller_set": encoder,
            "time_base": "roller encoder" if encoder else "host, no encoder",
        },
    )


# --- rollers and engine


def _roller_columns(motion: Motion) -> list[ColumnContent]:
    """Distance, speed, acceleration and direction of one roller set."""
    moved = motion.kinematics
    gone = ~np.isfinite(moved.speed)
    status = np.where(gone, AlignedStatus.NO_DATA, 0).astype(np.uint8)
    surface = "of the roller's surface"
    known = [
        ("distance", "m", moved.position, moved.u_position, "distance travelled by the roller"),
        ("speed", "m/s", moved.speed, moved.u_speed, f"speed {surface}"),
        ("acceleration", "m/s^2", moved.acceleration, moved.u_acceleration,
         f"acceleration {surface}"),
    ]  # fmt: skip
    columns = [
        ColumnContent(
            f"{motion.column}_{what}", unit, value, status, uncertainty, text,
            channel=motion.encoder,
        )
        for what, unit, value, uncertainty, text in known
    ]  # fmt: skip
    direction = np.where(gone, np.nan, moved.direction)
    text = "direction of the roller: 1 forward, -1 backward, 0 standing"
    name = f"{motion.column}_direction"
    return [
        *columns,
        ColumnContent(name, "1", direction, status, long_name=text, channel=motion.encoder),
    ]


def _ignition_columns(result: Evaluation) -> list[ColumnContent]:
    """Engine speed by pulses, mean over a working cycle; suspect where pulses were missed."""
    if result.ignition is None:
        return []
    speed = result.ignition.speed
    placement = Placement(speed.t, result.grid, period_s=_longest_usual(speed.t), smooth=False)
    column = placement.column(speed.cycle, sample_status(speed))
    return [
        ColumnContent(
            "ignition_speed",
            "rpm",
            column.value,
            column.status,
            long_name=f"engine speed by {result.ignition.source} pulses, over a working cycle",
            quantity="engine_speed",
            channel=result.ignition.channel,
        )
    ]


def _longest_usual(t: Floats) -> float:
    """A period that every interval of a turning engine keeps: at 50 rpm, one pulse in two turns."""
    return 2.4 if len(t) > 1 else 0.0


# --- channels


def _columns(bench: Bench, result: Evaluation) -> Iterator[ColumnContent]:
    """Every channel that has values; channels of one stream and latency share their placement."""
    placed: dict[tuple[Key, int], Placement] = {}
    encoders = encoder_channels(bench.roller_set)
    for name, channel in result.channels.items():
        paths = {f"{channel.device}.{n}" for n in (channel.name, channel.input.name)}
        if name not in result.values or paths & encoders:
            continue
        latency = result.latency(name)
        at = result.key(name), _identity(latency)
        if at not in placed:
            placed[at] = _placement(result, channel, latency)
        yield _column(result, channel, placed[at])


def _identity(latency: Latency) -> int:
    """Equal for latencies that shift all rows alike."""
    taken = latency.taken_s
    return id(taken) if isinstance(taken, np.ndarray) else hash(taken)


def _placement(result: Evaluation, channel: BenchChannel, latency: Latency) -> Placement:
    at = result.seconds(result.key(channel.name)) - latency.taken_s
    if isinstance(latency.taken_s, np.ndarray):
        at = np.maximum.accumulate(at)
    rate = channel.stream.rate_hz
    if rate:
        return Placement(at, result.grid, period_s=1.0 / rate)
    events = any(c.kind != "continuous" for c in channel.stream.channels)
    return Placement(at, result.grid, period_s=math.inf if events else None)


def _column(result: Evaluation, channel: BenchChannel, placement: Placement) -> ColumnContent:
    key, latency = result.key(channel.name), result.latency(channel.name)
    averaged = placement.step / placement.period if placement.smooth else 1.0
    u_value = typical_uncertainty(result, channel, averaged)
    u_time_s = time_uncertainty_s(result, channel)
    column = placement.column(
        result.values[channel.name],
        result.status[channel.name],
        kind=channel.input.kind,
        u_value=u_value or 0.0,
        u_time_s=u_time_s,
    )
    return ColumnContent(
        name=channel.name,
        unit=channel.unit,
        value=column.value,
        status=column.status,
        uncertainty=column.uncertainty if u_value is not None else None,
        long_name=channel.description,
        quantity=channel.config.quantity or channel.input.quantity,
        channel=f"{key[0]}_{key[1]}/{channel.name}",
        info={
            "value_uncertainty": u_value,
            "time_uncertainty_s": u_time_s,
            "latency_s": latency.typical_s,
            "latency_source": latency.source,
        },
    )


def typical_uncertainty(
    result: Evaluation, channel: BenchChannel, readings: float = 1.0
) -> float | None:
    """Standard uncertainty of a channel's value, mean of so many *readings*, in its unit.

    None without a calibration, and where its record states no uncertainty.
    """
    budget = budget_of(result, channel)
    return budget.combined(readings) if budget is not None and budget.stated else None


def time_uncertainty_s(result: Evaluation, channel: BenchChannel) -> float:
    """Standard uncertainty of a channel's times: the map's, its bounds' and the latency's.

    One-sided bounds are taken as a rectangle. Source: JCGM 100 4.3.7.
    """
    time, latency = result.times[result.key(channel.name)], result.latency(channel.name)
    width = time.uncertainty_lo_s + time.uncertainty_hi_s
    if latency.source == "fitted":
        # what cannot be seen of the stream's times is part of the delay that was fitted
        width = 0.0
    age = math.hypot(latency.uncertainty_s or 0.0, latency.sample_s)
    return math.sqrt(time.uncertainty_random_s**2 + width**2 / 12 + age**2)
