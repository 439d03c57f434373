"""The run file: written, read back by others, repacked, altered, interrupted."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import h5py
import numpy as np
import pytest

from daq import units
from daq.errors import RunFileError
from daq.runfile.lint import lint
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest, verify
from daq.runfile.write import write_run


def tool(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def known(unit: str) -> bool:
    """A unit by the closed list, or a CF time unit."""
    return unit in units.UNITS or unit.startswith("seconds since ") or unit in ("ns", "1")


# --- what is written


def test_layout_keeps_its_own_rules(run_path):
    assert lint(run_path) == []


def test_units_are_convertible_by_an_independent_judge(run_path):
    """UDUNITS through cf-units: every unit string in the file parses."""
    cf_units = pytest.importorskip("cf_units")
    strange = []

    def look(name: str, item: h5py.HLObject) -> None:
        unit = item.attrs.get("units")
        if unit is not None:
            try:
                cf_units.Unit(unit, calendar="standard")
            except ValueError:
                strange.append((name, unit))

    with h5py.File(run_path) as file:
        file.visititems(look)
    assert strange == []


def test_read_back_is_what_was_written(make_content, tmp_path):
    content = make_content(3)
    write_run(content, tmp_path / "a.h5")
    again = read_run(tmp_path / "a.h5")
    write_run(again, tmp_path / "b.h5")
    assert root_digest(tmp_path / "a.h5") == root_digest(tmp_path / "b.h5")
    written = {s.name: s for s in content.streams}
    for stream in again.streams:
        np.testing.assert_array_equal(stream.time, written[stream.name].time)
        np.testing.assert_array_equal(stream.raw_time, written[stream.name].raw_time)
        for ours, theirs in zip(stream.channels, written[stream.name].channels, strict=True):
            np.testing.assert_array_equal(ours.raw, theirs.raw)
            np.testing.assert_array_equal(ours.value, theirs.value)


def test_an_existing_file_is_never_written_over(make_content, tmp_path):
    write_run(make_content(1), tmp_path / "a.h5")
    before = (tmp_path / "a.h5").read_bytes()
    with pytest.raises(RunFileError, match="exists already"):
        write_run(make_content(2), tmp_path / "a.h5")
    assert (tmp_path / "a.h5").read_bytes() == before


def test_sidecar_serves_sha256sum(run_path):
    told = subprocess.run(
        [tool("sha256sum"), "-c", f"{run_path.name}.sha256"],
        cwd=run_path.parent, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout + told.stderr


# --- readers


def groups_of(path: Path) -> list[str]:
    found: list[str] = []
    with h5py.File(path) as file:
        file.visititems(
            lambda name, item: found.append(name) if isinstance(item, h5py.Group) else None
        )
    return found


@pytest.mark.parametrize("engine", ["h5netcdf", "netcdf4"])
def test_xarray_opens_every_group(run_path, engine):
    import xarray as xr

    for group in groups_of(run_path):
        with xr.open_dataset(run_path, group=group, engine=engine) as data:
            data.load()


def test_netcdf4_and_pyfive_read_the_same_numbers(run_path):
    import netCDF4
    import pyfive

    paths: list[str] = []
    with h5py.File(run_path) as file:
        file.visititems(
            lambda name, item: (
                paths.append(name)
                if isinstance(item, h5py.Dataset) and item.dtype.kind in "fiu" and item.ndim
                else None
            )
        )
        ours = {path: file[path][()] for path in paths if "_nc4_non_coord" not in path}
        pure = {p for p in paths if b"not a netCDF variable" in file[p].attrs.get("NAME", b"")}
    assert len(ours) > 20
    with netCDF4.Dataset(run_path) as file:
        file.set_auto_mask(False)
        for path in set(ours) - pure:
            np.testing.assert_array_equal(file[path][:], ours[path])
    with pyfive.File(str(run_path)) as file:
        for path in set(ours) - pure:
            np.testing.assert_array_equal(np.asarray(file[path][()]), ours[path])


@pytest.mark.parametrize(("name", "options"), [("ncdump", ["-h"]), ("h5dump", ["-H"])])
def test_debian_tools_open_it_without_a_word(run_path, name, options):
    told = subprocess.run(
        [tool(name), *options, run_path], capture_output=True, text=True, check=True
    )
    assert "aligned" in told.stdout
    assert told.stderr == ""


@pytest.mark.parametrize(
    "repack",
    [
        ["h5repack", "-f", "GZIP=9"],
        ["h5repack", "-f", "NONE", "-l", "CONTI"],
        ["h5repack", "-f", "FLET"],
        ["nccopy"],
    ],
    ids=" ".join,
)
def test_digests_survive_being_repacked(run_path, tmp_path, repack):
    tool(repack[0])
    subprocess.run([*repack, run_path, tmp_path / "b.h5"], check=True, capture_output=True)
    assert verify(tmp_path / "b.h5") == []


# --- altered


@pytest.fixture
def altered(run_path, tmp_path):
    """A copy that may be written, without its sidecar."""
    path = tmp_path / "altered.h5"
    shutil.copy(run_path, path)
    path.chmod(0o644)
    return path


def raw_dataset(file: h5py.File) -> h5py.Dataset:
    stream = next(iter(file["run/streams"].values()))
    return next(item for name, item in stream.items() if name.endswith("_raw"))


def test_one_raw_count_is_found_and_named(altered):
    with h5py.File(altered, "r+") as file:
        item = raw_dataset(file)
        item[5] += 1
        name = item.name
    assert verify(altered) == [f"{name}: altered"]


def test_an_altered_attribute_is_found(altered):
    with h5py.File(altered, "r+") as file:
        item = raw_dataset(file)
        item.attrs["units"] = "furlong"
        name = item.name
    assert verify(altered) == [f"{name}: altered"]


def test_a_missing_and_an_added_object_are_found(altered):
    with h5py.File(altered, "r+") as file:
        del file["run/title"]
        file["run/extra"] = 1.0
    problems = verify(altered)
    assert "/run/title: missing" in problems
    assert any(text.startswith("/run/extra: not there") for text in problems)


def test_a_forged_manifest_is_found(altered):
    with h5py.File(altered, "r+") as file:
        text = file["run/integrity/manifest"][()].decode()
        del file["run/integrity/manifest"]
        file["run/integrity/manifest"] = text.replace("a", "b", 1)
    assert verify(altered) != []


def test_the_sidecar_is_checked_too(run_path, tmp_path):
    path = tmp_path / run_path.name
    shutil.copy(run_path, path)
    (tmp_path / f"{path.name}.sha256").write_text(f"{'0' * 64}  {path.name}\n")
    assert len(verify(path)) == 1


@pytest.mark.parametrize("share", [0.0, 0.1, 0.5, 0.99])
def test_a_file_cut_short_is_an_error_or_named_damage(altered, share):
    data = altered.read_bytes()
    altered.write_bytes(data[: int(len(data) * share)])
    try:
        problems = verify(altered)
    except RunFileError as error:
        problems = [str(error)]
        assert str(altered) in problems[0]
    assert problems


def test_random_damage_never_passes_and_never_crashes(altered):
    """Forty copies with five bytes altered each, read in a child as HDF5 may take it along."""
    data = altered.read_bytes()
    rng = np.random.default_rng(4)
    folder = altered.parent
    paths = []
    for number in range(40):
        spoilt = bytearray(data)
        for at in rng.integers(0, len(data), 5):
            spoilt[at] ^= int(rng.integers(1, 256))
        path = folder / f"spoilt{number}.h5"
        path.write_bytes(spoilt)
        paths.append(str(path))
    code = (
        "import sys\nfrom pathlib import Path\nfrom daq.errors import RunFileError\n"
        "from daq.runfile.verify import verify\n"
        "for name in sys.argv[1:]:\n"
        "    try:\n        print(len(verify(Path(name))))\n"
        "    except RunFileError as error:\n        print('refused')\n"
    )
    told = subprocess.run(
        [sys.executable, "-c", code, *paths], capture_output=True, text=True, timeout=120,
        check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stderr[-2000:]
    # bytes that no object uses may change unseen; what objects say may not
    assert len(told.stdout.split()) == 40


def test_a_file_that_is_no_run_file_is_refused_by_name(tmp_path):
    with h5py.File(tmp_path / "other.h5", "w") as file:
        file["x"] = 1
    with pytest.raises(RunFileError, match="not a run file"):
        verify(tmp_path / "other.h5")
    with pytest.raises(RunFileError, match="no such file"):
        verify(tmp_path / "none.h5")


# --- interrupted

WRITER = """
import sys
sys.path.insert(0, {folder!r})
from conftest import sample_content
from pathlib import Path
from daq.runfile.write import write_run
from daq.errors import RunFileError
import resource
limit = int(sys.argv[2])
if limit:
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))
    import signal
    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
