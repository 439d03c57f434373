"""Runs as they happen: live values, buttons and commands in; marks, lamp and buzzer out.

The states are :mod:`daq.sequence`'s; here they meet the bench. Every change of state is a mark in
the journal before it is told to anybody, and a mark that somebody else set is taken over.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterable, Mapping
from typing import Any

from daq.bench import Bench
from daq.channels import BenchChannel, bench_channels
from daq.clock import MILLISECOND_NS, SECOND_NS, monotonic_ns
from daq.commands import Answer, CommandError
from daq.config import nearest
from daq.entries import MarkRow, NoteRow, Run
from daq.errors import ConfigError
from daq.feedback import Feedback, Pattern
from daq.garage import Garage, InForce, Window, said
from daq.numbers import NumberError, Numbers
from daq.sequence import SPEED, STANDSTILL_M_S, Action, Refused, Sequence, State, end_channels

log = logging.getLogger("daq.main")

Ask = Callable[..., Answer]
"""Sends a command to acquisition: its name, then origin, t_ns and content by name."""
Look = Callable[[str], tuple[int, float | None] | None]
"""Host time and value of a channel's last reading; None before the first."""
COMMANDS = ("arm", "disarm", "start", "stop", "mark", "cut")
BUTTONS = {
    "button_arm": "arm",
    "button_start": "start",
    "button_stop": "stop",
    "button_mark": "mark",
}
"""Role of a digital input to the command that a press gives; *arm* pressed again disarms."""
LINES = {"brake_run_line": "the brake controller's run line", "emergency_stop": "emergency stop"}
"""Inputs whose changes are marked and change nothing."""
BOUNCE_NS = 50 * MILLISECOND_NS
"""A second press sooner than this is the contact's bounce. Common practice, no source."""
PAST_NS = 59 * SECOND_NS
"""Acquisition takes a mark dated back by at most 60 s."""
SILENT_NS = SECOND_NS
"""A critical channel without a value for so long is lost."""
OLD_NS = 5 * SECOND_NS
"""A value older than this tells nothing of the start window."""
ZERO_NS = 3 * SECOND_NS
"""The longest zero window."""
SHORTEST_ZERO_NS = SECOND_NS // 2
ZERO_GUARD_NS = SECOND_NS // 5
"""So long after coming to rest and before moving off is left out of a zero window."""
LONGEST_CUT_S = 3600.0
SETTINGS = ("start", "end", "pretrigger_s", "after_end_s", "standstill_s")
SOUNDS = {
    "arm": Pattern.BEEP_ARMED,
    "disarm": Pattern.BEEP_DISARMED,
    "start": Pattern.BEEP_STARTED,
    "end": Pattern.BEEP_ENDED,
    "stop": Pattern.BEEP_STOPPED,
}


class Standing:
    """When the rollers last stood still, from their speed."""

    def __init__(self) -> None:
        self._since: int | None = None
        self._until = 0
        self._last: tuple[int, int] | None = None

    def add(self, t_ns: int, speed: float) -> None:
        """Take one value in m/s."""
        if abs(speed) > STANDSTILL_M_S:
            self._last, self._since = self.window, None
            return
        if self._since is None:
            self._since = t_ns
        self._until = t_ns

    @property
    def window(self) -> tuple[int, int] | None:
        """The last stretch at rest (host ns), at most 3 s of it; None when there was none."""
        if self._since is None:
            return self._last
        end = self._until - ZERO_GUARD_NS
        begin = max(self._since + ZERO_GUARD_NS, end - ZERO_NS)
        return (begin, end) if end - begin >= SHORTEST_ZERO_NS else self._last


