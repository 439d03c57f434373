"""`daq runs`, `keep`, `discard` and `cut` on real run files, without a daemon."""

from __future__ import annotations

import json
import shutil

import pytest
from click.testing import CliRunner

from daq.cli import group, main
from daq.cli.keep import seconds
from daq.errors import DaqError
from daq.finalise import finalise
from daq.journal import Journal
from daq.numbers import Numbers
from daq.runfile.read import read_run
from daq.runfile.write import write_run
from daq.simulate.demo import place


@pytest.fixture(scope="module")
def run_file(simulated_run, tmp_path_factory):
    folder = tmp_path_factory.mktemp("run")
    with Journal(simulated_run.journal) as journal:
        content = read_run(finalise(journal, simulated_run.start_seq, folder))
    content.vehicle = {"name": "pennon"}
    content.visit, content.setup = {"name": "2026-09-21"}, {"name": "stock"}
    content.settings = {"run_number": 1, "not_for_power": "brake_load: lost"}
    path = folder / "20260921-141329-r0001-stock.h5"
    write_run(content, path)
    return path


@pytest.fixture
def bench(tmp_path, run_file):
    path = place(tmp_path / "bench")
    runs = path.parent / "runs"
    assert Numbers(runs).of_run("j", 1) == 1
    (runs / "undecided").mkdir()
    shutil.copy(run_file, runs / "undecided")
    return path


def run(bench, *arguments):
    told = CliRunner().invoke(group, [*arguments, "--config", str(bench)])
    assert told.exit_code == 0, told.output
    return told.stdout


def test_a_run_is_listed_kept_and_found_again(bench):
    told = run(bench, "runs", "--peak", "charge_pressure>120")
    assert "    1  2026-" in told
    assert "undecided" in told
    assert "charge_pressure to " in told
    assert "not for power: brake_load: lost" in told
    told = run(bench, "keep", "1", "--note", "best", "--tyres-after", "251", "--json")
    kept = bench.parent / "runs/pennon/2026-09-21/20260921-141329-r0001-stock.h5"
    assert json.loads(told)["kept"] == str(kept)
    assert kept.exists()
    (line,) = Numbers(bench.parent / "runs").lines("kept")
    assert (line["note"], line["tyre_pressure_after_kpa"]) == ("best", 251.0)
    (found,) = json.loads(run(bench, "runs", "--vehicle", "pennon", "--json"))["runs"]
    assert (found["undecided"], found["setup"]) == (False, "stock")
    assert run(bench, "runs", "--undecided") == ""


def test_a_run_is_discarded_with_its_reason(bench):
    assert "its number is not used again" in run(bench, "discard", "--reason", "wheel slip")
    assert run(bench, "runs") == ""
    assert "discarded: wheel slip" in run(bench, "runs", "--discarded")
    assert Numbers(bench.parent / "runs").of_run("j", 2) == 2


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["keep", "9"], "no such run is undecided; undecided: 1"),
        (["discard", "1", "--reason", " "], "say why it is discarded"),
        (["runs", "--peak", "charge_presure>1"], "did you mean 'charge_pressure'?"),
        (["runs", "--peak", "charge"], "expected for example 'charge_pressure>180'"),
        (["cut", "--last", "a minute"], "last: 'a minute'; expected for example 60s or 1.5min"),
        (["arm"], "no daemon answers here"),
        (["cut", "--last", "60s"], "no daemon answers here"),
    ],
)
def test_a_mistake_says_what_to_do(bench, capsys, arguments, told):
    with pytest.raises(SystemExit) as ended:
        main([*arguments, "--config", str(bench)])
    assert ended.value.code == 2
    assert told in capsys.readouterr().err


def test_the_index_may_be_deleted_or_made_anew(bench):
    before = run(bench, "runs")
    (bench.parent / "runs" / "catalogue.sqlite").unlink()
    assert run(bench, "runs") == before
    assert run(bench, "runs", "--rebuild") == before


def test_spans_of_time():
    assert [seconds(t) for t in ("60", "60s", "1.5min", "2m", "0.5 s")] == [60, 60, 90, 120, 0.5]
    for wrong in ("", "s", "-5s", "5h", "1e3"):
        with pytest.raises(DaqError, match="expected for example"):
            seconds(wrong)
