"""The conversation: find the ECUs and what they have, then ask each value as often as wanted.

One request is outstanding at a time. The next leaves as soon as the answer is whole. An ECU that
sleeps costs nothing but a probe each second: the bus is shared with others who listen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Action, Chunk, Conversation, Identified, Note, Send
from daq.frames import FrameReader, RecordReader, frame_reader
from daq.wire.can import FLAG_EXTENDED
from daq.wire.isotp import FIRST, Assembler, clear_to_send, single
from drivers.obd_can.bus import (
    PENDING,
    Party,
    functional,
    in_words,
    party_of,
    record,
    refusal,
)
from drivers.obd_can.pids import BITMAPS, split, supported

ANSWER_NS = 120 * MILLISECOND_NS
"""P2 of 50 ms, a long answer's frames, a slow adapter. Source: ISO 15765-4 (P2), from memory."""
PENDING_NS = 5 * SECOND_NS
"""P2*: longest wait for one pending answer. Source: ISO 14229-2, from memory."""
ALL_NS = 60 * MILLISECOND_NS
"""How long answers to a request to all ECUs are gathered."""
PROBE_NS = SECOND_NS
REST_NS = 30 * SECOND_NS
PATIENCE = 3
"""Failures in a row: of one parameter before it rests, of requests before the ECUs are silent."""
MOST = 6
"""Parameters in one request. Source: SAE J1979, ISO 15765-4."""


@dataclass
class Wanted:
    """A parameter that is asked of one ECU."""

    pid: int
    party: Party
    period_ns: int
    due_ns: int = 0
    failures: int = 0
    alone: bool = False
    """It was in a request that failed, so it is asked by itself until it comes."""

    def answered(self) -> None:
        """It came."""
        self.failures, self.alone = 0, False

    def failed(self, now_ns: int, alone: bool) -> None:
        """It was asked, *alone* or with others, and did not come."""
        self.alone = True
        if not alone:
            self.due_ns = now_ns
            return
        self.failures += 1
        if self.failures >= PATIENCE:
            self.due_ns = now_ns + REST_NS


@dataclass
class Asked:
    """The request that is outstanding."""

    service_data: bytes
    to: Party | None
    t_ns: int
    until_ns: int
    wanted: list[Wanted] = field(default_factory=list)


