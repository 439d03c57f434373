"""A run file's times from the file alone, by the code that made them and by its documentation."""

from __future__ import annotations

from pathlib import Path

import h5py
import numpy as np
import pytest
from click.testing import CliRunner

from daq.cli import group
from daq.errors import RunFileError
from daq.finalise import finalise
from daq.journal import Journal
from daq.realign import align_again
from daq.runfile.content import RunContent
from daq.runfile.digest import entries_of
from daq.runfile.read import read_run
from daq.runfile.verify import verify
from daq.runfile.write import write_run


@pytest.fixture(scope="module")
def run_path(simulated_run, tmp_path_factory) -> Path:
    with Journal(simulated_run.journal) as journal:
        return finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("out"))


@pytest.fixture
def content(run_path) -> RunContent:
    return read_run(run_path)


def digests(path: Path) -> dict[str, str]:
    """Digest of every object but the root, whose history grows."""
    with h5py.File(path) as file:
        text = file["run/integrity/manifest"][()].decode()
    return {name: value for name, value in entries_of(text).items() if name != "/"}


def test_command_gives_the_same_digests_and_says_so_in_the_history(run_path, tmp_path):
    out = tmp_path / "again.h5"
    told = CliRunner().invoke(group, ["realign", str(run_path), "--out", str(out)])
    assert told.exit_code == 0, told.output
    assert told.output.splitlines()[-1] == f"run file: {out}"
    assert verify(out) == []
    first, second = digests(run_path), digests(out)
    assert len(first) > 200
    assert second == first
    assert "times computed again" in read_run(out).history[-1]


def test_times_that_were_altered_come_back(run_path, content, tmp_path):
    """Everything derived from times is thrown away first, so nothing is merely copied."""
    for stream in content.streams:
        stream.time = stream.time + 0.1
        stream.timing.segments = []
        stream.timing.method = "arrival"
        for channel in stream.channels:
            channel.latency_s, channel.latency_source = 1.0, "configured"
    content.aligned, content.results, content.windows = None, [], []
    align_again(content)
    again = tmp_path / "again.h5"
    write_run(content, again)
    assert digests(again) == digests(run_path)


def test_a_fault_in_what_was_recorded_shows_in_the_times(run_path, content, tmp_path):
    encoder = next(s for s in content.streams if s.name == "unit_encoder_1")
    encoder.raw_time = encoder.raw_time - 2_000_000
    align_again(content)
    again = tmp_path / "again.h5"
    write_run(content, again)
    old, new = digests(run_path), digests(again)
    assert old["/run/aligned/roller_speed"] != new["/run/aligned/roller_speed"]


def test_documented_formula_gives_the_times(content):
    """By the layout's own words, with nothing of the program but the file's arrays."""
    mapped = [s for s in content.streams if s.timing.segments]
    assert {"unit_encoder_1", "unit_ignition", "car_engine_fast"} <= {s.name for s in mapped}
    for stream in mapped:
        timing = stream.timing
        index = stream.index if stream.time_index is None else stream.time_index
        assert index is not None
        assert timing.index_hz is not None
        x = index / timing.index_hz
        y = np.full(len(x), np.nan)
        for piece in timing.segments:
            rows = x >= piece.first if np.isfinite(y).any() else np.ones(len(x), bool)
            y[rows] = piece.y0 + piece.slope * (x[rows] - piece.x0)
        arrived = (stream.raw_time - content.time_zero_ns) / 1e9
        assert timing.lateness_s is not None
        assert timing.correction_s is not None
        y += np.clip(arrived - y, 0, timing.lateness_s) / 2 - timing.correction_s
        y = np.minimum.accumulate(np.minimum(y, arrived)[::-1])[::-1]
        assert np.abs(y - stream.time).max() < 2e-9, stream.name


def test_without_its_configuration_a_file_says_so(content):
    content.documents = [d for d in content.documents if d.name != "bench.toml"]
    with pytest.raises(RunFileError, match="configuration is not among"):
        align_again(content)
