"""Every file in config/ is loaded, and the demonstration's calibrations undo its sensors."""

from __future__ import annotations

import datetime
import tomllib
from pathlib import Path

import numpy as np
import pytest

from daq.bench import load_bench
from daq.calibration.record import Calibration
from daq.channels import bench_channels
from daq.garage import Garage
from daq.sequence import end_channels
from daq.simulate.bench import BYTE_S, Rig, Settings
from daq.simulate.car import CarParameters
from daq.simulate.demo import PORT_FOLDER, PORTS, config_folder, place
from daq.simulate.pulse_unit import InputGroup
from daq.simulate.script import BUTTONS
from daq.simulate.unit import INPUTS

CONFIG = Path(__file__).resolve().parents[1] / "config"
FILES = sorted(path for path in CONFIG.rglob("*") if path.is_file())
GARAGE = {path for path in FILES if path.is_relative_to(CONFIG / "garage")}
RECORDS = sorted((CONFIG / "calibrations").glob("*.toml"))
NOW = datetime.datetime(2026, 12, 1, tzinfo=datetime.UTC)


@pytest.fixture(scope="module")
def bench():
    return load_bench(CONFIG / "bench.toml")


@pytest.fixture(scope="module")
def channels(bench):
    return bench_channels(bench, {name: bench.streams(name, {}) for name in bench.device})


def test_every_file_belongs_to_the_bench(bench):
    documents = {CONFIG / name for name in bench.documents}
    assert documents <= set(FILES)
    examples = set(FILES) - documents  # loaded by the tests of the drivers that read them
    assert {path.parent for path in examples if path not in GARAGE} <= {CONFIG / "streams"}


def test_every_file_of_the_garage_is_read_and_runs_can_be_made_of_it(bench, channels):
    garage = Garage(CONFIG / "garage")
    read = {garage.folder / "selected.toml"}
    for vehicle in garage.names("vehicle"):
        garage.read("vehicle", vehicle)
        read.add(garage.path("vehicle", vehicle))
        for kind in ("visit", "setup"):
            for name in garage.names(kind, vehicle):
                garage.read(kind, name, vehicle)
                read.add(garage.path(kind, name, vehicle))
    assert read == GARAGE
    config = garage.in_force().run_config(bench.run)
    assert end_channels(config, channels) == []
    assert config.start.above == 11.5


@pytest.mark.parametrize("path", RECORDS, ids=lambda path: path.stem)
def test_calibration_record_is_sealed_and_in_force(path):
    record = Calibration.load(path.read_bytes(), path.name)
    assert record.channel == path.stem
    findings = record.state(NOW)
    assert {finding.kind for finding in findings} <= {"not_calibrated"}


@pytest.mark.parametrize("path", RECORDS, ids=lambda path: path.stem)
def test_calibration_agrees_with_its_own_evidence(path):
    """Recomputed here: reference minus a0 + a1 (x - origin) + ... at each point."""
    table = tomllib.loads(path.read_text())
    points = table.get("point", [])
    if not points:
        assert table["origin"], "without points it must say where its numbers come from"
        return
    equation = table["equation"]
    x = np.array([p["indication"] for p in points]) - equation["origin"]
    curve = np.polynomial.polynomial.polyval(x, equation["coefficients"])
    residual = np.array([p["reference"] for p in points]) - curve
    slope = equation["coefficients"][1]
    assert len(points) >= 8
    assert np.abs(residual).max() < 4 * 0.0015 * slope + table["reference"]["expanded_uncertainty"]
    assert abs(residual.mean()) < np.abs(residual).max() / 3


def test_terminals_are_wired_as_the_simulated_car_has_them(bench):
    wired = {c.input: name for name, c in bench.device["unit"].channels.items() if c.calibration}
    assert {terminal: wired[terminal] for terminal in INPUTS} == INPUTS


def test_buttons_are_wired_as_the_simulated_driver_has_them(bench):
    wired = {c.input: name.removeprefix("button_") for name, c in
             bench.device["unit"].channels.items() if c.input.startswith("di")}  # fmt: skip
    assert [wired[f"di{n}"] for n in range(1, len(BUTTONS) + 1)] == list(BUTTONS)


