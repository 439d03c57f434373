"""The DBC driver: the contract on a simulated adapter, and every rule by hand-made files."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import cantools  # noqa: F401 - imported late by daq.dbc, and importing it opens files
import numpy as np
import pytest

from daq.dbc import read_dbc
from daq.dbc_names import snake_case, unit_of
from daq.driver import Block, Chunk, ChunkKind, Preface
from daq.errors import ConfigError
from daq.testing.contract import Capture, DriverContract
from daq.testing.simulated import SerialDevice
from daq.units import UNITS
from daq.wire import slcan
from daq.wire.can import (
    FLAG_ERROR,
    FLAG_EXTENDED,
    FLAG_REMOTE,
    FLAG_SENT,
    FRAME,
    FRAME_FD,
)
from drivers.can_dbc import CanDbc, DbcConfig

HEAD = 'VERSION ""\nNS_ :\nBS_:\nBU_: ECU\n'
SOUND = (
    HEAD
    + """
BO_ 256 Engine: 8 ECU
 SG_ EngineSpeed : 0|16@1+ (0.25,0) [0|16000] "rpm" ECU
 SG_ OilTemp : 23|8@0+ (1,-40) [-40|215] "degC" ECU
 SG_ Torque : 24|12@1- (0.5,0) [-500|500] "Nm" ECU
BO_ 2164260864 EngineExtended: 2 ECU
 SG_ Spare : 0|16@1+ (1,0) [0|0] "" ECU
