"""`daq demo`: a simulated car on the rollers, on real wires, recorded by the real daemon."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from daq import clock
from daq.cli.progress import Progress
from daq.commands import CommandError, ask
from daq.errors import DaqError

READY_S = 20.0
WRITTEN_S = 120.0
PHASES = {
    "idle": "engine idling",
    "blip": "throttle blip in neutral",
    "drive_up": "driving up through the gears",
    "steady": "steady below the start speed",
    "pull": "full-throttle pull",
    "lift": "slowing under load",
    "standstill": "standing still",
}


@click.command()
@click.option(
    "--out",
    default="demo",
    show_default=True,
    type=click.Path(path_type=Path),
    help="Folder for the bench, its journal and its runs.",
)
@click.option("--seed", default=1, show_default=True, help="The same seed, the same car and run.")
def command(out: Path, seed: int) -> None:
    """Simulate a car on the rollers and record one run of it, in real time.

    The devices speak over pseudo-terminals as they would over serial lines, and the daemon records
    them as it would at a bench. What was really so is written beside the run file, as
    truth-SEED.npz. Everybody and everything in the demonstration is invented.
    """
    from daq.bench import load_bench
    from daq.serve import places
    from daq.shelf import UNDECIDED
    from daq.simulate.demo import PORTS, place

    out = out.resolve()
    bench_file = place(out)
    socket = places(load_bench(bench_file)).socket
    runs = out / "runs" / UNDECIDED
    runs.mkdir(parents=True, exist_ok=True)
    truth = runs / f"truth-{seed}.npz"
    log = out / "daemon.log"
    simulate = ["daq.simulate", "--folder", str(out / PORTS), "--seed", str(seed)]
    with (
        Progress() as progress,
        log.open("a", encoding="utf-8") as daemon_log,
        _process(["daq", "serve", str(bench_file)], stderr=daemon_log) as daemon,
    ):
        before = _wait_ready(daemon, socket, log, progress)
        with _process([*simulate, "--truth", str(truth)], stdout=subprocess.PIPE) as car:
            _drive(car, progress)
        written = _wait_written(daemon, out / "journal", before, log, progress)
    _report(written, truth)


@contextmanager
def _process(arguments: list[str], **streams: Any) -> Iterator[subprocess.Popen[str]]:
    """A Python module as a process of its own, ended in order."""
    process = subprocess.Popen(
        [sys.executable, "-m", *arguments], text=True, stdin=subprocess.DEVNULL, **streams
    )
    try:
        yield process
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        if process.stdout is not None:
            process.stdout.close()


def _wait_ready(daemon: subprocess.Popen[str], socket: Path, log: Path, progress: Progress) -> int:
    """The last entry of the journal once the daemon records."""
    progress("starting the daemon")
    deadline = clock.monotonic_ns() + round(READY_S * clock.SECOND_NS)
    while True:
        try:
            return int(ask(socket, "status", timeout_s=1.0)["seq"])
        except CommandError as error:
            _check_alive(daemon, log)
            if clock.monotonic_ns() > deadline:
                raise DaqError(f"the daemon is not ready after {READY_S:g} s: {error}") from None
        clock.sleep_ns(50 * clock.MILLISECOND_NS)


def _check_alive(daemon: subprocess.Popen[str], log: Path) -> None:
    if daemon.poll() is not None:
        raise DaqError(f"the daemon ended with exit code {daemon.returncode}; {log} says why")


def _drive(car: subprocess.Popen[str], progress: Progress) -> None:
    """Follow the simulated driver, whose hand buttons arm, start and end the run."""
    phase = _Phase(progress)
    assert car.stdout is not None
    for line in car.stdout:
        event = json.loads(line)["event"]
        phase.name = PHASES.get(event, phase.name)
    phase.end()


class _Phase:
    """Shows what the driver is doing, with the seconds that have passed."""

    def __init__(self, progress: Progress) -> None:
        self.name = "starting the car"
        self._progress = progress
        self._begun_ns = clock.monotonic_ns()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._show, daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Show no more."""
        self._stop.set()
        self._thread.join()

    def _show(self) -> None:
        while not self._stop.wait(0.2):
            seconds = (clock.monotonic_ns() - self._begun_ns) / clock.SECOND_NS
            self._progress(f"{seconds:5.1f} s  {self.name}")


def _wait_written(
    daemon: subprocess.Popen[str], folder: Path, before: int, log: Path, progress: Progress
) -> Path:
    """The file of the first run that began after entry *before*."""
    from daq.journal import Journal, runs

    progress("writing the run file")
    deadline = clock.monotonic_ns() + round(WRITTEN_S * clock.SECOND_NS)
    while clock.monotonic_ns() < deadline:
        with Journal(folder) as journal:
            run = next(iter(runs(journal.marks(before))), None)
        if run is None:
            raise DaqError(f"the simulated driver never started a run; {log} may say why")
        if run.settled is not None and run.settled.kind == "finalised":
            return Path(run.settled.content["file"])
        if run.settled is not None:
            raise DaqError(f"the run file could not be written; {log} says why")
        _check_alive(daemon, log)
        clock.sleep_ns(100 * clock.MILLISECOND_NS)
    raise DaqError(f"the run file is not there after {WRITTEN_S:g} s; {log} may say why")


def _report(written: Path, truth: Path) -> None:
    from daq.runfile.summary import summary_lines

    for line in summary_lines(written):
        click.echo(line)
    click.echo(f"what was really so: {truth}")
    click.echo(f"run file: {written}")
