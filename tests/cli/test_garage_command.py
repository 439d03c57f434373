"""`daq vehicle`, `visit` and `setup` as a technician uses them."""

from __future__ import annotations

import json
import tomllib

import pytest
from click.testing import CliRunner

from daq.cli import group, main
from daq.simulate.demo import place


@pytest.fixture
def bench(tmp_path):
    path = place(tmp_path / "bench")
    text = path.read_text().replace('garage = "garage"', 'garage = "cars"', 1)
    path.write_text(text)
    return path


def run(bench, kind, *arguments):
    told = CliRunner().invoke(group, [kind, "--config", str(bench), *arguments])
    assert told.exception is None or isinstance(told.exception, SystemExit), told.exception
    return told.stdout


def refused(bench, capsys, kind, *arguments):
    with pytest.raises(SystemExit) as ended:
        main([kind, "--config", str(bench), *arguments])
    assert ended.value.code == 2
    return capsys.readouterr().err


@pytest.fixture
def pennon(bench):
    run(bench, "vehicle", "new", "pennon", "title=Pennon 2.0 T", "start_window.rest_s.low=60")
    run(bench, "visit", "new", "2026-03-31", "fuel=petrol E10", "tyre_pressure_cold_kpa=230")
    run(bench, "setup", "new", "stock", "gear=3", 'fitted=["stock turbine"]', "flashed=map 7")
    return bench


def test_a_day_from_nothing(pennon):
    assert run(pennon, "vehicle") == f"* {'pennon':<24} Pennon 2.0 T\n"
    told = run(pennon, "setup", "new", "late", "changed=later end", "run.after_end_s=30")
    assert told.endswith("vehicle pennon, visit 2026-03-31, set-up late\n")
    table = tomllib.loads((pennon.parent / "cars/pennon/setups/late.toml").read_text())
    assert table == {
        "gear": 3, "fitted": ["stock turbine"], "flashed": "map 7", "parent": "stock",
        "changed": "later end", "run": {"after_end_s": 30},
    }  # fmt: skip
    assert "from stock, later end" in run(pennon, "setup")


def test_what_was_changed_is_not_inherited(pennon):
    run(pennon, "setup", "new", "late", "changed=later end")
    run(pennon, "setup", "new", "later", "flashed=map 8")
    shown = json.loads(run(pennon, "setup", "show", "--json"))
    assert shown == {
        "name": "later", "gear": 3, "fitted": ["stock turbine"], "flashed": "map 8",
        "parent": "late",
    }  # fmt: skip


def test_a_visit_is_named_by_the_day(pennon):
    told = run(pennon, "visit", "new", "customer=Ida Falk")
    (name,) = [n for n in json.loads(run(pennon, "visit", "--json"))["names"] if n != "2026-03-31"]
    assert f"visit {name}, set-up stock" in told
    assert len(name) == len("2026-03-31")


def test_keys_are_changed_and_taken_away(pennon):
    run(pennon, "setup", "set", "stock", "gear=4", "flashed=", "run.start.above=12")
    shown = json.loads(run(pennon, "setup", "show", "stock", "--json"))
    assert shown == {
        "name": "stock", "gear": 4, "fitted": ["stock turbine"], "run": {"start": {"above": 12}},
    }  # fmt: skip


def test_use_goes_back_to_another_vehicle_with_its_visit_and_set_up(pennon):
    run(pennon, "vehicle", "new", "corrie")
    assert "visit -, set-up -" in run(pennon, "vehicle", "use", "corrie")
    assert "visit 2026-03-31, set-up stock" in run(pennon, "vehicle", "use", "pennon")


@pytest.mark.parametrize(
    ("kind", "arguments", "told"),
    [
        ("vehicle", ["use", "penon"], "did you mean 'pennon'?"),
        ("vehicle", ["new", "pennon"], "is there already; daq vehicle set pennon"),
        ("vehicle", ["new", "Pennon"], "small letters, digits and hyphens"),
        ("setup", ["set", "stock", "geer=3"], "geer: no such key; did you mean 'gear'?"),
        ("setup", ["set", "stock", "gear=third"], "gear: expected a whole number from 1 to 20"),
        ("setup", ["set", "stock", "gear"], "expected KEY=VALUE"),
        ("setup", ["set", "stock", "run=1", "run.start.above=3"], "was given a value before"),
        ("setup", ["new", "late", "parent=stok"], "did you mean 'stock'?"),
        ("visit", ["show", "2026-04-01"], "did you mean '2026-03-31'?"),
    ],
)
def test_a_mistake_says_what_to_do(pennon, capsys, kind, arguments, told):
    assert told in refused(pennon, capsys, kind, *arguments)


def test_without_a_vehicle_a_set_up_says_what_comes_first(bench, capsys):
    assert "daq vehicle use NAME" in refused(bench, capsys, "setup", "new", "stock")
    assert run(bench, "vehicle") == "none yet; daq vehicle new NAME\n"
