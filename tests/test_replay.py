"""Recordings of real cars, and our own journals, to run files."""

from __future__ import annotations

import shutil
import subprocess

import cantools
import numpy as np
import pytest
from click.testing import CliRunner

from daq.bench import load_bench
from daq.cli import group
from daq.errors import ConfigError, RecordingError
from daq.finalise import finalise
from daq.journal import Journal
from daq.replay import WireSource, replay
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest, verify

CAR = """
[bench]
name = "road"
[wire.car]
kind = "socketcan"
channel = "can0"
[device.car]
wire = "car"
driver = "can_dbc"
dbc = "car.dbc"
"""
SECOND_BUS = """
[wire.other]
kind = "socketcan"
channel = "can1"
[device.other]
wire = "other"
driver = "can_dbc"
dbc = "car.dbc"
"""


def bench_of(tmp_path, dbc, text=CAR):
    shutil.copy(dbc, tmp_path / "car.dbc")
    (tmp_path / "car.dbc").chmod(0o644)
    (tmp_path / "bench.toml").write_text(text)
    return load_bench(tmp_path / "bench.toml")


def channel(content, name):
    for stream in content.streams:
        for item in stream.channels:
            if item.name == name:
                return stream, item
    raise AssertionError(f"no channel {name}")


@pytest.fixture(scope="module")
def road_pull(shared, tmp_path_factory):
    """The real single-gear pull; figures of its content are in the data's own description."""
    folder = tmp_path_factory.mktemp("road")
    bench_of(folder, shared / "can/dbc/coupe.dbc")
    log = shared / "can/coupe_road_pull.log"
    arguments = ["replay", "--config", str(folder / "bench.toml"), "--wire", f"car={log}"]
    result = CliRunner().invoke(group, [*arguments, "--out", str(folder / "run.h5")])
    assert result.exit_code == 0, result.output
    assert result.output.splitlines()[-1] == f"run file: {folder / 'run.h5'}"
    return folder / "run.h5"


def test_real_pull_has_its_engine_speed(road_pull):
    content = read_run(road_pull)
    stream, speed = channel(content, "ems1_n")
    assert speed.unit == "rpm"
    # 907 to 5005 rpm in 6.12 s: description of the recording
    assert round(speed.value.min()) == 907
    assert round(speed.value.max()) == 5005
    assert content.t_end - content.t_start == pytest.approx(6.12, abs=0.02)
    assert stream.time[0] >= content.t_start - 1e-6


def test_real_pull_says_that_it_has_no_encoder(road_pull):
    content = read_run(road_pull)
    assert content.aligned is not None
    assert content.aligned.grid == "time_only"
    assert content.aligned.info["time_base"] == "host, no encoder"


def test_real_pull_keeps_every_frame_and_tells_what_matched(road_pull, shared):
    source = read_run(road_pull).sources[0]
    assert len(source.frames) == 7402
    lines = (shared / "can/coupe_road_pull.log").read_text().splitlines()
    sent = [line.split()[2].split("#") for line in lines]
    assert source.frames["id"].tolist() == [int(identifier, 16) for identifier, _ in sent]
    # cantools as the independent judge of what the DBC knows
    known = cantools.database.load_file(shared / "can/dbc/coupe.dbc", strict=False).messages
    matched = sum(int(i, 16) in {message.frame_id for message in known} for i, _ in sent)
    assert source.info["car_frames_ok"] == matched


def test_real_pull_is_verified_and_opened_by_others(road_pull):
    import xarray as xr

    assert verify(road_pull) == []
    with xr.open_dataset(road_pull, group="run/aligned", engine="h5netcdf") as data:
        assert float(data["ems1_n"].max()) == pytest.approx(5005, abs=1)
    if shutil.which("ncdump") is None:
        pytest.skip("ncdump is not installed")
    header = subprocess.run(["ncdump", "-h", road_pull], capture_output=True, text=True, check=True)
    assert "ems1_n" in header.stdout


