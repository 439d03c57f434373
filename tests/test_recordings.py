"""Recordings in open formats as chunks, against python-can's readers and hand-made files."""

from __future__ import annotations

from pathlib import Path

import can
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.driver import ChunkKind
from daq.errors import RecordingError
from daq.recordings import CHUNK_NS, Recording, read_recording, timeline
from daq.wire.can import (
    FLAG_ERROR,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
    FLAG_SENT,
    FRAME,
    FRAME_FD,
)

MS = 1_000_000


def frames(recording: Recording, offset: int = 0) -> np.ndarray:
    """All frames as FRAME_FD."""
    parts = []
    for chunk in recording.chunks(offset):
        kind = FRAME if chunk.kind == ChunkKind.RX else FRAME_FD
        found = np.frombuffer(chunk.data, kind)
        wide = np.zeros(len(found), FRAME_FD)
        for name in FRAME.names or ():
            if name == "data":
                wide["data"][:, : found["data"].shape[1]] = found["data"]
            else:
                wide[name] = found[name]
        parts.append(wide)
    return np.concatenate(parts) if parts else np.empty(0, FRAME_FD)


def write(folder: Path, name: str, text: str | bytes) -> Path:
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


# --- candump

CANDUMP = """\
(1600000000.000001) can0 123#0102
(1600000000.000500) can1 1ABCDEF0#
(1600000000.010000) can0 123#R8
(1600000000.020000) can0 124##1112233445566778899AABBCC
(1600000000.030000) can0 125#AA T
(1600000000.040000) can0 20000080#0000000000000000
"""


def test_candump_kinds_of_frames(tmp_path: Path) -> None:
    # Source: candump log format of can-utils: id#data, id#R, id##flags data; from memory
    recording = read_recording(write(tmp_path, "a.log", CANDUMP), "can0")
    found = frames(recording, offset=7)
    assert recording.kind == "can"
    assert recording.buses == ("can0", "can1")
    assert recording.epoch_realtime_ns == 1_600_000_000_000_001_000
    assert found["id"].tolist() == [0x123, 0x123, 0x124, 0x125]
    assert found["flags"].tolist() == [0, FLAG_REMOTE, FLAG_FD | 16, FLAG_SENT]
    assert found["length"].tolist() == [2, 8, 12, 1]
    assert found["data"][2, :12].tobytes().hex() == "112233445566778899aabbcc"
    assert found["t_host"].tolist() == [7, 9_999_000 + 7, 19_999_000 + 7, 29_999_000 + 7]
    assert found["t_device"][0] == 1_600_000_000_000_001_000
    assert any("1 error frames name no bus" in note for note in recording.notes)
    other = frames(read_recording(tmp_path / "a.log", "can1"))
    assert other["flags"].tolist() == [FLAG_EXTENDED]
    assert other["t_host"].tolist() == [499_000], "both buses count from the same moment"


