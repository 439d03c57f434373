"""Engine speed from pulses: published figures, faults of every kind, real pulses."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from daq.engine_speed import (
    SpeedFlag,
    check_pulses,
    crank_speed,
    engine_speed,
    pulses_per_revolution,
    shortest_period,
    wheel_gaps,
)

CHECKS = {
    value["id"]: value
    for value in json.loads(
        (Path(__file__).parent / "data" / "time_check_values.json").read_text(encoding="utf-8")
    )["values"]
}
Floats = NDArray[np.float64]


def ramp_edges(
    pulses: float, seconds: float = 12.0, low: float = 900, high: float = 6500
) -> Floats:
    """Pulses of an engine that idles 2 s, then rises evenly to *high* rpm."""
    t = np.arange(0, seconds, 1e-4)
    rpm = low + (high - low) * np.clip((t - 2) / (seconds - 3), 0, 1)
    turns = np.cumsum(rpm / 60) * 1e-4
    return np.interp(np.arange(1, int(turns[-1] * pulses)) / pulses, turns, t)


def truth(t: Floats, seconds: float = 12.0, low: float = 900, high: float = 6500) -> Floats:
    return low + (high - low) * np.clip((t - 2) / (seconds - 3), 0, 1)


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("rpm.freq.")])
def test_speed_of_a_frequency(name: str) -> None:
    check = CHECKS[name]  # Source: see the file
    edges = np.arange(200) / check["inputs"]["f_hz"]
    found = engine_speed(edges, check["inputs"]["pulses_per_rev"])
    assert found.speed == pytest.approx(np.full(199, check["expected"]), rel=1e-9)
    assert found.cycle == pytest.approx(np.full(199, check["expected"]), rel=1e-9)
    assert not found.flags.any()


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("rpm.period.")])
def test_speed_of_a_period(name: str) -> None:
    check = CHECKS[name]  # Source: see the file
    edges = np.arange(3) * check["inputs"]["period_s"]
    found = engine_speed(edges, check["inputs"]["pulses_per_rev"])
    assert found.speed == pytest.approx(np.full(2, check["expected"]), abs=check["tolerance"])


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("rpm.mt.")])
def test_mean_over_a_cycle_is_pulses_over_ticks(name: str) -> None:
    # Source: M/T method N = 60 fc m1/(P m2), see the file
    check = CHECKS[name]
    given_ = check["inputs"]
    span = given_["m2_ticks"] / given_["clock_hz"]
    edges = np.linspace(0, span, given_["m1_pulses"] + 1)
    found = engine_speed(
        edges, given_["pulses_per_rev"], rpm_max=1e5, cycle_turns=1e9, stall_rpm=1.0
    )
    assert found.cycle == pytest.approx(np.full(given_["m1_pulses"], check["expected"]), rel=1e-9)


@pytest.mark.parametrize("name", [name for name in CHECKS if name.startswith("rpm.res.period.")])
def test_ticks_limit_the_resolution(name: str) -> None:
    check = CHECKS[name]  # Source: textbook, first order
    given_ = check["inputs"]
    period = 60 / given_["rpm"] / given_["pulses_per_rev"]
    edges = np.floor(np.arange(3000) * period * 1.00037 / given_["tick_s"]) * given_["tick_s"]
    found = engine_speed(edges, given_["pulses_per_rev"])
    assert np.ptp(found.speed) == pytest.approx(check["expected"], rel=0.01)


def test_shortest_period() -> None:
    check = CHECKS["rpm.minperiod"]  # common practice, no source
    given_ = check["inputs"]
    assert shortest_period(given_["rpm_max"], given_["pulses_per_rev"]) == pytest.approx(
        check["expected"], abs=check["tolerance"]
    )


def test_pulses_of_every_pickup() -> None:
    # Source: definition; one ignition per cylinder in two turns of a four-stroke
    assert pulses_per_revolution(4, "common") == 2
    assert pulses_per_revolution(6, "common") == 3
    assert pulses_per_revolution(8, "all_coils") == 4
    assert pulses_per_revolution(4, "wasted_spark") == 1
    assert pulses_per_revolution(5, "one_coil") == 0.5
    assert pulses_per_revolution(3, "one_lead") == 0.5
    assert pulses_per_revolution(2, "common", strokes=2) == 2
    assert pulses_per_revolution(1, "one_coil", strokes=2) == 1
    with pytest.raises(ValueError, match="strokes: 3"):
        pulses_per_revolution(4, "common", strokes=3)
    with pytest.raises(ValueError, match="cylinders"):
        pulses_per_revolution(0, "common")


def test_clean_ramp_has_no_flags() -> None:
    for pulses in (0.5, 1, 2, 3, 4):
        found = engine_speed(ramp_edges(pulses), pulses)
        assert not found.flags.any()
        assert found.dropped == 0
        assert np.abs(found.speed - truth(found.t)).max() < 10
        assert np.all(np.diff(found.t) > 0)


def test_coils_that_spark_several_times() -> None:
    clean = ramp_edges(2)
    slow = clean[truth(clean) < 2000]
    repeats = np.concatenate([slow + 0.0016, slow + 0.0032, slow + 0.0048])
    edges = np.sort(np.concatenate((clean, repeats)))
    found = engine_speed(edges, 2)
    # the shortest period of 2.25 ms hides only the first repeat; the rest is told by its rhythm
    assert found.dropped == len(repeats)
    assert np.abs(found.speed - truth(found.t)).max() < 25
    assert (found.flags[found.t < 3] & SpeedFlag.EXTRA).all()
    blanked = engine_speed(edges, 2, blank_s=0.006, rpm_max=4900)
    assert blanked.dropped >= len(repeats)


def test_glitches_are_dropped_and_named() -> None:
    clean = ramp_edges(2)
    rng = np.random.default_rng(4)
    after = rng.choice(np.arange(20, len(clean) - 20), 12, replace=False)
    share = rng.uniform(0.3, 0.7, 12)
    glitch = clean[after] + share * np.diff(clean)[after]
    found = engine_speed(np.sort(np.concatenate((clean, glitch))), 2)
    assert found.dropped == 12
    assert np.abs(found.speed - truth(found.t)).max() < 10
    assert np.count_nonzero(found.flags & SpeedFlag.EXTRA) == 12


def test_missed_pulses_are_counted_and_named() -> None:
    clean = ramp_edges(2)
    gone = np.array([40, 41, 90, 150, 200, 201, 202, 380])
    found = engine_speed(np.delete(clean, gone), 2)
    assert np.abs(found.speed - truth(found.t)).max() < 30
    assert np.count_nonzero(found.flags & SpeedFlag.MISSED) == 5
    assert not (found.flags & SpeedFlag.CUT).any()
    # and the crank's turns are complete
    assert found.turns[-1] == pytest.approx((len(clean) - 1) / 2)


def test_spark_cut_at_the_limiter_is_no_fall_of_speed() -> None:
    # 6500 rpm held by cutting: two of three sparks in bursts of 0.1 s
    edges = np.arange(0, 2, 60 / 6500 / 2)
    number = np.arange(len(edges))
    burst = (np.floor(edges / 0.1) % 2 == 1) & (edges > 0.5) & (edges < 1.5)
    found = engine_speed(edges[~burst | (number % 3 == 0)], 2)
    assert np.abs(found.speed - 6500).max() < 1
    assert np.count_nonzero(found.flags & SpeedFlag.CUT) > 20


def test_a_true_fall_of_speed_is_kept() -> None:
    # clutch dipped at 4000 rpm: 6000 rpm/s down to idle, then held
    t = np.arange(0, 3, 1e-4)
    rpm = np.clip(4000 - 6000 * np.clip(t - 1, 0, None), 850, None)
    turns = np.cumsum(rpm / 60) * 1e-4
    for pulses in (0.5, 1.0, 2.0):
        edges = np.interp(np.arange(1, int(turns[-1] * pulses)) / pulses, turns, t)
        found = engine_speed(edges, pulses)
        assert not (found.flags & (SpeedFlag.MISSED | SpeedFlag.CUT)).any()


def test_starting_up_drops_no_pulse() -> None:
    # cranked at 200 rpm, fires and is at 1100 rpm within 0.4 s
    t = np.arange(0, 4, 1e-4)
    rpm = 200 + 900 * np.clip((t - 1) / 0.4, 0, 1)
    turns = np.cumsum(rpm / 60) * 1e-4
    edges = np.interp(np.arange(1, int(turns[-1] * 2)) / 2, turns, t)
    found = engine_speed(edges, 2)
    assert found.dropped == 0
    assert found.cycle.max() == pytest.approx(1100, rel=1e-3)


def test_stall_is_zero_and_nothing_is_averaged_over_it() -> None:
    first = np.arange(0, 3, 0.03)
    edges = np.concatenate((first, first + 8.0))
    found = engine_speed(edges, 2, until=15.0)
    still = found.speed == 0
    assert (found.flags[still] == SpeedFlag.STALL).all()
    assert found.t[still][0] < 2.97 + 0.7
    assert found.t[still][-1] > 11.0
    assert found.speed[~still] == pytest.approx(np.full(198, 1000.0))
    assert found.cycle[~still] == pytest.approx(np.full(198, 1000.0))
    assert set(found.run) == {0, 1}


def test_uneven_firing_is_averaged_over_a_cycle() -> None:
    # a V-twin that fires at 270 and 450 degrees, 3000 rpm
    turn = np.arange(300) * 2.0
    edges = np.sort(np.concatenate((turn, turn + 0.75))) * 60 / 3000
    found = engine_speed(edges, 1, uneven=True)
    assert np.ptp(found.speed) > 500
    inner = found.cycle[4:-4]
    assert np.abs(inner - 3000).max() < 0.01 * 3000
    assert not found.flags.any()


@pytest.mark.parametrize("name", ["wheel.60-2.3000", "wheel.36-1.3000"])
def test_missing_tooth_wheels(name: str) -> None:
    check = CHECKS[name]  # Source: geometry
    given_ = check["inputs"]
    tooth, gap_s, ratio, per_turn = check["expected"]
    turn = np.arange(given_["teeth"] - given_["missing"]) * tooth
    edges = (np.arange(40)[:, None] * 60 / given_["rpm"] + turn).ravel()
    gaps = wheel_gaps(np.diff(edges), given_["missing"])
    assert len(gaps) == 39
    assert np.diff(edges)[gaps] == pytest.approx(np.full(39, gap_s), rel=1e-6)
    assert set(np.diff(gaps)) == {per_turn}
    assert np.diff(edges)[gaps[0]] / tooth == pytest.approx(ratio, rel=1e-6)
    found = crank_speed(edges, given_["teeth"], given_["missing"])
    assert found.speed == pytest.approx(np.full(len(found.speed), given_["rpm"]), rel=1e-6)
    assert not found.flags.any()


def test_gap_by_the_published_rule() -> None:
    check = CHECKS["wheel.decode.60-2"]  # rule of thumb, no source
    assert wheel_gaps(np.array(check["inputs"]["dt_us"], float), 2).tolist() == [check["expected"]]


def test_crank_wheel_that_loses_a_tooth() -> None:
    turn = np.arange(58) / 60
    edges = (np.arange(30)[:, None] + turn).ravel() * 0.02
    found = crank_speed(np.delete(edges, 58 * 11 + 30), 60, 2)
    bad = (found.flags & SpeedFlag.LOST_TOOTH) != 0
    assert 50 < np.count_nonzero(bad) < 65
    assert found.turns[-1] == pytest.approx(29 + 57 / 60, abs=1e-9)
    assert found.cycle == pytest.approx(np.full(len(found.cycle), 3000), rel=0.02)
    # on a 36-1 wheel a lost tooth looks like the gap itself
    turn = np.arange(35) / 36
    edges = (np.arange(30)[:, None] + turn).ravel() * 0.02
    found = crank_speed(np.delete(edges, 35 * 11 + 17), 36, 1)
    assert found.turns[-1] == pytest.approx(29 + 34 / 36, abs=1e-9)
    assert 30 < np.count_nonzero(found.flags & SpeedFlag.LOST_TOOTH) < 40
    with pytest.raises(ValueError, match="crank wheel 3-2"):
        crank_speed(edges, 3, 2)


def test_crank_wheel_under_cranking() -> None:
    # 200 rpm with +-25 % ripple twice a turn (compression); common practice, no source
    angle = (np.arange(20)[:, None] + np.arange(58) / 60).ravel()
    time = angle * 0.3 + 0.3 * 0.25 / (4 * np.pi) * np.sin(4 * np.pi * angle)
    found = crank_speed(time, 60, 2)
    assert not found.flags.any()
    assert np.median(found.cycle) == pytest.approx(200, rel=0.01)


def test_wrong_pulses_are_named() -> None:
    t = np.arange(0, 10, 0.1)
    other = 1000 + 300 * t
    for wrong, right in ((1, 2), (2, 1), (2, 0.5), (4, 3), (0.5, 1)):
        mine = other * right / wrong
        found = check_pulses(t, mine, t, other * 1.004, wrong)
        assert found is not None
        assert found.pulses_likely == pytest.approx(right)
        assert f"{right:g} would fit" in str(found)
    assert check_pulses(t, other, t, other * 1.01, 2) is None
    assert check_pulses(t, other * 1.35, t, other, 2) is None
    plain = check_pulses(t, other * 1.27, t, other, 7.3)
    assert plain is not None
    assert plain.pulses_likely == pytest.approx(7.3 * 1.27)
    assert check_pulses(t[:5], other[:5], t[:5], other[:5] * 2, 2) is None
    assert check_pulses(np.empty(0), np.empty(0), t, other, 2) is None


def test_no_pulses_and_one() -> None:
    for edges in (np.empty(0), np.array([1.0])):
        found = engine_speed(edges, 2)
        assert len(found.t) == 0
    with pytest.raises(ValueError, match="pulses per revolution"):
        engine_speed(np.empty(0), 0)


def test_real_pulses(shared: Path) -> None:
    # 10,508 real pulses with ramps and standstills, edges at <= 0.1 us (public domain, SOURCES)
    edges = np.loadtxt(shared / "pulses" / "step_axis_1.edges.csv", delimiter=",", skiprows=1)
    rising = edges[edges[:, 1] == 1, 0]
    found = engine_speed(rising, 60, rpm_max=5000, uneven=True)
    assert found.dropped == 0
    assert found.turns[-1] == pytest.approx(
        (len(rising) - 1 - np.count_nonzero(np.diff(rising) > 60 / 50 / 60)) / 60
    )
    assert np.quantile(found.speed, 0.5) == pytest.approx(4000, rel=0.02)
    assert (found.speed == 0).any()


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(1e-4, 3.0), max_size=80),
    st.sampled_from([0.5, 1.0, 2.0, 3.0]),
)
def test_any_pulses_give_finite_speeds_in_order(gaps: list[float], pulses: float) -> None:
    found = engine_speed(np.cumsum(gaps), pulses)
    assert np.isfinite(found.speed).all()
    assert np.isfinite(found.cycle).all()
    assert (found.speed >= 0).all()
    assert np.all(np.diff(found.t) >= 0)
    wheel = crank_speed(np.cumsum(gaps), 36, 1)
    assert np.isfinite(wheel.cycle).all()
