"""Position, speed and acceleration of a roller against a motion that is known exactly."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import savgol_coeffs

from daq.align import resample
from daq.rollers import kinematics as module
from daq.rollers.kinematics import (
    kinematics,
    lost_counts,
    overall_ratio,
    quadrature_counts,
    slip,
)

CHECKS = {
    value["id"]: value
    for value in json.loads(
        (Path(__file__).parent / "data" / "time_check_values.json").read_text(encoding="utf-8")
    )["values"]
}
CIRCUMFERENCE = 1.0
COUNTS = 1000
Floats = NDArray[np.float64]


@dataclass
class Motion:
    """Truth at a fine step, and the rows that an encoder unit would send of it."""

    t: Floats
    position: Floats
    speed: Floats
    acceleration: Floats
    count: NDArray[np.int64]
    rows: Floats
    edge: Floats

    def at(self, name: str, t: Floats) -> Floats:
        return np.interp(t, self.t, getattr(self, name))


def motion(
    acceleration: Floats,
    *,
    start: float = 10.0,
    step: float = 2e-5,
    eccentricity: float = 0.06,
    slot: float = 0.02,
    seed: int = 3,
) -> Motion:
    """Edges of an encoder with *eccentricity* and *slot* noise in counts, ticks of 8 MHz."""
    rng = np.random.default_rng(seed)
    t = np.arange(len(acceleration)) * step
    speed = start + np.cumsum(acceleration) * step
    position = np.cumsum(speed) * step
    c = position / CIRCUMFERENCE * COUNTS
    shown = c + eccentricity * np.sin(2 * np.pi * c / COUNTS + 0.7)
    shown = shown + slot * rng.standard_normal(COUNTS)[np.floor(c).astype(int) % COUNTS]
    level = np.floor(c + (shown - c))
    change = np.flatnonzero(np.diff(level) != 0) + 1
    # crossing within the fine step, by the true speed
    forward = level[change] > level[change - 1]
    target = np.where(forward, level[change], level[change] + 1)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = (target - shown[change - 1]) / (shown[change] - shown[change - 1])
    edge = t[change - 1] + np.clip(np.nan_to_num(share), 0, 1) * step
    edge = np.round(edge * 8e6) / 8e6
    rows = np.arange(0.02, t[-1] - 0.02, 1e-3)
    last = np.searchsorted(edge, rows, side="right") - 1
    keep = last >= 0
    return Motion(
        t,
        position,
        speed,
        acceleration,
        level[change][last[keep]].astype(np.int64),
        rows[keep],
        edge[last[keep]],
    )


def ramp(seconds: float = 12.0, lag_s: float = 0.07, step: float = 2e-5) -> Floats:
    """2.4 m/s^2 from 2 s on, until 1 s before the end, through a lag."""
    t = np.arange(0, seconds, step)
    wanted = np.where((t > 2) & (t < seconds - 1), 2.4, 0.0)
    rise = np.where(t > 2, 1 - np.exp(-(t - 2) / lag_s), 0.0)
    fall = np.where(t > seconds - 1, 1 - np.exp(-(t - seconds + 1) / lag_s), 0.0)
    return np.where(wanted >= 0, 2.4 * (rise - fall), 0.0)


def run(m: Motion, at: Floats, **options: Any) -> module.Kinematics:
    return kinematics(
        m.count,
        m.rows,
        at,
        edge_s=options.pop("edge_s", m.edge),
        counts_per_revolution=COUNTS,
        circumference_m=CIRCUMFERENCE,
        **options,
    )


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2)))


def test_ramp_within_five_millimetres_per_second_squared() -> None:
    # goal 0.005 m/s^2 rms in a ramp with 1000 counts per revolution and records at 1 kHz
    m = motion(ramp())
    at = np.arange(3.0, 10.8, 0.01)
    found = run(m, at)
    assert rms(found.acceleration - m.at("acceleration", at)) < 0.005
    assert rms(found.speed / m.at("speed", at) - 1) < 1e-5
    assert found.acceleration_bandwidth_hz == pytest.approx(5.7, abs=0.1)
    offset = found.position - m.at("position", at)
    assert np.ptp(offset) < 2e-4


def test_stated_uncertainty_covers_the_whole_run() -> None:
    for seed in range(3):
        m = motion(ramp(), seed=seed)
        at = np.arange(0.2, 11.8, 0.01)
        found = run(m, at)
        error = found.acceleration - m.at("acceleration", at)
        assert np.mean(np.abs(error) <= 2 * found.u_acceleration) > 0.93
        error = found.speed - m.at("speed", at)
        assert np.mean(np.abs(error) <= 2 * found.u_speed) > 0.9


def test_eccentricity_is_found_reported_and_removed() -> None:
    m = motion(ramp())
    at = np.arange(3.0, 10.8, 0.01)
    found = run(m, at)
    assert found.eccentricity is not None
    assert found.eccentricity_removed
    assert found.eccentricity.amplitude == pytest.approx(0.06, abs=0.004)
    assert found.eccentricity.phase_rad == pytest.approx(0.7, abs=0.08)
    assert found.eccentricity.offset_share == pytest.approx(2 * np.pi * 0.06 / COUNTS, rel=0.07)
    kept = run(m, at, remove_eccentricity=False)
    error = kept.acceleration - m.at("acceleration", at)
    assert rms(error) > 3 * rms(found.acceleration - m.at("acceleration", at))
    assert np.mean(np.abs(error) <= 2 * kept.u_acceleration) > 0.95


def test_a_true_encoder_has_no_eccentricity_to_remove() -> None:
    m = motion(ramp(), eccentricity=0.0, slot=0.0)
    found = run(m, np.arange(3.0, 9.0, 0.1))
    assert found.eccentricity is not None
    assert found.eccentricity.amplitude < 0.002


def test_plain_counts_state_their_worse_uncertainty() -> None:
    m = motion(ramp())
    at = np.arange(3.0, 10.8, 0.01)
    timed, plain = run(m, at), run(m, at, edge_s=None)
    assert not plain.edge_timed
    error = plain.acceleration - m.at("acceleration", at)
    assert rms(error) > 2 * rms(timed.acceleration - m.at("acceleration", at))
    assert np.median(plain.u_acceleration) > 5 * np.median(timed.u_acceleration)
    assert np.mean(np.abs(error) <= 2 * plain.u_acceleration) > 0.95
    assert np.mean(np.abs(plain.speed - m.at("speed", at)) <= 2 * plain.u_speed) > 0.95


def test_standstill_and_running_back() -> None:
    # 1 m/s for 2 s, braked to a stand in 1 s, 2 s at rest, then backward
    step = 2e-5
    t = np.arange(0, 8, step)
    a = np.where((t > 2) & (t < 3), -1.0, 0.0) + np.where((t > 5) & (t < 6), -1.0, 0.0)
    m = motion(a, start=1.0, eccentricity=0.0, slot=0.0)
    at = np.arange(0.2, 7.7, 0.01)
    found = run(m, at)
    speed = m.at("speed", at)
    assert (found.direction[(at > 0.5) & (at < 2.5)] == 1).all()
    assert (found.direction[(at > 3.5) & (at < 4.6)] == 0).all()
    assert (found.speed[found.standstill] == 0).all()
    assert (found.direction[at > 5.5] == -1).all()
    smooth = (at > 0.3) & (np.abs(at[:, None] - [2, 3, 5, 6]) > 0.2).all(axis=1)
    assert np.abs(found.speed - speed)[smooth].max() < 1e-3
    # an edge passed backwards is the same edge: no jump of a count between the directions
    before, after = np.interp(2.0, at, found.position), found.position[at > 7][0]
    truth = m.at("position", np.array([2.0, at[at > 7][0]]))
    assert after - before == pytest.approx(truth[1] - truth[0], abs=2e-4)


def test_slow_roller_uses_the_edges_it_has() -> None:
    m = motion(np.zeros(400_000), start=0.03, eccentricity=0.0, slot=0.0)
    at = np.arange(1.0, 7.0, 0.05)
    found = run(m, at)
    assert found.speed == pytest.approx(np.full(len(at), 0.03), abs=1e-4)


def test_rows_missing_are_a_gap_and_do_not_disturb_the_rest() -> None:
    m = motion(ramp())
    lost = (m.rows > 5) & (m.rows < 5.5)
    at = np.arange(4, 7, 0.01)
    found = kinematics(
        m.count[~lost],
        m.rows[~lost],
        at,
        edge_s=m.edge[~lost],
        counts_per_revolution=COUNTS,
        circumference_m=CIRCUMFERENCE,
    )
    assert np.isnan(found.speed[(at > 5.005) & (at < 5.495)]).all()
    assert np.isfinite(found.speed[(at < 4.995) | (at > 5.505)]).all()
    far = (at < 4.9) | (at > 5.6)
    assert np.abs(found.acceleration - m.at("acceleration", at))[far].max() < 0.02


def test_a_count_that_begins_anew_is_no_leap() -> None:
    m = motion(ramp())
    lost = (m.rows > 5) & (m.rows < 5.5)
    after = m.rows[~lost] > 5.2
    count = m.count[~lost] - after * m.count[~lost][after][0]
    at = np.arange(4, 7, 0.01)
    found = kinematics(
        count,
        m.rows[~lost],
        at,
        edge_s=m.edge[~lost],
        segment=after.astype(np.int64),
        counts_per_revolution=COUNTS,
        circumference_m=CIRCUMFERENCE,
        remove_eccentricity=False,
    )
    far = (at < 4.9) | (at > 5.6)
    assert np.abs(found.speed - m.at("speed", at))[far].max() < 0.01
    assert np.isnan(found.speed[(at > 5.005) & (at < 5.495)]).all()


def test_turned_round_by_configuration() -> None:
    m = motion(ramp())
    at = np.arange(3.0, 4.0, 0.1)
    assert run(m, at, reversed=True).speed == pytest.approx(-run(m, at).speed, rel=1e-4)


def test_no_rows_and_wrong_lengths() -> None:
    empty = np.empty(0)
    found = kinematics(
        empty.astype(np.int64),
        empty,
        np.array([1.0]),
        edge_s=empty,
        counts_per_revolution=COUNTS,
        circumference_m=1.0,
    )
    assert np.isnan(found.speed).all()
    with pytest.raises(ValueError, match="2 counts, 1 times"):
        kinematics(np.array([1, 2]), np.array([0.0]), counts_per_revolution=1, circumference_m=1.0)


def test_real_step_pulses_to_4_khz(shared: Path) -> None:
    # real pulses of a motion axis, edges at 0.1 us (public domain, see SOURCES): 10,508 pulses
    edges = np.loadtxt(shared / "pulses" / "step_axis_1.edges.csv", delimiter=",", skiprows=1)
    rising = edges[edges[:, 1] == 1, 0]
    assert len(rising) == 10_508
    rows = np.arange(rising[0] + 0.01, rising[-1], 1e-3)
    last = np.searchsorted(rising, rows, side="right") - 1
    found = kinematics(
        last, rows, edge_s=rising[last], counts_per_revolution=200, circumference_m=200.0,
        window_s=0.05, remove_eccentricity=False,
    )  # fmt: skip
    # one metre per pulse: the integral of speed is the number of pulses
    assert np.trapezoid(found.speed, rows) == pytest.approx(last[-1], rel=2e-3)
    assert found.standstill.any()
    assert np.quantile(found.speed[~found.standstill], 0.99) == pytest.approx(4000, rel=0.05)


def test_real_quadrature_counts_and_direction(shared: Path) -> None:
    # synthetic by third parties (public domain): a ramp of 12,732 quarter steps
    edges = np.loadtxt(
        shared / "pulses" / "quadrature_ramp_synthetic.edges.csv", delimiter=",", skiprows=1
    )
    states = (2 * edges[:, 1] + edges[:, 2]).astype(np.int64)
    count, illegal = quadrature_counts(states)
    assert illegal == 0
    assert abs(count) <= len(states) - 1 == 12_732


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("quad.")])
def test_quadrature(name: str) -> None:
    check = CHECKS[name]  # Source: see the file
    assert quadrature_counts(np.array(check["inputs"]["states"])) == tuple(check["expected"])


def test_lost_counts_by_index_pulse() -> None:
    # 3 counts lost in the second turn, 2 added in the third, then a turn back
    index = np.array([17, 1017, 2014, 3016, 2016, 2016])
    assert lost_counts(index, 1000).tolist() == [0, 3, -2, 0, 0]


@pytest.mark.parametrize("name", ["enc.dist.4096.1024x4", "enc.dist.1000.1000x1"])
def test_distance_of_counts(name: str) -> None:
    check = CHECKS[name]  # Source: see the file
    given = check["inputs"]
    per_turn = given["ppr"] * given["mode"]
    rows = np.arange(given["counts"] + 1) * 1e-3
    found = kinematics(
        np.arange(given["counts"] + 1),
        rows,
        edge_s=rows,
        counts_per_revolution=per_turn,
        circumference_m=np.pi * given["roller_diameter_m"],
    )
    # the first edge has no direction yet, so the way counts from the second
    assert found.position[-1] * given["counts"] / (given["counts"] - 1) == pytest.approx(
        check["expected"], abs=check["tolerance"]
    )


def test_speed_of_the_regulation_s_example() -> None:
    check = CHECKS["cfr1066.235.speed"]  # Source: 40 CFR 1066.235 worked example
    given = check["inputs"]
    edges = np.arange(60) / given["f_hz"]
    rows = np.arange(0.5, edges[-1], 1e-3)
    last = np.searchsorted(edges, rows, side="right") - 1
    found = kinematics(
        last, rows, np.array([9.0, 10.0]), edge_s=edges[last],
        counts_per_revolution=given["pulses_per_rev"],
        circumference_m=np.pi * given["roller_diameter_m"],
    )  # fmt: skip
    assert found.speed == pytest.approx(np.full(2, check["expected"]), abs=check["tolerance"])


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("slip.")])
def test_slip(name: str) -> None:
    given = CHECKS[name]["inputs"]
    found = slip(np.array([given["v_wheel"]]), np.array([given["v_roller"]]))
    assert found == pytest.approx(CHECKS[name]["expected"], abs=1e-9)


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("gear.")])
def test_overall_ratio(name: str) -> None:
    given = CHECKS[name]["inputs"]
    found = overall_ratio(
        np.array([given["rpm"]]),
        np.array([given["v_kmh"] / 3.6]),
        np.pi * given["roller_diameter_m"],
    )
    assert found == pytest.approx(CHECKS[name]["expected"], abs=1e-8)


def test_plain_gate_speed_has_the_published_quantum() -> None:
    # enc.vq.1024x4.0.01: one count in 10 ms is 0.0383 m/s; what a gate would show
    given = CHECKS["enc.vq.1024x4.0.01"]["inputs"]
    scale = np.pi * given["roller_diameter_m"] / (given["ppr"] * given["mode"])
    assert scale / given["gate_s"] == pytest.approx(
        CHECKS["enc.vq.1024x4.0.01"]["expected"], abs=1e-9
    )


def test_local_quadratic_is_the_published_filter() -> None:
    # Source: Savitzky and Golay; scipy.signal.savgol_coeffs as the reference library. On evenly
    # spaced pairs the local quadratic is that filter, noise gain and all.
    n, dt = 21, 0.01
    rng = np.random.default_rng(5)
    position = rng.normal(size=n)
    x = np.arange(n) * dt
    fit = module._LocalFit(x, position, x[10:11], (n - 1) * dt * (1 + 1e-9), plain=False)
    for derivative, found in enumerate((fit.position, fit.speed, fit.acceleration)):
        weights = savgol_coeffs(n, 2, deriv=derivative, delta=dt, use="dot")
        assert found[0] == pytest.approx(weights @ position, rel=1e-6)


@pytest.mark.parametrize("name", ["sg.noise.5", "sg.noise.11", "sg.noise.21"])
def test_noise_gains_are_the_published_ones(name: str) -> None:
    # Source: least squares, see the file: gain of the middle value and of the slope
    n = CHECKS[name]["inputs"]["window"]
    middle, slope = CHECKS[name]["expected"]
    x = np.arange(n, dtype=float)
    fit = module._LocalFit(x, x, x[:0], 1.0, plain=False)
    half = np.array([(n - 1) / 2])
    _, inverse, _, _ = fit._solve(half, np.array([0]), np.array([n]), half)
    assert np.sqrt(inverse[0, 0]) == pytest.approx(middle, rel=1e-8)
    assert np.sqrt(inverse[0, 1]) / half[0] == pytest.approx(slope, rel=1e-8)


def test_stated_acceleration_noise_is_the_published_one() -> None:
    # Source: u.alphapos.21, least squares: s sqrt(720/(n(n^2-1)(n^2-4)))/dt^2
    check = CHECKS["u.alphapos.21"]
    given = check["inputs"]
    n, dt, sigma = given["n"], given["dt_s"], given["s_theta_rad"]
    x = np.arange(4000) * dt
    c = np.random.default_rng(2).normal(scale=sigma, size=len(x))
    at = x[100:-100]
    fit = module._LocalFit(x, c, at, (n - 1) * dt * (1 + 1e-9), plain=False)
    assert np.median(fit.u_acceleration) == pytest.approx(check["expected"], rel=0.1)
    assert np.std(fit.acceleration) == pytest.approx(check["expected"], rel=0.05)


def test_aligned_speed_of_a_distance_grid() -> None:
    m = motion(ramp())
    at = np.arange(0.5, 11, 0.01)
    found = run(m, at)
    column = resample(at, found.speed, np.array([5.0, 5.005]))
    assert column.value == pytest.approx(m.at("speed", np.array([5.0, 5.005])), rel=1e-5)
