"""Delays of exhaust gas, force chain, hose and slow sensors."""

from __future__ import annotations

import numpy as np
import pytest

from daq.engine_speed import engine_speed
from daq.latency import (
    ForceChain,
    Hose,
    air_flow,
    configured_delay,
    cycle_mean,
    exhaust_flow,
    fit_step,
    lag_error,
    measured_delay,
    speed_of_sound,
)


def test_speed_density_is_the_gas_law() -> None:
    # Source: ideal gas, R 287.05 J/(kg K): 2 L at 100 kPa, 15 degC, 3000 rpm, filled wholly,
    # draws 50 cycles/s * 0.5 * 2 L * 1.2090 kg/m3 = 0.06045 kg/s
    flow = air_flow(np.array([100.0]), np.array([3000.0]), 2.0, filling=1.0, inlet_degc=15.0)
    assert flow[0] == pytest.approx(25 * 2e-3 * 1e5 / (287.05 * 288.15), rel=1e-12)
    assert exhaust_flow(flow)[0] == pytest.approx(flow[0] * (1 + 1 / 14.7))


def test_configured_delay_falls_with_flow_and_states_its_doubt() -> None:
    delay = configured_delay(3.0, 0.06)
    flow = np.array([0.01, 0.1, 0.0])
    t, u = delay.at(flow)
    density = 105e3 / 287.05 / 873.15
    assert t[:2] == pytest.approx(3e-3 * density / flow[:2] + 0.06)
    assert np.isnan(t[2])
    assert np.all(u[:2] >= 0.03)
    assert u[0] > u[1]


def test_two_steps_give_gas_and_lag() -> None:
    mass, lag = 1.3e-3, 0.055
    flows = (0.012, 0.09)
    measured = measured_delay(flows, (mass / flows[0] + lag, mass / flows[1] + lag))
    t, u = measured.at(np.array([0.03]))
    assert t[0] == pytest.approx(mass / 0.03 + lag)
    assert u[0] == pytest.approx(0.02)
    with pytest.raises(ValueError, match="too near"):
        measured_delay((0.02, 0.021), (0.1, 0.1))
    with pytest.raises(ValueError, match="took longer"):
        measured_delay((0.02, 0.1), (0.1, 0.2))


@pytest.mark.parametrize("seed", range(3))
def test_step_through_dead_time_and_lag(seed: int) -> None:
    """120 ms dead time and 60 ms lag at 50 Hz; goal for the sum 5 ms."""
    rng = np.random.default_rng(seed)
    t = np.arange(0, 4, 0.02) + rng.uniform(0, 0.02)
    x = (t - 2 - 0.12).clip(0)
    y = 14.7 - 2.2 * (1 - np.exp(-x / 0.06)) + rng.normal(0, 0.03, len(t))
    found = fit_step(t, y, 2.0)
    assert found.delay_s == pytest.approx(0.18, abs=0.008)
    assert found.before == pytest.approx(14.7, abs=0.05)
    assert found.after == pytest.approx(12.5, abs=0.05)


def test_fuel_cut_into_the_sensor_s_limit() -> None:
    """The sensor clips at 20: those samples say only *at least*; goal 12 ms."""
    t = np.arange(0, 4, 0.02) + 0.007
    x = (t - 2 - 0.12).clip(0)
    y = 14.0 + 16 * (1 - np.exp(-x / 0.06))
    y = np.minimum(y + np.random.default_rng(1).normal(0, 0.03, len(t)), 20.0)
    found = fit_step(t, y, 2.0, high=20.0)
    assert found.dead_s == pytest.approx(0.12, abs=0.02)
    with pytest.raises(ValueError, match="at least 20"):
        fit_step(t[:5], y[:5], 2.0)
    with pytest.raises(ValueError, match="nothing steps"):
        fit_step(t, np.random.default_rng(1).normal(14, 0.03, len(t)), 2.0)


