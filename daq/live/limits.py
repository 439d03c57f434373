"""Limits of live values: a warning and an alarm on either side, with hysteresis and delay.

Advisory: nothing here acts on the bench. Pure: times and values come as arguments.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.bench import LimitConfig
from daq.clock import SECOND_NS

SIDES = {"alarm_low": -1, "warn_low": -1, "warn_high": 1, "alarm_high": 1}


class Level(IntEnum):
    """How far a value is out."""

    OK = 0
    WARNING = 1
    ALARM = 2

    @property
    def word(self) -> str:
        """As it is shown and recorded."""
        return self.name.lower()


LEVELS = {
    "alarm_low": Level.ALARM,
    "warn_low": Level.WARNING,
    "warn_high": Level.WARNING,
    "alarm_high": Level.ALARM,
}


class LimitEvent(NamedTuple):
    """A channel has entered another level. ``bound`` is the one passed, None when all is well."""

    channel: str
    t_ns: int
    level: Level
    side: str
    value: float
    bound: float | None
    load: float | None

    def content(self) -> dict[str, str | float | None]:
        """As a mark's content and in the event stream."""
        return {
            "channel": self.channel,
            "level": self.level.word,
            "side": self.side,
            "value": self.value,
            "bound": self.bound,
            "load": self.load,
        }


@dataclass
class LimitWatch:
    """Watches one channel. The delay is counted in the time of the samples."""

    channel: str
    config: LimitConfig
    level: Level = Level.OK
    side: str = ""
    _since: dict[str, int] = field(default_factory=dict)

    def feed(
        self, t_ns: NDArray[np.int64], value: NDArray[np.float64], load: float | None = None
    ) -> list[LimitEvent]:
        """Take samples in order: int64[n] ns and float64[n] in the channel's unit.

        *load* is the load channel's latest value, None when it has none; then bounds that depend
        on it are not judged. NaN is no sample.
        """
        bounds = self.bounds(load)
        if self._at_ease(value, bounds):
            self._since.clear()
            return []
        taken = (
            self._take(t, x, load, bounds)
            for t, x in zip(t_ns.tolist(), value.tolist(), strict=True)
        )
        return [event for event in taken if event is not None]

    def bounds(self, load: float | None) -> dict[str, float]:
        """The bounds that hold at *load*."""
        found = {}
        for name in self.config.BOUNDS:
            bound = getattr(self.config, name)
            if isinstance(bound, tuple):
                bound = self._at(bound, load)
            if bound is not None:
                found[name] = bound
        return found

    def _at(self, bound: tuple[float, ...], load: float | None) -> float | None:
        if load is None or not load >= self.config.load[0]:
            return None
        return float(np.interp(load, self.config.load, bound))

    def _at_ease(self, value: NDArray[np.float64], bounds: dict[str, float]) -> bool:
        """Whether nothing is out and nothing was: the usual case, settled without a loop."""
        if self.level is not Level.OK:
            return False
        signed = [(SIDES[name] * value, SIDES[name] * bound) for name, bound in bounds.items()]
        return not any((outward > bound).any() for outward, bound in signed)

    def _take(
        self, t_ns: int, value: float, load: float | None, bounds: dict[str, float]
    ) -> LimitEvent | None:
        if value != value:
            self._since.clear()
            return None
        name = self._worst(t_ns, value, bounds)
        level, side = (LEVELS[name], name.rpartition("_")[2]) if name else (Level.OK, "")
        if (level, side) == (self.level, self.side):
            return None
        self.level, self.side = level, side
        bound = bounds[name] if name else None
        return LimitEvent(self.channel, t_ns, level, side, value, bound, load)

    def _worst(self, t_ns: int, value: float, bounds: dict[str, float]) -> str:
        """The gravest bound that counts as passed now; empty when none does."""
        passed = ""
        for name, bound in bounds.items():
            if self._passed(name, t_ns, value, bound) and (
                not passed or LEVELS[name] > LEVELS[passed]
            ):
                passed = name
        return passed

    def _passed(self, name: str, t_ns: int, value: float, bound: float) -> bool:
        """A bound in force holds until left by the hysteresis; a new one counts after the delay."""
        side = SIDES[name]
        beyond = side * (value - bound)
        if self._in_force(name):
            return beyond > -self.config.hysteresis
        if beyond <= 0:
            self._since.pop(name, None)
            return False
        since = self._since.setdefault(name, t_ns)
        return t_ns - since >= self.config.delay_s * SECOND_NS

    def _in_force(self, name: str) -> bool:
        return name.endswith(self.side or "none") and LEVELS[name] <= self.level
