"""Declared byte streams: the contract on simulated devices, and every key by hand-made frames.

Source of the frames of this file: invented; checksums from published check values or the library
crccheck; floating numbers by struct.
"""

from __future__ import annotations

import random
import struct
import tomllib
from pathlib import Path
from typing import Any, ClassVar

import numpy as np
import pytest
from cobs import cobs
from crccheck.crc import Crc16Ibm3740, Crc16Modbus
from hypothesis import given
from hypothesis import strategies as st

from daq.config import load
from daq.driver import Block, Chunk, ChunkKind, Preface
from daq.errors import ConfigError
from daq.testing import DriverContract, SerialDevice
from daq.testing.faults import cut
from daq.testing.rows import malformed
from drivers.byte_stream import ByteStreamConfig, ByteStreamDriver, Declaration, byte_map

STREAMS = Path(__file__).resolve().parents[2] / "config" / "streams"
ENGINE = (STREAMS / "engine_stream.toml").read_bytes()
MODBUS = (STREAMS / "modbus_meter.toml").read_bytes()


def driver(text: str | bytes) -> ByteStreamDriver:
    content = text.encode() if isinstance(text, str) else text
    return ByteStreamDriver(ByteStreamConfig(Path("x.toml")), {"x.toml": content})


def feed(made: ByteStreamDriver, *data: bytes) -> tuple[list[Block], dict[str, Any]]:
    decoder = made.decoder(Preface("byte_stream", 1))
    blocks = decoder.feed([Chunk(ChunkKind.RX, 1000 * n, part) for n, part in enumerate(data)])
    assert malformed(made.streams({}), blocks) == []
    return blocks, decoder.report()


def values(blocks: list[Block], channel: str) -> list[Any]:
    return [
        None if gone else value
        for block in blocks
        if channel in block.raw
        for value, gone in zip(
            block.raw[channel].tolist(),
            block.missing.get(channel, np.zeros(len(block), bool)).tolist(),
        )
    ]


# --- the contract


def engine_frame(n: int, sampled: Any = None, now_ns: int = 0) -> bytes:
    rng = random.Random(n)
    speed, pressure, coolant = rng.randrange(36000), rng.randrange(30000), rng.randrange(256)
    advance, throttle, state = rng.randrange(-500, 500), rng.randrange(1001), rng.randrange(4)
    held, target = rng.randrange(2), rng.randrange(65536)
    if n % 7 == 0:
        pressure = 0xFFFF
    word = throttle | state << 10 | held << 15
    body = struct.pack("<BHHBhHH", n % 256, speed, pressure, coolant, advance, word, target)
    if sampled is not None:
        sampled(
            "engine",
            now_ns,
            engine_speed=speed * 0.25,
            manifold_pressure=None if pressure == 0xFFFF else pressure * 0.01,
            coolant=coolant - 40 if coolant <= 250 else None,
            ignition_advance=advance * 0.1,
            throttle=throttle * 0.1 if held else None,
            fuel_state=state,
            target_lambda=target * 0.0001,
        )
    return b"\xa5\x5a" + body + struct.pack("<H", Crc16Ibm3740.calc(body))


class SimulatedEngine(SerialDevice):
    period_s = 0.01

    def __init__(self) -> None:
        super().__init__()
        self.count = 240  # wraps soon

    def step(self, now_ns: int) -> bytes:
        self.count += 1
        return engine_frame(self.count, self.sampled, now_ns)


class TestEngineContract(DriverContract):
    driver = ByteStreamDriver
    settings: ClassVar = {"declaration": "engine.toml"}
    documents: ClassVar = {"engine.toml": ENGINE}

    def simulated(self) -> SimulatedEngine:
        return SimulatedEngine()


class SimulatedMeter(SerialDevice):
    """Answers three of its registers by Modbus RTU."""

    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(8)

    def answer(self, request: bytes, now_ns: int) -> bytes:
        if len(request) != 8 or Crc16Modbus.calc(request[:6]) != int.from_bytes(
            request[6:], "little"
        ):
            return b""
        register = int.from_bytes(request[2:4], "big")
        if register == 1029:
            number = self.value.randrange(65536)
            payload = struct.pack(">BBBH", 1, 3, 2, number)
        else:
            number = struct.unpack(">f", struct.pack(">f", self.value.uniform(-1e3, 1e3)))[0]
            high, low = struct.unpack(">HH", struct.pack(">f", number))
            payload = struct.pack(">BBBHH", 1, 3, 4, low, high)
        self.sampled(f"register_{register}", now_ns, **{f"value_{register}": number})
        return payload + struct.pack("<H", Crc16Modbus.calc(payload))


