"""The pulse-and-analogue unit: page, driver and simulated firmware agree; the contract holds."""

from __future__ import annotations

import math
import random
import re
import struct
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import SECOND_NS, monotonic_ns
from daq.driver import Chunk, ChunkKind, Identified, Note, Preface, Send
from daq.errors import DeviceError
from daq.simulate.pulse_unit import InputGroup, Signals, SimulatedUnit, UnitConfig
from daq.testing import DriverContract, SerialDevice
from daq.testing.faults import cut
from daq.testing.rows import malformed, tables
from drivers.pulse_unit import PulseUnit
from drivers.pulse_unit.framing import frame, open_code
from drivers.pulse_unit.hello import Config

PAGE = Path(__file__).resolve().parents[2] / "drivers" / "pulse_unit.md"
if not PAGE.exists():  # the sources are not here: the page lies in the installed package
    import drivers

    PAGE = Path(drivers.__file__).parent / "pulse_unit.md"
GROUP = InputGroup(("ai1", "supply"))
SMALL = UnitConfig(analogue=(GROUP,), digital_inputs=2)


def found(config: UnitConfig = SMALL) -> dict[str, Any]:
    """What a conversation finds at a unit of this configuration."""
    unit = SimulatedUnit(config)
    talk = PulseUnit(Config(digital_inputs=2), {}).conversation()
    actions = list(talk.opened(0))
    for step in range(400):
        for action in actions:
            if isinstance(action, Identified):
                return dict(action.found)
            if isinstance(action, Send):
                unit.receive(action.data)
        data = unit.step(0.001, Signals())
        now = (step + 1) * 1_000_000
        actions = list(talk.received(Chunk(ChunkKind.RX, now, data))) if data else []
        actions += list(talk.wake(now))
    raise AssertionError("the unit was not identified")


FOUND = found()


def decoder(what: dict[str, Any] = FOUND) -> Any:
    driver = PulseUnit(Config(digital_inputs=2), {})
    return driver.decoder(Preface("pulse_unit", 1, {}, what, {"byte_ns": 0.0}))


def streams() -> Any:
    return PulseUnit(Config(digital_inputs=2), {}).streams(FOUND)


def rows(chunks: list[Chunk], batch: int = 0, used: Any = None) -> dict[str, list[Any]]:
    """Rows of every stream as tuples of (segment, values)."""
    used = used or decoder()
    step = batch or max(1, len(chunks))
    blocks = [b for n in range(0, len(chunks), step) for b in used.feed(chunks[n : n + step])]
    assert malformed(streams(), blocks) == []
    return {name: table.rows for name, table in tables(streams(), blocks).items() if table.rows}


def drive(unit: SimulatedUnit, seconds: float, begin_ns: int = 0) -> list[Chunk]:
    """Everything the unit sends while its roller turns and its engine runs."""
    chunks = []
    for _ in range(round(seconds * 1000)):
        t = unit.now_s + 0.001
        sparks = [k / 100 for k in range(math.floor(unit.now_s * 100) + 1, math.floor(t * 100) + 1)]
        signals = Signals(
            encoder=(2000 * t + 300 * math.sin(t),),
            analogue={"ai1": 2.5 + math.sin(7 * t), "supply": 5.0},
            ignition_s=sparks,
            digital=int(t * 5) % 4,
        )
        if data := unit.step(0.001, signals):
            now = begin_ns + round(unit.now_s * SECOND_NS)
            chunks.append(Chunk(ChunkKind.RX, now, data))
    return chunks


# --- the page


def examples() -> list[tuple[str, bytes, bytes, str]]:
    """Name, body and line bytes of each worked example of the page, and its CRC."""
    found = []
    for line in PAGE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.split("|")[1:-1]]
        if len(cells) == 5 and re.fullmatch(r"`[0-9A-F]{8}`", cells[3]):
            name, header, payload, crc, wire = (cell.strip("`") for cell in cells)
            body = bytes.fromhex(header.replace(" ", "") + payload.replace("–", ""))
            found.append((name, body, bytes.fromhex(wire), crc))
    return found


EXAMPLES = examples()


def test_the_page_has_an_example_of_every_kind():
    assert len(EXAMPLES) == 11