def test_trc_of_another_car(shared, tmp_path):
    bench = bench_of(tmp_path, shared / "can/dbc/hatch.dbc")
    source = WireSource("car", shared / "can/hatch_rev.trc")
    content = read_run(replay(bench, [source], tmp_path / "run.h5"))
    _, speed = channel(content, "engine_rpm")
    # 816 to 5073 rpm: description of the recording
    assert round(float(np.nanmin(speed.value))) == 816
    assert round(float(np.nanmax(speed.value))) == 5073


@pytest.mark.parametrize(
    ("log", "dbc", "frames"),
    [("suv_drive_2bus.log", "suv.dbc", 68_178), ("ev_power_cycle_2bus.log", "ev.dbc", 39_546)],
)
def test_two_buses_of_one_log_share_their_time(shared, tmp_path, log, dbc, frames):
    bench = bench_of(tmp_path, shared / "can/dbc" / dbc, CAR + SECOND_BUS)
    path = shared / "can" / log
    sources = [WireSource("car", path, "can0"), WireSource("other", path, "can1")]
    content = read_run(replay(bench, sources, tmp_path / "run.h5"))
    assert sum(len(source.frames) for source in content.sources) == frames
    first = [int(source.frames["t_host"][0]) for source in content.sources]
    assert abs(first[0] - first[1]) < 1_000_000_000


def test_a_log_of_two_buses_must_be_told_which(shared, tmp_path):
    bench = bench_of(tmp_path, shared / "can/dbc/suv.dbc")
    source = WireSource("car", shared / "can/suv_drive_2bus.log")
    with pytest.raises(RecordingError, match="select one of can0, can1"):
        replay(bench, [source], tmp_path / "run.h5")


def test_same_recording_gives_the_same_digest(road_pull, shared, tmp_path):
    bench = bench_of(tmp_path, shared / "can/dbc/coupe.dbc")
    source = WireSource("car", shared / "can/coupe_road_pull.log")
    again = replay(bench, [source], tmp_path / "again.h5")
    assert root_digest(again) == root_digest(road_pull)


def test_journal_replays_to_the_live_run(simulated_run, tmp_path):
    with Journal(simulated_run.journal) as journal:
        live = finalise(journal, simulated_run.start_seq, tmp_path / "live.h5")
    sources = [WireSource(wire, simulated_run.journal) for wire in simulated_run.bench.wire]
    again = replay(simulated_run.bench, sources, tmp_path / "again.h5")
    assert root_digest(again) == root_digest(live)


def test_a_journal_part_by_itself_replays(simulated_run, tmp_path):
    part = next(simulated_run.journal.glob("*.sqlite*"))
    source = WireSource("car_can", part)
    content = read_run(replay(simulated_run.bench, [source], tmp_path / "run.h5"))
    assert {stream.device for stream in content.streams} == {"car"}


def test_unknown_wire_is_named_with_the_nearest(simulated_run, tmp_path):
    source = WireSource("car_cann", simulated_run.journal)
    with pytest.raises(ConfigError, match="did you mean 'car_can'"):
        replay(simulated_run.bench, [source], tmp_path / "run.h5")


def test_recording_of_the_wrong_kind_is_refused(simulated_run, shared, tmp_path):
    source = WireSource("unit", shared / "can/coupe_road_pull.log")
    with pytest.raises(RecordingError, match="holds can data, and wire 'unit' is serial"):
        replay(simulated_run.bench, [source], tmp_path / "run.h5")


@pytest.mark.parametrize("text", ["car", "=x.log", "car="])
def test_wire_option_says_its_form(text):
    with pytest.raises(ConfigError, match="expected NAME=FILE"):
        WireSource.parse(text)


def test_command_line_ends_without_traceback(tmp_path):
    arguments = [
        "replay",
        "--config",
        str(tmp_path / "none.toml"),
        "--wire",
        "a=b",
        "--out",
        "c.h5",
    ]
    from daq.cli import main

    with pytest.raises(SystemExit) as ended:
        main(arguments)
    assert ended.value.code == 2
