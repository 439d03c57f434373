"""The OBD decoder: bounds that hold, late answers, any cut of the record, damage."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.driver import Chunk, ChunkKind, Preface
from daq.errors import DeviceError
from daq.simulate.ecu import Ecu, Frame
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.answers import HEARD_NS, ObdDecoder
from drivers.obd_can.bus import record

sys.path.insert(0, str(Path(__file__).parent))

from obd_car import SIX, WIRE, Car, engine, received, rows_of

MS = 1_000_000


def decoder(*pids: str, found: Any = None) -> ObdDecoder:
    return ObdCan(Config(dict.fromkeys(pids, 1.0)), {}).decoder(
        Preface("obd_can", 1, {}, found or {}, WIRE)
    )


def asked(t_ms: int, text: str, identifier: int = 0x7E0) -> Chunk:
    data = bytes.fromhex(text)
    return Chunk(ChunkKind.TX, t_ms * MS, record(identifier, False, bytes([len(data)]) + data))


def heard(t_ms: int, text: str, identifier: int = 0x7E8) -> Chunk:
    data = bytes.fromhex(text)
    return received(t_ms * MS, Frame(identifier, bytes([len(data)]) + data))


def bounds(*chunks: Chunk, pids: tuple[str, ...] = ("0C", "0D")) -> dict[str, list[Any]]:
    rows = rows_of(decoder(*pids).feed(chunks))
    return {
        name: [(low // MS, high // MS, raw) for low, high, raw in its] for name, its in rows.items()
    }


# --- which request an answer belongs to


def test_an_answer_belongs_to_the_request_for_its_parameter():
    assert bounds(
        asked(0, "010C"), asked(120, "010D"), heard(200, "410C0001"), heard(210, "410D02")
    ) == {"engine_speed": [(0, 200, 1)], "vehicle_speed": [(120, 210, 2)]}


def test_of_equal_requests_the_earliest_open_one_bounds_the_value():
    assert bounds(asked(0, "010C"), asked(100, "010C"), heard(150, "410C0001")) == {
        "engine_speed": [(0, 150, 1)]
    }


def test_an_answer_settles_what_was_asked_before():
    """ECUs answer in the order in which they are asked (common practice, no source)."""
    chunks = [asked(0, "010C"), asked(100, "0100"), heard(110, "4100BE1FA813")]
    assert bounds(*chunks, asked(120, "010C"), heard(130, "410C0001")) == {
        "engine_speed": [(120, 130, 1)]
    }


def test_a_refusal_settles_and_pending_does_not():
    chunks = [asked(0, "010C"), heard(5, "7F0112"), asked(10, "010C"), heard(20, "7F0178")]
    assert bounds(*chunks, heard(900, "410C0001")) == {"engine_speed": [(10, 900, 1)]}


def test_one_answer_gives_one_row():
    assert bounds(asked(0, "010C"), heard(5, "410C0001"), heard(6, "410C0002")) == {
        "engine_speed": [(0, 5, 1)]
    }


def test_an_ecu_may_answer_several_parameters_in_a_message_each():
    assert bounds(asked(0, "010C0D"), heard(5, "410C0001"), heard(6, "410D02")) == {
        "engine_speed": [(0, 5, 1)],
        "vehicle_speed": [(0, 6, 2)],
    }


@pytest.mark.parametrize(
    "chunks",
    [
        [heard(5, "410C0001")],
        [asked(0, "010D"), heard(5, "410C0001")],
        [asked(0, "010C", 0x7E1), heard(5, "410C0001")],
        [asked(0, "090C"), heard(5, "410C0001")],
        [asked(0, "010C"), heard(12_000, "410C0001")],
        [asked(10, "010C"), heard(5, "410C0001")],
    ],
)
def test_what_nobody_asked_gives_no_row(chunks):
    decodes = decoder("0C", "0D")
    assert decodes.feed(chunks) == []
    assert decodes.report()["unasked"] == 1


def test_requests_of_another_tester_count_from_when_they_can_have_been_sent():
    chunks = [heard(100, "010C", 0x7DF), heard(110, "410C0001"), heard(112, "410C0002", 0x7E9)]
    low = 100 - HEARD_NS // MS
    assert bounds(*chunks) == {"engine_speed": [(low, 110, 1)]}  # one source: the first
    kept = decoder("0C", found={"asked": {"0C": "7E9"}}).feed(chunks)
    assert rows_of(kept)["engine_speed"] == [(low * MS, 112 * MS, 2)]


def test_what_came_before_a_break_answers_nothing_after_it():
    note = Chunk(ChunkKind.NOTE, 3 * MS, b'{"note": "opened"}')
    decodes = decoder("0C")
    assert decodes.feed([asked(0, "010C"), note, heard(5, "410C0001")]) == []
    (block,) = decodes.feed([asked(10, "010C"), heard(15, "410C0001")])
    assert block.segment == 1


def test_another_record_version_is_refused():
    with pytest.raises(DeviceError, match="version 2"):
        ObdCan(Config({"0C": 1.0}), {}).decoder(Preface("obd_can", 2))


# --- late answers, with the whole conversation


@pytest.mark.parametrize("lateness_s", [0.15, 0.201, 0.25, 0.3, 0.39, 0.41, 0.5])
def test_a_late_answer_never_passes_for_the_next(lateness_s):
    """Each value is drawn when the ECU answers: it must lie within the bounds of its row."""
    drawn: dict[int, int] = {}

    def draw() -> bytes:
        drawn[len(drawn) + 1] = car.now_ns
        return len(drawn).to_bytes(2, "big")

    ecu = Ecu({0x0C: draw}, answer_s=0.004)
    car = Car(ecu, pids={"0C": 10.0})
    car.run(1.0)
    before = len(drawn)
    for _ in range(4):
        ecu.answer_s = lateness_s
        car.run(0.11)
        ecu.answer_s = 0.004
        car.run(1.0)
    rows = car.rows()["engine_speed"]
    assert len(rows) > before + 20
    assert len({raw for _, _, raw in rows}) == len(rows)
    for low, high, raw in rows:
        # the ECU draws the value when the request comes: not before it left
        assert low <= drawn[raw] <= high
    usual = [high - low for low, high, _ in rows]
    assert sorted(usual)[len(usual) // 2] < 6 * MS, "bounds are tight again"


def test_an_answer_that_is_lost_costs_the_next_nothing_of_its_bounds():
    """A sign of life lies between equal requests, so each answer has one request it can be of."""
    ecu = engine(answer_s=0.004)
    car = Car(ecu, pids={"0C": 20.0})
    car.run(1.0)
    for _ in range(3):
        while not ecu._due:
            car.run(0.0005)
        ecu._due.clear()
        car.run(1.0)
    rows = car.rows()["engine_speed"]
    assert len(rows) > 60
    assert max(high - low for low, high, _ in rows) < 6 * MS


def test_an_ecu_that_is_always_slower_than_we_wait_still_gives_values():
    car = Car(engine(answer_s=0.25), pids={"0C": 10.0, "0D": 10.0})
    car.run(8.0)
    rows = car.rows()
    assert min(len(its) for its in rows.values()) >= 5
    assert all(high - low >= 249 * MS for its in rows.values() for low, high, _ in its)


# --- cuts and damage


def test_rows_do_not_depend_on_how_chunks_are_fed():
    whole = SPOILABLE.rows()
    assert min(len(rows) for rows in whole.values()) > 20
    for batch in (1, 3, 17):
        assert SPOILABLE.rows(batch=batch) == whole


def test_rows_do_not_depend_on_how_records_are_chunked():
    joined: list[Chunk] = []
    for chunk in SPOILABLE.chunks:
        if joined and joined[-1].kind == chunk.kind == ChunkKind.RX:
            joined[-1] = chunk._replace(data=joined[-1].data + chunk.data)
        else:
            joined.append(chunk)
    assert len(joined) < len(SPOILABLE.chunks)
    assert SPOILABLE.rows(joined) == SPOILABLE.rows()


@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_damage_costs_only_what_it_touches_and_gives_no_foreign_bounds(seed):
    rng = random.Random(seed)
    true = {name: set(rows) for name, rows in SPOILABLE.rows().items()}
    kept, lost = [], 0
    for chunk in SPOILABLE.chunks:
        if chunk.kind == ChunkKind.RX and rng.random() < 0.05:
            lost += 1
            continue
        kept.append(chunk)
    rows = SPOILABLE.rows(kept)
    for name, its in rows.items():
        for low, high, raw in its:
            tight = [t for t in true[name] if t[1:] == (high, raw)]
            assert tight, "every row is a true one"
            assert low <= tight[0][0], "its bounds at most wider"
    missing = sum(map(len, true.values())) - sum(map(len, rows.values()))
    assert missing <= 6 * lost


@given(st.integers(0, 2**32))
@settings(max_examples=60, deadline=None)
def test_flipped_bytes_are_survived(seed):
    rng = random.Random(seed)
    spoilt = []
    for chunk in SPOILABLE.chunks:
        data = bytearray(chunk.data)
        if rng.random() < 0.1:
            data[rng.randrange(16, 32)] ^= rng.randrange(1, 256)
        spoilt.append(chunk._replace(data=bytes(data)))
    for rows in SPOILABLE.rows(spoilt).values():
        assert all(high - low <= 12_000 * MS for low, high, _ in rows)


SPOILABLE = Car(engine(), pids=SIX)
SPOILABLE.run(1.5)


@given(
    st.lists(
        st.tuples(st.sampled_from([0, 1, 2, 3, 9]), st.integers(0, 2**40), st.binary(max_size=80)),
        max_size=12,
    )
)
@settings(max_examples=150, deadline=None)
@pytest.mark.parametrize("kind", ["slcan", "socketcan"])
def test_any_bytes_are_survived(kind, chunks):
    driver = ObdCan(Config({"0C": 1.0, "68": 1.0}), {})
    decodes = driver.decoder(Preface("obd_can", 1, {}, {}, {"kind": kind, "bitrate": 500_000}))
    talk = driver.conversation()
    for number, t_ns, data in chunks:
        chunk = Chunk(number, t_ns, data)
        list(talk.received(chunk))
        decodes.feed([chunk])
    decodes.report()