class TestModbusContract(DriverContract):
    """The declaration's rates and time-outs, made ten times quicker for the test."""

    driver = ByteStreamDriver
    settings: ClassVar = {"declaration": "modbus.toml"}
    documents: ClassVar = {
        "modbus.toml": MODBUS.replace(b"rate_hz = 2.0", b"rate_hz = 20.0")
        .replace(b"rate_hz = 1.0", b"rate_hz = 10.0")
        .replace(b"timeout_s = 0.3", b"timeout_s = 0.05")
    }
    polled = True
    late_s = 0.08

    def simulated(self) -> SimulatedMeter:
        return SimulatedMeter()


BOX = """
source = "invented"
[[frame]]
name = "box"
sync = "42"
coding = "cobs"
longest = 40
byte_order = "little"
[frame.checksum]
sum = { kind = "fletcher", width = 16 }
[frame.counter]
at = 1
type = "u32"
kind = "tick"
rate_hz = 1000000.0
[[frame.field]]
name = "level"
unit = "V"
at = 5
type = "f32"
[[frame.field]]
name = "extra"
unit = "1"
at = 9
type = "i24"
"""


def fletcher16(data: bytes) -> bytes:
    """By the definition, one byte at a time."""
    first = second = 0
    for byte in data:
        first = (first + byte) % 255
        second = (second + first) % 255
    return bytes([second, first])


