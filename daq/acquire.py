"""The acquisition process: a thread for each wire, one that writes, one that takes commands.

``python -m daq.acquire CONFIG --journal DIR --run-dir DIR``. It ignores SIGTERM and SIGINT and ends
when its standard input does: whoever started it holds the other end, so that it also ends, with
everything committed, when that one is killed.
"""

from __future__ import annotations

import argparse
import ctypes
import gc
import logging
import os
import signal
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import daq
from daq.bench import Bench, load_bench
from daq.clock import SECOND_NS, boot_id, monotonic_ns, realtime_ns
from daq.commands import SOCKET_NAME, Answer, CommandError, CommandServer, Reply
from daq.errors import DaqError
from daq.journal import JournalWriter, Limits
from daq.reader import Order, WireReader
from daq.recorder import Recorder

log = logging.getLogger("daq.acquire")

MARKS = frozenset(
    {"start", "end", "stop", "arm", "disarm", "mark", "about", "cut", "refused", "not_for_power"}
    | {"emergency_stop", "limit", "finalised", "finalise_failed"}
)
"""Kinds of mark that a command may set; the others are acquisition's own."""
PAST_NS = 60 * SECOND_NS
"""A command may date its mark back by so much, as to the moment a button was pressed."""
SWITCH_INTERVAL_S = 2e-4
PR_SET_TIMERSLACK = 29
END_S = 3.0


class Acquisition:
    """Readers, recorder and the commands that they obey."""

    def __init__(self, bench: Bench, journal: JournalWriter, socket_path: Path) -> None:
        self._stop = threading.Event()
        self.readers = {name: WireReader(bench, name, self._stop) for name in bench.wire}
        self._server = CommandServer(socket_path, self.handle)
        inboxes = {name: reader.inbox for name, reader in self.readers.items()}
        self.recorder = Recorder(journal, inboxes, self._server.wake_followers)
        if not journal.set_aside():
            log.warning("journal: no room for its reserve of %d B", journal.limits.reserve_bytes)
        about = {"release": daq.__version__, "pid": os.getpid()}
        self.recorder.mark("acquisition_started", "acquisition", about)

    def run(self, control: int) -> None:
        """Record until *control*, a descriptor, is at its end."""
        self.recorder.start()
        for reader in self.readers.values():
            reader.start()
        try:
            self._server.run(control, lambda: not self.recorder.is_alive())
        finally:
            self._end()

    def handle(self, request: Mapping[str, Any], reply: Reply) -> None:
        """Take one command; it is answered after the commit."""
        command = request["command"]
        if command == "device":
            self._order(request, reply)
            return
        known = {"pace": self._pace, "rotate": self._rotate, "status": self._status}
        execute = known.get(command, self._mark if command in MARKS else None)
        if execute is None:
            names = ", ".join(sorted({*MARKS, *known, "device", "follow"}))
            reply({"ok": False, "error": f"no command is called {command!r}; known: {names}"})
            return
        self.recorder.submit(lambda: execute(request), reply)

    # --- commands, on the recorder's thread

    def _mark(self, request: Mapping[str, Any]) -> Answer:
        kind, origin = request["command"], request.get("origin", "")
        content = request.get("content", {})
        if not (isinstance(content, dict) and isinstance(origin, str)):
            raise CommandError(f"{kind}: expected content as an object and origin as a text")
        recorder = self.recorder
        t_ns = _moment(request)
        if kind == "start":
            self._check_start()
        elif kind == "stop":
            if recorder.running is None:
                raise CommandError("stop: no run is being recorded")
            content = {"start": recorder.running, **content}
        elif kind == "cut":
            _check_interval(content)
        answer = recorder.mark(kind, origin, content, t_ns)
        if kind in ("start", "stop"):
            recorder.running = answer["seq"] if kind == "start" else None
            recorder.armed = False
            recorder.clock()
        elif kind in ("arm", "disarm"):
            recorder.armed = kind == "arm"
        return answer

    def _check_start(self) -> None:
        if self.recorder.running is not None:
            raise CommandError("start: a run is being recorded already; stop it first")
        if self.recorder.full:
            raise CommandError("start: the disk is full; make room first")

    def _pace(self, request: Mapping[str, Any]) -> Answer:
        if request.get("value") not in ("fast", "slow"):
            raise CommandError(f"pace: expected 'fast' or 'slow', got {request.get('value')!r}")
        self.recorder.hurried = request["value"] == "fast"
        return {"ok": True, "tick_ns": self.recorder.tick_ns}

    def _rotate(self, request: Mapping[str, Any]) -> Answer:
        self.recorder.rotate()
        return {"ok": True, "part": self.recorder.journal.part.name}

    def _status(self, request: Mapping[str, Any]) -> Answer:
        recorder = self.recorder
        return {
            "ok": True,
            "pid": os.getpid(),
            "t_ns": monotonic_ns(),
            "seq": recorder.journal.next_seq - 1,
            "journal_id": recorder.journal.journal_id,
            "tick_ns": recorder.tick_ns,
            "armed": recorder.armed,
            "running": recorder.running,
            "disk_full": recorder.full,
            "failure": recorder.failure,
            "wal_bytes": recorder.journal.wal_bytes,
            "commits": recorder.commits,
            "wires": {name: reader.status() for name, reader in self.readers.items()},
        }

    def _order(self, request: Mapping[str, Any], reply: Reply) -> None:
        """A command for a device: carried out by its wire's thread, answered after the commit."""
        device, name = request.get("device"), request.get("name")
        for reader in self.readers.values():
            if any(talk.name == device for talk in reader.talks):
                break
        else:
            reply({"ok": False, "error": f"no device is called {device!r}"})
            return
        if reader.state != "open":
            reply({"ok": False, "error": f"wire {reader.wire} is {reader.state}: {reader.error}"})
            return

        def done(error: str) -> None:
            answer = {"ok": not error, "t_ns": monotonic_ns(), "error": error}
            self.recorder.submit(lambda: answer, reply)

        reader.orders.append(Order(str(device), str(name), request.get("value"), done))

    def _end(self) -> None:
        """Close every wire, write what they still had, close the journal."""
        self._stop.set()
        for reader in self.readers.values():
            reader.join(END_S)
            if reader.is_alive():
                log.error("wire %s: its thread does not end", reader.wire)
        self.recorder.finish()
        self._server.close()


