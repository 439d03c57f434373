"""A car on rollers: engine, clutch, gearbox, driveline, wheels, tyre and roller, stepped by dt.

The body stands still; only the driven wheels and the roller turn. Unless a line names a source
the numbers are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import pi, tanh

from daq.simulate.engine import Engine, EngineParameters
from daq.simulate.exhaust import Exhaust
from daq.simulate.rollers import Brake, RollerParameters


@dataclass(frozen=True)
class CarParameters:
    """The car, the engine in it and the rollers under it."""

    engine: EngineParameters = field(default_factory=EngineParameters)
    rollers: RollerParameters = field(default_factory=RollerParameters)
    gears: tuple[float, ...] = (3.45, 2.05, 1.48, 1.12, 0.89)
    final_drive: float = 3.94
    efficiency: float = 0.95
    clutch_n_m: float = 420.0
    clutch_damping_n_m_s: float = 5000.0
    """Of the closed clutch: it slips 0.06 rad/s at 300 N·m."""
    gearbox_kg_m2: float = 0.02
    """At the gearbox's input shaft, with the clutch plate."""
    shaft_n_m_rad: float = 9000.0
    """Stiffness of both drive shafts together, at the wheels."""
    shaft_n_m_s: float = 50.0
    wheels_kg_m2: float = 1.8
    wheel_radius_m: float = 0.310
    growth_per_m2_s2: float = 8.0e-7
    """Growth of the tyre's radius with the square of its speed: 0.2 % at 50 m/s."""
    wheel_load_n: float = 7200.0
    rolling_resistance: float = 0.016
    grip: float = 1.05
    slip_stiffness_n: float = 200e3
    """Tyre force for each unit of slip, at small slip."""
    exhaust_m3: float = 2.0e-3
    """Gas between the valves and the wideband sensor."""
    lambda_s: float = 0.070
    """Lag of the wideband sensor. Source: fast-AFR literature, 50 to 100 ms."""
    map_hose_s: float = 0.009
    """Lag of the bench's MAP sensor on its hose."""
    thermocouple_s: float = 0.9

    def ratio(self, gear: int) -> float:
        """Crank turns for each turn of the wheels in *gear*, counted from 1; 0 in neutral."""
        return self.gears[gear - 1] * self.final_drive if gear else 0.0


