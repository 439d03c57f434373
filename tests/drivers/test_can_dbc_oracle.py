"""DBC decoding against cantools: random signals, and real recordings of real cars."""

from __future__ import annotations

import re
import struct
from collections import Counter
from pathlib import Path
from typing import Any

import cantools
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.driver import Block, Chunk, ChunkKind, Preface
from daq.recordings import read_recording
from daq.wire.can import FRAME, FRAME_FD
from drivers.can_dbc import CanDbc, DbcConfig

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECU\n'


def driver(content: bytes) -> CanDbc:
    return CanDbc(DbcConfig(Path("car.dbc")), {"car.dbc": content})


# --- random signals


@st.composite
def signals(draw: st.DrawFn, width: int) -> str:
    """Place, order and kind of one signal within *width* bytes; FLOAT marks IEEE 754."""
    decimal = draw(st.sampled_from(("", "", "FLOAT")))
    length = draw(st.sampled_from((32, 64)) if decimal else st.integers(1, 64))
    first = draw(st.integers(0, 8 * width - length))
    order, sign = draw(st.sampled_from("01")), draw(st.sampled_from("+-"))
    if order == "0":
        first = first // 8 * 8 + 7 - first % 8
    scale = draw(st.sampled_from((1, 0.25, -0.1, 10, 1e-6)))
    offset = draw(st.sampled_from((0, -40, 0.5)))
    return f"{first}|{length}@{order}{'-' if decimal else sign} ({scale},{offset}) [0|0]{decimal}"


@settings(max_examples=150, deadline=None)
@given(st.data(), st.sampled_from((8, 64)))
def test_random_signals_are_as_cantools_reads_them(data: st.DataObject, width: int) -> None:
    places = data.draw(st.lists(signals(width), min_size=1, max_size=12))
    payloads = data.draw(
        st.lists(st.binary(min_size=width, max_size=width), min_size=1, max_size=4)
    )
    text = HEAD + "".join(
        f'BO_ {n} M{n}: {width} ECU\n SG_ S{n} : {place.replace("FLOAT", "")} "" ECU\n'
        for n, place in enumerate(places)
    )
    text += "".join(
        f"SIG_VALTYPE_ {n} S{n} : {1 if '|32@' in place else 2};\n"
        for n, place in enumerate(places)
        if place.endswith("FLOAT")
    )
    frames = np.zeros(len(places) * len(payloads), FRAME if width == 8 else FRAME_FD)
    frames["id"] = np.repeat(np.arange(len(places)), len(payloads))
    frames["length"] = width
    frames["data"] = np.tile([list(p) for p in payloads], (len(places), 1))
    kind = ChunkKind.RX if width == 8 else ChunkKind.RX_FD
    made = driver(text.encode())
    decoder = made.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    blocks = {b.stream: b for b in decoder.feed([Chunk(kind, 0, frames.tobytes())])}
    oracle = cantools.database.load_string(text, "dbc", strict=False)
    for number, stream in enumerate(made.streams({})):
        channel = stream.channels[0]
        found = blocks[stream.name].raw[channel.name] * channel.scale + channel.offset
        expected = [
            float(oracle.decode_message(number, p, decode_choices=False)[f"S{number}"])
            for p in payloads
        ]
        assert _alike(found.tolist(), expected), (stream.name, places[number])


def _alike(found: list[float], expected: list[float]) -> bool:
    return np.array_equal(found, expected, equal_nan=True) or np.allclose(
        found, expected, rtol=1e-15, atol=0, equal_nan=True
    )


