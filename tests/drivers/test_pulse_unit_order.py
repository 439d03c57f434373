"""The pulse-and-analogue unit when things go wrong: turns, jumps, gaps, loops, what an error says.

Frames are made here by struct, zlib and the cobs package, as drivers/pulse_unit.md lays them out.
"""

from __future__ import annotations

import json
import struct
import zlib
from typing import Any

import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.clock import SECOND_NS
from daq.driver import Chunk, ChunkKind, Note, Preface
from daq.errors import DeviceError
from daq.testing.rows import malformed
from drivers.pulse_unit import PulseUnit
from drivers.pulse_unit.hello import Config

TURN = 2**32
HELLO: dict[str, Any] = {
    "serial_number": "A1",
    "firmware": "x",
    "tick_hz": 1_000_000,
    "encoders": 1,
    "encoder_period_ticks": 1000,
    "analogue": [
        {"inputs": ["cell"], "period_ticks": 1000, "bits": 24, "full_scale_v": 2.0, "signed": True}
    ],
    "digital_inputs": 6,
}
DRIVER = PulseUnit(Config(), {})


def framed(kind: int, sequence: int, tick: int, payload: bytes, reset: int = 1) -> bytes:
    body = struct.pack("<BBHI", kind, reset, sequence % 65536, tick % TURN) + payload
    return b"\0" + cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"


def hello(resets: int = 1, version: int = 1, **changes: Any) -> bytes:
    text = json.dumps(HELLO | changes).encode()
    return framed(1, 0, 0, struct.pack("<BxxxI", version, resets) + text)


def pair(sequence: int, tick: int, count: int, edge: int) -> bytes:
    """An encoder frame of one sample, made a millisecond after it."""
    payload = struct.pack("<III", tick % TURN, count % TURN, edge % TURN)
    return framed(6, sequence, tick + 1000, payload)


def at(seconds: float, data: bytes) -> Chunk:
    return Chunk(ChunkKind.RX, round(seconds * SECOND_NS), data)


def decoder() -> Any:
    return DRIVER.decoder(Preface("pulse_unit", 1, found={"hello": HELLO}, wire={"byte_ns": 0.0}))


def encoder(blocks: list[Any]) -> list[tuple[int, int, int, int]]:
    """(segment, tick, count, edge tick) of each encoder row."""
    assert malformed(DRIVER.streams({"hello": HELLO}), blocks) == []
    return [
        (block.segment, *row)
        for block in blocks
        if block.stream == "encoder_1"
        for row in zip(
            block.index.tolist(),
            block.raw["encoder_1_count"].tolist(),
            block.raw["encoder_1_edge_tick"].tolist(),
        )
    ]


# --- ticks


@pytest.mark.parametrize("at_once", [True, False])
def test_a_roller_that_stands_for_hours_keeps_its_edge(at_once):
    """Three turns of the tick at standstill, a frame each 1,000 s; then it moves."""
    chunks = [at(n * 1000, pair(n, n * 1000_000_000 + 5000, 7, 4000)) for n in range(13)]
    chunks.append(at(12_001, pair(13, 12_001_000_000, 8, 12_000_999_000)))
    used = decoder()
    parts = [used.feed(chunks)] if at_once else [used.feed([chunk]) for chunk in chunks]
    rows = encoder([block for part in parts for block in part])
    assert [row[3] for row in rows] == [4000] * 13 + [12_000_999_000]
    assert [row[1] for row in rows[:13]] == [n * 1000_000_000 + 5000 for n in range(13)]
    assert {row[0] for row in rows} == {0}


def test_a_gap_may_last_many_turns():
    """The host's clock tells how many turns passed between two frames; 50 ppm apart."""
    gap_s = 5 * TURN // 1_000_000 + 700
    host_s = gap_s * (1 + 50e-6)
    rows = encoder(
        decoder().feed(
            [at(1, pair(0, 5000, 1, 4000)), at(1 + host_s, pair(9, gap_s * 1_000_000, 2, 4001))]
        )
    )
    assert [row[1] for row in rows] == [5000, gap_s * 1_000_000]


def test_an_edge_that_came_just_after_its_sample_is_not_a_turn_old():
    assert encoder(decoder().feed([at(1, pair(0, 50_000, 3, 50_007))])) == [(0, 50_000, 3, 50_007)]


def test_events_made_while_the_frame_was_made_are_not_a_turn_old():
    wire = framed(5, 0, 50_000, struct.pack("<IIII", 1, 49_000, 2, 50_004))
    (block,) = decoder().feed([at(1, wire)])
    assert block.index.tolist() == [49_000, 50_004]


def test_count_runs_on_over_its_turns_in_both_directions():
    counts = [2**31 - 2, 2**31 + 5, 2**31 - 1, 3, -4]
    wires = [pair(n, 5000 + 1000 * n, count, 4000 + n) for n, count in enumerate(counts)]
    got = [row[2] for row in encoder(decoder().feed([at(1, b"".join(wires))]))]
    assert got[:3] == counts[:3]
    # from 2^31 - 1 to 3 the shorter way is back, and -4 is 7 below
    assert got[3:] == [3, -4]


