"""The acquisition process on real lines: what arrives is recorded, whatever happens to the line."""

from __future__ import annotations

import json
import socket
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent / "whole"))
from feeding import (
    Acquire,
    Feeder,
    numbers_of,
    wait_for,
    without_gap,
    workshop,
    write_bench,
)

from daq.commands import CommandError, ask, follow
from daq.journal import ChunkRow, ClockEntry, Journal, MarkRow, NoteRow, runs


@pytest.fixture
def folder() -> Iterator[Path]:
    with workshop() as path:
        yield path


def entries_of(acquire: Acquire) -> list[object]:
    with Journal(acquire.journal) as journal:
        return list(journal.entries())


def notes_of(acquire: Acquire) -> list[NoteRow]:
    return [entry for entry in entries_of(acquire) if isinstance(entry, NoteRow)]


def line_is(acquire: Acquire, state: str) -> bool:
    return bool(ask(acquire.socket, "status")["wires"]["line"]["state"] == state)


def test_bytes_marks_and_clocks_are_recorded_in_order(folder: Path) -> None:
    feeder = Feeder(folder / "line")
    feeder.start()
    acquire = Acquire(write_bench(folder))
    wait_for(lambda: line_is(acquire, "open"), "the line is open")
    start = ask(acquire.socket, "start", origin="test", content={"name": "pull"})
    time.sleep(0.6)
    stop = ask(acquire.socket, "stop", origin="test")
    assert acquire.end() == 0
    feeder.close()
    with Journal(acquire.journal) as journal:
        (run,) = runs(journal.marks())
        assert run.start.seq == start["seq"]
        assert run.start.content == {"name": "pull"}
        assert run.end is not None
        assert (run.end.seq, run.end.t_ns) == (stop["seq"], stop["t_ns"])
        everything = list(journal.entries())
        inside = numbers_of(journal.span(start["t_ns"], stop["t_ns"], start["seq"]))
        name, documents = journal.configuration(start["seq"])
    assert (name, set(documents)) == ("bench.toml", {"bench.toml"})
    assert without_gap(numbers_of(everything))
    assert without_gap(inside)
    assert 150 < len(inside) < 400, "0.6 s at 500 numbers/s"
    marks = [entry.kind for entry in everything if isinstance(entry, MarkRow)]
    assert marks == ["acquisition_started", "start", "stop", "acquisition_stopped"]
    clocks = [entry.row for entry in everything if isinstance(entry, ClockEntry)]
    assert len(clocks) >= 4, "at the start, with each mark of a run, at the end"
    stamps = [c.t_ns for e in everything if isinstance(e, ChunkRow) for c in e.chunks]
    assert stamps == sorted(stamps)


def test_commits_come_every_50_ms_while_recording_and_each_second_otherwise(folder: Path) -> None:
    feeder = Feeder(folder / "line", rate_hz=2000)
    feeder.start()
    acquire = Acquire(write_bench(folder))
    assert ask(acquire.socket, "status")["tick_ns"] == 1_000_000_000
    ask(acquire.socket, "start")
    time.sleep(1.0)
    ask(acquire.socket, "stop")
    assert ask(acquire.socket, "status")["tick_ns"] == 1_000_000_000
    assert ask(acquire.socket, "pace", value="fast")["tick_ns"] == 50_000_000
    ask(acquire.socket, "pace", value="slow")
    ask(acquire.socket, "arm")
    assert ask(acquire.socket, "status")["tick_ns"] == 50_000_000
    ask(acquire.socket, "disarm")
    assert acquire.end() == 0
    feeder.close()
    with Journal(acquire.journal) as journal:
        (run,) = runs(journal.marks())
        assert run.end is not None
        rows = [
            entry
            for entry in journal.entries(run.start.seq, run.end.seq)
            if isinstance(entry, ChunkRow)
        ]
    assert 12 <= len(rows) <= 22, "one row for each tick of the wire"


