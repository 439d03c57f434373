"""Channels on one grid: values, gaps, status, uncertainty."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.interpolate import PchipInterpolator

from daq.align import Placement, distance_grid, grid, monotone_slopes, resample
from daq.status import AlignedStatus, SampleStatus


def test_grid_is_whole_multiples() -> None:
    times = grid(-0.015, 0.0301, 100)
    assert times.tolist() == [-0.01, 0.0, 0.01, 0.02, 0.03]
    assert grid(0.1, 0.3, 10).tolist() == [0.1, 0.2, 0.3]
    assert len(grid(0.011, 0.019, 100)) == 0
    with pytest.raises(ValueError, match="grid rate"):
        grid(0, 1, 0)


def test_distance_grid_marks_first_crossings() -> None:
    t = np.array([0.0, 1.0, 2.0, 3.0, 4.0, 5.0])
    distance = np.array([0.0, 1.0, 1.0, 0.5, 1.0, 3.0])
    marks, when = distance_grid(t, distance, 0.5)
    assert marks.tolist() == [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0]
    assert when == pytest.approx([0.0, 0.5, 1.0, 4.25, 4.5, 4.75, 5.0])


def test_straight_line_is_exact_and_never_extrapolated() -> None:
    t = np.array([0.1, 0.13, 0.2, 0.24, 0.3])
    column = resample(t, 3 * t + 1, grid(0, 0.4, 100), gap_s=1.0)
    at = grid(0, 0.4, 100)
    inside = (at >= 0.1 - 1e-12) & (at <= 0.3 + 1e-12)
    assert np.isnan(column.value[~inside]).all()
    assert column.value[inside] == pytest.approx(3 * at[inside] + 1)
    assert (column.status[~inside] == AlignedStatus.NO_DATA).all()
    assert np.isnan(column.uncertainty[~inside]).all()


def test_gap_stays_a_gap() -> None:
    t = np.concatenate((np.arange(0, 1, 0.1), np.arange(2, 3, 0.1)))
    at = grid(0, 2.9, 20)
    column = resample(t, np.ones(len(t)), at)
    in_gap = (at > 0.9 + 1e-9) & (at < 2 - 1e-9)
    assert np.isnan(column.value[in_gap]).all()
    assert np.isfinite(column.value[~in_gap]).all()
    near = np.abs(at - 0.85) < 1e-9
    assert column.status[near] == AlignedStatus.INTERPOLATED
    assert column.status[np.abs(at - 0.5) < 1e-9] == 0
    bridged = resample(t, np.ones(len(t)), at, gap_s=1.5)
    assert np.isfinite(bridged.value).all()
    assert (bridged.status[in_gap] & AlignedStatus.STALE).all()


def test_missing_rows_leave_a_gap_of_their_channel_only() -> None:
    t = np.arange(0, 2, 0.05)
    value = np.sin(t)
    holes = value.copy()
    holes[10:20] = np.nan
    at = grid(0, 1.9, 20)
    placement = Placement(t, at)
    assert np.isfinite(placement.column(value).value).all()
    column = placement.column(holes)
    missing = (at > t[9] + 1e-9) & (at < t[20] - 1e-9)
    assert np.isnan(column.value[missing]).all()
    assert np.isfinite(column.value[~missing]).all()


def test_states_and_counters_are_held_not_mixed() -> None:
    t = np.array([0.0, 0.1, 0.2, 0.3])
    column = resample(t, np.array([1.0, 1.0, 4.0, 4.0]), grid(0, 0.3, 100), kind="state")
    assert set(column.value) == {1.0, 4.0}
    assert column.value[19] == 1.0
    assert column.value[20] == 4.0


def test_events_hold_until_the_last_one() -> None:
    column = resample(
        np.array([1.0, 9.0]), np.array([0.0, 1.0]), grid(0, 10, 1), kind="state", period_s=math.inf
    )
    assert column.value[1:10].tolist() == [0.0] * 8 + [1.0]
    assert np.isnan(column.value[[0, 10]]).all()


def test_status_bits_are_carried() -> None:
    t = np.arange(0, 1, 0.1)
    status = np.zeros(10, np.uint8)
    status[3] = SampleStatus.SATURATED_HIGH
    status[7] = SampleStatus.DRIVER_FLAGGED | SampleStatus.OPERATOR_EXCLUDED
    column = resample(t, t, grid(0, 0.9, 20), status=status)
    assert column.status[6] == AlignedStatus.SATURATED
    assert column.status[5] == AlignedStatus.SATURATED
    assert column.status[4] == 0
    assert column.status[14] == AlignedStatus.SUSPECT | AlignedStatus.OPERATOR_EXCLUDED


def test_backward_times_are_refused() -> None:
    with pytest.raises(ValueError, match="backwards at row 2"):
        Placement(np.array([0.0, 2.0, 1.0]), grid(0, 1, 10))


def test_empty_and_single_sample() -> None:
    at = grid(0, 1, 10)
    assert np.isnan(resample(np.empty(0), np.empty(0), at).value).all()
    one = resample(np.array([0.5]), np.array([7.0]), at)
    assert np.flatnonzero(np.isfinite(one.value)).tolist() == [5]


def test_monotone_cubic_equals_a_reference_library() -> None:
    # Source: scipy.interpolate.PchipInterpolator (Fritsch and Butland)
    rng = np.random.default_rng(7)
    t = np.cumsum(rng.uniform(0.01, 0.1, 60))
    value = np.cumsum(rng.normal(size=60))
    at = np.linspace(t[0], t[-1], 500)
    ours = resample(t, value, at, shape="monotone", gap_s=1, smooth=False).value
    assert ours == pytest.approx(PchipInterpolator(t, value)(at), abs=1e-10)
    chord = (value[1] - value[0]) / (t[1] - t[0])
    assert monotone_slopes(t[:2], value[:2]) == pytest.approx([chord, chord])


def test_fast_channel_is_smoothed_without_delay() -> None:
    t = np.arange(0, 2, 0.001) + np.random.default_rng(1).uniform(-5e-5, 5e-5, 2000)
    at = grid(0, 1.9, 100)
    line = resample(t, 5 - 2 * t, at)
    inside = slice(2, -2)
    assert line.value[inside] == pytest.approx(5 - 2 * at[inside], abs=1e-9)
    # 480 Hz would appear at 20 Hz on a grid of 100 Hz
    ripple = np.sin(2 * np.pi * 480 * t)
    aliased = resample(t, ripple, at, smooth=False).value[inside]
    smoothed = resample(t, ripple, at).value[inside]
    assert np.std(aliased) > 0.5
    assert np.std(smoothed) < 0.05
    # and 5 Hz passes in phase
    slow = np.sin(2 * np.pi * 5 * t)
    passed = resample(t, slow, at).value[inside]
    gain = np.dot(passed, np.sin(2 * np.pi * 5 * at[inside]))
    out = np.dot(passed, np.cos(2 * np.pi * 5 * at[inside]))
    assert abs(out / gain) < 2e-3
    assert np.std(passed) == pytest.approx(np.std(slow), rel=0.02)


def test_smoothing_never_reaches_over_a_gap() -> None:
    t = np.concatenate((np.arange(0, 1, 0.001), np.arange(1.5, 2.5, 0.001)))
    value = np.where(t < 1.2, 1.0, 9.0)
    column = resample(t, value, grid(0, 2.4, 100))
    assert set(np.round(column.value[np.isfinite(column.value)], 9)) == {1.0, 9.0}


def test_uncertainty_of_time_goes_through_the_slope() -> None:
    t = np.arange(0, 1.05, 0.1)
    column = resample(t, 40 * t, grid(0.2, 0.8, 10), u_value=0.3, u_time_s=0.01)
    assert column.uncertainty == pytest.approx(math.hypot(0.3, 0.4), rel=1e-9)


def test_interpolation_error_is_within_its_bound_and_stated() -> None:
    # Source: |e| <= h^2 max|f''| / 8 for straight lines
    h, w = 0.05, 2 * np.pi * 2
    t = np.arange(0, 3, h)
    at = grid(0.1, 2.8, 1000)
    column = resample(t, np.sin(w * t), at, smooth=False)
    error = column.value - np.sin(w * at)
    assert np.abs(error).max() <= h**2 * w**2 / 8 * 1.001
    assert np.std(error) < 2 * np.sqrt(np.mean(column.uncertainty**2))
    assert np.std(error) > 0.5 * np.sqrt(np.mean(column.uncertainty**2))