def test_rollers_are_those_of_the_simulated_bench(bench):
    configured, true = bench.roller_set["front"], CarParameters().rollers
    assert configured.circumference_m == pytest.approx(np.pi * true.diameter_m, rel=1e-6)
    assert configured.counts_per_revolution == true.counts_per_revolution
    assert configured.inertia_kg_m2 == true.inertia_kg_m2
    assert configured.load_cells[0].arm_m == true.arm_m
    losses = (configured.loss_a_n, configured.loss_b_n_s_m, configured.loss_c_n_s2_m2)
    assert losses == (true.loss_a_n, true.loss_b_n_s_m, true.loss_c_n_s2_m2)


def test_lines_are_as_fast_as_the_simulated_ones(bench):
    for name, wire in bench.wire.items():
        assert wire.byte_ns == pytest.approx(BYTE_S[name] * 1e9)


def test_records_are_of_the_units_converter(channels):
    group = InputGroup(("ai1",))
    for channel in channels.values():
        if channel.calibration is not None:
            signal = channel.calibration.record.signal
            assert (signal.bits, signal.reference_v) == (group.bits, group.full_scale_v)


TRUE = {
    "map": ("map_at_sensor", 3.5),
    "charge_pressure": ("charge_pressure", 1.0),
    "fuel_pressure": ("fuel_pressure", 3.0),
    "oil_pressure": ("oil_pressure", 3.0),
    "coolant": ("coolant", 1.0),
    "oil": ("oil", 1.5),
    "inlet_air": ("inlet_air", 0.8),
    "exhaust": ("exhaust_at_sensor", 2.0),
    "brake_load": ("load_cell", 6.0),
    "battery": ("battery", 0.02),
}
"""Channel to column of the truth and the greatest difference in its unit: a count or two of the
converter; for the manifold the pulses of the intake as well."""


@pytest.fixture(scope="module")
def sampled():
    """Truth at each 50th step of a whole run, and the counts of every terminal at that step."""
    rig, rows = Rig(Settings()), []
    unit = rig.instruments["unit"]
    while not rig.done:
        rig.step()
        if rig.steps % 50 == 0:
            rows.append(unit.volts(rig.car, unit.supply_v(rig.time_s)))
    terminals = {**INPUTS, "supply": "supply"}
    counts = {
        name: np.floor(np.array([row[terminal] for row in rows]) / 5.5 * 4096).astype(np.int64)
        for terminal, name in terminals.items()
    }
    truth = {name: values[49::50] for name, values in rig.truth.table().items()}
    return truth, counts


@pytest.mark.parametrize("name", TRUE)
def test_calibration_undoes_the_sensor(channels, sampled, name):
    """From the truth of a whole run to volts by the simulated sensor, and back by the record."""
    (truth, counts), (column, tolerance) = sampled, TRUE[name]
    supply, _ = channels["supply"].value(counts["supply"])
    values, status = channels[name].value(counts[name], {"supply": supply})
    gauge = 98.6 if name == "fuel_pressure" else 0.0
    assert np.abs(values - (truth[column] - gauge)).max() < tolerance
    assert not status.any()


def test_lambda_is_shown_within_its_controllers_ends(channels, sampled):
    truth, counts = sampled
    values, status = channels["lambda"].value(counts["lambda"])
    true = 1 / np.maximum(truth["sensor_lambda_inverse"], 0.1)
    assert np.abs(values - np.clip(true, 0.65, 1.36)).max() < 0.001
    assert not status.any()


def test_demonstration_is_placed_with_its_own_ports(tmp_path):
    placed = place(tmp_path / "demo")
    bench = load_bench(placed)
    ports = {name: wire.port for name, wire in bench.wire.items()}
    assert ports == {name: str(tmp_path / "demo" / PORTS / name) for name in BYTE_S}
    assert PORT_FOLDER not in placed.read_text().split("\n", 3)[3]
    assert place(tmp_path / "demo") == placed


def test_configuration_that_is_found_is_this_one():
    """Beside the sources, or as the installed package carries it."""
    assert (config_folder() / "bench.toml").read_bytes() == (CONFIG / "bench.toml").read_bytes()
