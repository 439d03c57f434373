"""Polls per second of the OBD conversation against what request, ECU and answer allow.

The bus and the ECU are simulated in steps of 0.1 ms: what is measured is whether the schedule
leaves the line idle, not this machine's speed.
"""

from __future__ import annotations

import json
import sys

import numpy as np

from daq.clock import SECOND_NS
from daq.driver import Chunk, ChunkKind, Send
from daq.simulate.ecu import Ecu, Frame
from daq.wire.can import FRAME
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.bus import record

FRAME_NS = 250_000
"""A frame of 8 bytes at 500 kbit/s. Source: ISO 11898-1 bit counts, about 111 to 135 bits."""
STEP_NS = 50_000
SIX = ("0C", "0B", "0D", "0F", "11", "05")


def values_per_second(
    answer_s: float, together: bool, seconds: float = 10.0
) -> tuple[float, float]:
    """(requests, values) answered each second."""
    tell = {int(pid, 16): (lambda size=2 if pid == "0C" else 1: bytes(size)) for pid in SIX}
    ecu = Ecu(tell, answer_s=answer_s)
    talk = ObdCan(Config(dict.fromkeys(SIX, 100.0), together=together), {}).conversation()
    for wanted in SIX:
        talk.rates[int(wanted, 16)] = 1000.0
    on_bus: list[tuple[int, Frame]] = []
    counts = [0, 0]

    def send(actions: object, now: int) -> None:
        for action in actions:  # type: ignore[attr-defined]
            if isinstance(action, Send):
                frame = np.frombuffer(action.data, FRAME)[0]
                data = frame["data"][: frame["length"]].tobytes()
                on_bus.append((now + FRAME_NS, Frame(int(frame["id"]), data)))

    send(talk.opened(0), 0)
    now, begun = 0, 2 * SECOND_NS
    while now < begun + seconds * SECOND_NS:
        now += STEP_NS
        while on_bus and on_bus[0][0] <= now:
            ecu.receive(now / SECOND_NS, on_bus.pop(0)[1])
        for frame in ecu.step((now - FRAME_NS) / SECOND_NS):
            made = np.frombuffer(record(frame.identifier, False, frame.data), FRAME).copy()
            made["t_host"] = now
            if now > begun and frame.data[0] >> 4 in (0, 1):
                counts[0] += 1
                counts[1] += 6 if frame.data[0] >> 4 == 1 else 1
            send(talk.received(Chunk(ChunkKind.RX, now, made.tobytes())), now)
        wake = talk.next_wake_ns
        if wake is not None and wake <= now:
            send(talk.wake(now), now)
    return counts[0] / seconds, counts[1] / seconds


def main() -> int:
    missed = 0
    for answer_s in (0.005, 0.010, 0.020):
        requests, singles = values_per_second(answer_s, together=False)
        limit = 1 / (answer_s + 2 * FRAME_NS / SECOND_NS)
        _, values = values_per_second(answer_s, together=True)
        for name, value, least in (
            ("of the link's limit", requests / limit, 0.95),
            ("values of six at once to singly", values / singles, 3.0),
        ):
            ok = value >= least
            missed += not ok
            line = {"name": f"obd, ECU {answer_s * 1e3:.0f} ms: {name}", "value": round(value, 3),
                    "unit": "1", "at_least": least, "ok": ok}  # fmt: skip
            print(json.dumps(line))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
