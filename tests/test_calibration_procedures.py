"""Special procedures: load cell, pressures, free air, roller, supply, and their physics."""

from __future__ import annotations

import math

import numpy as np
import pytest

from daq.calibration import loadcell, pressure, roller, supply, wideband
from daq.calibration.checks import normalised_error, worst
from daq.errors import CalibrationError

MASSES = [0, 20, 40, 60, 80, 100, 120, 100, 80, 60, 40, 20, 0]
DIRECTION = ["up"] * 7 + ["down"] * 6
RNG = np.random.default_rng(11)


def cell(
    gain: float = 1.0, hysteresis: float = 0.0, bend: float = 0.0, drift: float = 0.0
) -> list[float]:
    """Millivolts of a 2000 N cell of 20 mV: gain, hysteresis, bend and drift as shares of span."""
    share = np.array(MASSES) * 9.81 / (120 * 9.81)
    bow = bend * 4 * share * (1 - share)
    loop = hysteresis * (np.array(DIRECTION) == "down") * (share < 1) * (share > 0)
    creep = drift * np.linspace(0, 1, len(share))
    return (0.3 + 11.772 * gain * (share + bow + loop + creep)).tolist()


# --- load cell


def test_gravity_falls_with_altitude() -> None:
    """Source: free-air gradient 3.086e-6 /s² (40 CFR 1065.630, from memory)."""
    assert loadcell.gravity(45, 1000) - loadcell.gravity(45) == pytest.approx(-3.086e-3)
    with pytest.raises(ValueError, match="latitude"):
        loadcell.gravity(91)


def test_buoyancy_and_arm_angle() -> None:
    """Steel in air: 1.2 / 8000 = 0.015 %; 5° off horizontal costs 0.38 % (geometry)."""
    light = loadcell.weight_force(10, 9.81, air_kg_m3=1.2) / loadcell.weight_force(10, 9.81)
    assert light == pytest.approx(1 - 1.5e-4)
    assert loadcell.torque(100, 1.0, 5.0) == pytest.approx(99.619, abs=1e-3)


def test_dead_weights_on_a_good_cell() -> None:
    found = loadcell.dead_weights(MASSES, cell(), DIRECTION, 9.81)
    assert found.fit.slope(0.0) == pytest.approx(120 * 9.81 / 11.772)
    assert found.span_n == pytest.approx(120 * 9.81)
    assert found.zero_n == pytest.approx(0.0, abs=1e-9)
    assert worst(loadcell.verdict(found)) == "good"


def test_dead_weights_find_each_fault() -> None:
    bowed = loadcell.dead_weights(MASSES, cell(bend=0.01), DIRECTION, 9.81)
    assert bowed.linearity == pytest.approx(0.0063, abs=0.001)
    loop = loadcell.dead_weights(MASSES, cell(hysteresis=0.006), DIRECTION, 9.81)
    assert loop.hysteresis == pytest.approx(0.006, rel=0.02)
    drifting = loadcell.dead_weights(MASSES, cell(drift=0.004), DIRECTION, 9.81)
    assert drifting.zero_return == pytest.approx(0.004, rel=0.02)
    assert worst(loadcell.verdict(loop)) == "refuse"
    assert worst(loadcell.verdict(drifting)) == "refuse"


def test_span_error_passes_one_to_one() -> None:
    now = loadcell.dead_weights(MASSES, cell(gain=1.01), DIRECTION, 9.81)
    before = loadcell.dead_weights(MASSES, cell(), DIRECTION, 9.81)
    assert loadcell.span_error(now.fit, before.fit) == pytest.approx(0.01, rel=1e-6)


def test_lever_between_weights_and_cell() -> None:
    found = loadcell.dead_weights(MASSES, cell(), DIRECTION, 9.81, lever=1.5)
    assert found.span_n == pytest.approx(1.5 * 120 * 9.81)


