"""Calibrating as a technician does: from a CSV, from live readings, by the trade's procedures."""

from __future__ import annotations

import json
import sys
from types import SimpleNamespace

import numpy as np
import pytest
from click.testing import CliRunner

from daq import clock, recent
from daq.calibration import picture, store
from daq.cli import group, main
from daq.entries import ChunkRow
from daq.errors import CalibrationError
from daq.journal import Journal
from daq.simulate.demo import place
from daq.simulate.engine import EngineParameters

OIL = "indication,reference,direction\n" + "\n".join(
    f"{0.5 + 4 * share:.4f},{1000 * share + error},{way}"
    for way, shares in (("up", (0, 0.25, 0.5, 0.75, 1)), ("down", (0.75, 0.5, 0.25, 0)))
    for share, error in zip(shares, (0.2, -0.3, 0.4, -0.2, 0.1))
)
"""A sensor of 0.5 to 4.5 V for 0 to 1000 kPa, with errors of some 0.1 kPa."""


@pytest.fixture
def bench_file(tmp_path):
    return place(tmp_path / "bench")


@pytest.fixture
def oil_csv(tmp_path):
    path = tmp_path / "oil.csv"
    path.write_text(OIL)
    return path


def run(*arguments, **more):
    return CliRunner().invoke(group, ["calibrate", *map(str, arguments)], **more)


def refused(capsys, *arguments):
    with pytest.raises(SystemExit) as ended:
        main(["calibrate", *map(str, arguments)])
    return ended.value.code, capsys.readouterr().err


# --- from a CSV


