"""The index of run files: found by anything, made again from the files, honest about bad ones."""

from __future__ import annotations

import os
import sqlite3
import uuid
from dataclasses import replace

import numpy as np
import pytest

from daq.catalogue import FILE_NAME, Catalogue, CatalogueError, PeakQuery, Query
from daq.clock import SECOND_NS
from daq.finalise import finalise
from daq.journal import Journal
from daq.numbers import Numbers
from daq.runfile.read import read_run
from daq.runfile.write import write_run

DAY_NS = 86_400 * SECOND_NS
RUNS = {
    "undecided/20260921-100000-r0001-stock.h5": ("pennon", "stock", 0),
    "pennon/2026-09-22/20260922-100000-r0002-late.h5": ("pennon", "late", 1),
    "corrie/2026-09-23/20260923-100000-r0003-stock.h5": ("corrie", "stock", 2),
}


@pytest.fixture(scope="module")
def files(simulated_run, tmp_path_factory):
    """Three run files of two vehicles on three days, the last with half the charge pressure."""
    folder = tmp_path_factory.mktemp("runs")
    with Journal(simulated_run.journal) as journal:
        path = finalise(journal, simulated_run.start_seq, tmp_path_factory.mktemp("one"))
    content = read_run(path)
    content.streams, content.sources = content.streams[:1], []
    columns = {column.name: column for column in content.aligned.columns}
    wanted = [columns[name] for name in ("roller_speed", "charge_pressure")]
    for number, (name, (vehicle, setup, day)) in enumerate(RUNS.items(), 1):
        content.run_id = str(uuid.uuid5(uuid.NAMESPACE_OID, name))
        content.vehicle, content.setup = {"name": vehicle}, {"name": setup}
        content.visit = {"name": f"2026-09-{21 + day}"}
        content.settings = {"run_number": number, "end_reason": "after 9 s"}
        if number == 2:
            content.settings["not_for_power"] = "brake_load: lost"
        half = 0.5 if number == 3 else 1.0
        content.aligned.columns = [wanted[0], replace(wanted[1], value=wanted[1].value * half)]
        content.time_zero_utc_ns += DAY_NS if day else 0
        (folder / name).parent.mkdir(parents=True)
        write_run(content, folder / name)
    return folder, float(np.nanmax(wanted[1].value))


@pytest.fixture
def catalogue(files, tmp_path):
    with Catalogue(files[0], tmp_path / FILE_NAME) as catalogue:
        assert catalogue.refresh() == []
        yield catalogue


def numbers(found):
    return [run.number for run in found]


@pytest.mark.parametrize(
    ("query", "told"),
    [
        (Query(), [1, 2, 3]),
        (Query(vehicle="pennon"), [1, 2]),
        (Query(vehicle="pennon", setup="late"), [2]),
        (Query(visit="2026-09-23"), [3]),
        (Query(since="2026-09-22"), [2, 3]),
        (Query(until="2026-09-22"), [1]),
        (Query(undecided=True), [1]),
        (Query(undecided=False), [2, 3]),
        (Query(vehicle="nobody"), []),
    ],
)
def test_runs_are_found_by_what_they_belong_to(catalogue, query, told):
    assert numbers(catalogue.find(query)) == told


def test_runs_are_found_by_peak(catalogue, files):
    highest = files[1]
    above = PeakQuery("charge_pressure", ">", 0.9 * highest)
    below = PeakQuery.of(f"charge_pressure <= {0.9 * highest}")
    assert numbers(catalogue.find(Query(peaks=(above,)))) == [1, 2]
    assert numbers(catalogue.find(Query(peaks=(below,)))) == [3]
    assert numbers(catalogue.find(Query(vehicle="corrie", peaks=(above,)))) == []
    value, unit = catalogue.find()[0].peaks["charge_pressure"]
    assert (value, unit) == (pytest.approx(highest), "kPa")


@pytest.mark.parametrize("text", ["", "x", "x>", ">3", "x>y", "x=3", "a b>3", "x>3; DROP", "x>.."])
def test_a_peak_that_is_none_says_what_one_is(text):
    with pytest.raises(CatalogueError, match="expected for example 'charge_pressure>180'"):
        PeakQuery.of(text)


def test_a_peak_of_an_unknown_column_gets_the_nearest(catalogue):
    with pytest.raises(CatalogueError, match="did you mean 'charge_pressure'"):
        catalogue.find(Query(peaks=(PeakQuery.of("charge_presure>1"),)))


def test_what_a_person_should_know_is_told(catalogue):
    run = catalogue.find(Query(setup="late"))[0]
    assert run.flags == {"not_for_power": "brake_load: lost"}
    assert run.end_reason == "after 9 s"
    assert run.duration_s > 10
    assert not run.undecided


def test_the_index_is_made_again_from_the_files(catalogue, files, tmp_path):
    before = catalogue.find()
    assert catalogue.rebuild() == []
    assert catalogue.find() == before
    with Catalogue(files[0], tmp_path / "another.sqlite") as other:
        other.refresh()
        assert other.find() == before


def test_only_what_is_new_is_looked_into(catalogue):
    told = []
    catalogue.refresh(told.append)
    assert told == []


def test_a_file_that_moved_is_found_where_it_is_and_one_that_is_gone_is_not(files, tmp_path):
    folder = tmp_path / "runs"
    for name in list(RUNS)[:2]:
        (folder / name).parent.mkdir(parents=True)
        os.link(files[0] / name, folder / name)
    with Catalogue(folder) as catalogue:
        catalogue.refresh()
        first, second = (folder / name for name in list(RUNS)[:2])
        first.rename(second.parent / first.name)
        second.unlink()
        catalogue.refresh()
        (run,) = catalogue.find()
        assert (run.number, run.undecided) == (1, False)
        assert catalogue.find(Query(setup="late")) == []


def test_a_file_that_is_none_is_named_and_hides_no_other(files, tmp_path):
    folder = tmp_path / "runs"
    folder.mkdir()
    name = next(iter(RUNS))
    os.link(files[0] / name, folder / "good.h5")
    (folder / "bad.h5").write_bytes(b"no run file")
    (folder / "cut.h5").write_bytes((files[0] / name).read_bytes()[:5000])
    with Catalogue(folder) as catalogue:
        told = catalogue.refresh()
        assert [line.partition(":")[0] for line in told] == ["bad.h5", "cut.h5"]
        assert numbers(catalogue.find()) == [1]


@pytest.mark.parametrize("content", [b"no database", b""])
def test_a_damaged_index_is_made_anew(files, tmp_path, content):
    index = tmp_path / FILE_NAME
    index.write_bytes(content)
    with Catalogue(files[0], index) as catalogue:
        catalogue.refresh()
        assert len(catalogue.find()) == 3


def test_an_index_of_another_version_is_made_anew(files, tmp_path):
    index = tmp_path / FILE_NAME
    with Catalogue(files[0], index) as catalogue:
        catalogue.refresh()
    db = sqlite3.connect(index)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with Catalogue(files[0], index) as catalogue:
        assert catalogue.find() == []
        catalogue.refresh()
        assert len(catalogue.find()) == 3


def test_discarded_runs_are_known_by_the_ledger(tmp_path):
    Numbers(tmp_path).add(7, "discarded", reason="wheel slip")
    with Catalogue(tmp_path) as catalogue:
        (line,) = catalogue.discarded()
        assert (line["number"], line["reason"]) == (7, "wheel slip")