def test_noisy_readings_state_the_span_within_its_uncertainty() -> None:
    noisy = np.array(cell()) + RNG.normal(0, 0.01, len(MASSES))
    found = loadcell.dead_weights(MASSES, noisy.tolist(), DIRECTION, 9.81, reading_uncertainty=0.01)
    truth = 120 * 9.81 / 11.772
    assert abs(found.fit.coefficients[1] - truth) < 3 * found.fit.errors[1]
    assert found.fit.errors[1] / truth < 1e-3


def test_creep() -> None:
    time = np.arange(0, 600, 1.0)
    reading = 10.0 * (1 + 0.001 * (1 - np.exp(-time / 120)))
    assert loadcell.creep(time, reading) == pytest.approx(0.001 * math.exp(-40 / 120), rel=0.1)
    with pytest.raises(ValueError, match="expected 20 readings"):
        loadcell.creep([0, 1, 2], [1, 1, 1])


@pytest.mark.parametrize(
    ("masses", "readings", "words"),
    [
        ([20, 40, 60], [1, 2, 3], "without weights"),
        ([0, 20, 20], [1, 2, 3], "at least 3 different weights"),
        ([0, -20, 40], [1, 2, 3], "0 kg and more"),
        ([0, math.nan, 40], [1, 2, 3], "0 kg and more"),
        ([0, 20, 40], [1, 2], "one reading and one direction"),
        ([0, 20, 40], [1, 1, 1], "different indications"),
        ([0, 20, 40], [1, math.nan, 3], "finite"),
    ],
)
def test_dead_weights_that_cannot_be(
    masses: list[float], readings: list[float], words: str
) -> None:
    with pytest.raises(CalibrationError, match=words):
        loadcell.dead_weights(masses, readings, ["up"] * 3, 9.81)


# --- pressure


def test_references_convert_only_by_the_ambient() -> None:
    assert pressure.to_absolute([50.0, -30.0], [98.0, 101.0]) == pytest.approx([148.0, 71.0])
    assert pressure.to_gauge(pressure.to_absolute(50.0, 98.0), 98.0) == pytest.approx(50.0)


@pytest.mark.parametrize(
    ("manifold", "level"),
    [(100.0, "good"), (102.5, "warn"), (94.0, "refuse"), (math.nan, "refuse")],
)
def test_manifold_against_barometer(manifold: float, level: str) -> None:
    """2 and 5 kPa: common practice, no source."""
    assert pressure.key_on_engine_off(manifold, 100.2, 5.0).level == level


def test_manifold_against_barometer_refuses_to_guess() -> None:
    with pytest.raises(CalibrationError, match="wait"):
        pressure.key_on_engine_off(100.0, 100.0, 1.0)
    with pytest.raises(CalibrationError, match="absolute"):
        pressure.key_on_engine_off(100.0, 0.3, 5.0)


def test_pair_cross_check() -> None:
    truth = np.linspace(0, 200, 21)
    pair = pressure.cross_check(truth * 1.01 + 0.5, truth, 1.0, 1.0)
    assert pair.gain == pytest.approx(1.01)
    assert pair.offset == pytest.approx(1.5)
    assert pair.normalised_error == pytest.approx(2.5 / math.sqrt(2))
    still = pressure.cross_check([100.1, 100.0], [100.0, 100.1], 1.0, 1.0)
    assert math.isnan(still.gain)
    with pytest.raises(ValueError, match="pairs"):
        pressure.cross_check([1.0, math.nan], [1.0, 2.0], 1.0, 1.0)


def test_normalised_error() -> None:
    """Source: ISO 13528, E_n."""
    assert normalised_error(10.0, 0.3, 9.5, 0.4) == pytest.approx(1.0)
    assert normalised_error(1.0, 0.0, 1.0, 0.0) == 0.0
    assert normalised_error(1.0, 0.0, 2.0, 0.0) == -math.inf


