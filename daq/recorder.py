"""The one thread that writes the journal: a commit each tick, marks and answers with it.

It alone waits for the disk. Readers hand over through inboxes and never meet it.
"""

from __future__ import annotations

import logging
import threading
from collections import deque
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from daq.clock import MILLISECOND_NS, SECOND_NS, clock_row, monotonic_ns, realtime_ns
from daq.commands import Answer, Reply
from daq.driver import Chunk
from daq.errors import DaqError, JournalError
from daq.journal import DiskFull, JournalWriter
from daq.parts import WAL_ALARM_BYTES
from daq.reader import Inbox

log = logging.getLogger("daq.acquire")

FAST_NS = 50 * MILLISECOND_NS
SLOW_NS = SECOND_NS
REPEAT_NS = 60 * SECOND_NS
"""Clock rows and prefaces are repeated this often."""
HOUSEKEEPING_NS = 5 * SECOND_NS


class Request(NamedTuple):
    """Something to do between two commits, and whom to tell after the second."""

    execute: Callable[[], Answer]
    reply: Reply


class Recorder(threading.Thread):
    """Empties the inboxes into the journal, commits, answers, and wakes the followers.

    ``running`` is the seq of the start mark of the run in progress. All methods but ``submit`` and
    ``finish`` run on this thread: call them from within a request.
    """

    def __init__(
        self,
        journal: JournalWriter,
        inboxes: Mapping[str, Inbox],
        wake_followers: Callable[[], None],
    ) -> None:
        super().__init__(name="recorder", daemon=True)
        self.journal, self._inboxes, self._wake_followers = journal, inboxes, wake_followers
        self.running: int | None = None
        self.armed = False
        self.hurried = False
        self.full = False
        self.failure = ""
        self.commits = 0
        self._requests: deque[Request] = deque()
        self._event = threading.Event()
        self._ending = False
        self._repeat_ns = self._house_ns = 0
        self._prefaces: dict[tuple[str, str], Mapping[str, Any]] = {}

    # --- for other threads

    def submit(self, execute: Callable[[], Answer], reply: Reply) -> None:
        """Have *execute* called between two commits and *reply* after the second.

        A DaqError that it raises becomes the answer.
        """
        self._requests.append(Request(execute, reply))
        self._event.set()

    def finish(self) -> None:
        """Empty the inboxes once more, commit, close the journal and end."""
        self._ending = True
        self._event.set()
        self.join()

    # --- on this thread

    def run(self) -> None:
        """Tick until told to finish; a request brings the next tick at once."""
        while not self._ending:
            due = monotonic_ns() + self.tick_ns
            self.tick()
            due = min(due, monotonic_ns() + self.tick_ns)
            self._event.wait(max(0, due - monotonic_ns()) / SECOND_NS)
            self._event.clear()
        self._close()

    @property
    def tick_ns(self) -> int:
        """Time from one commit to the next."""
        busy = self.armed or self.hurried or self.running is not None
        return FAST_NS if busy else SLOW_NS

    def tick(self) -> None:
        """One commit with all that goes with it."""
        now = monotonic_ns()
        if not self.full:
            self._empty_inboxes()
        answers = [(r.reply, self._execute(r)) for r in self._taken_requests()]
        if now >= self._repeat_ns:
            self._repeat(now)
        committed = self._commit()
        for reply, answer in answers:
            reply(answer if committed else {"ok": False, "error": self.failure})
        if committed:
            self.commits += 1
            self._wake_followers()
            if self.journal.wants_rotation:
                self.rotate()
        if now >= self._house_ns:
            self._house_ns = now + HOUSEKEEPING_NS
            self._keep_house()

    def mark(
        self, kind: str, origin: str, content: Mapping[str, Any], t_ns: int | None = None
    ) -> Answer:
        """Add a mark, stamped now unless given; its seq and time."""
        stamp = monotonic_ns() if t_ns is None else t_ns
        return {"ok": True, "seq": self.journal.mark(stamp, kind, origin, content), "t_ns": stamp}

    def clock(self) -> None:
        """Add a clock row."""
        self.journal.clock(clock_row())

    def rotate(self) -> None:
        """Begin a new part, which can be decoded alone."""
        try:
            self.journal.rotate()
        except JournalError as error:
            self._tell(f"the journal cannot begin a new part: {error}")
            return
        self._repeat(monotonic_ns())
        for part in self.journal.retain(realtime_ns()):
            log.info("journal: %s deleted, beyond the limits", part.name)

    # --- within

    def _taken_requests(self) -> list[Request]:
        return [self._requests.popleft() for _ in range(len(self._requests))]

    def _execute(self, request: Request) -> Answer:
        try:
            return request.execute()
        except DaqError as error:
            return {"ok": False, "error": str(error)}
        except Exception as error:
            log.exception("a command failed")
            return {"ok": False, "error": f"{type(error).__name__}: {error}"}

    def _empty_inboxes(self) -> None:
        for wire, inbox in self._inboxes.items():
            chunks: list[Chunk] = []
            for item in inbox.take():
                if isinstance(item, Chunk):
                    chunks.append(item)
                    continue
                self.journal.append(wire, chunks)
                chunks = []
                self.journal.note(wire, item.t_ns, item.content)
                self._remember(wire, item.content)
            if chunks:
                self.journal.append(wire, chunks)

    def _remember(self, wire: str, content: Mapping[str, Any]) -> None:
        """Keep the prefaces in force, to repeat them."""
        kind, device = content.get("note"), str(content.get("device", ""))
        if kind in ("identified", "preface"):
            self._prefaces[wire, device] = {**content, "note": "preface"}
        elif kind in ("opened", "closed"):
            self._prefaces = {key: old for key, old in self._prefaces.items() if key[0] != wire}

    def _repeat(self, now: int) -> None:
        self._repeat_ns = now + REPEAT_NS
        self.clock()
        for (wire, _), content in self._prefaces.items():
            self.journal.note(wire, now, content)

    def _commit(self) -> bool:
        try:
            self.journal.commit()
        except DiskFull as error:
            return not self.full and self._stop_loudly(error)
        except JournalError as error:
            self._tell(str(error))
            return False
        if self.failure and not self.full:
            log.warning("journal: written again")
            self.failure = ""
        return True

    def _stop_loudly(self, error: DiskFull) -> bool:
        """The disk is full: give the reserve back and write why the run ends, and its stop."""
        self.full = True
        self._tell(f"{error}; recording stops until there is room")
        self.journal.release()
        self.mark("disk_full", "acquisition", {"error": str(error)})
        if self.running is not None:
            self.mark("stop", "acquisition", {"start": self.running, "reason": "disk_full"})
            self.running = None
        self.armed = False
        return self._commit()

    def _keep_house(self) -> None:
        if self.full and self.journal.set_aside():
            self.full = False
            self.mark("disk_free", "acquisition", {})
            log.warning("journal: there is room again; recording goes on")
        self.journal.seal_done()
        if self.journal.wal_bytes > WAL_ALARM_BYTES:
            log.error("journal: its log has %d MB; a reader holds it back", self.wal_mb)

    @property
    def wal_mb(self) -> int:
        """Size of the write-ahead log in MB."""
        return self.journal.wal_bytes // 1_000_000

    def _tell(self, failure: str) -> None:
        if failure != self.failure:
            log.error("journal: %s", failure)
        self.failure = failure

    def _close(self) -> None:
        self.tick()
        self.mark("acquisition_stopped", "acquisition", {})
        self.clock()
        try:
            self.journal.close()
        except JournalError as error:
            self._tell(str(error))
        for request in self._taken_requests():
            request.reply({"ok": False, "error": "acquisition has ended"})
        self._wake_followers()