def _moment(request: Mapping[str, Any]) -> int | None:
    """The time that a command gives its mark; None for now."""
    t_ns = request.get("t_ns")
    if t_ns is None:
        return None
    now = monotonic_ns()
    if not isinstance(t_ns, int) or not now - PAST_NS <= t_ns <= now:
        raise CommandError(f"t_ns: expected host ns within the last 60 s, got {t_ns!r}")
    return t_ns


def _check_interval(content: Mapping[str, Any]) -> None:
    begin, end = content.get("from_ns"), content.get("to_ns")
    if not (isinstance(begin, int) and isinstance(end, int) and begin < end <= monotonic_ns()):
        raise CommandError(
            f"cut: expected from_ns before to_ns, and both past, as host ns; got {begin!r} and"
            f" {end!r}"
        )


def open_journal(bench: Bench, folder: Path) -> JournalWriter:
    """The bench's journal in *folder*, with its limits.

    Raises JournalError.
    """
    kept = bench.journal
    limits = Limits(
        kept.part_bytes,
        kept.keep_bytes,
        round(kept.keep_days * 86_400 * SECOND_NS),
        kept.reserve_bytes,
    )
    journal = JournalWriter(
        folder, bench.documents, bench.file_name, boot_id=boot_id(), limits=limits
    )
    journal.retain(realtime_ns())
    return journal


def quicken() -> None:
    """Have threads of this process wake and hand over soon.

    Measured: a pure-Python thread beside a reader delays it by the switch interval; timer slack
    adds 50 µs to each wait.
    """
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    ctypes.CDLL(None, use_errno=True).prctl(PR_SET_TIMERSLACK, 1, 0, 0, 0)
    gc.collect()
    gc.freeze()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the process; 2 when it cannot start for a reason that trying again does not cure."""
    parser = argparse.ArgumentParser(prog="python -m daq.acquire", description=__doc__)
    parser.add_argument("config", type=Path)
    parser.add_argument("--journal", type=Path, required=True)
    parser.add_argument("--run-dir", type=Path, required=True)
    options = parser.parse_args(arguments)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, signal.SIG_IGN)
    try:
        bench = load_bench(options.config)
        journal = open_journal(bench, options.journal)
        quicken()
        Acquisition(bench, journal, options.run_dir / SOCKET_NAME).run(sys.stdin.fileno())
    except DaqError as error:
        log.error("%s", error)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
