"""No DBC text and no bytes of a wire raise anything but what a user can read."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daq.dbc import Dbc, read_dbc
from daq.driver import Chunk, ChunkKind, Preface
from daq.errors import ConfigError
from daq.testing.rows import malformed
from daq.wire.can import FRAME, FRAME_FD
from drivers.can_dbc import CanDbc, DbcConfig

TEXT = """VERSION ""
NS_ :
BS_:
BU_: ECU

BO_ 256 Engine: 8 ECU
 SG_ Page M : 0|4@1+ (1,0) [0|15] "" ECU
 SG_ Speed m0 : 15|16@0+ (0.25,0) [0|16000] "rpm" ECU
 SG_ Inner m1M : 8|8@1+ (1,0) [0|1] "" ECU
 SG_ Far m1 : 30|20@1- (1,0) [0|1] "" ECU
BO_ 2164260864 Other: 64 ECU
 SG_ Decimal : 64|32@1- (1,0) [0|0] "" ECU
SG_MUL_VAL_ 256 Far Inner 3-5, 7-7;
SG_MUL_VAL_ 256 Inner Page 1-1;
SG_MUL_VAL_ 256 Speed Page 0-0;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_ "GenMsgCycleTime" BO_ 256 10;
VAL_ 256 Page 0 "zero" 1 "one";
SIG_VALTYPE_ 2164260864 Decimal : 1;
"""
LINES = TEXT.split("\n")


def read(content: bytes) -> Dbc | str:
    try:
        return read_dbc(content, "fuzz.dbc")
    except ConfigError as error:
        return str(error)


def usable(content: bytes) -> None:
    """It is refused by name, or its streams are well formed and decode anything."""
    found = read(content)
    if isinstance(found, str):
        assert found.startswith("fuzz.dbc: ")
        return
    driver = CanDbc(DbcConfig(Path("fuzz.dbc")), {"fuzz.dbc": content})
    streams = driver.streams({})
    names = [c.name for s in streams for c in s.channels]
    assert len(set(names)) == len(names)
    decoder = driver.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    frames = np.zeros(len(found.messages), FRAME)
    frames["id"] = [message.id for message in found.messages]
    frames["flags"] = [message.extended for message in found.messages]
    frames["length"] = 8
    blocks = decoder.feed([Chunk(ChunkKind.RX, 0, frames.tobytes())])
    assert not malformed(streams, blocks)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(TEXT) - 1),
            st.integers(0, 12),
            st.text('0123456789 |@+-()[];:,"mMSG_BOVAL\nx', max_size=8),
        ),
        min_size=1,
        max_size=4,
    )
)
def test_a_damaged_dbc_is_read_or_refused(edits: list[tuple[int, int, str]]) -> None:
    text = TEXT
    for at, gone, new in edits:
        text = text[:at] + new + text[at + gone :]
    usable(text.encode())


@settings(max_examples=60, deadline=None)
@given(st.lists(st.sampled_from(LINES), min_size=1, max_size=30))
def test_lines_in_any_order_are_read_or_refused(lines: list[str]) -> None:
    usable("\n".join(lines).encode())


def test_ranges_of_multiplexers_are_bounded() -> None:
    found = read(TEXT.replace("3-5, 7-7", "3-4294967295").encode())
    assert isinstance(found, Dbc)
    assert found.notes == ("multiplexer values 3-4294967295: only the first 65536 are read",)


def test_multiplexers_that_depend_on_each_other_end() -> None:
    text = TEXT.replace("256 Inner Page 1-1", "256 Inner Inner 1-1")
    usable(text.encode())


@pytest.mark.parametrize("wire", ["socketcan", "slcan"])
@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([0, 1, 2, 3]), st.binary(max_size=200)), max_size=8))
def test_any_bytes_are_decoded_without_an_error(wire: str, parts: list[tuple[int, bytes]]) -> None:
    driver = CanDbc(DbcConfig(Path("a.dbc")), {"a.dbc": TEXT.encode()})
    decoder = driver.decoder(Preface("can_dbc", 1, wire={"kind": wire, "bitrate": 500_000}))
    blocks = decoder.feed([Chunk(kind, 1000, data) for kind, data in parts])
    assert not malformed(driver.streams({}), blocks)
    decoder.report()


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([256, 0x1000000]), st.integers(0, 255),
                          st.integers(0, 255), st.binary(min_size=64, max_size=64), st.booleans()),
                max_size=12))  # fmt: skip
def test_any_lengths_and_flags_are_decoded(rows: list[tuple[int, int, int, bytes, bool]]) -> None:
    driver = CanDbc(DbcConfig(Path("a.dbc")), {"a.dbc": TEXT.encode()})
    decoder = driver.decoder(Preface("can_dbc", 1, wire={"kind": "socketcan"}))
    chunks = []
    for number, flags, length, data, wide in rows:
        one = np.zeros(1, FRAME_FD if wide else FRAME)
        one["id"], one["flags"], one["length"] = number, flags, length
        one["data"][0] = list(data if wide else data[:8])
        chunks.append(Chunk(ChunkKind.RX_FD if wide else ChunkKind.RX, 0, one.tobytes()))
    assert not malformed(driver.streams({}), decoder.feed(chunks))
