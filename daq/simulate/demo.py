"""The demonstration's configuration, laid out ready to run in a folder of the user's."""

from __future__ import annotations

import shutil
from pathlib import Path

import daq

PORT_FOLDER = "/run/rollerdaq-demo"
"""Where the demonstration's bench file looks for its ports."""
PORTS = "ports"


def config_folder() -> Path:
    """The demonstration's configuration: beside the sources, or inside the installed package.

    Raises FileNotFoundError when it is in neither place.
    """
    package = Path(daq.__file__).parent
    for folder in (package.parent / "config", package / "simulate" / "config"):
        if (folder / "bench.toml").is_file():
            return folder
    raise FileNotFoundError(2, "the demonstration's configuration is not installed", "bench.toml")


def place(folder: Path) -> Path:
    """Copy the configuration into *folder*, its ports in *folder*/ports; returns the bench file.

    Give ``run`` of :mod:`daq.simulate.bench` that same folder of ports.
    """
    shutil.copytree(config_folder(), folder, dirs_exist_ok=True)
    bench = folder / "bench.toml"
    text = bench.read_text(encoding="utf-8")
    ports = str((folder / PORTS).resolve())
    bench.write_text(text.replace(PORT_FOLDER, ports), encoding="utf-8")
    return bench
