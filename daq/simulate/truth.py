"""Ground truth: what the simulated car really did, to be laid beside what was measured.

Written as a NumPy archive (``.npz``): one float64[n] array for each column, one row for each
step of the bench (1 kHz), and ``description``, a JSON text with the units, how late each channel
truly is, the clocks, and what the driver did when.
"""

from __future__ import annotations

import json
from array import array
from collections.abc import Iterable, Mapping
from math import pi
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.simulate.car import Car

COLUMNS = {
    "time": "s",
    "engine_speed": "1/min",
    "crank_angle": "rad",
    "engine_torque": "N.m",
    "throttle": "1",
    "gear": "1",
    "map": "kPa",
    "map_at_sensor": "kPa",
    "charge_pressure": "kPa",
    "fuel_pressure": "kPa",
    "oil_pressure": "kPa",
    "air_flow": "kg/s",
    "injected_lambda_inverse": "1",
    "valve_lambda_inverse": "1",
    "sensor_lambda_inverse": "1",
    "lambda_transport_delay": "s",
    "exhaust_gas": "degC",
    "exhaust_at_sensor": "degC",
    "coolant": "degC",
    "oil": "degC",
    "inlet_air": "degC",
    "battery": "V",
    "roller_position": "m",
    "roller_speed": "m/s",
    "roller_acceleration": "m/s2",
    "tyre_slip": "1",
    "wheel_force": "N",
    "wheel_torque": "N.m",
    "wheel_power": "W",
    "brake_force": "N",
    "loss_force": "N",
    "load_cell": "N",
}
"""Column to unit. Forces and power act at the roller's surface, ``wheel_torque`` in the drive
shafts, ``load_cell`` at the cell as its lagging amplifier shows it."""


class Truth:
    """Gathers one row for each step."""

    def __init__(self) -> None:
        self._rows = array("d")

    def add(self, car: Car) -> None:
        """Note the car as it is now."""
        self._rows.extend(_row(car))

    def table(self) -> dict[str, NDArray[np.float64]]:
        """Column to float64[n]."""
        rows = np.frombuffer(self._rows, np.float64).reshape(-1, len(COLUMNS))
        return {name: rows[:, index].copy() for index, name in enumerate(COLUMNS)}

    def save(self, path: Path, description: Mapping[str, Any]) -> None:
        """Write the archive."""
        text = json.dumps({"units": COLUMNS, **description})
        np.savez_compressed(path, description=np.array(text), **self.table())  # type: ignore[arg-type]


def read(path: Path) -> tuple[dict[str, NDArray[np.float64]], dict[str, Any]]:
    """Columns and description of a saved truth."""
    with np.load(path) as archive:
        table = {name: archive[name] for name in archive.files if name != "description"}
        return table, json.loads(str(archive["description"]))


def _row(car: Car) -> Iterable[float]:
    engine, exhaust, brake = car.engine, car.exhaust, car.brake
    return (
        car.time_s,
        car.engine_speed * 30 / pi,
        car.crank_angle,
        car.engine_torque,
        car.throttle,
        car.gear,
        engine.map_kpa,
        car.map_at_sensor,
        engine.charge_kpa,
        engine.fuel_kpa,
        engine.oil_kpa,
        engine.air_kg_s,
        engine.equivalence,
        exhaust.valve,
        car.lambda_inverse,
        exhaust.delay_s,
        engine.exhaust_degc,
        car.thermocouple_degc,
        engine.coolant_degc,
        engine.oil_degc,
        engine.inlet_degc,
        engine.battery_v,
        car.roller_position,
        car.roller_speed,
        car.roller_acceleration,
        car.tyre_slip,
        car.tyre_force,
        car.wheel_torque,
        car.wheel_power,
        brake.force_n,
        car.loss_force,
        brake.cell_n,
    )
