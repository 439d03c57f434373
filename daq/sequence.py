"""When a run is armed, starts, ends and stops: a table of states, without threads or clocks.

*idle* → *armed* → *recording* → *slowing* → *idle*. Recording ends at an end condition; what
follows, until the rollers have stood for a while, is the slow-down and is in the file too. Back in
*idle* the next run can be armed at once; what becomes of the last one is decided at leisure.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from daq.bench import EndConfig, RunConfig
from daq.clock import SECOND_NS
from daq.errors import DaqError

SPEED = "roller_speed"
STANDSTILL_M_S = 0.1
"""Slower than this the rollers stand. Common practice, no source."""
STEADY_SHARE = 0.05
"""Steady: varying by no more than this share of the start value. Common practice, no source."""
NEAR_SHARE = 0.5
"""Steady counts only above this share of the start value: standing still is no run-up. Common
practice, no source."""


class State(StrEnum):
    """What the bench is doing."""

    IDLE = "idle"
    ARMED = "armed"
    RECORDING = "recording"
    SLOWING = "slowing"


STATE_AFTER = {
    "arm": State.ARMED,
    "disarm": State.IDLE,
    "end": State.SLOWING,
    "stop": State.IDLE,
    "acquisition_started": State.IDLE,
    "acquisition_stopped": State.IDLE,
}
"""The state that each mark makes, but for *start*, which also begins to watch the ends."""


class Refused(DaqError):
    """A command that does not fit the present state, with the reason."""


class Action(NamedTuple):
    """A mark to be set: arm, disarm, start, end or stop, at host time *t_ns*."""

    kind: str
    t_ns: int
    reason: str


@dataclass
class Falling:
    """Watches a smoothed quantity fall below its highest."""

    smooth_s: float
    value: float | None = None
    highest: float = float("-inf")
    t_ns: int = 0

    def add(self, t_ns: int, value: float) -> float:
        """Share in % by which the smoothed value lies below its highest."""
        if self.value is None or self.smooth_s == 0:
            self.value = value
        else:
            share = min(1.0, (t_ns - self.t_ns) / SECOND_NS / self.smooth_s)
            self.value += share * (value - self.value)
        self.t_ns = t_ns
        self.highest = max(self.highest, self.value)
        return 100 * (self.highest - self.value) / self.highest if self.highest > 0 else 0.0


@dataclass
class Sequence:
    """Takes commands and live values, returns marks to be set."""

    config: RunConfig
    state: State = State.IDLE
    since_ns: int = 0
    started_ns: int = 0
    """When the present or last run began."""
    _run_up: deque[tuple[int, float]] = field(default_factory=deque)
    _steady: bool = False
    _standing_ns: int | None = None
    _last: dict[str, tuple[int, float]] = field(default_factory=dict)
    _falling: dict[int, Falling] = field(default_factory=dict)

    @property
    def channels(self) -> frozenset[str]:
        """Channels whose values it wants."""
        ends = {end.channel for end in self.config.end if end.channel}
        return frozenset({SPEED, self.config.start.channel, *ends})

    # --- commands

    def command(self, name: str, t_ns: int, origin: str) -> list[Action]:
        """Carry out arm, disarm, start or stop.

        Raises Refused when it does not fit the state.
        """
        if name == "arm":
            return self._arm(t_ns, origin)
        if name == "disarm":
            self._need(name, State.ARMED)
            return [self._go(State.IDLE, "disarm", t_ns, origin)]
        if name == "start":
            self._need(name, State.IDLE, State.ARMED)
            return [self._start(t_ns, origin)]
        if name == "stop":
            return self._stop(t_ns, origin)
        raise Refused(f"no command is called {name!r}; known: arm, disarm, start, stop")

    def _arm(self, t_ns: int, origin: str) -> list[Action]:
        self._need("arm", State.IDLE)
        start = self.config.start
        known = self._last.get(start.channel)
        if start.above is not None and known is not None and known[1] >= start.above:
            raise Refused(
                f"arm: {start.channel} is {known[1]:.4g}, and a run starts at {start.above:.4g};"
                " slow down below it first"
            )
        self._forget_run_up()
        return [self._go(State.ARMED, "arm", t_ns, origin)]

    def _stop(self, t_ns: int, origin: str) -> list[Action]:
        if self.state is State.ARMED:
            return [self._go(State.IDLE, "disarm", t_ns, origin)]
        if self.state is State.RECORDING:
            return [self._go(State.SLOWING, "end", t_ns, origin)]
        self._need("stop", State.SLOWING)
        return [self._go(State.IDLE, "stop", t_ns, origin)]

    def _need(self, name: str, *states: State) -> None:
        if self.state not in states:
            wanted = " or ".join(states)
            raise Refused(f"{name}: the bench is {self.state}; it must be {wanted}")

    # --- what others did

    def adopt(self, kind: str, t_ns: int, reason: str = "") -> None:
        """Take over the state that a mark of the journal makes, whoever set it."""
        if kind == "start":
            self._start(t_ns, reason)
        elif kind in STATE_AFTER:
            self._go(STATE_AFTER[kind], kind, t_ns, reason)

    # --- values

    def value(self, channel: str, t_ns: int, value: float) -> list[Action]:
        """Take one live value; NaN is no value."""
        if value != value:
            return []
        before = self._last.get(channel)
        self._last[channel] = (t_ns, value)
        if self.state is State.ARMED and channel == self.config.start.channel:
            return self._watch_start(t_ns, value)
        if self.state is State.RECORDING:
            return self._watch_end(channel, t_ns, value, before)
        if self.state is State.SLOWING and channel == SPEED:
            return self._watch_standstill(t_ns, value)
        return []

    def tick(self, now_ns: int) -> list[Action]:
        """Take the passing of time: ends by time, and the longest slow-down."""
        passed_s = (now_ns - self.since_ns) / SECOND_NS
        if self.state is State.RECORDING:
            for end in self.config.end:
                if end.after_s is not None and passed_s >= end.after_s:
                    return [self._go(State.SLOWING, "end", now_ns, f"after {end.after_s:g} s")]
        if self.state is State.SLOWING and passed_s >= self.config.after_end_s:
            reason = f"{self.config.after_end_s:g} s after the end"
            return [self._go(State.IDLE, "stop", now_ns, reason)]
        return []

    def _watch_start(self, t_ns: int, value: float) -> list[Action]:
        start = self.config.start
        if start.above is None:
            return []
        if value >= start.above:
            ready = self._steady
            self._forget_run_up()
            return [self._start(t_ns, f"{start.channel} above {start.above:g}")] if ready else []
        if value < NEAR_SHARE * start.above:
            self._forget_run_up()
            return []
        self._run_up.append((t_ns, value))
        window_ns = round(start.steady_s * SECOND_NS)
        whole = t_ns - self._run_up[0][0] >= window_ns
        while t_ns - self._run_up[0][0] > window_ns:
            self._run_up.popleft()
        values = [item for _, item in self._run_up]
        if whole and max(values) - min(values) <= STEADY_SHARE * start.above:
            self._steady = True
        return []

    def _forget_run_up(self) -> None:
        self._run_up.clear()
        self._steady = False

    def _start(self, t_ns: int, reason: str) -> Action:
        self._falling = {
            number: Falling(end.smooth_s)
            for number, end in enumerate(self.config.end)
            if end.falls_percent is not None
        }
        self.started_ns = t_ns
        return self._go(State.RECORDING, "start", t_ns, reason)

    def _watch_end(
        self, channel: str, t_ns: int, value: float, before: tuple[int, float] | None
    ) -> list[Action]:
        for number, end in enumerate(self.config.end):
            if end.channel == channel and self._met(number, end, t_ns, value, before):
                return [self._go(State.SLOWING, "end", t_ns, _words(end))]
        return []

    def _met(
        self, number: int, end: EndConfig, t_ns: int, value: float, before: tuple[int, float] | None
    ) -> bool:
        earlier = value if before is None else before[1]
        if end.above is not None:
            return value >= end.above > earlier
        if end.below is not None:
            return value <= end.below < earlier
        assert end.falls_percent is not None
        return self._falling[number].add(t_ns, value) >= end.falls_percent

    def _watch_standstill(self, t_ns: int, value: float) -> list[Action]:
        if abs(value) > STANDSTILL_M_S:
            self._standing_ns = None
            return []
        if self._standing_ns is None:
            self._standing_ns = t_ns
        if t_ns - self._standing_ns >= round(self.config.standstill_s * SECOND_NS):
            return [self._go(State.IDLE, "stop", t_ns, "standstill")]
        return []

    def _go(self, state: State, kind: str, t_ns: int, reason: str) -> Action:
        self.state, self.since_ns, self._standing_ns = state, t_ns, None
        return Action(kind, t_ns, reason)


def _words(end: EndConfig) -> str:
    if end.above is not None:
        return f"{end.channel} above {end.above:g}"
    if end.below is not None:
        return f"{end.channel} below {end.below:g}"
    return f"{end.channel} fell {end.falls_percent:g} % below its highest"


def end_channels(config: RunConfig, known: Mapping[str, object]) -> list[str]:
    """Channels that start or end conditions name and the bench does not have."""
    wanted = {end.channel for end in config.end if end.channel}
    if config.start.above is not None:
        wanted.add(config.start.channel)
    return sorted(wanted - {SPEED, *known})
