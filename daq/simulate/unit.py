"""The pulse-and-analogue unit on this bench: its sensors, and what it sees of the car.

Sensors turn a true quantity into volts at the unit's terminals. The calibrations in the
demonstration's configuration turn them back. Unless a line names a source the numbers are common
practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, floor, pi, sin, sqrt

import numpy as np

from daq.simulate.car import Car
from daq.simulate.engine import KELVIN
from daq.simulate.pulse_unit import Signals, SimulatedUnit, UnitConfig
from daq.simulate.rollers import RollerParameters

NTC_COEFFICIENTS = (1.336128310e-3, 2.559762809e-4, 1.506958179e-7)
"""Steinhart–Hart a, b, c in 1/K of a generic thermistor of 2.5 kΩ at 20 °C.
Source: through -20, 40 and 110 °C of a published vehicle-service table."""
INPUTS = {
    "ai1": "map",
    "ai2": "charge_pressure",
    "ai3": "fuel_pressure",
    "ai4": "oil_pressure",
    "ai5": "coolant",
    "ai6": "oil",
    "ai7": "inlet_air",
    "ai8": "exhaust",
    "ai9": "lambda",
    "ai10": "brake_load",
    "ai11": "battery",
    "ai12": "barometer",
}
"""Terminal of the unit to what is wired to it."""


def ratiometric_v(value: float, full: float, supply_v: float) -> float:
    """Volts of a sensor that gives 0.5 to 4.5 V for 0 to *full* at a supply of 5 V."""
    return max(0.1, min(4.9, 0.5 + 4.0 * value / full)) * supply_v / 5.0


def thermistor_ohm(degc: float) -> float:
    """Resistance in ohm: the Steinhart–Hart equation solved for it.

    Source: the cubic's real root by Cardano's formula.
    """
    a, b, c = NTC_COEFFICIENTS
    x = (a - 1 / (degc + KELVIN)) / (2 * c)
    y = sqrt((b / (3 * c)) ** 3 + x * x)
    return exp((y - x) ** (1 / 3) - (y + x) ** (1 / 3))


def divider_v(ohm: float, pull_up_ohm: float, supply_v: float) -> float:
    """Volts over a resistor to ground behind a pull-up. Source: Ohm's law."""
    return supply_v * ohm / (ohm + pull_up_ohm)


def charge_pressure_v(kpa: float, supply_v: float) -> float:
    """Volts of the charge-pipe sensor, whose curve is slightly bent: kPa = -40 + 74 V + 1.2 V²."""
    volts = (-74.0 + sqrt(74.0**2 + 4 * 1.2 * (kpa + 40.0))) / 2.4
    return volts * supply_v / 5.0


@dataclass(frozen=True)
class UnitParameters:
    """The unit's crystal and the supply of its sensors."""

    crystal_ppm: float = 31.0
    first_tick: int = 2**32 - 14_000_000
    """Its 32-bit tick wraps 14 s later, in mid-run."""
    noise_counts: float = 0.6
    supply_v: float = 4.965


class Encoder:
    """The encoder on the roller's shaft, not quite round and with unequal slots.

    A count begins where its slot does: ``slot k`` lies at ``k + error(k)`` counts.
    """

    def __init__(self, parameters: RollerParameters, seed: int) -> None:
        self.parameters = parameters
        count = parameters.counts_per_revolution
        random = np.random.default_rng((seed, 0xE2C))
        phase = random.uniform(0, 2 * pi)
        slots = np.arange(count)
        eccentric = parameters.eccentricity_counts * np.sin(2 * pi * slots / count + phase)
        uneven = random.normal(0.0, parameters.slot_noise_counts, count)
        self.errors: list[float] = (eccentric + uneven).tolist()

    def counts(self, position_m: float) -> float:
        """Where the reading head sees the disc, in counts, whole numbers at the edges."""
        true = position_m * self.parameters.counts_per_m
        slot = floor(true)
        count, part = len(self.errors), true - slot
        before, after = self.errors[slot % count], self.errors[(slot + 1) % count]
        return true - before - part * (after - before)


class Unit:
    """The unit as an instrument of the bench: ``step`` and ``receive`` move its bytes."""

    name = "unit"

    def __init__(self, car: Car, parameters: UnitParameters, seed: int) -> None:
        self.parameters = parameters
        self.encoder = Encoder(car.parameters.rollers, seed)
        config = UnitConfig(
            serial_number="SIM-0001",
            crystal_ppm=parameters.crystal_ppm,
            first_tick=parameters.first_tick,
            noise_counts=parameters.noise_counts,
        )
        self.firmware = SimulatedUnit(config, seed)
        self._spark_angle = pi
        """Crank angle of the next ignition, every half turn for four cylinders."""
        self._before = (0.0, 0.0)

    def step(self, now_s: float, car: Car, inputs: int) -> bytes:
        """Bytes sent in the step that ends at *now_s*; *inputs* are the digital ones' bits."""
        signals = Signals(
            encoder=(self.encoder.counts(car.roller_position),),
            analogue=self.volts(car, self.supply_v(now_s)),
            ignition_s=self._ignition(now_s, car),
            digital=inputs,
        )
        return self.firmware.step(now_s - self.firmware.now_s, signals)

    def receive(self, data: bytes) -> bytes:
        """Requests from the PC, answered with a later step."""
        self.firmware.receive(data)
        return b""

    def supply_v(self, now_s: float) -> float:
        """Volts of the sensors' supply, which wanders slowly."""
        return self.parameters.supply_v + 0.004 * sin(2 * pi * 0.21 * now_s)

    def volts(self, car: Car, supply: float) -> dict[str, float]:
        """Volts at the terminals now."""
        engine = car.engine
        ambient = engine.parameters.ambient_kpa
        pulses = 0.012 * car.map_at_sensor * sin(2 * car.crank_angle)
        return {
            "ai1": ratiometric_v(car.map_at_sensor + pulses, 300.0, supply),
            "ai2": charge_pressure_v(engine.charge_kpa, supply),
            "ai3": ratiometric_v(engine.fuel_kpa - ambient, 1000.0, supply),
            "ai4": ratiometric_v(engine.oil_kpa, 1000.0, supply),
            "ai5": divider_v(thermistor_ohm(engine.coolant_degc), 1000.0, supply),
            "ai6": divider_v(thermistor_ohm(engine.oil_degc), 1000.0, supply),
            "ai7": divider_v(thermistor_ohm(engine.inlet_degc), 2490.0, supply),
            "ai8": 0.004 * max(0.0, min(1250.0, car.thermocouple_degc)),
            "ai9": 5.0 * (lambda_shown(car.lambda_inverse) - 0.5),
            "ai10": 0.5 + 0.8e-3 * car.brake.cell_n,
            "ai11": engine.battery_v / 4.0,
            "ai12": ratiometric_v(ambient, 300.0, supply),
            "supply": supply,
        }

    def _ignition(self, now_s: float, car: Car) -> list[float]:
        """Times of the pick-up's edges within the step; none while the spark is cut."""
        (before_s, before), angle = self._before, car.crank_angle
        self._before = (now_s, angle)
        edges = []
        while self._spark_angle <= angle:
            part = (self._spark_angle - before) / (angle - before)
            if car.engine.spark:
                edges.append(before_s + part * (now_s - before_s))
            self._spark_angle += 2 * pi / (car.parameters.engine.cylinders / 2)
        return edges


def lambda_shown(inverse: float) -> float:
    """What the wideband's controller shows for a true 1/lambda: it ends at 0.65 and at 1.36."""
    return max(0.65, min(1.36, 1 / inverse if inverse > 0.1 else 1.36))
