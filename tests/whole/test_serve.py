"""The daemon whole: runs become files, signals end it in order, systemd is told."""

from __future__ import annotations

import json
import os
import signal
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parent))
from feeding import Feeder, Serve, gone, wait_for, without_gap, workshop, write_bench

from daq.commands import ask
from daq.journal import Journal, Run, runs

pytestmark = pytest.mark.whole


@pytest.fixture
def folder() -> Iterator[Path]:
    with workshop() as path:
        yield path


@pytest.fixture
def feeder(folder: Path) -> Iterator[Feeder]:
    feeder = Feeder(folder / "line")
    feeder.start()
    yield feeder
    feeder.close()


def runs_of(serve: Serve) -> list[Run]:
    with Journal(serve.journal) as journal:
        return runs(journal.marks())


def settled(serve: Serve) -> bool:
    return all(run.settled is not None for run in runs_of(serve))


def content_of(run: Run) -> Any:
    assert run.settled is not None
    assert run.settled.kind == "finalised"
    return json.loads(Path(run.settled.content["file"]).read_text())


def test_a_run_is_finalised_at_once(folder: Path, feeder: Feeder) -> None:
    serve = Serve(write_bench(folder))
    serve.wait_ready()
    for _ in range(2):
        ask(serve.socket, "start")
        time.sleep(0.5)
        ask(serve.socket, "stop")
    wait_for(lambda: settled(serve), "both runs are finalised", 10)
    serve.process.terminate()
    assert serve.process.wait(20) == 0
    for run in runs_of(serve):
        content = content_of(run)
        assert without_gap(content["numbers"])
        assert not content["recovered"]
        assert run.settled is not None
        assert run.settled.content["state"] == "complete"


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_in_mid_run_finishes_the_run(
    folder: Path, feeder: Feeder, number: signal.Signals
) -> None:
    serve = Serve(write_bench(folder), slow_s=1.0)
    serve.wait_ready()
    begun = feeder.written
    ask(serve.socket, "start")
    time.sleep(0.5)
    reached = feeder.written
    children = [serve.pid("acquisition"), serve.pid("main")]
    serve.process.send_signal(number)
    assert serve.process.wait(30) == 0
    (run,) = runs_of(serve)
    assert run.end is not None
    assert run.end.content["reason"] == "shutdown"
    content = content_of(run)
    assert not content["recovered"]
    assert without_gap(content["numbers"])
    assert content["numbers"][0] <= begun + 100
    assert content["numbers"][-1] >= reached - 100
    assert all(map(gone, children))
    assert "Traceback" not in serve.said


def test_children_that_get_the_signal_too_do_not_mind(folder: Path, feeder: Feeder) -> None:
    """As Ctrl-C in a terminal does, which reaches the whole group."""
    serve = Serve(write_bench(folder))
    serve.wait_ready()
    ask(serve.socket, "start")
    time.sleep(0.3)
    for pid in (serve.pid("acquisition"), serve.pid("main"), serve.process.pid):
        os.kill(pid, signal.SIGINT)
    assert serve.process.wait(30) == 0
    (run,) = runs_of(serve)
    assert without_gap(content_of(run)["numbers"])
    assert not run.recovered


def test_a_finaliser_that_fails_is_tried_again_and_then_given_up(
    folder: Path, feeder: Feeder, monkeypatch: pytest.MonkeyPatch
) -> None:
    from daq import finishing

    monkeypatch.setattr(finishing, "PAUSES_S", (0.05, 0.05, 0.05))
    serve = Serve(write_bench(folder))
    serve.wait_ready()
    os.kill(serve.pid("main"), signal.SIGSTOP)
    ask(serve.socket, "start")
    ask(serve.socket, "stop")
    command = [sys.executable, "-c", "import sys; sys.exit('no space for the file')"]
    attempt = finishing.Finishing(serve.journal, folder / "out", serve.socket, command)
    wait_for(lambda: not attempt.poll(runs_of(serve)), "given up")
    (run,) = runs_of(serve)
    assert run.settled is not None
    assert run.settled.kind == "finalise_failed"
    assert "no space for the file" in run.settled.content["error"]
    os.kill(serve.pid("main"), signal.SIGCONT)
    serve.process.terminate()
    assert serve.process.wait(20) == 0


def test_systemd_is_told_and_the_watchdog_fed(folder: Path, feeder: Feeder) -> None:
    """The messages of sd_notify(3), on a socket like systemd's."""
    address = folder / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(str(address))
        receiver.settimeout(10)
        os.environ["NOTIFY_SOCKET"] = str(address)
        try:
            serve = Serve(write_bench(folder))
        finally:
            del os.environ["NOTIFY_SOCKET"]
        assert receiver.recv(1000) == b"READY=1"
        assert receiver.recv(1000) == b"WATCHDOG=1\nSTATUS=idle; line open"
        os.kill(serve.pid("acquisition"), signal.SIGSTOP)
        time.sleep(2.5)
        receiver.settimeout(0.1)
        while _received(receiver):
            pass
        receiver.settimeout(4)
        assert not _received(receiver), "a stopped acquisition does not feed the watchdog"
        os.kill(serve.pid("acquisition"), signal.SIGCONT)
        assert _received(receiver).startswith(b"WATCHDOG=1")
        serve.process.terminate()
        messages = []
        while message := _received(receiver):
            messages.append(message)
        assert b"STOPPING=1" in messages
        assert b"EXTEND_TIMEOUT_USEC=10000000" in messages
    assert serve.process.wait(20) == 0


def _received(receiver: socket.socket) -> bytes:
    try:
        return receiver.recv(1000)
    except TimeoutError:
        return b""


def test_a_mistake_in_the_configuration_starts_nothing(folder: Path) -> None:
    config = write_bench(folder, '[bench]\nname = "B"\n[wire.line]\nkind = "seriel"\n')
    serve = Serve(config)
    assert serve.process.wait(20) != 0
    assert "did you mean 'serial'?" in serve.said
    assert not serve.journal.exists()
