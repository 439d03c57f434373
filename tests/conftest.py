"""Fixtures that every test may use."""

from __future__ import annotations

from pathlib import Path

import pytest

SHARED = Path(__file__).resolve().parents[2] / "shared"


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of recorded data beside the project; the test is skipped where there is none."""
    if not (SHARED / "data").is_dir():
        pytest.skip("the folder of recorded data is not beside the project")
    return SHARED / "data"
