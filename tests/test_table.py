"""Columns of the aligned table made from encoders and pulses, on cases that are known exactly."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from daq.bench import BenchConfig, EngineConfig, RollerSetConfig, load_bench
from daq.channels import BenchChannel, ChannelConfig
from daq.decode import Rows
from daq.driver import Channel, Stream
from daq.evaluate import put_on_grid, stream_times
from daq.evaluation import Evaluation
from daq.table import aligned_content

CONFIG = Path(__file__).resolve().parents[1] / "config" / "bench.toml"
TICK_HZ = 1_000_000
DURATION_S = 6.0


def stream(name: str, *channels: str, rate_hz: float | None = None) -> Stream:
    made = tuple(Channel(channel, "1", channel, kind="counter") for channel in channels)
    return Stream(name, made, rate_hz, float(TICK_HZ), "tick", rate_hz is not None)


def rows(of: Stream, tick: np.ndarray, **raw: np.ndarray) -> Rows:
    """Rows that arrive 0.15 ms after they were sampled, which is what is taken off."""
    n = len(tick)
    arrived = tick * 1000 + 150_000
    zero = np.zeros(n, np.int32)
    return Rows("unit", of, arrived, None, tick, zero, raw, {})


def encoder(number: int, counts_per_s: float, acceleration: float = 0.0) -> Rows:
    """Pairs at 1 kHz of a roller that turns as said; the ramp begins at 0 s."""
    tick = np.arange(0, int(DURATION_S * TICK_HZ), 1000)
    t = tick / TICK_HZ
    count = np.floor(counts_per_s * t + acceleration / 2 * t * t).astype(np.int64)
    if acceleration:
        root = np.sqrt(counts_per_s**2 + 2 * acceleration * count)
        edge = (root - counts_per_s) / acceleration
    else:
        edge = count / counts_per_s
    names = f"encoder_{number}_count", f"encoder_{number}_edge_tick"
    values = count, np.floor(edge * TICK_HZ).astype(np.int64)
    return rows(
        stream(f"encoder_{number}", *names, rate_hz=1000.0),
        tick,
        **dict(zip(names, values, strict=True)),
    )


def evaluation(*parts: Rows, roles: dict[str, str] | None = None) -> Evaluation:
    by_key = {(part.device, part.stream.name): part for part in parts}
    channels = {
        c.name: BenchChannel(
            c.name, "unit", part.stream, c, ChannelConfig(role=(roles or {}).get(c.name, "")), True
        )
        for part in parts
        for c in part.stream.channels
    }
    result = Evaluation(0, channels, by_key, stream_times(by_key))
    for name, channel in channels.items():
        raw = by_key[result.key(name)].raw[channel.input.name]
        result.values[name] = raw.astype(np.float64)
        result.status[name] = np.zeros(len(raw), np.uint8)
    return result


def roller(number: int, **more) -> RollerSetConfig:
    return RollerSetConfig(f"unit.encoder_{number}_count", 1000.0, np.pi * 0.9044, 40.0, **more)


def table(result: Evaluation, engine: EngineConfig | None = None, **sets: RollerSetConfig):
    bench = replace(load_bench(CONFIG), bench=BenchConfig("test"), roller_set=sets, engine=engine)
    put_on_grid(bench, result)
    content = aligned_content(bench, result)
    assert content is not None
    inner = (content.time > 0.5) & (content.time < DURATION_S - 0.5)
    return content.time[inner], {c.name: c for c in content.columns}, inner


def test_steady_speed_is_exact():
    # v = f * pi * d with 2.9231 Hz, 0.9044 m: 8.3053 m/s. Source: 40 CFR 1066.235.
    _, columns, inner = table(evaluation(encoder(1, 2923.1)), front=roller(1))
    assert columns["roller_speed"].value[inner] == pytest.approx(8.3053, rel=2e-5)
    assert (columns["roller_direction"].value[inner] == 1).all()


def test_two_roller_sets_have_columns_each():
    result = evaluation(encoder(1, 2923.1), encoder(2, 1461.55, 200.0))
    time, columns, inner = table(result, front=roller(1), rear=roller(2))
    metre = np.pi * 0.9044 / 1000
    assert columns["roller_speed"].value[inner] == pytest.approx(8.3053, rel=2e-5)
    speed = columns["rear_speed"].value[inner]
    assert speed == pytest.approx((1461.55 + 200.0 * time) * metre, rel=1e-4)
    measured = columns["rear_acceleration"]
    error = measured.value[inner] - 200.0 * metre
    assert measured.uncertainty is not None
    assert np.mean(np.abs(error) < 2 * measured.uncertainty[inner]) > 0.9
    assert np.sqrt(np.mean(error**2)) < 0.03
    assert set(result.motions) == {"front", "rear"}


def test_lost_counts_are_told_by_the_index_pulse():
    first = encoder(1, 3000.0)
    names = first.stream.channels
    # two counts are lost in the third turn, at 0.8 s
    count = first.raw[names[0].name]
    count[count > 2400] -= 2
    turns = np.arange(1, 17)
    edges = np.sort(np.concatenate((turns / 3.0, turns / 3.0 + 0.01)))
    tick = np.rint(edges * TICK_HZ).astype(np.int64)
    pulses = rows(stream("digital", "di7"), tick, di7=np.tile([1, 0], len(turns)))
    set_up = roller(1, index_pulse="unit.di7")
    result = evaluation(first, pulses)
    table(result, front=set_up)
    lost = result.motions["front"].lost
    assert lost is not None
    assert lost.sum() == 2
    assert np.count_nonzero(lost) == 1


def ignition(rpm: float, pulses: float) -> Rows:
    period = 60 / (rpm * pulses)
    tick = np.rint(np.arange(0.1, DURATION_S, period) * TICK_HZ).astype(np.int64)
    return rows(stream("ignition", "ignition_edge"), tick, ignition_edge=np.arange(len(tick)))


def other_speed(rpm: float) -> Rows:
    tick = np.arange(0, int(DURATION_S * TICK_HZ), 10_000)
    value = np.full(len(tick), round(rpm))
    return rows(stream("ecu", "engine_speed", rate_hz=100.0), tick, engine_speed=value)


ROLES = {"ignition_edge": "ignition", "engine_speed": "engine_speed"}


@pytest.mark.parametrize(
    ("ignition_of", "pulses"),
    [("distributor", 2.0), ("wasted_spark", 1.0), ("coil_on_plug", 0.5), ("one_lead", 0.5),
     ("all_coils", 2.0)],
)  # fmt: skip
def test_ignition_gives_engine_speed(ignition_of, pulses):
    # pulses of a four-cylinder four-stroke: definition, 720 degrees for four sparks
    result = evaluation(ignition(3000.0, pulses), roles=ROLES)
    _, columns, inner = table(result, EngineConfig(cylinders=4, ignition=ignition_of))
    assert columns["ignition_speed"].value[inner] == pytest.approx(3000.0, rel=1e-4)
    assert result.problems == []


def test_wrong_pulses_per_revolution_are_named():
    result = evaluation(ignition(3000.0, 2.0), other_speed(3000.0), roles=ROLES)
    table(result, EngineConfig(cylinders=4, ignition="wasted_spark"))
    told = [problem for problem in result.problems if "pulses per revolution" in problem]
    assert len(told) == 1
    assert "set to 1" in told[0]
    assert "2 would fit" in told[0]


def test_pulses_without_a_setting_are_said_to_be_useless():
    result = evaluation(ignition(3000.0, 2.0), roles=ROLES)
    _, columns, _ = table(result, EngineConfig())
    assert "ignition_speed" not in columns
    assert "cylinders and ignition" in result.problems[0]