def test_chunks_span_50_ms_and_keep_order(tmp_path: Path) -> None:
    lines = "".join(f"({n * 0.004:.6f}) can0 100#{n % 256:02X}\n" for n in range(1000))
    chunks = list(read_recording(write(tmp_path, "a.log", lines)).chunks())
    assert len(chunks) == -(-1000 // 13)
    for chunk in chunks:
        times = np.frombuffer(chunk.data, FRAME)["t_host"]
        assert chunk.t_ns == times[-1]
        assert times[-1] - times[0] < CHUNK_NS
    assert [c.t_ns for c in chunks] == sorted(c.t_ns for c in chunks)


def test_a_bus_must_be_selected_and_exist(tmp_path: Path) -> None:
    path = write(tmp_path, "a.log", CANDUMP)
    with pytest.raises(RecordingError, match="several buses; select one of can0, can1"):
        read_recording(path)
    with pytest.raises(RecordingError, match="no bus 'can7'; it holds can0, can1"):
        read_recording(path, "can7")


@pytest.mark.parametrize(
    "bad",
    [
        "(1.0) can0 12G#00",
        "garbage",
        "(x) can0 1#",
        "(1.0) can0 1#000",
        "(nan) can0 100#00",
        "(1.0) can0 100#001122334455667788",
    ],
)
def test_a_bad_line_is_named(tmp_path: Path, bad: str) -> None:
    path = write(tmp_path, "a.log", f"(0.5) can0 100#00\n{bad}\n(2.0) can0 100#00\n")
    with pytest.raises(RecordingError) as caught:
        read_recording(path)
    assert f"a.log: line 2: {bad!r}; expected '(seconds) bus identifier#data'" in str(caught.value)


@pytest.mark.parametrize("cut", range(1, 24))
def test_a_cut_last_line_gives_no_false_frame(tmp_path: Path, cut: int) -> None:
    whole = "(0.5) can0 100#0011\n(0.6) can0 101#0011\n"
    recording = read_recording(write(tmp_path, "a.log", whole + "(0.7) can0 102#00112233"[:cut]))
    assert frames(recording)["id"].tolist() == [0x100, 0x101]
    assert len(recording.notes) == 1


def test_a_whole_last_line_without_its_end_is_kept(tmp_path: Path) -> None:
    recording = read_recording(write(tmp_path, "a.log", "(0.5) can0 100#0011\n(0.6) can0 100#0012"))
    assert len(frames(recording)) == 2


def test_a_clock_that_was_set_back(tmp_path: Path) -> None:
    times = [10.0, 10.5, 3.0, 3.5, 3.48, 4.0]
    text = "".join(f"({t:.6f}) can0 100#00\n" for t in times)
    recording = read_recording(write(tmp_path, "a.log", text))
    found = frames(recording)
    assert (found["t_host"] // MS).tolist() == [0, 500, 500, 1000, 1000, 1500]
    assert (found["t_device"] // MS).tolist() == [10000, 10500, 3000, 3500, 3480, 4000]
    assert recording.notes == (
        "the clock was set back 1 times; time goes on from where it was",
        "1 times step back and are held at the one before",
    )


def test_timeline_leaves_the_jitter_of_merging() -> None:
    times, resets = timeline(np.array([0, 50, 26, 60]) * MS)
    assert (times // MS).tolist() == [0, 50, 26, 60]
    assert resets == 0


# --- ASC, TRC, BLF

ASC = """\
date Sam Sep 30 15:06:13.191 2017
base hex  timestamps {form}
internal events logged
Begin Triggerblock Sam Sep 30 15:06:13.191 2017
   0.000000 Start of measurement
{lines}
End TriggerBlock
"""


def test_asc_of_both_time_formats(tmp_path: Path) -> None:
    # Source: ASC: 'absolute' counts from the start, 'relative' from the line before; from memory
    lines = ["1.000000 1  123             Rx   d 2 01 02",
             "{}   1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%",
             "{} 1  18EBFF00x       Tx   d 1 FF",
             "{} 1  100             Rx   r"]  # fmt: skip
    absolute = "\n".join(lines).format("1.250000", "2.000000", "2.500000")
    relative = "\n".join(lines).format("0.250000", "0.750000", "0.500000")
    found = [
        frames(read_recording(write(tmp_path, f"{form}.asc", ASC.format(form=form, lines=text))))
        for form, text in (("absolute", absolute), ("relative", relative))
    ]
    assert np.array_equal(*found)
    assert (found[0]["t_host"] // MS).tolist() == [0, 1000, 1500]
    assert found[0]["flags"].tolist() == [0, FLAG_EXTENDED | FLAG_SENT, FLAG_REMOTE]


def test_asc_start_is_taken_as_utc(tmp_path: Path) -> None:
    line = "1.000000 1  123             Rx   d 2 01 02"
    recording = read_recording(
        write(tmp_path, "a.asc", ASC.format(form="absolute", lines=line).replace("Sam ", "Sat "))
    )
    # 2017-09-30 15:06:14.191 UTC, by date(1)
    assert recording.epoch_realtime_ns == 1_506_783_974_191_000_000
    assert "without a time zone" in recording.notes[0]


def messages() -> list[can.Message]:
    return [
        can.Message(timestamp=100.0, arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False,
                    channel=0),
        can.Message(timestamp=100.25, arbitration_id=0x18FEEE00, data=bytes(range(8)), channel=0),
        can.Message(timestamp=100.5, arbitration_id=0x321, data=b"", is_extended_id=False,
                    channel=0),
    ]  # fmt: skip


@pytest.mark.parametrize("ending", [".log", ".asc", ".blf", ".trc"])
def test_what_python_can_writes_is_read(tmp_path: Path, ending: str) -> None:
    path = tmp_path / f"made{ending}"
    with can.Logger(path) as writer:
        for message in messages():
            writer.on_message_received(message)
    found = frames(read_recording(path))
    assert found["id"].tolist() == [0x123, 0x18FEEE00, 0x321]
    assert found["flags"].tolist() == [0, FLAG_EXTENDED, 0]
    assert found["length"].tolist() == [2, 8, 0]
    assert [row[:n].tobytes() for row, n in zip(found["data"], found["length"], strict=True)] == [
        bytes(message.data) for message in messages()
    ]
    assert (found["t_host"] // MS).tolist() == [0, 250, 500]


def test_a_cut_blf_gives_what_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "made.blf"
    with can.BLFWriter(path, max_container_size=2000) as writer:
        for n in range(500):
            writer.on_message_received(
                can.Message(timestamp=n / 100, arbitration_id=n, data=bytes(8), channel=0)
            )
    content = path.read_bytes()
    recording = read_recording(write(tmp_path, "cut.blf", content[:-700]))
    found = frames(recording)["id"].tolist()
    assert 300 < len(found) < 500
    assert found == list(range(len(found)))
    assert any("the file is cut" in note for note in recording.notes)


def test_a_blf_object_without_length_is_refused(tmp_path: Path) -> None:
    """A reader would stay at such an object for ever."""
    path = tmp_path / "made.blf"
    with can.BLFWriter(path, compression_level=0) as writer:
        for message in messages():
            writer.on_message_received(message)
    content = bytearray(path.read_bytes())
    at = content.index(b"LOBJ", content.index(b"LOBJ", 144) + 4)
    content[at + 8 : at + 12] = bytes(4)
    with pytest.raises(RecordingError, match="expected an object that begins with LOBJ"):
        read_recording(write(tmp_path, "bad.blf", bytes(content)))


# --- timed bytes


def test_timed_bytes(tmp_path: Path) -> None:
    text = "t_s,hex,stop_ok\n0.100000000,0D0A,1\n0.100000001,ff,0\n\n1.5,00,1\n"
    path = write(tmp_path, "a.csv", text)
    recording = read_recording(path, byte_ns=1_041_666.7)
    assert recording.kind == "serial"
    assert [(c.t_ns, c.data) for c in recording.chunks(10)] == [
        (2_083_343, b"\x0d\x0a"),  # its two bytes had come 2.083333 ms after the first began
        (2_083_343, b"\xff"),  # not before the one before
        (1_401_041_677, b"\x00"),
    ]
    assert "1 bytes have a bad stop bit" in recording.notes
    assert frames_times(read_recording(path)) == [0, 1, 1_400_000_000]


def frames_times(recording: Recording) -> list[int]:
    return [chunk.t_ns for chunk in recording.chunks()]


def test_timed_bytes_without_header_and_with_a_cut_end(tmp_path: Path) -> None:
    recording = read_recording(write(tmp_path, "a.csv", "0.1,01\n0.2,02\n0.3,0"))
    assert [chunk.data for chunk in recording.chunks()] == [b"\x01", b"\x02"]
    assert recording.notes == ("line 3 is cut and passed over: '0.3,0'",)


@pytest.mark.parametrize("bad", ["0.2,0", "0.2", "x,00", "nan,00", "1e99,00", "0.2,"])
def test_a_bad_row_is_named(tmp_path: Path, bad: str) -> None:
    path = write(tmp_path, "a.csv", f"t_s,hex\n0.1,01\n{bad}\n0.3,03\n")
    with pytest.raises(RecordingError, match=r"a\.csv: line 3: .* expected columns t_s,hex"):
        read_recording(path)


def test_a_table_of_other_columns_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="line 1: 't_s,pid,data_hex'; expected columns"):
        read_recording(write(tmp_path, "a.csv", "t_s,pid,data_hex\n0.1,05,6E\n"))


def test_other_files_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="expected a candump log"):
        read_recording(write(tmp_path, "a.log", "hello\n"))
    with pytest.raises(RecordingError, match="No such file"):
        read_recording(tmp_path / "absent.log")
    with pytest.raises(RecordingError, match="expected a candump log"):
        read_recording(write(tmp_path, "empty.log", b""))


STARTS = [
    b"(1.0) can0 100#00\n",
    b"LOGG" + bytes(200),
    b";$FILEVERSION=2.1\n",
    b"t_s,hex\n",
    b"date Sat Sep 30 15:06:13.191 2017\nbase hex timestamps absolute\n0.1 1 64 Rx d 1 64\n",
    b"(1600000000.0) can0 1#\n",
    b";$FILEVERSION=1.1\n;\n  1) 0.6 Rx 0020 1 00\n",
]
PIECES = st.sampled_from(
    [
        b"\n",
        b"0.5 1 ",
        b" Rx ",
        b"d 8 00 11",
        b"LOBJ",
        b"(2.0) can0 ",
        b"1F#",
        b"CANFD ",
        b";$COLUMNS=N,O,T,B,I,d,R,L,D\n",
        b"ErrorFrame",
        b"R8",
    ]
)


def read_or_refused_by_name(path: Path) -> None:
    refusal = ""
    times: list[int] = []
    try:
        times = frames_times(read_recording(path))
    except RecordingError as error:
        refusal = str(error)
    assert not refusal or str(path) in refusal
    assert times == sorted(times)


@settings(max_examples=400, deadline=None)
@given(st.sampled_from(STARTS), st.lists(st.one_of(PIECES, st.binary(max_size=12)), max_size=12))
def test_no_file_crashes_a_reader(
    tmp_path_factory: pytest.TempPathFactory, start: bytes, pieces: list[bytes]
) -> None:
    path = write(tmp_path_factory.getbasetemp(), "fuzz", start + b"".join(pieces))
    read_or_refused_by_name(path)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2**20), st.integers(0, 255)), min_size=1, max_size=6))