EXTENDED_MULTIPLEXING = (
    HEAD
    + """
BO_ 100 Nested: 8 ECU
 SG_ S3 m1 : 16|8@1+ (1,0) [0|0] "" ECU
 SG_ S2 m0 : 16|8@1+ (1,0) [0|0] "" ECU
 SG_ Inner m0M : 8|8@1+ (1,0) [0|0] "" ECU
 SG_ S1 m1 : 24|8@1+ (1,0) [0|0] "" ECU
 SG_ Outer M : 0|8@1+ (1,0) [0|0] "" ECU
SG_MUL_VAL_ 100 S3 Inner 3-5, 7-7;
SG_MUL_VAL_ 100 S2 Inner 0-0;
SG_MUL_VAL_ 100 Inner Outer 0-0;
SG_MUL_VAL_ 100 S1 Outer 1-2;
"""
)


def test_extended_multiplexing_is_as_cantools_reads_it() -> None:
    oracle = cantools.database.load_string(EXTENDED_MULTIPLEXING, "dbc")
    expected: Counter[tuple[str, float]] = Counter()
    payloads = [bytes([a, b, 17 * a & 255, 31 * b & 255, 0, 0, 0, 0]) for a in range(4)
                for b in range(10)]  # fmt: skip
    for payload in payloads:
        try:
            found = oracle.decode_message(100, payload)
        except cantools.database.DecodeError:
            continue
        expected.update((name.lower(), float(value)) for name, value in found.items())
    frames = np.zeros(len(payloads), FRAME)
    frames["id"], frames["length"] = 100, 8
    frames["data"] = [list(payload) for payload in payloads]
    decoder = driver(EXTENDED_MULTIPLEXING.encode()).decoder(
        Preface("can_dbc", 1, wire={"kind": "socketcan"})
    )
    blocks = decoder.feed([Chunk(ChunkKind.RX, 0, frames.tobytes())])
    got = Counter((name, float(v)) for b in blocks for name, raw in b.raw.items() for v in raw)
    assert len(expected) > 10
    assert not expected - got, "all that cantools decodes"


# --- real recordings


def decode(shared: Path, log: str, dbc: str, bus: str | None) -> tuple[Any, ...]:
    content = (shared / "can" / "dbc" / dbc).read_bytes()
    made = driver(content)
    recording = read_recording(shared / "can" / log, bus)
    chunks = list(recording.chunks())
    decoder = made.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    blocks = [block for chunk in chunks for block in decoder.feed([chunk])]
    frames = np.concatenate([np.frombuffer(chunk.data, FRAME) for chunk in chunks])
    return made, _joined(blocks), frames, decoder.report(), content


def _joined(blocks: list[Block]) -> dict[str, tuple[np.ndarray, dict[str, np.ndarray]]]:
    """Stream to (times, channel to raw values, NaN where missing)."""
    parts: dict[str, list[Block]] = {}
    for block in blocks:
        parts.setdefault(block.stream, []).append(block)
    result = {}
    for stream, found in parts.items():
        columns = {
            name: np.concatenate(
                [np.where(b.missing.get(name, False), np.nan, b.raw[name]) for b in found]
            )
            for name in found[0].raw
        }
        result[stream] = (np.concatenate([b.t_hi for b in found]), columns)
    return result


