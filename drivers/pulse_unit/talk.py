"""The conversation with a unit: hello, echoes, lamp and buzzer."""

from __future__ import annotations

import struct
from typing import Any

from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.config import nearest, to_plain
from daq.driver import Action, Chunk, Conversation, Identified, Note, Send
from daq.errors import DeviceError
from drivers.pulse_unit.framing import (
    ASK_ECHO,
    ASK_HELLO,
    ECHO,
    HEADER,
    HELLO,
    LONGEST_CODE,
    OUTPUT,
    SET_OUTPUT,
    frame,
    open_code,
)
from drivers.pulse_unit.hello import OUTPUTS, Config, Hello, read_hello


class Talk(Conversation):
    """Asks for the hello, then for an echo every half second, and keeps the outputs as commanded.

    An output that is on is commanded again with every echo: the unit switches it off by itself
    ``HOLD_MS`` after the last command.
    """

    PATIENCE_NS = 3 * SECOND_NS
    PERIOD_NS = 500 * MILLISECOND_NS
    SILENCE_NS = 2 * SECOND_NS
    HOLD_MS = 2000

    def __init__(self, config: Config) -> None:
        self.config = config
        self.hello: Hello | None = None
        self._resets = 0
        self._sequence = 0
        self._buffer = b""
        self._came = 0
        self._first = b""
        self._kinds: set[int] = set()
        self._opened = self._heard = self._echoed = self._next = 0
        self._echo_lost = False
        self._wanted = 0
        self._confirmed: int | None = None

    @property
    def next_wake_ns(self) -> int | None:
        """When the next request is due."""
        return self._next

    def opened(self, now_ns: int) -> list[Action]:
        """Ask who is there."""
        self._opened = self._heard = self._echoed = now_ns
        return self.wake(now_ns)

    def wake(self, now_ns: int) -> list[Action]:
        """The requests that are due; raises DeviceError when nothing answers."""
        if now_ns < self._next:
            return []
        self._next = now_ns + self.PERIOD_NS
        if self.hello is None:
            if now_ns - self._opened > self.PATIENCE_NS:
                raise DeviceError(self._no_hello())
            return [self._ask(ASK_HELLO)]
        if now_ns - self._heard > self.SILENCE_NS:
            raise DeviceError(
                f"not a byte for {self.SILENCE_NS / SECOND_NS:g} s; is the unit still powered and"
                " plugged in?"
            )
        # the token is the time before the write: no later than the unit can have got the request
        return [
            self._ask(ASK_ECHO, now_ns.to_bytes(8, "little")),
            *self._outputs(),
            *self._watch_echo(now_ns),
        ]

    def received(self, chunk: Chunk) -> list[Action]:
        """Look for answers among what the unit sends by itself."""
        self._heard = chunk.t_ns
        self._came += len(chunk.data)
        self._first = self._first or chunk.data[:16]
        *codes, self._buffer = (self._buffer + chunk.data).split(b"\0")
        self._buffer = self._buffer[-LONGEST_CODE - 1 :]
        actions: list[Action] = []
        for code in codes:
            # once identified, blocks of samples need not be opened here: byte 1 is the kind
            if self.hello is None or code[1:2] in (b"\x01", b"\x02", b"\x03"):
                actions += self._answer(open_code(code) or b"", chunk.t_ns)
        return actions

    def command(self, name: str, value: Any, now_ns: int) -> list[Action]:
        """Switch ``lamp`` or ``buzzer`` on or off.

        Raises ValueError for any other name or a value that is not true or false.
        """
        if name not in OUTPUTS:
            raise ValueError(f"this device has no output {name!r}{nearest(name, OUTPUTS)}")
        if value not in (True, False):
            raise ValueError(f"{name}: expected true or false, got {value!r}")
        bit = 1 << OUTPUTS.index(name)
        self._wanted = self._wanted | bit if value else self._wanted & ~bit
        self._confirmed = -1
        return self._outputs() if self.hello is not None else []

    def _ask(self, kind: int, payload: bytes = b"") -> Send:
        self._sequence += 1
        return Send(frame(kind, self._sequence, payload))

    def _outputs(self) -> list[Action]:
        if not self._wanted and self._confirmed in (None, 0):
            return []
        return [self._ask(SET_OUTPUT, struct.pack("<BBH", 3, self._wanted, self.HOLD_MS))]

    def _watch_echo(self, now_ns: int) -> list[Action]:
        lost = now_ns - self._echoed > self.PATIENCE_NS
        if lost == self._echo_lost:
            return []
        self._echo_lost = lost
        return [Note({"note": "echo", "state": "lost" if lost else "back"})]

    def _answer(self, body: bytes, t_ns: int) -> list[Action]:
        if not body:
            return []
        kind, payload = body[0], body[HEADER.size :]
        self._kinds.add(kind)
        if kind == HELLO:
            return self._greet(payload)
        if kind == ECHO:
            self._echoed = t_ns
        elif kind == OUTPUT and len(payload) == 4:
            self._confirmed = payload[0]
        return []

    def _greet(self, payload: bytes) -> list[Action]:
        hello, resets = read_hello(payload)
        misfit = self.config.misfit(hello)
        if misfit:
            raise DeviceError(misfit)
        if self.hello is None:
            self.hello, self._resets = hello, resets
            return [Identified({"hello": to_plain(hello), "resets": resets})]
        if hello != self.hello:
            raise DeviceError("the unit describes itself differently than before; opening it again")
        if resets == self._resets:
            return []
        self._resets = resets
        return [Note({"note": "reset", "resets": resets})]

    def _no_hello(self) -> str:
        """What came instead of a hello, and what to do."""
        waited = f"no hello within {self.PATIENCE_NS / SECOND_NS:g} s: "
        if not self._came:
            return waited + "not a byte came; is the unit powered, and is this its port?"
        if not self._kinds:
            return waited + (
                f"{self._came} bytes came, the first {self._first!r}, but no valid frame;"
                " is it this unit, and is the wire's baud right?"
            )
        if self._kinds <= {ASK_HELLO}:
            return waited + "only our own request came back; is TX looped to RX?"
        kinds = ", ".join(f"0x{kind:02X}" for kind in sorted(self._kinds))
        return waited + f"frames of kind {kinds} came; does our TX reach the unit's RX?"
