"""Roller motion and resampling on cases that are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from daq.table import roller_motion


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