@pytest.mark.parametrize(("name", "body", "wire", "crc"), EXAMPLES, ids=[e[0] for e in EXAMPLES])
def test_worked_example(name, body, wire, crc):
    """Against zlib and the cobs package as independent judges."""
    import zlib

    assert zlib.crc32(body).to_bytes(4, "little").hex().upper() == crc
    assert wire == b"\0" + cobs.encode(body + bytes.fromhex(crc)) + b"\0"
    assert open_code(wire.strip(b"\0")) == body


def example(name: str) -> bytes:
    return next(wire for title, _, wire, _ in EXAMPLES if title.startswith(name))


def test_requests_of_the_driver_are_the_page_s():
    assert frame(0x81, 1) == example("ask hello")
    assert frame(0x82, 2, (81_000_000_000).to_bytes(8, "little")) == example("ask echo")
    assert frame(0x83, 3, struct.pack("<BBH", 3, 1, 2000)) == example("set outputs")


def test_page_examples_decode_to_what_the_page_says():
    told = found_by_page()
    used = decoder(told)
    wires = [wire for name, _, wire, _ in EXAMPLES if not name.startswith(("ask", "set", "hello"))]
    chunks = [Chunk(ChunkKind.RX, 82 * SECOND_NS + n, wire) for n, wire in enumerate(wires)]
    blocks = used.feed(chunks)
    kinds = {block.stream: block for block in blocks}
    assert kinds["ignition"].raw["ignition_edge"].tolist() == [1, 2]
    assert np.diff(kinds["ignition"].index).tolist() == [272]
    counts = [b.raw["encoder_1_count"].tolist() for b in blocks if b.stream == "encoder_1"]
    assert [count for part in counts for count in part] == [5, 4, -1]
    assert kinds["analogue_1"].raw["ai1"].tolist() == [0x0123, 0x0124]
    assert kinds["digital"].raw["di2"].tolist() == [1]


def found_by_page() -> dict[str, Any]:
    talk = PulseUnit(Config(), {}).conversation()
    talk.opened(0)
    for action in talk.received(Chunk(ChunkKind.RX, 1, example("hello"))):
        if isinstance(action, Identified):
            return dict(action.found)
    raise AssertionError("the page's hello identifies nobody")


# --- values


def test_counts_edges_and_voltages_are_those_of_the_signals():
    unit = SimulatedUnit(SMALL, seed=1)
    got = rows(drive(unit, 2.0))
    counts = np.array([row[0] for row in got["encoder_1"]])
    at = np.arange(1, len(counts) + 1) * 1e-3  # samples fall on whole milliseconds of its clock
    assert np.abs(counts - np.floor(2000 * at + 300 * np.sin(at))).max() <= 1
    edges = np.array([row[1] for row in got["encoder_1"]]) * 1e-6
    reached = 2000 * edges + 300 * np.sin(edges)
    assert np.abs(reached - counts)[10:].max() < 0.02  # the count was reached at its edge's tick
    assert [row[0] for row in got["ignition"]] == list(range(1, len(got["ignition"]) + 1))
    volts = np.array([row[0] for row in got["analogue_1"]]) * 5.5 / 4096
    assert np.abs(volts - (2.5 + np.sin(7 * at[: len(volts)]))).max() < 0.012
    assert {row[1] for row in got["analogue_1"]} == {math.floor(5.0 / 5.5 * 4096)}


def test_ticks_run_on_over_their_wrap():
    late = UnitConfig(analogue=(GROUP,), digital_inputs=2, first_tick=2**32 - 500_000)
    blocks = decoder().feed(drive(SimulatedUnit(late, seed=1), 2.0))
    ticks = np.concatenate([b.index for b in blocks if b.stream == "encoder_1"])
    assert set(np.diff(ticks)) == {1000}
    assert {b.segment for b in blocks} == {0}


def test_a_reset_begins_a_segment_and_is_counted():
    unit = SimulatedUnit(SMALL, seed=1)
    chunks = drive(unit, 0.5)
    unit.reset()
    chunks += drive(unit, 0.5)
    used = decoder()
    blocks = used.feed(chunks)
    assert [b.segment for b in blocks if b.stream == "encoder_1"] == [0, 1]
    assert used.report()["unit_resets"] == 1


