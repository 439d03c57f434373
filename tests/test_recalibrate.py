"""A run's values computed again with another record, against finalising with that record."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from click.testing import CliRunner

from daq.calibration import document, store
from daq.calibration.record import Calibration
from daq.cli import group, main
from daq.errors import CalibrationError, RunFileError
from daq.finalise import finalise
from daq.journal import Journal
from daq.recalibrate import calibrate_again, recalibrate
from daq.runfile.content import RunContent
from daq.runfile.digest import entries_of
from daq.runfile.read import read_run
from daq.runfile.verify import root_digest, verify
from daq.runfile.write import write_run

NOW = "2026-12-01T08:00:00Z"


@pytest.fixture(scope="module")
def run_path(simulated_run, tmp_path_factory) -> Path:
    with Journal(simulated_run.journal) as journal:
        return finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("out"))


@pytest.fixture(scope="module")
def tables(simulated_run) -> dict[str, dict[str, Any]]:
    """The bench's records by channel, as plain tables."""
    found = {
        name: document.read(data, name)
        for name, data in simulated_run.bench.documents.items()
        if name.startswith("calibrations/")
    }
    return {table["channel"]: table for table in found.values()}


def adjusted(table: dict[str, Any], gain: float = 1.01, offset: float = 0.0) -> bytes:
    """A sealed record that gives *gain* times as much, plus *offset*."""
    known = [gain * a for a in table["equation"]["coefficients"]]
    known[0] += offset
    changed = {**table, "id": f"{table['id'][:-4]}0000", "supersedes": table["id"]}
    return store.sealed({**changed, "equation": {**table["equation"], "coefficients": known}}, "x")


def record(data: bytes, name: str = "new.toml") -> Calibration:
    return Calibration.load(data, name)


def manifest(path: Path, name: str) -> dict[str, str]:
    with h5py.File(path) as file:
        return entries_of(file[f"run/integrity/{name}"][()].decode())


def channel_of(content: RunContent, name: str):
    return next(c for s in content.streams for c in s.channels if c.name == name)


def column_of(content: RunContent, name: str):
    assert content.aligned is not None
    return next(c for c in content.aligned.columns if c.name == name)


@pytest.fixture(scope="module")
def oil(tables, run_path, tmp_path_factory) -> Path:
    """The run with another record of the oil pressure."""
    out = tmp_path_factory.mktemp("again") / "oil.h5"
    recalibrate(run_path, [record(adjusted(tables["oil_pressure"]))], out, NOW)
    return out


def test_recorded_layer_is_untouched(run_path, oil):
    assert verify(oil) == []
    before, after = (manifest(path, "recorded_manifest") for path in (run_path, oil))
    assert len(before) > 100
    assert after == before


def test_only_the_channel_and_its_column_change(run_path, oil):
    before, after = (manifest(path, "manifest") for path in (run_path, oil))
    changed = {path for path in before if after.get(path) != before[path]} - {"/"}
    assert changed
    about = re.compile(
        r"/run/(streams/unit_analogue_1/oil_pressure(_status|_info)?"
        r"|aligned/oil_pressure(_status|_errors|_info)?|calibrations(/oil_pressure(/.*)?)?)"
    )
    assert [path for path in changed if not about.fullmatch(path)] == []
    new = {path for path in after if path not in before}
    assert all(path.startswith("/run/calibrations/oil_pressure_superseded_1") for path in new)
    assert any("superseded_1/record" in path for path in new)


def test_values_are_those_of_the_record(run_path, oil):
    before, after = (channel_of(read_run(p), "oil_pressure") for p in (run_path, oil))
    both = np.isfinite(before.value) & np.isfinite(after.value)
    assert both.mean() > 0.9
    assert after.value[both] == pytest.approx(1.01 * before.value[both])
    assert np.array_equal(after.raw, before.raw)


def test_the_old_calibration_is_kept_as_superseded(run_path, oil):
    before, after = (read_run(path) for path in (run_path, oil))
    old = next(c for c in before.calibrations if c.name == "oil_pressure")
    by_name = {c.name: c for c in after.calibrations}
    kept, new = by_name["oil_pressure_superseded_1"], by_name["oil_pressure"]
    assert kept.applied is False
    assert new.applied is True
    assert kept.record == old.record
    assert new.info["supersedes"] == old.info["calibration_id"]
    assert channel_of(after, "oil_pressure").calibration == "oil_pressure"


def test_history_names_the_file_it_was_made_from(run_path, oil):
    line = read_run(oil).history[-1]
    assert line.startswith(NOW)
    assert root_digest(run_path) in line
    assert "oil_pressure with record" in line


def test_the_same_record_gives_the_same_values(tables, run_path, tmp_path):
    same = record(store.sealed(tables["oil_pressure"], "x"), "calibrations/oil_pressure.toml")
    out = tmp_path / "same.h5"
    recalibrate(run_path, [same], out, NOW)
    before, after = (manifest(path, "manifest") for path in (run_path, out))
    changed = {path for path in before if after[path] != before[path]}
    assert changed <= {"/", "/run/calibrations"}


