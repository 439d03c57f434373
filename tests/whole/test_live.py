"""Status, watch, events and limits of the whole daemon on the simulated bench."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))

from feeding import wait_for, workshop

from daq.journal import Journal
from daq.live.client import ApiClient, ApiError
from daq.simulate.demo import place

pytestmark = pytest.mark.whole

LIMIT = "\n[device.unit.channel.coolant.limit]\nwarn_high = 20.0\n"
FAULTS = f"[wideband]\nunplugged = {[[t, t + 3.0] for t in range(20, 400, 30)]}\n"


@contextlib.contextmanager
def process(*arguments, **more):
    environment = {k: v for k, v in os.environ.items() if k != "RUNTIME_DIRECTORY"}
    started = subprocess.Popen([sys.executable, "-m", *arguments], env=environment, **more)
    try:
        yield started
    finally:
        started.send_signal(signal.SIGTERM)
        started.wait(30)


@pytest.fixture(scope="module")
def bench():
    """The daemon on the simulated bench, one wire of which is unplugged for a while."""
    with workshop() as folder:
        path = place(folder)
        path.write_text(path.read_text() + LIMIT)
        (folder / "faults.toml").write_text(FAULTS)
        simulate = ["daq.simulate", "--folder", str(folder / "ports"), "--repeat"]
        simulate += ["--faults", str(folder / "faults.toml")]
        with (
            (folder / "serve.log").open("wb") as log,
            process(*simulate, stdout=subprocess.DEVNULL),
        ):
            wait_for(lambda: len(list((folder / "ports").glob("*"))) == 4, "simulated ports")
            with process("daq", "serve", str(path), stderr=log):
                client = ApiClient(folder / "journal" / "api.sock")
                wait_for(lambda: alive(client), "every device is running")
                yield path, client


def alive(client):
    with contextlib.suppress(ApiError, KeyError):
        return {d["state"] for d in client.get("/state")["devices"].values()} == {"running"}
    return False


def shows(client, channel):
    with contextlib.suppress(ApiError):
        return client.get(f"/channels/{channel}")["state"] == "running"
    return False


def daq(*arguments):
    command = [sys.executable, "-m", "daq", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)


def test_status_tells_that_all_is_alive(bench):
    path, _ = bench
    wait_for(lambda: daq("status", "--config", str(path)).returncode == 0, "all is alive")
    told = daq("status", "--json", "--config", str(path))
    assert json.loads(told.stdout)["state"]["bench"] == "bay 2"


def test_limit_is_a_mark_in_the_journal_and_a_state(bench):
    path, client = bench
    wait_for(lambda: client.get("/channels/coolant")["level"] == "warning", "coolant is too warm")
    assert "coolant" in client.get("/state")["limits"]
    with Journal(path.parent / "journal") as journal:
        mark = next(mark for mark in journal.marks() if mark.kind == "limit")
    assert (mark.origin, mark.content["channel"], mark.content["level"]) == (
        "limits", "coolant", "warning",
    )  # fmt: skip
    assert mark.content["value"] > 20.0


def test_command_is_answered_after_its_commit(bench):
    path, client = bench
    answer = client.command("mark", "test", text="second gear")
    with Journal(path.parent / "journal") as journal:
        (mark,) = [mark for mark in journal.marks() if mark.seq == answer["seq"]]
    assert (mark.kind, mark.content["text"]) == ("mark", "second gear")


def test_events_come_twenty_times_a_second_while_someone_listens(bench):
    _, client = bench
    times = []
    for event in client.events():
        if event.kind == "values":
            times.append(time.monotonic())
            age = event.data["channels"]["map"][1]
        if len(times) > 40:
            break
    assert 40 / (times[-1] - times[0]) == pytest.approx(20, rel=0.25)
    assert age < 0.3


def test_watch_in_a_real_terminal(bench):
    if shutil.which("tmux") is None:
        pytest.skip("tmux is not installed")
    path, _ = bench
    tmux = ["tmux", "-L", f"daq-{os.getpid()}", "-f", "/dev/null"]
    shown = f"{sys.executable} -m daq watch --config {path} --beep map; echo left; sleep 20"
    subprocess.run([*tmux, "new-session", "-d", "-x", "110", "-y", "30", shown], check=True)

    def screen():
        capture = [*tmux, "capture-pane", "-p"]
        return subprocess.run(capture, capture_output=True, text=True, check=True).stdout

    try:
        wait_for(lambda: "kPa" in screen() and "running" in screen(), "the table is shown")
        lines = screen().splitlines()
        assert lines[0].startswith("bay 2: ")
        assert lines[2].split() == ["channel", "value", "unit", "rate", "age", "state"]
        assert "roller_speed" in screen()
        assert "beeps when map changes" in screen()
        first = screen()
        wait_for(lambda: screen() != first, "values move")
        subprocess.run([*tmux, "send-keys", " "], check=True)
        wait_for(lambda: "page 2 of 2" in screen(), "the second page")
        subprocess.run([*tmux, "send-keys", "q"], check=True)
        wait_for(lambda: screen().strip() == "left", "the screen as it was before")
    finally:
        subprocess.run([*tmux, "kill-server"], check=False)


def test_watch_into_a_pipe_is_plain(bench):
    path, _ = bench
    told = daq("watch", "--config", str(path), "--count", "2", "map", "oil*")
    assert told.returncode == 0, told.stderr
    assert "\x1b" not in told.stdout
    assert sum(line.startswith("map ") for line in told.stdout.splitlines()) == 2
    wrong = daq("watch", "--config", str(path), "mop")
    assert wrong.returncode == 2
    assert "no channel matches 'mop'; did you mean 'map'" in wrong.stderr


def test_unplugged_device_is_told_as_an_event_and_comes_back(bench):
    _, client = bench
    states = []
    end = time.monotonic() + 60
    for event in client.events():
        if event.kind == "whole":
            states.append(event.data["state"]["devices"]["wideband"]["state"])
        elif event.kind == "state":
            states.append(event.data["devices"]["wideband"]["state"])
        if "lost" in states and states[-1] == "running":
            break
        assert time.monotonic() < end, f"never lost and back: {states}"


def test_main_that_dies_comes_back_and_serves_again(bench):
    _, client = bench
    found = subprocess.run(
        ["pgrep", "-f", f"daq.main {bench[0]}"], capture_output=True, text=True, check=True
    )
    os.kill(int(found.stdout.split()[0]), signal.SIGKILL)
    wait_for(lambda: not shows(client, "map"), "main is gone")
    wait_for(lambda: shows(client, "map"), "main is back")
