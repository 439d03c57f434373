"""Checksums and framing against published check values and an independent library.

Sources: beside each value in data/checksum_check_values.json; the library crccheck.
"""

from __future__ import annotations

import json
import random
import re
from pathlib import Path

import crccheck.crc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.config import load
from daq.errors import ConfigError
from daq.wire.checksum import Checksum
from daq.wire.framing import cobs_decode, cobs_encode, slip_decode, slip_encode

VALUES = json.loads(
    (Path(__file__).parent / "data" / "checksum_check_values.json").read_text(encoding="utf-8")
)["values"]
PARAMETERS = re.compile(r"width (\d+) poly (\w+) init (\w+) refin (\w+) refout (\w+) xorout (\w+)")


def values(prefix: str) -> list:
    found = [v for v in VALUES if v["id"].startswith(prefix)]
    assert found, prefix
    return [pytest.param(v, id=v["id"]) for v in found]


def crc_of(text: str) -> Checksum:
    width, poly, init, refin, refout, xorout = PARAMETERS.search(text).groups()
    return Checksum(
        "crc", int(width), int(poly, 16), int(init, 16), refin == "True", refout == "True",
        int(xorout, 16),
    )  # fmt: skip


def digits(number: int, checksum: Checksum) -> str:
    return f"{number:0{2 * checksum.size}X}"


def test_every_value_is_checked_below():
    tried = ("crc.", "j1850.", "fletcher", "xor8", "sum8", "nmea", "cobs", "slip")
    assert all(value["id"].startswith(tried) for value in VALUES)
    assert len(VALUES) > 40


@pytest.mark.parametrize("value", values("crc."))
def test_crc_check_values(value):
    checksum = crc_of(value["quantity"])
    message = bytes.fromhex(value["inputs"]["message_hex"])
    assert digits(checksum.of(message), checksum) == value["expected"]


@pytest.mark.parametrize("value", values("j1850."))
def test_j1850_frame(value):
    checksum = Checksum("crc", 8, 0x1D, 0xFF, final_xor=0xFF)
    frame = bytes.fromhex(value["inputs"]["frame_hex"])
    assert digits(checksum.of(frame), checksum) == value["expected"]


@pytest.mark.parametrize("value", values("fletcher"))
def test_fletcher(value):
    checksum = Checksum("fletcher", int(value["id"][8:10]))
    assert digits(checksum.of(value["inputs"]["ascii"].encode()), checksum) == value["expected"]


@pytest.mark.parametrize("value", [*values("xor8"), *values("nmea")])
def test_xor(value):
    checksum = Checksum("xor")
    assert digits(checksum.of(value["inputs"]["ascii"].encode()), checksum) == value["expected"]


@pytest.mark.parametrize("value", values("sum8"))
def test_sums(value):
    kinds = [
        Checksum("sum"),
        Checksum("sum_twos_complement"),
        Checksum("sum_ones_complement"),
        Checksum("sum", 16),
    ]
    data = value["inputs"]["ascii"].encode()
    assert [digits(kind.of(data), kind) for kind in kinds] == value["expected"]


@pytest.mark.parametrize("value", values("slip"))
def test_slip(value):
    data = bytes.fromhex(value["inputs"]["data_hex"])
    assert slip_encode(data).hex().upper() == value["expected"]
    assert slip_decode(slip_encode(data)[1:-1]) == data


@pytest.mark.parametrize("value", values("cobs"))
def test_cobs(value):
    inputs = value["inputs"]
    if "data_hex" in inputs:
        data = bytes.fromhex(inputs["data_hex"])
        assert cobs_encode(data).hex().upper() == value["expected"]
    else:
        first, last = (int(end, 16) for end in inputs["bytes"].split(".."))
        data = bytes(range(first, last + 1))
        code = cobs_encode(data)
        shown = [len(code), code[:3].hex().upper(), code[-3:].hex().upper()]
        assert shown == value["expected"]
    assert cobs_decode(cobs_encode(data)) == data


def library() -> list:
    names = [name for name in dir(crccheck.crc) if name.startswith("Crc")]
    found = [getattr(crccheck.crc, name) for name in names]
    whole = [c for c in found if isinstance(getattr(c, "_width", None), int) and c._width <= 64]
    return [c for c in whole if hasattr(c, "_names") and c._check_result is not None]


def test_every_crc_of_an_independent_library():
    """Source: crccheck, whose parameters are those of the public CRC catalogue."""
    rng = random.Random(1)
    tried = 0
    for theirs in library():
        ours = Checksum(
            "crc", theirs._width, theirs._poly, theirs._initvalue, theirs._reflect_input,
            theirs._reflect_output, theirs._xor_output,
        )  # fmt: skip
        for _ in range(3):
            data = rng.randbytes(rng.randint(0, 40))
            assert ours.of(data) == theirs.calc(data), theirs.__name__
        tried += 1
    assert tried > 80


@given(st.lists(st.binary(min_size=7, max_size=7), min_size=1, max_size=20))
def test_rows_are_computed_as_one_by_one(frames):
    rows = np.frombuffer(b"".join(frames), np.uint8).reshape(-1, 7)
    for checksum in (
        Checksum("crc", 16, 0x8005, 0xFFFF, True, True),
        Checksum("crc", 3, 0x3, 0x7, True, True),
        Checksum("fletcher", 32),
        Checksum("sum_ones_complement", 16),
        Checksum("xor"),
    ):
        assert checksum.of_rows(rows).tolist() == [checksum.of(frame) for frame in frames]


@given(st.binary(max_size=600))
def test_codings_come_back(data):
    assert cobs_decode(cobs_encode(data)) == data
    assert 0 not in cobs_encode(data)
    code = slip_encode(data)
    assert slip_decode(code[1:-1]) == data
    assert 0xC0 not in code[1:-1]


@given(st.binary(max_size=60))
def test_any_bytes_decode_or_are_refused(code):
    for decode in (cobs_decode, slip_decode):
        try:
            assert len(decode(code)) <= len(code)
        except ValueError:
            assert code


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ({"kind": "crc16"}, "kind: expected one of 'crc', 'sum'"),
        ({"kind": "crc", "width": 16}, "polynomial: missing; expected one for a crc"),
        (
            {"kind": "crc", "width": 8, "polynomial": 0x1021},
            "polynomial: expected at most 8 bits, got 0x1021",
        ),
        (
            {"kind": "crc", "width": 8, "polynomial": 7, "initial": 0xFFFF},
            "initial: expected at most 8 bits",
        ),
        ({"kind": "crc", "width": 65, "polynomial": 7}, "width: expected a whole number from 1 to"),
        ({"kind": "xor", "width": 16}, "width: expected 8 for kind 'xor', got 16"),
        ({"kind": "sum", "polynomial": 7}, "polynomial, initial"),
        ({"kind": "crc", "polynom": 7}, "polynom: no such key; did you mean 'polynomial'?"),
    ],
)
def test_wrong_parameters_are_named(table, words):
    with pytest.raises(ConfigError) as caught:
        load(Checksum, table)
    assert words in str(caught.value)
