"""Roller motion and resampling on cases that are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from daq.status import AlignedStatus, SampleStatus
from daq.table import resample, roller_motion


def edges_of(position, duration_s, step_s=0.001):
    """Rows at 1 kHz of a roller that is at position(t) counts: time of last edge, count, time."""
    fine = np.arange(0, duration_s, 1e-6)
    counts = np.floor(position(fine)).astype(np.int64)
    at = np.arange(0, duration_s, step_s)
    row_counts = np.floor(position(at)).astype(np.int64)
    first = np.searchsorted(counts, row_counts)
    return fine[first], row_counts, at


def test_steady_speed_is_exact():
    # v = f * pi * d / n with 2.9231 Hz, 0.9044 m, n = 1: 8.3053 m/s. Source: 40 CFR 1066.235.
    edge, count, at = edges_of(lambda t: 2.9231 * 1000 * t, 2.0)
    motion = roller_motion(edge, count, at, np.array([0.5, 1.0, 1.5]))
    speed = motion.speed / 1000 * np.pi * 0.9044
    assert speed == pytest.approx([8.3053] * 3, rel=2e-5)


def test_constant_acceleration_is_found():
    edge, count, at = edges_of(lambda t: 3000 * t + 0.5 * 2000 * t**2, 2.0)
    time = np.arange(0.2, 1.8, 0.01)
    motion = roller_motion(edge, count, at, time)
    assert motion.speed == pytest.approx(3000 + 2000 * time, rel=1e-4)
    assert motion.acceleration == pytest.approx(np.full(len(time), 2000.0), abs=30)


def test_standing_roller_has_no_speed_and_keeps_its_position():
    at = np.arange(0, 1, 0.001)
    motion = roller_motion(np.zeros(1000), np.full(1000, 77), at, np.array([0.5]))
    assert motion.speed == pytest.approx([0.0])
    assert motion.position == pytest.approx([0.0])


def test_where_no_rows_are_motion_is_not_known():
    edge, count, at = edges_of(lambda t: 3000 * t, 1.0)
    assert np.isnan(roller_motion(edge, count, at, np.array([2.0])).speed).all()


def values(at, value, time, **options):
    status = options.pop("status", np.zeros(len(at), np.uint8))
    settings = {"gap_s": 1.5, "hold": False, **options}
    at, value, time = (np.asarray(x, float) for x in (at, value, time))
    return resample(at, value, status, time, **settings)


def test_linear_between_samples_and_exact_on_them():
    value, bits = values([0, 1, 2], [0, 10, 0], [0, 0.25, 1, 1.5])
    assert value.tolist() == [0, 2.5, 10, 5]
    between = int(AlignedStatus.INTERPOLATED)
    assert bits.tolist() == [0, between, 0, between]


def test_nothing_outside_the_first_and_last_sample():
    value, bits = values([0, 1], [5, 6], [-0.1, 1.1])
    assert np.isnan(value).all()
    assert bits.tolist() == [AlignedStatus.NO_DATA] * 2


def test_a_gap_stays_a_gap():
    value, _ = values([0, 1, 5, 6], [1, 1, 2, 2], [0.5, 3.0, 5.5])
    assert np.isfinite(value).tolist() == [True, False, True]


def test_states_are_held_and_old_ones_are_stale():
    value, bits = values([0, 1, 9], [0, 3, 4], [0.9, 1.0, 4.0], hold=True)
    assert value.tolist() == [0, 3, 3]
    held, stale = int(AlignedStatus.HELD), int(AlignedStatus.STALE)
    assert bits.tolist() == [held, held, held | stale]


def test_a_missing_sample_is_never_bridged_by_its_nan():
    value, bits = values([0, 1, 2], [1, np.nan, 1], [0.5])
    assert np.isnan(value).all()
    assert bits.tolist() == [AlignedStatus.NO_DATA]


def test_what_was_wrong_with_the_samples_is_told():
    status = np.array([SampleStatus.SATURATED_HIGH, 0], np.uint8)
    _, bits = values([0, 1], [1, 2], [0.5], status=status)
    assert bits[0] & AlignedStatus.SATURATED
