"""Polled devices without a line: schedule, conversation by a script, pairing in the record.

Rules: common practice, no source, where none is named.
"""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.clock import SECOND_NS
from daq.driver import Action, Block, Chunk, ChunkKind, Identified, Send
from daq.errors import DeviceError
from daq.polled import (
    REST_S,
    Dialogue,
    Exchange,
    PolledConversation,
    PolledDecoder,
    Reply,
    Request,
    Schedule,
)
from daq.testing import ManualClock
from daq.testing.faults import cut

MS = 1_000_000


class Lines(Dialogue):
    """Answers are lines; `!` refuses, `~` asks for time, a line that begins with `?` is a stray."""

    def __init__(self, *requests: Request) -> None:
        self.requests = requests or (Request(b"T?\n", 10.0, 0.2),)

    def read(self, request: Request, buffer: bytes) -> Reply | None:
        end = buffer.find(b"\n") + 1
        if not end:
            return None
        whole = buffer[: end - 1].isdigit()
        kinds = {b"!": "refused", b"~": "pending", b"?": "stray"}
        return Reply(kinds.get(buffer[:1], "answer" if whole else "stray"), 0, end)


class Decoder(PolledDecoder):
    def rows(self, exchanges: list[Exchange]) -> list[Block]:
        t_lo = np.array([e.t_lo for e in exchanges])
        t_hi = np.array([e.t_hi for e in exchanges])
        raw = np.array([int(e.answer) for e in exchanges])
        return [Block("s", t_hi, {"c": raw}, t_lo, segment=self.segment)]


class Script:
    """A conversation driven by hand."""

    def __init__(self, dialogue: Dialogue) -> None:
        self.clock = ManualClock()
        self.conversation = PolledConversation(dialogue)
        self.start_ns = self.clock()
        self.chunks: list[Chunk] = []
        self.identified = 0
        self.take(self.conversation.opened(self.clock()))

    def take(self, actions: Iterable[Action]) -> list[bytes]:
        sent = []
        for action in actions:
            if isinstance(action, Send):
                sent.append(action.data)
                self.chunks.append(Chunk(ChunkKind.TX, self.clock(), action.data))
            self.identified += isinstance(action, Identified)
        return sent

    def hear(self, data: bytes, after_ms: float = 5) -> list[bytes]:
        self.clock.advance(after_ms / 1e3)
        chunk = Chunk(ChunkKind.RX, self.clock(), data)
        self.chunks.append(chunk)
        return self.take(self.conversation.received(chunk))

    def wait(self) -> list[bytes]:
        """Sleep until the conversation wants to be woken, and wake it."""
        self.clock.move_to(self.conversation.next_wake_ns)
        return self.take(self.conversation.wake(self.clock()))

    def since_ms(self) -> float:
        return (self.clock() - self.start_ns) / MS

    def rows(self) -> list[int]:
        blocks = Decoder(self.conversation.dialogue, 0.0).feed(self.chunks)
        return [value for block in blocks for value in block.raw["c"].tolist()]


def test_one_request_is_outstanding_at_a_time():
    script = Script(Lines(Request(b"A\n", 100.0, 0.2), Request(b"B\n", 100.0, 0.2)))
    assert [c.data for c in script.chunks] == [b"A\n"]
    assert script.hear(b"1") == []
    assert script.identified == 0
    assert script.hear(b"\n") == []  # the first exchange is in doubt: the line must stay quiet
    assert script.identified == 1
    assert script.wait() == [b"B\n"]
    assert script.hear(b"2\n") == [b"A\n"]  # overdue, so at once


def test_rates_are_kept_while_the_line_has_time():
    script = Script(Lines(Request(b"A\n", 10.0, 0.05), Request(b"B\n", 4.0, 0.05)))
    while script.since_ms() < 10_000:
        script.hear(b"1\n", 1)
        while not script.wait():
            pass
    count = Counter(c.data for c in script.chunks if c.kind == ChunkKind.TX)
    assert count[b"A\n"] == pytest.approx(100, abs=2)
    assert count[b"B\n"] == pytest.approx(40, abs=2)


def test_an_overloaded_line_is_shared_by_wanted_rate():
    schedule = Schedule((fast := Request(b"A", 100.0), slow := Request(b"B", 25.0)), 0)
    turns = Counter(schedule.take(n * 20 * MS) for n in range(500))
    assert turns[fast] + turns[slow] == 500
    assert turns[fast] / turns[slow] == pytest.approx(4.0, rel=0.1)


def test_a_request_that_keeps_failing_rests():
    dead, live = Request(b"A", 10.0), Request(b"B", 10.0)
    schedule = Schedule((dead, live), 0)
    turns: Counter[Request | None] = Counter()
    for now in range(0, 60 * SECOND_NS, 10 * MS):
        request = schedule.take(now)
        turns[request] += 1
        if request is dead:
            schedule.failed(dead, now)
        elif request is live:
            schedule.answered(live)
    assert turns[dead] == 3 + 60 // REST_S - 1
    assert turns[live] == pytest.approx(600, abs=3)


def test_no_answer_is_named_with_what_came_instead():
    script = Script(Lines())
    script.hear(b"half")
    for _ in range(4):
        script.wait()
    with pytest.raises(DeviceError, match=r"no answer to 'T\?\\n' within 0.2 s \(got b''\)"):
        script.wait()
    script = Script(Lines())
    script.conversation.dialogue.attempts = 1
    script.hear(b"half")
    with pytest.raises(DeviceError, match=r"\(got b'half'\)"):
        script.wait()


def test_a_refusal_is_an_answer_and_no_row():
    script = Script(Lines())
    for _ in range(4):
        script.hear(b"!\n")
        while not script.wait():
            pass
    assert script.conversation.refused == 4
    assert script.identified == 0
    assert script.rows() == []


