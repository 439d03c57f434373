"""The worked example of the README, as a reader would follow it."""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from daq.bench import load_bench
from daq.cli import group
from daq.replay import WireSource, import_recordings, replay
from daq.runfile.read import read_run

README = (Path(__file__).resolve().parents[1] / "README.md").read_text()


@pytest.fixture
def folder(tmp_path):
    """The two files of the section, and a recording made to fit by hand."""
    section = README.split("## A new ECU stream at midnight")[1].split("\n## ")[0]
    declaration, bench = re.findall(r"(?s)```toml\n(.*?)```", section)
    (tmp_path / "ecu.toml").write_text(textwrap.dedent(declaration))
    (tmp_path / "bench.toml").write_text('[bench]\nname = "bay 2"\n' + textwrap.dedent(bench))
    rows = ["t_s,hex"]
    for n in range(50):
        body = bytes([0xA5, 0x5A, *(4 * (900 + n)).to_bytes(2, "little"), 0, n, 40 + 88])
        rows.append(f"{0.02 * n:.3f},{body.hex()}{sum(body) % 256:02x}")
    (tmp_path / "idle.csv").write_text("\n".join(rows))
    return tmp_path


def said(*arguments: str) -> str:
    result = CliRunner().invoke(group, list(arguments))
    assert result.exit_code == 0, result.output
    return result.output


def test_check_draws_the_frame(folder):
    drawn = said("check", str(folder / "bench.toml"))
    assert "frame engine: 8 bytes, 50 a second" in drawn
    assert "ecu_coolant: byte 6, u8: 1 × raw - 40 in degC" in drawn


def test_replay_gives_the_values(folder):
    wire, out = f"ecu={folder / 'idle.csv'}", folder / "try.h5"
    told = said("replay", "--config", str(folder / "bench.toml"), "--wire", wire, "--out", str(out))
    assert "  ecu: 50 frames read\n" in told
    speed, coolant = read_run(out).streams[0].channels
    assert np.array_equal(speed.value, 900.0 + np.arange(50))
    assert set(coolant.value) == {88.0}


def test_a_run_recorded_with_a_wrong_declaration_is_not_lost(folder):
    """The journal holds bytes: with the declaration corrected it replays."""
    right = (folder / "ecu.toml").read_text()
    (folder / "ecu.toml").write_text(right.replace('kind = "sum"', 'kind = "xor"'))
    source = WireSource("ecu", folder / "idle.csv")
    journal = folder / "journal"
    import_recordings(load_bench(folder / "bench.toml"), [source], journal, lambda text: None)
    wrong = replay(load_bench(folder / "bench.toml"), [WireSource("ecu", journal)], folder / "a.h5")
    (folder / "ecu.toml").write_text(right)
    mended = replay(
        load_bench(folder / "bench.toml"), [WireSource("ecu", journal)], folder / "b.h5"
    )
    rows = [sum(len(s.time) for s in read_run(path).streams) for path in (wrong, mended)]
    assert rows[0] < 5  # a sum and an XOR agree by chance
    assert rows[1] == 50
