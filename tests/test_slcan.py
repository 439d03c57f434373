"""Lines of an slcan adapter to frames and back, by hand-made lines and by python-can as a peer."""

from __future__ import annotations

import itertools
import json
import os
import threading
import tty

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.driver import Chunk, ChunkKind
from daq.frames import LineReader, RecordReader, as_fd, frame_reader, joined, shortest_ns
from daq.wire import slcan
from daq.wire.can import FLAG_EXTENDED, FLAG_REMOTE, FRAME, FRAME_FD

COMPARED = ["id", "flags", "length", "data"]


def frame(number: int, data: bytes = b"", flags: int = 0, length: int | None = None) -> np.ndarray:
    one = np.zeros(1, FRAME)
    one["id"], one["flags"] = number, flags
    one["length"] = len(data) if length is None else length
    one["data"][0, : len(data)] = list(data)
    return one


def rx(data: bytes, t_ns: int = 1_000_000_000) -> Chunk:
    return Chunk(ChunkKind.RX, t_ns, data)


def frames_of(reader: LineReader, *chunks: Chunk) -> np.ndarray:
    return joined([frames for _, frames in reader.feed(chunks)])


def same(left: np.ndarray, right: np.ndarray) -> bool:
    return all(np.array_equal(left[name], right[name]) for name in COMPARED)


# --- commands


@pytest.mark.parametrize("bitrate", sorted(slcan.BITRATES))
def test_open_commands_set_the_rate_and_open(bitrate: int) -> None:
    # Source: LAWICEL CAN232 manual: S0 to S8 are 10, 20, 50, 100, 125, 250, 500, 800, 1000 kbit/s;
    # C closes, O opens, L opens in listen-only mode (from memory)
    place = [10, 20, 50, 100, 125, 250, 500, 800, 1000].index(bitrate // 1000)
    assert slcan.open_commands(bitrate, listen_only=False).split(b"\r")[-4:] == [
        b"C", b"S%d" % place, b"O", b"",
    ]  # fmt: skip
    assert slcan.open_commands(bitrate, listen_only=True).endswith(b"\rL\r")


def test_unknown_bitrate_names_the_known_ones() -> None:
    with pytest.raises(ValueError, match="300000 bit/s: an slcan adapter knows 10000, 20000"):
        slcan.open_commands(300_000, listen_only=True)


# --- lines


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        (b"t10021133\r", frame(0x100, b"\x11\x33")),
        (b"t7FF0\r", frame(0x7FF)),
        (b"T1FFFFFFF8 0102030405060708\r".replace(b" ", b""),
         frame(0x1FFFFFFF, bytes(range(1, 9)), FLAG_EXTENDED)),
        (b"T000001001aB\r", frame(0x100, b"\xab", FLAG_EXTENDED)),
        (b"r1238\r", frame(0x123, flags=FLAG_REMOTE, length=8)),
        (b"R000001230\r", frame(0x123, flags=FLAG_REMOTE | FLAG_EXTENDED)),
    ],
)  # fmt: skip
def test_lines_of_each_kind(line: bytes, expected: np.ndarray) -> None:
    # Source: LAWICEL CAN232 manual, commands t, T, r, R (from memory)
    assert same(frames_of(LineReader(0), rx(line)), expected)
    assert same(frames_of(LineReader(0), rx(slcan.encode(expected))), expected)


@pytest.mark.parametrize(
    "line",
    [
        b"t8000\r",  # identifier above 11 bits
        b"T200000000\r",  # above 29 bits
        b"t1239\r",  # nine data bytes
        b"t1231\r",  # no data
        b"t12311\r",
        b"t1231112\r",
        b"t123111234\r",
        b"t1231112345678\r",
        b"t12310 \r",
        b"t12\r",
        b"t123111EA60\r",  # a stamp of 60 000 ms
        b"x1230\r",
        b"D123456780\r",  # the rest of a cut line of data
        b"\xff\x00t1230\r",
        b"t1230t1240\r",
        b"r12381122334455667788\r",
    ],
)
def test_a_line_that_is_no_frame_is_counted(line: bytes) -> None:
    reader = LineReader(0)
    found = frames_of(reader, rx(b"t1000\r" + line + b"t1010\r"))
    assert found["id"].tolist() == [0x100, 0x101]
    assert reader.bad == 1


