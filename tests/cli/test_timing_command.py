"""`daq timing` and `daq realign` on a run of the simulated bench."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree

import pytest
from click.testing import CliRunner

from daq.cli import group, main
from daq.finalise import finalise
from daq.journal import Journal
from daq.runfile.verify import verify


@pytest.fixture(scope="module")
def run_path(simulated_run, tmp_path_factory):
    with Journal(simulated_run.journal) as journal:
        return finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("runs"))


def run(*arguments):
    return CliRunner().invoke(group, [str(a) for a in arguments])


def test_every_channel_has_its_line_and_every_latency_its_reason(run_path):
    told = run("timing", run_path).output
    channels = [line.split()[:2] for line in told.splitlines()]
    assert ["charge_pressure", "hull_ticks"] in channels
    assert ["engine_speed", "period_grid"] in channels
    assert "engine_speed: fitted against ignition pulses" in told
    assert "throttle_position: not measured" in told


def test_fitted_age_of_the_bus_s_engine_speed_is_the_simulated_one(run_path, simulated_run):
    """a + b/rpm against what the simulated control unit really does."""
    report = json.loads(run("timing", run_path, "--json").output)
    (told,) = [c for s in report for c in s["channels"] if c["channel"] == "engine_speed"]
    assert told["latency_source"] == "fitted"
    true = simulated_run.recording.rig.describe(0)["delays"]["car.engine_speed"]
    for rpm in (2000, 4000, 6000):
        fitted = told["latency_a_s"] + told["latency_b_s_rpm"] / rpm
        # goal of 3 ms for a shared quantity
        assert fitted == pytest.approx(true["age_s"] + true["age_rpm_s"] / rpm, abs=0.003)


def test_rates_and_spread_are_the_recording_s(run_path):
    """The simulated bus sends at 100 Hz and is read each 2 ms, so arrivals lie 2 ms apart or so."""
    report = json.loads(run("timing", run_path, "--json").output)
    (bus,) = [s for s in report if s["stream"] == "car_engine_fast"]
    assert bus["rate_achieved_hz"] == pytest.approx(100.0, abs=0.1)
    assert 0.001 < bus["jitter_before_s"] < 0.003
    assert bus["jitter_after_s"] < bus["jitter_before_s"] / 2
    assert bus["gaps"] == bus["reader_stalls"] == 0


def test_picture_is_a_drawing_with_both_channels(run_path, tmp_path):
    pair = ["--channels", "ignition_speed", "engine_speed"]
    assert run("timing", run_path, "--picture", tmp_path / "t.svg", *pair).exit_code == 0
    root = ElementTree.parse(tmp_path / "t.svg").getroot()
    assert root.tag.endswith("svg")
    text = "".join(root.itertext())
    assert "engine_speed" in text
    assert "ignition_speed" in text


def test_picture_tells_that_the_channels_line_up_afterwards(run_path, tmp_path):
    """Late by its age as it arrived (some 15 ms in a blip), within 3 ms of the other aligned."""
    assert run("timing", run_path, "--picture", tmp_path / "t.svg").exit_code == 0
    text = (tmp_path / "t.svg").read_text()
    pattern = r"(as they arrived|aligned): ecu_speed is ([0-9.]+) ms"
    before, after = re.findall(pattern, text)
    assert before[0] == "as they arrived"
    assert 8 < float(before[1]) < 30
    assert after[0] == "aligned"
    assert float(after[1]) < 3


def test_channels_that_are_not_there_are_named(run_path, tmp_path, capsys):
    pair = ["--channels", "ignition_speed", "enginespeed"]
    with pytest.raises(SystemExit):
        main(["timing", str(run_path), "--picture", str(tmp_path / "t.svg"), *pair])
    assert "no column 'enginespeed'" in capsys.readouterr().err
    assert not (tmp_path / "t.svg").exists()


def test_picture_of_another_kind_is_refused(run_path, tmp_path, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["timing", str(run_path), "--picture", str(tmp_path / "t.bmp")])
    assert ended.value.code == 2
    assert ".svg" in capsys.readouterr().err


def test_realigned_file_is_whole_and_the_original_is_untouched(run_path, tmp_path):
    before = run_path.read_bytes()
    told = run("realign", run_path, "--out", tmp_path / "again.h5")
    assert told.exit_code == 0, told.output
    assert verify(tmp_path / "again.h5") == []
    assert run_path.read_bytes() == before
