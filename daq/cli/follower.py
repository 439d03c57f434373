"""Follows the daemon's events for a command that shows them, and says when to beep."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from typing import Any

from daq import clock
from daq.live.client import ApiClient, ApiError, Event

AGAIN_S = 1.0
FIRST_S = 10.0
SHARE_OF_RANGE, SHARE_OF_VALUE = 0.02, 0.05
"""A change worth a beep: of the believable range, or of the value. Common practice, no source."""
BRIEF = ("value", "age_s", "rate_hz", "state", "level")


class Beeper:
    """Tells when a channel has moved by more than *by* since the last beep, or changed state."""

    def __init__(self, channel: str, by: float | None, about: Mapping[str, Any]) -> None:
        self.channel = channel
        low, high = about["low"], about["high"]
        if by is None and low is not None and high is not None:
            by = SHARE_OF_RANGE * (high - low)
        self._by = by
        self._value: float | None = None
        self._state = ""

    def take(self, value: float | None, state: str) -> bool:
        """Take what the channel is now; whether to beep."""
        first, changed = not self._state, state != self._state
        self._state = state
        if value is None or self._value is None:
            changed |= (value is None) != (self._value is None)
        else:
            by = SHARE_OF_VALUE * abs(self._value) if self._by is None else self._by
            changed |= abs(value - self._value) > by
        if changed:
            self._value = value
        return changed and not first


class Follower(threading.Thread):
    """Keeps the latest of every channel; connects again when the daemon went away."""

    def __init__(self, client: ApiClient, rate_hz: float, beeper: Beeper | None = None) -> None:
        super().__init__(daemon=True)
        self.beeper = beeper
        self.error = ""
        self._client, self._rate_hz = client, rate_hz
        self._channels: dict[str, dict[str, Any]] = {}
        self._state: dict[str, Any] = {}
        self._beep = False
        self._first = threading.Event()

    def run(self) -> None:
        """Follow for as long as the process lives."""
        while True:
            try:
                for event in self._client.events(self._rate_hz):
                    self._take(event)
                self.error = "the daemon has ended"
            except ApiError as error:
                self.error = str(error)
            self._first.set()
            clock.sleep_ns(round(AGAIN_S * clock.SECOND_NS))

    def wait_first(self) -> None:
        """Wait until there is something to show."""
        self._first.wait(FIRST_S)

    def rows(self, names: Iterable[str]) -> list[dict[str, Any]]:
        """What is known of these channels; a silent daemon makes all of them lost."""
        rows = [self._channels[name] for name in names if name in self._channels]
        if self.error:
            return [{**row, "state": "lost", "why": "no daemon"} for row in rows]
        return rows

    @property
    def title(self) -> str:
        """The bench and what it does, or what is wrong with the daemon."""
        if self.error:
            return f"{self.error}; trying again"
        if not self._state:
            return "connecting"
        running = self._state["acquisition"]
        doing = self._state["run"]["state"] if running == "running" else running
        return f"{self._state['bench']}: {doing}"

    @property
    def hint(self) -> str:
        """The keys, and what is listened for."""
        heard = f"   beeps when {self.beeper.channel} changes" if self.beeper else ""
        return f"space, b: pages   q: quit{heard}"

    def take_beep(self) -> bool:
        """Whether to beep now."""
        beep, self._beep = self._beep, False
        return beep

    def _take(self, event: Event) -> None:
        if event.kind == "whole":
            self._channels = {channel["name"]: channel for channel in event.data["channels"]}
            self._state, self.error = event.data["state"], ""
            self._first.set()
        elif event.kind == "values":
            self._values(event.data["channels"])
        elif event.kind == "channel" and event.data["channel"] in self._channels:
            self._update(event.data["channel"], why=event.data["why"])
        elif event.kind == "state":
            self._state = event.data

    def _values(self, channels: Mapping[str, list[Any]]) -> None:
        for name, brief in channels.items():
            if name in self._channels:
                self._update(name, **dict(zip(BRIEF, brief, strict=True)))
        if self.beeper is not None and self.beeper.channel in channels:
            value, _, _, state, _ = channels[self.beeper.channel]
            self._beep |= self.beeper.take(value, state)

    def _update(self, name: str, **new: Any) -> None:
        """Replace a row as a whole, so that a reader never meets half of one."""
        self._channels[name] = {**self._channels[name], **new}
