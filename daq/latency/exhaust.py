"""Transport delay of the exhaust gas to a wideband sensor, and the sensor's own lag."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

GAS_CONSTANT = 287.05
"""J/(kg K), dry air; exhaust gas within 1 %."""
AIR_FUEL_RATIO = 14.7
FILLING_UNCERTAINTY = 0.10
"""Standard uncertainty of volumetric efficiency, relative. Common practice, no source."""
TEMPERATURE_UNCERTAINTY = 0.15
CONFIGURED_UNCERTAINTY_S = 0.03
"""Of a delay that nobody measured. Common practice, no source."""
MEASURED_UNCERTAINTY_S = 0.02


def exhaust_flow(air_kg_s: Floats, air_fuel_ratio: float = AIR_FUEL_RATIO) -> Floats:
    """Mass flow of the exhaust in kg/s from that of the air (a mass-flow meter's reading)."""
    flow: Floats = air_kg_s * (1 + 1 / air_fuel_ratio)
    return flow


def air_flow(
    manifold_kpa: Floats,
    engine_speed_rpm: Floats,
    displacement_l: float,
    *,
    filling: float | Floats = 0.85,
    inlet_degc: float | Floats = 30.0,
) -> Floats:
    """Air of a four-stroke in kg/s by speed and density: filling p V / (R T) per two turns."""
    density = manifold_kpa * 1e3 / (GAS_CONSTANT * (np.asarray(inlet_degc) + 273.15))
    flow: Floats = filling * density * displacement_l * 1e-3 * engine_speed_rpm / 120
    return flow


@dataclass(frozen=True)
class TransportDelay:
    """delay = volume density / flow + lag; ``mass_kg`` is the gas between valve and sensor.

    ``uncertainty_share`` is the relative standard uncertainty of the first part;
    ``uncertainty_s`` that of the whole beside it; ``source`` configured or measured.
    """

    mass_kg: float
    lag_s: float
    uncertainty_share: float
    uncertainty_s: float
    source: str

    def at(self, flow_kg_s: Floats) -> tuple[Floats, Floats]:
        """Delay and its standard uncertainty in s at each exhaust flow; NaN without flow."""
        flow = np.where(flow_kg_s > 0, flow_kg_s, np.nan)
        transport = self.mass_kg / flow
        return transport + self.lag_s, np.hypot(
            transport * self.uncertainty_share, self.uncertainty_s
        )


def configured_delay(
    volume_l: float, lag_s: float, *, gas_degc: float = 600.0, pressure_kpa: float = 105.0
) -> TransportDelay:
    """By the volume between valve and sensor and the gas temperature in it."""
    density = pressure_kpa * 1e3 / (GAS_CONSTANT * (gas_degc + 273.15))
    share = float(np.hypot(FILLING_UNCERTAINTY, TEMPERATURE_UNCERTAINTY))
    mass = volume_l * 1e-3 * density
    return TransportDelay(mass, lag_s, share, CONFIGURED_UNCERTAINTY_S, "configured")


def measured_delay(
    flow_kg_s: tuple[float, float],
    delay_s: tuple[float, float],
    uncertainty_s: float = MEASURED_UNCERTAINTY_S / 2,
) -> TransportDelay:
    """By steps at two exhaust flows: delay = mass / flow + lag.

    Raises ValueError for flows that are too near to each other, or when the higher flow took
    longer.
    """
    slow, fast = (1 / flow for flow in flow_kg_s)
    if max(flow_kg_s) < 1.3 * min(flow_kg_s):
        raise ValueError(
            f"exhaust flows {flow_kg_s[0]:g} and {flow_kg_s[1]:g} kg/s are too near to each"
            " other; step once at low and once at high load"
        )
    mass = (delay_s[0] - delay_s[1]) / (slow - fast)
    lag = delay_s[0] - mass * slow
    if mass < 0:
        raise ValueError("the step at the higher flow took longer; measure again")
    return TransportDelay(mass, lag, 0.0, max(uncertainty_s, MEASURED_UNCERTAINTY_S), "measured")


@dataclass(frozen=True)
class StepResponse:
    """A step seen ``dead_s`` later through a first-order lag ``lag_s``; their sum is the delay."""

    dead_s: float
    lag_s: float
    before: float
    after: float
    residual: float

    @property
    def delay_s(self) -> float:
        """Dead time and lag together: better known than either."""
        return self.dead_s + self.lag_s


def fit_step(
    t: Floats,
    value: Floats,
    step_s: float,
    *,
    longest_s: float = 1.0,
    low: float = -np.inf,
    high: float = np.inf,
) -> StepResponse:
    """Dead time and lag of the answer to a step at *step_s*.

    Samples at the sensor's limits *low* and *high* are censored: all they say is *at least*.
    Raises ValueError where there are fewer than 20 samples or nothing steps.
    """
    rows = (t > step_s - longest_s / 2) & (t < step_s + 1.5 * longest_s) & np.isfinite(value)
    x, y = t[rows] - step_s, value[rows]
    if len(x) < 20:
        raise ValueError(f"{len(x)} samples around the step; expected at least 20")
    open_ = (y > low) & (y < high)
    dead, lag = np.arange(0, longest_s, 0.01), np.geomspace(0.005, longest_s / 2, 30)
    best = _best(x, y, open_, dead, lag, (low, high))
    for share in (0.3, 0.1, 0.03):
        dead = best[1] + np.linspace(-0.02, 0.02, 9) * share / 0.3
        lag = best[2] * np.geomspace(1 - share, 1 + share, 9)
        best = min(best, _best(x, y, open_, dead.clip(0), lag, (low, high)))
    cost, dead_s, lag_s, before, after = best
    if abs(after - before) < 4 * cost:
        raise ValueError("nothing steps within the time given")
    return StepResponse(dead_s, lag_s, before, after, cost)


def _best(
    x: Floats, y: Floats, open_: NDArray[np.bool_], dead: Floats, lag: Floats,
    limits: tuple[float, float],
) -> tuple[float, float, float, float, float]:  # fmt: skip
    """Least cost over a grid of dead times and lags: (cost, dead, lag, before, after)."""
    best = (np.inf, 0.0, 0.0, 0.0, 0.0)
    for d in dead:
        for tau in lag:
            share = np.where(x > d, 1 - np.exp(-(x - d).clip(0) / tau), 0.0)
            columns = np.stack([1 - share, share], axis=1)
            used = columns[open_]
            normal = used.T @ used + 1e-12 * np.eye(2)
            level = np.linalg.solve(normal, used.T @ y[open_])
            model = (columns @ level).clip(*limits)
            cost = float(np.sqrt(np.mean((y - model) ** 2)))
            if cost < best[0]:
                best = (cost, float(d), float(tau), float(level[0]), float(level[1]))
    return best