def test_no_damaged_blf_crashes_the_reader(
    tmp_path_factory: pytest.TempPathFactory, damage: list[tuple[int, int]]
) -> None:
    made = tmp_path_factory.getbasetemp() / "sound.blf"
    if not made.exists():
        with can.BLFWriter(made, compression_level=0) as writer:
            for message in messages():
                writer.on_message_received(message)
    content = bytearray(made.read_bytes())
    for at, value in damage:
        content[4 + at % (len(content) - 4)] = value
    path = write(tmp_path_factory.getbasetemp(), "damaged.blf", bytes(content))
    read_or_refused_by_name(path)


# --- real recordings


def test_road_pull_is_what_python_can_reads(shared: Path) -> None:
    path = shared / "can" / "coupe_road_pull.log"
    recording = read_recording(path)
    found = frames(recording)
    # Source: python-can 4.6's own reader on the same file
    expected = list(can.LogReader(path))
    assert len(found) == len(expected) == 7402
    assert found["id"].tolist() == [message.arbitration_id for message in expected]
    assert found["length"].tolist() == [message.dlc for message in expected]
    assert all(
        row[: message.dlc].tobytes() == message.data
        for row, message in zip(found["data"], expected, strict=True)
    )
    stamps = np.array([message.timestamp for message in expected])
    assert np.abs(found["t_device"] / 1e9 - stamps).max() < 1e-6
    assert found["t_host"][-1] == (1598835604_493963 - 1598835598_370882) * 1000