def test_signed_counts_of_24_bits():
    wire = framed(16, 0, 9000, struct.pack("<Iii", 1000, -(2**23), 2**23 - 1))
    (block,) = decoder().feed([at(1, wire)])
    assert block.raw["cell"].tolist() == [-(2**23), 2**23 - 1]
    assert block.index.tolist() == [1000, 2000]


# --- order


def test_a_clock_that_jumps_back_begins_a_segment_and_loses_no_frame():
    used = decoder()
    rows = encoder(
        used.feed([at(1, pair(0, 5_000_000, 1, 4000)), at(1.05, pair(1, 9000, 2, 8000))])
    )
    assert [(row[0], row[1]) for row in rows] == [(0, 5_000_000), (1, 9000)]
    assert used.report()["clock_breaks"] == 1
    assert used.report()["frames_lost"] == 0


def test_a_restart_with_the_same_reset_counter_is_not_taken_for_late_frames():
    used = decoder()
    before = [pair(5_000 + n, 10**9 + n * 50_000, n, 4000) for n in range(3)]
    after = [pair(n, 60_000 + n * 50_000, n, 4000) for n in range(3)]
    rows = encoder(used.feed([at(1, b"".join(before)), at(2, b"".join(after))]))
    assert [row[0] for row in rows] == [0, 0, 0, 1, 1, 1]
    assert used.report()["frames_late"] == 0


def test_sequence_number_turns_without_a_gap():
    used = decoder()
    used.feed([at(1, b"".join(pair(65_534 + n, 5000 + 1000 * n, n, 4000) for n in range(5)))])
    assert used.report()["frames_lost"] == 0


def test_our_own_requests_on_a_looped_line_disturb_nothing():
    used = decoder()
    mixed = [pair(0, 5000, 1, 4000), framed(0x82, 3, 0, bytes(8), 0), pair(1, 6000, 2, 5500)]
    rows = encoder(used.feed([at(1, b"".join(mixed))]))
    assert [row[:3] for row in rows] == [(0, 5000, 1), (0, 6000, 2)]
    assert used.report()["unit_resets"] == 0
    assert used.report()["frames_unknown"] == 1


def test_a_reopened_wire_begins_a_segment():
    used = decoder()
    note = Chunk(ChunkKind.NOTE, 2 * SECOND_NS, b'{"note": "opened"}')
    rows = encoder(used.feed([at(1, pair(7, 5000, 1, 4000)), note, at(3, pair(90, 4000, 2, 3000))]))
    assert [(row[0], row[1]) for row in rows] == [(0, 5000), (1, 4000)]
    assert used.report()["frames_lost"] == 0


def test_an_echo_of_another_clock_is_refused():
    used = decoder()
    token = struct.pack("<Q", 900 * SECOND_NS)
    assert used.feed([at(1, framed(2, 0, 500, token + struct.pack("<II", 400, 500)))]) == []
    assert used.report()["echoes_refused"] == 1


def test_an_echo_bounds_both_moments():
    token = struct.pack("<Q", SECOND_NS)
    wire = framed(2, 0, 500, token + struct.pack("<II", TURN - 50, 499))
    (block,) = decoder().feed([at(1.002, wire)])
    assert (block.t_lo.tolist(), block.t_hi.tolist()) == ([SECOND_NS], [1_002_000_000])
    assert (block.index.tolist(), block.raw["echo_sent_tick"].tolist()) == ([-50], [499])


@given(
    st.lists(
        st.tuples(
            st.sampled_from([1, 2, 3, 4, 5, 6, 16, 17, 0x77, 0x81]),
            st.integers(0, 3),
            st.integers(0, 65_535),
            st.integers(0, TURN - 1),
            st.binary(max_size=40),
        ),
        max_size=30,
    )
)
@settings(max_examples=300, deadline=None)
def test_whatever_a_faulty_firmware_sends_blocks_stay_well_formed(frames):
    """Sound checksums around senseless contents: nothing raises, nothing runs back."""
    wires = [framed(kind, seq, tick, body, reset) for kind, reset, seq, tick, body in frames]
    used = decoder()
    blocks = [b for n, wire in enumerate(wires) for b in used.feed([at(n, wire)])]
    assert malformed(DRIVER.streams({"hello": HELLO}), blocks) == []
    assert used.report()["frames_ok"] == len(frames)


# --- framing


def in_pieces(wire: bytes, size: int) -> Any:
    """A decoder that got *wire* in pieces of *size* bytes, and its encoder rows."""
    used = decoder()
    pieces = [wire[n : n + size] for n in range(0, len(wire), size)]
    blocks = [block for piece in pieces for block in used.feed([at(1, piece)])]
    return used, encoder(blocks)


