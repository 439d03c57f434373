"""One roller set with its losses, a brake that hunts, and the load cell on the brake.

Unless a line names a source the numbers are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi, sin, tanh


@dataclass(frozen=True)
class RollerParameters:
    """The roller set. Forces act at the roller's surface."""

    diameter_m: float = 0.5
    inertia_kg_m2: float = 43.75
    loss_a_n: float = 62.0
    loss_b_n_s_m: float = 1.9
    loss_c_n_s2_m2: float = 0.085
    counts_per_revolution: int = 1000
    eccentricity_counts: float = 0.06
    slot_noise_counts: float = 0.02
    arm_m: float = 0.5
    """From the brake's axis to its load cell."""
    load_cell_s: float = 0.020
    """Lag of the load cell's amplifier."""
    brake_limit_n: float = 9000.0
    brake_s: float = 0.060
    hunt_m_s: float = 0.1 / 3.6
    """Amplitude by which the controller makes the speed swing."""
    hunt_hz: float = 1.5

    @property
    def radius_m(self) -> float:
        """Radius at the surface."""
        return self.diameter_m / 2

    @property
    def mass_kg(self) -> float:
        """Mass at the surface that is as hard to accelerate: I/r²."""
        return self.inertia_kg_m2 / self.radius_m**2

    @property
    def counts_per_m(self) -> float:
        """Encoder counts for each metre of surface; v = f π d/n turned round."""
        return self.counts_per_revolution / (pi * self.diameter_m)

    def loss_n(self, speed: float) -> float:
        """Drag of bearings and air at *speed* m/s: A + B v + C v², fading out at standstill."""
        drag = self.loss_a_n + (self.loss_b_n_s_m + self.loss_c_n_s2_m2 * speed) * speed
        return drag * tanh(speed / 0.05)


class Brake:
    """Holds the roller to a speed ramp, and hunts about it; can only slow down.

    ``force_n`` is what it applies at the surface, ``cell_n`` what its load cell's amplifier shows
    (force at the cell, one lag late).
    """

    def __init__(self, parameters: RollerParameters, load_kg: float) -> None:
        self.parameters = parameters
        self.load_kg = load_kg
        """Mass at the surface that the controller is tuned for."""
        self.holding = False
        self.target_m_s = self.rate_m_s2 = 0.0
        self.force_n = self.cell_n = 0.0
        self._sum_n = 0.0

    def hold(self, speed: float, rate_m_s2: float = 0.0) -> None:
        """From now on hold *speed* m/s, changing at *rate_m_s2*."""
        self.holding, self.target_m_s, self.rate_m_s2 = True, speed, rate_m_s2

    def release(self) -> None:
        """Let the roller go free."""
        self.holding, self._sum_n = False, 0.0

    def step(self, dt: float, now_s: float, speed: float) -> float:
        """Advance by *dt* s at roller *speed* m/s; returns the force at the surface in N."""
        p = self.parameters
        wanted = self._wanted(dt, now_s, speed) if self.holding else 0.0
        self.force_n += (wanted - self.force_n) * dt / p.brake_s
        if speed < 0.3:
            self.force_n *= speed / 0.3 if speed > 0 else 0.0
        at_cell = self.force_n * p.radius_m / p.arm_m
        self.cell_n += (at_cell - self.cell_n) * dt / p.load_cell_s
        return self.force_n

    def _wanted(self, dt: float, now_s: float, speed: float) -> float:
        p = self.parameters
        self.target_m_s = max(0.0, self.target_m_s + self.rate_m_s2 * dt)
        target = self.target_m_s + p.hunt_m_s * sin(2 * pi * p.hunt_hz * now_s)
        error = speed - target
        proportional = 9.0 * self.load_kg * error
        self._sum_n = min(p.brake_limit_n, max(0.0, self._sum_n + 22.0 * self.load_kg * error * dt))
        return min(p.brake_limit_n, max(0.0, proportional + self._sum_n))