@pytest.mark.parametrize(
    "names", [("oil_pressure",), ("supply",), ("map", "charge_pressure"), ("brake_load",)]
)
def test_equals_finalising_with_the_record_in_the_configuration(
    names, simulated_run, tables, run_path, tmp_path, monkeypatch
):
    """Source: the live way itself, with the record in the bench's configuration."""
    data = {name: adjusted(tables[name], 1.005) for name in names}
    out = tmp_path / "again.h5"
    recalibrate(run_path, [record(data[n], f"calibrations/{n}.toml") for n in names], out, NOW)
    with Journal(simulated_run.journal) as journal:
        name, documents = journal.configuration(simulated_run.start_seq)
        other = {**documents, **{f"calibrations/{n}.toml": data[n] for n in names}}
        monkeypatch.setattr(Journal, "configuration", lambda *_: (name, other))
        live = finalise(journal, simulated_run.start_seq, tmp_path / "live.h5")
    again, wanted = (manifest(path, "manifest") for path in (out, live))
    expected = ("/run/documents", "/run/settings")
    differ = {
        path
        for path in again.keys() | wanted.keys()
        if again.get(path) != wanted.get(path)
        and not path.startswith(expected)
        and "_superseded_1" not in path
    }
    assert differ <= {"/", "/run/calibrations"}
    assert wanted["/run/aligned/map"]


def test_what_depends_on_the_supply_is_computed_too(tables, run_path):
    content = read_run(run_path)
    before = channel_of(content, "oil_pressure").value.copy()
    column = column_of(content, "oil_pressure").value.copy()
    done = calibrate_again(content, [record(adjusted(tables["supply"], 1.01))])
    assert {"oil_pressure", "map", "coolant"} <= set(done.dependent)
    assert "brake_load" not in done.dependent
    after = channel_of(content, "oil_pressure").value
    assert np.nanmedian(after / before) < 0.995
    assert np.nanmedian(column_of(content, "oil_pressure").value / column) < 0.995


def test_twice_keeps_both(tables, run_path, oil, tmp_path):
    out = tmp_path / "twice.h5"
    recalibrate(oil, [record(adjusted(tables["oil_pressure"], 0.99))], out, NOW)
    content = read_run(out)
    applied = {c.name: c.applied for c in content.calibrations if "oil_pressure" in c.name}
    assert applied == {
        "oil_pressure": True,
        "oil_pressure_superseded_1": False,
        "oil_pressure_superseded_2": False,
    }
    assert len(content.history) == len(read_run(run_path).history) + 2


def test_rows_that_an_operator_excluded_stay_so(tables, run_path):
    content = read_run(run_path)
    channel = channel_of(content, "oil_pressure")
    assert channel.status is not None
    channel.status[100:200] |= np.uint8(128)
    calibrate_again(content, [record(adjusted(tables["oil_pressure"]))])
    status = channel_of(content, "oil_pressure").status
    assert status is not None
    assert np.flatnonzero(status & 128).tolist() == list(range(100, 200))


# --- what is refused


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"channel": "oil_presure"}, "did you mean 'oil_pressure'"),
        ({"unit": "bar"}, "make the record in that unit"),
        ({"quantity": "absolute_pressure"}, "gauge_pressure"),
        ({"signal": {"kind": "adc", "bits": 12, "reference_v": 5.5, "supply": "nowhere"}},
         "needs the values of nowhere"),
    ],
)  # fmt: skip
def test_a_record_that_does_not_fit(change, words, tables, run_path):
    table = {n: v for n, v in tables["oil_pressure"].items() if n != "sha256"}
    unfit = Calibration.of_table({**table, **change}, "unfit.toml")
    with pytest.raises(CalibrationError, match=words):
        calibrate_again(read_run(run_path), [unfit])


def test_two_records_for_one_channel(tables, run_path):
    one = record(adjusted(tables["oil_pressure"]))
    with pytest.raises(CalibrationError, match="two records"):
        calibrate_again(read_run(run_path), [one, one])


def test_an_altered_file_is_not_recalibrated(tables, run_path, tmp_path):
    path = tmp_path / "altered.h5"
    path.write_bytes(run_path.read_bytes())
    with h5py.File(path, "r+") as file:
        file["run/streams/unit_analogue_1/oil_pressure_raw"][100] += 1
    with pytest.raises(RunFileError, match="altered"):
        recalibrate(path, [record(adjusted(tables["oil_pressure"]))], tmp_path / "o.h5", NOW)
    assert not (tmp_path / "o.h5").exists()


def test_times_of_another_release_are_not_mixed_in(tables, run_path):
    content = read_run(run_path)
    stream = content.streams[0]
    content.streams[0] = replace(stream, time=stream.time + 1e-6)
    with pytest.raises(RunFileError, match="realign"):
        calibrate_again(content, [record(adjusted(tables["oil_pressure"]))])


# --- the command


