"""`daq status` and `daq watch` against an API; with the real daemon they are tested in whole/."""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner

from daq.cli import group
from daq.cli.follower import Beeper, Follower
from daq.cli.status import lines, troubles
from daq.cli.watch import chosen, table
from daq.errors import DaqError
from daq.live.bulletin import Bulletin
from daq.live.client import Event
from daq.live.server import Server
from daq.live.values import Live


@pytest.fixture
def followed(simulated_run):
    """A folder with a bench file and an API that knows the simulated bench, before any reading."""
    with tempfile.TemporaryDirectory(prefix="daq-", dir="/tmp") as name:
        folder = Path(name)
        (folder / "bench.toml").write_text("")
        server = Server(folder / "journal", lambda _: {}, folder / "runs")
        live = Live(simulated_run.bench)
        bulletin = Bulletin(live, server, lambda *_, **__: None)
        bulletin.issue(1_000_000_000, 1_000_000_000)
        server.start()
        yield folder
        server.close()


def row(**changes):
    plain = {
        "name": "oil", "device": "unit", "unit": "degC", "value": 96.72, "rate_hz": 1000.0,
        "age_s": 0.05, "state": "running", "why": "", "level": "ok", "labels": {}, "listed": True,
        "low": 5.0, "high": 138.0,
    }  # fmt: skip
    return {**plain, **changes}


STATE = {
    "bench": "bay 2",
    "acquisition": "running",
    "run": {"state": "recording", "since_ns": 1, "start": 17},
    "devices": {"unit": {"state": "running", "why": ""}},
    "channels": {"running": 1, "stale": 0, "lost": 0, "never_seen": 0},
    "limits": [],
}


def run(*arguments):
    return CliRunner().invoke(group, arguments)


# --- status


def test_all_alive():
    assert list(troubles(STATE, [row()])) == []
    assert list(lines(STATE, [row()])) == [
        "bay 2: recording run 17", "channels: 1 running", "everything is alive",
    ]  # fmt: skip


def test_what_is_not_alive_is_named_with_its_reason():
    lost = {**STATE, "devices": {"unit": {"state": "lost", "why": "unplugged"}}}
    stale = row(state="stale", why="no reading within 0.5 s")
    assert list(troubles(lost, [stale])) == [
        "device unit: lost: unplugged", "oil: stale: no reading within 0.5 s",
    ]  # fmt: skip


def test_channel_of_the_driver_alone_does_not_count():
    assert list(troubles(STATE, [row(listed=False, state="never_seen")])) == []


def test_out_of_range_and_alarms_are_told_but_alive():
    told = list(lines(STATE, [row(value=140.0, why="out of range: above 138 degC", level="alarm")]))
    assert "  oil: 140 degC: out of range: above 138 degC" in told
    assert "  oil: 140 degC: alarm" in told
    assert told[-1] == "everything is alive"


def test_no_daemon_is_exit_code_1_and_says_how_to_start_one(tmp_path):
    (tmp_path / "bench.toml").write_text("")
    result = run("status", "--config", str(tmp_path / "bench.toml"))
    assert result.exit_code == 1
    assert "no daemon answers here" in result.stderr
    assert "daq serve" in result.stderr
    as_json = run("status", "--json", "--config", str(tmp_path / "bench.toml"))
    assert as_json.exit_code == 1
    assert json.loads(as_json.stdout)["ok"] is False


def test_no_bench_file_is_named(tmp_path):
    result = run("status", "--config", str(tmp_path / "none.toml"))
    assert "none.toml: No such file" in str(result.exception)


def test_waiting_devices_are_exit_code_1(followed):
    result = run("status", "--config", str(followed / "bench.toml"))
    assert result.exit_code == 1
    assert "device unit: waiting" in result.stdout
    assert "map: never seen: device unit: no frame yet" in result.stdout
    told = json.loads(run("status", "--json", "--config", str(followed / "bench.toml")).stdout)
    assert told["ok"] is False
    assert {c["name"] for c in told["channels"]} >= {"map", "roller_speed"}


