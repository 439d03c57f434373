"""The typed loader: every mistake is named at once, in the user's path and words."""

from __future__ import annotations

import dataclasses
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.config import key, load, nearest, read_toml, to_plain
from daq.errors import ConfigError


@dataclass(frozen=True)
class Cell:
    channel: str
    arm_m: float = key(unit="m", low=0.01, high=5)


@dataclass(frozen=True)
class Probe:
    port: str
    period_s: float = key(0.1, unit="s", low=0.01, high=60)
    baud: int = key(9600, unit="Bd", low=300, high=4_000_000)
    parity: Literal["none", "even", "odd"] = "none"
    reversed: bool = False
    folder: Path = Path("runs")
    limits: tuple[float, float] = (0.0, 1.0)
    names: tuple[str, ...] = ()
    altitude_m: float | None = key(None, low=-500, high=6000)
    terminator: int | str = "CR LF"
    cells: tuple[Cell, ...] = ()
    labels: Mapping[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.limits[0] >= self.limits[1]:
            raise ValueError(f"limits {self.limits}: expected the lower one first")


SOUND: dict[str, Any] = {
    "port": "/dev/serial/by-id/x",
    "period_s": 1,
    "baud": 1200,
    "parity": "even",
    "reversed": True,
    "folder": "here",
    "limits": [1, 2.5],
    "names": ["a", "b"],
    "altitude_m": 212.0,
    "terminator": 13,
    "cells": [{"channel": "unit.load", "arm_m": 0.5}],
    "labels": {"ok": 1},
}


def mistakes(table: Mapping[str, Any], cls: type = Probe) -> tuple[str, ...]:
    with pytest.raises(ConfigError) as caught:
        load(cls, table, file="bench.toml", where="device.oil")
    return caught.value.problems


def test_a_sound_table_becomes_the_dataclass():
    probe = load(Probe, SOUND)
    assert probe == Probe(
        "/dev/serial/by-id/x", 1.0, 1200, "even", True, Path("here"), (1.0, 2.5), ("a", "b"),
        212.0, 13, (Cell("unit.load", 0.5),), {"ok": 1},
    )  # fmt: skip
    assert load(Probe, to_plain(probe)) == probe


@pytest.mark.parametrize("name", sorted(SOUND))
def test_each_misspelt_key_is_named_with_the_right_one(name):
    wrong = name[:2] + "_" + name[2:]
    table = {**SOUND, wrong: SOUND[name]}
    assert mistakes(table) == (
        f"bench.toml: device.oil.{wrong}: no such key; did you mean {name!r}?",
    )


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("port", 3, "expected a text, got 3"),
        ("period_s", "slow", "expected a number from 0.01 to 60 s, got 'slow'"),
        ("period_s", 0.0, "expected a number from 0.01 to 60 s, got 0.0"),
        ("period_s", float("nan"), "expected a number from 0.01 to 60 s, got nan"),
        ("period_s", True, "expected a number from 0.01 to 60 s, got True"),
        ("baud", "fast", "expected a whole number from 300 to 4000000 Bd, got 'fast'"),
        ("baud", 1e4, "expected a whole number from 300 to 4000000 Bd, got 10000.0"),
        ("baud", 299, "expected a whole number from 300 to 4000000 Bd, got 299"),
        ("parity", "evn", "expected one of 'none', 'even', 'odd', got 'evn'; did you mean 'even'?"),
        ("parity", ["even"], "expected one of 'none', 'even', 'odd', got ['even']"),
        ("reversed", 1, "expected true or false, got 1"),
        ("folder", 7, "expected a path, got 7"),
        ("limits", [1], "expected a list of 2, got [1]"),
        ("limits", 1.5, "expected a list of 2, got 1.5"),
        ("limits", [2, 1], None),
        ("names", "a", "expected a list, each a text, got 'a'"),
        ("altitude_m", 9000.0, "expected a number from -500 to 6000, got 9000.0"),
        ("terminator", 1.5, "expected a whole number or a text, got 1.5"),
        (
            "cells",
            {"channel": "x"},
            "expected a list, each a table, got one table; write [[device.oil.cells]]",
        ),
        ("labels", "ok", "expected a table, got 'ok'"),
    ],
)
def test_each_wrong_value_is_named_with_what_was_expected(name, value, words):
    found = mistakes({**SOUND, name: value})
    if words is None:
        assert found == ("bench.toml: device.oil: limits (2.0, 1.0): expected the lower one first",)
    else:
        assert found == (f"bench.toml: device.oil.{name}: {words}",)


def test_items_of_lists_and_tables_are_named_by_their_place():
    table = {**SOUND, "names": ["a", 2], "labels": {"ok": "one"}}
    table["cells"] = [{"channel": "a", "arm_m": 1}, {"chanel": "b", "arm_m": 9}]
    assert mistakes(table) == (
        "bench.toml: device.oil.names[1]: expected a text, got 2",
        "bench.toml: device.oil.cells[1].chanel: no such key; did you mean 'channel'?",
        "bench.toml: device.oil.cells[1].channel: missing; expected a text",
        "bench.toml: device.oil.cells[1].arm_m: expected a number from 0.01 to 5 m, got 9.0",
        "bench.toml: device.oil.labels.ok: expected a whole number, got 'one'",
    )


@given(st.sets(st.sampled_from(sorted(set(SOUND) - {"cells", "labels"}))))
def test_all_mistakes_are_reported_at_once(names):
    found = load_problems({**SOUND, **dict.fromkeys(names, object())})
    assert {problem.split(":")[0] for problem in found} == names
    assert len(found) == len(names)


def load_problems(table: Mapping[str, Any]) -> tuple[str, ...]:
    try:
        load(Probe, table)
    except ConfigError as error:
        return error.problems
    return ()


def test_a_missing_key_says_what_belongs_there():
    assert mistakes({}) == ("bench.toml: device.oil.port: missing; expected a text",)


def test_every_key_of_a_probe_is_tried_here():
    assert {f.name for f in dataclasses.fields(Probe)} == set(SOUND)


def test_nearest_lists_what_is_known_when_nothing_is_near():
    assert nearest("boost", ["bost", "oil"]) == "; did you mean 'bost'?"
    assert nearest("xyz", ["b", "a"]) == "; known: a, b"
    assert nearest("xyz", []) == ""


def test_a_file_that_cannot_be_read_is_named(tmp_path):
    with pytest.raises(ConfigError, match=r"absent\.toml: No such file"):
        read_toml(tmp_path / "absent.toml")
    bad = tmp_path / "bad.toml"
    bad.write_text("a = 1\nb = = 2\n")
    with pytest.raises(ConfigError, match=r"bad\.toml: not valid TOML: .*line 2"):
        read_toml(bad)
    bad.write_bytes(b'a = "\xb0C"\n')
    with pytest.raises(ConfigError, match=r"byte 5 is not UTF-8; save the file as UTF-8"):
        read_toml(bad)
    bad.write_text("a = 1\n")
    assert read_toml(bad) == tomllib.loads("a = 1\n")
