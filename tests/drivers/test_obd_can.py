"""OBD-II over CAN: published values, the conversation with simulated ECUs, real recordings."""

from __future__ import annotations

import csv
import json
import random
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import SECOND_NS, monotonic_ns
from daq.driver import Chunk, ChunkKind, Identified, Note, Preface, Send
from daq.errors import ConfigError, DeviceError
from daq.simulate.car_can import slcan_line
from daq.simulate.ecu import Ecu, Frame
from daq.testing import DriverContract, SerialDevice
from daq.testing.contract import Capture
from daq.wire import allowed, isotp, slcan
from daq.wire.can import FLAG_EXTENDED, FRAME
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.bus import in_words, record, refusal
from drivers.obd_can.pids import PARAMETERS, rescaled, split, supported

CHECKS = json.loads((Path(__file__).parents[1] / "data/obd_check_values.json").read_text())[
    "values"
]


def checks(prefix: str) -> list[Any]:
    return [pytest.param(c, id=c["id"]) for c in CHECKS if c["id"].startswith(prefix)]


# --- published values


@pytest.mark.parametrize("check", checks("obd.01."))
def test_scaling_of_service_01(check):
    pid, data = int(check["inputs"]["pid"], 16), bytes.fromhex(check["inputs"]["data_hex"])
    parameter = PARAMETERS[pid]
    assert len(data) == parameter.size
    wanted = check["expected"] if isinstance(check["expected"], list) else [check["expected"]]
    for value, expected in zip(parameter.values, wanted):
        raw = value.raw(data)
        assert raw is not None or expected == 0.0  # the sensor is not there, by its bit
        if raw is not None:
            assert raw * value.scale + value.offset == pytest.approx(
                expected, abs=check["tolerance"]
            )


@pytest.mark.parametrize("check", checks("obd.support"))
def test_support_bitmap(check):
    base, data = int(check["inputs"]["base_pid"], 16), bytes.fromhex(check["inputs"]["data_hex"])
    assert [f"{pid:02X}" for pid in supported(base, data)] == check["expected"]


@pytest.mark.parametrize("check", checks("obd.nrc"))
def test_negative_answer_in_words(check):
    assert in_words(bytes.fromhex(check["inputs"]["payload_hex"])).split(" (")[0] in {
        check["expected"].split(" (")[0],
        check["expected"].replace("response pending, keep waiting (P2*)", "").strip()
        + " response pending, keep waiting",
    }


@pytest.mark.parametrize("check", checks("isotp.stmin"))
def test_separation_time(check):
    assert isotp.separation_us(int(check["inputs"]["stmin_hex"], 16)) == check["expected"]


@pytest.mark.parametrize("check", [c for p in ("vin", "multipid") for c in checks(f"isotp.{p}.f")])
def test_published_exchange_frame_by_frame(check):
    """Requests, flow control and the message put together, as the published frames have them."""
    frames = [bytes.fromhex(line.split(" ", 1)[1]) for line in check["expected"]]
    request = bytes.fromhex(check["inputs"]["request"])
    assert isotp.single(request)[: len(request) + 1] == frames[0][: len(request) + 1]
    assert isotp.clear_to_send()[:3] == frames[2][:3]
    assembler = isotp.Assembler()
    assert assembler.take(frames[1], 1) is None
    assert assembler.wants_flow_control
    messages = [assembler.take(frame, 2 + n) for n, frame in enumerate(frames[3:])]
    assert messages[-1] == isotp.Message(
        bytes.fromhex(check["inputs"]["response"]), 1, 1 + len(messages)
    )


def test_several_parameters_of_one_answer():
    (check,) = [c for c in CHECKS if c["id"] == "isotp.multipid.decode"]
    values = split(bytes.fromhex(check["inputs"]["payload_hex"])[1:])
    got = [
        PARAMETERS[pid].values[0].raw(data) * PARAMETERS[pid].values[0].scale
        + PARAMETERS[pid].values[0].offset
        for pid, data in values.items()
    ]
    assert got == pytest.approx(check["expected"], abs=1e-6)


@pytest.mark.parametrize(
    ("text", "expected"),
    [("300805", (0, 8, 5000)), ("310000", (1, 0, 0)), ("320000", (2, 0, 0)), ("1014", None)],
)
def test_flow_control(text, expected):
    # ISO 15765-2, as in the published list of frame heads
    assert isotp.flow_control(bytes.fromhex(text)) == expected


