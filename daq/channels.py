"""From a device's channels to the bench's: names, roles, calibrations, believable ranges."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daq.bench import Bench, ChannelConfig
from daq.calibration.record import Calibration
from daq.driver import Channel, Stream
from daq.errors import ConfigError
from daq.status import SampleStatus


@dataclass(frozen=True)
class BenchChannel:
    """One channel as the bench knows it.

    ``name`` is unique on the bench; ``device``, ``stream`` and ``input`` say where it comes from.
    """

    name: str
    device: str
    stream: Stream
    input: Channel
    config: ChannelConfig
    listed: bool
    calibration: Calibration | None = None

    @property
    def unit(self) -> str:
        """Unit of the calibrated value."""
        if self.calibration is not None:
            return self.calibration.unit
        return self.config.unit or self.input.unit

    @property
    def description(self) -> str:
        """What it is, in words."""
        return self.config.description or self.input.description

    @property
    def role(self) -> str:
        """What it stands for on the bench, empty when nobody said."""
        return self.config.role or self.input.role

    @property
    def low(self) -> float | None:
        """Lowest believable value."""
        return self.input.low if self.config.low is None else self.config.low

    @property
    def high(self) -> float | None:
        """Highest believable value."""
        return self.input.high if self.config.high is None else self.config.high

    def value(
        self, raw: NDArray[Any], inputs: Mapping[str, NDArray[np.float64]] | None = None
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Calibrated values float64[n] and status bits uint8[n] of *raw*.

        *inputs* gives, by bench channel name, the values at the same rows of what the calibration
        asks for (supply, cold junction, barometer). Without a calibration the protocol's own
        scaling applies.
        """
        if self.calibration is not None:
            value, status = self.calibration.apply(raw, inputs or {})
        else:
            value = raw * self.input.scale + self.input.offset
            status = np.zeros(len(raw), np.uint8)
        beyond = np.zeros(len(raw), bool)
        with np.errstate(invalid="ignore"):
            if self.low is not None:
                beyond |= value < self.low
            if self.high is not None:
                beyond |= value > self.high
        status[beyond] |= np.uint8(SampleStatus.OUT_OF_RANGE)
        return value, status


def bench_channels(
    bench: Bench, streams: Mapping[str, Iterable[Stream]]
) -> dict[str, BenchChannel]:
    """All channels of the bench by name; *streams* are the streams of each device.

    A listed channel keeps the name of its table. One that is not listed takes the driver's name,
    with the device's in front where that name is taken.
    Raises ConfigError when a calibration record does not load or fit.
    """
    problems: list[str] = []
    found: dict[str, BenchChannel] = {}
    pending: list[tuple[str, Stream, Channel]] = []
    for device, its in streams.items():
        listed = {(c.input or name): name for name, c in bench.device[device].channels.items()}
        for stream in its:
            for channel in stream.channels:
                if channel.name not in listed:
                    pending.append((device, stream, channel))
                    continue
                name = listed[channel.name]
                if name in found:
                    problems.append(
                        f"{bench.file_name}: device.{device}.channel.{name}: device"
                        f" {found[name].device!r} has a channel of this name; give one another name"
                    )
                    continue
                found[name] = _listed(bench, name, device, stream, channel, problems)
    for device, stream, channel in pending:
        name = channel.name if channel.name not in found else f"{device}_{channel.name}"
        found[name] = BenchChannel(name, device, stream, channel, ChannelConfig(), listed=False)
    if problems:
        raise ConfigError(problems)
    return found


def _listed(
    bench: Bench, name: str, device: str, stream: Stream, channel: Channel, problems: list[str]
) -> BenchChannel:
    config = bench.device[device].channels[name]
    calibration = None
    if config.calibration:
        where = f"{bench.file_name}: device.{device}.channel.{name}"
        try:
            calibration = Calibration.load(bench.documents[config.calibration], config.calibration)
        except ConfigError as error:
            problems.extend(error.problems)
        else:
            if config.unit and config.unit != calibration.unit:
                problems.append(
                    f"{where}.unit: {config.unit!r}, and {config.calibration} gives"
                    f" {calibration.unit!r}; leave unit out or make them agree"
                )
    return BenchChannel(name, device, stream, channel, config, listed=True, calibration=calibration)


def by_role(channels: Mapping[str, BenchChannel], role: str) -> list[BenchChannel]:
    """Channels that have this role, in bench order."""
    return [channel for channel in channels.values() if channel.role == role]
