"""Age of a wideband sensor's readings: the gas's way by the flow that pushes it, and the probe."""

from __future__ import annotations

import numpy as np

from daq.bench import Bench, EngineConfig
from daq.channels import BenchChannel
from daq.errors import ConfigError
from daq.evaluation import Evaluation, Floats, Latency
from daq.latency import air_flow, configured_delay, exhaust_flow
from daq.units import convert

INJECTION_TURNS = 1.5
"""Crank turns from injection to the opening exhaust valve of a four-stroke.

Source: common practice, no source."""
LEAST_FLOW_KG_S = 5e-4
"""Below this an engine stands or is cranked; the gas hardly moves."""
LONGEST_S = 2.0
KELVIN = 273.15
FLOW_ROLE = "mass_air_flow"
PRESSURE_ROLE = "manifold_absolute_pressure"


def probe_ages(bench: Bench, result: Evaluation) -> dict[str, Latency]:
    """Computed ages of channels of role ``lambda``; none where the bench does not say enough."""
    engine = bench.engine
    if engine is None or engine.exhaust_volume_l is None:
        return {}
    speed = _engine_speed(result)
    try:
        flow = _air_flow(engine, result)
    except ConfigError as error:
        result.problems.append(f"age of lambda not computed from the exhaust flow: {error}")
        return {}
    if flow is None or speed is None:
        return {}
    return {c.name: _age(engine, result, c, flow, speed) for c in result.with_role("lambda")}


def _age(
    engine: EngineConfig,
    result: Evaluation,
    channel: BenchChannel,
    flow: tuple[Floats, Floats, str],
    speed: tuple[Floats, Floats],
) -> Latency:
    assert engine.exhaust_volume_l is not None
    t = result.seconds(result.key(channel.name))
    delay = configured_delay(engine.exhaust_volume_l, engine.probe_lag_s)
    warmth = (600.0 + KELVIN) / (_gas_degc(engine, result, t) + KELVIN)
    flow_t, air, how = flow
    way = plug_flow(t - delay.lag_s, flow_t, exhaust_flow(air), delay.mass_kg * warmth)
    rpm = np.maximum(np.interp(t, *speed), 300.0)
    strokes = INJECTION_TURNS * engine.strokes / 4
    taken = delay.lag_s + way + 60 * strokes / rpm
    usual = float(np.median(way))
    uncertainty = float(np.hypot(usual * delay.uncertainty_share, delay.uncertainty_s))
    reason = f"gas from injection to probe by {how}, and the probe's lag"
    return Latency(taken.clip(0.0, LONGEST_S), uncertainty, "computed", reason)


def _gas_degc(engine: EngineConfig, result: Evaluation, t: Floats) -> Floats | float:
    """Temperature of the exhaust gas: measured where a channel of that role is in degC."""
    for channel in result.with_role("exhaust_temperature"):
        at, value = result.samples(channel.name)
        if len(at) and channel.unit == "degC":
            return np.maximum(np.interp(t, at, value), 0.0)
    return engine.exhaust_degc


def plug_flow(t: Floats, flow_t: Floats, flow_kg_s: Floats, mass_kg: Floats | float) -> Floats:
    """How long ago the gas now at the end of a pipe entered it, float64[n] s at *t*.

    The gas leaves in the order in which it entered, once *mass_kg* came after it:
    the integral of the flow over the delay is the mass.
    """
    flow = np.maximum(flow_kg_s, LEAST_FLOW_KG_S)
    steps = np.diff(flow_t) * (flow[1:] + flow[:-1]) / 2
    passed = np.concatenate(([0.0], np.cumsum(steps)))
    now = np.interp(t, flow_t, passed)
    steady = mass_kg / np.interp(t, flow_t, flow)
    entered = np.interp(now - mass_kg, passed, flow_t)
    delay: Floats = np.where(now > mass_kg, np.clip(t, flow_t[0], flow_t[-1]) - entered, steady)
    return delay


def _air_flow(engine: EngineConfig, result: Evaluation) -> tuple[Floats, Floats, str] | None:
    """Times, air in kg/s and how it was had: a flow meter, else speed and density."""
    for channel in result.with_role(FLOW_ROLE):
        t, value = result.samples(channel.name)
        if len(t) > 1:
            return t, convert(value, "mass_flow", channel.unit, "kg/s"), f"channel {channel.name}"
    speed = _engine_speed(result)
    if engine.displacement_l is None or speed is None:
        return None
    for channel in sorted(result.with_role(PRESSURE_ROLE), key=lambda c: c.calibration is None):
        t, value = result.samples(channel.name)
        if len(t) > 1:
            kpa = convert(value, "absolute_pressure", channel.unit, "kPa")
            rpm = np.interp(t, *speed)
            air = air_flow(
                kpa, rpm, engine.displacement_l, filling=engine.volumetric_efficiency
            ) * (4 / engine.strokes)
            return t, air, f"speed and density of channel {channel.name}"
    return None


def _engine_speed(result: Evaluation) -> tuple[Floats, Floats] | None:
    """Times and rpm: by pulses, else of the first channel that has it."""
    if result.ignition is not None:
        return result.ignition.speed.t, result.ignition.speed.cycle
    for channel in result.with_role("engine_speed"):
        t, value = result.samples(channel.name)
        if len(t) > 1:
            return t, value
    return None