@pytest.mark.parametrize("size", [1, 2, 7, 100])
def test_what_is_counted_does_not_depend_on_the_cut(size):
    frames = [pair(n, 5000 + 1000 * n, n, 4000) for n in range(6)]
    wire = b"\x05\0\0" + frames[0] + b"abc\0" + b"".join(frames[1:])
    whole, pieces = in_pieces(wire, len(wire))[0], in_pieces(wire, size)[0]
    assert pieces.report() == whole.report()
    assert (whole.report()["frames_ok"], whole.report()["frames_bad"]) == (6, 2)


@pytest.mark.parametrize("size", [1, 61, 5_000, 10_000])
def test_the_end_of_a_code_that_is_too_long_is_no_frame(size):
    """However it is cut: the frame's opening delimiter is lost in 5,000 bytes of noise."""
    wire = b"\x01" * 5000 + pair(0, 5000, 1, 4000)[1:] + pair(1, 6000, 2, 4500)
    used, rows = in_pieces(wire, size)
    assert [row[1] for row in rows] == [6000]
    assert used.report()["frames_bad"] == 1


# --- conversation


def opened(**keys: Any) -> Any:
    talk = PulseUnit(Config(**keys), {}).conversation()
    talk.opened(0)
    return talk


def wait(talk: Any, seconds: int) -> None:
    """Half-second beats without a byte."""
    for n in range(1, 2 * seconds + 1):
        talk.wake(n * SECOND_NS // 2)


def test_garbage_before_the_hello_is_tolerated():
    talk = opened()
    talk.received(at(0.1, bytes(range(256)) * 40))
    (identified,) = talk.received(at(0.2, hello()))
    assert identified.found["hello"]["serial_number"] == "A1"


@pytest.mark.parametrize(
    ("came", "told"),
    [
        (b"", r"not a byte came; is the unit powered"),
        (b"+0127.20 G S\r\n", r"14 bytes came, the first b'\+0127.* no valid frame.*baud"),
        (framed(0x81, 1, 0, b"", 0), r"only our own request came back; is TX looped"),
        (pair(0, 5000, 1, 4000), r"frames of kind 0x06 came; does our TX reach"),
    ],
)
def test_no_hello_tells_what_came_instead(came, told):
    talk = opened()
    if came:
        talk.received(at(0.1, came))
    with pytest.raises(DeviceError, match="no hello within 3 s: " + told):
        wait(talk, 4)


@pytest.mark.parametrize(
    ("wire", "told"),
    [
        (hello(version=2), "speaks protocol 2, this release 1"),
        (hello(tick_hz=5), r"tick_hz: expected a whole number from 10000 .* got 5"),
        (hello(analogue=[{"inputs": ["ai1"]}]), r"analogue\[0\].bits: missing"),
        (hello(encoders=0), "encoders = 0, the configuration asks for 1"),
        (hello(digital_inputs=2), "digital_inputs = 2, the configuration asks for 6"),
        (framed(1, 0, 0, struct.pack("<BxxxI", 1, 1) + b"{"), "not understood"),
        (framed(1, 0, 0, struct.pack("<BxxxI", 1, 1) + b"7"), "expected a JSON object"),
        (framed(1, 0, 0, struct.pack("<BxxxI", 1, 1) + b"\xff"), "not understood"),
        (framed(1, 0, 0, b"\x01"), "1 bytes long"),
    ],
)
def test_a_hello_that_does_not_do_is_told(wire, told):
    with pytest.raises(DeviceError, match=told):
        opened().received(at(0.1, wire))


def test_two_inputs_of_one_name_are_told():
    groups = [HELLO["analogue"][0] | {"inputs": ["cell", "di1"]}]
    with pytest.raises(DeviceError, match="more than one channel is called di1"):
        opened().received(at(0.1, hello(analogue=groups)))


def test_a_missing_input_is_told_with_what_there_is():
    with pytest.raises(DeviceError, match="no input 'ai3'; it has cell"):
        opened(inputs=("ai3", "cell")).received(at(0.1, hello()))


def test_later_keys_of_a_hello_are_ignored():
    groups = [HELLO["analogue"][0] | {"filter_hz": 400}]
    assert opened().received(at(0.1, hello(analogue=groups, colour="red")))


def test_a_reset_is_noted_once_and_another_layout_reopens():
    talk = opened()
    talk.received(at(0.1, hello()))
    assert talk.received(at(1, hello(resets=2))) == [Note({"note": "reset", "resets": 2})]
    assert talk.received(at(1.1, hello(resets=2))) == []
    with pytest.raises(DeviceError, match="describes itself differently"):
        talk.received(at(2, hello(encoders=2)))


def test_silence_after_the_hello_is_a_device_error():
    talk = opened()
    talk.received(at(0.1, hello()))
    with pytest.raises(DeviceError, match="not a byte for 2 s"):
        wait(talk, 4)


def test_a_lost_echo_is_noted_once_while_samples_still_come():
    talk, notes = opened(), []
    talk.received(at(0.1, hello()))
    for n in range(1, 20):
        talk.received(at(n / 2, pair(n, 5000 * n, n, 4000)))
        notes += [a for a in talk.wake(n * SECOND_NS // 2) if isinstance(a, Note)]
    assert notes == [Note({"note": "echo", "state": "lost"})]
