"""The command line as a technician meets it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys

import pytest
from click.testing import CliRunner

from daq.cli import COMMANDS, group, main
from daq.finalise import finalise
from daq.journal import Journal
from daq.simulate.demo import place


@pytest.fixture
def bench_file(tmp_path):
    return place(tmp_path / "bench")


@pytest.fixture(scope="module")
def run_path(simulated_run, tmp_path_factory):
    with Journal(simulated_run.journal) as journal:
        return finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("runs"))


def run(*arguments):
    return CliRunner().invoke(group, [str(a) for a in arguments])


def ends(*arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return ended.value.code


def imported_by(*arguments):
    """Modules that the command line imports for these arguments, in a process of its own."""
    code = (
        "import sys\nfrom daq.cli import group\n"
        "try:\n    group.main(sys.argv[1:], standalone_mode=False)\n"
        "finally:\n    print('\\n'.join(sys.modules), file=sys.stderr)"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    return set(told.stderr.split())


HEAVY = {"numpy", "h5py", "can", "cantools", "serial", "zeroconf"}


def test_help_names_every_command_and_imports_none():
    assert all(name in run("--help").output for name in COMMANDS)
    assert not imported_by("--help") & HEAVY


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_its_help(name):
    told = run(name, "--help")
    assert told.exit_code == 0
    assert len(told.output.splitlines()) > 4


def test_drivers_needs_no_hdf5():
    assert "h5py" not in imported_by("drivers")


def test_check_needs_no_hdf5(bench_file):
    assert "h5py" not in imported_by("check", bench_file)


def test_a_wrong_command_is_answered_with_the_nearest(capsys):
    assert ends("verfy", "x.h5") == 2
    assert "did you mean 'verify'?" in capsys.readouterr().err


def test_drivers_tells_rung_and_keys():
    told = run("drivers")
    assert "pulse_unit" in told.output
    assert "simulated" in told.output
    keys = json.loads(run("drivers", "can_dbc", "--json").output)[0]["keys"]
    assert "dbc" in {item["key"] for item in keys}


def test_check_of_a_right_bench(bench_file):
    told = run("check", bench_file)
    assert told.exit_code == 0
    assert "configuration is right" in told.output
    assert "by calibrations/map.toml" in told.output
    listed = json.loads(run("check", bench_file, "--json").output)["channels"]
    assert {"name", "unit", "role", "calibration"} <= set(listed[0])


def test_check_names_every_mistake_at_once(bench_file, capsys):
    text = bench_file.read_text()
    text = text.replace("baud = 921600", "baud = 'fast'")
    text = text.replace('role = "ignition"', 'roll = "ignition"')
    text = text.replace('driver = "can_dbc"', 'driver = "can_dcb"')
    bench_file.write_text(text)
    assert ends("check", bench_file) == 2
    error = capsys.readouterr().err
    assert "wire.unit.baud: expected a whole number from 50 to 12000000 Bd, got 'fast'" in error
    assert "device.unit.channel.ignition_edge.roll: no such key; did you mean 'role'?" in error
    assert "no driver is called 'can_dcb'; did you mean 'can_dbc'?" in error


def test_check_without_a_bench_file_says_where_it_looked(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert ends("check") == 2
    assert "bench.toml" in capsys.readouterr().err


def test_show_tells_channels_units_and_events(run_path):
    told = run("show", run_path).output
    for words in ("simulated pull", "charge_pressure", "kPa", "roller encoder"):
        assert words in told
    assert json.loads(run("show", run_path, "--json").output)["state"] == "complete"


def test_verify_says_unaltered(run_path):
    told = run("verify", run_path)
    assert told.exit_code == 0
    assert told.output.endswith("unaltered\n")


def test_verify_names_what_was_altered(run_path, tmp_path):
    import h5py

    path = tmp_path / "altered.h5"
    shutil.copy(run_path, path)
    path.chmod(0o644)
    with h5py.File(path, "r+") as file:
        file["run/streams/unit_analogue_1/map_raw"][100] += 1
    told = run("verify", path)
    assert told.exit_code == 1
    assert "unit_analogue_1/map_raw" in told.output
    assert json.loads(run("verify", path, "--json").output)["unaltered"] is False


@pytest.mark.parametrize("command", ["show", "verify"])
def test_a_file_that_is_no_run_file_is_said_so(command, tmp_path, capsys):
    path = tmp_path / "notes.txt"
    path.write_text("not HDF5")
    assert ends(command, path) == 2
    assert str(path) in capsys.readouterr().err
    assert ends(command, tmp_path / "absent.h5") == 2


def test_export_writes_a_table_that_reads_back(run_path, tmp_path):
    import csv

    import h5py
    import xarray as xr

    with h5py.File(run_path) as file:
        speed = file["run/aligned/roller_speed"][:]
    assert run("export", run_path, "--out", tmp_path / "run.csv").exit_code == 0
    with (tmp_path / "run.csv").open() as file:
        names, units, *rows = csv.reader(file)
    at = names.index("roller_speed")
    assert units[at] == "m/s"
    assert [float(row[at] or "nan") for row in rows] == pytest.approx(speed.tolist(), nan_ok=True)
    assert run("export", run_path, "--out", tmp_path / "run.nc").exit_code == 0
    with xr.open_dataset(tmp_path / "run.nc", engine="netcdf4") as data:
        assert data["time"].dtype.kind == "M"
        assert data["roller_speed"].values == pytest.approx(speed, nan_ok=True)


def test_export_of_an_unknown_kind_says_which_are_known(run_path, tmp_path, capsys):
    assert ends("export", run_path, "--out", tmp_path / "run.xls") == 2
    assert ".csv or .nc" in capsys.readouterr().err


def test_check_warns_of_what_a_dbc_does_not_say_right(bench_file):
    path = bench_file.parent / "can/demo_car.dbc"
    text = path.read_text().replace('"degC"', '"furlong"')
    path.write_text(text)
    assert "'furlong'" in run("check", bench_file).output
