"""Which parameters are asked next, of which ECU, and how failures are kept from costing others."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from daq.clock import MILLISECOND_NS, SECOND_NS
from drivers.obd_can.bus import BUSY, CONDITIONS, Party
from drivers.obd_can.pids import ALONE

PATIENCE = 3
"""Failures in a row before a parameter rests."""
REST_NS = 30 * SECOND_NS
SHARE = 20
"""What fails rests at least so many times as long as it took: it costs the others a twentieth."""
LONG_NS = SECOND_NS
"""A failure that took so long is not tried twice more at once."""
MOST = 6
"""Parameters in one request. Source: SAE J1979, ISO 15765-4."""
STRIKES = 2
"""How often all of a failed request must come by themselves before an ECU is asked singly."""
POSTPONED_NS = {BUSY: 200 * MILLISECOND_NS, CONDITIONS: SECOND_NS}
"""Answers that say *not now*: when to ask again. They are no failure of the parameter."""
STAGGER_NS = 2 * SECOND_NS


@dataclass(eq=False)
class Wanted:
    """A parameter that is asked of one ECU. ``alone``: by itself, until it comes."""

    pid: int
    party: Party
    period_ns: int
    due_ns: int = 0
    failures: int = 0
    alone: bool = False
    asks: int = 0

    def came(self) -> None:
        """It was answered."""
        self.failures, self.alone = 0, self.pid in ALONE

    def failed(self, now_ns: int, took_ns: int) -> None:
        """It was asked by itself and did not come, which took *took_ns*."""
        self.failures += 1
        self.alone = True
        if self.failures >= PATIENCE or took_ns >= LONG_NS:
            self.due_ns = now_ns + max(REST_NS, SHARE * took_ns)


@dataclass
class Together:
    """Whether an ECU takes several parameters in one request."""

    singly: bool = False
    strikes: int = 0
    suspects: set[int] = field(default_factory=set)
    """Parameters of a request that failed, which have not come by themselves since."""


class Schedule:
    """The wanted parameters, each due at its own rate.

    *sources* is parameter to ECU, *absent* those that no ECU says it has: they are tried, since
    some ECUs do not say all, but as seldom as what failed.
    """

    def __init__(
        self, rates: Mapping[int, float], sources: Mapping[int, Party], absent: Iterable[int],
        now_ns: int, most: int = MOST,
    ) -> None:  # fmt: skip
        self.most = most
        self.wanted = [
            Wanted(pid, party, round(SECOND_NS / rates[pid]), now_ns, alone=pid in ALONE)
            for pid, party in sources.items()
        ]
        by_pid = {wanted.pid: wanted for wanted in self.wanted}
        for number, pid in enumerate(absent, 1):
            by_pid[pid].failures, by_pid[pid].alone = PATIENCE, True
            by_pid[pid].due_ns += number * STAGGER_NS
        self._together: dict[Party, Together] = {}

    @property
    def parties(self) -> set[Party]:
        """ECUs that are asked for something."""
        return {wanted.party for wanted in self.wanted}

    def takes_one(self, party: Party) -> bool:
        """Whether an ECU has shown that it takes one parameter in a request."""
        return self._of(party).singly

    def due_ns(self, silent: Mapping[Party, object]) -> int | None:
        """When something is due of an ECU that is not *silent*; None when nothing is wanted."""
        return min((w.due_ns for w in self.wanted if w.party not in silent), default=None)

    def take(self, now_ns: int, silent: Mapping[Party, object]) -> list[Wanted]:
        """What to ask now in one request of one ECU, the most overdue first; empty for nothing."""
        due = [w for w in self.wanted if w.due_ns <= now_ns and w.party not in silent]
        if not due:
            return []
        due.sort(key=lambda w: ((w.due_ns - now_ns) / w.period_ns, w.asks))
        first = due[0]
        chosen = [first]
        if not first.alone and not self.takes_one(first.party):
            chosen += [w for w in due[1:] if w.party == first.party and not w.alone]
        chosen = chosen[: self.most]
        for wanted in chosen:
            wanted.asks += 1
            wanted.due_ns = max(wanted.due_ns + wanted.period_ns, now_ns + wanted.period_ns // 2)
        return chosen

    def answered(self, asked: list[Wanted], came: Iterable[int], now_ns: int, took_ns: int) -> None:
        """Of what was *asked*, these *came*, after *took_ns*."""
        came = set(came)
        together = self._of(asked[0].party)
        for wanted in asked:
            if wanted.pid in came:
                wanted.came()
        if len(asked) > 1:
            self._several(together, [w for w in asked if w.pid not in came], now_ns)
        elif asked[0].pid in came:
            self._proved(together, asked[0].pid)
        else:
            together.suspects.clear()  # it is the parameter, not the ECU
            asked[0].failed(now_ns, took_ns)

    def refused(self, asked: list[Wanted], code: int, now_ns: int, took_ns: int) -> None:
        """All that was *asked* was refused with *code*."""
        wait = POSTPONED_NS.get(code)
        if wait is None:
            self.answered(asked, (), now_ns, took_ns)
        elif len(asked) == 1:
            asked[0].due_ns = now_ns + max(wait, asked[0].period_ns)
        else:
            _part(asked, now_ns)

    def late(self, asked: list[Wanted], came: Iterable[int]) -> bool:
        """Whether any of a request that was given up *came* after all; those are asked on."""
        late = [wanted for wanted in asked if wanted.pid in set(came)]
        for wanted in late:
            wanted.came()
        return bool(late)

    def _several(self, together: Together, missing: list[Wanted], now_ns: int) -> None:
        if not missing:
            together.strikes = 0
            return
        together.suspects = {wanted.pid for wanted in missing}
        _part(missing, now_ns)

    def _proved(self, together: Together, pid: int) -> None:
        """A parameter came by itself: if all of a failed request did, it was the number of them."""
        if pid not in together.suspects:
            return
        together.suspects.discard(pid)
        if not together.suspects:
            together.strikes += 1
            together.singly = together.strikes >= STRIKES

    def _of(self, party: Party) -> Together:
        return self._together.setdefault(party, Together())


def _part(several: Iterable[Wanted], now_ns: int) -> None:
    """Ask each by itself, at once."""
    for wanted in several:
        wanted.alone, wanted.due_ns = True, now_ns