def test_command(tables, run_path, tmp_path):
    path, out = tmp_path / "oil.toml", tmp_path / "new.h5"
    path.write_bytes(adjusted(tables["oil_pressure"]))
    arguments = ["recalibrate", str(run_path), "--calibration", str(path), "--out", str(out)]
    told = CliRunner().invoke(group, arguments)
    assert told.exit_code == 0, told.output
    assert "channel oil_pressure: calibrated with oil.toml" in told.output
    assert told.output.splitlines()[-1] == f"run file: {out}"
    assert verify(out) == []
    assert str(tmp_path) not in json.dumps(read_run(out).calibrations, default=str)


def test_command_never_writes_over_the_original(tables, run_path, tmp_path, capsys):
    path = tmp_path / "oil.toml"
    path.write_bytes(adjusted(tables["oil_pressure"]))
    before = run_path.read_bytes()
    with pytest.raises(SystemExit) as ended:
        main(["recalibrate", str(run_path), "--calibration", str(path), "--out", str(run_path)])
    assert ended.value.code == 2
    assert "never written over" in capsys.readouterr().err
    assert run_path.read_bytes() == before


# --- what the file says of its calibrations


def test_a_calibration_stands_in_the_file_with_its_evidence(run_path):
    found = {c.name: c for c in read_run(run_path).calibrations}["oil_pressure"]
    assert [(p.name, p.unit) for p in found.parameters] == [("a0", "kPa"), ("a1", "kPa.V^-1")]
    assert found.input_unit == "V"
    assert found.residual is not None
    assert found.reference_uncertainty is not None
    assert found.info["influence_temperature"].value == 21.5
    assert found.info["coverage_factor"] == 2.0
    assert found.info["expanded_uncertainty"].value > 0
    assert found.info["reference_instrument_certificate"]


def test_values_of_a_file_by_hand(run_path):
    """By the record's numbers alone: a0 + a1 (V 5/Vs - origin), V = count 5.5/4096."""
    content = read_run(run_path)
    stream = next(s for s in content.streams if s.name == "unit_analogue_1")
    known = {c.name: c for c in content.calibrations}["oil_pressure"]
    by_name = {c.name: c for c in stream.channels}
    volts = by_name["oil_pressure"].raw * 5.5 / 4096 * 5.0 / by_name["supply"].value
    a0, a1 = (p.value for p in known.parameters)
    value = a0 + a1 * (volts - known.info["formula_origin"].value)
    assert by_name["oil_pressure"].value == pytest.approx(value, nan_ok=True)


def test_state_is_told_at_the_time_of_the_run(tables, run_path):
    content = read_run(run_path)
    content.time_zero_utc_ns = 1_900_000_000 * 10**9  # 2030
    calibrate_again(content, [record(adjusted(tables["oil_pressure"]))])
    state = {c.name: c for c in content.calibrations}["oil_pressure"].info
    assert "expired" in str(state["state"])
    assert state["state_in_doubt"] is True
    table = {**tables["oil_pressure"], "sensor": {"serial": "OP-0001"}, "sha256": "0" * 64}
    content = read_run(run_path)
    calibrate_again(content, [Calibration.of_table(table, "hand.toml")])
    state = {c.name: c for c in content.calibrations}["oil_pressure"].info
    assert str(state["state"]).split() == ["changed_by_hand", "other_sensor"]
    content = read_run(run_path)
    content.time_zero_utc_ns = 1_500_000_000 * 10**9  # 2017, before it was calibrated
    calibrate_again(content, [record(adjusted(tables["oil_pressure"]))])
    state = {c.name: c for c in content.calibrations}["oil_pressure"].info
    assert (state["state"], state["state_in_doubt"]) == ("performed_after_run", False)
    content = read_run(run_path)
    content.time_zero_utc_ns = 0
    calibrate_again(content, [record(adjusted(tables["oil_pressure"]))])
    state = {c.name: c for c in content.calibrations}["oil_pressure"].info
    assert state["state"] == "not judged"


def test_uncertainty_of_a_value_is_stated(run_path):
    info = channel_of(read_run(run_path), "oil_pressure").info
    a, b = (info[f"standard_uncertainty_type_{x}"].value for x in "ab")
    assert info["standard_uncertainty"].value == pytest.approx(np.hypot(a, b))
    assert b > 0.5  # the reference's 1.0 kPa at k = 2 alone
    assert "reference 0.5" in info["uncertainty_budget"]


def test_unknown_uncertainty_stays_unknown(tables, run_path):
    table = {n: v for n, v in tables["brake_load"].items() if n not in ("sha256", "reference")}
    known = {n: v for n, v in table["equation"].items() if n != "covariance"}
    content = read_run(run_path)
    calibrate_again(content, [Calibration.of_table({**table, "equation": known}, "bare.toml")])
    info = channel_of(content, "brake_load").info
    assert "standard_uncertainty" not in info
    assert "states nothing" in str(info["uncertainty_note"])
    assert column_of(content, "brake_load").uncertainty is None


def test_a_run_file_written_again_keeps_all_that(run_path, tmp_path):
    write_run(read_run(run_path), tmp_path / "copy.h5")
    assert manifest(tmp_path / "copy.h5", "manifest") == manifest(run_path, "manifest")