def test_force_chain_never_claims_zero() -> None:
    assert ForceChain.of(None, None, None).uncertainty_s == 0.05
    assert not ForceChain.of(0.01, None, None).measured
    chain = ForceChain.of(0.004, 0.016, 0.002)
    assert chain.measured
    assert chain.sampled(np.array([1.0]))[0] == pytest.approx(0.98)


def test_force_chain_removes_the_delay_of_a_slow_ripple() -> None:
    # 1.5 Hz through 4 ms and a lag of 16 ms; what is left in phase is under 1 ms
    t = np.arange(0, 20, 1e-3)
    w = 2 * np.pi * 1.5
    seen = np.sin(w * (t - 0.004) - np.arctan(w * 0.016)) / np.hypot(1, w * 0.016)
    chain = ForceChain.of(0.004, 0.016, 0.002)
    at = chain.sampled(t)
    left = np.angle(
        np.sum(seen * np.exp(-1j * w * at)) / np.sum(np.sin(w * t) * np.exp(-1j * w * t))
    )
    assert abs(left / w) < 1e-3


@pytest.mark.parametrize(
    ("length", "delay_ms", "hz"), [(0.5, 1.5, 172), (1.5, 4.4, 57), (3, 8.7, 29)]
)
def test_hose(length: float, delay_ms: float, hz: float) -> None:
    # Source: speed of sound, 331.3 m/s at 0 degC; quarter-wave resonance c / 4 L
    hose = Hose(length)
    assert hose.delay_s * 1e3 == pytest.approx(delay_ms, abs=0.06)
    assert hose.resonance_hz == pytest.approx(hz, abs=0.5)
    assert hose.uncertainty_s >= 1e-3
    assert speed_of_sound(0.0) == 331.3
    assert speed_of_sound(20.0) == pytest.approx(343.2, abs=0.1)


def test_mean_over_a_cycle_has_no_ripple() -> None:
    rpm = 2400.0
    edges = np.arange(0, 4, 60 / rpm / 2)
    speed = engine_speed(edges, 2)
    t = np.arange(0, 4, 1e-3)
    # a four-stroke's ripple repeats each two turns: 20 Hz and its harmonics
    ripple = 8 * np.sin(2 * np.pi * 20 * t) + 5 * np.sin(2 * np.pi * 40 * t + 1)
    kpa = 60 + 10 * t + ripple
    kpa[2500] = np.nan
    at, mean = cycle_mean(t, kpa, speed.edge, speed.turns, speed.run)
    assert len(at) > 250
    assert mean == pytest.approx(60 + 10 * at, abs=0.05)
    assert not np.any((at > 2.476) & (at < 2.524))


def test_cycle_mean_needs_a_whole_cycle() -> None:
    first = np.arange(0, 1, 0.0125)
    edges = np.concatenate((first, first + 5))
    speed = engine_speed(edges, 2)
    t = np.arange(0, 6, 1e-3)
    at, _ = cycle_mean(t, np.ones(len(t)), speed.edge, speed.turns, speed.run)
    assert np.all((at < 0.97) | (at > 5.02))
    assert len(cycle_mean(t[:1], t[:1], speed.edge, speed.turns, speed.run)[0]) == 0


def test_slow_sensor_s_error_is_lag_times_rate() -> None:
    # Source: first-order lag behind a ramp, error = time constant * rate
    t = np.arange(0, 60, 0.1)
    truth = 20 + np.where(t > 20, 0.8 * (t - 20), 0.0)
    shown = truth - np.where(t > 20, 0.8 * 4 * (1 - np.exp(-(t - 20).clip(0) / 4)), 0.0)
    error, flag = lag_error(t, shown, 4.0, 1.0)
    late = (t > 45) & (t < 57)
    assert error[late] == pytest.approx(np.full(late.sum(), 3.2), rel=0.02)
    assert flag[late].all()
    assert not flag[t < 17].any()