def test_answers_and_bells_between_frames() -> None:
    reader = LineReader(0)
    found = frames_of(reader, rx(b"\r\r\at1000\rz\rZ\r\aV1013\rN1234\rF00\r\nt1010\r\n"))
    assert found["id"].tolist() == [0x100, 0x101]
    assert (reader.bad, reader.refused) == (0, 2)


def test_stamps_are_unwrapped() -> None:
    # a stamp counts to 59 999 ms; 2.5 minutes of silence are two wraps more
    reader = LineReader(0)
    second = 1_000_000_000
    chunks = [
        rx(b"t1000EA5F\r", 10 * second),
        rx(b"t10000001\r", 10 * second + 3_000_000),
        rx(b"t1000\r", 11 * second),
        rx(b"t10007531\r", 160 * second),
    ]
    stamps = frames_of(reader, *chunks)["t_device"]
    assert stamps[2] == 0
    assert (np.diff(stamps[[0, 1, 3]]) // 1_000_000).tolist() == [2, 150_000]


def test_a_frame_began_before_those_that_came_with_it() -> None:
    # Source: ISO 11898-1 bit counts, from memory: 8 data bytes at 500 kbit/s take at least 222 us
    # with an 11-bit identifier; at 250 kbit/s 524 us with one of 29 bits
    line = b"t12381122334455667788\r"
    reader = LineReader(500_000)
    found = frames_of(reader, rx(line * 3 + line[:4], 10_000_000), rx(line[4:], 11_000_000))
    assert (10_000_000 - found["t_host"]).tolist() == [666_000, 444_000, 222_000, 222_000]
    extended = frame(1, bytes(8), FLAG_EXTENDED)
    assert shortest_ns(extended, 250_000).tolist() == [524_000]
    assert shortest_ns(extended, 0).tolist() == [0]


def test_times_never_step_back() -> None:
    line = b"t12381122334455667788\r"
    found = frames_of(LineReader(10_000), rx(line, 10**9), rx(line * 50, 10**9 + 1))
    assert (np.diff(found["t_host"]) >= 0).all()


FRAMES = st.lists(
    st.builds(
        lambda number, data, extended, remote: frame(
            number & (0x1FFFFFFF if extended else 0x7FF),
            b"" if remote else data,
            FLAG_EXTENDED * extended | FLAG_REMOTE * remote,
            len(data),
        ),
        st.integers(0, 0x1FFFFFFF),
        st.binary(max_size=8),
        st.booleans(),
        st.booleans(),
    ),
    min_size=1,
    max_size=20,
).map(np.concatenate)


@given(FRAMES)
def test_what_is_encoded_is_read(frames: np.ndarray) -> None:
    assert same(frames_of(LineReader(0), rx(slcan.encode(frames))), frames)


@given(st.binary(max_size=200), FRAMES, st.lists(st.integers(0, 500)), st.booleans())
def test_any_cut_gives_the_same_frames(
    noise: bytes, frames: np.ndarray, cuts: list[int], one_feed: bool
) -> None:
    data = noise + slcan.encode(frames) + noise
    whole, pieces = LineReader(500_000), LineReader(500_000)
    expected = frames_of(whole, rx(data))
    places = [0, *sorted(cuts), len(data)]
    chunks = [rx(data[a:b], 10**9) for a, b in itertools.pairwise(places)]
    if one_feed:
        found = frames_of(pieces, *chunks)
    else:
        found = joined([frames for chunk in chunks for _, frames in pieces.feed([chunk])])
    assert same(expected, found)
    assert (whole.bad, whole.refused) == (pieces.bad, pieces.refused)


@given(FRAMES, st.binary(min_size=1, max_size=60), st.data())
def test_noise_costs_only_the_lines_it_touches(
    frames: np.ndarray, noise: bytes, data: st.DataObject
) -> None:
    encoded = slcan.encode(frames)
    at = data.draw(st.integers(0, len(encoded)))
    found = frames_of(LineReader(0), rx(encoded[:at] + noise + encoded[at:]))
    begun = encoded[:at].count(b"\r")
    after = len(frames) - begun - 1
    assert len(found) >= begun
    assert same(found[:begun], frames[:begun])
    if after > 0:
        assert same(found[-after:], frames[-after:])


@settings(max_examples=300)
@given(st.lists(st.binary(max_size=60)))
def test_no_bytes_raise(pieces: list[bytes]) -> None:
    reader = LineReader(500_000)
    for piece in pieces:
        found = frames_of(reader, rx(piece))
        assert (found["length"] <= 8).all()
        assert len(reader._stream.buffer) <= slcan.LONGEST


def test_noise_without_an_end_is_not_kept() -> None:
    reader = LineReader(0)
    for _ in range(100):
        reader.feed([rx(b"t" * 1000)])
    assert len(reader._stream.buffer) <= slcan.LONGEST
    assert frames_of(reader, rx(b"1230\rt1240\r"))["id"].tolist() == [0x124]
    assert reader.bad == 1


def test_a_reopened_wire_begins_a_segment_and_a_line() -> None:
    reader = LineReader(0)
    note = Chunk(ChunkKind.NOTE, 0, json.dumps({"note": "opened"}).encode())
    runs = reader.feed([rx(b"t1000\rt10"), note, rx(b"10\rt1020\r")])
    assert [(segment, frames["id"].tolist()) for segment, frames in runs] == [
        (0, [0x100]),
        (1, [0x102]),
    ]
    assert reader.bad == 2


# --- records


def test_records_of_both_kinds_are_one_array() -> None:
    reader = frame_reader({"kind": "socketcan"})
    assert isinstance(reader, RecordReader)
    classical, wide = frame(0x100, b"\x01"), as_fd(frame(0x101, b"\x02"))
    chunks = [rx(classical.tobytes()), Chunk(ChunkKind.RX_FD, 0, wide.tobytes())]
    ((_, frames),) = reader.feed(chunks)
    assert frames.dtype == FRAME_FD
    assert frames["id"].tolist() == [0x100, 0x101]
    assert frames["data"][:, 0].tolist() == [1, 2]


def test_a_cut_record_is_counted() -> None:
    reader = RecordReader()
    ((_, frames),) = reader.feed([rx(frame(1).tobytes() + b"rest")])
    assert (len(frames), reader.bad) == (1, 1)


# --- python-can as the other end


def test_python_can_and_the_encoder_agree() -> None:
    """python-can's slcan bus writes on a pseudo-terminal; and reads what the encoder wrote."""
    near, far = os.openpty()
    tty.setraw(near), tty.setraw(far)
    bus = can.Bus(interface="slcan", channel=os.ttyname(far), sleep_after_open=0)
    try:
        sent = [
            can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False),
            can.Message(arbitration_id=0x18FEEE00, data=bytes(8), is_extended_id=True),
            can.Message(arbitration_id=0x7, is_remote_frame=True, dlc=3, is_extended_id=False),
        ]
        for message in sent:
            bus.send(message)
        reader = LineReader(0)
        parts = [frames_of(reader, rx(b"\r"))]
        while len(joined(parts)) < len(sent):
            parts.append(frames_of(reader, rx(os.read(near, 4096))))
        found = joined(parts)
        assert found["id"].tolist() == [0x123, 0x18FEEE00, 7]
        assert found["flags"].tolist() == [0, FLAG_EXTENDED, FLAG_REMOTE]
        assert found["length"].tolist() == [2, 8, 3]
        threading.Thread(target=os.write, args=(near, slcan.encode(found))).start()
        back = [bus.recv(2) for _ in sent]
        assert all(a is not None and a.equals(b, timestamp_delta=None, check_direction=False,
                   check_channel=False) for a, b in zip(back, sent, strict=True))  # fmt: skip
    finally:
        bus.shutdown()
        os.close(near), os.close(far)
