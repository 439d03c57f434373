"""What main tells the world after each look at the journal: state, changes, limits, values."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

import daq
from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.entries import RUN_ENDS, MarkRow
from daq.live.limits import LimitEvent
from daq.live.reading import STATES, Reading
from daq.live.values import Live

VALUES_NS = 45 * MILLISECOND_NS
"""Values go out once for each commit, 20 times a second, and no more often."""
IDLE_NS = SECOND_NS // 4
"""Without anybody listening readings are renewed so often."""
SILENT_NS = 3 * SECOND_NS
"""Acquisition commits at least each second; after three without a sign of it it is silent."""

RUN_STATES = {"arm": "armed", "disarm": "idle", "start": "recording", "end": "slowing"}
RUN_STATES |= dict.fromkeys(RUN_ENDS, "idle")
"""What the bench does after each of these marks."""
Tell = Callable[..., None]


class Outlet(Protocol):
    """Where it is told: :class:`daq.live.server.Server`."""

    readings: Mapping[str, Reading]
    state: Mapping[str, Any]

    @property
    def listening(self) -> bool:
        """Whether anybody follows the events."""
        ...

    def publish(self, kind: str, data: Any, values_ns: int | None = None) -> None:
        """Send an event."""
        ...


class Bulletin:
    """Call :meth:`issue` after each look at the journal; *tell* sends acquisition a command."""

    def __init__(self, live: Live, outlet: Outlet, tell: Tell) -> None:
        self.live, self._outlet, self._tell = live, outlet, tell
        self._run: dict[str, Any] = {"state": "idle", "since_ns": 0, "start": None}
        self._due_ns = 0
        self._pace = ""
        self._devices: dict[str, Any] = {}

    def mark(self, mark: MarkRow) -> None:
        """Take a mark of the journal."""
        state = RUN_STATES.get(mark.kind)
        if state is not None:
            start = mark.seq if mark.kind == "start" else self._run["start"]
            start = start if state in ("recording", "slowing") else None
            self._run = {"state": state, "since_ns": mark.t_ns, "start": start}
        if mark.kind == "acquisition_started":
            self._pace = ""
        content = {"kind": mark.kind, "seq": mark.seq, "t_ns": mark.t_ns, "origin": mark.origin}
        self._outlet.publish("mark", {**content, "content": mark.content})

    def issue(self, now_ns: int, heard_ns: int, silence: str = "") -> None:
        """Tell what is new. *heard_ns*: when acquisition last gave a sign; *silence*: why none."""
        for event in self._limit_events():
            self._outlet.publish("limit", {"t_ns": event.t_ns, **event.content()})
        self._set_pace(silence)
        if now_ns < self._due_ns:
            return
        listening = self._outlet.listening
        self._due_ns = now_ns + (VALUES_NS if listening else IDLE_NS)
        if not silence and now_ns - heard_ns > SILENT_NS:
            silence = f"acquisition has been silent for {(now_ns - heard_ns) / SECOND_NS:.0f} s"
        readings = self.live.snapshot(heard_ns, silence)
        before, self._outlet.readings = self._outlet.readings, readings
        self._outlet.state = self._state(readings, silence)
        if listening:
            self._tell_changes(before, readings, now_ns)
            values = {name: reading.brief(now_ns) for name, reading in readings.items()}
            self._outlet.publish("values", {"t_ns": now_ns, "channels": values}, now_ns)

    # --- within

    def _limit_events(self) -> list[LimitEvent]:
        """Limit events since the last time; each becomes a mark in the journal too."""
        events, self.live.limit_events = self.live.limit_events, []
        for event in events:
            self._tell("limit", origin="limits", content=event.content(), t_ns=event.t_ns)
        return events

    def _set_pace(self, silence: str) -> None:
        """Have acquisition commit each 50 ms while somebody listens."""
        wanted = "fast" if self._outlet.listening else "slow"
        if silence:
            self._pace = ""
        elif wanted != self._pace and (self._pace or wanted == "fast"):
            self._pace = wanted
            self._tell("pace", value=wanted)

    def _state(self, readings: Mapping[str, Reading], silence: str) -> dict[str, Any]:
        counts = dict.fromkeys(STATES, 0)
        for reading in readings.values():
            counts[reading.state] += 1
        devices = self.live.devices
        return {
            "bench": self.live.bench.bench.name,
            "release": daq.__version__,
            "acquisition": silence or "running",
            "run": self._run,
            "devices": {
                name: {
                    "wire": self.live.bench.device[name].wire,
                    "state": state.state,
                    "since_ns": state.since_ns,
                    "why": state.reason,
                    "rows": devices.rows[name],
                }
                for name, state in devices.states.items()
            },
            "channels": counts,
            "limits": [w.channel for w in self.live.watches.values() if w.level],
        }

    def _tell_changes(
        self, before: Mapping[str, Reading], readings: Mapping[str, Reading], now_ns: int
    ) -> None:
        """State changes of channels, devices, acquisition and run, each as an event."""
        for name, reading in readings.items():
            old = before.get(name)
            if old is None or (old.state, old.why) != (reading.state, reading.why):
                change = {"t_ns": now_ns, "channel": name, "state": reading.state}
                self._outlet.publish("channel", change | {"why": reading.why})
        state = {n: self._outlet.state[n] for n in ("acquisition", "run", "devices")}
        plain = {**state, "devices": {n: d["state"] for n, d in state["devices"].items()}}
        if plain != self._devices:
            self._devices = plain
            self._outlet.publish("state", {"t_ns": now_ns, **self._outlet.state})
