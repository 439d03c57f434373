"""Declared text instruments: the contract on simulated ones, every key by hand-made lines.

Source of the lines of this file: invented, or the recorded data's own list where it says so.
"""

from __future__ import annotations

import csv
import random
import re
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.driver import Block, Chunk, ChunkKind, Preface
from daq.errors import ConfigError
from daq.testing import DriverContract, SerialDevice
from daq.testing.faults import cut
from daq.testing.rows import malformed, tables
from drivers.text_line import TextLine, TextLineConfig

STREAMS = Path(__file__).resolve().parents[2] / "config" / "streams"
GAS = (STREAMS / "gas_analyser_text.toml").read_bytes()
WIDEBAND = (STREAMS / "wideband_text.toml").read_bytes()


def driver(text: str | bytes) -> TextLine:
    content = text.encode() if isinstance(text, str) else text
    return TextLine(TextLineConfig(Path("x.toml")), {"x.toml": content})


def rows(made: TextLine, *data: bytes) -> tuple[dict[str, list[tuple[Any, ...]]], dict[str, Any]]:
    """Rows by stream, and the report."""
    decoder = made.decoder(Preface("text_line", 1))
    blocks = decoder.feed([Chunk(ChunkKind.RX, 1000 * n, part) for n, part in enumerate(data)])
    assert malformed(made.streams({}), blocks) == []
    found = tables(made.streams({}), blocks)
    return {name: table.rows for name, table in found.items()}, decoder.report()


# --- the contract


class SimulatedWideband(SerialDevice):
    """Prints lambda, or why there is none."""

    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(11)

    def step(self, now_ns: int) -> bytes:
        text = self.value.choice(["HEAT", "RICH", "LEAN", "ERR"])
        lambda_left = None
        if self.value.randrange(4):
            lambda_left = self.value.randrange(650, 2000) / 1000
            text = f"{lambda_left:.3f}"
        state = 0 if lambda_left else 1 + ["HEAT", "RICH", "LEAN", "ERR"].index(text)
        heater, hot = self.value.randrange(120), self.value.randrange(20, 900)
        self.sampled(
            "exhaust",
            now_ns,
            lambda_left=lambda_left,
            lambda_left_state=state,
            heater=heater if heater <= 100 else None,
            sensor_temperature=hot,
        )
        return f"{text};{heater}.0; {hot}\r\n".encode()


class TestWidebandContract(DriverContract):
    driver = TextLine
    settings: ClassVar = {"declaration": "wideband.toml"}
    documents: ClassVar = {"wideband.toml": WIDEBAND}
    checked = False  # the lines carry no checksum

    def simulated(self) -> SimulatedWideband:
        return SimulatedWideband()


class SimulatedAnalyser(SerialDevice):
    """Answers with four gases and a checksum."""

    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(12)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        if request != b"G?\r":
            return b"?\r"
        pick = self.value
        if not pick.randrange(12):
            return b"BUSY\r"
        co, co2, o2 = pick.randrange(1000) / 100, pick.randrange(200) / 10, pick.randrange(250) / 10
        hc, speed = pick.randrange(10000), pick.randrange(600, 6000)
        state = pick.choice([0, 0, 1, 2])
        text = [f"{co:.2f}", "----", "OVER"][state]
        hydrocarbons = ["value", None, None][state] and hc
        shown = [str(hc), "----", "OVER"][state]
        self.sampled(
            "gas",
            now_ns,
            co=None if state else co, co_state=state, co2=co2, co2_state=0,
            hc=None if hydrocarbons is None else hc * 1e-6, hc_state=state,
            o2=o2, o2_state=0, engine_speed=speed,
        )  # fmt: skip
        line = f"G,{text},{co2:.1f},{shown},{o2:.1f},{speed},".encode()
        return line + b"%02X\r" % (sum(line) % 256)


class TestAnalyserContract(DriverContract):
    """The declaration's rate and time-out, made quicker for the test."""

    driver = TextLine
    settings: ClassVar = {"declaration": "gas.toml"}
    documents: ClassVar = {
        "gas.toml": GAS.replace(b"rate_hz = 2.0", b"rate_hz = 30.0").replace(
            b"timeout_s = 0.25", b"timeout_s = 0.05"
        )
    }
    polled = True
    late_s = 0.08
    edge_bytes = 1

    def simulated(self) -> SimulatedAnalyser:
        return SimulatedAnalyser()


