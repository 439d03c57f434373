"""How old each channel's values are: fitted where the run tells it, else as configured.

An age is never lent: what was fitted for the engine speed of a frame is for the frame's other
channels no more than a bound, for each has its own filter.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from daq.bench import Bench
from daq.channels import BenchChannel
from daq.evaluation import NO_LATENCY, Evaluation, Floats, Ignition, Latency, LatencySource
from daq.latency import Delay, ForceChain, Refusal, fit_delay
from daq.wideband_age import probe_ages

TWIN_LIMIT_S = 15e-3
"""A fit against a wired twin is refused beyond this. Common practice, no source."""
ENGINE_SPEED = "engine_speed"


def find_latencies(bench: Bench, result: Evaluation) -> dict[str, Latency]:
    """Latency of every channel that has values, by bench name."""
    found = {name: _configured(result.channels[name]) for name in result.values}
    found |= _force_chains(bench, result)
    for name, fitted in [*_by_ignition(result), *_by_twins(result, found)]:
        found[name] = _prefer(fitted, found[name])
    found |= _bounded(result, found)
    found |= probe_ages(bench, result)
    return found


def _configured(channel: BenchChannel) -> Latency:
    config = channel.config
    if config.latency_s == 0.0 and config.latency_uncertainty_s is None:
        return NO_LATENCY
    return Latency(config.latency_s, config.latency_uncertainty_s, "configured", "as configured")


def _prefer(fitted: Latency, configured: Latency) -> Latency:
    """The fit where there is one; else what is configured, with the reason of the refusal."""
    if fitted.source == "fitted" or configured.source == "none":
        return fitted
    reason = f"as configured; no fit: {fitted.reason}"
    return Latency(configured.taken_s, configured.uncertainty_s, configured.source, reason=reason)


# --- force


def _force_chains(bench: Bench, result: Evaluation) -> dict[str, Latency]:
    """Load cells: one whose chain nobody measured is uncertain by 50 ms and says so."""
    found = {}
    cells = [cell for roller in bench.roller_set.values() for cell in roller.load_cells]
    for channel in filter(None, (result.find(cell.channel) for cell in cells)):
        config = channel.config
        chain = ForceChain.of(config.latency_s or None, None, config.latency_uncertainty_s)
        if chain.measured or channel.name not in result.values:
            continue
        reason = (
            "delay of cell, amplifier and filter never measured: taken as"
            f" {1e3 * chain.delay_s:.0f} ms with a standard uncertainty of"
            f" {1e3 * chain.uncertainty_s:.0f} ms"
        )
        source: LatencySource = "configured" if config.latency_s else "none"
        found[channel.name] = Latency(chain.delay_s, chain.uncertainty_s, source, reason)
        result.problems.append(f"channel {channel.name}: {reason}")
    return found


# --- fits


def _by_ignition(result: Evaluation) -> Iterable[tuple[str, Latency]]:
    """Engine speeds of bus, stream and polls, each against the run's own pulses."""
    for channel in result.with_role(ENGINE_SPEED):
        if result.ignition is None:
            yield channel.name, Latency(reason="not fitted: no ignition or crank pulses")
        else:
            yield channel.name, _engine_speed(result, channel, result.ignition)


def _engine_speed(result: Evaluation, channel: BenchChannel, ignition: Ignition) -> Latency:
    t, value = result.samples(channel.name)
    by = ignition.speed
    fit = fit_delay(t, value, by.t, by.speed, reference=ignition.source, by_speed=(by.t, by.cycle))
    if isinstance(fit, Refusal):
        return Latency(reason=f"not fitted: {fit.reason}")
    at = np.interp(result.seconds(result.key(channel.name)), by.t, by.cycle)
    return _fitted(fit, fit.at(at), f"fitted against {ignition.source} pulses")


def _fitted(fit: Delay, taken_s: Floats | float, how: str) -> Latency:
    reason = f"{how} over {len(fit.windows)} transients"
    return Latency(taken_s, fit.uncertainty_s, "fitted", reason, fit.a_s, fit.b_s_rpm, fit.sample_s)


def _by_twins(result: Evaluation, found: dict[str, Latency]) -> Iterable[tuple[str, Latency]]:
    """Channels of a bus, stream or poll against one of the same role that the bench wired."""
    for wired in result.channels.values():
        if not _is_reference(result, wired):
            continue
        own = found[wired.name]
        ref_t, ref = result.samples(wired.name)
        for twin in result.with_role(wired.role):
            if _is_wired(twin):
                continue
            fit = fit_delay(
                *result.samples(twin.name),
                ref_t - own.typical_s,
                ref,
                reference="wired",
                gain="free",
                limit_s=TWIN_LIMIT_S,
            )
            if isinstance(fit, Refusal):
                yield twin.name, Latency(reason=f"not fitted: {fit.reason}")
                continue
            latency = _fitted(fit, fit.a_s, f"fitted against channel {wired.name}")
            total = float(np.hypot(fit.uncertainty_s, own.uncertainty_s or 0.0))
            yield twin.name, _with_uncertainty(latency, total)


def _with_uncertainty(latency: Latency, uncertainty_s: float) -> Latency:
    return Latency(
        latency.taken_s, uncertainty_s, latency.source, latency.reason, latency.a_s,
        latency.b_s_rpm, latency.sample_s,
    )  # fmt: skip


def _is_wired(channel: BenchChannel) -> bool:
    """Sampled by the bench's own converter: the device calibrates nothing itself."""
    return channel.calibration is not None and channel.stream.index_kind == "tick"


def _is_reference(result: Evaluation, channel: BenchChannel) -> bool:
    """The first wired channel of a role that has values."""
    if not channel.role or channel.role == ENGINE_SPEED or not _is_wired(channel):
        return False
    wired = [c.name for c in result.with_role(channel.role) if _is_wired(c)]
    return wired[:1] == [channel.name]


# --- bounds


def _bounded(result: Evaluation, found: dict[str, Latency]) -> dict[str, Latency]:
    """Channels beside a fitted engine speed: their age is unknown, but about as large."""
    bounds = {
        result.key(channel.name): found[channel.name]
        for channel in result.with_role(ENGINE_SPEED)
        if found[channel.name].source == "fitted"
    }
    limited = {}
    for name, latency in found.items():
        bound = bounds.get(result.key(name))
        if bound is None or latency.source != "none" or bound is latency:
            continue
        widest = max(bound.typical_s, 0.0) + 2 * (bound.uncertainty_s or 0.0)
        reason = (
            f"not measured; the engine speed of the same frames is {1e3 * bound.typical_s:.0f} ms"
            " old, which serves as a bound"
        )
        why = f"{latency.reason}; {reason}" if latency.reason else reason
        # anything from 0 to the bound: about its lower end that is bound / sqrt(3)
        limited[name] = Latency(0.0, widest / float(np.sqrt(3)), "none", why)
    return limited
