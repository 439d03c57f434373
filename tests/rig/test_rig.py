"""What needs a kernel of its own, in the virtual machine beside the project.

Set RIG_IMG to the folder of a built image; without one these tests are skipped.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

HERE = Path(__file__).parent
PROJECT = HERE.parents[1]


@pytest.fixture
def rig(shared: Path) -> list[str]:
    image = os.environ.get("RIG_IMG")
    if not image or not Path(image).is_dir():
        pytest.skip("no image of the virtual machine; set RIG_IMG")
    return [str(shared.parent / "rig" / "rig"), "--img", image, "run"]


def test_real_can_interface(rig: list[str]) -> None:
    told = subprocess.run(
        [*rig, "--share", f"code={PROJECT}", str(HERE / "socketcan.sh")],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout[-4000:] + told.stderr[-2000:]
    assert "none lost, in order" in told.stdout
    assert "down is lost, up is back" in told.stdout


@pytest.mark.parametrize(("seed", "lose"), [(1, "random"), (2, "all")])
def test_power_cut_loses_nothing_promised(
    rig: list[str], tmp_path: Path, seed: int, lose: str
) -> None:
    """A disk whose write cache is lost at the cut, a part of it or all of it."""
    disk = tmp_path / "data.img"
    command = [*rig[:-1], "powercut", "--share", f"code={PROJECT}", "--disk", str(disk)]
    cut = ["--out", str(tmp_path / "out"), "--after", "15", "--lose", lose, "--seed", str(seed)]
    scripts = ["--then", str(HERE / "powercut_check.sh"), str(HERE / "powercut_write.sh")]
    told = subprocess.run(
        [*command, *cut, *scripts], capture_output=True, text=True, timeout=600, check=False
    )
    assert told.returncode == 0, told.stdout[-4000:] + told.stderr[-2000:]
    assert "none lost, and it goes on" in told.stdout