def test_points_from_csv_are_accepted_and_sealed(bench_file, oil_csv):
    before = store.read(bench_file.parent / "calibrations/oil_pressure.toml")
    told = run(
        "oil_pressure", "--config", bench_file, "--from", oil_csv, "--by", "Ida Falk",
        "--at", "2.5", "--valid-until", "2027-12-31", "--accept",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    for words in ("straight line", "does not earn its terms", "hysteresis", "residuals in kPa",
                  "expanded uncertainty (k = 2)", "as found: the record in force"):  # fmt: skip
        assert words in told.output
    new = store.read(bench_file.parent / "calibrations/oil_pressure.toml")
    assert new.record.sha256 == new.record_sha256
    assert new.record.supersedes == before.record.id
    assert new.record.performed.by == "Ida Falk"
    assert new.record.reference is None  # nobody said which instrument it was
    assert "note: no reference certificate on record" in told.output
    assert "as found" in new.record.note
    # Source: the sensor's own line, (V - 0.5) / 4 * 1000 kPa
    assert float(new.at_signal(2.5)) == pytest.approx(500, abs=0.5)
    again = run("oil_pressure", "--config", bench_file, "--from", oil_csv, "--by", "B", "--accept")
    assert again.exit_code == 0
    history = bench_file.parent / "calibrations/oil_pressure.history.toml"
    entries = store.read_history(history.read_bytes(), "history")
    assert [entry["action"] for entry in entries] == ["superseded", "accepted", "accepted"]
    assert entries[0]["record_sha256"] == before.record_sha256


def test_uncertainty_does_not_pile_up_from_record_to_record(bench_file, oil_csv):
    known = []
    for _ in range(3):
        run("oil_pressure", "--config", bench_file, "--from", oil_csv, "--by", "A", "--accept")
        record = store.read(bench_file.parent / "calibrations/oil_pressure.toml")
        known.append(record.record.uncertainty.value)
    assert known[0] == known[1] == known[2] > 0


def test_discarded_points_stay_in_the_history(bench_file, oil_csv):
    path = bench_file.parent / "calibrations/oil_pressure.toml"
    before = path.read_bytes()
    told = run("oil_pressure", "--config", bench_file, "--from", oil_csv, input="n\n")
    assert told.exit_code == 0
    assert "discarded" in told.output
    assert path.read_bytes() == before
    history = (path.parent / "oil_pressure.history.toml").read_bytes()
    assert store.read_history(history, "history")[-1]["action"] == "discarded"


def test_json_is_all_that_stands_on_standard_output(bench_file, oil_csv):
    told = run(
        "oil_pressure", "--config", bench_file, "--from", oil_csv, "--at", "2.5", "--json",
        "--discard",
    )  # fmt: skip
    found = json.loads(told.stdout)
    assert len(found["points"]) == 9
    assert [model["degree"] for model in found["models"]] == [1, 2, 3]
    last = found["uncertainty"][-1]
    assert last["value"] == pytest.approx(500, abs=0.5)
    assert last["expanded_uncertainty"] > 0
    assert found["accepted"] is False


def test_the_reference_instrument_makes_it_traceable(bench_file, oil_csv, tmp_path):
    about = tmp_path / "gauge.toml"
    about.write_text('name = "gauge"\ncertificate = "K-1"\nexpanded_uncertainty = 1.0\n')
    out = tmp_path / "new.toml"
    told = run(
        "oil_pressure", "--config", bench_file, "--from", oil_csv, "--reference-file", about,
        "--out", out, "--accept",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    record = store.read(out)
    assert record.traceable
    assert record.record.reference.certificate == "K-1"


def test_without_a_bench_a_record_is_the_template(bench_file, oil_csv, tmp_path):
    template = bench_file.parent / "calibrations/oil_pressure.toml"
    out = tmp_path / "new.toml"
    told = run(
        "oil_pressure", "--template", template, "--from", oil_csv, "--out", out, "--by", "A",
        "--accept",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    assert store.read(out).channel == "oil_pressure"


def test_a_channel_without_a_record(bench_file, tmp_path, capsys):
    text = bench_file.read_text().replace('calibration = "calibrations/oil_pressure.toml"\n', "")
    bench_file.write_text(text)
    csv = tmp_path / "counts.csv"
    csv.write_text("indication;reference\n0.5;0\n2.5;500\n4.5;1000\n")
    base = ["oil_pressure", "--config", bench_file, "--from", csv, "--accept"]
    code, error = refused(capsys, *base)
    assert code == 2
    assert "--quantity gauge_pressure --unit kPa" in error
    told = run(*base, "--quantity", "gauge_pressure", "--unit", "kPa", "--full-scale-v", "5.5")
    assert told.exit_code == 0, told.output
    assert 'calibration = "calibrations/oil_pressure.toml"' in told.output
    record = store.read(bench_file.parent / "calibrations/oil_pressure.toml")
    assert record.record.signal.reference_v == 5.5


def test_a_thermistor_is_fitted_by_its_own_equation(bench_file, tmp_path):
    """Source: R = R25 exp(B (1/T - 1/298.15)) with B = 3435 K, which Steinhart–Hart contains."""
    celsius = [0, 25, 50, 80, 110]
    ohm = [2000 * np.exp(3435 * (1 / (t + 273.15) - 1 / 298.15)) for t in celsius]
    csv = tmp_path / "coolant.csv"
    rows = [f"{r:.6g},{t}" for r, t in zip(ohm, celsius)]
    csv.write_text("\n".join(["indication,reference", *rows]))
    told = run("coolant", "--config", bench_file, "--from", csv, "--accept")
    assert told.exit_code == 0, told.output
    record = store.read(bench_file.parent / "calibrations/coolant.toml")
    assert record.model == "steinhart_hart"
    middle = 2000 * np.exp(3435 * (1 / 338.15 - 1 / 298.15))
    assert float(record.at_signal(middle)) == pytest.approx(65, abs=0.01)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("indication,reference\n1,100\n1,101\n", "no curve through these points"),
        ("indication,reference\n1,nan\n2,200\n", "line 2"),
        ("indication,refrence\n1,100\n", "did you mean 'reference'"),
        ("indication,reference\n1,0\n2,100\n3,50\n4,0\n", "no curve"),
        ("", "no points"),
        ("indication,reference,indication_noise\n1,0,0.1\n1.01,9,0.1\n", "whole range"),
    ],
)
def test_points_that_give_nothing(text, words, bench_file, tmp_path, capsys):
    csv = tmp_path / "points.csv"
    csv.write_text(text)
    degree = ["--degree", "2"] if "4,0" in text else []
    code, error = refused(
        capsys, "oil_pressure", "--config", bench_file, "--from", csv, "--accept", *degree
    )
    assert code == 2
    assert words in error


def test_names_that_are_wrong(bench_file, oil_csv, capsys):
    code, error = refused(capsys, "oil_presure", "--config", bench_file, "--from", oil_csv)
    assert code == 2
    assert "did you mean 'oil_pressure'?" in error
    code, error = refused(capsys, "oil_pressure", "--config", bench_file, "--from", "absent.csv")
    assert code == 2
    assert "absent.csv" in error


def test_an_altered_history_stops_it(bench_file, oil_csv, capsys):
    arguments = ["oil_pressure", "--config", bench_file, "--from", oil_csv, "--accept"]
    run(*arguments)
    record = bench_file.parent / "calibrations/oil_pressure.toml"
    history = record.with_name("oil_pressure.history.toml")
    history.write_text(history.read_text().replace("Ida Falk", "Ida Falke", 1))
    before = record.read_bytes()
    code, error = refused(capsys, *arguments)
    assert code == 2
    assert "move it aside" in error
    assert record.read_bytes() == before


# --- dead weights

WEIGHTS = "mass_kg,indication\n" + "\n".join(
    f"{m},{0.5 + m * 9.811 / 1250:.6f}" for m in (0, 50, 100, 150, 200, 250, 200, 150, 100, 50, 0)
)


def test_dead_weights(bench_file, tmp_path):
    """Source: F = m g by hand; a cell of 1250 N/V."""
    csv = tmp_path / "weights.csv"
    csv.write_text(WEIGHTS)
    told = run(
        "dead-weights", "brake_load", "--config", bench_file, "--from", csv, "--gravity", "9.811",
        "--shared-uncertainty", "0.0002", "--accept",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    for words in ("good: greatest residual", "good: loading against unloading", "span in force"):
        assert words in told.output
    record = store.read(bench_file.parent / "calibrations/brake_load.toml")
    assert float(record.at_signal(0.5 + 1.0)) == pytest.approx(1250, rel=1e-4)
    assert record.record.uncertainty.relative == 0.0002
    assert "dead weights up to 250 kg" in record.record.performed.method


def test_gravity_of_the_bench_is_used(bench_file, tmp_path):
    csv = tmp_path / "weights.csv"
    csv.write_text(WEIGHTS)
    arguments = "dead-weights", "brake_load", "--config", bench_file, "--from", csv, "--discard"
    assert "give --gravity" in str(run(*arguments).exception)
    place = "[bench]\nlatitude_deg = 45.0\n"
    bench_file.write_text(bench_file.read_text().replace("[bench]\n", place))
    # Source: GRS 80, 9.80620 m/s² at 45° (from memory), less 3.086e-6 /s² times 212 m
    assert "local gravity 9.80554 m/s²" in run(*arguments).output


def test_weights_on_a_pressure_sensor(bench_file, oil_csv, capsys):
    code, error = refused(
        capsys, "dead-weights", "oil_pressure", "--config", bench_file, "--from", oil_csv
    )
    assert code == 2
    assert "dead weights give a force" in error


# --- checks with typed readings: arithmetic by hand, limits common practice, no source


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ("engine-off map --reading 100.9 --barometer 101.2 --stopped-for 5", 0, "good: manifold"),
        ("engine-off map --reading 94 --barometer 101.2 --stopped-for 5", 1, "refuse: manifold"),
        ("engine-off map --reading 100 --barometer 101.2 --stopped-for 5 --altitude 600", 1,
         "refuse: barometer minus the standard atmosphere"),
        ("free-air lambda --reading 20.7 --oxygen", 0, "good: free air"),
        ("free-air lambda --reading 1.2 --lean-limit 1.36", 1, "refuse: free air"),
        ("supply-volts supply --reading 5.001 --reading 5.003 --voltmeter 5.0", 0, "good: supply"),
        ("ground-offset lambda --reading 0.060 --reading 0.061", 1, "refuse: ground offset"),
    ],
)  # fmt: skip
def test_checks(arguments, code, words):
    told = run(*arguments.split())
    assert words in told.output, told.output
    assert told.exit_code == code


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ("engine-off map --reading 100 --barometer 101.2 --stopped-for 1", "wait until 2 s"),
        ("engine-off map --reading 1 --barometer 1.2 --stopped-for 9", "expected an absolute"),
        ("free-air lambda --reading 1.3", "lean_limit"),
        ("supply-volts supply --reading 5.0", "at least 2 finite readings"),
    ],
)
def test_numbers_that_cannot_be_are_told_plainly(arguments, words, capsys):
    code, error = refused(capsys, *arguments.split())
    assert code == 2
    assert words in error