@pytest.mark.parametrize(
    ("log", "dbc", "bus", "decodable"),
    [
        # the count that cantools 45 decodes; for the first, as the data's description has it
        ("coupe_road_pull.log", "coupe.dbc", None, 6066),
        ("coupe_drive_lossy_adapter.log", "coupe.dbc", None, None),
        ("hatch_rev.trc", "hatch.dbc", None, 3213),
        ("suv_drive_2bus.log", "suv.dbc", "can0", 28516),
        ("suv_drive_2bus.log", "suv.dbc", "can1", None),
        ("ev_power_cycle_2bus.log", "ev.dbc", "can0", 23980),
        ("ev_power_cycle_2bus.log", "ev.dbc", "can1", None),
    ],
)
def test_every_signal_that_cantools_decodes_is_equal(
    shared: Path, log: str, dbc: str, bus: str | None, decodable: int | None
) -> None:
    made, joined, frames, _, content = decode(shared, log, dbc, bus)
    rows = {
        stream: {int(t_ns): at for at, t_ns in enumerate(times)}
        for stream, (times, _) in joined.items()
    }
    named: dict[str, list[tuple[str, Any]]] = {}
    for stream in made.streams({}):
        for channel in stream.channels:
            named.setdefault(channel.source.split()[2], []).append((stream.name, channel))
    oracle = cantools.database.can.Database(strict=False)
    oracle.add_dbc_string(content.decode("utf-8"))
    count = 0
    for frame in one_a_moment(frames):
        payload = frame["data"][: frame["length"]].tobytes()
        try:
            message = oracle.get_message_by_frame_id(int(frame["id"]))
            expected = message.decode(payload, decode_choices=False)
        except (KeyError, cantools.database.DecodeError):
            continue
        count += 1
        for name, value in expected.items():
            found = [
                joined[stream][1][channel.name][at] * channel.scale + channel.offset
                for stream, channel in named[f"{message.name}.{name}"]
                if (at := rows.get(stream, {}).get(int(frame["t_host"]))) is not None
            ]
            factor = _factor(named[f"{message.name}.{name}"][0][1], message, name)
            assert found == [pytest.approx(value * factor, rel=1e-12)], (message.name, name)
    assert decodable is None or count == decodable
    assert count > 100


def one_a_moment(frames: np.ndarray) -> list[Any]:
    """Frames without those (12 of one log) that share identifier and time with another."""
    seen = Counter(zip(frames["id"].tolist(), frames["t_host"].tolist(), strict=True))
    return [frame for frame in frames if seen[int(frame["id"]), int(frame["t_host"])] == 1]


def _factor(channel: Any, message: Any, name: str) -> float:
    """What units that are kept as another one are multiplied by; 1 for all others."""
    return channel.scale / float(message.get_signal_by_name(name).scale)


def test_road_pull_by_hand(shared: Path) -> None:
    """Frames that cantools refuses as a whole: short ones and overlapping signals.

    Worked by hand from the DBC's lines: EMS2 of 86 AC 7F 15 11 34 3A 14: TQ_STND, CAN_VERS,
    CONF_TCU and OBD_FRF_ACK all lie in the lowest 6 bits (6), MUL_CODE in the next two (2),
    TEMP_ENG 0xAC * 0.75 - 48 = 81 degC, TPS 0x34 * 0.469484 - 15.0235 = 9.389668 %.
    """
    made, joined, frames, report, _ = decode(shared, "coupe_road_pull.log", "coupe.dbc", None)
    channels = {c.source.split()[2]: (s.name, c) for s in made.streams({}) for c in s.channels}

    def values(name: str) -> np.ndarray:
        stream, channel = channels[name]
        return joined[stream][1][channel.name] * channel.scale + channel.offset

    assert len(values("EMS2.TEMP_ENG")) == np.count_nonzero(frames["id"] == 0x329) == 613
    first = {name: values(f"EMS2.{name}")[0] for name in ("TQ_STND", "CAN_VERS", "CONF_TCU",
             "OBD_FRF_ACK", "MUL_CODE", "TEMP_ENG", "TPS", "BRAKE_ACT", "ENG_VOL")}  # fmt: skip
    assert first == pytest.approx({
        "TQ_STND": 60, "CAN_VERS": 6, "CONF_TCU": 6, "OBD_FRF_ACK": 6, "MUL_CODE": 2,
        "TEMP_ENG": 81, "TPS": 9.389668, "BRAKE_ACT": 1, "ENG_VOL": 2.0,
    })  # fmt: skip
    # SAS1 (0x2B0) comes with 5 bytes where the DBC says 8: 90 0A 0A 07 68, SAS_Angle 16 bits
    # signed * 0.1 = 0x0A90 * 0.1 = 270.4, SAS_Speed 0x0A * 4 = 40
    assert values("SAS1.SAS_Angle")[0] == pytest.approx(270.4)
    assert values("SAS1.SAS_Speed")[0] == pytest.approx(40)
    assert report["frames_short"] == 612
    assert report["frames_ok"] == 7402 - 111
    # Source: the data's description
    speed = values("EMS1.N")
    assert (speed.min(), speed.max()) == (907, 5005)
    assert report["frames_matched_share"] == pytest.approx(0.985, abs=1e-3)