def test_sea_level_pressure_is_found_out() -> None:
    """At 500 m the standard atmosphere is 95.461 kPa (ICAO Doc 7488); 101.3 is not that place's."""
    assert pressure.plausible_barometer(95.0, 500.0).level == "good"
    assert pressure.plausible_barometer(101.3, 500.0).level == "warn"
    assert pressure.plausible_barometer(101.3, 600.0).level == "refuse"
    with pytest.raises(ValueError, match="altitude"):
        pressure.standard_atmosphere(20_000)


# --- wideband


def test_blends_go_by_mass() -> None:
    ethanol, petrol = wideband.Fuel(9.0, 0.789), wideband.Fuel(14.7, 0.745)
    assert wideband.blend_by_volume([(0.0, ethanol), (1.0, petrol)]) == pytest.approx(14.7)
    assert wideband.blend_by_mass([(0.5, 15.68), (0.5, 15.46)]) == pytest.approx(15.57)
    for wrong in ([(0.5, 9.0)], [(1.2, 9.0), (-0.2, 14.7)]):
        with pytest.raises(ValueError, match="add up to 1"):
            wideband.blend_by_mass(wrong)


def test_what_does_not_burn() -> None:
    for wrong in ((0, 2, 1), (1, 0, 2), (-1, 4, 0)):
        with pytest.raises(ValueError, match="not a fuel"):
            wideband.stoichiometric_ratio(*wrong)


def test_free_air() -> None:
    """20.9 % O₂ in dry air."""
    assert wideband.free_air(20.8, "oxygen").level == "good"
    assert wideband.free_air(19.0, "oxygen").level == "refuse"
    assert wideband.free_air(1.49, "lambda", 1.5).level == "good"
    assert wideband.free_air(1.2, "lambda", 1.5).level == "refuse"
    with pytest.raises(ValueError, match="lean_limit"):
        wideband.free_air(1.2, "lambda")


# --- roller and encoder


def test_circumference_two_ways() -> None:
    tape = roller.circumference_by_tape([1.5712, 1.5708, 1.5710], tape_thickness_m=0.0002)
    assert tape.value == pytest.approx(1.5710 - math.pi * 0.0002)
    assert tape.uncertainty == pytest.approx(math.hypot(0.0002 / 3**0.5, 0.0005 / 3**0.5))
    turns = roller.circumference_by_turns(31.41, 20, travel_uncertainty_m=0.005)
    assert turns.value == pytest.approx(1.5705)
    assert turns.uncertainty == pytest.approx(0.00025)
    assert roller.agree(tape, turns).level == "good"
    assert roller.agree(tape, roller.Measured(1.58, 0.0002)).level == "refuse"


def test_tape_that_slipped() -> None:
    with pytest.raises(ValueError, match="within 2 %"):
        roller.circumference_by_tape([1.57, 1.67])
    with pytest.raises(ValueError, match="at least one turn"):
        roller.circumference_by_turns(1.0, 0, travel_uncertainty_m=0.01)


def test_lost_counts_are_seen() -> None:
    assert roller.counts_per_revolution(-40960, 10, 4096).level == "good"
    assert roller.counts_per_revolution(40952, 10, 4096).level == "warn"
    assert roller.counts_per_revolution(40880, 10, 4096).level == "refuse"


# --- supply and ground


def test_supply() -> None:
    assert supply.supply_check([5.01, 5.02]).level == "good"
    assert supply.supply_check([5.01, 5.01], reference_v=4.98).level == "warn"
    assert supply.supply_check([4.5, 4.5]).level == "refuse"
    assert supply.supply_ripple([4.9, 5.1] * 10).level == "refuse"


def test_ground_offset() -> None:
    """50 mV on 0 to 5 V for AFR 10 to 20 is 0.1 AFR: 10/5 V per V (arithmetic)."""
    found = supply.ground_offset([0.049, 0.051, 0.050, 0.050])
    assert found.volts == pytest.approx(0.050)
    assert found.volts * 10 / 5 == pytest.approx(0.1)
    assert found.check.level == "warn"
    with pytest.raises(ValueError, match="finite"):
        supply.ground_offset([0.0, math.nan])
