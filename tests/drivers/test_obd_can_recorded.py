"""Recordings of real cars: a diagnostic session of another tester, and trips polled again.

Source: shared data, obd/ (isotp_diagnostic_session.log; kit/, KIT Automotive OBD-II Dataset).
"""

from __future__ import annotations

import csv
import re
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from daq.clock import SECOND_NS
from daq.driver import Block, Chunk, ChunkKind, Preface
from daq.recordings import read_recording
from daq.simulate.ecu import Ecu, Frame
from daq.wire.isotp import Assembler, single
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.bus import record, refusal

sys.path.insert(0, str(Path(__file__).parent))

from obd_car import WIRE, Car, received

pytestmark = pytest.mark.shared
SESSION = "obd/isotp_diagnostic_session.log"


# --- another tester's session


def lines(shared: Path) -> list[str]:
    return [line.split()[2] for line in (shared / SESSION).read_text().splitlines()]


def listened(shared: Path, source: str = "") -> tuple[list[Block], dict[str, object]]:
    driver = ObdCan(Config({"0C": 1.0, "01": 1.0}), {})
    found = {"asked": {"01": source}} if source else {}
    decoder = driver.decoder(Preface("obd_can", 1, {}, found, WIRE))
    blocks = decoder.feed(list(read_recording(shared / SESSION, "can1").chunks()))
    return blocks, dict(decoder.report())


def test_both_ecus_answers_find_their_requests(shared):
    """Each answer of service 01, counted in the text of the recording, and none is unasked."""
    _, report = listened(shared)
    told = Counter(name for name, _, data in (line.partition("#") for line in lines(shared))
                   if data[2:4] == "41")  # fmt: skip
    assert set(told) == {"7EB", "7EC"}
    assert min(told.values()) > 300
    assert report["answers"] == sum(told.values())
    assert report["unasked"] == 0
    assert report["frames_bad"] == 0


def test_negative_and_pending_answers_are_told_apart(shared):
    """Codes as the recording's description has them: 11 12 21 22 31 7F, and 14 times 78."""
    parts: dict[str, Assembler] = {}
    codes: Counter[int] = Counter()
    for line in lines(shared):
        name, _, data = line.partition("#")
        message = parts.setdefault(name, Assembler()).take(bytes.fromhex(data), 0)
        found = refusal(message.data) if message and len(message.data) == 3 else None
        if found:
            codes[found[1]] += 1
    assert codes[0x78] == 14
    named = {0x11, 0x12, 0x21, 0x22, 0x31, 0x7F}
    assert named <= set(codes)
    assert set(codes) - named - {0x78} == {0x00}  # one ECU answers with a code of 0


def test_refusals_of_those_who_answer_obd_are_counted(shared):
    _, report = listened(shared)
    told = [m[1] for line in lines(shared) if (m := re.match(r"7E[8-F]#037F..(..)", line))]
    assert report["pending"] == told.count("78")
    assert report["refused"] == len(told) - told.count("78") > 40


# --- trips

TRIPS = ("trip_a", "trip_b", "trip_c", "trip_e", "trip_accelerations")
COLUMNS = {
    "05": 1,
    "0B": 2,
    "0C": 3,
    "0D": 4,
    "0F": 5,
    "10": 6,
    "11": 7,
    "46": 8,
    "49": 9,
    "4A": 10,
}
DELAY_NS = 30_000_000


class Poll(NamedTuple):
    """An answer of the trip, and the value that its recorder made of it."""

    t_ns: int
    pid: str
    data: bytes
    value: float


def polls(shared: Path, trip: str) -> Iterator[Poll]:
    folder = shared / "obd/kit"
    with (folder / f"{trip}.poll.csv").open() as bytes_, (folder / f"{trip}.csv").open() as values:
        texts = csv.reader(values)
        next(texts)
        begun = None
        for row, text in zip(csv.DictReader(bytes_), texts, strict=True):
            clock = datetime.strptime(text[0], "%H:%M:%S.%f")
            begun = begun or clock
            t_s = float(row["t_s"])
            assert (clock - begun).total_seconds() == pytest.approx(t_s, abs=1e-3)
            value = float(text[COLUMNS[row["pid"]]])
            t_ns = SECOND_NS + round(t_s * 1000) * 1_000_000
            yield Poll(t_ns, row["pid"], bytes.fromhex(row["data_hex"]), value)