def test_commands_import_neither_numpy_nor_h5py():
    code = (
        "import sys, daq.cli.status, daq.cli.watch;"
        "print([m for m in ('numpy', 'h5py', 'starlette', 'can') if m in sys.modules])"
    )
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"


# --- the table


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "  96.72 degC  "),
        ({"value": None, "state": "never_seen", "why": "no frame yet"}, "never seen: no frame yet"),
        ({"value": 1.0, "labels": {"1": "closed"}}, "closed"),
        ({"value": 219842.0, "unit": "1"}, "219842 "),
        ({"value": 0.8531, "unit": "1"}, "0.853 "),
        ({"value": 4305899000.0}, "4.306e+09"),
        ({"value": -1.5}, "-1.500"),
        ({"age_s": 123.4}, "123 s"),
        ({"level": "alarm"}, "ALARM, running"),
        ({"rate_hz": None}, " - "),
    ],
)
def test_rows_are_plain_words_and_numbers(changes, words):
    _, line = table([row(**changes)], 110, colour=False)
    assert words in line


def test_no_line_is_wider_than_the_terminal():
    why = "device unit: /dev/serial/by-path/pci-0000:00:14.0-usb-0:2:1.0: the line is gone"
    for width in (80, 100, 120):
        for line in table([row(state="lost", why=why)], width, colour=False):
            assert len(line) <= width


def test_colour_only_where_it_can_be_seen(monkeypatch):
    lost = row(state="lost", why="unplugged")
    assert "\x1b[31m" in list(table([lost], 110))[1]
    monkeypatch.setenv("NO_COLOR", "1")
    assert "\x1b" not in "".join(table([lost], 110))


def test_patterns_choose_channels():
    known = {"oil": row(), "oil_pressure": row(), "map": row(), "extra": row(listed=False)}
    assert chosen((), known) == ["oil", "oil_pressure", "map"]
    assert chosen(("map", "oil*"), known) == ["oil", "oil_pressure", "map"]
    assert chosen(("extra",), known) == ["extra"]
    with pytest.raises(DaqError, match="no channel matches 'mop'; did you mean 'map'"):
        chosen(("mop",), known)


# --- beeps


def beeps(values, by=None, **about):
    beeper = Beeper("oil", by, {"low": None, "high": None, **about})
    return [beeper.take(value, "running") for value in values]


def test_beep_by_share_of_the_range():
    # 2 % of 0 to 100 is 2
    assert beeps([50, 51.9, 52.1, 54, 54.2, 40], low=0.0, high=100.0) == [
        False, False, True, False, True, True,
    ]  # fmt: skip


def test_beep_by_a_given_step_or_a_share_of_the_value():
    assert beeps([50, 50.4, 50.6], by=0.5) == [False, False, True]
    assert beeps([50, 52, 53]) == [False, False, True]  # 5 % of 50 is 2.5


def test_beep_when_the_value_goes_or_the_state_changes():
    assert beeps([50, None, None, 50], by=1.0) == [False, True, False, True]
    beeper = Beeper("oil", 1.0, {"low": None, "high": None})
    states = ["running", "lost", "lost", "running"]
    assert [beeper.take(5.0, state) for state in states] == [False, True, False, True]


def test_follower_keeps_the_latest_and_beeps_once():
    follower = Follower(None, 10.0, Beeper("oil", 1.0, row()))
    follower._take(Event("whole", 0, {"state": STATE, "channels": [row()]}))
    for value in (96.0, 99.0):
        brief = {"oil": [value, 0.01, 999.0, "running", "ok"]}
        follower._take(Event("values", 1, {"channels": brief}))
    assert follower.rows(["oil"])[0]["value"] == 99.0
    assert (follower.take_beep(), follower.take_beep()) == (True, False)
    follower._take(Event("channel", 2, {"channel": "oil", "state": "stale", "why": "silent"}))
    assert follower.rows(["oil"])[0]["why"] == "silent"
    follower.error = "gone"
    assert follower.rows(["oil"])[0]["state"] == "lost"