class SimulatedBox(SerialDevice):
    """Sends ticks of its own clock, and every third frame without its last field."""

    def __init__(self) -> None:
        super().__init__()
        self.value = random.Random(9)
        self.begun_ns = 0

    def step(self, now_ns: int) -> bytes:
        self.begun_ns = self.begun_ns or now_ns
        tick = ((1 << 32) - 200_000 + (now_ns - self.begun_ns) // 1000) % (1 << 32)
        level = struct.unpack("<f", struct.pack("<f", self.value.uniform(-5, 5)))[0]
        extra = self.value.randrange(-(1 << 23), 1 << 23)
        short = self.value.randrange(3) == 0
        body = struct.pack("<BIf", 0x42, tick, level)
        body += b"" if short else (extra % (1 << 24)).to_bytes(3, "little")
        self.sampled("box", now_ns, level=level, extra=None if short else extra)
        return cobs.encode(body + fletcher16(body)) + b"\0"


class TestCobsContract(DriverContract):
    driver = ByteStreamDriver
    settings: ClassVar = {"declaration": "box.toml"}
    documents: ClassVar = {"box.toml": BOX.encode()}

    def simulated(self) -> SimulatedBox:
        return SimulatedBox()


# --- lengths, checksums, counters

HEAD = 'source = "invented"\n[[frame]]\nname = "f"\n'
ONE = '[[frame.field]]\nname = "c"\nunit = "1"\nat = 2\ntype = "u8"\n'


def test_a_counted_frame_carries_its_length():
    made = driver(
        HEAD
        + 'sync = "AA"\ncounted = { at = 1, plus = 3 }\nlongest = 12\n'
        + '[frame.checksum]\nsum = { kind = "sum_twos_complement" }\n'
        + ONE
        + '[[frame.field]]\nname = "d"\nunit = "1"\nat = 4\ntype = "u8"\n'
    )

    def frame(*payload: int) -> bytes:
        body = bytes([0xAA, len(payload), *payload])
        return body + bytes([-sum(body) % 256])

    blocks, report = feed(made, frame(7), frame(8, 1, 2, 3), b"\xaa\xff" + frame(9))
    assert values(blocks, "c") == [7, 8, 9]
    assert values(blocks, "d") == [None, 2, None]
    assert report["frames_bad"] == 1


def test_a_delimited_frame_ends_where_the_delimiter_is():
    made = driver(
        HEAD
        + 'sync = "24"\nends = "0D 0A"\n'
        + '[frame.checksum]\nsum = { kind = "xor" }\nfirst = 1\nend = -3\nwritten = "hex"\n'
        + ONE.replace('"c"', '"c"\nlabels = { 0x50 = "position" }')
    )
    sentence = b"$GPGLL,5300.97914,N,00259.98174,E,125926,A*28\r\n"
    blocks, report = feed(made, b"junk$no" + sentence, sentence.replace(b"*28", b"*29"))
    assert values(blocks, "c") == [ord("P")]
    assert report["frames_bad"] == 1
    assert made.streams({})[0].channels[0].labels == {0x50: "position"}


def test_a_frame_without_a_checksum_may_ask_for_the_next_ones_sync():
    plain = driver(HEAD + 'sync = "AA 0?"\nlength = 4\n' + ONE)
    sure = driver(HEAD + 'sync = "AA 0?"\nlength = 4\nconfirm = true\n' + ONE)
    data = b"\xaa\x01\x11" + b"\xaa\x02\x22\x33" * 3  # a cut frame first
    assert values(feed(plain, data)[0], "c") == [0x11, 0x22, 0x22]
    assert values(feed(sure, data)[0], "c") == [0x22, 0x22]


def test_kinds_of_frame_are_told_apart_by_their_sync():
    made = driver(
        HEAD + 'sync = "AA 01"\nlength = 3\n' + ONE
        + '[[frame]]\nname = "g"\nsync = "AA 02"\nlength = 4\n'
        + '[[frame.field]]\nname = "d"\nunit = "1"\nat = 2\ntype = "i16"\n'
    )  # fmt: skip
    blocks, _ = feed(made, b"\xaa\x01\x05\xaa\x02\xff\xfe\xaa\x01\x06\xaa\x03")
    assert values(blocks, "c") == [5, 6]
    assert values(blocks, "d") == [-2]


@pytest.mark.parametrize(
    ("kind", "order", "data", "value"),
    [
        # Source: Python's struct for the plain orders; for the others the words or the bytes in
        # a word are exchanged, by hand.
        ("f32", "big", struct.pack(">f", 13.75), 13.75),
        ("f32", "little", struct.pack("<f", 13.75), 13.75),
        ("f32", "big_low_word_first", bytes.fromhex("0000 415C"), 13.75),
        ("f32", "little_high_word_first", bytes.fromhex("5C41 0000"), 13.75),
        ("f64", "big", struct.pack(">d", -1e-3), -1e-3),
        ("f32", "big", struct.pack(">f", float("nan")), None),
        ("i16", "little", struct.pack("<h", -300), -300),
        ("i32", "big", struct.pack(">i", -(1 << 31)), -(1 << 31)),
        ("u32", "little", struct.pack("<I", (1 << 32) - 2), (1 << 32) - 2),
        ("u32", "big_low_word_first", bytes.fromhex("0304 0102"), 0x01020304),
        ("i24", "big", bytes.fromhex("FFFFFE"), -2),
        ("u24", "little", bytes.fromhex("010203"), 0x030201),
    ],
)
def test_types_and_byte_orders(kind, order, data, value):
    field = f'[[frame.field]]\nname = "c"\nunit = "1"\nat = 1\ntype = "{kind}"\n'
    text = HEAD + f'sync = "AA"\nlength = {1 + len(data)}\nbyte_order = "{order}"\n' + field
    assert values(feed(driver(text), b"\xaa" + data)[0], "c") == [value]


@pytest.mark.parametrize(
    ("extra", "number", "value"),
    [
        ("bit = 4\nbits = 3", 0b0101_0000, 0b101),
        ("bit = 7", 0b1000_0000, 1),
        ("bits = 4", 0b1111_1010, 0b1010),
        ("missing = [255, 254]", 254, None),
        ("valid = [10, 20]", 9, None),
        ("valid = [10, 20]", 20, 20),
        ('valid_when = "0:1"', 3, 3),  # A? has bit 1 set: 0xAA
        ('valid_when = "0:0"', 3, None),
    ],
)
def test_bits_and_validity(extra, number, value):
    field = f'[[frame.field]]\nname = "c"\nunit = "1"\nat = 1\ntype = "u8"\n{extra}\n'
    made = driver(HEAD + 'sync = "AA"\nlength = 2\n' + field)
    assert values(feed(made, bytes([0xAA, number]))[0], "c") == [value]


def test_a_counter_becomes_an_index_over_wraps_losses_and_restarts():
    made = driver(ENGINE)
    counts = [250, 251, 253, 255, 256, 260, 30, 31]
    chunks = [
        Chunk(ChunkKind.RX, t * 10_000_000, engine_frame(n))
        for n, t in zip(counts, [0, 1, 3, 5, 6, 10, 400, 401])
    ]
    # 260 to 30 within 3.9 s is not 390 counts of 100 Hz modulo 256: the device began anew
    decoder = made.decoder(Preface("byte_stream", 1))
    blocks = decoder.feed(chunks)
    assert [b.index.tolist() for b in blocks] == [[250, 251, 253, 255, 256, 260], [30, 31]]
    assert [b.segment for b in blocks] == [0, 1]
    assert decoder.report()["restarts"] == 1
    # 512 counts later it says the same number again, and the time tells
    later = [Chunk(ChunkKind.RX, t * 10_000_000, engine_frame(7)) for t in (0, 512)]
    (block,) = made.decoder(Preface("byte_stream", 1)).feed(later)
    assert block.index.tolist() == [7, 519]


def test_an_echoing_line_gives_back_the_request_before_the_answer():
    made = driver(
        HEAD + 'sync = "83"\nlength = 3\nrefused = "83 7F"\n'
        'poll = { request = "83 10", rate_hz = 10.0, echo = true }\n' + ONE
    )
    tx, rx = ChunkKind.TX, ChunkKind.RX
    chunks = [
        Chunk(tx, 0, b"\x83\x10"), Chunk(rx, 1, b"\x83"), Chunk(rx, 2, b"\x10\x83\x10"),
        Chunk(rx, 3, b"\x05"),
        Chunk(tx, 10, b"\x83\x10"), Chunk(rx, 11, b"\x83\x10\x83\x7f"),
        Chunk(tx, 20, b"\x83\x10"), Chunk(rx, 21, b"\x83\x10\x83\x10\x06"),
        Chunk(tx, 30, b"\x83\x10"),
    ]  # fmt: skip
    decoder = made.decoder(Preface("byte_stream", 1))
    blocks = decoder.feed(chunks)
    assert values(blocks, "c") == [5, 6]
    assert decoder.report()["refused"] == 1


# --- noise


@given(st.binary(max_size=400), st.integers(0, 1 << 16))
def test_any_bytes_decode_alike_in_any_cut(data, seed):
    rng = random.Random(seed)
    middle = rng.randint(0, len(data))
    data = data[:middle] + engine_frame(seed) + data[middle:]
    chunks = [Chunk(ChunkKind.RX, 5, data)]
    for text in (ENGINE, BOX.encode(), (STREAMS / "meter_14.toml").read_bytes()):
        made = driver(text)
        one, two = made.decoder(Preface("x", 1)), made.decoder(Preface("x", 1))
        whole = one.feed(chunks)
        pieces = [b for piece in cut(chunks, rng, 5) for b in two.feed([piece])]
        for channel in made.streams({})[0].channels:
            assert values(whole, channel.name) == values(pieces, channel.name)
        assert one.report()["frames_bad"] == two.report()["frames_bad"]
    assert values(feed(driver(ENGINE), data, bytes(20))[0], "fuel_state") != []


@given(
    st.lists(
        st.one_of(
            st.tuples(st.just(ChunkKind.RX), st.binary(max_size=30)),
            st.tuples(
                st.just(ChunkKind.TX),
                st.sampled_from([bytes.fromhex("01 03 03 E8 00 02 44 7B"), b"other"]),
            ),
            st.tuples(st.just(ChunkKind.RX), st.just(bytes.fromhex("01 03 04 52 66 57 07 75 66"))),
        ),
        max_size=12,
    )
)
def test_polled_decoding_survives_any_bytes(events):
    chunks = [Chunk(kind, n, data) for n, (kind, data) in enumerate(events)]
    made = driver(MODBUS)
    blocks = made.decoder(Preface("x", 1)).feed(chunks)
    assert malformed(made.streams({}), blocks) == []


# --- declarations


def mistakes(text: str) -> str:
    with pytest.raises(ConfigError) as caught:
        driver(text).streams({})
    return str(caught.value)


SOUND = HEAD + 'sync = "AA"\nlength = 6\n[frame.checksum]\nsum = { kind = "xor" }\n' + ONE


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('source = "invented"', "", "x.toml: source: missing; expected a text"),
        (
            "length = 6",
            "lenght = 6",
            "x.toml: frame[f].lenght: no such key; did you mean 'length'?",
        ),
        ("length = 6", "", "frame[f]: expected exactly one of length, counted, ends and coding"),
        ("length = 6", 'length = "six"', "frame[f].length: expected a whole number from 1 to 4096"),
        ("length = 6", "length = 3", "field c: reaches to byte 2; expected at most 1"),
        ('sync = "AA"', 'sync = "XY"', "sync: expected hex bytes such as 'A5 4? ??'"),
        ('sync = "AA"', "", "sync: missing; expected how a frame begins, such as 'A5 5A'"),
        ('type = "u8"', 'type = "u9"', "frame[f].field[c].type: expected one of 'u8', 'u16'"),
        ('type = "u8"', "", "at and type go together"),
        ('type = "u8"', 'type = "u8"\nbit = 6\nbits = 3', "bits 6 to 8 do not fit u8"),
        ('type = "u8"', 'type = "f32"\nbits = 3', "bit, bits: expected a whole-number type"),
        ('unit = "1"', 'unit = "kpa"', "no unit is written 'kpa'; did you mean 'kPa'?"),
        ('unit = "1"', 'unit = "V"\nquantity = "temperature"', "unit 'V'"),
        ('name = "c"', 'name = "C"', "name: expected a name like"),
        ('name = "c"', 'name = "c_errors"', "its ending is reserved in the run file"),
        ('kind = "xor"', 'kind = "xr"', "frame[f].checksum.sum.kind: expected one of"),
        ('kind = "xor"', 'kind = "crc"', "frame[f].checksum.sum: polynomial: missing"),
        ("at = 2", "at = 2\nlabels = { on = '1' }", "labels: expected numbers such as 12 or 0x0C"),
        ("at = 2", "at = 2\nvalid_when = '3'", "valid_when: expected BYTE:BIT or BYTE:LOW-HIGH"),
        ("at = 2", "at = 2\nscale = 0.0", "scale: expected another number than 0"),
        (ONE, ONE + ONE, "field: c: declared more than once"),
        (ONE, "", "frame[f]: field: expected at least one"),
        (
            "length = 6",
            'length = 6\npoll = { request = "zz", rate_hz = 1 }',
            "frame[f].poll: request: expected hex bytes such as 'A5 0F', got 'zz'",
        ),
        (
            "length = 6",
            'length = 6\ncounter = { at = 4, type = "i8", rate_hz = 1 }',
            "frame[f].counter: type: expected an unsigned one, got 'i8'",
        ),
        ('[[frame]]\nname = "f"', '[[frame]]\nname = "f"\npoll', "not valid TOML"),
    ],
)
def test_a_mistake_names_the_key_and_what_was_expected(old, new, words):
    assert old in SOUND
    assert words in mistakes(SOUND.replace(old, new, 1))


