"""Journal to run file, against the ground truth of the simulated bench."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import h5py
import numpy as np
import pytest

from daq.errors import JournalError
from daq.finalise import finalise
from daq.journal import Journal
from daq.runfile.content import AlignedContent, RunContent
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest, verify
from daq.status import AlignedStatus


@pytest.fixture(scope="module")
def run_path(simulated_run, tmp_path_factory) -> Path:
    with Journal(simulated_run.journal) as journal:
        return finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("out"))


@pytest.fixture(scope="module")
def content(run_path) -> RunContent:
    return read_run(run_path)


@pytest.fixture(scope="module")
def aligned(content) -> AlignedContent:
    assert content.aligned is not None
    return content.aligned


def column(aligned: AlignedContent, name: str) -> np.ndarray:
    return next(c.value for c in aligned.columns if c.name == name)


def pull(simulated_run, aligned) -> np.ndarray:
    events = {e.name: e.time_s for e in simulated_run.recording.rig.events}
    shift = (simulated_run.recording.start_ns - simulated_run.zero_ns) / 1e9
    return (aligned.time > events["pull"] + shift + 0.3) & (
        aligned.time < events["lift"] + shift - 0.3
    )


def test_file_is_unaltered_read_only_and_named_by_time(run_path):
    assert verify(run_path) == []
    assert run_path.stat().st_mode & 0o777 == 0o440
    assert run_path.name.startswith("20260921-")


def test_run_has_its_extent_state_and_identity(content, simulated_run):
    assert content.state == "complete"
    assert content.title == "simulated pull"
    assert content.t_start == pytest.approx(-9.8, abs=0.05)
    assert content.time_zero_ns == simulated_run.zero_ns
    assert content.journal["start_seq"] == simulated_run.start_seq


def test_roller_speed_is_true(simulated_run, aligned):
    # 0.1 % of speed: the limit this project sets for a speed channel, common practice, no source
    during = pull(simulated_run, aligned)
    speed = column(aligned, "roller_speed")[during]
    true = simulated_run.truth("roller_speed", aligned.time[during])
    assert np.abs(speed / true - 1).max() < 1e-3


def test_roller_distance_is_true(simulated_run, content, aligned):
    during = pull(simulated_run, aligned)
    position = column(aligned, "roller_distance")[during]
    true = simulated_run.truth("roller_position", aligned.time[during])
    error = (position - position[0]) - (true - true[0])
    # what the stated time uncertainty makes of the speed, and two counts for the disc's slots
    timing = next(s for s in content.streams if s.name == "unit_encoder_1").timing
    late = timing.uncertainty_bias_low_s + 2 * timing.uncertainty_random_s
    speed = column(aligned, "roller_speed")[during]
    assert (np.abs(error) < speed * late + 2 * 1.570796 / 1000).all()


@pytest.mark.parametrize(
    ("channel", "truth", "tolerance"),
    [
        ("charge_pressure", "charge_pressure", 0.6),  # kPa; 12 bit over 5.5 V, 0.3 kPa reference
        ("coolant", "coolant", 0.5),  # degC; half the record's stated 0.8 degC
        ("oil_pressure", "oil_pressure", 4.0),
        ("battery", "battery", 0.05),
    ],
)
def test_calibrated_values_are_true(simulated_run, aligned, channel, truth, tolerance):
    during = pull(simulated_run, aligned)
    error = column(aligned, channel)[during] - simulated_run.truth(truth, aligned.time[during])
    assert np.sqrt(np.mean(error**2)) < tolerance


def test_engine_speed_of_the_bus_lies_on_the_true_one(simulated_run, aligned):
    """The simulated ECU's speed is a + b/rpm old; its age is found by the ignition and removed."""
    during = pull(simulated_run, aligned)
    time = aligned.time[during]
    true = simulated_run.truth("engine_speed", time)
    rate = np.gradient(true, time)
    for name in ("engine_speed", "ignition_speed"):
        error = column(aligned, name)[during] - true
        assert abs(np.median(error / np.maximum(rate, 200.0))) < 0.003, name