def test_lost_frames_and_edges_are_counted():
    chunks = drive(SimulatedUnit(SMALL, seed=1), 1.0)
    used = decoder()
    used.feed(chunks[:5] + chunks[7:])
    report = used.report()
    assert report["frames_lost"] == chunks[5].data.count(b"\0\0") + 1 + (
        chunks[6].data.count(b"\0\0") + 1
    )
    assert report["ignition_edges_lost"] > 0


def test_a_frame_that_comes_twice_gives_its_rows_once():
    chunks = drive(SimulatedUnit(SMALL, seed=1), 0.5)
    doubled = [c for chunk in chunks for c in (chunk, chunk)]
    used = decoder()
    assert rows(doubled, used=used) == rows(chunks)
    assert used.report()["frames_late"] > 0


def test_kinds_of_later_versions_are_skipped():
    body = struct.pack("<BBHI", 0x77, 1, 0, 1000) + b"new"
    import zlib

    code = cobs.encode(body + zlib.crc32(body).to_bytes(4, "little"))
    used = decoder()
    assert used.feed([Chunk(ChunkKind.RX, 1, b"\0" + code + b"\0")]) == []
    assert used.report()["frames_unknown"] == 1


# --- fuzz

BYTES = drive(SimulatedUnit(SMALL, seed=2), 0.6)
WHOLE = rows(BYTES)


@given(st.integers(0, 2**32), st.integers(1, 500), st.integers(0, 50))
@settings(max_examples=60, deadline=None)
def test_any_cut_gives_the_same_rows(seed, longest, batch):
    assert rows(cut(BYTES, random.Random(seed), longest=longest), batch) == WHOLE


@given(st.binary(max_size=2000))
@settings(max_examples=200, deadline=None)
def test_noise_is_never_a_frame(noise):
    assert rows([Chunk(ChunkKind.RX, 1, noise)]) == {}


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_damage_costs_only_its_frame(data):
    """Flipped, dropped or inserted bytes: every row that comes is a true one, and few are gone."""
    whole = b"".join(chunk.data for chunk in BYTES)
    at = data.draw(st.integers(0, len(whole) - 1))
    kind = data.draw(st.sampled_from(["flip", "drop", "insert"]))
    byte = bytes([data.draw(st.integers(0, 255))])
    spoilt = {
        "flip": whole[:at] + bytes([whole[at] ^ (byte[0] or 1)]) + whole[at + 1 :],
        "drop": whole[:at] + whole[at + 1 :],
        "insert": whole[:at] + byte + whole[at:],
    }[kind]
    got = rows([Chunk(ChunkKind.RX, 10**9, spoilt)])
    clean = rows([Chunk(ChunkKind.RX, 10**9, whole)])
    for name, true in clean.items():
        there = got.get(name, [])
        assert set(there) <= set(true)
        assert len(true) - len(there) <= 51  # one frame holds 50 ms of samples


# --- conversation


def talk(**keys: Any) -> Any:
    return PulseUnit(Config(digital_inputs=2, **keys), {}).conversation()


def test_another_unit_than_configured_is_refused_by_name():
    speaking, unit = talk(serial_number="B7"), SimulatedUnit(SMALL)
    for action in speaking.opened(0):
        unit.receive(action.data)
    heard = b"".join(unit.step(0.001, Signals()) for _ in range(100))
    with pytest.raises(DeviceError, match=r"'SIM-0001'.*'B7'"):
        speaking.received(Chunk(ChunkKind.RX, 1_000_000, heard))


def test_a_line_that_says_something_else_is_told():
    speaking = talk()
    speaking.opened(0)
    speaking.received(Chunk(ChunkKind.RX, 1, b"AT\r\nOK\r\n"))
    for step in range(1, 4):
        speaking.wake(step * SECOND_NS)
    with pytest.raises(DeviceError, match="hello"):
        speaking.wake(4 * SECOND_NS)


