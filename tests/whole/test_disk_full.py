"""A full disk, for real: recording stops loudly, its stop is written, the process lives."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from feeding import BENCH, Acquire, Feeder, numbers_of, wait_for, without_gap, workshop, write_bench

from daq.commands import CommandError, ask
from daq.journal import Journal, runs

pytestmark = pytest.mark.whole
SMALL = BENCH + "[journal]\nreserve_bytes = 1000000\n"


@pytest.fixture
def folder() -> Iterator[Path]:
    with workshop() as path:
        (path / "journal").mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=6m", "none", str(path / "journal")]
        if subprocess.run(mount, capture_output=True, check=False).returncode:
            pytest.skip("needs the right to mount a small disk")
        yield path
        subprocess.run(["umount", path / "journal"], check=True)


def fill(folder: Path) -> Path:
    """Take all that is left of the disk."""
    filler = folder / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            return filler


def test_a_full_disk_stops_the_run_and_room_lets_it_go_on(folder: Path) -> None:
    feeder = Feeder(folder / "line", rate_hz=20_000, burst=200)
    config = write_bench(folder, SMALL)
    acquire = Acquire(config)
    feeder.start()
    ask(acquire.socket, "start")
    time.sleep(0.5)
    filler = fill(acquire.journal)
    wait_for(lambda: ask(acquire.socket, "status")["disk_full"], "the disk is full", 60)
    assert not (acquire.journal / "reserve").exists()
    with pytest.raises(CommandError, match="the disk is full"):
        ask(acquire.socket, "start")
    before = ask(acquire.socket, "mark")
    filler.unlink()
    wait_for(lambda: not ask(acquire.socket, "status")["disk_full"], "there is room", 20)
    assert (acquire.journal / "reserve").stat().st_size == 1_000_000
    ask(acquire.socket, "start")
    time.sleep(0.3)
    ask(acquire.socket, "stop")
    assert acquire.end() == 0
    feeder.close()
    assert "the disk is full; recording stops" in acquire.said
    assert "Traceback" not in acquire.said
    with Journal(acquire.journal) as journal:
        first, second = runs(journal.marks())
        kinds = [mark.kind for mark in journal.marks()]
        assert first.end is not None
        assert second.end is not None
        spans = [
            numbers_of(journal.span(run.start.t_ns, run.end.t_ns, run.start.seq))
            for run in (first, second)
            if run.end is not None
        ]
    assert first.end.content["reason"] == "disk_full"
    assert kinds.index("disk_full") == kinds.index("stop") - 1
    assert kinds.count("disk_free") == 1
    assert before["seq"] > first.end.seq
    assert all(map(without_gap, spans))
