"""Spawns the finaliser, one at a time, for every run that has ended and is not settled."""

from __future__ import annotations

import contextlib
import fcntl
import hashlib
import logging
import os
import subprocess
import tempfile
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from daq.clock import SECOND_NS, monotonic_ns
from daq.commands import CommandError, ask
from daq.journal import Run
from daq.shelf import UNDECIDED

log = logging.getLogger("daq.main")

PAUSES_S = (1, 5, 25)
"""Waits before the second and later attempts; then the run is marked as failed."""
TIMEOUT_S = 900
NICE = 10
RESULT = "run file: "


@dataclass
class Attempt:
    """A finaliser that is running, or one that has ended and whose mark is not yet set."""

    run: Run
    process: subprocess.Popen[bytes]
    output: IO[bytes]
    begun_ns: int


class Finishing:
    """Call :meth:`poll` now and then, and when :attr:`waitable` becomes readable.

    *out* is the folder of runs; a new one goes into ``undecided`` there. *command* is the
    finaliser without its arguments ``--journal DIR --start SEQ --out DIR``. While
    it runs it holds the lock ``finalise.lock``, even when this process is killed: no run is
    written by two at once.
    """

    def __init__(self, journal: Path, out: Path, socket: Path, command: Sequence[str]) -> None:
        self.journal, self.out, self.socket, self.command = journal, out, socket, command
        self._attempt: Attempt | None = None
        self._pidfd = -1
        self._failures: dict[int, int] = {}
        self._not_before: dict[int, int] = {}
        self._mark: tuple[str, dict[str, Any]] | None = None
        self._settled: set[int] = set()

    @property
    def waitable(self) -> list[int]:
        """Descriptor that becomes readable when the finaliser ends; none when none runs."""
        return [self._pidfd] if self._pidfd >= 0 else []

    def poll(self, found: Iterable[Run]) -> bool:
        """Take the next step; whether anything is left to do."""
        if self._attempt is not None:
            self._watch(self._attempt)
        if self._mark is not None:
            self._set_mark(*self._mark)
            return True
        waiting = [run for run in found if self._waits(run)]
        if self._attempt is None:
            for run in waiting:
                if monotonic_ns() >= self._not_before.get(run.start.seq, 0):
                    self._spawn(run)
                    break
        return bool(waiting)

    # --- within

    def _waits(self, run: Run) -> bool:
        """Whether a run has ended and is to be written.

        What *found* says of a run lags behind the mark that was set for it just now.
        """
        return run.end is not None and run.settled is None and run.start.seq not in self._settled

    def _spawn(self, run: Run) -> None:
        lock = os.open(self.journal / "finalise.lock", os.O_RDWR | os.O_CREAT, 0o640)
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            (self.out / UNDECIDED).mkdir(parents=True, exist_ok=True)
            self._attempt = self._launch(run, lock)
        except BlockingIOError:
            return  # one of an earlier main process is still at work
        except OSError as error:
            self._fail(run, f"cannot be started: {error}")
            return
        finally:
            os.close(lock)
        self._pidfd = os.pidfd_open(self._attempt.process.pid)
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, self._attempt.process.pid, NICE)

    def _launch(self, run: Run, lock: int) -> Attempt:
        output = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the attempt
        where = ["--journal", str(self.journal), "--out", str(self.out / UNDECIDED)]
        process = subprocess.Popen(
            [*self.command, *where, "--start", str(run.start.seq)],
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            pass_fds=(lock,),
        )
        return Attempt(run, process, output, monotonic_ns())

    def _watch(self, attempt: Attempt) -> None:
        code = attempt.process.poll()
        if code is None:
            if monotonic_ns() - attempt.begun_ns > TIMEOUT_S * SECOND_NS:
                attempt.process.kill()
            return
        self._attempt = None
        os.close(self._pidfd)
        self._pidfd = -1
        attempt.output.seek(0)
        lines = attempt.output.read().decode(errors="replace").splitlines()
        attempt.output.close()
        last = lines[-1] if lines else ""
        if code == 0 and last.startswith(RESULT):
            self._succeed(attempt.run, Path(last.removeprefix(RESULT)))
        else:
            self._fail(attempt.run, f"ended with {code}: {' / '.join(lines[-3:])}")

    def _succeed(self, run: Run, path: Path) -> None:
        try:
            with path.open("rb") as file:
                digest = hashlib.file_digest(file, "sha256").hexdigest()
        except OSError as error:
            self._fail(run, f"{path}: {error.strerror}")
            return
        state = "recovered" if run.recovered else "complete"
        log.info("run file: %s (%s)", path, state)
        content = {"start": run.start.seq, "file": str(path), "sha256": digest, "state": state}
        self._set_mark("finalised", content)

    def _fail(self, run: Run, reason: str) -> None:
        seq = run.start.seq
        count = self._failures[seq] = self._failures.get(seq, 0) + 1
        log.error("run of entry %d: finaliser %s", seq, reason)
        if count <= len(PAUSES_S):
            self._not_before[seq] = monotonic_ns() + PAUSES_S[count - 1] * SECOND_NS
        else:
            self._set_mark("finalise_failed", {"start": seq, "error": reason})

    def _set_mark(self, kind: str, content: dict[str, Any]) -> None:
        """Set the mark that settles a run, or keep it until acquisition answers."""
        self._mark = (kind, content)
        try:
            ask(self.socket, kind, origin="main", content=content, timeout_s=5.0)
        except CommandError as error:
            log.warning("%s: not marked yet: %s", kind, error)
            return
        self._mark = None
        self._settled.add(content["start"])