def test_all_mistakes_of_a_declaration_come_together():
    text = SOUND.replace("length = 6", 'length = "six"').replace('type = "u8"', "type = 3")
    assert len(mistakes(text).splitlines()) == 2


@given(st.dictionaries(st.text(max_size=8), st.integers() | st.text(max_size=5), max_size=5))
def test_any_table_is_refused_with_words(table):
    with pytest.raises(ConfigError):
        load(Declaration, {**table, "frame": [table]})


def test_the_byte_map_shows_every_byte():
    drawn = byte_map(load(Declaration, tomllib.loads(SOUND)))
    assert drawn == "\n".join(
        [
            "frame f: 6 bytes",
            "    0           1           2           3           4           5",
            "   +-----------------------------------------------------------------------+",
            "   |    AA     |     .     |     c     |     .     |     .     | checksum  |",
            "   +-----------------------------------------------------------------------+",
            "  checksum: xor of 8 bits over byte 0 up to byte 5, at byte 5, big end first",
            "  c: byte 2, u8: 1 × raw in 1",
        ]
    )
    assert driver(ENGINE).sketch().startswith("line 115200 Bd 8N1\nframe engine: 16 bytes")


def test_a_crc_that_many_units_use():
    """Source: published check value of CRC-16/XMODEM over 123456789 (the CRC catalogue)."""
    made = driver(
        HEAD + 'sync = "31 32"\nlength = 11\n[frame.checksum]\n'
        'sum = { kind = "crc", width = 16, polynomial = 0x1021 }\n' + ONE
    )
    assert values(feed(made, b"123456789" + bytes.fromhex("31C3"))[0], "c") == [ord("3")]
