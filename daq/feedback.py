"""What the driver sees and hears: he is alone in the car, and has a lamp and a buzzer.

A thread of its own keeps the patterns, so that nobody waits for a beep.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from enum import Enum

from daq.clock import MILLISECOND_NS, SECOND_NS, monotonic_ns

log = logging.getLogger("daq.main")

BEAT_S = 0.25
Send = Callable[[str, bool], None]
"""Switches an output, named device.output."""


class Pattern(Enum):
    """Milliseconds on and off in turn, and whether they come again and again."""

    DARK = ((), False)
    ARMED = ((1000,), True)
    RECORDING = ((250, 250), True)
    RECORDING_LOST = ((80, 80), True)

    BEEP_ARMED = ((80,), False)
    BEEP_DISARMED = ((80, 80, 300), False)
    BEEP_REFUSED = ((900,), False)
    BEEP_STARTED = ((80, 80, 80), False)
    BEEP_ENDED = ((300, 150, 300), False)
    BEEP_STOPPED = ((80, 80, 80, 80, 80), False)
    BEEP_MARKED = ((40,), False)
    BEEP_LOST = ((120, 80) * 5 + (120,), False)


def level(pattern: Pattern, passed_ns: int) -> tuple[bool, int | None]:
    """Whether an output is on so long after its pattern began, and ns to its next change.

    None: it does not change any more.
    """
    times, again = pattern.value
    if again and len(times) == 1:
        return True, None
    if again:
        passed_ns %= sum(times) * MILLISECOND_NS
    on = True
    for time_ms in times:
        if passed_ns < time_ms * MILLISECOND_NS:
            return on, time_ms * MILLISECOND_NS - passed_ns
        passed_ns -= time_ms * MILLISECOND_NS
        on = not on
    return False, None


class Output:
    """One output and the pattern that it shows."""

    def __init__(self, name: str) -> None:
        self.name, self.pattern, self.begun_ns = name, Pattern.DARK, 0
        self._told: bool | None = None

    def step(self, now_ns: int, send: Callable[[str, bool], bool]) -> int:
        """Switch it if it is time to; ns until there is something to do again.

        *send* returns whether it could; if not, it is tried again.
        """
        on, left_ns = level(self.pattern, now_ns - self.begun_ns)
        if on != self._told and send(self.name, on):
            self._told = on
        return round(BEAT_S * SECOND_NS) if left_ns is None else left_ns


class Feedback:
    """Lamp and buzzer, by their names device.output; an empty name is nothing."""

    def __init__(self, lamp: str, buzzer: str, send: Send) -> None:
        self._lamp, self._buzzer = Output(lamp), Output(buzzer)
        self._outputs = [output for output in (self._lamp, self._buzzer) if output.name]
        self._send = send
        self._changed, self._ended = threading.Event(), threading.Event()
        self._failing = ""
        self._thread = threading.Thread(target=self._run, name="feedback", daemon=True)

    def start(self) -> None:
        """Begin to switch; until then patterns are only kept."""
        if self._outputs:
            self._thread.start()

    def show(self, pattern: Pattern) -> None:
        """Have the lamp show *pattern* from now on."""
        if pattern is not self._lamp.pattern:
            self._begin(self._lamp, pattern)

    def sound(self, pattern: Pattern) -> None:
        """Have the buzzer sound *pattern* once."""
        self._begin(self._buzzer, pattern)

    def close(self) -> None:
        """Switch both off and end."""
        self._ended.set()
        self._changed.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
            if self._thread.is_alive():
                log.error("feedback: its thread does not end")

    # --- within

    def _begin(self, output: Output, pattern: Pattern) -> None:
        output.pattern, output.begun_ns = pattern, monotonic_ns()
        self._changed.set()

    def _run(self) -> None:
        while not self._ended.is_set():
            left_ns = min(output.step(monotonic_ns(), self._try) for output in self._outputs)
            self._changed.wait(min(left_ns / SECOND_NS, BEAT_S))
            self._changed.clear()
        for output in self._outputs:
            output.pattern = Pattern.DARK
            output.step(monotonic_ns(), self._try)

    def _try(self, name: str, on: bool) -> bool:
        """Whether an output was switched; one that cannot be reached is told once."""
        try:
            self._send(name, on)
        except Exception as error:
            if str(error) != self._failing:
                log.warning("%s: cannot be switched: %s", name, error)
            self._failing = str(error)
            return False
        self._failing = ""
        return True
