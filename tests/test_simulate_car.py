"""The simulated car and rollers: units, energy, plausibility."""

from __future__ import annotations

from math import pi

import numpy as np
import pytest

from daq.simulate.bench import STEP_S, Rig, Settings, record, timeline
from daq.simulate.car import Car
from daq.simulate.exhaust import Exhaust, gas_density
from daq.simulate.rollers import RollerParameters
from daq.simulate.script import Driver
from daq.simulate.unit import divider_v, ratiometric_v, thermistor_ohm


@pytest.fixture(scope="module")
def run():
    return record()


@pytest.fixture(scope="module")
def truth(run):
    return run.rig.truth.table()


def moment(events, name):
    return next(event.time_s for event in events if event.name == name)


@pytest.fixture(scope="module")
def pull(run, truth):
    """Rows from half a second into the pull to its end."""
    begin, end = moment(run.rig.events, "pull") + 0.5, moment(run.rig.events, "lift")
    return {n: v[(truth["time"] >= begin) & (truth["time"] < end)] for n, v in truth.items()}


def test_encoder_counts_and_speed_belong_together():
    # Source: 40 CFR 1066.235: 2.9231 Hz, 0.9044 m, one pulse a turn: 8.3053 m/s
    rollers = RollerParameters(diameter_m=0.9044, counts_per_revolution=1)
    assert 2.9231 / rollers.counts_per_m == pytest.approx(8.3053, abs=1e-4)


def test_equivalent_mass_is_inertia_over_radius_squared():
    # Source: definition; a solid cylinder of 700 kg, 0.5 m radius: I = m r²/2, m_eq = m/2
    rollers = RollerParameters(diameter_m=1.0, inertia_kg_m2=0.5 * 700 * 0.25)
    assert rollers.mass_kg == pytest.approx(350.0)


@pytest.mark.parametrize(("degc", "ohm"), [(-20, 15971), (0, 5975), (20, 2502), (50, 806.9),
                                           (90, 231.2), (120, 105.4)])  # fmt: skip
def test_thermistor_follows_the_published_table(degc, ohm):
    # Source: published vehicle-service table of a 2.5 kΩ thermistor; 0.05 °C is 0.25 %
    assert thermistor_ohm(degc) == pytest.approx(ohm, rel=0.0025)


def test_thermistor_behind_its_pull_up():
    # Source: Ohm's law on that table: 1 kΩ and 5 V give 3.572 V at 20 °C and 0.939 V at 90 °C
    assert divider_v(thermistor_ohm(20), 1000, 5.0) == pytest.approx(3.572, abs=0.002)
    assert divider_v(thermistor_ohm(90), 1000, 5.0) == pytest.approx(0.939, abs=0.002)


def test_ratiometric_sensor_follows_its_supply():
    # Source: common practice: 0.5 to 4.5 V of 5 V; 2.5 V at 4.95 V is 151.894 kPa of 300
    assert ratiometric_v(150.0, 300.0, 5.0) == pytest.approx(2.5)
    assert ratiometric_v(151.8939394, 300.0, 4.95) == pytest.approx(2.5, abs=1e-8)


# the flows and delays are a worked example rounded to two digits that leaves the gas temperature
# open; 340 and 740 °C are what the two engine states would have
STATES = [(900.0, 0.005, 340.0, 0.33), (6000.0, 0.100, 740.0, 0.022)]


@pytest.mark.parametrize(("rpm", "flow", "degc", "expected"), STATES)
def test_transport_delay_of_the_worked_example(rpm, flow, degc, expected):
    # Source: plug flow, 540°/(6 n) + V ρ/ṁ with V = 2 L
    delay = 540 / (6 * rpm) + 2e-3 * gas_density(degc) / flow
    assert delay == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(("rpm", "flow", "degc", "expected"), STATES)