@pytest.mark.parametrize(
    ("log", "dbc", "bus", "channel", "low", "high"),
    [
        # Source: ranges in the data's description
        ("hatch_rev.trc", "hatch.dbc", None, "ENGINE_RPM", 816, 5073),
        ("suv_drive_2bus.log", "suv.dbc", "can0", "RPM", 685, 2320),
        ("coupe_drive_lossy_adapter.log", "coupe.dbc", None, "EMS1.N", 723, 3784),
    ],
)
def test_ranges_of_real_drives(
    shared: Path, log: str, dbc: str, bus: str | None, channel: str, low: float, high: float
) -> None:
    made, joined, *_ = decode(shared, log, dbc, bus)
    found = [
        joined[s.name][1][c.name] * c.scale + c.offset
        for s in made.streams({})
        for c in s.channels
        if c.source.split()[2].endswith(channel) and s.name in joined
    ]
    assert any(v.min() == pytest.approx(low, abs=1) and v.max() == pytest.approx(high, abs=1)
               for v in found), [(v.min(), v.max()) for v in found]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "messages", "notes"),
    [
        ("bad_c.dbc", 111, ["Standard frame id 0x40140639 is more than 11 bits"]),
        ("bad_d.dbc", 102, ["line 273: name '2017_5' is not one in a DBC"]),
        ("bad_e.dbc", 146, ["line 1656: cannot be read", "line 1657: cannot be read"]),
        ("ev_unrepaired.dbc", 107, ["section NS_ without BS_"]),
        ("suv_unrepaired.dbc", 96, ["line 753: labels of GEAR belong to no signal"]),
    ],
)
def test_files_that_are_refused_as_a_whole(
    shared: Path, name: str, messages: int, notes: list[str]
) -> None:
    """All but the bad lines is read; the counts are those of BO_ lines less the ones named."""
    content = (shared / "can" / "dbc_bad" / name).read_bytes()
    plan = driver(content).plan()
    assert len(plan.messages) == messages
    stated = len(re.findall(rb"^\s*BO_ ", content, re.MULTILINE))
    left_out = sum("is left out: " in note for note in plan.notes)
    assert stated - left_out == messages
    for note in notes:
        assert any(note in found for found in plan.notes)


def test_repaired_files_are_as_the_sound_ones(shared: Path) -> None:
    for sound, bad in (("ev.dbc", "ev_unrepaired.dbc"), ("suv.dbc", "suv_unrepaired.dbc")):
        one = driver((shared / "can" / "dbc" / sound).read_bytes()).streams({})
        two = driver((shared / "can" / "dbc_bad" / bad).read_bytes()).streams({})
        assert one == two


def test_float_bits_by_hand() -> None:
    # Source: IEEE 754 by the struct module
    text = HEAD + 'BO_ 1 M: 8 ECU\n SG_ V : 0|32@1- (1,0) [0|0] "" ECU\nSIG_VALTYPE_ 1 V : 1;\n'
    frames = np.zeros(1, FRAME)
    frames["id"], frames["length"] = 1, 8
    frames["data"][0, :4] = list(struct.pack("<f", -12.375))
    decoder = driver(text.encode()).decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    frames = np.repeat(frames, 2)
    frames["data"][1, :4] = [0, 0, 0xA0, 0x7F]  # a signalling NaN
    (block,) = decoder.feed([Chunk(ChunkKind.RX, 0, frames.tobytes())])
    assert block.missing["v"].tolist() == [False, True]
    assert block.raw["v"].dtype == np.float64
    assert block.raw["v"][0] == -12.375
