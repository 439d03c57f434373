"""Vehicles, visits and set-ups as files: read, written, selected, refused with every mistake."""

from __future__ import annotations

import tomllib

import pytest

from daq.bench import EndConfig, RunConfig, StartConfig
from daq.errors import ConfigError
from daq.garage import Garage, GarageError, Selection

PENNON = {
    "title": "Pennon 2.0 T",
    "gears": [3.45, 2.05, 1.48],
    "start_window": {"oil_temperature": {"low": 80.0, "high": 110.0}, "rest_s": {"low": 60.0}},
    "run": {"start": {"above": 11.0}},
}


@pytest.fixture
def garage(tmp_path):
    garage = Garage(tmp_path / "garage")
    garage.write("vehicle", "pennon", PENNON)
    garage.write("visit", "2026-03-30", {"customer": "Ida Falk"}, "pennon")
    garage.write("visit", "2026-03-31", {"fuel": "petrol E10"}, "pennon")
    garage.write("setup", "stock", {"gear": 3, "fitted": ["stock turbine"]}, "pennon")
    return garage


def test_files_are_toml_that_people_can_read(garage):
    text = garage.path("vehicle", "pennon").read_text()
    assert text.startswith('title = "Pennon 2.0 T"')
    assert tomllib.loads(text) == PENNON


def test_with_a_vehicle_come_its_latest_visit_and_set_up(garage):
    assert garage.select("vehicle", "pennon") == Selection("pennon", "2026-03-31", "stock")
    assert garage.in_force().vehicle.start_window.oil_temperature.low == 80


def test_a_set_up_starts_runs_otherwise_than_vehicle_and_bench(garage):
    ends = [{"channel": "engine_speed", "above": 6000.0}]
    table = {"parent": "stock", "changed": "later end", "run": {"end": ends}}
    garage.write("setup", "late", table, "pennon")
    garage.select("vehicle", "pennon")
    garage.select("setup", "late")
    config = garage.in_force().run_config(
        RunConfig(start=StartConfig(above=5.0), end=(EndConfig(after_s=9.0),), pretrigger_s=4.0)
    )
    assert config.start.above == 11
    assert config.end == (EndConfig(channel="engine_speed", above=6000.0),)
    assert config.pretrigger_s == 4


def test_a_run_records_what_was_said_and_nothing_else(garage):
    garage.select("vehicle", "pennon")
    recorded = garage.in_force().recorded()
    assert recorded["setup"] == {"name": "stock", "gear": 3, "fitted": ["stock turbine"]}
    assert recorded["visit"] == {"name": "2026-03-31", "fuel": "petrol E10"}
    assert recorded["vehicle"]["start_window"]["rest_s"] == {"low": 60.0}


def test_nothing_selected_is_nothing_recorded(tmp_path):
    found = Garage(tmp_path / "none").in_force()
    assert found.recorded() == {}
    assert found.run_config(RunConfig()) == RunConfig()


def test_all_mistakes_of_a_file_are_told_at_once(garage):
    path = garage.path("setup", "stock", "pennon")
    path.write_text('fited = ["pipe"]\ngear = "third"\n[run.start]\nabove = "fast"\n')
    with pytest.raises(ConfigError) as told:
        garage.read("setup", "stock", "pennon")
    text = str(told.value)
    assert "fited: no such key; did you mean 'fitted'?" in text
    assert "gear: expected a whole number from 1 to 20, got 'third'" in text
    assert "run.start.above: expected a number, got 'fast'" in text


@pytest.mark.parametrize(
    ("kind", "name", "told"),
    [
        ("vehicle", "penon", "no vehicle is called 'penon'; did you mean 'pennon'?"),
        ("setup", "stok", "no set-up of vehicle 'pennon' is called 'stok'; did you mean 'stock'?"),
    ],
)
def test_a_wrong_name_gets_the_nearest_right_one(garage, kind, name, told):
    garage.select("vehicle", "pennon")
    with pytest.raises(GarageError) as error:
        garage.select(kind, name)
    assert told in str(error.value)


@pytest.mark.parametrize("name", ["", "..", "a/b", "Pennon", "a b", "-x", "x" * 41, ".hidden"])
def test_a_name_that_is_no_file_name_everywhere_is_refused(garage, name):
    with pytest.raises(GarageError, match="small letters, digits and hyphens"):
        garage.write("vehicle", name, {})


def test_a_set_up_is_no_ancestor_of_its_own(garage):
    garage.write("setup", "two", {"parent": "stock"}, "pennon")
    with pytest.raises(GarageError, match="lead back to 'stock'"):
        garage.write("setup", "stock", {"parent": "two"}, "pennon")
    with pytest.raises(GarageError, match="no set-up of vehicle 'pennon' is called 'three'"):
        garage.write("setup", "stock", {"parent": "three"}, "pennon")


def test_a_table_that_would_not_read_back_is_not_written(garage):
    before = garage.path("visit", "2026-03-31", "pennon").read_bytes()
    with pytest.raises(ConfigError, match="ethanol_percent: expected a number from 0 to 100"):
        garage.write("visit", "2026-03-31", {"ethanol_percent": 120}, "pennon")
    assert garage.path("visit", "2026-03-31", "pennon").read_bytes() == before


def test_a_visit_needs_a_vehicle(tmp_path):
    with pytest.raises(GarageError, match="daq vehicle use NAME"):
        Garage(tmp_path).select("visit", "2026-03-31")