@pytest.mark.parametrize(
    ("name", "bus", "count", "seconds"),
    [
        # Source: the description beside the recordings: frames and durations
        ("hatch_rev.trc", None, 5080, 7.3),
        ("ev_bms_idle_30s.asc", None, 5934, 30.5),
        ("coupe_drive_lossy_adapter.log", None, 7583, 51.5),
    ],
)
def test_recordings_of_one_bus(
    shared: Path, name: str, bus: str | None, count: int, seconds: float
) -> None:
    found = frames(read_recording(shared / "can" / name, bus))
    assert len(found) == count
    assert found["t_host"][-1] / 1e9 == pytest.approx(seconds, abs=0.06)


@pytest.mark.parametrize(
    ("name", "count", "seconds"),
    [("suv_drive_2bus.log", 68178, 115), ("ev_power_cycle_2bus.log", 39546, 10.84)],
)
def test_recordings_of_two_buses(shared: Path, name: str, count: int, seconds: float) -> None:
    path = shared / "can" / name
    both = [read_recording(path, bus) for bus in ("can0", "can1")]
    assert sum(len(frames(recording)) for recording in both) == count
    assert len({recording.begin_realtime_ns for recording in both}) == 1
    for recording in both:
        times = frames(recording)["t_host"]
        assert (np.diff(times) >= 0).all()
        assert times[-1] / 1e9 == pytest.approx(seconds, abs=0.35)


def test_every_small_format_file(shared: Path) -> None:
    # Source: the files' own text, counted by hand: error frames, remote frames, CAN FD
    folder = shared / "can" / "formats"
    first = frames(read_recording(folder / "logfile.asc", "1"))
    assert np.count_nonzero(first["flags"] & FLAG_ERROR) == 2
    second = frames(read_recording(folder / "logfile.asc", "2"))
    assert second["flags"][second["id"] == 0x100].tolist() == [FLAG_REMOTE | FLAG_SENT]
    dlc_above_8 = frames(read_recording(folder / "issue_1299.asc"))
    assert dlc_above_8[dlc_above_8["id"] == 0x3FF]["length"].tolist() == [8]
    for version in ("V1_1", "V2_1"):
        trc = read_recording(folder / f"test_CanMessage_{version}.trc")
        assert len(frames(trc)) == 11
        assert "1 lines hold no frame" in trc.notes
    errors = frames(read_recording(folder / "test_CanErrorFrames.asc", "5"))
    assert errors["flags"].tolist() == [FLAG_ERROR]
    german = read_recording(folder / "logfile.asc", "5")
    assert german.epoch_realtime_ns is not None
    blf = frames(read_recording(folder / "test_CanMessage.blf"))
    assert blf["id"].tolist() == [0x4444444] * 2
    assert blf["data"][0, :8].tolist() == [0x55, 0x66, 0x77, 0x88, 0x99, 0xAA, 0xBB, 0xCC]


def test_timed_bytes_of_real_lines(shared: Path) -> None:
    recording = read_recording(shared / "serial" / "scale_ascii_1200_8n2.bytes.csv")
    data = b"".join(chunk.data for chunk in recording.chunks())
    assert b" G S\r\n" in data
    assert frames_times(recording)[-1] == 9_985_898_000 - 131_556_000