# --- recordings


def recorded(path: Path) -> list[Chunk]:
    with path.open() as file:
        table = list(csv.DictReader(file))
    return [
        Chunk(ChunkKind.RX, round(float(r["t_s"]) * 1e9), bytes.fromhex(r["hex"])) for r in table
    ]


def declared(name: str) -> TextLine:
    path = Path(name)
    return TextLine(TextLineConfig(path), {name: (STREAMS / name).read_bytes()})


def test_a_scale_by_declaration_alone(shared):
    """Source: the recorded data's own list; the judge is a split by columns of the bytes."""
    chunks = recorded(shared / "serial" / "scale_ascii_1200_8n2.bytes.csv")
    lines = b"".join(chunk.data for chunk in chunks).split(b"\r\n")[:-1]
    expected = [
        (None if line.endswith(b"E") else float(line[:8]), b"SUE".index(line[-1:]))
        for line in lines
    ]
    made = declared("scale_text.toml")
    decoder = made.decoder(Preface("text_line", 1))
    blocks = decoder.feed(chunks)
    table = tables(made.streams({}), blocks)["weight"]
    assert table.rows == expected[1:]  # the first may be the rest of a cut one
    assert table.rows[7:9] == [(26.98, 1), (456.51, 1)]  # by eye
    assert sum(mass is None for mass, _ in table.rows) == 15
    assert decoder.report()["frames_bad"] == decoder.report()["lines_other"] == 0
    assert np.median(np.diff(table.t_hi)) / 1e9 == pytest.approx(1 / 7.8, rel=0.02)


def test_a_treadmill_by_declaration_alone(shared):
    """Source: the recorded data's own list; the judge is a search of the bytes."""
    chunks = recorded(shared / "serial" / "treadmill_console_to_motor_9600.bytes.csv")
    data = b"".join(chunk.data for chunk in chunks)
    speeds = [int(text, 16) for text in re.findall(rb"\[hmph:([0-9A-F]+)\]\xff", data)]
    inclines = [int(text, 16) for text in re.findall(rb"\[inc:([0-9A-F]+)\]\xff", data)]
    made = declared("treadmill_text.toml")
    decoder = made.decoder(Preface("text_line", 1))
    found = tables(made.streams({}), decoder.feed(chunks))
    # hundredths of a statute mile of 1609.344 m an hour (NIST SP 811, appendix B.8)
    expected = [speed * 0.01 * 1.609344 for speed in speeds]
    assert [row[0] for row in found["speed"].rows] == pytest.approx(expected)
    assert max(speeds) == 0xB4  # 1.80 miles an hour
    assert [row[0] for row in found["incline"].rows] == inclines
    assert (len(speeds), len(inclines)) == (54, 34)
    assert decoder.report()["frames_bad"] == 0
    assert decoder.report()["lines_other"] > 500


def test_every_declaration_is_sound_and_said_in_words():
    paths = [path for path in STREAMS.glob("*.toml") if "[[message]]" in path.read_text()]
    assert len(paths) >= 4
    for path in paths:
        assert declared(path.name).streams({})
        assert "message " in declared(path.name).sketch()


# --- keys

HEAD = 'source = "invented"\nterminator = "\\n"\n[[message]]\nname = "m"\n'
FIELD = '[[message.field]]\nname = "x"\n'


@pytest.mark.parametrize(
    ("keys", "text", "value"),
    [
        ("", "12.5", 12.5),
        ("", " - 12.5", -12.5),
        ("", "+.5e1", 5.0),
        ("", "", None),
        ('decimal_mark = ","', "12,5", 12.5),
        ("scale = 0.1\noffset = 2.0", "10", 3.0),
        ('number = "whole"', "-0012", -12),
        ('number = "hex"', "0x8c", 140),
        ("valid = [0, 10]", "11", None),
        ("valid = [0, 10]", "10", 10.0),
    ],
)
def test_numbers(keys, text, value):
    made = driver(HEAD + 'columns = ["x"]\nseparator = ";"\n' + FIELD + keys)
    assert rows(made, b"\n" + text.encode() + b"\n")[0]["m"] == [(value,)]