class Runs:
    """Safe to call from several threads.

    *ask* sends a command to acquisition, which sets the marks; *look* tells the last reading of
    any channel.
    """

    def __init__(
        self,
        bench: Bench,
        numbers: Numbers,
        garage: Garage,
        ask: Ask,
        look: Look,
        feedback: Feedback,
    ) -> None:
        self.bench, self.numbers, self.garage = bench, numbers, garage
        self.sequence = Sequence(bench.run)
        self.channels = _channels(bench)
        self.run: int | None = None
        """Entry at which the run began that is being recorded."""
        self._ask, self._look, self._feedback = ask, look, feedback
        self._inputs = {n for n, c in self.channels.items() if c.role in {*BUTTONS, *LINES}}
        self._begun_ns: int | None = None
        self._lock = threading.RLock()
        self._in_force: InForce | None = None
        self._outside: list[str] = []
        self._standing = Standing()
        self._zero_before: dict[int, tuple[int, int] | None] = {}
        self._levels: dict[str, bool] = {}
        self._pressed_ns: dict[str, int] = {}
        self._own: set[int] = set()
        self._described: set[int] = set()
        self._last_stop_ns: int | None = None
        self._critical = _critical(bench, self.channels)
        self._lost: dict[str, str] = {}
        self._not_for_power: set[str] = set()

    @property
    def state(self) -> State:
        """What the bench is doing."""
        return self.sequence.state

    @property
    def wanted(self) -> frozenset[str]:
        """Channels every value of which it wants."""
        return self.sequence.channels | self._inputs

    # --- commands

    def request(self, wanted: Mapping[str, Any]) -> Answer:
        """A command as the API gives it: command, origin, content, and t_ns when it is dated back.

        Raises CommandError with the reason for a refusal.
        """
        try:
            return self.command(
                str(wanted["command"]),
                str(wanted.get("origin", "")),
                wanted.get("t_ns"),
                **wanted.get("content", {}),
            )
        except (Refused, ConfigError) as error:
            raise CommandError(str(error)) from None

    def command(self, name: str, origin: str, t_ns: int | None = None, /, **values: Any) -> Answer:
        """Carry out a command: arm, disarm, start, stop, mark (*text*) or cut (*last_s*).

        *start* and *cut* take a *title*. The answer has the mark's seq and t_ns, the state, and
        for *arm* what is *outside* the start window. Raises Refused, CommandError, ConfigError.
        """
        with self._lock:
            answer = self._command(name, origin, t_ns or monotonic_ns(), values)
            return {**answer, "state": str(self.state), "outside": self._outside}

    def _command(self, name: str, origin: str, t_ns: int, values: Mapping[str, Any]) -> Answer:
        if name == "mark":
            return self._mark(str(values.get("text", "")), origin, t_ns)
        if name == "cut":
            return self._cut(values, origin)
        if name not in COMMANDS:
            raise Refused(f"no command is called {name!r}{nearest(name, COMMANDS)}")
        if self.state is State.IDLE and name in ("arm", "start"):
            self._take_settings()
        before = self.state, self.sequence.since_ns
        (action,) = self.sequence.command(name, t_ns, origin)
        return self._act(action, before, origin, values)

    def _take_settings(self) -> None:
        """From now on as the vehicle and set-up say that are selected now."""
        in_force = self.garage.in_force()
        config = in_force.run_config(self.bench.run)
        unknown = end_channels(config, self.channels)
        if unknown:
            close = nearest(unknown[0], [SPEED, *self.channels])
            raise Refused(f"run: start or end on {unknown[0]!r}: the bench has no such{close}")
        self._in_force, self.sequence.config = in_force, config
        self._outside = self._found_outside(in_force)

    def _mark(self, text: str, origin: str, t_ns: int, kind: str = "mark") -> Answer:
        content = {"text": text} if text else {}
        answer = self._set(kind, origin, t_ns, content)
        if kind == "mark":
            self._feedback.sound(Pattern.BEEP_MARKED)
        return answer

    def _cut(self, values: Mapping[str, Any], origin: str) -> Answer:
        last_s = values.get("last_s")
        if not isinstance(last_s, int | float) or not 0 < last_s <= LONGEST_CUT_S:
            raise Refused(f"cut: expected from 0 to {LONGEST_CUT_S:g} s, got {last_s!r}")
        now = monotonic_ns()
        content = {"from_ns": max(0, now - round(last_s * SECOND_NS)), "to_ns": now}
        title = {"title": values["title"]} if values.get("title") else {}
        return self._set("cut", origin, now, content | title)

    # --- what the bench does

    def value(self, channel: str, t_ns: int, value: float) -> None:
        """Take one value of a wanted channel."""
        with self._lock:
            if value != value:
                return
            if channel == SPEED:
                self._standing.add(t_ns, value)
            if channel in self._inputs:
                self._input(channel, t_ns, value > 0.5)
            if channel in self.sequence.channels:
                state = self.state, self.sequence.since_ns
                for action in self.sequence.value(channel, t_ns, value):
                    self._act_alone(action, state)

    def note(self, note: NoteRow) -> None:
        """Take a note of a wire: a critical device that is lost is told at once."""
        with self._lock:
            kind = note.content.get("note")
            for name, device in self._critical.items():
                mine = note.content.get("device") == device
                on_wire = self.bench.device[device].wire == note.wire
                if (kind == "closed" and on_wire) or (kind == "failed" and mine):
                    self._lose(name, f"device {device}: {note.content.get('error') or 'lost'}")
                elif kind in ("identified", "preface") and mine:
                    self._lost.pop(name, None)

    def mark(self, mark: MarkRow) -> None:
        """Take a mark of the journal, also those of the past, in order."""
        with self._lock:
            if mark.seq in self._own:
                self._own.discard(mark.seq)
                return
            if mark.kind in ("arm", "start") and self.state is State.IDLE:
                self._in_force, self._outside = None, []
            self.sequence.adopt(mark.kind, mark.t_ns, mark.origin)
            self._follow(mark.kind, mark.seq, mark.t_ns)
            if mark.kind == "not_for_power" and mark.content.get("start") == self.run:
                self._not_for_power.add(str(mark.content.get("channel")))

    def tick(self, now_ns: int) -> None:
        """Take the passing of time."""
        with self._lock:
            if self._begun_ns is None:
                self._begun_ns = now_ns
            state = self.state, self.sequence.since_ns
            for action in self.sequence.tick(now_ns):
                self._act_alone(action, state)
            if self.run is not None:
                self._watch_silence(now_ns)

    def describe(self, found: Iterable[Run], journal_id: str) -> None:
        """Give each new run its number, and say what it belongs to, in an about mark.

        Raises CommandError when acquisition does not answer: try again.
        """
        with self._lock:
            for run in found:
                if run.about is None and run.settled is None:
                    self._describe(run, journal_id)

    def close(self) -> None:
        """Leave the lamp dark."""
        self._feedback.close()

    # --- within: states

    def _act_alone(self, action: Action, before: tuple[State, int]) -> None:
        """An action that no command asked for."""
        try:
            self._act(action, before, "daq", {})
        except CommandError as error:
            log.error("%s: %s", action.kind, error)
            self._feedback.sound(Pattern.BEEP_REFUSED)

    def _act(
        self, action: Action, before: tuple[State, int], origin: str, values: Mapping[str, Any]
    ) -> Answer:
        """Set the mark of *action*; the state is as before when that is refused."""
        content = {"reason": action.reason, **self._facts(action.kind)}
        if action.kind == "start" and values.get("title"):
            content["title"] = str(values["title"])
        try:
            answer = self._set(action.kind, origin, action.t_ns, content)
        except CommandError:
            self.sequence.state, self.sequence.since_ns = before
            raise
        self._feedback.sound(SOUNDS[action.kind])
        self._follow(action.kind, int(answer["seq"]), action.t_ns)
        log.info("%s: %s", action.kind, action.reason)
        return answer

    def _facts(self, kind: str) -> dict[str, Any]:
        """What a mark records beside its reason."""
        if kind == "arm":
            return {"outside": self._outside}
        if kind == "end":
            return {"start": self.run}
        zero = self._standing.window
        if kind == "stop" and zero is not None and zero[0] >= self.sequence.started_ns:
            return {"zero_after": list(zero)}
        return {}

    def _follow(self, kind: str, seq: int, t_ns: int) -> None:
        """What else changes with a mark of the sequence."""
        if kind == "start":
            self.run, self._zero_before[seq] = seq, self._standing.window
            self._not_for_power = set()
            for channel, reason in self._lost.items():
                self._tell_lost(channel, reason)
        elif self.state is State.IDLE:
            if kind == "stop":
                self._last_stop_ns = t_ns
            elif kind == "acquisition_started":
                self._last_stop_ns = None
            self.run = None
        self._show()

    def _show(self) -> None:
        if self.state is State.IDLE:
            self._feedback.show(Pattern.DARK)
        elif self.state is State.ARMED:
            self._feedback.show(Pattern.ARMED)
        else:
            lost = Pattern.RECORDING_LOST if self._not_for_power else Pattern.RECORDING
            self._feedback.show(lost)

    def _set(self, kind: str, origin: str, t_ns: int, content: Mapping[str, Any]) -> Answer:
        now = monotonic_ns()
        stamp = min(max(t_ns, now - PAST_NS), now)
        answer = self._ask(kind, origin=origin, t_ns=stamp, content=dict(content))
        self._own.add(int(answer["seq"]))
        return answer

    # --- within: buttons and lines

    def _input(self, channel: str, t_ns: int, on: bool) -> None:
        before, self._levels[channel] = self._levels.get(channel, on), on
        if on == before:
            return
        role = self.channels[channel].role
        if role in LINES:
            self._line(role, t_ns, on)
        elif on:
            if t_ns - self._pressed_ns.get(channel, -BOUNCE_NS) >= BOUNCE_NS:
                self._press(BUTTONS[role], t_ns)
            self._pressed_ns[channel] = t_ns

    def _press(self, name: str, t_ns: int) -> None:
        """The driver's wish; he hears when it is refused, and the journal has why.

        His *stop* just after the measurement ended by itself must not cut the slow-down off.
        """
        if name == "arm" and self.state is State.ARMED:
            name = "disarm"
        try:
            if name == "stop" and self.state is State.SLOWING:
                raise Refused("stop: the measurement has ended; recording stops at standstill")
            self._command(name, "button", t_ns, {})
        except (Refused, ConfigError, CommandError) as error:
            log.warning("%s", error)
            self._feedback.sound(Pattern.BEEP_REFUSED)
            self._try_set("refused", t_ns, {"command": name, "reason": str(error)})

    def _line(self, role: str, t_ns: int, on: bool) -> None:
        kind = "emergency_stop" if role == "emergency_stop" and on else "mark"
        text = f"{LINES[role]} {'on' if on else 'off'}"
        self._try_set(kind, t_ns, {"text": text}, origin=role)

    def _try_set(
        self, kind: str, t_ns: int, content: Mapping[str, Any], origin: str = "daq"
    ) -> None:
        try:
            self._set(kind, origin, t_ns, content)
        except CommandError as error:
            log.error("%s: %s", kind, error)

    # --- within: what is missing

    def _lose(self, channel: str, reason: str) -> None:
        self._lost[channel] = reason
        if self.run is not None:
            self._tell_lost(channel, reason)
            self._show()

    def _tell_lost(self, channel: str, reason: str) -> None:
        """Mark the run as not for power, once for each channel, and tell the driver first."""
        if channel in self._not_for_power:
            return
        self._not_for_power.add(channel)
        self._feedback.sound(Pattern.BEEP_LOST)
        content = {"start": self.run, "channel": channel, "reason": f"{channel}: {reason}"}
        self._try_set("not_for_power", monotonic_ns(), content)

    def _watch_silence(self, now_ns: int) -> None:
        since = max(self._begun_ns or 0, self.sequence.started_ns)
        for channel in self._critical:
            seen = self._look(channel)
            if now_ns - max(since, seen[0] if seen else 0) > SILENT_NS:
                self._lose(channel, "no value for 1 s")
            else:
                self._lost.pop(channel, None)

    def _found_outside(self, in_force: InForce) -> list[str]:
        """What the start window of the vehicle wants and is not so, in words."""
        if in_force.vehicle is None:
            return []
        found, now = [], monotonic_ns()
        for role, window in vars(in_force.vehicle.start_window).items():
            if window == Window():
                continue
            if role == "rest_s":
                rest = None if self._last_stop_ns is None else now - self._last_stop_ns
                value, words = (None if rest is None else rest / SECOND_NS), "since the last run"
                found += [] if value is None else _beyond(words, value, "s", window)
            else:
                found += self._channel_outside(role, window, now)
        return found

    def _channel_outside(self, role: str, window: Window, now_ns: int) -> list[str]:
        channel = next((c for c in self.channels.values() if c.role == role), None)
        if channel is None:
            return [f"{role}: the bench has no channel of this role"]
        seen = self._look(channel.name)
        if seen is None or seen[1] is None or now_ns - seen[0] > OLD_NS:
            return [f"{channel.name}: no value"]
        return _beyond(channel.name, seen[1], channel.unit, window)

    # --- within: what a run belongs to

    def _describe(self, run: Run, journal_id: str) -> None:
        seq = run.start.seq
        if seq in self._described:
            return
        content: dict[str, Any] = {"start": seq, **self._belonging(run)}
        zero = self._zero_before.pop(seq, None)
        if run.start.kind == "start":
            content |= {"outside": self._outside} | ({"zero_before": list(zero)} if zero else {})
        try:
            content["number"] = self.numbers.of_run(journal_id, seq)
        except NumberError as error:
            log.error("run of entry %d gets no number: %s", seq, error)
            content["number_error"] = str(error)
        self._set("about", "daq", monotonic_ns(), content)
        self._described.add(seq)

    def _belonging(self, run: Run) -> dict[str, Any]:
        """To what was selected when it was armed; a cut to what is selected now."""
        try:
            armed = self._in_force if run.start.kind == "start" else None
            in_force = armed or self.garage.in_force()
        except ConfigError as error:
            log.error("%s", error)
            return {"garage_error": str(error)}
        config = in_force.run_config(self.bench.run)
        settings = {name: value for name, value in said(config).items() if name in SETTINGS}
        return {**in_force.recorded(), "run": settings}


def _channels(bench: Bench) -> dict[str, BenchChannel]:
    return bench_channels(bench, {name: bench.streams(name, {}) for name in bench.device})


def _critical(bench: Bench, channels: Mapping[str, BenchChannel]) -> dict[str, str]:
    """Channels without which a run is not for power, each with its device."""
    encoders = {roller.encoder for roller in bench.roller_set.values()}
    return {
        name: channel.device
        for name, channel in channels.items()
        if channel.config.critical
        or channel.role == "roller_encoder"
        or f"{channel.device}.{name}" in encoders
        or f"{channel.device}.{channel.input.name}" in encoders
    }


def _beyond(name: str, value: float, unit: str, window: Window) -> list[str]:
    if window.low is not None and value < window.low:
        return [f"{name} is {value:.4g} {unit}, below {window.low:g}"]
    if window.high is not None and value > window.high:
        return [f"{name} is {value:.4g} {unit}, above {window.high:g}"]
    return []