def test_pending_puts_the_answer_off_but_not_for_ever():
    script = Script(Lines())
    for _ in range(10):
        assert script.hear(b"~\n", 150) == []
    script.hear(b"7\n", 150)
    assert script.identified == 1
    script = Script(Lines())
    with pytest.raises(DeviceError, match="nothing asked for"):
        babble(script, b"~\n")
    assert script.conversation.absent == 1


def babble(script: Script, line: bytes) -> None:
    """The device says *line* each 30 ms for 20 s."""
    for _ in range(700):
        if script.conversation.next_wake_ns <= script.clock():
            script.wait()
        script.hear(line, 30)


def settled() -> Script:
    """A script past its first exchange, with the second request sent."""
    script = Script(Lines())
    script.hear(b"1\n")
    while not script.wait():
        pass
    return script


def test_a_late_answer_within_the_quiet_time_keeps_its_own_bounds():
    script = settled()
    assert script.wait() == []  # given up
    script.hear(b"2\n", 50)
    while not script.wait():
        pass
    script.hear(b"3\n")
    while not script.wait():
        pass
    assert script.conversation.late == 1
    assert script.rows() == [1, 2, 3]
    blocks = Decoder(script.conversation.dialogue, 0.0).feed(script.chunks)
    widths = np.concatenate([b.t_hi for b in blocks]) - np.concatenate([b.t_lo for b in blocks])
    assert widths.tolist() == [5 * MS, 250 * MS, 5 * MS]


def test_a_late_answer_to_the_request_before_is_no_row():
    script = settled()
    script.wait()  # given up
    while not script.wait():
        pass  # quiet; asked again
    script.hear(b"2\n", 5)  # too late for its own request
    script.hear(b"3\n", 20)  # and the right one after it
    while not script.wait():
        pass
    script.hear(b"4\n")
    while not script.wait():
        pass
    script.hear(b"5\n")
    assert script.rows() == [1, 4, 5]


def test_a_stray_is_set_aside():
    script = settled()
    script.hear(b"?9\n")
    script.hear(b"2\n")
    assert script.rows() == [1, 2]
    assert script.conversation.late == 1


def test_a_device_that_will_not_be_quiet_is_not_the_right_one():
    script = settled()
    script.hear(b"2\n")
    with pytest.raises(DeviceError, match="nothing asked for"):
        babble(script, b"3\n")


def test_the_bounds_are_the_request_and_the_answers_first_bit():
    dialogue = Lines()
    byte_ns = 1e6
    chunks = [
        Chunk(ChunkKind.TX, 0, b"T?\n"),
        Chunk(ChunkKind.RX, 100 * MS, b"12\n"),
        Chunk(ChunkKind.TX, 200 * MS, b"T?\n"),
    ]
    (block,) = Decoder(dialogue, byte_ns).feed(chunks)
    assert (block.t_lo.tolist(), block.t_hi.tolist()) == ([0], [97 * MS])


def test_another_devices_request_ends_the_exchange():
    chunks = [
        Chunk(ChunkKind.TX, 0, b"T?\n"),
        Chunk(ChunkKind.RX, 1, b"1\n"),
        Chunk(ChunkKind.TX, 2, b"other\n"),
        Chunk(ChunkKind.RX, 3, b"66\n"),
        Chunk(ChunkKind.TX, 4, b"T?\n"),
        Chunk(ChunkKind.RX, 5, b"2\n"),
        Chunk(ChunkKind.TX, 6, b"T?\n"),
    ]
    blocks = Decoder(Lines(), 0.0).feed(chunks)
    assert [v for b in blocks for v in b.raw["c"].tolist()] == [1, 2]


def test_reopening_begins_a_segment_and_keeps_no_half():
    note = Chunk(ChunkKind.NOTE, 9, b'{"note": "opened"}')
    chunks = [
        Chunk(ChunkKind.TX, 0, b"T?\n"),
        Chunk(ChunkKind.RX, 1, b"1"),
        note,
        Chunk(ChunkKind.TX, 10, b"T?\n"),
        Chunk(ChunkKind.RX, 11, b"5\n"),
        Chunk(ChunkKind.TX, 12, b"T?\n"),
    ]
    (block,) = Decoder(Lines(), 0.0).feed(chunks)
    assert (block.raw["c"].tolist(), block.segment) == ([5], 1)


@given(
    st.lists(
        st.one_of(
            st.just((ChunkKind.TX, b"T?\n")),
            st.tuples(
                st.just(ChunkKind.RX),
                st.lists(st.sampled_from([b"1\n", b"23\n", b"!\n", b"?8\n", b"~\n", b"4"])).map(
                    b"".join
                ),
            ),
            st.just((ChunkKind.NOTE, b'{"note": "lost"}')),
        ),
        max_size=30,
    ),
    st.integers(0, 1 << 16),
)
def test_any_record_pairs_alike_in_any_cut(events, seed):
    chunks = [Chunk(kind, n * MS, data) for n, (kind, data) in enumerate(events)]
    rng = random.Random(seed)

    def rows(fed: list[Chunk], step: int) -> list[tuple[int, ...]]:
        decoder = Decoder(Lines(), 0.0)
        parts = [decoder.feed(fed[n : n + step]) for n in range(0, len(fed), step)]
        return [
            (b.segment, *row)
            for part in parts
            for b in part
            for row in zip(b.raw["c"].tolist(), b.t_lo.tolist(), b.t_hi.tolist())
        ]

    assert rows(cut(chunks, rng, 3), rng.randint(1, 5)) == rows(chunks, len(chunks) or 1)
