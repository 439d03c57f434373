"""`daq timing` and `daq realign` on a run of the simulated bench."""

from __future__ import annotations

import json
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
    for words in ("charge_pressure", "engine_speed", "fitted against ignition pulses", "two_way"):
        if words != "two_way":  # nobody asks for echoes in a recording
            assert words in told


def test_fitted_age_of_the_bus_s_engine_speed_is_the_simulated_one(run_path, simulated_run):
    """a + b/rpm against what the simulated control unit really does."""
    report = json.loads(run("timing", run_path, "--json").output)
    text = json.dumps(report)
    assert "engine_speed" in text
    told = run("timing", run_path).output
    (line,) = [x for x in told.splitlines() if x.strip().startswith("engine_speed: fitted")]
    numbers = [float(word) for word in line.replace("(", " ").split() if _is_number(word)]
    a_ms, b_ms = numbers[1], numbers[2]
    true = simulated_run.recording.rig.describe(0)["delays"]["car.engine_speed"]
    assert a_ms == pytest.approx(1e3 * true["age_s"], abs=3.0)
    assert b_ms == pytest.approx(1e3 * true["age_rpm_s"], abs=6000)
    for rpm in (2000, 4000, 6000):
        fitted, wanted = a_ms + b_ms / rpm, 1e3 * (true["age_s"] + true["age_rpm_s"] / rpm)
        assert fitted == pytest.approx(wanted, abs=3.0)  # goal of 3 ms for a shared quantity


def _is_number(word: str) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def test_picture_is_a_drawing_with_both_channels(run_path, tmp_path):
    pair = ["--channels", "ignition_speed", "engine_speed"]
    assert run("timing", run_path, "--picture", tmp_path / "t.svg", *pair).exit_code == 0
    root = ElementTree.parse(tmp_path / "t.svg").getroot()
    assert root.tag.endswith("svg")
    text = "".join(root.itertext())
    assert "engine_speed" in text
    assert "ignition_speed" in text


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
