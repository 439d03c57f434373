"""Run numbers: each used once, whatever crashes between."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.numbers import FILE_NAME, NumberError, Numbers


def test_numbers_count_from_one_and_stay_with_their_run(tmp_path):
    numbers = Numbers(tmp_path / "runs")
    assert [numbers.of_run("j", seq) for seq in (10, 20, 10, 30)] == [1, 2, 1, 3]
    assert Numbers(tmp_path / "runs").of_run("other", 10) == 4


def test_what_became_of_a_run_stays(tmp_path):
    numbers = Numbers(tmp_path)
    number = numbers.of_run("j", 1)
    numbers.add(number, "discarded", reason="wheel slip")
    (line,) = numbers.lines("discarded")
    assert (line["number"], line["reason"]) == (1, "wheel slip")
    assert line["utc"].endswith("Z")
    assert numbers.of_run("j", 2) == 2


@given(cut=st.integers(0, 400))
def test_a_line_cut_anywhere_costs_no_number_that_was_given(tmp_path_factory, cut):
    """What a crash in the middle of a write leaves: the last line short by any number of bytes."""
    folder = tmp_path_factory.mktemp("cut")
    numbers = Numbers(folder)
    given_out = [numbers.of_run("j", seq) for seq in (1, 2)]
    whole = (folder / FILE_NAME).stat().st_size
    third = numbers.of_run("j", 3)
    assert third == 3
    size = (folder / FILE_NAME).stat().st_size
    left = max(whole, size - cut)
    os.truncate(folder / FILE_NAME, left)
    after = [numbers.of_run("j", seq) for seq in (1, 2, 4, 5)]
    assert after[:2] == given_out
    # a line that is whole but for its end still counts: its run may have been given the number
    assert len({*given_out, *after[2:]}) == 4
    assert (3 in after[2:]) == (left < size - 1)
    assert [line["number"] for line in numbers.lines()] == sorted(
        {line["number"] for line in numbers.lines()}
    )


def test_files_keep_their_numbers_when_the_ledger_is_lost(tmp_path):
    (tmp_path / "pennon" / "day").mkdir(parents=True)
    (tmp_path / "pennon" / "day" / "20260331-141502-r0041-stock.h5").touch()
    assert Numbers(tmp_path).of_run("j", 1) == 42


def test_two_processes_never_get_the_same_number(tmp_path):
    code = (
        "import sys; from pathlib import Path; from daq.numbers import Numbers\n"
        "numbers = Numbers(Path(sys.argv[1]))\n"
        "print(*[numbers.of_run(sys.argv[2], seq) for seq in range(40)])"
    )
    command = [sys.executable, "-c", code, str(tmp_path)]
    both = [
        subprocess.Popen([*command, name], stdout=subprocess.PIPE, text=True) for name in ("a", "b")
    ]
    told = [int(n) for process in both for n in process.communicate(timeout=60)[0].split()]
    assert sorted(told) == list(range(1, 81))


def test_a_folder_that_cannot_be_written_is_named(tmp_path):
    (tmp_path / "runs").write_text("a file")
    with pytest.raises(NumberError, match="runs"):
        Numbers(tmp_path / "runs").of_run("j", 1)