def test_two_sensors_on_one_pressure(tmp_path):
    """Source: E_n = 0.5 / √(0.6² + 0.8²) = 0.5 by hand (ISO 13528)."""
    csv = tmp_path / "pairs.csv"
    csv.write_text("first,second\n100.5,100\n200.5,200\n300.5,300\n")
    told = run(
        "same-pressure", "a", "b", "--from", csv, "--uncertainty", "0.6", "--uncertainty", "0.8",
        "--json",
    )  # fmt: skip
    found = json.loads(told.output)
    assert found["level"] == "good"
    assert found["checks"][0]["value"] == pytest.approx(0.5)
    assert found["offset_kpa"] == pytest.approx(0.5)
    assert found["gain"] == pytest.approx(1.0)


def test_roller_by_tape_and_turns(bench_file):
    """Source: 15.71 m in 10 turns is 1.571 m, by hand."""
    told = run(
        "roller-size", "front", "--config", bench_file, "--tape", "1.571", "--tape", "1.570",
        "--travel", "15.71", "--turns", "10", "--counts", "10000",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    assert "1.57" in told.output
    assert "good: counts in a revolution" in told.output
    assert run("roller-size", "rear", "--config", bench_file, "--tape", "1").exit_code != 0


# --- live readings


TYPED = "\n98.9\nabc\n99\nundo\n99\ndone\n"


@pytest.fixture
def live(simulated_run, bench_file, monkeypatch):
    """A bench whose daemon recorded up to this moment."""
    (bench_file.parent / "journal").symlink_to(simulated_run.journal)
    with Journal(simulated_run.journal) as journal:
        rows = [entry for entry in journal.entries() if isinstance(entry, ChunkRow)]
        boot = journal.boot_id(journal.last_seq())
    now = max(row.chunks[-1].t_ns for row in rows)
    held = SimpleNamespace(
        monotonic_ns=lambda: now, boot_id=lambda: boot, SECOND_NS=clock.SECOND_NS
    )
    monkeypatch.setattr(recent, "clock", held)
    return held


def test_points_are_taken_live(live, bench_file):
    """The barometer stands still. The same reading at every reference gives no curve, and says so;
    every point is kept."""
    told = run(
        "barometer", "--config", bench_file, "--window", "1", input=TYPED
    )  # fmt: skip
    assert "settled" in told.output
    assert "'abc': expected a number" in told.output
    assert told.output.count("taken: ") == 3
    assert "points left: 1" in told.output
    assert isinstance(told.exception, CalibrationError)
    assert "whole range" in str(told.exception)
    kept = bench_file.parent / "calibrations/barometer.points.csv"
    assert len(kept.read_text().splitlines()) == 3


def test_a_live_point_is_the_reading_of_the_truth(live, bench_file):
    """Source: the simulated barometer's true pressure through the record in force."""
    told = run("barometer", "--config", bench_file, "--window", "1", input="99\nquit\n")
    assert "go on with --from" in told.output
    kept = (bench_file.parent / "calibrations/barometer.points.csv").read_text().splitlines()
    indication = float(kept[1].split(",")[0])
    record = store.read(bench_file.parent / "calibrations/barometer.toml")
    assert float(record.at_signal(indication)) == pytest.approx(
        EngineParameters.ambient_kpa, abs=0.3
    )


def test_live_checks(live, bench_file):
    told = run("supply-volts", "supply", "--config", bench_file, "--json")
    assert json.loads(told.stdout)["mean_v"] == pytest.approx(5.0, abs=0.1)
    told = run("ground-offset", "lambda", "--config", bench_file)
    assert "ground_offset_v" in told.output
    told = run("same-pressure", "map", "charge_pressure", "--config", bench_file)
    assert "normalised error" in told.output


def test_a_reference_channel_of_another_unit(live, bench_file):
    told = run(
        "barometer", "--config", bench_file, "--reference-channel", "coolant", input="\nquit\n"
    )
    assert "choose one of the same unit" in str(told.output) + str(told.exception)


def test_a_daemon_that_is_not_there(bench_file, capsys):
    code, error = refused(capsys, "barometer", "--config", bench_file)
    assert code == 2
    assert "daq serve" in error


def test_a_daemon_that_stopped(live, bench_file, capsys):
    late = live.monotonic_ns() + 20 * clock.SECOND_NS
    live.monotonic_ns = lambda: late
    code, error = refused(capsys, "barometer", "--config", bench_file)
    assert code == 2
    assert "no reading in the last 3 s" in error


# --- pictures


def test_residuals_in_characters():
    lines = picture.characters([0, 1, 2], [0.5, -1.0, 0.0], ("up", "down", ""), "kPa", "V")
    assert len(lines) == picture.HEIGHT + 2
    assert "v" in lines[-2]
    assert "^" in "".join(lines[1:6])
    assert "o" in lines[1 + picture.HEIGHT // 2]


def test_picture_by_matplotlib(bench_file, oil_csv, tmp_path):
    pytest.importorskip("matplotlib", reason="the extra 'plot' is not installed")
    out = tmp_path / "oil.svg"
    told = run(
        "oil_pressure", "--config", bench_file, "--from", oil_csv, "--picture", out, "--discard"
    )
    assert told.exit_code == 0, told.output
    assert "<svg" in out.read_text()


def test_without_matplotlib_it_says_what_to_install(monkeypatch, tmp_path):
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    with pytest.raises(CalibrationError, match="extra 'plot'"):
        picture.save(tmp_path / "x.png", "t", [0, 1], [0, 1], [1, 1], ("", ""), "kPa", "V")


# --- what is said at check


def test_check_tells_what_is_to_be_known_of_each_record(bench_file):
    path = bench_file.parent / "calibrations/oil_pressure.toml"
    path.write_text(
        path.read_text().replace('valid_until = "2027-09-30"', 'valid_until = "2020-01-01"')
    )
    bench_file.write_text(bench_file.read_text().replace('"LC-5K-12"', '"LC-5K-99"'))
    cell = bench_file.parent / "calibrations/brake_load.toml"
    cell.write_text(
        cell.read_text().replace("[equation]", '[sensor]\nserial = "LC-5K-12"\n\n[equation]')
    )
    told = CliRunner().invoke(group, ["check", str(bench_file)]).output
    assert "oil_pressure: calibrations/oil_pressure.toml: the record was changed" in told
    assert "oil_pressure: calibrations/oil_pressure.toml: valid until 2020-01-01" in told
    assert "made for sensor 'LC-5K-12', and 'LC-5K-99' is fitted" in told
    assert told.index("valid until 2020") < told.index("nobody calibrated it")
    answer = CliRunner().invoke(group, ["check", str(bench_file), "--json"]).output
    found = {c["name"]: c["findings"] for c in json.loads(answer)["channels"]}
    assert {f["kind"] for f in found["oil_pressure"]} == {"changed_by_hand", "expired"}
    assert {f["kind"] for f in found["coolant"]} == {"not_calibrated"}