@pytest.mark.parametrize("trip", TRIPS)
def test_a_trip_polled_again_value_for_value_at_its_times(shared, trip):
    """Every answer comes through the simulated ECU at its time; values as its recorder has them."""
    told: dict[str, bytes] = {}
    pids = {pid: (lambda pid=pid: told[pid]) for pid in COLUMNS}
    ecu = Ecu({int(pid, 16): tell for pid, tell in pids.items()}, answer_s=DELAY_NS / SECOND_NS)
    driver = ObdCan(Config(dict.fromkeys(COLUMNS, 1.0)), {})
    decoder = driver.decoder(Preface("obd_can", 1, {}, {}, WIRE))
    scales = {stream.name: stream.channels[0] for stream in driver.streams({}) if stream.channels}
    wanted: dict[str, list[Poll]] = {}
    chunks: list[Chunk] = []
    before = 0
    for poll in polls(shared, trip):
        if poll.t_ns < before:  # the recorder's clock went back: nobody can have recorded that
            chunks.append(Chunk(ChunkKind.NOTE, before, b'{"note": "opened"}'))
            ecu = Ecu(ecu.values, answer_s=ecu.answer_s)
        before = poll.t_ns
        told[poll.pid] = poll.data
        asked = single(bytes([1, int(poll.pid, 16)]))
        asked_ns = poll.t_ns - DELAY_NS
        chunks.append(Chunk(ChunkKind.TX, asked_ns, record(0x7E0, False, asked)))
        ecu.receive(asked_ns / SECOND_NS, Frame(0x7E0, asked))
        frames = ecu.step(poll.t_ns / SECOND_NS + 1e-6)
        assert len(frames) == 1
        chunks.append(received(poll.t_ns, frames[0]))
        wanted.setdefault(f"pid_{poll.pid.lower()}", []).append(poll)
    got: dict[str, list[Block]] = {}
    for n in range(0, len(chunks), 999):
        for block in decoder.feed(chunks[n : n + 999]):
            got.setdefault(block.stream, []).append(block)
    assert set(got) == set(wanted)
    for name, its in wanted.items():
        channel = scales[name]
        raw = np.concatenate([block.raw[channel.name] for block in got[name]])
        values = raw * channel.scale + channel.offset
        assert np.abs(values - [poll.value for poll in its]).max() <= 0.0501, "one decimal place"
        times = [poll.t_ns for poll in its]
        assert np.concatenate([block.t_hi for block in got[name]]).tolist() == times
        low = np.concatenate([block.t_lo for block in got[name] if block.t_lo is not None])
        assert (low == np.array(times) - DELAY_NS).all()


def test_hard_accelerations_asked_by_our_own_conversation(shared):
    """The trip's values change at its times; each of our values is one of its row's interval."""
    trip: dict[str, list[tuple[int, bytes]]] = {}
    for poll in polls(shared, "trip_accelerations"):
        if poll.t_ns > 60 * SECOND_NS:
            break
        trip.setdefault(poll.pid, []).append((poll.t_ns, poll.data))
    position = dict.fromkeys(trip, 0)

    def tell(pid: str) -> bytes:
        known = trip[pid]
        while position[pid] + 1 < len(known) and known[position[pid] + 1][0] <= car.now_ns:
            position[pid] += 1
        return known[position[pid]][1]

    ecu = Ecu({int(pid, 16): (lambda pid=pid: tell(pid)) for pid in trip})
    car = Car(ecu, pids=dict.fromkeys(trip, 10.0))
    car.run(60.0)
    rows = car.rows()
    for stream in car.driver.streams(car.found):
        channel, known = stream.channels[0].name, trip[stream.name[4:].upper()]
        times = np.array([t for t, _ in known])
        numbers = [int.from_bytes(data, "big") for _, data in known]
        assert len(rows[channel]) > 550
        for low, high, raw in rows[channel]:
            first = max(0, int(np.searchsorted(times, low, side="right")) - 1)
            last = max(1, int(np.searchsorted(times, high, side="right")))
            assert raw in numbers[first:last]