class Car:
    """State of car and rollers. Speeds rad/s or m/s, forces N, torques N·m, all in SI.

    The driver's controls are ``throttle`` (0 to 1), ``clutch`` (1 closed, 0 open), ``gear``
    (0 neutral), ``foot_brake_n`` (at the tyre) and ``brake``, the bench's.
    """

    def __init__(self, parameters: CarParameters | None = None) -> None:
        p = self.parameters = parameters or CarParameters()
        self.engine = Engine(p.engine)
        self.exhaust = Exhaust(p.exhaust_m3)
        self.brake = Brake(p.rollers, p.rollers.mass_kg + 40.0)
        self.time_s = 0.0
        self.throttle, self.clutch, self.gear, self.foot_brake_n = 0.0, 1.0, 0, 0.0
        self.engine_speed = p.engine.idle_rpm * pi / 30
        self.crank_angle = 0.0
        self.input_speed = self.engine_speed
        self.twist_rad = 0.0
        self.wheel_speed = 0.0
        self.roller_speed = self.roller_position = self.roller_acceleration = 0.0
        self.engine_torque = self.clutch_torque = self.wheel_torque = 0.0
        self.tyre_force = self.tyre_slip = self.loss_force = 0.0
        self.map_at_sensor = self.engine.map_kpa
        self.lambda_inverse = 1.0
        self.thermocouple_degc = self.engine.exhaust_degc
        self._tyre_stiffness = 1.0

    @property
    def wheel_radius(self) -> float:
        """Rolling radius in m, grown with speed."""
        p = self.parameters
        surface = self.wheel_speed * p.wheel_radius_m
        return p.wheel_radius_m * (1 + p.growth_per_m2_s2 * surface * surface)

    @property
    def wheel_power(self) -> float:
        """Power that reaches the roller's surface, in W."""
        return self.tyre_force * self.roller_speed

    def shift(self, gear: int) -> None:
        """Put *gear* in: the synchroniser brings the input shaft to the wheels' speed."""
        self.gear, self.twist_rad = gear, 0.0
        if gear:
            self.input_speed = self.wheel_speed * self.parameters.ratio(gear)

    def step(self, dt: float) -> None:
        """Advance by *dt* s; made for 1 ms."""
        self.time_s = round(self.time_s + dt, 9)
        self.engine_torque = self.engine.step(dt, self.engine_speed, self.throttle)
        shaft = self._shaft(dt)
        self._clutch(dt, shaft)
        self._tyre(dt, shaft)
        self._sensors(dt)

    def _shaft(self, dt: float) -> float:
        """Torque of the drive shafts at the wheels, by their twist."""
        p, ratio = self.parameters, self.parameters.ratio(self.gear)
        if not ratio:
            self.wheel_torque = 0.0
            return 0.0
        rate = self.input_speed / ratio - self.wheel_speed
        self.twist_rad += rate * dt
        self.wheel_torque = p.shaft_n_m_rad * self.twist_rad + p.shaft_n_m_s * rate
        return self.wheel_torque

    def _clutch(self, dt: float, shaft: float) -> None:
        """Friction between crank and input shaft, implicit so that a closed clutch is stable."""
        p, ratio = self.parameters, self.parameters.ratio(self.gear)
        crank, inlet = p.engine.inertia_kg_m2, p.gearbox_kg_m2
        efficiency = p.efficiency if shaft > 0 else 1 / p.efficiency
        load = shaft / (ratio * efficiency) if ratio else 0.02 * self.input_speed
        coupling = dt * (1 / crank + 1 / inlet)
        slip = self.engine_speed - self.input_speed
        slip += dt * (self.engine_torque / crank + load / inlet)
        closed = slip * p.clutch_damping_n_m_s / (1 + p.clutch_damping_n_m_s * coupling)
        limit = self.clutch * p.clutch_n_m
        self.clutch_torque = max(-limit, min(limit, closed))
        before = self.engine_speed
        self.engine_speed += dt * (self.engine_torque - self.clutch_torque) / crank
        self.engine_speed = max(0.0, self.engine_speed)
        self.crank_angle += dt * (before + self.engine_speed) / 2
        self.input_speed += dt * (self.clutch_torque - load) / inlet

    def _tyre(self, dt: float, shaft: float) -> None:
        """Slip between wheel and roller, implicit in their difference of speed."""
        p = self.parameters
        radius, mass = self.wheel_radius, p.rollers.mass_kg
        wheel_mass = p.wheels_kg_m2 / (radius * radius)
        surface = self.wheel_speed * radius
        drag = p.rolling_resistance * p.wheel_load_n + self.foot_brake_n
        pull = shaft / radius - drag * tanh(surface / 0.05)
        self.loss_force = p.rollers.loss_n(self.roller_speed)
        held = self.brake.step(dt, self.time_s, self.roller_speed) + self.loss_force
        coupling = dt * (1 / wheel_mass + 1 / mass)
        slide = surface - self.roller_speed + dt * (pull / wheel_mass + held / mass)
        stiffness = self._tyre_stiffness
        slide /= 1 + stiffness * coupling
        self.tyre_force = stiffness * slide
        self._tyre_stiffness = self._secant(slide, surface)
        turning = dt * (pull - self.tyre_force) / (wheel_mass * radius)
        self.wheel_speed = max(0.0, self.wheel_speed + turning)
        self._roll(dt, (self.tyre_force - held) / mass)
        self.tyre_slip = slide / max(surface, 1.0)

    def _secant(self, slide: float, surface: float) -> float:
        """Tyre force over sliding speed: linear in slip, saturating at the grip."""
        p = self.parameters
        most = p.grip * p.wheel_load_n
        straight = p.slip_stiffness_n / max(surface, 1.0)
        x = abs(slide) * straight / most
        return straight * (tanh(x) / x if x > 1e-6 else 1.0)

    def _roll(self, dt: float, acceleration: float) -> None:
        before = self.roller_speed
        self.roller_speed = max(0.0, before + dt * acceleration)
        self.roller_acceleration = (self.roller_speed - before) / dt
        self.roller_position += dt * (before + self.roller_speed) / 2

    def _sensors(self, dt: float) -> None:
        p, engine = self.parameters, self.engine
        self.map_at_sensor += (engine.map_kpa - self.map_at_sensor) * dt / p.map_hose_s
        self.exhaust.step(
            dt,
            self.time_s,
            self.engine_speed,
            engine.air_kg_s,
            engine.equivalence,
            engine.exhaust_degc,
        )
        self.lambda_inverse += (self.exhaust.sensor - self.lambda_inverse) * dt / p.lambda_s
        warming = (engine.exhaust_degc - self.thermocouple_degc) * dt / p.thermocouple_s
        self.thermocouple_degc += warming