@pytest.mark.parametrize(
    ("keys", "text"),
    [
        ("", "1_000"), ("", "nan"), ("", "inf"), ("", "1e999"), ("", "12,5"), ("", "0x10"),
        ('number = "whole"', "1.5"), ('number = "whole"', "9" * 15), ('number = "hex"', "G1"),
        ('decimal_mark = ","', "1.250,5"), ('labels = { A = "a" }', "B"),
        ('states = { HOT = "hot" }', "HOTT"), ("", "\u00b2".encode("latin-1").decode("latin-1")),
    ],
)  # fmt: skip
def test_what_is_no_number_damages_the_line(keys, text):
    made = driver(HEAD + 'columns = ["x"]\nseparator = ";"\n' + FIELD + keys)
    found, report = rows(made, b"\n" + text.encode("latin-1") + b"\n")
    assert found["m"] == []
    assert report["frames_bad"] == 1


def test_a_state_stands_in_a_numbers_place():
    text = HEAD + 'columns = ["", "x"]\nseparator = " "\n' + FIELD
    made = driver(text + 'states = { "--" = "warming up", OL = "over range" }\n')
    found, _ = rows(made, b"\na  1.5\na OL\r\n\na --\n")
    assert found["m"] == [(1.5, 0), (None, 2), (None, 1)]
    value, state = made.streams({})[0].channels
    assert (value.name, state.name) == ("x", "x_state")
    assert state.labels == {0: "value", 1: "warming up", 2: "over range"}


def test_a_checksum_in_hex_digits_is_checked():
    """Source: a public example of the NMEA 0183 checksum: 28 for this sentence."""
    made = driver(
        HEAD + "pattern = '\\$(?P<checked>GPGLL,(?P<x>[\\d.]+),.*)\\*(?P<checksum>..)'\n"
        'checksum = { kind = "xor" }\n' + FIELD
    )
    sentence = b"\n$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\n"
    assert rows(made, sentence)[0]["m"] == [(5300.97914,)]
    found, report = rows(made, sentence.replace(b"5300", b"5301"), b"$GPGLL,1,*ZZ\n")
    assert (found["m"], report["frames_bad"]) == ([], 2)


def test_a_line_longer_than_declared_is_damaged():
    made = driver("longest = 9\n" + HEAD + 'columns = ["x"]\n' + FIELD)
    found, report = rows(made, b"\n1234567890\n", b"1" * 500, b"\n7\n")
    assert (found["m"], report["frames_bad"]) == ([(7.0,)], 2)


def test_the_rest_of_a_cut_line_is_not_believed():
    made = driver(HEAD + 'columns = ["x"]\n' + FIELD)
    opened = Chunk(ChunkKind.NOTE, 3, b'{"note": "opened"}')
    chunks = [
        Chunk(ChunkKind.RX, 1, b"5.25\n6.5\n7."), opened, Chunk(ChunkKind.RX, 5, b"75\n8.5\n")
    ]  # fmt: skip
    blocks = made.decoder(Preface("x", 1)).feed(chunks)
    assert [(b.raw["x"].tolist(), b.segment) for b in blocks] == [([6.5], 0), ([8.5], 1)]


def test_an_answer_may_follow_an_echo_and_a_prompt():
    made = driver(
        HEAD.replace("\\n", "\\r") + "pattern = '>?V=(?P<x>.*)'\nrefused = '>?\\?'\n"
        'poll = { text = "V\\r", rate_hz = 5.0 }\n' + FIELD
    )
    tx, rx = ChunkKind.TX, ChunkKind.RX
    chunks = [
        Chunk(tx, 0, b"V\r"), Chunk(rx, 1, b"V\r\r>V=1.5\r"),
        Chunk(tx, 10, b"V\r"), Chunk(rx, 11, b"V\r>?\r"),
        Chunk(tx, 20, b"V\r"), Chunk(rx, 21, b">V=2.5\r"),
        Chunk(tx, 30, b"V\r"),
    ]  # fmt: skip
    decoder = made.decoder(Preface("x", 1))
    blocks = decoder.feed(chunks)
    assert [v for b in blocks for v in b.raw["x"].tolist()] == [1.5, 2.5]
    assert decoder.report()["refused"] == 1


