"""The units and rules are ones that systemd understands."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

FOLDER = Path(__file__).resolve().parents[1] / "systemd"


def tool(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"{name} is not installed")
    return path


def verified(folder: Path, unit: str) -> str:
    """What `systemd-analyze verify` has to say; it ends with 0 even for a key it does not know."""
    path = folder / "rollerdaq.service"
    path.write_text(unit)
    done = subprocess.run(
        [tool("systemd-analyze"), "verify", path], capture_output=True, text=True, check=False
    )
    said = [line for line in done.stderr.splitlines() if "rollerdaq.service" in line]
    return "\n".join(line for line in said if "is not executable" not in line)


def test_the_unit_is_understood(tmp_path: Path) -> None:
    unit = (FOLDER / "rollerdaq.service").read_text()
    assert verified(tmp_path, unit) == ""
    wrong = unit.replace("WatchdogSec", "WatchdogSeconds")
    assert "WatchdogSeconds" in verified(tmp_path, wrong), "a mistake would be seen"


def test_the_users_are_understood(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    subprocess.run(
        [tool("systemd-sysusers"), f"--root={tmp_path}", FOLDER / "rollerdaq.sysusers"],
        check=True,
        capture_output=True,
    )
    users = (tmp_path / "etc/passwd").read_text()
    assert "rollerdaq" in users
    dialout = [x for x in (tmp_path / "etc/group").read_text().splitlines() if "dialout" in x]
    assert dialout[0].endswith(":rollerdaq")


def test_the_folders_are_understood(tmp_path: Path) -> None:
    lines = (FOLDER / "rollerdaq.tmpfiles").read_text().replace("rollerdaq rollerdaq", "- -")
    (tmp_path / "folders.conf").write_text(lines)
    subprocess.run(
        [tool("systemd-tmpfiles"), "--create", f"--root={tmp_path}", tmp_path / "folders.conf"],
        check=True,
        capture_output=True,
    )
    assert (tmp_path / "var/lib/rollerdaq/journal").is_dir()


def test_every_jump_of_the_rules_has_its_label() -> None:
    """No checker of rules is at hand: jumps and operators, by hand. Source: udev(7)."""
    rules = (FOLDER / "60-rollerdaq.rules").read_text().splitlines()
    lines = [line for line in rules if line and not line.startswith("#")]
    labels = {part.split('"')[1] for line in lines for part in line.split(", ") if "LABEL=" in part}
    jumps = {part.split('"')[1] for line in lines for part in line.split(", ") if "GOTO=" in part}
    assert jumps <= labels
    assert all(line.count('"') % 2 == 0 for line in lines)