def test_full_scales_of_4f_and_50_rescale():
    """SAE J1979, from memory: 510 kPa full scale doubles parameter 0B, 0 changes nothing."""
    scales = {"4F": bytes([4, 16, 255, 51]), "50": bytes([131, 0, 0, 0])}
    assert 255 * rescaled(PARAMETERS[0x0B], scales).values[0].scale == pytest.approx(510)
    assert 65535 * rescaled(PARAMETERS[0x10], scales).values[0].scale == pytest.approx(1310)
    assert rescaled(PARAMETERS[0x24], scales).values[0].scale == pytest.approx(4 / 65536)
    assert rescaled(PARAMETERS[0x0B], {"4F": bytes(4)}) == PARAMETERS[0x0B]


def test_channel_names_are_unique_and_sound():
    streams = ObdCan(Config({f"{pid:02X}": 1.0 for pid in PARAMETERS}), {}).streams({})
    names = [channel.name for stream in streams for channel in stream.channels]
    assert len(set(names)) == len(names)
    assert all(channel.source for stream in streams for channel in stream.channels)


# --- what may leave


@pytest.mark.parametrize("service", range(256))
def test_only_reading_services_may_leave(service):
    reads = {1, 2, 3, 6, 7, 9, 10, 0x19, 0x1A, 0x21, 0x22, 0x81, 0x82}
    if service in reads:
        allowed.check(0x7E0, False, bytes([2, service, 0x20]))
    else:
        with pytest.raises(DeviceError, match=f"{service:02X}"):
            allowed.check(0x7E0, False, bytes([2, service, 0x20]))


WRITES = """02 10 03|02 10 02|02 3E 33|01 10|01 04|02 11 01|03 14 FF FF|04 2E F1 90 00|02 27 01
04 31 01 00 00|10 0A 22 F1 90 F1 91 F1|21 00|00|09 01 0C|"""


@pytest.mark.parametrize("text", WRITES.replace("\n", "|").split("|"))
def test_whatever_writes_unlocks_resets_or_clears_is_refused(text):
    with pytest.raises(DeviceError, match="7E0#"):
        allowed.check(0x7E0, False, bytes.fromhex(text))


@pytest.mark.parametrize("text", ["02 10 01", "02 3E 80", "30 00 00", "02 01 0C"])
def test_what_reads_passes(text):
    allowed.check(0x7DF, False, bytes.fromhex(text))
    allowed.check(0x18DA10F1, True, bytes.fromhex(text))


@pytest.mark.parametrize(
    ("identifier", "extended"), [(0x7E8, False), (0x123, False), (0x7DF, True)]
)
def test_no_other_identifier_leaves(identifier, extended):
    with pytest.raises(DeviceError, match="identifier"):
        allowed.check(identifier, extended, b"\x02\x01\x0c")


# --- the conversation


class Car:
    """ECUs and a conversation on one bus, in steps of a quarter of a millisecond."""

    def __init__(self, *ecus: Ecu, **keys: Any) -> None:
        self.ecus = ecus
        self.driver = ObdCan(Config(**keys), {})
        self.talk = self.driver.conversation()
        self.now_ns = 0
        self.chunks: list[Chunk] = []
        self.found: dict[str, Any] = {}
        self.notes: list[Any] = []
        self.do(self.talk.opened(0))

    def do(self, actions: Any) -> None:
        for action in actions:
            if isinstance(action, Send):
                frame = np.frombuffer(action.data, FRAME)[0]
                data = frame["data"][: frame["length"]].tobytes()
                allowed.check(int(frame["id"]), bool(frame["flags"] & FLAG_EXTENDED), data)
                self.chunks.append(Chunk(ChunkKind.TX, self.now_ns, action.data))
                for ecu in self.ecus:
                    ecu.receive(self.now_ns / SECOND_NS, Frame(int(frame["id"]), data))
            elif isinstance(action, Identified):
                self.found = dict(action.found)
            elif isinstance(action, Note):
                self.notes.append(action.content)

    def run(self, seconds: float) -> None:
        for _ in range(round(seconds * 4000)):
            self.now_ns += 250_000
            for ecu in self.ecus:
                for frame in ecu.step(self.now_ns / SECOND_NS):
                    self.hear(frame)
            wake = self.talk.next_wake_ns
            if wake is not None and wake <= self.now_ns:
                self.do(self.talk.wake(self.now_ns))

    def hear(self, frame: Frame) -> None:
        made = np.frombuffer(record(frame.identifier, False, frame.data), FRAME).copy()
        made["t_host"] = self.now_ns
        chunk = Chunk(ChunkKind.RX, self.now_ns, made.tobytes())
        self.chunks.append(chunk)
        self.do(self.talk.received(chunk))

    def rows(self, chunks: list[Chunk] | None = None, batch: int = 0) -> dict[str, list[Any]]:
        preface = Preface("obd_can", 1, {}, self.found, {"kind": "socketcan"})
        decoder = self.driver.decoder(preface)
        chunks = self.chunks if chunks is None else chunks
        step = batch or max(1, len(chunks))
        found: dict[str, list[Any]] = {}
        for n in range(0, len(chunks), step):
            for block in decoder.feed(chunks[n : n + step]):
                for name, raw in block.raw.items():
                    assert block.t_lo is not None
                    assert (block.t_lo <= block.t_hi).all()
                    found.setdefault(name, []).extend(zip(block.t_lo, block.t_hi, raw.tolist()))
        return found


