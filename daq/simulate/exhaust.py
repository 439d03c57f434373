"""The way of the burnt gas from the valve to the wideband sensor."""

from __future__ import annotations

from collections import deque
from math import pi

from daq.simulate.engine import KELVIN, R_AIR

INJECTION_TO_EXHAUST_DEG = 540.0
"""Crank angle from injection to the opening exhaust valve of a four-stroke engine.
Source: common practice, no source."""


def gas_density(temperature_degc: float, pressure_kpa: float = 101.325) -> float:
    """Density of the exhaust gas in kg/m³, taken as air. Source: ideal gas law."""
    return pressure_kpa * 1000 / (R_AIR * (temperature_degc + KELVIN))


class Exhaust:
    """Plug flow: what was injected reaches the valve 540° later and the sensor when the pipe's
    gas has been pushed out once; at a steady state that is θ/(6 n) + V ρ/ṁ.

    ``valve`` and ``sensor`` are equivalence ratios (1/lambda) there now; ``delay_s`` how long ago
    the gas now at the sensor was injected.
    """

    def __init__(self, volume_m3: float) -> None:
        self.volume_m3 = volume_m3
        self.valve = self.sensor = 1.0
        self.delay_s = 0.0
        self._angle = self._mass = self._injected_s = 0.0
        self._to_valve: deque[tuple[float, float, float]] = deque()
        self._to_sensor: deque[tuple[float, float, float]] = deque()

    def step(
        self,
        dt: float,
        now_s: float,
        speed: float,
        flow_kg_s: float,
        equivalence: float,
        degc: float,
    ) -> None:
        """Advance by *dt* s at crank *speed* rad/s; *equivalence* is what is injected now."""
        self._angle += speed * dt
        self._mass += flow_kg_s * dt
        self._to_valve.append((self._angle, now_s, equivalence))
        due = self._angle - INJECTION_TO_EXHAUST_DEG * pi / 180
        while self._to_valve and self._to_valve[0][0] <= due:
            _, injected_s, self.valve = self._to_valve.popleft()
            self._to_sensor.append((self._mass, injected_s, self.valve))
        out = self._mass - self.volume_m3 * gas_density(degc)
        while self._to_sensor and self._to_sensor[0][0] <= out:
            _, self._injected_s, self.sensor = self._to_sensor.popleft()
        self.delay_s = now_s - self._injected_s
