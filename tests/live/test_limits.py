"""Limits: the rules are our own; the numbers are chosen so that each can be checked by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.bench import LimitConfig
from daq.config import load
from daq.errors import ConfigError
from daq.live.limits import Level, LimitWatch

MS = 1_000_000


def watch(**keys):
    return LimitWatch("oil", load(LimitConfig, keys))


def feed(watched, values, load=None, start_ms=0, step_ms=10):
    t_ns = (start_ms + step_ms * np.arange(len(values), dtype=np.int64)) * MS
    return watched.feed(t_ns, np.array(values, float), load)


def levels(events):
    return [(event.level, event.side) for event in events]


def test_warning_then_alarm_then_well_again():
    oil = watch(warn_high=120.0, alarm_high=130.0)
    events = feed(oil, [100, 121, 125, 131, 125, 119])
    assert levels(events) == [
        (Level.WARNING, "high"), (Level.ALARM, "high"), (Level.WARNING, "high"), (Level.OK, ""),
    ]  # fmt: skip
    assert [event.t_ns // MS for event in events] == [10, 30, 40, 50]
    assert [event.bound for event in events] == [120.0, 130.0, 120.0, None]


def test_value_on_the_bound_is_not_beyond_it():
    assert feed(watch(warn_high=120.0), [120.0]) == []
    assert feed(watch(warn_low=1.0), [1.0]) == []


def test_low_side():
    pressure = watch(warn_low=150.0, alarm_low=100.0)
    assert levels(feed(pressure, [200, 90, 120, 200])) == [
        (Level.ALARM, "low"), (Level.WARNING, "low"), (Level.OK, ""),
    ]  # fmt: skip


def test_straight_from_one_side_to_the_other():
    mixture = watch(warn_low=0.8, warn_high=1.1)
    assert levels(feed(mixture, [1.2, 0.7])) == [(Level.WARNING, "high"), (Level.WARNING, "low")]


def test_hysteresis_holds_a_level_until_it_is_left_by_so_much():
    oil = watch(warn_high=120.0, hysteresis=5.0)
    events = feed(oil, [121, 119, 116, 115.1, 115.0, 119.0])
    assert levels(events) == [(Level.WARNING, "high"), (Level.OK, "")]
    assert events[1].value == 115.0


def test_hysteresis_of_an_alarm_too():
    oil = watch(warn_high=120.0, alarm_high=130.0, hysteresis=5.0)
    assert levels(feed(oil, [131, 126, 124])) == [(Level.ALARM, "high"), (Level.WARNING, "high")]


def test_delay_must_pass_without_a_break():
    knock = watch(alarm_high=5.0, delay_s=0.05)
    assert feed(knock, [6, 6, 6, 6, 4, 6, 6, 6, 6]) == []
    events = feed(knock, [6, 6], start_ms=90)
    assert levels(events) == [(Level.ALARM, "high")]
    assert events[0].t_ns == 100 * MS  # beyond since 50 ms


def test_delay_runs_over_several_blocks():
    knock = watch(alarm_high=5.0, delay_s=0.05)
    found = [feed(knock, [6.0], start_ms=t) for t in range(0, 80, 10)]
    assert [len(events) for events in found] == [0, 0, 0, 0, 0, 1, 0, 0]


def test_missing_value_starts_the_delay_anew_and_changes_no_level():
    oil = watch(warn_high=120.0, delay_s=0.02)
    assert feed(oil, [121, 121, np.nan, 121, 121]) == []
    assert levels(feed(oil, [121], start_ms=50)) == [(Level.WARNING, "high")]
    assert feed(oil, [np.nan], start_ms=60) == []
    assert oil.level is Level.WARNING


def lambda_against_map():
    return watch(
        against="map", load=[100.0, 150.0, 200.0], warn_high=[1.00, 0.90, 0.84], alarm_low=0.65
    )


@pytest.mark.parametrize(
    ("load_kpa", "bound"),
    [(100.0, 1.00), (125.0, 0.95), (150.0, 0.90), (200.0, 0.84), (260.0, 0.84)],
)
def test_bound_is_interpolated_by_load_and_held_above(load_kpa, bound):
    mixture = lambda_against_map()
    assert mixture.bounds(load_kpa)["warn_high"] == pytest.approx(bound)
    assert feed(mixture, [bound - 0.001], load_kpa) == []
    assert levels(feed(mixture, [bound + 0.001], load_kpa)) == [(Level.WARNING, "high")]


@pytest.mark.parametrize("load_kpa", [99.0, None, float("nan")])
def test_without_load_only_plain_bounds_are_judged(load_kpa):
    mixture = lambda_against_map()
    assert feed(mixture, [1.3], load_kpa) == []
    assert levels(feed(mixture, [0.6], load_kpa)) == [(Level.ALARM, "low")]


def test_closed_throttle_ends_a_warning_of_load():
    mixture = lambda_against_map()
    feed(mixture, [0.95], 200.0)
    assert levels(feed(mixture, [0.95], 60.0)) == [(Level.OK, "")]


def test_event_as_a_mark():
    (event,) = feed(watch(warn_high=120.0), [121.0])
    assert event.content() == {
        "channel": "oil", "level": "warning", "side": "high", "value": 121.0, "bound": 120.0,
        "load": None,
    }  # fmt: skip


@given(
    st.lists(st.floats(90, 150), min_size=1, max_size=60),
    st.integers(1, 10),
    st.floats(0, 8),
    st.sampled_from([0.0, 0.02]),
)
def test_blocks_may_be_cut_anywhere(values, size, hysteresis, delay_s):
    def new():
        return watch(
            warn_low=100.0, warn_high=120.0, alarm_high=130.0, hysteresis=hysteresis,
            delay_s=delay_s,
        )  # fmt: skip

    whole = feed(new(), values)
    pieces = new()
    cut = [
        event
        for first in range(0, len(values), size)
        for event in feed(pieces, values[first : first + size], start_ms=10 * first)
    ]
    assert cut == whole


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({}, "expected at least one of"),
        ({"warn_high": 1.0, "alarm_high": 0.9}, "warn_high lies above alarm_high"),
        ({"warn_low": 2.0, "warn_high": 1.0}, "warn_low lies above warn_high"),
        ({"warn_high": [1.0, 2.0]}, "expected one number or 0"),
        ({"warn_high": [1.0, 2.0], "against": "map", "load": [1.0]}, "expected one number or 1"),
        ({"warn_high": 1.0, "against": "map"}, "go together"),
        ({"warn_high": 1.0, "against": "map", "load": [2.0, 2.0]}, "expected rising numbers"),
        ({"warn_hihg": 1.0}, "did you mean 'warn_high'?"),
        ({"warn_high": "hot"}, "got 'hot'"),
    ],
)
def test_mistakes_are_named(keys, words):
    with pytest.raises(ConfigError) as caught:
        load(LimitConfig, keys, file="bench.toml", where="device.unit.channel.oil.limit")
    assert words in str(caught.value)
    assert "device.unit.channel.oil.limit" in str(caught.value)
