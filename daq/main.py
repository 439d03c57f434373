"""The main process: follows the journal, keeps device states, has ended runs finalised.

``python -m daq.main CONFIG --journal DIR --run-dir DIR --out DIR``. It ignores SIGTERM and SIGINT.
The word *finish* on its standard input makes it finalise what has ended and then end; the end of
its input makes it end at once (a finaliser that is at work goes on).
"""

from __future__ import annotations

import argparse
import logging
import os
import select
import shlex
import signal
import socket
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from daq.bench import Bench, load_bench
from daq.commands import SOCKET_NAME, CommandError, follow
from daq.decode import DeviceDecoder
from daq.errors import DaqError, JournalError
from daq.finishing import Finishing
from daq.journal import ChunkRow, Entry, Journal, MarkRow, NoteRow, runs

log = logging.getLogger("daq.main")

BEAT_S = 0.25


@dataclass
class DeviceState:
    """``waiting`` until a valid row came, then ``running``; ``lost`` with its wire; ``failed``."""

    state: str = "waiting"
    since_ns: int = 0
    reason: str = ""
    rows: int = 0


class Live:
    """Follows the entries and decodes them as they come, for states now and values later."""

    def __init__(self, bench: Bench) -> None:
        self.devices = {name: DeviceState() for name in bench.device}
        self._decoders = {name: DeviceDecoder(bench, name) for name in bench.device}
        self._on_wire = {
            wire: [name for name, device in bench.device.items() if device.wire == wire]
            for wire in bench.wire
        }

    def feed(self, entry: Entry) -> None:
        """Take one entry of the journal."""
        if isinstance(entry, ChunkRow):
            for name in self._on_wire.get(entry.wire, ()):
                self._decode(name, entry)
        elif isinstance(entry, NoteRow):
            for name in self._on_wire.get(entry.wire, ()):
                self._note(name, entry)

    def _decode(self, name: str, entry: ChunkRow) -> None:
        rows = sum(len(block) for block in self._decoders[name].feed(entry.chunks))
        if rows:
            self.devices[name].rows += rows
            self._enter(name, "running", entry.chunks[-1].t_ns)

    def _note(self, name: str, note: NoteRow) -> None:
        chunk = self._decoders[name].note(note)
        if chunk is not None:
            self._decoders[name].feed([chunk])
        kind = note.content.get("note")
        if kind == "closed":
            self._enter(name, "lost", note.t_ns, str(note.content.get("error", "")))
        elif kind == "failed" and note.content.get("device") == name:
            self._enter(name, "failed", note.t_ns, str(note.content.get("error", "")))

    def _enter(self, name: str, state: str, t_ns: int, reason: str = "") -> None:
        """Change state; acquisition has logged a loss already."""
        device = self.devices[name]
        if state != device.state and device.state != "failed":
            self.devices[name] = DeviceState(state, t_ns, reason, device.rows)
            if state == "running":
                log.info("device %s: running", name)


class Main:
    """One pass through :meth:`step` for each commit, or each 0.25 s."""

    def __init__(
        self, bench: Bench, journal: Path, socket_path: Path, finishing: Finishing
    ) -> None:
        self.live = Live(bench)
        self._folder, self._socket_path, self._finishing = journal, socket_path, finishing
        self._journal: Journal | None = None
        self._after = -1
        self._marks: list[MarkRow] = []
        self._follower: socket.socket | None = None
        self._finish_when_done = False

    def run(self, control: int) -> None:
        """Work until *control*, a descriptor, is at its end, or all is done after *finish*."""
        while True:
            unsettled = self.step()
            if self._finish_when_done and not unsettled:
                return
            watched = [control, *self._finishing.waitable]
            if self._follower is not None:
                watched.append(self._follower.fileno())
            ready = select.select(watched, [], [], BEAT_S)[0]
            if control in ready and not self._obey(os.read(control, 4096)):
                return

    def step(self) -> bool:
        """Take what was committed, see to the finaliser; whether a run still waits for it."""
        self._follow()
        try:
            self._read()
        except JournalError as error:
            self._let_go(error)
            return self._journal is not None
        return self._finishing.poll(runs(self._marks))

    # --- within

    def _obey(self, words: bytes) -> bool:
        if b"finish" in words:
            self._finish_when_done = True
        return bool(words)

    def _follow(self) -> None:
        """Connect to acquisition if need be, and swallow its wake-up bytes."""
        if self._follower is None:
            try:
                self._follower = follow(self._socket_path)
            except CommandError:
                return
        try:
            gone = not self._follower.recv(4096)
        except BlockingIOError:
            return
        except OSError:
            gone = True
        if gone:
            self._follower.close()
            self._follower = None

    def _read(self) -> None:
        if self._journal is None:
            self._begin()
        assert self._journal is not None
        for entry in self._journal.entries(self._after):
            self._take(entry)

    def _begin(self) -> None:
        """Take over the marks of the past, and go on from now with the prefaces in force."""
        journal = Journal(self._folder)
        self._marks = journal.marks()
        self._after = journal.last_seq()
        self._marks = [mark for mark in self._marks if mark.seq <= self._after]
        for note in journal.in_force(self._after + 1):
            self.live.feed(note)
        self._journal = journal

    def _let_go(self, error: JournalError) -> None:
        """There is no journal yet, or its part has gone: look again at the next step."""
        if self._journal is not None:
            log.warning("%s", error)
            self._journal.close()

    def _take(self, entry: Entry) -> None:
        self._after = entry.seq
        if isinstance(entry, MarkRow):
            self._marks.append(entry)
        self.live.feed(entry)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process; 2 when it cannot start for a reason that trying again does not cure."""
    parser = argparse.ArgumentParser(prog="python -m daq.main", description=__doc__)
    parser.add_argument("config", type=Path)
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--run-dir", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--finaliser", default="", help="command in place of our own")
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    os.setpriority(os.PRIO_PROCESS, 0, max(0, os.getpriority(os.PRIO_PROCESS, 0)))
    try:
        bench = load_bench(options.config)
    except DaqError as error:
        log.error("%s", error)
        return 2
    command = shlex.split(options.finaliser) or [sys.executable, "-m", "daq.finalise"]
    socket_path = options.run_dir / SOCKET_NAME
    finishing = Finishing(options.journal, options.out, socket_path, command)
    Main(bench, options.journal, socket_path, finishing).run(sys.stdin.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
