"""How each device is: waiting, running, lost or failed, as the journal tells."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from daq.bench import Bench
from daq.entries import NoteRow

log = logging.getLogger("daq.main")


@dataclass(frozen=True)
class DeviceState:
    """``waiting`` until a valid row came, then ``running``; ``lost`` with its wire; ``failed``."""

    state: str = "waiting"
    since_ns: int = 0
    reason: str = ""


class Devices:
    """States by device name, from notes and from rows that came."""

    def __init__(self, bench: Bench) -> None:
        self.states = {name: DeviceState() for name in bench.device}
        self.rows = dict.fromkeys(bench.device, 0)
        self._on_wire = {
            wire: [name for name, device in bench.device.items() if device.wire == wire]
            for wire in bench.wire
        }

    def row(self, name: str, count: int, t_ns: int) -> None:
        """Device *name* gave valid rows, the last at *t_ns*."""
        self.rows[name] += count
        self._enter(name, "running", t_ns)

    def note(self, note: NoteRow) -> None:
        """Take a note of a wire."""
        kind, error = note.content.get("note"), str(note.content.get("error", ""))
        for name in self._on_wire.get(note.wire, ()):
            if kind == "closed":
                self._enter(name, "lost", note.t_ns, error or "its wire was closed")
            elif kind == "failed" and note.content.get("device") == name:
                self._enter(name, "failed", note.t_ns, error)

    def acquisition_started(self, t_ns: int) -> None:
        """All wires are opened anew; what had failed gets another chance."""
        self.states = dict.fromkeys(self.states, DeviceState("waiting", t_ns))

    def _enter(self, name: str, state: str, t_ns: int, reason: str = "") -> None:
        """Change state; acquisition has logged a loss already."""
        before = self.states[name]
        if before.state == "failed" or (state, reason) == (before.state, before.reason):
            return
        since = before.since_ns if state == before.state else t_ns
        self.states[name] = DeviceState(state, since, reason)
        if state == "running":
            log.info("device %s: running", name)
