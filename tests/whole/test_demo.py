"""`daq demo` as its user runs it: real processes, real pseudo-terminals, real time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from daq.runfile.read import read_run
from daq.runfile.verify import verify
from daq.simulate import truth

pytestmark = pytest.mark.whole


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    command = [sys.executable, "-m", "daq", "demo", "--out", str(folder), "--seed", "3"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert told.returncode == 0, told.stderr
    return told


@pytest.fixture(scope="module")
def run_path(demo):
    return Path(demo.stdout.splitlines()[-1].removeprefix("run file: "))


def test_last_line_names_a_verified_run_file(run_path):
    assert run_path.suffix == ".h5"
    assert verify(run_path) == []


def test_progress_and_summary_are_shown(demo):
    assert "full-throttle pull" in demo.stderr
    assert "run 1: Pennon 2.0 T, stock (complete)" in demo.stdout
    assert "Traceback" not in demo.stdout + demo.stderr


def test_daemon_lost_nothing(run_path):
    for source in read_run(run_path).sources:
        lost = [text for _, text in source.notes if '"lost"' in text]
        assert lost == []
        assert {n: v for n, v in source.info.items() if n.endswith(("frames_bad", "frames_lost"))}
        assert not any(v for n, v in source.info.items() if n.endswith("frames_lost"))


def test_what_was_measured_is_what_was_so(run_path):
    content = read_run(run_path)
    true, described = truth.read(next(run_path.parent.glob("truth-*.npz")))
    columns = {column.name: column.value for column in content.aligned.columns}
    shift = (described["start_ns"] - content.time_zero_ns) / 1e9
    events = {event["name"]: event["time_s"] + shift for event in described["events"]}
    time = content.aligned.time
    during = (time > events["pull"] + 0.3) & (time < events["lift"] - 0.3)
    for name, limit in (("roller_speed", 0.03), ("charge_pressure", 0.6), ("coolant", 0.5)):
        known = np.interp(time, true["time"] + shift, true[name])
        error = (columns[name] - known)[during]
        assert np.sqrt(np.mean(error**2)) < limit, name


def test_whole_run_is_in_the_file(run_path):
    content = read_run(run_path)
    assert -10.05 < content.t_start < -8.6  # the throttle blips lie within
    speed = next(c.value for c in content.aligned.columns if c.name == "roller_speed")
    assert np.nanmax(speed) > 30
    assert abs(speed[np.isfinite(speed)][-1]) < 0.1  # slowed under load to a standstill