class Talk(Conversation):
    """See the module's text. *rates* is parameter to wanted rate in Hz."""

    def __init__(self, rates: Mapping[int, float], ecus: Iterable[str], extended: bool,
                 together: bool, wire: Mapping[str, Any] | None = None) -> None:  # fmt: skip
        self.rates, self.ecus, self.extended = dict(rates), set(ecus), extended
        self.most = MOST if together else 1
        self.found: dict[Party, set[int]] = {}
        self.scales: dict[Party, dict[str, bytes]] = {}
        self.late = self.absent = self.refused = 0
        self._reader: FrameReader = frame_reader(wire) if wire else RecordReader()
        self._parts: dict[Party, Assembler] = {}
        self._asked: Asked | None = None
        self._wanted: list[Wanted] = []
        self._ahead: list[tuple[Party | None, bytes]] = []
        self._identified = self._silent = False
        self._singly: set[Party] = set()
        self._misses = 0
        self._not_before = 0

    # --- the calls of acquisition

    def opened(self, now_ns: int) -> list[Action]:
        """Ask who is there."""
        self._ahead = [(None, bytes([1, 0]))]
        return self._next(now_ns)

    def received(self, chunk: Chunk) -> list[Action]:
        """Answers among the frames of the bus."""
        actions: list[Action] = []
        for _, frames in self._reader.feed([chunk]):
            for frame in frames[frames["flags"] <= FLAG_EXTENDED]:
                extended = bool(frame["flags"] & FLAG_EXTENDED)
                party = party_of(int(frame["id"]), extended)
                if party is not None:
                    data = frame["data"][: frame["length"]].tobytes()
                    actions += self._heard(party, data, chunk.t_ns)
        return actions

    def wake(self, now_ns: int) -> list[Action]:
        """What is overdue, and what is due."""
        actions: list[Action] = []
        if self._asked is not None and now_ns >= self._asked.until_ns:
            actions += self._overdue(self._asked, now_ns)
        return actions + self._next(now_ns)

    @property
    def next_wake_ns(self) -> int | None:
        """The deadline of the outstanding request, or the next turn."""
        if self._asked is not None:
            return self._asked.until_ns
        due = [self._not_before] if self._ahead else [w.due_ns for w in self._wanted]
        return max(min(due), self._not_before) if due else None

    # --- hearing

    def _heard(self, party: Party, frame: bytes, now_ns: int) -> list[Action]:
        part = self._parts.setdefault(party, Assembler())
        message = part.take(frame, now_ns)
        if message is not None:
            return self._answered(party, message.data, now_ns)
        mine = self._asked is not None and self._asked.to in (None, party)
        if frame and frame[0] >> 4 == FIRST and mine and part.wants_flow_control:
            return [Send(record(party.asked, party.extended, clear_to_send()))]
        return []

    def _answered(self, party: Party, data: bytes, now_ns: int) -> list[Action]:
        asked = self._asked
        if asked is None or asked.to not in (None, party):
            self.late += 1
            return []
        refused = refusal(data)
        if refused is not None:
            return self._refused(asked, party, refused, data, now_ns)
        if data[:1] != bytes([asked.service_data[0] + 0x40]):
            self.late += 1
            return []
        values = split(data[1:])
        if not set(values) & set(asked.service_data[1:]):
            self.late += 1
            return []
        self._misses = 0
        if asked.wanted:
            self._take(asked, party, set(values), now_ns)
        else:
            self._learn(party, values)
        if asked.to is None:
            return []  # others may answer until the time is over
        self._asked = None
        return self._next(now_ns)

    def _refused(
        self, asked: Asked, party: Party, refused: tuple[int, int], data: bytes, now_ns: int
    ) -> list[Action]:
        if refused[0] != asked.service_data[0]:
            self.late += 1
            return []
        if refused[1] == PENDING:
            asked.until_ns = min(now_ns + ANSWER_NS, asked.t_ns + PENDING_NS)
            return []
        self.refused += 1
        actions: list[Action] = [Note({"ecu": party.name, "refused": in_words(data)})]
        for wanted in asked.wanted:
            wanted.failed(now_ns, alone=len(asked.wanted) == 1)
        if asked.to is None:
            return actions
        self._asked = None
        return actions + self._next(now_ns)

    def _take(self, asked: Asked, party: Party, came: set[int], now_ns: int) -> None:
        for wanted in asked.wanted:
            if wanted.pid in came:
                wanted.answered()
            elif len(asked.wanted) > 1 and len(came) == 1:
                self._singly.add(party)  # this ECU answers only the first of several
                wanted.due_ns = now_ns
            else:
                wanted.failed(now_ns, alone=len(asked.wanted) == 1)

    def _learn(self, party: Party, values: Mapping[int, bytes]) -> None:
        for pid, data in values.items():
            if pid in BITMAPS:
                has = self.found.setdefault(party, set())
                has |= set(supported(pid, data))
                if pid + 0x20 in has:
                    self._ahead.append((party, bytes([1, pid + 0x20])))
            else:
                self.scales.setdefault(party, {})[f"{pid:02X}"] = data

    # --- asking

    def _next(self, now_ns: int) -> list[Action]:
        if self._asked is not None or now_ns < self._not_before:
            return []
        actions: list[Action] = []
        if not self._ahead and not self._identified:
            actions += self._conclude(now_ns)
        if self._ahead and now_ns >= self._not_before:
            party, data = self._ahead.pop(0)
            return [*actions, *self._ask(party, data, now_ns, [])]
        due = [wanted for wanted in self._wanted if wanted.due_ns <= now_ns]
        if not due:
            return actions
        first = max(due, key=lambda w: (now_ns - w.due_ns) / w.period_ns)
        most = 1 if first.alone or first.party in self._singly else self.most
        others = [w for w in due if w.party == first.party and w is not first and not w.alone]
        chosen = [first, *others[: most - 1]]
        for wanted in chosen:
            wanted.due_ns = max(wanted.due_ns + wanted.period_ns, now_ns + wanted.period_ns // 2)
        data = bytes([1, *(wanted.pid for wanted in chosen)])
        return [*actions, *self._ask(first.party, data, now_ns, chosen)]

    def _ask(
        self, to: Party | None, data: bytes, now_ns: int, wanted: list[Wanted]
    ) -> list[Action]:
        wait = ALL_NS if to is None else ANSWER_NS
        self._asked = Asked(data, to, now_ns, now_ns + wait, wanted)
        extended = self.extended if to is None else to.extended
        identifier = functional(extended) if to is None else to.asked
        return [Send(record(identifier, extended, single(data)))]

    def _overdue(self, asked: Asked, now_ns: int) -> list[Action]:
        self._asked = None
        if asked.to is None:
            if not self.found:
                return self._asleep(now_ns)
            return []
        self.absent += 1
        self._misses += 1
        for wanted in asked.wanted:
            wanted.failed(now_ns, alone=len(asked.wanted) == 1)
        if self._misses >= PATIENCE and self._identified:
            return self._asleep(now_ns)
        return []

    def _asleep(self, now_ns: int) -> list[Action]:
        """Nobody answers: ask again who is there, once a second, until somebody does."""
        self._ahead = [(None, bytes([1, 0]))]
        self._not_before = now_ns + PROBE_NS
        self._identified, self._wanted, self._misses = False, [], 0
        self.found.clear()
        self._parts.clear()
        if self._silent:
            return []
        self._silent = True
        return [Note({"ecus": "silent", "reason": "no answer to 0100; is the ignition on?"})]

    def _conclude(self, now_ns: int) -> list[Action]:
        """All bitmaps are in: read the scalings, then begin to ask in turn."""
        for party, has in self.found.items():
            for pid in (0x4F, 0x50):
                if pid in has and f"{pid:02X}" not in self.scales.get(party, {"": b""}):
                    self.scales.setdefault(party, {})[f"{pid:02X}"] = bytes(4)
                    self._ahead.append((party, bytes([1, pid])))
        if self._ahead or not self.found:
            return []
        self._wanted = self._sources(now_ns)
        self._identified, self._silent = True, False
        ecus = {
            party.name: {
                "has": sorted(f"{pid:02X}" for pid in has),
                "scales": {n: d.hex() for n, d in self.scales.get(party, {}).items()},
            }
            for party, has in self.found.items()
        }
        asked = {f"{w.pid:02X}": w.party.name for w in self._wanted}
        return [Identified({"ecus": ecus, "asked": asked})]

    def _sources(self, now_ns: int) -> list[Wanted]:
        """One ECU for each wanted parameter: a wanted one that has it, else the first that has."""
        parties = sorted(self.found, key=lambda p: (p.name not in self.ecus, p.name))
        wanted = []
        for pid, rate in self.rates.items():
            party = next((p for p in parties if pid in self.found[p]), None)
            if party is not None:
                wanted.append(Wanted(pid, party, round(SECOND_NS / rate), now_ns))
        return wanted
