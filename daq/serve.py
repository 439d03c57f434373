"""The supervisor: starts acquisition and main as siblings, watches them, talks to systemd.

If the main process dies, acquisition does not notice and the run stays complete. If acquisition
dies, the run ends there and is finalised at once as recovered. On SIGTERM or SIGINT a run that is
being recorded is stopped and finalised before the children end, in order.
"""

from __future__ import annotations

import contextlib
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from daq.bench import Bench, load_bench
from daq.clock import SECOND_NS, monotonic_ns
from daq.commands import SOCKET_NAME, Answer, CommandError, ask

log = logging.getLogger("daq.serve")

BEAT_S = 0.2
FIRST_BEAT_S = 0.02
"""Until all is ready it looks this often."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 5.0
STEADY_S = 10.0
"""A child that ran for so long begins again with the first pause."""
STATUS_S = 1.0
STUCK_S = 10.0
"""A wire's thread that has not moved for so long is stuck, and the watchdog is not fed."""
FINISH_S = 600.0
END_S = 10.0


class Places(NamedTuple):
    """Where a bench's daemon keeps things."""

    journal: Path
    out: Path
    run_dir: Path

    @property
    def socket(self) -> Path:
        """The command socket of acquisition."""
        return self.run_dir / SOCKET_NAME


def places(bench: Bench) -> Places:
    """Folders of *bench*; its socket lies in $RUNTIME_DIRECTORY, or beside the journal."""
    journal = bench.folder / bench.journal.folder
    run_dir = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    return Places(journal, bench.folder / bench.run.folder, Path(run_dir) if run_dir else journal)


class Child:
    """A process that is started again, with back-off, whenever it ends.

    Its standard input is its control pipe: closing it ends the child, and so does the death of
    this process.
    """

    def __init__(self, name: str, arguments: Sequence[str]) -> None:
        self.name, self.arguments = name, [sys.executable, "-m", *arguments]
        self._pause_s = FIRST_PAUSE_S
        self._start_ns = 0
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def alive(self) -> bool:
        """Whether it runs."""
        return self._process is not None and self._process.poll() is None

    @property
    def pid(self) -> int:
        """Its process number; 0 when it does not run."""
        return self._process.pid if self._process is not None and self.alive else 0

    def keep(self, now_ns: int) -> None:
        """Start it when it does not run and its pause is over."""
        if self.alive:
            return
        if self._process is not None:
            self._bury(self._process, now_ns)
        if now_ns >= self._start_ns:
            self._start_ns = now_ns
            self._process = subprocess.Popen(self.arguments, stdin=subprocess.PIPE)

    def tell(self, word: str) -> None:
        """Send it a word over its control pipe."""
        with contextlib.suppress(OSError):
            if self._process is not None and self._process.stdin is not None:
                self._process.stdin.write(word.encode() + b"\n")
                self._process.stdin.flush()

    def end(self, timeout_s: float) -> None:
        """Close its control pipe and wait; kill it when it does not end."""
        if self._process is None:
            return
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()
        try:
            self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            log.error("%s does not end; killed", self.name)
            self._process.kill()
            self._process.wait()

    def _bury(self, process: subprocess.Popen[bytes], now_ns: int) -> None:
        steady = now_ns - self._start_ns > STEADY_S * SECOND_NS
        self._pause_s = FIRST_PAUSE_S if steady else min(2 * self._pause_s, LONGEST_PAUSE_S)
        log.error("%s ended with %s; again in %.1f s", self.name, process.returncode, self._pause_s)
        self._start_ns = now_ns + round(self._pause_s * SECOND_NS)
        if process.stdin is not None:
            process.stdin.close()
        self._process = None


class Supervisor:
    """Keeps both children until *stop* is set, then ends them in order."""

    def __init__(self, config: Path, where: Places, finaliser: str = "") -> None:
        self.socket = where.socket
        folders = ["--journal", str(where.journal), "--run-dir", str(where.run_dir)]
        self.acquisition = Child("acquisition", ["daq.acquire", str(config), *folders])
        finish = ["--out", str(where.out), "--finaliser", finaliser]
        self.main = Child("main", ["daq.main", str(config), *folders, *finish])
        self.stop = threading.Event()
        self._ready = False
        self._status_ns = 0

    def run(self) -> None:
        """Watch until told to stop, then finish."""
        while not self.stop.is_set():
            now = monotonic_ns()
            self.acquisition.keep(now)
            self.main.keep(now)
            if now >= self._status_ns or not self._ready:
                self._status_ns = now + round(STATUS_S * SECOND_NS)
                self._watch()
            self.stop.wait(BEAT_S if self._ready else FIRST_BEAT_S)
        self._finish()

    def _watch(self) -> None:
        """Ask acquisition how it is, and tell systemd."""
        try:
            status = ask(self.socket, "status", timeout_s=2.0)
        except CommandError:
            return
        if not self._ready and self.main.alive and _tried(status):
            self._ready = True
            log.info("ready")
            notify("READY=1")
        if self._ready and moves(status):
            notify(f"WATCHDOG=1\nSTATUS={summary(status)}")

    def _finish(self) -> None:
        """Stop and finalise a run that is being recorded, then end the children in order."""
        self.stop.clear()
        notify("STOPPING=1")
        extend()
        with contextlib.suppress(CommandError):  # none is being recorded, or nobody answers
            ask(self.socket, "stop", origin="supervisor", content={"reason": "shutdown"})
            log.info("the run is stopped; writing its file")
        self.main.tell("finish")
        self._await_main()
        self.main.end(END_S)
        self.acquisition.end(END_S)

    def _await_main(self) -> None:
        """Wait while runs are finalised; a second signal ends the waiting."""
        end = monotonic_ns() + round(FINISH_S * SECOND_NS)
        while self.main.alive and monotonic_ns() < end:
            extend()
            if self.stop.wait(BEAT_S):
                log.warning("not waiting; runs without a file are written at the next start")
                return


def _tried(status: Answer) -> bool:
    """Whether each wire has been opened, or has failed to."""
    return all(wire["tried"] for wire in status["wires"].values())


def moves(status: Answer) -> bool:
    """Whether every part of acquisition has moved of late."""
    oldest = min((wire["beat_ns"] for wire in status["wires"].values()), default=status["t_ns"])
    return bool(status["t_ns"] - oldest < STUCK_S * SECOND_NS and not status["failure"])


def summary(status: Answer) -> str:
    """One line for `systemctl status`."""
    wires = [f"{name} {wire['state']}" for name, wire in status["wires"].items()]
    doing = "recording" if status["running"] is not None else "armed" if status["armed"] else "idle"
    return f"{doing}; {', '.join(wires)}"


def notify(text: str) -> None:
    """Tell systemd, where there is one. Source: sd_notify(3)."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.sendto(text.encode(), address)


def extend() -> None:
    """Ask systemd for ten more seconds."""
    notify("EXTEND_TIMEOUT_USEC=10000000")


def serve(config: Path, *, where: Places | None = None, finaliser: str = "") -> int:
    """Record the bench of file *config* until SIGTERM or SIGINT; 0.

    *finaliser* is a command in place of our own. Raises ConfigError with every mistake at once.
    """
    bench = load_bench(config)
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    supervisor = Supervisor(config, where or places(bench), finaliser)
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: supervisor.stop.set())
    supervisor.run()
    return 0