def test_a_follower_is_woken_by_each_commit(folder: Path) -> None:
    feeder = Feeder(folder / "line")
    feeder.start()
    acquire = Acquire(write_bench(folder))
    ask(acquire.socket, "arm")
    connection = follow(acquire.socket)
    connection.setblocking(True)
    connection.settimeout(1.0)
    begun, count = time.monotonic(), 0
    while time.monotonic() - begun < 0.5:
        count += len(connection.recv(100))
    assert 5 <= count <= 13
    acquire.end()
    rest = b""
    while data := connection.recv(100):
        rest += data
    connection.close()
    feeder.close()


def test_a_follower_that_never_reads_costs_nothing(folder: Path) -> None:
    feeder = Feeder(folder / "line")
    feeder.start()
    acquire = Acquire(write_bench(folder))
    connections = [follow(acquire.socket) for _ in range(5)]
    for kind in ("start", "stop") * 20:
        ask(acquire.socket, kind)
    for connection in connections:
        connection.close()
    ask(acquire.socket, "mark")
    assert acquire.end() == 0
    feeder.close()


@pytest.mark.parametrize(
    ("command", "values", "message"),
    [
        ("stop", {}, "no run is being recorded"),
        ("begin", {}, "no command is called 'begin'"),
        ("pace", {"value": "quick"}, "expected 'fast' or 'slow', got 'quick'"),
        ("mark", {"content": 3}, "expected content as an object"),
        ("mark", {"t_ns": 5}, "within the last 60 s"),
        ("acquisition_started", {}, "no command is called"),
        ("device", {"device": "lamp", "name": "on"}, "no device is called 'lamp'"),
    ],
)
def test_commands_that_are_refused_say_why(
    shared_acquire: Acquire, command: str, values: dict[str, object], message: str
) -> None:
    with pytest.raises(CommandError, match=message):
        ask(shared_acquire.socket, command, **values)  # type: ignore[arg-type]


@pytest.mark.parametrize("line", [b"rubbish\n", b"[1]\n", b"\xff\xfe\n", b"{}\n", b"\n"])
def test_requests_that_are_none_are_refused(shared_acquire: Acquire, line: bytes) -> None:
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(2)
        connection.connect(str(shared_acquire.socket))
        connection.sendall(line)
        answer = json.loads(connection.recv(1000))
    assert answer == {"ok": False, "error": "expected a JSON object with 'command'"}


def test_an_endless_request_is_cut_off(shared_acquire: Acquire) -> None:
    with socket.socket(socket.AF_UNIX) as connection:
        connection.settimeout(2)
        connection.connect(str(shared_acquire.socket))
        with pytest.raises(OSError, match=r"Broken pipe|reset"):  # noqa: PT012 - until it is cut
            while True:
                connection.sendall(b"x" * 10_000)
                time.sleep(0.001)
    assert ask(shared_acquire.socket, "status")["ok"]


def test_a_second_start_is_refused(shared_acquire: Acquire) -> None:
    ask(shared_acquire.socket, "start")
    with pytest.raises(CommandError, match="a run is being recorded already"):
        ask(shared_acquire.socket, "start")
    ask(shared_acquire.socket, "stop")


@pytest.fixture(scope="module")
def shared_acquire() -> Iterator[Acquire]:
    with workshop() as folder:
        feeder = Feeder(folder / "line")
        acquire = Acquire(write_bench(folder))
        yield acquire
        assert acquire.end() == 0
        feeder.close()


def test_signals_do_not_end_it_and_the_end_of_its_input_does(folder: Path) -> None:
    feeder = Feeder(folder / "line")
    acquire = Acquire(write_bench(folder))
    acquire.process.terminate()
    acquire.process.send_signal(2)
    time.sleep(0.2)
    assert acquire.process.poll() is None
    assert acquire.end() == 0
    marks = [e.kind for e in entries_of(acquire) if isinstance(e, MarkRow)]
    assert marks == ["acquisition_started", "acquisition_stopped"]
    feeder.close()


