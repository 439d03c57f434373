"""Which bench file a command works on, and where that bench's daemon listens."""

from __future__ import annotations

import os
from pathlib import Path

from daq.config import read_toml
from daq.errors import ConfigError
from daq.live.client import API_SOCKET, ApiClient

PLACES = (Path("bench.toml"), Path("/etc/rollerdaq/bench.toml"))
RUN_DIR = Path("/run/rollerdaq")
"""The service's runtime folder."""


def find_config(given: str | None) -> Path:
    """The bench file to use: the one given, else ./bench.toml, else /etc/rollerdaq/bench.toml."""
    if given is not None:
        return Path(given)
    for place in PLACES:
        if place.exists():
            return place
    raise ConfigError(
        f"no bench file given, and none at {' or '.join(map(str, PLACES))}; say which: daq ... FILE"
    )


def daemon(config: str | None, timeout_s: float = 10.0) -> ApiClient:
    """The daemon that records a bench; it is looked for where `daq serve` puts its sockets.

    Raises ConfigError when the bench file cannot be found or read.
    """
    path = find_config(config)
    journal = read_toml(path).get("journal", {})
    folder = journal.get("folder", "journal") if isinstance(journal, dict) else "journal"
    run_dir = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    places = [Path(run_dir)] if run_dir else [path.parent / str(folder), RUN_DIR]
    sockets = [place / API_SOCKET for place in places]
    return ApiClient(next((s for s in sockets if s.exists()), sockets[0]), timeout_s)
