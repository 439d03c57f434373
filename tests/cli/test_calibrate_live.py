"""The guided calibration beside the real daemon, which goes on recording."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from daq import clock
from daq.bench import load_bench
from daq.calibration import store
from daq.commands import CommandError, ask
from daq.journal import Journal
from daq.serve import places
from daq.simulate.demo import PORTS, place
from daq.simulate.engine import EngineParameters

pytestmark = pytest.mark.whole


@pytest.fixture
def bench_file(tmp_path: Path) -> Iterator[Path]:
    """A bench at work: the daemon, and a car on the rollers that idles."""
    file = place(tmp_path)
    with (tmp_path / "log").open("w") as log:
        arguments = [sys.executable, "-m", "daq", "serve", str(file)]
        daemon = subprocess.Popen(arguments, stderr=log, stdin=subprocess.DEVNULL)
        until(lambda: ask(places(load_bench(file)).socket, "status", timeout_s=1.0))
        ports = [sys.executable, "-m", "daq.simulate", "--folder", str(tmp_path / PORTS)]
        car = subprocess.Popen(ports, stdout=log, stdin=subprocess.DEVNULL)
        yield file
        for process in (car, daemon):
            process.send_signal(signal.SIGTERM)
        for process in (car, daemon):
            process.wait(30)


def until(tried):
    end = clock.monotonic_ns() + 20 * clock.SECOND_NS
    while True:
        try:
            return tried()
        except CommandError:
            assert clock.monotonic_ns() < end
        clock.sleep_ns(clock.SECOND_NS // 20)


def calibrate(file: Path, *arguments: str, typed: str = "") -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daq", "calibrate", *arguments, "--config", str(file)],
        input=typed, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip


def test_a_point_is_taken_while_the_daemon_records(bench_file):
    clock.sleep_ns(5 * clock.SECOND_NS)
    told = calibrate(bench_file, "barometer", "--window", "1.5", typed="98.6\nquit\n")
    assert "taken: " in told.stdout, told.stdout + told.stderr
    kept = (bench_file.parent / "calibrations/barometer.points.csv").read_text().splitlines()
    record = store.read(bench_file.parent / "calibrations/barometer.toml")
    value = float(record.at_signal(float(kept[1].split(",")[0])))
    # Source: what the simulated sensor was given to measure
    assert value == pytest.approx(EngineParameters.ambient_kpa, abs=0.3)
    told = calibrate(bench_file, "supply-volts", "supply")
    assert told.returncode == 0, told.stdout + told.stderr
    with Journal(bench_file.parent / "journal") as journal:
        before = journal.last_seq()
        clock.sleep_ns(2 * clock.SECOND_NS)
        assert journal.last_seq() > before
