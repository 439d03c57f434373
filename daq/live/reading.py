"""What is shown of one channel at one moment, and in which state it is and why."""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from daq.channels import BenchChannel
from daq.clock import SECOND_NS
from daq.live.devices import DeviceState
from daq.live.track import Track
from daq.status import SampleStatus

RUNNING, STALE, LOST, NEVER_SEEN = "running", "stale", "lost", "never_seen"
STATES = (RUNNING, STALE, LOST, NEVER_SEEN)
DIGITS = 7
STATUS_WORDS = {bit: bit.name.lower() for bit in SampleStatus if bit.name}
RAILS = int(SampleStatus.SATURATED_LOW | SampleStatus.SATURATED_HIGH)
OUT_OF_RANGE = int(SampleStatus.OUT_OF_RANGE)


class Reading(NamedTuple):
    """One channel at one moment.

    ``value`` in the channel's unit, None where it has none; ``raw`` as the device gave it;
    ``t_ns`` host time of the reading, 0 before the first; ``why`` explains a state that is not
    plainly running; ``level`` is ok, warning or alarm.
    """

    channel: BenchChannel
    raw: float | int | None
    value: float | None
    status: int
    t_ns: int
    rate_hz: float | None
    state: str
    why: str
    level: str

    def age_s(self, now_ns: int) -> float | None:
        """Time since the reading."""
        return round((now_ns - self.t_ns) / SECOND_NS, 3) if self.t_ns else None

    def brief(self, now_ns: int) -> list[Any]:
        """Value, age in s, rate in Hz, state, level: as the event stream has it."""
        return [self.value, self.age_s(now_ns), self.rate_hz, self.state, self.level]

    def whole(self, now_ns: int) -> dict[str, Any]:
        """All there is to say, for a request."""
        channel = self.channel
        return {
            "name": channel.name,
            "device": channel.device,
            "stream": channel.stream.name,
            "unit": channel.unit,
            "quantity": channel.config.quantity or channel.input.quantity,
            "description": channel.description,
            "role": channel.role,
            "listed": channel.listed,
            "low": channel.low,
            "high": channel.high,
            "labels": {str(raw): text for raw, text in channel.input.labels.items()},
            "raw": self.raw,
            "value": self.value,
            "status": status_words(self.status),
            "nominal_rate_hz": channel.stream.rate_hz,
            "rate_hz": self.rate_hz,
            "age_s": self.age_s(now_ns),
            "state": self.state,
            "why": self.why,
            "level": self.level,
        }


def status_words(status: int) -> list[str]:
    """The bits of a sample's status as words."""
    return [word for bit, word in STATUS_WORDS.items() if status & bit]


def rounded(value: float) -> float | None:
    """A value as it is shown; None for NaN or infinity."""
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else None


def judge(
    track: Track, device: DeviceState, heard_ns: int, silence: str, supported: bool
) -> tuple[str, str]:
    """A channel's state and why.

    *heard_ns*: all until then is known. *silence*: why nothing comes from acquisition, empty when
    it does. *supported*: whether the device, as it was identified, delivers the channel.
    """
    gone = silence or (device.reason if device.state in ("lost", "failed") else "")
    if not track.seen:
        return _unseen(track, device, gone, supported)
    if gone:
        return LOST, f"device {track.channel.device}: {gone}" if gone != silence else gone
    if track.stale(heard_ns):
        return STALE, f"no reading within {track.patience_ns / SECOND_NS:.3g} s"
    return RUNNING, _remark(track)


def _unseen(track: Track, device: DeviceState, gone: str, supported: bool) -> tuple[str, str]:
    name = track.channel.device
    if gone:
        return NEVER_SEEN, gone if device.reason != gone else f"device {name}: {gone}"
    if not supported:
        return NEVER_SEEN, f"device {name} does not deliver it"
    if device.state == "running":
        return (RUNNING, "no event yet") if track.eventful else (NEVER_SEEN, "no frame with it yet")
    return NEVER_SEEN, f"device {name}: no frame yet"


def _remark(track: Track) -> str:
    """What a technician should know of a running channel's value."""
    if not track.status:
        return ""
    if track.status & RAILS:
        return "at the rail of its input"
    if not math.isfinite(track.value):
        return "no value: the sensor is open or shorted, or what it needs is missing"
    channel, unit = track.channel, track.channel.unit
    if channel.low is not None and track.value < channel.low:
        return f"out of range: below {channel.low:g} {unit}"
    if channel.high is not None and track.value > channel.high:
        return f"out of range: above {channel.high:g} {unit}"
    return "out of range of its sensor" if track.status & OUT_OF_RANGE else ""