BO_ 512 Pages: 4 ECU
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ Always : 4|4@1+ (1,0) [0|15] "" ECU
 SG_ Coolant m0 : 8|8@1+ (1,-40) [-40|215] "°C" ECU
 SG_ Voltage m1 : 8|16@1+ (0.001,0) [0|65] "V" ECU
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 10;
BA_ "GenMsgCycleTime" BO_ 512 100;
VAL_ 512 Always 0 "off" 1 "on";
VAL_ 256 OilTemp 255 "SNA" 0 "cold";
"""
)


def driver(text: str | bytes, *messages: str) -> CanDbc:
    content = text if isinstance(text, bytes) else text.encode()
    return CanDbc(DbcConfig(Path("car.dbc"), messages), {"car.dbc": content})


def frame(number: int, data: str, flags: int = 0, t_ns: int = 0, kind: np.dtype = FRAME) -> Any:
    one = np.zeros(1, kind)
    payload = bytes.fromhex(data)
    one["id"], one["flags"], one["t_host"], one["length"] = number, flags, t_ns, len(payload)
    one["data"][0, : len(payload)] = list(payload)
    return one


def decoded(made: CanDbc, *frames: Any) -> tuple[dict[str, Block], dict[str, Any]]:
    decoder = made.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    chunks = [
        Chunk(ChunkKind.RX_FD if one.dtype == FRAME_FD else ChunkKind.RX, 0, one.tobytes())
        for one in frames
    ]
    return {block.stream: block for block in decoder.feed(chunks)}, decoder.report()


# --- the contract


class SimulatedAdapter(SerialDevice):
    """An adapter on a bus with three messages, one of them multiplexed; silent until opened."""

    def __init__(self) -> None:
        super().__init__()
        self.count = 0
        self.opened = False

    def answer(self, request: bytes, now_ns: int) -> bytes:
        for command in request.split(b"\r"):
            if command in (b"C", b"L", b"O"):
                self.opened = command != b"C"
        return b"\r" * request.count(b"\r")

    def step(self, now_ns: int) -> bytes:
        if not self.opened:
            return b""
        self.count += 1
        n = self.count
        speed, oil, torque = n % 65536, (n * 7) % 250, (n * 5) % 2048 - 1024
        data = speed.to_bytes(2, "little") + bytes([oil]) + (torque & 0xFFF).to_bytes(2, "little")
        sent_ns = now_ns - 1_000_000
        self.sampled(
            "engine", sent_ns, engine_speed=speed * 0.25, oil_temp=oil - 40, torque=torque * 0.5
        )
        frames = [frame(256, data.hex() + "000000")]
        page, always = n % 2, n % 16
        self.sampled("pages", sent_ns, page=page, always=always)
        if page == 0:
            self.sampled("pages_page_0", sent_ns, coolant=n % 256 - 40)
            value = n % 256
        else:
            value = n % 65536
            self.sampled("pages_page_1", sent_ns, voltage=value * 0.001)
        payload = bytes([page | always << 4]) + value.to_bytes(2, "little") + b"\0"
        frames.append(frame(512, payload.hex()))
        if n % 5 == 0:
            self.sampled("engine_extended", sent_ns, spare=n)
            frames.append(frame(0x1000000, n.to_bytes(2, "little").hex(), FLAG_EXTENDED))
        frames.append(frame(0x7FF, "00"))
        return slcan.encode(np.concatenate(frames))


class TestContract(DriverContract):
    """CAN by DBC over an adapter on a pseudo-terminal."""

    driver = CanDbc
    settings: Mapping[str, Any] = {"dbc": "car.dbc"}
    documents: Mapping[str, bytes] = {"car.dbc": SOUND.replace(' 0 "cold"', "").encode()}
    wire: Mapping[str, Any] = {"kind": "slcan", "byte_ns": 0.0, "bitrate": 500_000}
    checked = False  # a line of the adapter has no checksum
    edge_bytes = 1

    def simulated(self) -> SimulatedAdapter:
        return SimulatedAdapter()

    def capture(self) -> Capture:
        """Without the bit rate: bounds of frames that came in one chunk depend on it being whole,
        and the contract cuts chunks. test_slcan.py has the bounds."""
        kept = super().capture()
        facts = {**kept.preface.wire, "bitrate": 0}
        return replace(kept, preface=replace(kept.preface, wire=facts))


# --- streams and channels


def test_streams_of_a_file() -> None:
    streams = {stream.name: stream for stream in driver(SOUND).streams({})}
    assert list(streams) == ["engine", "engine_extended", "pages", "pages_page_0", "pages_page_1"]
    assert (streams["engine"].rate_hz, streams["engine"].cyclic) == (100.0, True)
    assert (streams["engine_extended"].rate_hz, streams["engine_extended"].cyclic) == (None, False)
    assert (streams["pages"].rate_hz, streams["pages_page_0"].rate_hz) == (10.0, None)
    speed, oil, torque = streams["engine"].channels
    assert (speed.name, speed.unit, speed.scale, speed.raw_bits) == (
        "engine_speed",
        "rpm",
        0.25,
        16,
    )
    assert (oil.low, oil.high, oil.offset, oil.kind) == (-40, 215, -40, "continuous")
    assert (torque.unit, torque.raw_signed) == ("N.m", True)
    always = streams["pages"].channels[1]
    assert (always.kind, always.labels) == ("state", {0: "off", 1: "on"})
    assert speed.source == "DBC 0x100 Engine.EngineSpeed"


def test_wanted_messages() -> None:
    assert [s.name for s in driver(SOUND, "Engine").streams({})] == ["engine"]
    with pytest.raises(
        ConfigError, match=r"car\.dbc: has no message 'Engin'; did you mean 'Engine"
    ):
        driver(SOUND, "Engin").streams({})
    blocks, report = decoded(driver(SOUND, "Engine"), frame(512, "00000000"), frame(256, "00" * 8))
    assert set(blocks) == {"engine"}
    assert report["frames_matched_share"] == 1.0, "the file's messages count, wanted or not"


def test_names_are_unique_and_free_of_reserved_endings() -> None:
    text = HEAD + "".join(
        f'BO_ {n} {name}: 8 ECU\n SG_ {signal} : 0|8@1+ (1,0) [0|0] "" ECU\n'
        for n, (name, signal) in enumerate(
            [("A", "Same"), ("B", "same"), ("GearStatus", "GearStatus"), ("C", "_4WD"),
             ("L" * 70, "M" * 70), ("L" * 71, "M" * 71)], 1)
    )  # fmt: skip
    streams = driver(text).streams({})
    names = [s.name for s in streams] + [c.name for s in streams for c in s.channels]
    assert names[:4] == ["a", "b", "gear_status_value", "c"]
    assert names[6:10] == ["a_same", "b_same", "gear_status_value", "x_4_wd"]
    assert len(set(names[:6])) == len(set(names[6:])) == 6
    # a wanted message keeps its names
    assert [c.name for c in driver(text, "B").streams({})[0].channels] == ["b_same"]


@pytest.mark.parametrize(
    ("written", "expected"),
    [("IntAirTemp", "int_air_temp"), ("CF_Ems_ChkSum", "cf_ems_chk_sum"), ("N", "n"), ("ABSDiag",
     "abs_diag"), ("Öltemp", "oltemp"), ("4WD", "x_4_wd"), ("__", "x"), ("RPM2", "rpm2")],
)  # fmt: skip
def test_snake_case(written: str, expected: str) -> None:
    assert snake_case(written) == expected


def test_units_are_known_or_plain_numbers() -> None:
    assert unit_of("°C").name == "degC"
    assert unit_of("KPA").name == "kPa"
    assert unit_of("kph").name == "km/h"
    assert unit_of("furlong") == ("1", 1.0, False)
    assert unit_of("g") == ("1", 1.0, False), "a mass or an acceleration"
    # Source: NIST SP 811: 1 mile = 1.609344 km; 1 metric horsepower = 0.73549875 kW
    assert unit_of("mph")[:2] == ("km/h", pytest.approx(1.609344, rel=1e-12))
    assert unit_of("PS")[:2] == ("kW", pytest.approx(0.73549875, rel=1e-12))
    text = SOUND.replace('"rpm"', '"mph"').replace('"V"', '"furlong"')
    streams = driver(text).streams({})
    assert all(UNITS[c.unit].stored for s in streams for c in s.channels)
    assert streams[0].channels[0].scale == pytest.approx(0.25 * 1.609344)
    assert driver(text).notes() == ("units not known, recorded as plain numbers: 'furlong'",)


# --- decoding


def test_values_by_hand() -> None:
    # worked by hand: 0x0E2C = 3628 * 0.25 = 907 rpm; 0x82 = 130 - 40 = 90; 0xF9C = -100 * 0.5
    blocks, report = decoded(driver(SOUND), frame(256, "2C0E829CEF000000", t_ns=123))
    engine = blocks["engine"]
    assert engine.t_hi.tolist() == [123]
    assert {name: raw.tolist() for name, raw in engine.raw.items()} == {
        "engine_speed": [3628], "oil_temp": [130], "torque": [-100]
    }  # fmt: skip
    assert (report["frames_ok"], report["frames_bad"]) == (1, 0)


def test_standard_and_extended_apart() -> None:
    blocks, report = decoded(
        driver(SOUND),
        frame(0x1000000, "0100", FLAG_EXTENDED),
        frame(0x100, "00" * 8, FLAG_EXTENDED),
    )
    assert set(blocks) == {"engine_extended"}
    assert report["frames_unknown"] == 1
    assert report["unknown_ids"] == "0x00000100x 1"
    assert report["hint"] == "0x00000100x arrives, and the DBC has 0x100"


def test_multiplexed_signals_are_streams_of_their_own() -> None:
    blocks, report = decoded(
        driver(SOUND),
        frame(512, "10820000", t_ns=1),
        frame(512, "01E02E00", t_ns=2),
        frame(512, "0F000000", t_ns=3),
    )
    assert blocks["pages"].raw["always"].tolist() == [1, 0, 0]
    assert blocks["pages_page_0"].raw["coolant"].tolist() == [130]
    assert blocks["pages_page_1"].raw["voltage"].tolist() == [12000]
    assert blocks["pages_page_1"].t_hi.tolist() == [2]
    assert report["multiplexer_unknown"] == 1
    assert report["unknown_multiplexers"] == "Pages 1"


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


def test_extended_multiplexing() -> None:
    # Source: DBC SG_MUL_VAL_ ranges; values by hand, and cantools in test_can_dbc_oracle.py
    made = driver(EXTENDED_MULTIPLEXING)
    payloads = ["00000A00", "00040B00", "00070C00", "00060D00", "01000E2A", "0200000B"]
    payloads.append("09000000")
    blocks, report = decoded(made, *(frame(100, data + "00000000") for data in payloads))
    found = {c: raw.tolist() for block in blocks.values() for c, raw in block.raw.items()}
    assert found == {
        "outer": [0, 0, 0, 0, 1, 2, 9],
        "inner": [0, 4, 7, 6],
        "s2": [0x0A],
        "s3": [0x0B, 0x0C],
        "s1": [0x2A, 0x0B],
    }
    assert report["multiplexer_unknown"] == 2  # inner 6, outer 9


def test_short_frames_signal_by_signal() -> None:
    # by hand: 2 bytes hold the little-endian speed, byte 2 the big-endian oil temperature;
    # the torque needs bits of bytes 3 and 4
    made = driver(SOUND)
    blocks, report = decoded(
        made, frame(256, "2C0E829CEF000000"), frame(256, "2C0E82"), frame(256, "2C0E829C"),
        frame(256, "2C"), frame(256, ""),
    )  # fmt: skip
    engine = blocks["engine"]
    assert len(engine) == 3, "rows without any value are left out"
    assert engine.raw["engine_speed"].tolist() == [3628] * 3
    assert engine.raw["oil_temp"].tolist() == [130] * 3
    assert engine.missing["torque"].tolist() == [False, True, True]
    assert set(engine.missing) == {"torque"}
    assert (report["frames_short"], report["frames_ok"]) == (4, 5)


def test_a_big_endian_signal_in_a_short_frame() -> None:
    # by hand: 16 bits from byte 1's highest bit: bytes 1 and 2, byte 1 first
    text = HEAD + 'BO_ 1 M: 4 ECU\n SG_ V : 15|16@0+ (1,0) [0|0] "" ECU\n'
    blocks, _ = decoded(driver(text), frame(1, "001234"), frame(1, "00123456"), frame(1, "0012"))
    assert blocks["m"].raw["v"].tolist() == [0x1234, 0x1234]


def test_overlapping_signals_are_each_read() -> None:
    text = HEAD + (
        'BO_ 1 M: 2 ECU\n SG_ Whole : 0|16@1+ (1,0) [0|0] "" ECU\n'
        ' SG_ Part : 4|8@1- (1,0) [0|0] "" ECU\n'
    )
    blocks, report = decoded(driver(text), frame(1, "F0CF"))
    assert blocks["m"].raw["whole"].tolist() == [0xCFF0]
    assert blocks["m"].raw["part"].tolist() == [-1]
    assert "overlapping" in report["dbc_notes"]


def test_only_received_data_frames_count() -> None:
    flags = (FLAG_SENT, FLAG_ERROR, FLAG_REMOTE)
    blocks, report = decoded(driver(SOUND), *(frame(256, "00" * 8, flag) for flag in flags))
    assert blocks == {}
    assert (report["frames_ok"], report["frames_unknown"], report["frames_passed_over"]) == (
        0,
        0,
        3,
    )


def test_a_label_for_no_value_marks_it_missing() -> None:
    # common practice, no source: the label SNA ("signal not available") on a physical signal
    blocks, _ = decoded(driver(SOUND), frame(256, "0000FF0000000000"), frame(256, "00" * 8))
    assert blocks["engine"].missing["oil_temp"].tolist() == [True, False]
    assert blocks["engine"].raw["oil_temp"].tolist() == [255, 0], "the raw value stays"


def test_can_fd_frames() -> None:
    text = HEAD + (
        'BO_ 1 M: 64 ECU\n SG_ Low : 0|8@1+ (1,0) [0|0] "" ECU\n'
        ' SG_ Far : 500|12@1+ (1,0) [0|0] "" ECU\n SG_ Wide : 84|64@1- (1,0) [0|0] "" ECU\n'
    )
    data = bytes(range(64))
    blocks, _ = decoded(driver(text), frame(1, data.hex(), kind=FRAME_FD), frame(1, "07"))
    number = int.from_bytes(data, "little")
    assert blocks["m"].raw["low"].tolist() == [0, 7]
    assert blocks["m"].raw["far"].tolist()[0] == (number >> 500) & 0xFFF
    wide = (number >> 84) & (2**64 - 1)
    assert blocks["m"].raw["wide"].tolist()[0] == wide - 2**64 * (wide >> 63)
    assert blocks["m"].missing["far"].tolist() == [False, True]


def test_messages_never_seen_and_a_file_of_another_car() -> None:
    strangers = [frame(0x300 + n % 3, "00") for n in range(120)]
    _, report = decoded(driver(SOUND), *strangers, frame(256, "00" * 8))
    assert report["messages_never_seen"] == 2
    assert report["never_seen"] == "Pages, EngineExtended"
    assert report["unknown_ids"] == "0x300 40, 0x301 40, 0x302 40"
    assert "knows only 1 % of the frames" in report["hint"]
    json.dumps(report)


def test_a_later_record_and_a_missing_file() -> None:
    with pytest.raises(ConfigError, match=r"car\.dbc: the DBC file is missing"):
        CanDbc(DbcConfig(Path("car.dbc")), {}).streams({})


def test_listening_sends_nothing() -> None:
    talk = driver(SOUND).conversation()
    actions = [*talk.opened(0), *talk.received(Chunk(ChunkKind.RX, 0, b"t1000\r")), *talk.wake(9)]
    assert [type(action).__name__ for action in actions] == ["Identified"]


# --- files with mistakes


@pytest.mark.parametrize(
    ("bad", "good", "note"),
    [
        ("BO_ 256 Engine:", "BO_ 256 2017_Engine:",
         "line 6: name '2017_Engine' is not one in a DBC; read as '_2017_Engine'"),
        ("BO_ 256 Engine: 8", "BO_ 4097 Engine: 8",
         "line 6: message Engine: identifier 0x1001 has more than 11 bits"),
        ("SG_ OilTemp : 23", "SG_ OilTemp : 2x3", "line 8: cannot be read; left out: 'SG_ OilTemp"),
        ('VAL_ 512 Always 0 "off"', 'VAL_ 513 Always 0 "off"', "labels of Always belong to no"),
        ('VAL_ 512 Always 0 "off"', 'CM_ 145 "orphan";\nVAL_ 512 Always 0 "off"', "cannot be read"),
        ("NS_ :\nBS_:\nBU_: ECU\n", "NS_ :\n NS_DESC_\n", "section NS_ without BS_; passed over"),
    ],
)  # fmt: skip
def test_one_bad_line_costs_no_other_message(bad: str, good: str, note: str) -> None:
    text = SOUND.replace(bad, good, 1)
    assert text != SOUND
    made = driver(text)
    assert len({stream.name for stream in made.streams({})} & {"engine", "pages", "2017_engine",
                "x_2017_engine", "engine_extended"}) == 3  # fmt: skip
    assert any(note in found for found in made.notes()), made.notes()


def test_a_repaired_identifier_keeps_its_labels() -> None:
    text = SOUND.replace("512", "70000")
    streams = {s.name: s for s in driver(text).streams({})}
    assert streams["pages"].channels[1].labels == {0: "off", 1: "on"}
    assert streams["pages"].rate_hz == 10


def test_an_unfinished_statement_is_the_one_left_out() -> None:
    text = SOUND.replace('1 "on";', '1 "on"').replace("VAL_ 512", "CM_ BO_ 256 fast\nVAL_ 512")
    dbc = read_dbc(text.encode(), "a.dbc")
    assert [m.name for m in dbc.messages] == ["Engine", "EngineExtended", "Pages"]


def test_a_name_that_each_multiplexer_value_has() -> None:
    text = HEAD + (
        'BO_ 1 M: 2 ECU\n SG_ Page M : 0|1@1+ (1,0) [0|0] "" ECU\n'
        ' SG_ Count m0 : 8|4@1+ (1,0) [0|0] "" ECU\n SG_ Count m1 : 12|4@1+ (1,0) [0|0] "" ECU\n'
    )
    made = driver(text)
    assert [c.name for s in made.streams({}) for c in s.channels] == [
        "page",
        "m_count",
        "m_count_2",
    ]
    blocks, _ = decoded(made, frame(1, "0021"), frame(1, "0121"))
    assert blocks["m_page_0"].raw["m_count"].tolist() == [1]
    assert blocks["m_page_1"].raw["m_count_2"].tolist() == [2]


def test_signals_under_a_multiplexer_that_cannot_be_read_are_left_out() -> None:
    text = SOUND.replace("SG_ Page M : 0|4@1+", "SG_ Page M : 0|65@1+")
    made = driver(text)
    assert [s.name for s in made.streams({})] == ["engine", "engine_extended", "pages"]
    assert "message Pages: Coolant depend on Page, which cannot be read" in made.notes()


def test_other_encodings() -> None:
    for encoding in ("utf-8", "utf-8-sig", "cp1252"):
        made = driver(SOUND.encode(encoding))
        assert made.streams({})[3].channels[0].unit == "degC"


@pytest.mark.parametrize("content", [b"", b"\x00\xff" * 50, b"hello", b"BO_ x"])
def test_what_is_no_dbc_is_refused_by_name(content: bytes) -> None:
    with pytest.raises(ConfigError, match=r"car\.dbc: "):
        driver(content).streams({})
