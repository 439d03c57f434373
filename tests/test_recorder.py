"""The recorder, tick by tick on the calling thread, with a real journal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from daq import recorder as module
from daq.driver import Chunk, ChunkKind
from daq.errors import JournalError
from daq.journal import ChunkRow, ClockEntry, Journal, JournalWriter, NoteRow
from daq.reader import Inbox
from daq.recorder import Recorder

PREFACE = {"note": "identified", "device": "oil", "preface": {"driver": "probe"}}


class Rig:
    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = JournalWriter(folder, {"b.toml": b""}, "b.toml", boot_id="boot")
        self.inbox = Inbox()
        self.woken = 0
        self.recorder = Recorder(self.journal, {"line": self.inbox}, self._wake)
        self.answers: list[dict[str, Any]] = []

    def _wake(self) -> None:
        self.woken += 1

    def put(self, data: bytes) -> None:
        self.inbox.put(Chunk(ChunkKind.RX, 1, data))

    def ask(self, execute: Callable[[], dict[str, Any]]) -> None:
        self.recorder.submit(execute, self.answers.append)


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    rig = Rig(tmp_path)
    yield rig
    rig.journal.close()


def notes(path: Path) -> list[str]:
    with Journal(path) as journal:
        return [e.content["note"] for e in journal.entries() if isinstance(e, NoteRow)]


def test_a_new_part_begins_with_the_prefaces_in_force(rig: Rig) -> None:
    rig.inbox.note(1, {"note": "opened"})
    rig.inbox.note(2, PREFACE)
    rig.put(b"first")
    rig.recorder.tick()
    rig.recorder.rotate()
    rig.put(b"second")
    rig.recorder.tick()
    new = rig.journal.part
    with Journal(new) as alone:
        clock, preface, chunks = alone.entries()
    assert isinstance(clock, ClockEntry)
    assert isinstance(preface, NoteRow)
    assert preface.content == {**PREFACE, "note": "preface"}
    assert isinstance(chunks, ChunkRow)
    assert chunks.chunks[0].data == b"second"


def test_a_wire_that_is_closed_has_no_preface_to_repeat(rig: Rig) -> None:
    rig.inbox.note(1, {"note": "opened"})
    rig.inbox.note(2, PREFACE)
    rig.inbox.note(3, {"note": "closed"})
    rig.recorder.tick()
    rig.recorder.rotate()
    rig.recorder.tick()
    assert notes(rig.journal.part) == []


def test_prefaces_and_clocks_are_repeated(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "REPEAT_NS", 0)
    rig.inbox.note(2, PREFACE)
    for _ in range(3):
        rig.recorder.tick()
    assert notes(rig.folder) == ["identified", "preface", "preface", "preface"]
    with Journal(rig.folder) as journal:
        assert len(journal.clocks()) == 3


def test_a_commit_that_fails_loses_nothing_and_is_told(
    rig: Rig, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    commit = rig.journal.commit
    failing = True

    def broken() -> int:
        if failing:
            raise JournalError("input/output error")
        return commit()

    monkeypatch.setattr(rig.journal, "commit", broken)
    rig.put(b"kept")
    rig.ask(lambda: rig.recorder.mark("mark", "test", {}))
    for _ in range(3):
        rig.recorder.tick()
    assert rig.answers == [{"ok": False, "error": "input/output error"}]
    assert rig.woken == 0
    assert caplog.text.count("input/output error") == 1, "logged once"
    failing = False
    rig.put(b" too")
    rig.recorder.tick()
    assert rig.woken == 1
    with Journal(rig.folder) as journal:
        rows = [e for e in journal.entries() if isinstance(e, ChunkRow)]
    assert b"".join(c.data for row in rows for c in row.chunks) == b"kept too"


def test_a_request_with_a_fault_is_answered_and_the_recorder_goes_on(rig: Rig) -> None:
    rig.ask(lambda: {"ok": bool(1 // 0)})
    rig.ask(lambda: {"ok": True})
    rig.recorder.tick()
    assert rig.answers[0]["ok"] is False
    assert "ZeroDivisionError" in rig.answers[0]["error"]
    assert rig.answers[1] == {"ok": True}


def test_an_answer_comes_after_the_commit(rig: Rig) -> None:
    seen: list[int] = []

    def look(answer: dict[str, Any]) -> None:
        with Journal(rig.folder) as journal:
            seen.extend(mark.seq for mark in journal.marks() if mark.seq == answer["seq"])

    rig.recorder.submit(lambda: rig.recorder.mark("mark", "test", {}), look)
    rig.recorder.tick()
    assert len(seen) == 1