def test_uncertainty_of_times_covers_the_truth(simulated_run, content):
    """Each encoder row's time lies within the stated bounds of the unit's true clock."""
    stream = next(s for s in content.streams if s.name == "unit_encoder_1")
    described = simulated_run.recording.rig.describe(simulated_run.recording.start_ns)
    clock = described["unit_clock"]
    ticks = (stream.index - clock["first_tick"]) % 2**32
    true = ticks / clock["tick_hz"] / (1 + clock["ppm"] * 1e-6)
    true += (simulated_run.recording.start_ns - simulated_run.zero_ns) / 1e9
    early = stream.time - true
    timing = stream.timing
    assert early.max() < timing.uncertainty_bias_low_s + 2 * timing.uncertainty_random_s
    assert early.min() > -(timing.uncertainty_bias_high_s + 2 * timing.uncertainty_random_s)


def test_aligned_points_carry_status(aligned):
    charge = next(c for c in aligned.columns if c.name == "charge_pressure")
    gone = ~np.isfinite(charge.value)
    assert charge.status is not None
    assert ((charge.status[gone] & AlignedStatus.NO_DATA) > 0).all()
    assert (charge.status[~gone] & AlignedStatus.NO_DATA == 0).all()


def test_wire_bytes_are_in_the_file(simulated_run, content):
    unit = next(s for s in content.sources if s.name == "unit")
    assert unit.bytes is not None
    recorded = unit.bytes.data.tobytes()
    sent = b"".join(chunk.data for chunk in simulated_run.recording.chunks["unit"])
    assert len(recorded) > 100_000
    assert recorded in sent


def test_documents_are_the_configuration(simulated_run, content):
    kept = {document.name: document.data for document in content.documents}
    assert kept == dict(simulated_run.bench.documents)


def test_same_journal_gives_the_same_digest(simulated_run, run_path, tmp_path):
    with Journal(simulated_run.journal) as journal:
        again = finalise(journal, simulated_run.start_seq, tmp_path / "again.h5")
    assert root_digest(again) == root_digest(run_path)


def test_finaliser_process_prints_where_the_run_is(simulated_run, tmp_path):
    arguments = ["--journal", simulated_run.journal, "--out", tmp_path]
    start = ["--start", simulated_run.start_seq]
    command = [sys.executable, "-m", "daq.finalise", *arguments, *start]
    told = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True)
    path = Path(told.stdout.splitlines()[-1].removeprefix("run file: "))
    assert verify(path) == []
    # a second attempt at the same run finds its file and does not write another
    told = subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True)
    assert told.stdout.splitlines()[-1] == f"run file: {path}"
    assert len(list(tmp_path.glob("*.h5"))) == 1


def test_a_seq_that_is_no_start_is_named(simulated_run, tmp_path):
    with (
        Journal(simulated_run.journal) as journal,
        pytest.raises(JournalError, match="entry 1 is not the start of a run"),
    ):
        finalise(journal, 1, tmp_path)


def test_readers_in_daily_use_open_it(run_path):
    import netCDF4
    import pyfive
    import xarray as xr

    with h5py.File(run_path) as file:
        speed = file["run/aligned/roller_speed"][:]
    for engine in ("h5netcdf", "netcdf4"):
        with xr.open_dataset(run_path, group="run/aligned", engine=engine) as data:
            np.testing.assert_array_equal(data["roller_speed"].values, speed)
            assert data["map"].attrs["units"] == "kPa"
        with xr.open_dataset(run_path, group="run/streams/unit_analogue_1", engine=engine) as data:
            assert data["map_raw"].dtype.kind == "i"
    with netCDF4.Dataset(run_path) as file:
        np.testing.assert_array_equal(file["run/aligned/roller_speed"][:].data, speed)
    with pyfive.File(str(run_path)) as file:
        np.testing.assert_array_equal(file["run/aligned/roller_speed"][:], speed)


@pytest.mark.parametrize("tool", ["ncdump", "h5dump"])
def test_debian_tools_open_it(run_path, tool):
    if shutil.which(tool) is None:
        pytest.skip(f"{tool} is not installed")
    header = {"ncdump": "-h", "h5dump": "-H"}[tool]
    told = subprocess.run([tool, header, run_path], capture_output=True, text=True, check=True)
    assert "roller_speed" in told.stdout
    assert told.stderr == ""
