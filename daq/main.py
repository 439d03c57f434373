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
from functools import partial
from pathlib import Path

from daq.bench import Bench, load_bench
from daq.clock import monotonic_ns
from daq.commands import SOCKET_NAME, CommandError, ask, follow
from daq.errors import DaqError, JournalError
from daq.feedback import Feedback
from daq.finishing import Finishing
from daq.garage import Garage
from daq.journal import Entry, Journal, MarkRow, NoteRow, Run, runs
from daq.live.bulletin import Bulletin
from daq.live.messenger import Messenger
from daq.live.server import Server
from daq.live.values import Live
from daq.numbers import Numbers
from daq.runs import Look, Runs

log = logging.getLogger("daq.main")

BEAT_S = 0.25


class Main:
    """One pass through :meth:`step` for each commit, or each 0.25 s."""

    def __init__(
        self, bench: Bench, journal: Path, socket_path: Path, finishing: Finishing
    ) -> None:
        self._folder, self._socket_path, self._finishing = journal, socket_path, finishing
        self._messenger = Messenger(socket_path)
        self.runs = runs_of(bench, socket_path, finishing.out, self._look)
        self.live = Live(bench, self.runs.wanted)
        self._server = Server(socket_path.parent, self.runs.request, finishing.out)
        self._bulletin = Bulletin(self.live, self._server, self._messenger.tell)
        self._heard_ns = 0
        self._journal: Journal | None = None
        self._after = -1
        self._marks: list[MarkRow] = []
        self._follower: socket.socket | None = None
        self._finish_when_done = False

    def run(self, control: int) -> None:
        """Work until *control*, a descriptor, is at its end, or all is done after *finish*."""
        self._messenger.start()
        self._server.start()
        try:
            self._run(control)
        finally:
            self.runs.close()
            self._server.close()

    def _run(self, control: int) -> None:
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
            self._tell()
            return self._journal is not None
        self._tell()
        found = self._see_to_runs()
        waiting = self._finishing.poll(run for run in found if run.about is not None)
        return waiting or any(run.unsettled for run in found)

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
                self._heard_ns = monotonic_ns()
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
        else:
            self._heard_ns = monotonic_ns()

    def _tell(self) -> None:
        silence = "" if self._follower is not None else "acquisition does not answer"
        self._bulletin.issue(monotonic_ns(), self._heard_ns, silence)

    def _read(self) -> None:
        if self._journal is None:
            self._begin()
        assert self._journal is not None
        for entry in self._journal.entries(self._after):
            self._take(entry)

    def _see_to_runs(self) -> list[Run]:
        """Let time pass and number new runs; all runs, of which those that have an about mark are
        ready to be written once they have ended.
        """
        self.runs.tick(monotonic_ns())
        self.live.wanted = self.runs.wanted
        found = runs(self._marks)
        assert self._journal is not None
        try:
            self.runs.describe(found, self._journal.journal_id)
        except CommandError as error:
            log.warning("runs: not numbered yet: %s", error)
        return found

    def _look(self, channel: str) -> tuple[int, float | None] | None:
        """A channel's last reading, as it was published last."""
        reading = self._server.readings.get(channel)
        return (reading.t_ns, reading.value) if reading is not None and reading.t_ns else None

    def _begin(self) -> None:
        """Take over the marks of the past, and go on from now with the prefaces in force."""
        journal = Journal(self._folder)
        self._marks = journal.marks()
        self._after = journal.last_seq()
        self._marks = [mark for mark in self._marks if mark.seq <= self._after]
        for mark in self._marks:
            self._bulletin.mark(mark)
            self.runs.mark(mark)
        for note in journal.in_force(self._after + 1):
            self.live.feed(note)
            self.runs.note(note)
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
            self._bulletin.mark(entry)
            self.runs.mark(entry)
        elif isinstance(entry, NoteRow):
            self.runs.note(entry)
        for sample in self.live.feed(entry):
            self.runs.value(*sample)


def runs_of(bench: Bench, socket_path: Path, folder: Path, look: Look) -> Runs:
    """The runs of *bench*, whose files go to *folder*, with the driver's lamp and buzzer."""
    ask_soon = partial(ask, socket_path, timeout_s=5.0)

    def switch(output: str, on: bool) -> None:
        device, _, name = output.partition(".")
        ask(socket_path, "device", timeout_s=1.0, device=device, name=name, value=on)

    feedback = Feedback(bench.run.lamp, bench.run.buzzer, switch)
    feedback.start()
    garage = Garage(bench.folder / bench.run.garage)
    return Runs(bench, Numbers(folder), garage, ask_soon, look, feedback)


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
        command = shlex.split(options.finaliser) or [sys.executable, "-m", "daq.finalise"]
        socket_path = options.run_dir / SOCKET_NAME
        finishing = Finishing(options.journal, options.out, socket_path, command)
        process = Main(bench, options.journal, socket_path, finishing)
    except DaqError as error:
        log.error("%s", error)
        return 2
    process.run(sys.stdin.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
