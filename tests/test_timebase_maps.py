"""Clock maps, segments, counting, bounds of every method: plain calls."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

sys.path.insert(0, str(Path(__file__).parent))

from timing_model import CHANNEL, ORIGIN_NS, TYPICAL, microcontroller, ns, serial

from daq.bench import WireConfig
from daq.driver import Stream
from daq.timebase import (
    Anchors,
    Echo,
    LiveClock,
    TimeFlag,
    can_frame_s,
    count_periods,
    device_clock,
    stream_time,
)
from daq.timebase.hull import GATE_S, believable, line_over, line_under

CHECKS = {
    value["id"]: value
    for value in json.loads(
        (Path(__file__).parent / "data" / "time_check_values.json").read_text(encoding="utf-8")
    )["values"]
}
TICKS = Stream("rows", CHANNEL, rate_hz=100.0, index_hz=1e6, index_kind="tick")
POLLS = Stream("polls", CHANNEL, rate_hz=10.0)


# --- the line under all points


@settings(max_examples=80, deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 1000), st.floats(-1.0, 1.0)), min_size=2, max_size=60).filter(
        lambda points: len({x for x, _ in points}) > 1
    )
)
def test_line_under_solves_its_linear_programme(points: list[tuple[int, float]]) -> None:
    # Source: scipy.optimize.linprog as the reference library
    points.sort()
    x, y = np.array([p[0] for p in points], float), np.array([p[1] for p in points])
    value, slope = line_under(x, y)
    mean = x.mean()
    assert np.all(value + slope * (x - mean) <= y + 1e-9)
    best = linprog(
        [-1.0, 0.0],
        A_ub=np.stack([np.ones_like(x), x - mean], axis=1),
        b_ub=y,
        bounds=[(None, None), (None, None)],
    )
    assert value == pytest.approx(-best.fun, abs=1e-7)


def test_line_under_is_an_edge_of_the_convex_hull() -> None:
    rng = np.random.default_rng(1)
    x = np.sort(rng.uniform(0, 20, 500))
    y = rng.exponential(0.01, 500) + 3e-5 * x
    value, slope = line_under(x, y)
    touching = np.flatnonzero(y - (value + slope * (x - x.mean())) < 1e-12)
    corners = set(ConvexHull(np.stack([x, y], axis=1)).vertices)
    assert set(touching) <= corners
    assert len(touching) == 2
    over, tilt = line_over(x, -y)
    assert (over, tilt) == (pytest.approx(-value), pytest.approx(-slope))


def test_one_false_early_bound_does_nothing() -> None:
    rng = np.random.default_rng(2)
    x = np.linspace(0, 20, 2000)
    y = rng.uniform(0, 0.016, 2000)
    false = y.copy()
    false[700] = -0.05
    keep = believable(x, false)
    assert not keep[700]
    assert keep.sum() == 1999
    assert line_under(x[keep], false[keep]) == pytest.approx(line_under(x, y), abs=1e-4)
    assert believable(x, y - 0.1).all()
    assert GATE_S == 3e-3


# --- maps


def test_map_is_exact_far_from_the_origin() -> None:
    # 41 days of ns do not fit a float: the arithmetic is anchored
    index = np.arange(0, 6_000_000_000, 10_000_000, dtype=np.int64) + 2**40
    t_hi = ORIGIN_NS + (index - 2**40) * 1000
    clock = device_clock(Anchors.of(index, t_hi), 1e6)
    t, piece = clock.times(index, t_hi, np.zeros(len(index), np.int64))
    assert np.array_equal(t, t_hi)
    assert (piece >= 0).all()
    assert clock.skew_ppm == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("drift.")])
def test_skew_is_told_in_ppm(name: str) -> None:
    check = CHECKS[name]  # Source: definition
    given_ = check["inputs"]
    drift = given_["ppm"] * 1e-6
    device = np.linspace(0, given_["elapsed_s"], 4000)
    host = device * (1 + drift)
    assert host[-1] - device[-1] == pytest.approx(check["expected"], abs=1e-9)
    clock = device_clock(Anchors.of(np.rint(device * 1e6), ns(host)), 1e6)
    assert clock.skew_ppm == pytest.approx(given_["ppm"], abs=0.05)


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("slew.")])
def test_a_slewed_host_clock_bends_the_map_and_nothing_else(name: str) -> None:
    check = CHECKS[name]  # Source: RFC 5905, at most 500 ppm
    offset, seconds = check["inputs"].get("offset_s", float(name[5:])), check["expected"]
    device = np.arange(0, 2 * seconds, 0.05)
    host = device + np.minimum(device / seconds, 1) * offset
    assert 1e6 * offset / seconds == pytest.approx(500)
    clock = device_clock(Anchors.of(np.rint(device * 1e6), ns(host)), 1e6)
    zero = np.zeros(len(device), np.int64)
    t, _ = clock.times(np.rint(device * 1e6).astype(np.int64), ns(host), zero)
    # the node nearest to the bend may cut it: 500 ppm over half a window of 20 s
    error = np.abs(t - ns(host)) * 1e-9
    assert np.quantile(error, 0.9) < 1e-5
    assert error.max() < 500e-6 * 10 / 2


def test_streams_of_one_device_share_its_clock() -> None:
    rows = microcontroller(TYPICAL, 5)
    odd, even = slice(1, None, 2), slice(0, None, 2)
    parts = [Anchors.of(rows.index[s], rows.t_hi[s], 0) for s in (odd, even)]
    clock = device_clock(parts, 8e6)
    for part, s in zip(parts, (odd, even)):
        time = stream_time(rows.stream, part.t_hi, None, part.index, 0, clock=clock)
        assert np.abs(time.t_ns - rows.truth[s]).max() < 400_000
        assert time.segments is clock.pieces


def test_echo_bounds_both_sides() -> None:
    """Midpoint 0.1 ms, and the stated bound is never broken: 20 seeds."""
    worst = 0.0
    for seed in range(20):
        rows = microcontroller(replace(TYPICAL, stall_share=0.03), seed)
        rng = np.random.default_rng(seed)
        at = np.arange(50, len(rows.index), 500)
        sent = rows.truth[at] - np.rint(rng.uniform(0.1e6, 1.2e6, len(at))).astype(np.int64)
        heard = rows.truth[at] + np.rint(rng.uniform(0.15e6, 1.2e6, len(at))).astype(np.int64)
        late = rng.random(len(at)) < 0.1
        heard[late] += 20_000_000
        echo = Echo(rows.index[at], sent, heard, np.zeros(len(at), np.int64))
        time = stream_time(rows.stream, rows.t_hi, None, rows.index, 0, echo=echo)
        assert time.method == "two_way"
        error = np.abs(rows.error_ms(time.t_ns)) * 1e-3
        early, later = time.uncertainty_lo_s, time.uncertainty_hi_s
        assert error.max() <= min(early, later) + 2e-6
        assert early < 0.4e-3
        worst = max(worst, float(np.median(error)))
    assert worst < 0.15e-3


# --- durations on the wire


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("can.time.")])
def test_can_frames(name: str) -> None:
    check = CHECKS[name]  # Source: see the file
    given_ = check["inputs"]
    found = can_frame_s(given_["bitrate"], given_["dlc"], extended=given_["extended"])
    assert found == pytest.approx(tuple(check["expected"]), abs=check["tolerance"])


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("uart.")])
def test_serial_bytes(name: str) -> None:
    check = CHECKS[name]  # Source: definition
    given_ = check["inputs"]
    assert given_["bits_per_byte"] == 10
    wire = WireConfig("serial", port="x", baud=given_["baud"])
    assert given_["n"] * wire.byte_ns * 1e-9 == pytest.approx(
        check["expected"], abs=check["tolerance"]
    )


# --- segments


def test_reset_in_mid_run_makes_a_segment() -> None:
    rows = microcontroller(TYPICAL, 7)
    half = len(rows.index) // 2
    index = rows.index.copy()
    index[half:] -= index[half] - 1000
    time = stream_time(rows.stream, rows.t_hi, None, index, 0)
    assert len(time.segments) == 2
    error = np.abs(rows.error_ms(time.t_ns))
    assert error.max() < 0.4


def test_wrap_that_was_not_unwrapped_makes_a_segment() -> None:
    rows = microcontroller(TYPICAL, 8)
    wrapped = (rows.index + 2**32 - 90_000_000) % 2**32
    time = stream_time(rows.stream, rows.t_hi, None, wrapped, 0)
    assert len(time.segments) == 2
    error = np.abs(rows.error_ms(time.t_ns))
    assert error.max() < 0.4


@pytest.mark.parametrize("step_s", [1.7, -1.7, 0.128, -0.4])
def test_step_of_the_stamping_clock_makes_a_segment(step_s: float) -> None:
    """CAN stamps are wall time and step with it (RFC 5905: from 0.128 s)."""
    rows = microcontroller(TYPICAL, 9, rate_hz=100, per_packet=1)
    at = len(rows.index) * 2 // 3
    index = rows.index.copy()
    index[at:] += round(step_s * 8e6)
    time = stream_time(rows.stream, rows.t_hi, None, index, 0)
    assert len(time.segments) == 2
    error = np.abs(rows.error_ms(time.t_ns))
    assert error.max() < 0.5


def test_unplugging_keeps_each_part_on_its_own_line() -> None:
    rows = microcontroller(TYPICAL, 10)
    half = len(rows.index) // 2
    segment = (np.arange(len(rows.index)) >= half).astype(np.int64)
    index = rows.index + segment * 77_777_777
    time = stream_time(rows.stream, rows.t_hi, None, index, segment)
    assert time.segments["segment"].tolist() == [0, 1]
    assert np.abs(rows.error_ms(time.t_ns)).max() < 0.4


def test_stalls_and_bursts_make_no_segment() -> None:
    for seed in range(6):
        case = replace(TYPICAL, stalls_s=(1.3, 0.9, 0.4), stall_share=0.03)
        for rows in (microcontroller(case, seed), serial(case, seed)):
            time = stream_time(rows.stream, rows.t_hi, None, rows.index, 0)
            assert len(time.segments) == 1


def test_few_rows_keep_the_nominal_rate_and_say_so() -> None:
    index = np.arange(8) * 10_000
    t_hi = ns(index * 1e-6 + 5 + np.array([3, 1, 9, 2, 4, 7, 6, 5]) * 1e-3)
    time = stream_time(TICKS, t_hi, None, index, 0)
    assert (time.flags & TimeFlag.FEW_ANCHORS).all()
    assert np.diff(time.t_ns) == pytest.approx(np.full(7, 1e7))
    assert np.all(time.t_ns <= t_hi)
    short = stream_time(TICKS, t_hi[:1], None, index[:1], 0)
    assert len(short.t_ns) == 1


def test_a_short_segment_borrows_the_slope_of_a_long_one() -> None:
    device = np.concatenate((np.arange(0, 20, 0.01), np.arange(30, 30.4, 0.01)))
    segment = (device > 25).astype(np.int64)
    host = device * (1 + 150e-6)
    clock = device_clock(Anchors.of(np.rint(device * 1e6), ns(host), segment), 1e6)
    assert clock.pieces["slope"][1] == pytest.approx(clock.pieces["slope"][0])


def test_everything_can_be_computed_again_from_what_is_stored() -> None:
    rows = serial(TYPICAL, 3)
    time = stream_time(rows.stream, rows.t_hi, None, rows.index, rows.segment)
    piece = time.segments[0]
    line = piece["y0_ns"] + np.rint(piece["slope"] * (rows.index - piece["x0"])).astype(np.int64)
    room = np.clip(rows.t_hi - line, 0, round(time.lateness_s * 1e9)) // 2
    again = np.minimum(line + room - round(time.correction_s * 1e9), rows.t_hi)
    again = np.minimum.accumulate(again[::-1])[::-1]
    assert np.array_equal(again, time.t_ns)


# --- counting


def test_counting_finds_the_losses_and_flags_the_doubtful() -> None:
    for seed in range(6):
        rows = serial(TYPICAL, seed)
        count = count_periods(rows.t_hi, rows.segment, 0.01)
        off = count.index - (rows.index - rows.index[0])
        off -= int(np.median(off))
        assert np.mean(off != 0) < 0.015
        assert not off[~count.unsure].any()
        assert count.unsure.mean() < 0.05


@pytest.mark.parametrize("period", [None, 0.0095, 0.0103])
def test_a_wrong_or_unknown_period_is_corrected(period: float | None) -> None:
    rows = serial(TYPICAL, 1)
    count = count_periods(rows.t_hi, rows.segment, period)
    off = count.index - (rows.index - rows.index[0])
    assert np.mean(off == np.median(off)) > 0.98
    assert count.period_s == pytest.approx(0.01, rel=2e-3)


def test_silence_begins_a_segment() -> None:
    t = np.concatenate((np.arange(100), np.arange(100) + 161.4)) * 0.01
    count = count_periods(ns(t), np.zeros(200, np.int64), 0.01)
    assert count.segment.tolist() == [0] * 100 + [1] * 100
    assert count.index[100] == 0
    with pytest.raises(ValueError, match="declare rate_hz"):
        count_periods(ns(t[:5]), np.zeros(5, np.int64), None)


def test_real_message_every_12_ms(shared: Path) -> None:
    # Source: the recording's own figures, 12.0 ms +- 0.07 (a car's CAN, see DATA)
    stamps: dict[str, list[float]] = {}
    for line in (shared / "can" / "hatch_rev.trc").read_text(errors="replace").splitlines():
        words = line.split()
        if not line.startswith(";") and len(words) > 5:
            stamps.setdefault(words[3], []).append(float(words[1]) * 1e-3)
    periods = {}
    for name, times in stamps.items():
        if len(times) > 300:
            t = ns(np.array(times))
            periods[name] = count_periods(t, np.zeros(len(t), np.int64), None).period_s
    twelve = [period for period in periods.values() if abs(period - 0.012) < 1e-4]
    assert len(twelve) >= 3


# --- polls and arrivals


def test_poll_lies_within_its_bounds() -> None:
    rng = np.random.default_rng(3)
    asked = ns(np.arange(0, 20, 0.1))
    wait = np.rint(rng.uniform(20e6, 60e6, len(asked))).astype(np.int64)
    time = stream_time(POLLS, asked + wait, asked)
    assert time.method == "poll_bound"
    assert np.array_equal(time.t_ns, asked)
    assert time.uncertainty_hi_s == pytest.approx(0.058, abs=0.003)
    assert time.uncertainty_lo_s == 0.1
    slow = (time.flags & TimeFlag.SLOW_ANSWER) != 0
    assert 0 < slow.mean() < 0.06
    aged = stream_time(POLLS, asked + wait, asked, age_s=0.03, age_uncertainty_s=0.012)
    assert np.array_equal(aged.t_ns, asked - 30_000_000)
    assert (aged.uncertainty_lo_s, aged.uncertainty_hi_s) == (0.012, 0.012)


def test_arrivals_are_all_there_is() -> None:
    stream = Stream("events", CHANNEL)
    t_hi = ns(np.array([1.0, 1.5, 1.4, 2.0]))
    time = stream_time(stream, t_hi)
    assert time.method == "arrival"
    # rows come in the order in which they were sampled, so the second was no later than the third
    assert np.array_equal(time.t_ns, t_hi[[0, 2, 2, 3]])
    assert time.uncertainty_lo_s >= 0.016


def test_no_rows() -> None:
    none = np.empty(0, np.int64)
    for stream, index in ((TICKS, none), (POLLS, None)):
        assert len(stream_time(stream, none, None, index).t_ns) == 0
    assert len(LiveClock(1e6).times(none, none)) == 0
    assert len(device_clock([], 1e6).pieces) == 0


def test_methods_ask_for_what_they_need() -> None:
    t_hi = ns(np.arange(30) * 0.01)
    with pytest.raises(ValueError, match="tick or a frame counter"):
        stream_time(POLLS, t_hi, method="hull_ticks")
    with pytest.raises(ValueError, match="request"):
        stream_time(POLLS, t_hi, method="poll_bound")


def test_live_clock_starts_anew_after_a_reset() -> None:
    index = np.arange(0, 2_000_000, 10_000)
    t_hi = ns(index * 1e-6 + 0.003)
    live = LiveClock(1e6)
    live.times(index, t_hi)
    again = live.times(index, t_hi + 60_000_000_000, segment=1)
    assert np.abs(again - t_hi - 60_000_000_000).max() < 1000


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-5_000_000, 50_000_000), st.integers(0, 300_000_000)),
        max_size=120,
    ),
    st.booleans(),
)
def test_any_rows_give_times_in_order_and_within_their_bounds(
    steps: list[tuple[int, int]], cyclic: bool
) -> None:
    index = np.cumsum([step for step, _ in steps]).astype(np.int64)
    t_hi = ORIGIN_NS + np.cumsum([wait for _, wait in steps]).astype(np.int64)
    time = stream_time(replace(TICKS, cyclic=cyclic), t_hi, None, index, 0)
    assert len(time.t_ns) == len(index)
    assert np.all(np.diff(time.t_ns) >= 0)
    assert np.all(time.t_ns <= t_hi)
