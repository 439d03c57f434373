"""Engine speed by the run's own pulses: ignition edges or a crank wheel, as the bench says."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, EngineConfig
from daq.channels import BenchChannel
from daq.engine_speed import EngineSpeed, SpeedFlag, check_pulses, crank_speed, engine_speed
from daq.evaluation import Evaluation, Ignition
from daq.status import SampleStatus

LEAST_PULSES = 10


def find_ignition(bench: Bench, result: Evaluation) -> Ignition | None:
    """Engine speed by pulses, or None; what stands in its way goes to the problems."""
    for role in ("crank", "ignition"):
        for channel in result.with_role(role):
            found = _of_channel(bench, result, channel, role)
            if found is not None:
                _compare(result, found)
                return found
    return None


def _of_channel(
    bench: Bench, result: Evaluation, channel: BenchChannel, role: str
) -> Ignition | None:
    key = result.key(channel.name)
    edge = np.unique(result.seconds(key))
    if len(edge) < LEAST_PULSES:
        return None
    engine = bench.engine or EngineConfig()
    pulses = engine.pulses if role == "ignition" else engine.crank_teeth
    if pulses is None:
        wanted = (
            "cylinders and ignition, or pulses_per_revolution"
            if role == "ignition"
            else ("crank_teeth and crank_missing")
        )
        result.problems.append(
            f"channel {channel.name}: {bench.file_name} has no engine.{wanted}, so its pulses give"
            " no engine speed"
        )
        return None
    path = f"{key[0]}_{key[1]}/{channel.name}"
    until = max(float(result.seconds(k)[-1]) for k in result.rows if k[0] == key[0])
    return Ignition(path, role, float(pulses), _speed(engine, edge, role, until))


def _speed(engine: EngineConfig, edge: NDArray[np.float64], role: str, until: float) -> EngineSpeed:
    cycle = engine.strokes / 2
    if role == "crank":
        assert engine.crank_teeth is not None
        teeth, missing = engine.crank_teeth, engine.crank_missing
        return crank_speed(
            edge, teeth, missing, rpm_max=engine.rpm_max, cycle_turns=cycle, until=until
        )
    assert engine.pulses is not None
    return engine_speed(
        edge,
        engine.pulses,
        rpm_max=engine.rpm_max,
        blank_s=engine.blank_s,
        cycle_turns=cycle,
        uneven=engine.uneven_firing,
        until=until,
    )


def _compare(result: Evaluation, found: Ignition) -> None:
    """Name a setting of pulses per revolution that another engine speed contradicts."""
    for channel in result.with_role("engine_speed"):
        t, other = result.samples(channel.name)
        wrong = check_pulses(found.speed.t, found.speed.cycle, t, other, found.pulses)
        if wrong is not None:
            result.problems.append(f"engine: {wrong} (compared with channel {channel.name})")


def sample_status(speed: EngineSpeed) -> NDArray[np.uint8]:
    """SampleStatus of each interval: those with missed, cut or lost pulses are suspect."""
    doubted = SpeedFlag.MISSED | SpeedFlag.CUT | SpeedFlag.LOST_TOOTH
    suspect = speed.flags & np.uint8(doubted) != 0
    return np.where(suspect, SampleStatus.DRIVER_FLAGGED, 0).astype(np.uint8)
