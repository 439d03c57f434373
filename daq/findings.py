"""What times and pulses told about the run, in the words of the run file: results and windows."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from daq.engine_speed import SpeedFlag
from daq.evaluation import Evaluation, Ignition, Motion
from daq.ignition import sample_status
from daq.runfile.content import (
    ColumnContent,
    Fact,
    Quantity,
    ResultContent,
    TableContent,
    WindowContent,
)

MOTION = "roller_motion_"
IGNITION = "ignition_speed"
GESTURE = "sync_gesture"
FLAGS_TEXT = " ".join(f"{flag.value}={flag.name.lower()}" for flag in SpeedFlag if flag.name)


def time_results(result: Evaluation) -> list[ResultContent]:
    """Roller motion of each set with the diagnosis of its encoder; engine speed by pulses."""
    found = [_motion(name, motion) for name, motion in result.motions.items()]
    if result.ignition is not None:
        found.append(_ignition(result.ignition))
    return found


def gesture_windows(result: Evaluation) -> list[WindowContent]:
    """Where the driver blipped the throttle so that ages could be told."""
    return [
        WindowContent(
            GESTURE if len(result.gestures) == 1 else f"{GESTURE}_{number}",
            gesture.first_s,
            gesture.last_s,
            info={
                f"rise_{n}": Quantity(rise, "1/min") for n, rise in enumerate(gesture.rise_rpm, 1)
            },
        )
        for number, gesture in enumerate(result.gestures, 1)
    ]


def is_of_time(name: str) -> bool:
    """Whether a result or window of this name is made here."""
    return name.startswith((MOTION, GESTURE)) or name == IGNITION


def _motion(name: str, motion: Motion) -> ResultContent:
    moved = motion.kinematics
    columns = " ".join(
        f"/run/aligned/{motion.column}_{what}"
        for what in ("distance", "speed", "acceleration", "direction")
    )
    return ResultContent(
        f"{MOTION}{name}",
        "local quadratic through counts at their edges"
        if moved.edge_timed
        else "local quadratic through plain counts: edges are not timed",
        inputs=(f"/run/streams/{motion.encoder}_raw",),
        values=dict(_motion_values(motion)),
        info={"columns": columns, "encoder_diagnosis": _diagnosis(motion)},
    )


def _motion_values(motion: Motion) -> Iterator[tuple[str, Fact]]:
    moved = motion.kinematics
    yield "window", Quantity(moved.window_s, "s")
    yield "speed_bandwidth", Quantity(moved.speed_bandwidth_hz, "Hz")
    yield "acceleration_bandwidth", Quantity(moved.acceleration_bandwidth_hz, "Hz")
    if np.isfinite(moved.count_noise):
        yield "count_scatter", Quantity(moved.count_noise, "1")
    off = moved.eccentricity
    if off is not None:
        yield "eccentricity", Quantity(off.amplitude, "1", off.uncertainty)
        yield "eccentricity_phase", Quantity(off.phase_rad, "rad")
        yield "eccentricity_of_radius", Quantity(off.offset_share, "1")
        yield "eccentricity_removed", moved.eccentricity_removed
    if motion.lost is not None:
        yield "turns_by_index_pulse", len(motion.lost)
        yield "counts_lost", int(np.abs(motion.lost).sum())
        yield "turns_with_lost_counts", int(np.count_nonzero(motion.lost))


def _diagnosis(motion: Motion) -> str:
    """What a technician should know about the encoder and its mounting."""
    told = []
    off = motion.kinematics.eccentricity
    if off is not None and off.significant:
        told.append(
            f"once a turn the count is off by {off.amplitude:.3g} counts"
            f" ({100 * off.offset_share:.3g} % of the disc's radius off its axis, or a true ripple)"
        )
    if motion.lost is not None and motion.lost.any():
        bad = int(np.count_nonzero(motion.lost))
        told.append(f"{bad} of {len(motion.lost)} turns lost or gained counts")
    if not motion.kinematics.edge_timed:
        told.append("edges are not timed, so speed and acceleration are much less certain")
    return "; ".join(told)


def _ignition(ignition: Ignition) -> ResultContent:
    speed = ignition.speed
    # two pulses at one moment would be one; a stall's ends may fall together
    keep = np.diff(speed.t, prepend=-np.inf) > 0
    status = sample_status(speed)[keep]
    columns = [
        ColumnContent("speed", "rpm", speed.speed[keep], long_name="over the interval"),
        ColumnContent("cycle_speed", "rpm", speed.cycle[keep], long_name="over a working cycle"),
        ColumnContent("flags", "1", speed.flags[keep].astype(np.float64), long_name=FLAGS_TEXT),
    ]
    columns[0].info = {"suspect": int(np.count_nonzero(status))}
    counted: dict[str, Fact] = {
        f"intervals_{flag.name.lower()}": int(np.count_nonzero(speed.flags & flag))
        for flag in SpeedFlag
        if flag.name
    }
    return ResultContent(
        IGNITION,
        f"engine speed from {ignition.source} pulses",
        inputs=(f"/run/streams/{ignition.channel}_raw", "/run/documents"),
        values={
            "pulses_per_revolution": Quantity(ignition.pulses, "1"),
            "pulses": len(speed.edge),
            "pulses_not_counted": speed.dropped,
            **counted,
        },
        table=TableContent("time", "s", speed.t[keep], columns, "middle of the interval"),
    )