def test_outputs_are_kept_on_and_go_off_by_themselves():
    unit, speaking = SimulatedUnit(SMALL), talk()
    unit.receive(b"".join(a.data for a in speaking.opened(0)))
    now = 0

    def pass_time(seconds: float, listen: bool = True) -> None:
        nonlocal now
        for _ in range(round(seconds * 1000)):
            now += 1_000_000
            data = unit.step(0.001, Signals())
            if listen:
                actions = list(speaking.received(Chunk(ChunkKind.RX, now, data))) if data else []
                actions += speaking.wake(now)
                unit.receive(b"".join(a.data for a in actions if isinstance(a, Send)))
                assert not [a for a in actions if isinstance(a, Note)]

    pass_time(0.3)
    unit.receive(b"".join(a.data for a in speaking.command("lamp", True, now)))
    pass_time(5.0)
    assert unit.lamp
    pass_time(3.0, listen=False)  # the PC is gone
    assert not unit.lamp


@pytest.mark.parametrize(("name", "value"), [("lamb", True), ("lamp", 3)])
def test_a_wrong_command_is_named(name, value):
    with pytest.raises(ValueError, match="lamp"):
        talk().command(name, value, 0)


# --- the contract


class Told(SimulatedUnit):
    """Says what it puts into each frame, before checksum, framing and line."""

    def __init__(self, config: UnitConfig, tell: Any) -> None:
        self.tell = tell
        super().__init__(config, seed=5)

    def _say(self, kind: int, payload: bytes, tick: int) -> None:
        for name, at, values in _told(kind, payload):
            self.tell(name, at, values)
        super()._say(kind, payload, tick)


def _told(kind: int, payload: bytes) -> list[tuple[str, int | None, dict[str, float]]]:
    """(stream, tick, values) of a payload, read by struct."""
    if kind == 5:
        return [
            ("ignition", t, {"ignition_edge": n}) for n, t in struct.iter_unpack("<II", payload)
        ]
    if kind == 4:
        return [
            ("digital", t, {"di1": v & 1, "di2": v >> 1 & 1, "digital_edge": n})
            for t, v, _, n in struct.iter_unpack("<IBBH", payload)
        ]
    if kind == 3:
        level, cause = payload[:2]
        values = {"lamp": level & 1, "buzzer": level >> 1, "output_cause": cause}
        return [("output", None, values)]
    if kind == 2:
        _, received, sent = struct.unpack("<QII", payload)
        return [("echo", received, {"echo_sent_tick": sent})]
    if kind not in (6, 16):
        return []
    first, names, form = struct.unpack_from("<I", payload)[0], ("ai1", "supply"), "<HH"
    if kind == 6:
        names, form = ("encoder_1_count", "encoder_1_edge_tick"), "<iI"
    samples = enumerate(struct.iter_unpack(form, payload[4:]))
    stream = "encoder_1" if kind == 6 else "analogue_1"
    return [(stream, first + 1000 * n, dict(zip(names, row))) for n, row in samples]


class UnitOnALine(SerialDevice):
    """The simulated firmware with a turning roller, on a pseudo-terminal."""

    def __init__(self) -> None:
        super().__init__()
        self.begin_ns = monotonic_ns()
        self.unit = Told(SMALL, self._tell)

    def step(self, now_ns: int) -> bytes:
        passed = (now_ns - self.begin_ns) / SECOND_NS - self.unit.now_s
        t = self.unit.now_s + passed
        first, last = math.floor(self.unit.now_s * 100), math.floor(t * 100)
        signals = Signals(
            encoder=(3000 * t,),
            analogue={"ai1": 2.5 + math.sin(5 * t), "supply": 5.0},
            ignition_s=[k / 100 for k in range(first + 1, last + 1)],
            digital=int(t * 8) % 4,
        )
        return self.unit.step(passed, signals)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        sent = self.step(now_ns)  # the unit's clock is brought to the moment of the request
        self.unit.receive(request)
        return sent

    def _tell(self, stream: str, tick: int | None, values: dict[str, float]) -> None:
        now_s = tick * 1e-6 if tick is not None else self.unit.now_s if self._thread else 0.0
        self.sampled(stream, self.begin_ns + round(now_s * SECOND_NS), **values)


class TestPulseUnitContract(DriverContract):
    driver = PulseUnit
    settings: ClassVar = {"digital_inputs": 2}
    capture_s = 1.2

    def simulated(self) -> UnitOnALine:
        return UnitOnALine()