# --- noise


@given(
    st.lists(
        st.one_of(
            st.binary(max_size=60),
            st.sampled_from([b"0.985;50; 700\r\n", b"HEAT;1;20\r\n", b"\r\n", b";;\r\n"]),
        ),
        max_size=12,
    ),
    st.integers(0, 1 << 16),
)
def test_any_bytes_decode_alike_in_any_cut(parts, seed):
    chunks = [Chunk(ChunkKind.RX, n, part) for n, part in enumerate(parts)]
    made = driver(WIDEBAND)
    one, two = made.decoder(Preface("x", 1)), made.decoder(Preface("x", 1))
    whole = one.feed(chunks)
    pieces: list[Block] = []
    for piece in cut(chunks, random.Random(seed), 4):
        pieces += two.feed([piece])
    streams = made.streams({})
    assert tables(streams, whole) == tables(streams, pieces)
    assert malformed(streams, whole) == []
    assert one.report()["frames_bad"] == two.report()["frames_bad"]


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just(ChunkKind.RX), st.binary(max_size=30)),
            st.tuples(st.just(ChunkKind.TX), st.sampled_from([b"G?\r", b"other"])),
            st.tuples(st.just(ChunkKind.RX), st.just(b"G,1,2,3,4,5,05\r")),
        ),
        max_size=12,
    )
)
def test_polled_decoding_survives_any_bytes(events):
    chunks = [Chunk(kind, n, data) for n, (kind, data) in enumerate(events)]
    made = driver(GAS)
    assert malformed(made.streams({}), made.decoder(Preface("x", 1)).feed(chunks)) == []


# --- declarations

SOUND = HEAD + "pattern = 'a(?P<x>.*)'\n" + FIELD


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('source = "invented"', "", "x.toml: source: missing; expected a text"),
        ("pattern", "patern", "message[m].patern: no such key; did you mean 'pattern'?"),
        ("'a(?P<x>.*)'", "'a(?P<x>.*'", "message[m]: pattern: not a regular expression: missing )"),
        ("'a(?P<x>.*)'", "'a(?P<y>.*)'", "field x: no part of the line is called 'x'; known: y"),
        ("pattern = 'a(?P<x>.*)'", "", "message[m]: expected exactly one of pattern and columns"),
        (FIELD, "", "message[m]: field: expected at least one"),
        (FIELD, FIELD + FIELD, "field: x: declared more than once"),
        ('name = "x"', 'name = "x"\nnumber = "hx"', "field[x].number: expected one of 'decimal'"),
        ('name = "x"', 'name = "x"\nunit = "kpa"', "no unit is written 'kpa'; did you mean 'kPa'?"),
        ('name = "x"', 'name = "x"\nvalid = [2, 1]', "valid: expected the lowest first"),
        ('name = "x"', 'name = "x"\nscale = 0', "scale: expected another number than 0"),
        (
            'name = "x"',
            'name = "x"\nlabels = { A = "a" }\nstates = { B = "b" }',
            "labels, states: expected one of them, not both",
        ),
        ('name = "x"', 'name = "x"\nvalid_when = { z = ["1"] }', "no part of the line is called 'z'"),  # noqa: E501
        ("pattern =", 'checksum = { kind = "xor" }\npattern =', "checksum: expected together with"),
        ("pattern =", "refused = '('\npattern =", "refused: not a regular expression"),
        ("pattern =", "poll = { rate_hz = 1 }\npattern =", "expected exactly one of request (hex)"),
        ("pattern =", 'poll = { text = "\u20ac", rate_hz = 1 }\npattern =', "is not one byte"),
        ('terminator = "\\n"', 'terminator = ""', "terminator: expected characters of one byte"),
    ],
)  # fmt: skip
def test_a_mistake_names_the_key_and_what_was_expected(old, new, words):
    assert old in SOUND
    with pytest.raises(ConfigError) as caught:
        driver(SOUND.replace(old, new, 1)).streams({})
    assert words in str(caught.value)