print("ready", flush=True)
try:
    write_run(sample_content(1, 60000), Path(sys.argv[1]))
except RunFileError as error:
    print(error)
    sys.exit(3)
"""


def writer(path: Path, limit: int = 0) -> subprocess.Popen[str]:
    code = WRITER.format(folder=str(Path(__file__).parent))
    return subprocess.Popen(
        [sys.executable, "-c", code, str(path), str(limit)], stdout=subprocess.PIPE, text=True
    )


def test_no_room_leaves_no_half_file_and_says_what_to_do(tmp_path):
    with writer(tmp_path / "run.h5", 100_000) as process:
        text = process.stdout.read() if process.stdout else ""
    assert process.returncode == 3
    assert "make room" in text
    assert list(tmp_path.iterdir()) == []


def test_killed_at_any_moment_leaves_a_whole_file_or_none(tmp_path):
    rng = np.random.default_rng(9)
    for number in range(6):
        path = tmp_path / f"run{number}.h5"
        with writer(path) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(float(rng.uniform(0, 0.5)))
            os.kill(process.pid, signal.SIGKILL)
        if path.exists():
            assert verify(path) == []


def test_describe_is_plain_json(run_path):
    from daq.runfile.summary import describe, summary_lines

    json.dumps(describe(run_path))
    assert all("\n" not in line for line in summary_lines(run_path))
