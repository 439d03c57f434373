"""The conversation: find the ECUs and what they have, then ask each value as often as wanted.

One request is outstanding at a time; the next leaves as soon as its answer is whole. A request
that is not answered in time may still be: its ECU is then asked for nothing but a sign of life,
and since an ECU answers in the order in which it was asked, that sign settles what came before.
So a late answer never passes for the answer to a later, equal request.

ECUs that sleep cost nothing but a probe each second: the bus is shared with others who listen.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Action, Chunk, Conversation, Identified, Note, Send
from daq.wire.isotp import CONSECUTIVE, FIRST, Assembler, clear_to_send, single
from drivers.obd_can.bus import PENDING, Ear, Party, functional, in_words, record, refusal
from drivers.obd_can.pids import BITMAPS, SCALES, split, supported
from drivers.obd_can.schedule import MOST, SHARE, Schedule, Wanted

ANSWER_NS = 200 * MILLISECOND_NS
"""P2 of 50 ms and a slow adapter's way there and back. Source: ISO 15765-4 (P2), from memory;
the rest common practice, no source."""
PATIENT_NS = SECOND_NS
"""For an ECU whose answers came later than that, and while ECUs are looked for."""
ALL_NS = 200 * MILLISECOND_NS
"""How long others may answer a request to all ECUs, when one of them has."""
PENDING_NS = 5 * SECOND_NS
"""P2*: longest wait after an ECU said that it needs longer. Source: ISO 14229-2, from memory."""
LONGEST_NS = 10 * SECOND_NS
"""However often an ECU says so, an answer is not waited for longer. Common practice, no source."""
PROBE_NS = SECOND_NS
TRIES = 3
"""How often a question is asked again, and a sign of life, before its ECU counts as silent."""
ALIVE = bytes([1, 0])
"""The question that every ECU answers: which of the first 32 parameters it has."""


@dataclass
class Asked:
    """The request that is outstanding; *to* is None when it went to all."""

    data: bytes
    to: Party | None
    t_ns: int
    until_ns: int
    wanted: list[Wanted] = field(default_factory=list)
    tries: int = 1
    pending: set[Party] = field(default_factory=set)


@dataclass
class Silence:
    """An ECU that let a request lapse, until it gives a sign of life."""

    lapsed: Asked
    misses: int = 1
    probe_ns: int = 0


class Talk(Conversation):
    """See the module's text. *rates* is parameter to wanted rate in Hz."""

    def __init__(self, rates: Mapping[int, float], ecus: Iterable[str], extended: bool,
                 together: bool, wire: Mapping[str, Any]) -> None:  # fmt: skip
        self.rates, self.ecus, self.extended = dict(rates), tuple(ecus), extended
        self.most = MOST if together else 1
        self.found: dict[Party, set[int]] = {}
        self.scales: dict[Party, dict[str, bytes]] = {}
        self.schedule: Schedule | None = None
        self._ear = Ear(wire)
        self._parts: dict[Party, Assembler] = {}
        self._asked: Asked | None = None
        self._ahead: list[Asked] = []
        self._silences: dict[Party, Silence] = {}
        self._waits: dict[Party, int] = {}
        self._told: set[tuple[str, str]] = set()
        self._asleep = False
        self._not_before = 0

    # --- the calls of acquisition

    def opened(self, now_ns: int) -> list[Action]:
        """Ask who is there."""
        self._begin(now_ns)
        return self._next(now_ns)

    def received(self, chunk: Chunk) -> list[Action]:
        """Answers among the frames of the bus."""
        actions: list[Action] = []
        for party, data in self._ear.hear(chunk):
            actions += self._heard(party, data, chunk.t_ns)
        return actions

    def wake(self, now_ns: int) -> list[Action]:
        """What is overdue, and what is due."""
        actions: list[Action] = []
        if self._asked is not None and now_ns >= self._asked.until_ns:
            actions += self._lapsed(self._asked, now_ns)
        return actions + self._next(now_ns)

    @property
    def next_wake_ns(self) -> int | None:
        """The deadline of the outstanding request, or the next turn."""
        if self._asked is not None:
            return self._asked.until_ns
        if self._ahead or self.schedule is None:
            return self._not_before
        due = [silence.probe_ns for silence in self._silences.values()]
        wanted = self.schedule.due_ns(self._silences)
        return min(due if wanted is None else [*due, wanted], default=None)

    # --- hearing

    def _heard(self, party: Party, frame: bytes, now_ns: int) -> list[Action]:
        part = self._parts.setdefault(party, Assembler())
        message = part.take(frame, now_ns)
        if message is not None:
            return self._answered(party, message.data, now_ns)
        asked, kind = self._asked, frame[0] >> 4
        if asked is None or asked.to not in (None, party) or kind not in (FIRST, CONSECUTIVE):
            return []
        asked.until_ns = max(asked.until_ns, min(now_ns + ANSWER_NS, asked.t_ns + LONGEST_NS))
        if kind == FIRST and part.wants_flow_control:
            return [Send(record(party.asked, party.extended, clear_to_send()))]
        return []

    def _answered(self, party: Party, data: bytes, now_ns: int) -> list[Action]:
        refused = refusal(data)
        if refused is not None:
            return self._refused(party, refused, data, now_ns) if refused[0] == 1 else []
        if data[:1] != b"\x41":
            return []
        values = split(data[1:])
        if self.schedule is None:
            self._learn(party, values)  # what an ECU has does not age: late ones count as well
        asked = self._asked
        if asked is None or asked.to not in (None, party) or not set(values) & set(asked.data[1:]):
            self._late(party, values, now_ns)
            return []
        if asked.to is None:
            self._gathered(asked, party, now_ns)
            return []
        actions: list[Action] = []
        if asked.wanted and self.schedule is not None:
            self.schedule.answered(asked.wanted, values, now_ns, now_ns - asked.t_ns)
            if self.schedule.takes_one(party):
                actions = self._tell(f"{party.name} is asked for one parameter at a time",
                                     "it does not answer several in one request")  # fmt: skip
        return actions + self._settled(party, now_ns)

    def _refused(
        self, party: Party, refused: tuple[int, int], data: bytes, now_ns: int
    ) -> list[Action]:
        asked = self._asked
        if asked is None or asked.to not in (None, party):
            return []
        if refused[1] == PENDING:
            asked.pending.add(party)
            asked.until_ns = min(now_ns + PENDING_NS, asked.t_ns + LONGEST_NS)
            return []
        if asked.to is None:
            return []
        actions = self._tell(f"{party.name} refuses {asked.data.hex().upper()}", in_words(data))
        if asked.wanted and self.schedule is not None:
            self.schedule.refused(asked.wanted, refused[1], now_ns, now_ns - asked.t_ns)
        return actions + self._settled(party, now_ns)

    def _late(self, party: Party, values: Mapping[int, bytes], now_ns: int) -> None:
        """An answer to what was given up: it counts, and its ECU or its adapter needs more time."""
        silence = self._silences.get(party)
        if silence is None or self.schedule is None:
            return
        if self.schedule.late(silence.lapsed.wanted, values):
            took = now_ns - silence.lapsed.t_ns
            self._waits[party] = min(2 * took, PATIENT_NS)
            if self._asked is not None and self._asked.to == party:
                self._asked.until_ns += self._waits[party]

    def _gathered(self, asked: Asked, party: Party, now_ns: int) -> None:
        """One of all has answered; others may, until the time is over."""
        asked.pending.discard(party)
        if not asked.pending:
            asked.until_ns = max(asked.t_ns + ALL_NS, now_ns)

    def _settled(self, party: Party, now_ns: int) -> list[Action]:
        """The outstanding request has its answer, and with it whatever came before."""
        self._asked = None
        self._silences.pop(party, None)
        return self._next(now_ns)

    def _learn(self, party: Party, values: Mapping[int, bytes]) -> None:
        for pid, data in values.items():
            if pid in BITMAPS:
                has = self.found.setdefault(party, set())
                new = set(supported(pid, data)) - has
                has |= new
                more = {pid + 0x20} & new | new & SCALES
                self._ahead += [Asked(bytes([1, n]), party, 0, 0) for n in sorted(more)]
            elif pid in SCALES:
                self.scales.setdefault(party, {})[f"{pid:02X}"] = data

    # --- asking

    def _next(self, now_ns: int) -> list[Action]:
        if self._asked is not None or now_ns < self._not_before:
            return []
        if self._ahead:
            return self._ask(self._ahead.pop(0), now_ns)
        actions = self._conclude(now_ns) if self.schedule is None else []
        assert self.schedule is not None
        for party, silence in self._silences.items():
            if silence.probe_ns <= now_ns:
                return [*actions, *self._ask(Asked(ALIVE, party, 0, 0), now_ns)]
        chosen = self.schedule.take(now_ns, self._silences)
        if not chosen:
            return actions
        data = bytes([1, *(wanted.pid for wanted in chosen)])
        return [*actions, *self._ask(Asked(data, chosen[0].party, 0, 0, chosen), now_ns)]

    def _ask(self, asked: Asked, now_ns: int) -> list[Action]:
        asked.t_ns = now_ns
        asked.until_ns = now_ns + self._wait(asked.to)
        self._asked = asked
        extended = self.extended if asked.to is None else asked.to.extended
        identifier = functional(extended) if asked.to is None else asked.to.asked
        return [Send(record(identifier, extended, single(asked.data)))]

    def _wait(self, party: Party | None) -> int:
        if party is None or self.schedule is None:
            return PATIENT_NS
        return self._waits.get(party, ANSWER_NS)

    def _lapsed(self, asked: Asked, now_ns: int) -> list[Action]:
        """No answer in time."""
        self._asked = None
        if asked.to is None:
            return [] if self.found else self._sleep(asked.t_ns)
        if self.schedule is None:
            return self._again(asked)
        if asked.wanted:
            self.schedule.answered(asked.wanted, (), now_ns, now_ns - asked.t_ns)
            self._silences[asked.to] = Silence(asked, 1, now_ns)
            return []
        silence = self._silences[asked.to]
        silence.misses += 1
        silence.probe_ns = now_ns + (0 if silence.misses < TRIES else SHARE * self._wait(asked.to))
        silent = {p for p, s in self._silences.items() if s.misses >= TRIES}
        return self._sleep(now_ns) if silent >= self.schedule.parties else []

    def _again(self, asked: Asked) -> list[Action]:
        """Ask once more what an ECU has: without its scalings values would be wrong."""
        if asked.tries < TRIES:
            asked.tries += 1
            self._ahead.insert(0, asked)
            return []
        assert asked.to is not None
        pid = asked.data[1]
        meant = "values are taken as unscaled" if pid in SCALES else "what it lists there is tried"
        return self._tell(f"{asked.to.name} lists {pid:02X} and does not answer it", meant)

    def _begin(self, now_ns: int) -> None:
        self._ahead = [Asked(ALIVE, None, 0, 0)]
        self._not_before = now_ns
        self.schedule = None
        self.found.clear()
        self.scales.clear()
        self._parts.clear()
        self._silences.clear()

    def _sleep(self, since_ns: int) -> list[Action]:
        """Nobody answers: ask again who is there, once a second, until somebody does."""
        self._begin(since_ns + PROBE_NS)
        if self._asleep:
            return []
        self._asleep = True
        return [Note({"text": "no ECU answers to 0100: is the ignition on?"})]

    def _conclude(self, now_ns: int) -> list[Action]:
        """All is known of all ECUs: begin to ask in turn."""
        sources, absent = self._sources()
        self.schedule = Schedule(self.rates, sources, absent, now_ns, self.most)
        self._asleep = False
        ecus = {
            party.name: {
                "has": sorted(f"{pid:02X}" for pid in has),
                "scales": {n: d.hex() for n, d in self.scales.get(party, {}).items()},
            }
            for party, has in self.found.items()
        }
        asked = {f"{pid:02X}": party.name for pid, party in sources.items()}
        actions: list[Action] = [Identified({"ecus": ecus, "asked": asked})]
        if absent:
            names = ", ".join(f"{pid:02X}" for pid in absent)
            actions += self._tell(f"no ECU says that it has {names}", "tried each half minute")
        return actions

    def _sources(self) -> tuple[dict[int, Party], list[int]]:
        """One ECU for each wanted parameter, and which of them none says it has.

        The ECU is the first of the configured ones that has it, else the lowest that has.
        """
        order = {name: number for number, name in enumerate(self.ecus)}
        parties = sorted(self.found, key=lambda p: (order.get(p.name, len(order)), p.name))
        sources = {
            pid: next((p for p in parties if pid in self.found[p]), parties[0])
            for pid in self.rates
        }
        return sources, [pid for pid, party in sources.items() if pid not in self.found[party]]

    def _tell(self, what: str, why: str) -> list[Action]:
        """A note, once."""
        if (what, why) in self._told:
            return []
        self._told.add((what, why))
        return [Note({"text": f"{what}: {why}"})]