def test_exhaust_delivers_a_step_after_that_delay(rpm, flow, degc, expected):
    exhaust, step_at = Exhaust(2e-3), 1.0
    arrived = None
    for n in range(1, 2500):
        now = n * STEP_S
        exhaust.step(STEP_S, now, rpm * pi / 30, flow, 0.8 if now < step_at else 1.2, degc)
        if arrived is None and exhaust.sensor == 1.2:
            arrived = now
    assert arrived - step_at == pytest.approx(expected, abs=0.02 * expected + 2 * STEP_S)
    assert exhaust.delay_s == pytest.approx(expected, abs=0.02 * expected + 2 * STEP_S)


def test_power_at_the_wheels_is_what_the_rollers_take(truth):
    # Source: conservation of energy, P = F_brake v + m a v + F_loss v
    speed = truth["roller_speed"]
    mass = RollerParameters().mass_kg
    given = np.trapezoid(truth["wheel_power"], dx=STEP_S)
    kinetic = 0.5 * mass * (speed[-1] ** 2 - speed[0] ** 2)
    taken = np.trapezoid((truth["brake_force"] + truth["loss_force"]) * speed, dx=STEP_S)
    throughput = np.trapezoid(np.abs(truth["wheel_power"]), dx=STEP_S)
    assert given == pytest.approx(kinetic + taken, abs=0.003 * throughput)


def test_energy_from_crank_to_roller_balances():
    """Nothing is made or lost between crank and roller but what the parts dissipate."""
    car = Car()
    driver = Driver(car)
    while driver.phase != "pull":
        driver.step()
        car.step(STEP_S)
    p, stored, crank, spent = car.parameters, [], 0.0, 0.0
    while driver.phase == "pull":
        before = (car.engine_speed, car.input_speed, car.wheel_speed, car.roller_speed)
        stored.append(energy(car))
        driver.step()
        car.step(STEP_S)
        after = (car.engine_speed, car.input_speed, car.wheel_speed, car.roller_speed)
        engine, inlet, wheel, roller = ((a + b) / 2 for a, b in zip(before, after, strict=True))
        turning = inlet / p.ratio(car.gear)
        damper = p.shaft_n_m_s * (turning - wheel) ** 2
        surface = wheel * car.wheel_radius
        crank += car.engine_torque * engine * STEP_S
        spent += STEP_S * (
            car.clutch_torque * (engine - inlet)
            + abs(car.wheel_torque) * turning * (1 / p.efficiency - 1)
            + damper
            + p.rolling_resistance * p.wheel_load_n * surface
            + car.tyre_force * (surface - roller)
            + (car.brake.force_n + car.loss_force) * roller
        )
    gained = energy(car) - stored[0]
    # the tyre grows with speed, which moves 0.1 % of the energy; the rest is the step of 1 ms
    assert crank == pytest.approx(gained + spent, rel=0.004)


def energy(car):
    p = car.parameters
    return 0.5 * (
        p.engine.inertia_kg_m2 * car.engine_speed**2
        + p.gearbox_kg_m2 * car.input_speed**2
        + p.wheels_kg_m2 * car.wheel_speed**2
        + p.rollers.mass_kg * car.roller_speed**2
        + p.shaft_n_m_rad * car.twist_rad**2
    )


def test_script_runs_in_the_order_of_a_pull():
    names = [event.name for event in timeline(Settings())]
    assert names == [
        "idle", "button_arm", "blip", "blip", "drive_up", "steady", "button_start", "pull",
        "lift", "button_stop", "standstill", "end",
    ]  # fmt: skip


def test_repeated_script_begins_again():
    rig = Rig(Settings(repeat=True), truth=False)
    while len([event for event in rig.events if event.name == "blip"]) < 3:
        rig.step()
        assert rig.time_s < 60
    names = [event.name for event in rig.events]
    assert names.count("end") == 1
    assert not rig.done


def test_script_takes_about_half_a_minute():
    # Source: common practice, no source: a pull lasts 6 to 15 s
    events = timeline(Settings())
    assert 22 < moment(events, "end") < 36
    assert 6 < moment(events, "lift") - moment(events, "pull") < 15
    assert moment(events, "pull") - moment(events, "steady") >= 1.0


