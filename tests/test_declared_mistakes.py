"""`daq check` on declarations as they are written at midnight: each mistake is named with its cure.

What people get wrong: common practice, no source.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from daq.bench import load_bench
from daq.errors import ConfigError

GOOD = (Path(__file__).resolve().parents[1] / "config/streams/engine_stream.toml").read_text()
BENCH = """
[bench]
name = "bay 2"
[wire.ecu]
kind = "serial"
port = "/dev/serial/by-id/ecu"
baud = 115200
[device.ecu]
wire = "ecu"
driver = "byte_stream"
declaration = "ecu.toml"
"""
SUM = 'sum = { kind = "crc", width = 16, polynomial = 0x1021, initial = 0xFFFF }'
FRAME = "ecu.toml: frame[engine]"


def said(folder: Path, declaration: str) -> list[str]:
    (folder / "ecu.toml").write_text(declaration)
    (folder / "bench.toml").write_text(BENCH)
    with pytest.raises(ConfigError) as caught:
        load_bench(folder / "bench.toml")
    return list(caught.value.problems)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[[frame]]", "[frame]", "ecu.toml: frame: expected a list, each a table, got one table;"
         " write [[frame]]"),
        (SUM, 'sum = "crc16-ccitt"', f"{FRAME}.checksum.sum: expected a table, got 'crc16-ccitt'"
         " (such as { kind = 'crc', width = 16, polynomial = 0x1021 })"),
        (SUM, 'kind = "crc"', f"{FRAME}.checksum.kind: no such key; it belongs into sum"),
        ("0x1021", "0x11021", "expected at most 16 bits (without the highest term: 0x1021)"),
        ("first = 2", "first = 2\nat = 14", f"{FRAME}.checksum.at: expected a whole number from"
         " -64 to -1, got 14 (where it stands, from the frame's end; last when left out)"),
        ('"u16"', '"uint16"', f"{FRAME}.field[engine_speed].type: expected one of 'u8', 'u16'"),
        ('"A5 5A"', "[0xA5, 0x5A]", f"{FRAME}.sync: expected a text, got [165, 90] (how a frame"
         " begins, in hex, ? for any half byte)"),
        ('"A5 5A"', '"0xA5 0x5A"', "sync: expected hex bytes such as 'A5 4? ??'"),
        ('"A5 5A"', "A5 5A", "(at line 11, column 8): sync = A5 5A"),
        ("scale = 0.25", "scale = 1/4", ": scale = 1/4"),
        ('"rpm"', '"RPM"', "no unit is written 'RPM'; did you mean 'rpm'?"),
        ('"rpm"', '"1/min"', "no unit is written '1/min'; did you mean 'rpm'?"),
        ('"degC"', '"°C"', f"{FRAME}.field[coolant]: no unit is written '°C'; did you mean 'degC'"),
        ('"degree"', '"deg"', "no unit is written 'deg'; did you mean 'degree'?"),
        ("at = 12", "at = 13", "field target_lambda: reaches to byte 14; expected at most 13"
         " (before the checksum)"),
        ("-40.0", '"-40"', f"{FRAME}.field[coolant].offset: expected a number, got '-40'"),
        ('labels = { 0 = "open loop"', 'labels = { open = 0', "labels.open: expected a text, got 0"
         " (raw number = 'meaning')"),
        ("[[frame.field]]", "[[frame.fields]]", "fields: no such key; did you mean 'field'?"),
        ("[line]\nbaud = 115200", "baud = 115200", "baud: no such key; it belongs into line"),
        ("source = ", "# ", "source: missing; expected a text (where this layout is from"),
        ("baud = 115200", "baud = 9600", "bench.toml: wire.ecu.baud: 115200, and ecu.toml of device"
         " 'ecu' says 9600; make them agree"),
        ("baud = 115200", 'baud = 115200\nparity = "odd"', "wire.ecu.parity: 'none', and ecu.toml"),
    ],
)  # fmt: skip
def test_a_mistake_of_midnight_is_named_with_its_cure(tmp_path, old, new, words):
    assert old in GOOD
    problems = said(tmp_path, GOOD.replace(old, new, 1))
    assert any(words in problem for problem in problems), problems
    assert all(len(problem.replace(str(tmp_path), "")) < 250 for problem in problems)


def test_a_declaration_that_is_not_there_is_named(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH)
    with pytest.raises(ConfigError, match=r"device\.ecu: ecu\.toml: No such file"):
        load_bench(tmp_path / "bench.toml")
