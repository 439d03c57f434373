"""kill -9 of each process at random moments: nothing committed is lost, every run gets its file.

The oracle is what this process has seen through a follower's connection before the kill, and the
answers to its marks. ``python tests/whole/test_kill.py 60`` tries each process sixty times.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from feeding import Feeder, Serve, gone, numbers_of, wait_for, without_gap, workshop, write_bench

from daq.commands import ask, follow
from daq.errors import JournalError
from daq.journal import ChunkRow, Entry, Journal, Run, runs

ROUNDS = int(os.environ.get("DAQ_KILLS", "5"))
VICTIMS = ("acquisition", "main", "supervisor", "finaliser")

pytestmark = pytest.mark.whole


class Observer(threading.Thread):
    """Follows the journal like main does and keeps what it saw: that is committed."""

    def __init__(self, serve: Serve) -> None:
        super().__init__(daemon=True)
        self.seen: list[Entry] = []
        self._serve = serve
        self._ended = threading.Event()

    def run(self) -> None:
        with Journal(self._serve.journal) as journal, follow(self._serve.socket) as connection:
            connection.settimeout(0.2)
            while not self._ended.is_set():
                try:
                    if not connection.recv(4096):
                        return
                except TimeoutError:
                    continue
                after = self.seen[-1].seq if self.seen else -1
                self.seen += journal.entries(after)

    def end(self) -> list[Entry]:
        self._ended.set()
        self.join()
        return self.seen


def finished(serve: Serve, count: int) -> bool:
    """Whether *count* runs have a file each."""
    try:
        with Journal(serve.journal) as journal:
            found = runs(journal.marks())
    except JournalError:
        return False
    return len(found) == count and all(run.settled is not None for run in found)


def kill_once(victim: str, random_s: float) -> None:
    """One run with one kill in it, and all that must hold afterwards."""
    with workshop() as folder:
        feeder = Feeder(folder / "line")
        feeder.start()
        config = write_bench(folder)
        serve = Serve(config, slow_s=0.3 if victim == "finaliser" else 0.0)
        serve.wait_ready()
        wait_for(lambda: serve.pid("main"), "main runs")
        observer = Observer(serve)
        observer.start()
        start = ask(serve.socket, "start")
        answers = [ask(serve.socket, "mark", content={"number": 0})]
        if victim == "finaliser":
            time.sleep(0.3)
            ask(serve.socket, "stop")
            wait_for(lambda: serve.pid("finaliser"), "the finaliser runs", 30)
        time.sleep(random_s)
        pids = [serve.pid(role) for role in ("acquisition", "main", "supervisor")]
        target = serve.pid(victim)
        if target:
            os.kill(target, signal.SIGKILL)
        else:
            assert victim == "finaliser", "only a finaliser may have ended by itself"
        if victim == "main":
            time.sleep(0.5)
            answers.append(ask(serve.socket, "mark", content={"number": 1}))
            ask(serve.socket, "stop")
        if victim == "supervisor":
            serve.process.wait()
            wait_for(lambda: all(map(gone, pids)), "the children end by themselves", 10)
            serve = Serve(config)
        wait_for(lambda: finished(serve, 1), "the run has its file", 30)
        seen = observer.end()
        serve.process.terminate()
        assert serve.process.wait(30) == 0
        feeder.close()
        check(serve, victim, start, answers, seen)


def check(serve: Serve, victim: str, start: Any, answers: list[Any], seen: list[Entry]) -> None:
    with Journal(serve.journal) as journal:
        recorded = {entry.seq: entry for entry in journal.entries()}
        (run,) = runs(journal.marks())
    assert seen, "the oracle saw something"
    for entry in seen:
        assert recorded[entry.seq] == entry, "what was committed is there, unchanged"
    for answer in answers:
        assert recorded[answer["seq"]].t_ns == answer["t_ns"]  # type: ignore[union-attr]
    assert run.start.seq == start["seq"]
    check_file(run, victim, numbers_of(within(run, seen)))


def within(run: Run, entries: list[Entry]) -> list[Entry]:
    """The chunks stamped inside the run."""
    assert run.end is not None
    begin, end = run.start.t_ns, run.end.t_ns
    return [
        entry._replace(chunks=[chunk for chunk in entry.chunks if begin <= chunk.t_ns <= end])
        for entry in entries
        if isinstance(entry, ChunkRow)
    ]


def check_file(run: Run, victim: str, seen: list[int]) -> None:
    assert run.settled is not None
    assert run.settled.kind == "finalised"
    assert run.recovered == (victim in ("acquisition", "supervisor"))
    content = json.loads(Path(run.settled.content["file"]).read_text())
    assert content["recovered"] == run.recovered
    assert run.settled.content["state"] == ("recovered" if run.recovered else "complete")
    assert set(seen) <= set(content["numbers"]), "all that was committed is in the file"
    assert without_gap(content["numbers"]) or (run.recovered and not seen)


@pytest.mark.parametrize("victim", VICTIMS)
def test_nothing_committed_is_lost(victim: str) -> None:
    generator = random.Random()
    for _ in range(ROUNDS):
        moment = generator.uniform(0.0, 0.35 if victim == "finaliser" else 0.8)
        print(f"{victim} killed after {moment:.4f} s")
        kill_once(victim, moment)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    for number in range(count):
        for victim in VICTIMS:
            kill_once(victim, random.uniform(0.0, 0.35 if victim == "finaliser" else 0.8))
        print(json.dumps({"rounds": number + 1, "kills": 4 * (number + 1), "lost": 0}), flush=True)


if __name__ == "__main__":
    main()