def test_timeline_is_that_of_the_recording(run):
    assert timeline(Settings()) == run.rig.events


def test_blips_reach_well_above_idle_in_neutral(run, truth):
    before = truth["time"] < moment(run.rig.events, "drive_up")
    assert truth["engine_speed"][before].max() > 3000
    assert truth["roller_speed"][before].max() == 0
    idle = truth["time"] < moment(run.rig.events, "button_arm")
    assert 650 < truth["engine_speed"][idle].min() <= truth["engine_speed"][idle].max() < 1100


def test_pull_is_one_gear_and_full_throttle(pull):
    assert set(pull["gear"]) == {3}
    assert set(pull["throttle"]) == {1.0}
    assert pull["engine_speed"][0] < 2600
    assert pull["engine_speed"][-1] > 6200


def test_engine_makes_plausible_torque_and_boost(pull):
    # Source: common practice, no source: a mild two-litre turbo engine
    assert 220 < pull["engine_torque"].max() < 300
    assert 165 < pull["map"].max() < 195
    assert pull["charge_pressure"].min() > pull["map"].min()
    assert np.all(pull["map"] <= pull["charge_pressure"] + 1)


def test_tyre_slips_one_to_three_percent(pull):
    assert pull["tyre_slip"].min() > 0.01
    assert pull["tyre_slip"].max() < 0.03


def test_speed_ratio_shows_gear_and_slip(pull):
    # Source: n / v = ratio 30/(π r) (1 + slip), by geometry
    car = Car().parameters
    expected = car.ratio(3) / car.wheel_radius_m * 30 / pi
    ratio = pull["engine_speed"] / pull["roller_speed"] / (1 + pull["tyre_slip"])
    assert np.median(ratio) == pytest.approx(expected, rel=0.004)


def test_brake_hunts_by_a_tenth_of_a_km_h(run, truth):
    """The speed swings about its ramp at 1.5 Hz."""
    begin = moment(run.rig.events, "pull") + 3.0
    rows = (truth["time"] >= begin) & (truth["time"] < begin + 4.0)
    time = truth["time"][rows] - begin
    wave = 2 * pi * 1.5 * time
    basis = np.stack([np.ones_like(time), time, time**2, np.sin(wave), np.cos(wave)], axis=1)
    fitted = np.linalg.lstsq(basis, truth["roller_speed"][rows], rcond=None)[0]
    assert np.hypot(*fitted[3:]) * 3.6 == pytest.approx(0.1, rel=0.4)
    assert fitted[1] == pytest.approx(2.65, rel=0.05)


def test_load_cell_lags_the_brake_by_its_amplifier(pull):
    # Source: a first-order lag is its time constant late; cell force = brake force r / arm
    brake = pull["brake_force"] * 0.25 / 0.5
    shifted = {n: np.abs(pull["load_cell"][60:] - brake[60 - n : len(brake) - n]).mean()
               for n in range(60)}  # fmt: skip
    assert min(shifted, key=shifted.get) == pytest.approx(20, abs=3)


def test_the_car_is_slowed_not_let_go(run, truth):
    begin, end = moment(run.rig.events, "lift") + 0.5, moment(run.rig.events, "standstill")
    rows = (truth["time"] > begin) & (truth["time"] < end - 1.0)
    assert truth["brake_force"][rows].min() > 1000
    assert truth["roller_speed"][truth["time"] > end].max() < 0.02


def test_fuel_cut_on_the_overrun_is_air(run, truth):
    begin = moment(run.rig.events, "lift")
    rows = (truth["time"] > begin + 1.0) & (truth["time"] < begin + 2.0)
    assert truth["sensor_lambda_inverse"][rows].max() < 0.05
    assert truth["map"][rows].max() < 30


def test_spark_cut_holds_the_engine_at_its_limit():
    car = Car()
    car.throttle = 1.0
    speeds = []
    for _ in range(4000):
        car.step(STEP_S)
        speeds.append(car.engine_speed * 30 / pi)
    assert max(speeds) < 7100
    assert min(speeds[2000:]) > 6500
