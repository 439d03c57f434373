"""`daq listen` on a real pseudo-terminal behind which the simulated car's control unit talks."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from click.testing import CliRunner

from daq.cli import group, main
from daq.listening import LONGEST, Group, Grouping, findings
from daq.simulate.bench import run as run_bench

BYTE_NS = 1e10 / 115_200
MS = 1_000_000
BENCH = """
[wire.ecu]
kind = "serial"
port = "{port}"
baud = 115200
[wire.bus]
kind = "socketcan"
channel = "can0"
"""


@pytest.fixture
def port(tmp_path):
    """The control unit's port while the simulated bench runs."""
    stop = threading.Event()
    bench = threading.Thread(target=run_bench, args=(tmp_path / "ports",), kwargs={"stop": stop})
    bench.start()
    link = tmp_path / "ports" / "ecu"
    while not link.is_symlink():
        stop.wait(0.01)
    yield link
    stop.set()
    bench.join(10)
    assert not bench.is_alive()


def test_the_units_frames_are_seen_kept_and_understood(port, tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH.format(port=port))
    kept = tmp_path / "ecu.csv"
    arguments = ["listen", "ecu", "--config", str(tmp_path / "bench.toml"), "--seconds", "1.5"]
    result = CliRunner().invoke(group, [*arguments, "--out", str(kept)])
    assert result.exit_code == 0, result.output
    assert "A5 5A" in result.output
    # a frame of 16 bytes each 10 ms; byte 2 counts: the invented unit's own folder
    assert "16 B ×" in result.output
    assert "those of 16 B: 10." in result.output or "those of 16 B: 9.9" in result.output
    assert "bytes that stay the same: 0: A5, 1: 5A" in result.output
    assert "bytes that count up: 2 (" in result.output
    head, *rows = kept.read_text().splitlines()
    assert head == "t_s,hex"
    data = bytes.fromhex("".join(row.split(",")[1] for row in rows))
    assert len(data) == pytest.approx(1.5 * 1600, rel=0.15)
    assert data.count(b"\xa5\x5a") == pytest.approx(150, rel=0.15)


def test_a_port_needs_no_bench_file(port):
    result = CliRunner().invoke(group, ["listen", str(port), "--seconds", "0.3"])
    assert result.exit_code == 0, result.output
    assert "A5 5A" in result.output


@pytest.mark.parametrize(
    ("wire", "words"),
    [
        ("ecy", "no wire is called 'ecy'; did you mean 'ecu'?"),
        ("bus", "wire.bus: a socketcan wire; expected a serial line"),
        ("ecu", "no such port; is the device plugged in?"),
    ],
)
def test_a_wrong_wire_is_named(tmp_path, capsys, wire, words):
    (tmp_path / "bench.toml").write_text(BENCH.format(port=tmp_path / "none"))
    with pytest.raises(SystemExit) as ended:
        main(["listen", wire, "--config", str(tmp_path / "bench.toml")])
    assert ended.value.code == 2
    assert words in capsys.readouterr().err


# --- groups and what is found in them


def grouped(*reads: tuple[float, bytes], byte_ns: float = BYTE_NS) -> list[Group]:
    grouping = Grouping(byte_ns)
    found = [done for t_ms, data in reads for done in grouping.add(round(t_ms * MS), data)]
    return found + list(grouping.end())


def test_bytes_are_parted_where_the_line_pauses():
    found = grouped((1.0, b"ab"), (1.2, b"cd"), (11.0, b"ef"))
    assert [bytes(part.data) for part in found] == [b"abcd", b"ef"]
    assert found[1].t_ns == 11 * MS - round(2 * BYTE_NS)


def test_on_a_slow_line_a_pause_is_in_bytes():
    # 8.3 ms for a byte at 1200 Bd 8N1: 20 ms more are silence of less than 3.5 of them
    found = grouped((10, b"a"), (38, b"b"), (80, b"c"), byte_ns=1e10 / 1200)
    assert [bytes(part.data) for part in found] == [b"ab", b"c"]


def test_a_line_without_pauses_is_cut():
    found = grouped(*((n, bytes(12)) for n in range(1, 45)))
    assert all(len(part.data) < LONGEST + 12 for part in found)
    assert sum(len(part.data) for part in found) == 44 * 12


def test_a_group_as_text():
    assert Group(1_500 * MS, bytearray(b"\xa5Ok\r")).text(0) == "   1.5000  A5 4F 6B 0D  .Ok."


def test_silence_says_what_to_look_at():
    assert "is the line wired" in findings([])[0]


def test_a_value_that_stays_is_no_counter():
    groups = [Group(n * 10 * MS, bytearray([0xA5, n % 256, 7, n // 3])) for n in range(300)]
    same, rising = findings(groups)[2:]
    assert same == "bytes that stay the same: 0: A5, 2: 07 (a sync stands first)"
    assert rising == "bytes that count up: 1 (a frame counter, perhaps)"


def test_groups_of_many_lengths_are_not_compared():
    groups = [Group(n * MS, bytearray(n + 1)) for n in range(6)]
    assert findings(groups)[-1] == "too few of one length to compare"


def test_the_documented_loop(port, tmp_path):
    """What is kept by listening replays by the declaration, without another step."""
    from daq.bench import load_bench
    from daq.replay import WireSource, replay
    from daq.runfile.read import read_run

    kept = tmp_path / "ecu.csv"
    CliRunner().invoke(group, ["listen", str(port), "--seconds", "1", "--out", str(kept)])
    streams = Path(__file__).resolve().parents[2] / "config" / "streams"
    (tmp_path / "ecu.toml").write_text((streams / "engine_stream.toml").read_text())
    (tmp_path / "bench.toml").write_text(
        '[bench]\nname = "bay 2"\n[wire.ecu]\nkind = "serial"\nport = "/dev/serial/by-id/ecu"\n'
        '[device.ecu]\nwire = "ecu"\ndriver = "byte_stream"\ndeclaration = "ecu.toml"\n'
    )
    bench = load_bench(tmp_path / "bench.toml")
    content = read_run(replay(bench, [WireSource("ecu", kept)], tmp_path / "run.h5"))
    assert len(content.streams[0].time) == pytest.approx(100, rel=0.15)
