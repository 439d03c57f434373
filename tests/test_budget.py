"""Type A from quiet readings, against noise that is known."""

from __future__ import annotations

import numpy as np
import pytest

from daq.budget import Budget, quiet_noise

RNG = np.random.default_rng(11)
N = 60_000
T = np.arange(N) / 1000.0


def noise_of(raw: np.ndarray) -> tuple[float, int]:
    return quiet_noise(raw, raw.astype(np.float64))


def test_noise_of_readings_at_rest():
    """Source: the standard deviation that the noise was drawn with."""
    found, readings = noise_of(2000 + RNG.normal(0, 1.5, N))
    assert found == pytest.approx(1.5, rel=0.02)
    assert readings > 10_000


def test_counts_add_their_resolution():
    """Source: Sheppard's correction: rounding adds a variance of 1/12 (from memory)."""
    found, _ = noise_of(np.rint(2000 + RNG.normal(0, 1.5, N)).astype(np.int64))
    assert found == pytest.approx(np.hypot(1.5, 1 / np.sqrt(12)), rel=0.02)


def test_only_the_quiet_part_counts():
    """A minute that oscillates by 200 counts but for its last tenth."""
    moving = np.where(T < 54, 200 * np.sin(2 * np.pi * 12 * T), 0.0)
    found, readings = noise_of(2000 + moving + RNG.normal(0, 1.5, N))
    assert 0 < readings < 0.12 * N
    assert found == pytest.approx(1.5, rel=0.1)


def test_what_is_never_quiet_states_nothing():
    assert noise_of(2000 + 200 * np.sin(2 * np.pi * 12 * T)) == (0.0, 0)
    assert noise_of(np.arange(20)) == (0.0, 0)


def test_a_slow_drift_is_not_noise():
    found, _ = noise_of(T * 5 + RNG.normal(0, 1.5, N))
    assert found == pytest.approx(1.5, rel=0.02)


def test_rows_without_a_value_are_left_out():
    raw = 2000 + RNG.normal(0, 1.5, N)
    value = raw.copy()
    raw[::1000], value[::1000] = 0.0, np.nan
    assert quiet_noise(raw, value)[0] == pytest.approx(1.5, rel=0.05)


def test_parts_combine_and_the_mean_is_less_noisy():
    """Source: JCGM 100 5.1.2 and 4.2.3, by hand: 3-4-5, and 4 readings halve the noise."""
    budget = Budget({"noise": 3.0, "reference": 4.0}, 640, True)
    assert budget.combined() == pytest.approx(5.0)
    assert budget.combined(4) == pytest.approx(np.hypot(1.5, 4.0))
    assert (budget.type_a, budget.type_b) == (3.0, 4.0)
    assert budget.text == "reference 4, noise 3"
