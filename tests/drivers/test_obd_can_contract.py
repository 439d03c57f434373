"""The driver's contract: OBD on a real line, beside a DBC listener on the same wire."""

from __future__ import annotations

import threading
import time
from dataclasses import replace
from pathlib import Path
from typing import ClassVar

from daq.bench import Bench, BenchConfig, DeviceConfig, WireConfig
from daq.clock import SECOND_NS, monotonic_ns
from daq.config import load
from daq.driver import Chunk, Preface
from daq.reader import Remark, WireReader
from daq.simulate.car_can import slcan_line
from daq.simulate.ecu import Ecu, Frame
from daq.testing import DriverContract, SerialDevice
from daq.testing.contract import Capture
from daq.wire import slcan
from drivers.can_dbc import CanDbc
from drivers.obd_can import ObdCan


class EcuOnALine(SerialDevice):
    """An ECU behind an slcan adapter on a pseudo-terminal; a counted message of the bus beside."""

    period_s = 0.001

    def __init__(self, busy: bool = False) -> None:
        super().__init__()
        self.number = self.steps = 0
        self.busy = busy
        self.ecu = Ecu({0x0C: self._speed, 0x0D: self._road_speed}, answer_s=0.002)
        self._commands = b""

    def step(self, now_ns: int) -> bytes:
        frames = self.ecu.step(now_ns / SECOND_NS)
        lines = [slcan_line(f.identifier, False, f.data) for f in frames]
        if self.busy:
            self.steps += 1
            lines.append(slcan_line(0x123, False, self.steps.to_bytes(2, "big")))
        return b"".join(lines)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        *commands, self._commands = (self._commands + request).split(b"\r")
        for frame in slcan.split(bytearray(b"\r".join(commands) + b"\r")).frames:
            data = frame["data"][: frame["length"]].tobytes()
            self.ecu.receive(monotonic_ns() / SECOND_NS, Frame(int(frame["id"]), data))
        return b"\r" * len(commands)

    def late(self, seconds: float) -> None:
        """The ECU begins nothing before then, so that its next answer is late."""
        self.ecu._free_s = monotonic_ns() / SECOND_NS + seconds

    def _speed(self) -> bytes:
        self.number += 1
        self.sampled("pid_0c", monotonic_ns(), engine_speed=self.number / 4)
        return self.number.to_bytes(2, "big")

    def _road_speed(self) -> bytes:
        value = self.number % 250
        self.sampled("pid_0d", monotonic_ns(), vehicle_speed=value)
        return bytes([value])


class TestObdContract(DriverContract):
    """Silence does not lose the wire: others listen on the same bus."""

    driver = ObdCan
    settings: ClassVar = {"pids": {"0C": 40.0, "0D": 20.0}}
    wire: ClassVar = {"kind": "slcan", "byte_ns": 0.0, "bitrate": 500_000}
    checked = False
    capture_s = 1.0

    def capture(self) -> Capture:
        """Without the bit rate, whose bounds need whole chunks; the contract cuts them."""
        kept = super().capture()
        facts = {**kept.preface.wire, "bitrate": 0}
        return replace(kept, preface=replace(kept.preface, wire=facts))

    def test_late_answer_never_passes(self) -> None:
        """As for every device that is asked, though silence does not lose this one."""
        self.polled = True  # type: ignore[misc]
        super().test_late_answer_never_passes()

    def make(self) -> ObdCan:
        made = super().make()
        made.wire = self.wire
        return made

    def simulated(self) -> EcuOnALine:
        return EcuOnALine()


DBC = b"""VERSION ""
BU_: Car
BO_ 291 Count: 2 Car
 SG_ Steps : 7|16@0+ (1,0) [0|65535] "" Car
"""


def test_a_dbc_listener_works_on_the_same_wire_at_the_same_time(tmp_path: Path) -> None:
    device = EcuOnALine(busy=True)
    device.start()
    obd = load(ObdCan.Config, {"pids": {"0C": 50.0, "0D": 50.0}})
    dbc = load(CanDbc.Config, {"dbc": "count.dbc"})
    wire = WireConfig(kind="slcan", port=device.path, bitrate=500_000, listen_only=False)
    devices = {
        "obd": DeviceConfig("car", "obd_can", obd),
        "dbc": DeviceConfig("car", "can_dbc", dbc),
    }
    bench = Bench(BenchConfig("B"), {"car": wire}, devices, documents={"count.dbc": DBC})
    stop = threading.Event()
    reader = WireReader(bench, "car", stop)
    reader.start()
    time.sleep(1.5)
    stop.set()
    reader.join(2.0)
    device.stop()
    items = list(reader.inbox.take())
    chunks = [item for item in items if isinstance(item, Chunk)]
    found = {
        item.content["device"]: Preface(**item.content["preface"])
        for item in items
        if isinstance(item, Remark) and item.content["note"] == "identified"
    }
    rows = {name: bench.driver(name).decoder(found[name]).feed(chunks) for name in ("obd", "dbc")}
    (steps,) = rows["dbc"]
    counted = next(iter(steps.raw.values()))
    assert len(counted) > 300
    assert (counted[1:] - counted[:-1] == 1).all(), "no message of the bus is lost"
    assert sum(map(len, rows["obd"])) > 30
    assert reader.status()["devices"] == {"obd": "identified", "dbc": "identified"}
