"""A recording's rows with what has been made of them so far."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from daq.channels import BenchChannel
from daq.clock import SECOND_NS
from daq.decode import Rows
from daq.engine_speed import EngineSpeed
from daq.latency import Gesture
from daq.rollers.kinematics import Kinematics
from daq.timebase import StreamTime

Key = tuple[str, str]
"""Device and stream."""
Floats = NDArray[np.float64]
LatencySource = Literal["none", "configured", "fitted", "computed"]


@dataclass(frozen=True)
class Motion:
    """One roller set's motion on the grid, and where it came from.

    ``column`` names its columns: ``roller_speed``, ``<column>_distance`` and so on. ``lost``
    counts missing in each turn between index pulses (int64[k]), None without an index pulse.
    """

    column: str
    encoder: str
    kinematics: Kinematics
    lost: NDArray[np.int64] | None = None


@dataclass(frozen=True)
class Ignition:
    """Engine speed by ignition or crank pulses; ``source`` is ignition or crank."""

    channel: str
    source: str
    pulses: float
    """Pulses per revolution; of a crank wheel its teeth."""
    speed: EngineSpeed


@dataclass(frozen=True)
class Latency:
    """How old a channel's values are at its rows, and why that is believed.

    ``taken_s`` is taken off its times: float64[n], or one number for all; ``typical_s`` its
    median. ``a_s``, ``b_s_rpm``: delay = a + b / engine speed, where fitted. ``source``: none,
    configured, fitted or computed. ``sample_s``: scatter of a single value's time beside
    ``uncertainty_s`` (standard).
    """

    taken_s: Floats | float = 0.0
    uncertainty_s: float | None = None
    source: LatencySource = "none"
    reason: str = ""
    a_s: float | None = None
    b_s_rpm: float | None = None
    sample_s: float = 0.0

    @property
    def typical_s(self) -> float:
        """Median of what is taken off."""
        known = np.asarray(self.taken_s, np.float64)
        known = known[np.isfinite(known)]
        return float(np.median(known)) if known.size else 0.0


NO_LATENCY = Latency()


@dataclass
class Evaluation:
    """Rows with their times, values and status; ``channels`` by bench name.

    ``grid`` float64[G] s since zero is that of the aligned table; ``motions`` by roller set;
    ``latencies`` by bench name.
    """

    zero_ns: int
    channels: dict[str, BenchChannel]
    rows: dict[Key, Rows]
    times: dict[Key, StreamTime]
    values: dict[str, Floats] = field(default_factory=dict)
    status: dict[str, NDArray[np.uint8]] = field(default_factory=dict)
    problems: list[str] = field(default_factory=list)
    grid: Floats = field(default_factory=lambda: np.empty(0))
    motions: dict[str, Motion] = field(default_factory=dict)
    ignition: Ignition | None = None
    gestures: list[Gesture] = field(default_factory=list)
    latencies: dict[str, Latency] = field(default_factory=dict)

    def seconds(self, key: Key) -> Floats:
        """Sample times of a stream, float64[n] seconds since zero."""
        return (self.times[key].t_ns - self.zero_ns) / SECOND_NS

    def key(self, channel: str) -> Key:
        """Device and stream of a bench channel."""
        found = self.channels[channel]
        return found.device, found.stream.name

    def latency(self, channel: str) -> Latency:
        """What is known of a channel's age."""
        return self.latencies.get(channel, NO_LATENCY)

    def samples(self, channel: str) -> tuple[Floats, Floats]:
        """Times (s, latency not taken off) and values of a channel where it has any."""
        value = self.values[channel]
        there = np.isfinite(value)
        return self.seconds(self.key(channel))[there], value[there]

    def with_role(self, role: str) -> list[BenchChannel]:
        """Channels of a role that have values, in bench order."""
        return [c for n, c in self.channels.items() if c.role == role and n in self.values]

    def find(self, path: str) -> BenchChannel | None:
        """The channel that ``device.channel`` means, by its bench name or its device's name."""
        device, _, wanted = path.partition(".")
        for channel in self.channels.values():
            if channel.device == device and wanted in (channel.name, channel.input.name):
                return channel if self.key(channel.name) in self.rows else None
        return None

    def inputs(self, channel: BenchChannel) -> dict[str, Floats] | None:
        """Values of what a channel's calibration asks for, at its rows; None when one lacks.

        Where the other channel is of another stream its values are interpolated in time.
        """
        if channel.calibration is None:
            return {}
        found: dict[str, Floats] = {}
        own = (channel.device, channel.stream.name)
        for asked, name in zip(channel.calibration.inputs, inputs_of(channel), strict=True):
            if name not in self.values:
                return None
            values = self.values[name]
            if self.key(name) != own:
                at, since = self.seconds(own), self.seconds(self.key(name))
                values = np.interp(at, since, values, left=np.nan, right=np.nan)
            found[asked] = values
        return found


def inputs_of(channel: BenchChannel) -> tuple[str, ...]:
    """Bench channels that a channel's calibration asks for."""
    if channel.calibration is None:
        return ()
    return tuple(name.rpartition(".")[2] for name in channel.calibration.inputs)
