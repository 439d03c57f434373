"""Undecided, kept, discarded: files move, numbers stay."""

from __future__ import annotations

import pytest

from daq.numbers import Numbers
from daq.shelf import Shelf, ShelfError, number_of


@pytest.fixture
def shelf(tmp_path):
    """Three undecided runs."""
    numbers = Numbers(tmp_path)
    (tmp_path / "undecided").mkdir()
    for seq in (10, 20, 30):
        number = numbers.of_run("j", seq)
        name = f"20260331-14{seq}00-r{number:04}-stock.h5"
        (tmp_path / "undecided" / name).write_text(f"run {number}")
    return Shelf(tmp_path)


@pytest.mark.parametrize(
    ("run", "number"),
    [("2", 2), ("r0002", 2), ("r2", 2), ("last", 3), ("20260331-1410", 1),
     ("20260331-142000-r0002-stock.h5", 2), ("undecided/20260331-142000-r0002-stock.h5", 2)],
)  # fmt: skip
def test_a_run_is_named_in_any_plain_way(shelf, run, number):
    assert number_of(shelf.find(run)) == number


@pytest.mark.parametrize(
    ("run", "told"),
    [("7", "no such run is undecided; undecided: 1, 2, 3"),
     ("20260331", "3 files; give its number"), ("", "no such run")],
)  # fmt: skip
def test_a_run_that_is_not_there_says_what_is(shelf, run, told):
    with pytest.raises(ShelfError, match=told):
        shelf.find(run)


def test_kept_runs_lie_under_vehicle_and_visit(shelf):
    path = shelf.keep(shelf.find("2"), "pennon", "2026-03-31", note="best of the day")
    assert path == shelf.folder / "pennon" / "2026-03-31" / "20260331-142000-r0002-stock.h5"
    assert path.read_text() == "run 2"
    assert [number_of(p) for p in shelf.undecided()] == [1, 3]
    (line,) = shelf.numbers.lines("kept")
    assert (line["number"], line["note"]) == (2, "best of the day")
    with pytest.raises(ShelfError, match=r"kept .* as pennon/2026-03-31/"):
        shelf.find("2")


def test_a_run_without_vehicle_or_with_a_name_from_nowhere_stays_within_the_folder(shelf):
    path = shelf.keep(shelf.find("1"), "", "../../etc")
    assert path.parent == shelf.folder / "other" / "other"


def test_keeping_never_replaces_another_file(shelf):
    other = shelf.folder / "pennon" / "day" / shelf.find("1").name
    other.parent.mkdir(parents=True)
    other.write_text("other")
    with pytest.raises(ShelfError, match="is there already"):
        shelf.keep(shelf.find("1"), "pennon", "day")
    assert other.read_text() == "other"
    assert number_of(shelf.find("1")) == 1


def test_of_a_discarded_run_number_time_and_reason_stay(shelf):
    path = shelf.find("3")
    shelf.discard(path, "wheel slip")
    assert not path.exists()
    with pytest.raises(ShelfError, match=r"discarded 20.*Z: wheel slip"):
        shelf.find("3")
    assert shelf.numbers.of_run("j", 40) == 4


def test_discarding_needs_a_reason(shelf):
    with pytest.raises(ShelfError, match="say why"):
        shelf.discard(shelf.find("3"), "  ")
    assert shelf.find("3").exists()


def test_a_crash_between_ledger_and_file_is_made_good(shelf):
    path = shelf.find("3")
    shelf.numbers.add(3, "discarded", reason="wheel slip")  # and then the power went
    assert [number_of(p) for p in shelf.undecided()] == [1, 2]
    assert not path.exists()