def counter() -> Any:
    """A value that tells every time it is asked apart."""
    state = {"n": 0}

    def next_value() -> bytes:
        state["n"] += 1
        return (state["n"] % 65536).to_bytes(2, "big")

    return next_value


def engine(**keys: Any) -> Ecu:
    values = {0x0C: counter(), 0x0B: lambda: b"\x63", 0x0D: lambda: b"\x32", 0x05: lambda: b"\x7b",
              0x0F: lambda: b"\x41", 0x11: lambda: b"\x7f", 0x46: lambda: b"\x3c"}  # fmt: skip
    return Ecu(values, **keys)


SIX = {"0C": 50.0, "0B": 50.0, "0D": 50.0, "0F": 50.0, "11": 50.0, "05": 50.0}


def test_ecus_and_what_they_have_are_found():
    car = Car(engine(), Ecu({0x0D: lambda: b"\x31"}, answers=0x7E9), pids={"0C": 10.0, "46": 1.0})
    car.run(1.0)
    assert set(car.found["ecus"]) == {"7E8", "7E9"}
    assert {"0C", "46"} <= set(car.found["ecus"]["7E8"]["has"])
    assert car.found["asked"] == {"0C": "7E8", "46": "7E8"}


def test_values_and_their_bounds():
    car = Car(engine(), pids={"0C": 10.0, "05": 1.0})
    car.run(5.0)
    rows = car.rows()
    assert [raw for _, _, raw in rows["engine_speed"]] == list(
        range(1, len(rows["engine_speed"]) + 1)
    )
    assert len(rows["engine_speed"]) == pytest.approx(48, abs=4)
    assert {raw for _, _, raw in rows["coolant_temperature"]} == {0x7B}
    took = [(high - low) / 1e6 for low, high, _ in rows["engine_speed"]]
    assert max(took) < 10  # ms: the ECU's own 8 and a step


def test_several_at_once_are_at_least_three_times_as_fast():
    together, singly = Car(engine(), pids=SIX), Car(engine(), pids=SIX, together=False)
    for car in (together, singly):
        car.talk.rates = dict.fromkeys(car.talk.rates, 100.0)
        car.run(5.0)
    counts = [sum(map(len, car.rows().values())) for car in (together, singly)]
    assert counts[0] >= 3 * counts[1]


def test_an_ecu_that_answers_only_the_first_is_asked_singly():
    car = Car(engine(single=True), pids=SIX)
    car.run(3.0)
    counts = {name: len(rows) for name, rows in car.rows().items()}
    assert len(counts) == 6
    assert min(counts.values()) > 0.8 * max(counts.values())


def test_a_parameter_that_is_refused_costs_the_others_little():
    sound, spoilt = Car(engine(), pids=SIX), Car(engine(refuses=frozenset({0x0B})), pids=SIX)
    for car in (sound, spoilt):
        car.run(10.0)
    good, bad = sound.rows(), spoilt.rows()
    assert "manifold_pressure" not in bad
    for name in set(good) - {"manifold_pressure"}:
        assert len(bad[name]) > 0.9 * len(good[name])
    assert any("sub-function not supported" in str(note) for note in spoilt.notes)