def test_unplugged_and_back_is_noted_and_logged_once(folder: Path) -> None:
    acquire = Acquire(write_bench(folder))
    wait_for(lambda: line_is(acquire, "lost"), "the line is absent")
    for _ in range(2):
        feeder = Feeder(folder / "line")
        feeder.start()
        wait_for(lambda: line_is(acquire, "open"), "the line is open")
        time.sleep(0.3)
        feeder.close()
        wait_for(lambda: line_is(acquire, "lost"), "the line is lost")
        time.sleep(0.8)
    assert acquire.end() == 0
    kinds = [(n.content["note"], n.content.get("error", "")) for n in notes_of(acquire)]
    notes = [kind for kind, _ in kinds]
    assert [n for n in notes if n == "opened"] == ["opened"] * 2
    assert notes[0] == "closed", "absent at the start"
    assert sum("no such port" in error for _, error in kinds) == 3, "once for each absence"
    assert sum("the line is gone" in error for _, error in kinds) == 2
    assert acquire.said.count("wire line: lost") == 3
    assert acquire.said.count("wire line: back") == 2
    assert "Traceback" not in acquire.said


def test_goes_on_after_a_kill_in_the_same_journal(folder: Path) -> None:
    feeder = Feeder(folder / "line")
    feeder.start()
    config = write_bench(folder)
    acquire = Acquire(config)
    wait_for(lambda: line_is(acquire, "open"), "the line is open")
    start = ask(acquire.socket, "start")
    time.sleep(0.3)
    mark = ask(acquire.socket, "mark", content={"acknowledged": True})
    acquire.kill()
    again = Acquire(config)
    assert ask(again.socket, "status")["running"] is None
    assert again.end() == 0
    feeder.close()
    with Journal(again.journal) as journal:
        (run,) = runs(journal.marks())
        assert run.recovered
        assert run.end is not None
        assert run.end.kind == "acquisition_started"
        acknowledged = [m for m in journal.marks() if m.content == {"acknowledged": True}]
        assert [m.seq for m in acknowledged] == [mark["seq"]]
        kept = numbers_of(journal.span(start["t_ns"], mark["t_ns"], start["seq"]))
    assert without_gap(kept)
    assert len(kept) > 80


def test_rotation_while_recording_loses_nothing(folder: Path) -> None:
    feeder = Feeder(folder / "line", rate_hz=4000)
    feeder.start()
    acquire = Acquire(write_bench(folder))
    wait_for(lambda: line_is(acquire, "open"), "the line is open")
    start = ask(acquire.socket, "start")
    names = []
    for _ in range(3):
        time.sleep(0.15)
        names.append(ask(acquire.socket, "rotate")["part"])
    stop = ask(acquire.socket, "stop")
    assert acquire.end() == 0
    feeder.close()
    assert len(set(names)) == 3
    with Journal(acquire.journal) as journal:
        assert len(journal.part_paths()) == 4
        inside = numbers_of(journal.span(start["t_ns"], stop["t_ns"], start["seq"]))
        assert without_gap(numbers_of(journal.entries()))
    assert without_gap(inside)
    assert len(inside) > 1000


def test_a_second_acquisition_on_the_same_journal_is_refused(folder: Path) -> None:
    import subprocess

    feeder = Feeder(folder / "line")
    config = write_bench(folder)
    acquire = Acquire(config)
    where = ["--journal", str(acquire.journal), "--run-dir", str(folder / "other")]
    done = subprocess.run(
        [sys.executable, "-m", "daq.acquire", str(config), *where],
        capture_output=True,
        text=True,
        check=False,
        timeout=20,
    )
    assert done.returncode == 2
    assert "another process writes this journal" in done.stderr
    assert "Traceback" not in done.stderr
    assert acquire.end() == 0
    feeder.close()
