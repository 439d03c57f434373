"""A bench file: every key of the demonstration's bench misspelt, every kind of mistake named."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from daq.bench import Bench, WireConfig, bench_from_documents, describe, load_bench
from daq.errors import ConfigError

CONFIG = Path(__file__).resolve().parents[1] / "config"
TEXT = (CONFIG / "bench.toml").read_text()
FREE = ("vehicle",)
"""Tables whose keys the user names."""


@pytest.fixture(scope="module")
def sound() -> Bench:
    return load_bench(CONFIG / "bench.toml")


def problems(bench: Bench, text: str) -> tuple[str, ...]:
    """Mistakes of a bench file with the other documents of *bench*."""
    documents = {**bench.documents, bench.file_name: text.encode()}
    try:
        bench_from_documents(documents, bench.file_name)
    except ConfigError as error:
        return error.problems
    return ()


def keys() -> list[tuple[int, str, str]]:
    """(line, section, key) of every key whose name is ours; a list's items count from 0."""
    found, section, items = [], "", dict[str, int]()
    for number, line in enumerate(TEXT.splitlines()):
        if match := re.match(r"\[\[(.+)\]\]", line):
            count = items[match[1]] = items.get(match[1], -1) + 1
            section = f"{match[1]}[{count}]"
        elif match := re.match(r"\[(.+)\]", line):
            section = match[1]
        elif match := re.match(r"(\w+) = ", line):
            found.append((number, section, match[1]))
    return [item for item in found if item[1] not in FREE]


def test_the_demonstrations_bench_is_sound(sound):
    assert problems(sound, TEXT) == ()
    assert len(keys()) > 50


@pytest.mark.parametrize(("line", "section", "name"), keys())
def test_every_misspelt_key_is_named_with_the_right_one(sound, line, section, name):
    wrong = f"{name[:2]}_{name[2:]}"
    lines = TEXT.splitlines()
    lines[line] = lines[line].replace(name, wrong, 1)
    found = problems(sound, "\n".join(lines))
    where = f"{section}.{wrong}" if section else wrong
    wanted = re.compile(
        rf"bench\.toml: {re.escape(where)}: no such (key|table); did you mean '{name}'\?"
    )
    assert any(wanted.fullmatch(problem) for problem in found), found


def test_mistakes_of_all_tables_are_reported_together(sound):
    text = (
        TEXT.replace("baud = 921600", 'baud = "fast"')
        .replace("grid_rate_hz = 100.0", "grid_rate_hz = 0")
        .replace("counts_per_revolution = 1000", "counts_per_revolution = true")
        .replace("digital_inputs = 6", "digital_inputs = 99")
    )
    found = "\n".join(problems(sound, text))
    assert "wire.unit.baud: expected a whole number from 50 to 12000000 Bd, got 'fast'" in found
    assert "run.grid_rate_hz: expected a number from 0.1 to 10000 Hz, got 0" in found
    assert "roller_set.front.counts_per_revolution: expected a number" in found
    assert "device.unit.digital_inputs" in found


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[run]", "[rnu]", "rnu: no such table; did you mean 'run'?"),
        ("[bench]", "[bnch]", "bnch: no such table; did you mean 'bench'?"),
        ("[wire.unit]", "[wire.Unit]", "wire.Unit: expected a name like"),
        (
            'wire = "unit"',
            'wire = "unti"',
            "device.unit.wire: no wire is called 'unti'; did you mean 'unit'?",
        ),
        (
            'driver = "pulse_unit"',
            'driver = "pulse_unti"',
            "device unit: no driver is called 'pulse_unti'; did you mean 'pulse_unit'?",
        ),
        ('wire = "unit"', 'wire = "car_can"', "driver 'pulse_unit' works on a serial wire"),
        ('input = "ai1"', 'input = "ai_one"', "the device has no channel 'ai_one'"),
        (
            'encoder = "unit.encoder_1_count"',
            'encoder = "unit.encoder_count"',
            "device 'unit' has no channel 'encoder_count'; did you mean 'encoder_1_count'?",
        ),
        (
            'encoder = "unit.encoder_1_count"',
            'encoder = "unti.encoder_1_count"',
            "no device is called 'unti'; did you mean 'unit'?",
        ),
        (
            'calibration = "calibrations/map.toml"',
            'calibration = "calibrations/mpa.toml"',
            "calibrations/mpa.toml",
        ),
        ('operator = "Ida Falk"', "operator = 7", "operator: expected a text, got 7"),
        ("[ambient]", "[device]\nx = 1\n[ambient]", "device.x: expected a table, got 1"),
    ],
)
def test_each_wrong_link_is_named(sound, old, new, words):
    assert old in TEXT
    found = problems(sound, TEXT.replace(old, new, 1))
    assert any(words in problem for problem in found), found


def test_a_bench_that_is_no_toml_names_file_and_line(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("[bench]\nname = \n")
    with pytest.raises(ConfigError, match=r"bench\.toml: not valid TOML: .*line 2"):
        load_bench(path)
    with pytest.raises(ConfigError, match="No such file"):
        load_bench(tmp_path / "absent.toml")


def test_the_documents_alone_give_the_same_bench(sound):
    again = bench_from_documents(sound.documents, sound.file_name)
    assert describe(again) == describe(sound)
    assert again.digest() == sound.digest()
    changed = {**sound.documents, "calibrations/map.toml": b""}
    assert Bench(**{**vars(sound), "documents": changed}).digest() != sound.digest()


@pytest.mark.parametrize(
    ("settings", "byte_ns"),
    [
        # start bit, data bits, parity bit, stop bits, each 1/baud (definition of asynchronous
        # serial transmission; common practice, no source)
        ({"baud": 9600}, 10 / 9600 * 1e9),
        ({"baud": 1200, "stop_bits": 2}, 11 / 1200 * 1e9),
        ({"baud": 115200, "parity": "even"}, 11 / 115200 * 1e9),
        ({"baud": 50, "data_bits": 5}, 7 / 50 * 1e9),
    ],
)
def test_the_duration_of_a_byte(settings, byte_ns):
    assert WireConfig("serial", "x", **settings).byte_ns == pytest.approx(byte_ns, rel=1e-12)