def test_an_unsupported_parameter_is_never_asked():
    ecu = engine()
    car = Car(ecu, pids={"0C": 10.0, "5C": 10.0})
    car.run(2.0)
    assert car.found["asked"] == {"0C": "7E8"}
    assert not any(frame.data[2:3] == b"\x5c" for frame in ecu.heard)


def test_pending_is_waited_for():
    car = Car(engine(pending=3), pids={"0C": 5.0})
    car.run(4.0)
    assert len(car.rows()["engine_speed"]) > 5


def test_a_sleeping_ecu_is_probed_and_comes_back():
    ecu = engine(asleep=True)
    car = Car(ecu, pids={"0C": 10.0})
    car.run(5.0)
    assert car.found == {}
    assert len(ecu.heard) <= 6  # a probe each second, no more
    assert len(car.notes) == 1
    assert "ignition" in str(car.notes)
    ecu.asleep = False
    car.run(3.0)
    assert len(car.rows()["engine_speed"]) > 10
    ecu.asleep = True
    car.run(10.0)
    ecu.asleep = False
    before = len(car.rows()["engine_speed"])
    car.run(3.0)
    assert len(car.rows()["engine_speed"]) > before


def test_a_late_answer_never_passes_for_the_next():
    """Answers that come after the next request give no row with that request's bounds."""
    car = Car(engine(answer_s=0.2), pids={"0C": 10.0, "0D": 10.0}, together=False)
    car.found = {"ecus": {}, "asked": {"0C": "7E8", "0D": "7E8"}}
    car.run(5.0)
    for name, rows in car.rows().items():
        assert all(high - low >= 199_000_000 for low, high, _ in rows), name


def test_rows_do_not_depend_on_how_chunks_are_fed():
    car = Car(engine(), pids=SIX)
    car.run(1.0)
    whole = car.rows()
    for batch in (1, 3, 17):
        assert car.rows(batch=batch) == whole


@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_damaged_frames_cost_no_crash_and_no_foreign_bounds(seed):
    rng = random.Random(seed)
    car = SPOILABLE
    spoilt = []
    for chunk in car.chunks:
        data = bytearray(chunk.data)
        if rng.random() < 0.1 and chunk.kind == ChunkKind.RX:
            data[24 + rng.randrange(8)] ^= rng.randrange(1, 256)
        if rng.random() > 0.03:
            spoilt.append(chunk._replace(data=bytes(data)))
    for rows in car.rows(spoilt).values():
        assert all(0 <= high - low <= 6 * SECOND_NS for low, high, _ in rows)


SPOILABLE = Car(engine(), pids=SIX)
SPOILABLE.run(1.0)


