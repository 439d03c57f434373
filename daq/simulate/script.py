"""The driver: idle, two blips, up through the gears, steady, a full pull, slowed to standstill.

He works the pedals by what he sees, so the moments are the model's and not a table's; each is
an event when it happens.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import pi
from typing import NamedTuple

from daq.simulate.car import Car


class Event(NamedTuple):
    """Something that happened at *time_s* of the model's time."""

    time_s: float
    name: str


@dataclass(frozen=True)
class Plan:
    """What the driver is going to do."""

    idle_s: float = 1.2
    blips: int = 2
    blip_throttle: float = 0.30
    pull_gear: int = 3
    start_rpm: float = 1900.0
    stop_rpm: float = 6350.0
    steady_s: float = 1.6
    rate_m_s2: float = 2.65
    slow_m_s2: float = -6.0
    after_s: float = 1.5
    button_s: float = 0.15
    """How long a button is held down."""


BUTTONS = ("arm", "start", "stop", "mark", "run_line", "emergency_stop")
"""Digital inputs in the order of their bits: hand buttons, the brake controller's *run* line and
the emergency stop, which is only seen."""


class Driver:
    """Works the car's controls; ``step`` is called once for each step of the car.

    ``phase`` names what he is doing, ``done`` is True once the car stands again.
    """

    def __init__(self, car: Car, plan: Plan | None = None) -> None:
        self.car, self.plan = car, plan or Plan()
        self.phase, self.done = "idle", False
        self._events: list[Event] = []
        self.run_line = False
        self._pressed: dict[str, float] = {}
        self._work = self._whole_run()

    @property
    def inputs(self) -> int:
        """State of the digital inputs now, one bit for each of BUTTONS."""
        now = self.car.time_s
        down = {name for name, until in self._pressed.items() if now < until}
        if self.run_line:
            down.add("run_line")
        return sum(1 << bit for bit, name in enumerate(BUTTONS) if name in down)

    def take_events(self) -> list[Event]:
        """What has happened since the last call."""
        events, self._events = self._events, []
        return events

    def step(self) -> None:
        """Do what is to be done now."""
        if not self.done and next(self._work, "done") == "done":
            self.done = True

    def _begin(self, phase: str) -> None:
        self.phase = phase
        self._events.append(Event(self.car.time_s, phase))

    def _press(self, button: str) -> None:
        self._pressed[button] = self.car.time_s + self.plan.button_s
        self._events.append(Event(self.car.time_s, f"button_{button}"))

    def _whole_run(self) -> Iterator[str]:
        self._begin("idle")
        yield from self._wait(self.plan.idle_s)
        self._press("arm")
        for _ in range(self.plan.blips):
            yield from self._blip()
        yield from self._drive_up()
        yield from self._steady()
        yield from self._pull()
        yield from self._slow_down()
        self._begin("standstill")
        yield from self._wait(self.plan.after_s)
        self._begin("end")

    def _wait(self, duration_s: float) -> Iterator[str]:
        until = self.car.time_s + duration_s
        while self.car.time_s < until:
            yield "wait"

    def _until_rpm(self, rpm: float, rising: bool) -> Iterator[str]:
        """Wait for the engine to get there and, in gear, for the gearbox's input shaft too."""
        limit = rpm * pi / 30
        while (self._slower_shaft() < limit) == rising:
            yield "wait"

    def _slower_shaft(self) -> float:
        car = self.car
        return min(car.engine_speed, car.input_speed) if car.gear else car.engine_speed

    def _blip(self) -> Iterator[str]:
        self._begin("blip")
        self.car.throttle = self.plan.blip_throttle
        yield from self._until_rpm(3600.0, rising=True)
        self.car.throttle = 0.0
        yield from self._until_rpm(1150.0, rising=False)
        yield from self._wait(0.3)

    def _drive_up(self) -> Iterator[str]:
        self._begin("drive_up")
        self.car.clutch = 0.0
        yield from self._wait(0.1)
        self.car.shift(1)
        self.car.throttle = 0.11
        yield from self._close_clutch(0.9)
        for gear in range(2, self.plan.pull_gear + 1):
            self.car.throttle = 0.26
            yield from self._until_rpm(2700.0, rising=True)
            yield from self._change(gear)
        self.car.throttle = 0.26
        yield from self._until_rpm(self.plan.start_rpm, rising=True)

    def _change(self, gear: int) -> Iterator[str]:
        self.car.throttle, self.car.clutch = 0.0, 0.0
        yield from self._wait(0.12)
        self.car.shift(gear)
        yield from self._wait(0.12)
        self.car.throttle = 0.08
        yield from self._close_clutch(0.3)

    def _close_clutch(self, duration_s: float) -> Iterator[str]:
        began = self.car.time_s
        while self.car.time_s < began + duration_s:
            self.car.clutch = 0.4 * (self.car.time_s - began) / duration_s
            yield "wait"
        self.car.clutch = 1.0

    def _steady(self) -> Iterator[str]:
        self._begin("steady")
        self.car.brake.hold(self.car.roller_speed)
        self.car.throttle = 0.10
        yield from self._wait(self.plan.steady_s - 0.4)
        self._press("start")
        yield from self._wait(0.4)

    def _pull(self) -> Iterator[str]:
        self._begin("pull")
        self.run_line = True
        self.car.brake.hold(self.car.brake.target_m_s, self.plan.rate_m_s2)
        self.car.throttle = 1.0
        yield from self._until_rpm(self.plan.stop_rpm, rising=True)

    def _slow_down(self) -> Iterator[str]:
        self._begin("lift")
        self.run_line = False
        self.car.throttle = 0.0
        self.car.brake.hold(self.car.roller_speed, self.plan.slow_m_s2)
        yield from self._wait(0.8)
        self._press("stop")
        yield from self._until_rpm(1300.0, rising=False)
        self.car.clutch = 0.0
        yield from self._wait(0.1)
        self.car.shift(0)
        self.car.clutch = 1.0
        self.car.foot_brake_n = 900.0
        while self.car.roller_speed > 0.01:
            yield "wait"
        self.car.foot_brake_n = 0.0
        self.car.brake.release()
