"""A turbocharged four-stroke petrol engine: air, fuel, torque and temperatures, stepped by dt.

The numbers make a plausible two-litre engine of no make. Unless a line names a source they are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, pi, sqrt

R_AIR = 287.05
"""Specific gas constant of dry air in J/(kg K). Source: ICAO Doc 7488, from memory."""
LHV_PETROL = 42.5e6
"""Lower heating value of petrol in J/kg, common handbook figure, from memory."""
AFR_PETROL = 14.61
"""Stoichiometric air-fuel ratio of petrol E0 as CH1.87 by mass, computed with 0.23137 kg of
oxygen in 1 kg of air."""
KELVIN = 273.15


@dataclass(frozen=True)
class EngineParameters:
    """The engine and the air around it."""

    displacement_m3: float = 2.0e-3
    cylinders: int = 4
    inertia_kg_m2: float = 0.18
    """Crank, flywheel and clutch cover."""
    ambient_kpa: float = 98.6
    ambient_degc: float = 22.0
    idle_rpm: float = 850.0
    limit_rpm: float = 6900.0
    limit_band_rpm: float = 120.0
    """The spark comes back this far below the limit."""
    indicated_efficiency: float = 0.35
    breathing: tuple[tuple[float, float], ...] = (
        (0.0, 0.70), (1000.0, 0.78), (2500.0, 0.88), (4000.0, 0.93), (5500.0, 0.90), (7500.0, 0.74),
    )  # fmt: skip
    """(engine speed in rpm, volumetric efficiency referred to manifold density)."""
    boost_kpa: float = 82.0
    """Wastegate limit above ambient."""
    boost_flow_kg_s: float = 0.060
    """Exhaust flow that drives the compressor to the limit."""
    turbo_s: float = 0.40
    manifold_s: float = 0.050
    rich_lambda: float = 0.87
    """At full load."""
    coolant_degc: float = 88.0
    oil_degc: float = 92.0

    @property
    def swept_per_radian(self) -> float:
        """Volume drawn in for each radian of crank, in m³ (four strokes: once in two turns)."""
        return self.displacement_m3 / (4 * pi)


def friction_pa(rpm: float) -> float:
    """Friction mean effective pressure in Pa, hot.

    Source: Heywood, Internal Combustion Engine Fundamentals, chapter 13: total motored friction
    of four-cylinder petrol engines, 0.97 + 0.15 N + 0.05 N² bar with N in 1000/min; from memory.
    """
    thousands = rpm / 1000
    return 1e5 * (0.97 + 0.15 * thousands + 0.05 * thousands * thousands)


def interpolate(table: tuple[tuple[float, float], ...], x: float) -> float:
    """Straight lines between the points of *table*, held at both ends."""
    x0, y0 = table[0]
    if x <= x0:
        return y0
    for x1, y1 in table[1:]:
        if x < x1:
            return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        x0, y0 = x1, y1
    return y0


class Engine:
    """State of the engine apart from its speed, which belongs to the driveline.

    Pressures kPa absolute, temperatures degC, flow kg/s, torque N·m.
    """

    def __init__(self, parameters: EngineParameters) -> None:
        p = self.parameters = parameters
        self.map_kpa = 35.0
        self.charge_kpa = p.ambient_kpa
        self.air_kg_s = 0.003
        self.equivalence = 1.0
        """Fuel over stoichiometric fuel, of what is injected now: 1/lambda, 0 in a fuel cut."""
        self.spark = True
        self.fuel_cut = False
        self.idle_air = 0.0052
        self.charge_per_radian = 0.0
        self.exhaust_degc = 390.0
        self.inlet_degc = p.ambient_degc + 9.0
        self.coolant_degc = p.coolant_degc
        self.oil_degc = p.oil_degc
        self.fuel_kpa = 400.0
        self.oil_kpa = 180.0
        self.battery_v = 14.1

    def step(self, dt: float, speed: float, throttle: float) -> float:
        """Advance by *dt* s at crank *speed* rad/s and *throttle* 0 to 1; returns crank torque."""
        rpm = speed * 30 / pi
        self._govern(dt, rpm, throttle)
        self._breathe(dt, rpm, throttle)
        self._mix(dt, rpm, throttle)
        self._limit(rpm)
        self._warm(dt, rpm)
        return self._torque(rpm)

    def _govern(self, dt: float, rpm: float, throttle: float) -> None:
        """Idle speed control by air past the throttle."""
        if throttle < 0.01:
            wanted = self.parameters.idle_rpm - rpm
            self.idle_air += dt * 1.0e-5 * max(-400.0, min(400.0, wanted))
            self.idle_air = max(0.003, min(0.020, self.idle_air))

    def _breathe(self, dt: float, rpm: float, throttle: float) -> None:
        p = self.parameters
        area = throttle + self.idle_air + max(0.0, p.idle_rpm - rpm) * 1e-5
        opening = 36000.0 * area / max(rpm, 200.0) + 0.14
        wanted = self.charge_kpa * opening / sqrt(1 + opening * opening)
        self.map_kpa += (wanted - self.map_kpa) * dt / p.manifold_s
        density = self.map_kpa * 1000 / (R_AIR * (self.inlet_degc + KELVIN))
        filled = interpolate(p.breathing, rpm) * p.swept_per_radian * density
        self.charge_per_radian = filled
        self.air_kg_s = filled * rpm * pi / 30
        drive = (self.air_kg_s / p.boost_flow_kg_s) ** 1.4 * min(1.0, throttle * 2)
        boosted = p.ambient_kpa + p.boost_kpa * min(1.0, drive) - 2.0 * min(1.0, drive)
        self.charge_kpa += (boosted - self.charge_kpa) * dt / p.turbo_s

    def _mix(self, dt: float, rpm: float, throttle: float) -> None:
        if throttle < 0.01 and rpm > 1500.0:
            self.fuel_cut = True
        elif throttle > 0.02 or rpm < 1250.0:
            self.fuel_cut = False
        load = min(1.0, max(0.0, (self.map_kpa - 95.0) / 45.0))
        rich = 1 / self.parameters.rich_lambda - 1
        wanted = 0.0 if self.fuel_cut else 1.0 + rich * load
        lag_s = 0.003 if self.fuel_cut else 0.040
        self.equivalence += (wanted - self.equivalence) * min(1.0, dt / lag_s)

    def _limit(self, rpm: float) -> None:
        p = self.parameters
        if rpm > p.limit_rpm:
            self.spark = False
        elif rpm < p.limit_rpm - p.limit_band_rpm:
            self.spark = True

    def _torque(self, rpm: float) -> float:
        p = self.parameters
        heat = self.charge_per_radian * min(1.0, self.equivalence) * LHV_PETROL / AFR_PETROL
        efficiency = p.indicated_efficiency * (1 - 0.9 * exp(-self.map_kpa / 24.0))
        burnt = efficiency * heat if self.spark and rpm > 150.0 else 0.0
        pumping = max(0.0, p.ambient_kpa - self.map_kpa) * 1000
        drag = (friction_pa(rpm) + pumping) * p.swept_per_radian
        return burnt - drag * min(1.0, rpm / 100.0)

    def _warm(self, dt: float, rpm: float) -> None:
        p = self.parameters
        flow = self.air_kg_s / 0.12
        gas = 20.0 + (640.0 + 250.0 * min(1.3, flow)) * (1 - exp(-self.air_kg_s / 0.0065))
        if self.fuel_cut:
            gas = 260.0
        self.exhaust_degc += (gas - self.exhaust_degc) * dt / 0.15
        compressed = (p.ambient_degc + KELVIN) * ((self.charge_kpa / p.ambient_kpa) ** 0.2857 - 1)
        inlet = p.ambient_degc + 9.0 + 0.45 * max(0.0, compressed) / 0.70
        self.inlet_degc += (inlet - self.inlet_degc) * dt / 1.5
        self.coolant_degc += (p.coolant_degc + 6.0 * flow - self.coolant_degc) * dt / 25.0
        self.oil_degc += (p.oil_degc + 22.0 * flow - self.oil_degc) * dt / 40.0
        self.fuel_kpa += (300.0 + self.map_kpa - self.fuel_kpa) * dt / 0.020
        oil = min(480.0, 70.0 + 0.095 * rpm * (1 - 0.004 * (self.oil_degc - 90.0)))
        self.oil_kpa += (oil - self.oil_kpa) * dt / 0.050
        self.battery_v += (14.2 - 0.25 * exp(-rpm / 1500.0) - self.battery_v) * dt / 0.3