@given(st.lists(st.tuples(st.integers(0x7DF, 0x7EF), st.binary(max_size=8)), max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_frames_are_survived(frames):
    car = Car(pids={"0C": 10.0})
    for number, (identifier, data) in enumerate(frames):
        car.now_ns = number * 1_000_000
        car.hear(Frame(identifier, data))
    car.rows()


@pytest.mark.parametrize("pids", [{}, {"0Z": 1.0}, {"FF": 1.0}])
def test_wrong_parameters_are_named(pids):
    from daq.config import load

    with pytest.raises(ConfigError, match="pids"):
        load(Config, {"pids": pids})


def test_can_isotp_as_a_peer_understands_our_flow_control():
    """The can-isotp package as ECU: a long answer passes in both directions."""
    isotp_peer = pytest.importorskip("isotp")
    to_peer: list[Any] = []
    from_peer: list[Any] = []
    peer = isotp_peer.TransportLayerLogic(
        rxfn=lambda timeout: to_peer.pop(0) if to_peer else None,
        txfn=from_peer.append,
        address=isotp_peer.Address(txid=0x7E8, rxid=0x7E0),
        params={"blocking_send": False},
    )
    peer.send(bytes.fromhex("410C1AF80D320B630F41117F057B"))
    assembler, message = isotp.Assembler(), None
    for step in range(50):
        peer.process()
        while from_peer:
            frame = from_peer.pop(0)
            message = assembler.take(bytes(frame.data), step) or message
            if assembler.wants_flow_control:
                to_peer.append(
                    isotp_peer.CanMessage(arbitration_id=0x7E0, data=isotp.clear_to_send())
                )
    assert message is not None
    assert message.data.hex().upper() == "410C1AF80D320B630F41117F057B"


# --- the contract


class EcuOnALine(SerialDevice):
    """An ECU behind an slcan adapter on a pseudo-terminal."""

    period_s = 0.001

    def __init__(self) -> None:
        super().__init__()
        self.number = 0
        self.ecu = Ecu({0x0C: self._speed, 0x0D: self._road_speed}, answer_s=0.002)
        self._commands = b""

    def step(self, now_ns: int) -> bytes:
        frames = self.ecu.step(now_ns / SECOND_NS)
        return b"".join(slcan_line(f.identifier, False, f.data) for f in frames)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        *commands, self._commands = (self._commands + request).split(b"\r")
        for frame in slcan.split(bytearray(b"\r".join(commands) + b"\r")).frames:
            data = frame["data"][: frame["length"]].tobytes()
            self.ecu.receive(monotonic_ns() / SECOND_NS, Frame(int(frame["id"]), data))
        return b"\r" * len(commands)

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

    def make(self) -> ObdCan:
        made = super().make()
        made.wire = self.wire
        return made

    def simulated(self) -> EcuOnALine:
        return EcuOnALine()


# --- recordings of real cars


def test_recorded_session_of_another_tester(shared):
    """Both ECUs answer each functional 0100, and each answer's request is found."""
    from daq.recordings import read_recording

    path = shared / "obd/isotp_diagnostic_session.log"
    driver = ObdCan(Config({"0C": 1.0}), {})
    decoder = driver.decoder(Preface("obd_can", 1, {}, {}, {"kind": "socketcan"}))
    decoder.feed(list(read_recording(path, "can1").chunks()))
    answers = [line.split()[2] for line in path.read_text().splitlines()]
    both = [sum(a.startswith(f"{name}#0641") for a in answers) for name in ("7EB", "7EC")]
    assert decoder.report()["answers"] == sum(both)
    assert decoder.report()["unasked"] == 0
    assert min(both) > 100


def test_recorded_negative_answers_are_told_apart(shared):
    """Codes of the recording's description: 11 12 21 22 31 7F, and 14 times 78 (pending)."""
    parts: dict[str, isotp.Assembler] = {}
    codes: dict[int, int] = {}
    for line in (shared / "obd/isotp_diagnostic_session.log").read_text().splitlines():
        name, _, data = line.split()[2].partition("#")
        message = parts.setdefault(name, isotp.Assembler()).take(bytes.fromhex(data), 0)
        found = refusal(message.data) if message and len(message.data) == 3 else None
        if found:
            codes[found[1]] = codes.get(found[1], 0) + 1
    assert codes[0x78] == 14
    named = {0x11, 0x12, 0x21, 0x22, 0x31, 0x7F}
    assert named <= set(codes)
    assert set(codes) - named - {0x78} <= {0x00}  # one ECU answers with a code of 0


def test_recorded_trip_polled_again_value_for_value(shared):
    """Answers of a real trip, asked through the simulated ECU: the same bytes at their polls."""
    with (shared / "obd/kit/trip_a.poll.csv").open() as file:
        polls = [(row["pid"], bytes.fromhex(row["data_hex"])) for row in csv.DictReader(file)]
    told = {pid: [data for p, data in polls if p == pid][:40] for pid in ("0B", "0C", "0D", "05")}
    position = dict.fromkeys(told, 0)

    def teller(pid: str) -> Any:
        def tell() -> bytes:
            position[pid] = min(position[pid] + 1, len(told[pid]))
            return told[pid][position[pid] - 1]

        return tell

    car = Car(Ecu({int(pid, 16): teller(pid) for pid in told}), pids=dict.fromkeys(told, 10.0))
    car.run(3.5)
    rows = car.rows()
    names = {"0B": "manifold_pressure", "0C": "engine_speed", "0D": "vehicle_speed",
             "05": "coolant_temperature"}  # fmt: skip
    for pid, name in names.items():
        got = [raw for _, _, raw in rows[name]]
        assert len(got) > 20
        assert got == [int.from_bytes(data, "big") for data in told[pid]][: len(got)]
