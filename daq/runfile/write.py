"""A run's content to one HDF5 file that is complete and verified before it has its name."""

from __future__ import annotations

import hashlib
import importlib.metadata
import io
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import h5py

from daq.clock import SECOND_NS, iso_utc
from daq.errors import RunFileError
from daq.runfile import digest, layout
from daq.runfile.content import RunContent
from daq.runfile.lay import Laying
from daq.runfile.node import Node
from daq.runfile.verify import verify_against


def write_run(content: RunContent, path: Path) -> str:
    """Write *content* to *path* and return the root digest.

    The file is built in memory (about the size of the file), so that a full disk never meets the
    HDF5 library; saved as ``.NAME.part`` beside *path*, synced, read back and compared with what
    was meant, made read-only, and only then renamed. ``NAME.sha256`` is written beside it.

    Raises RunFileError when *path* exists, the content breaks a rule of the layout, or the disk
    refuses; nothing is left under the final name then.
    """
    if path.exists():
        raise RunFileError(f"{path}: exists already; a run file is never written over")
    image, entries = build(content)
    part = path.with_name(f".{path.name}.part")
    try:
        _save(part, image.getbuffer())
        problems = verify_against(part, entries)
        if problems:
            raise RunFileError(f"{path}: not as written when read back: {'; '.join(problems)}")
        part.chmod(0o440)
        part.rename(path)
        _sync_folder(path.parent)
        _write_sidecar(path, image.getbuffer())
    except OSError as error:
        raise RunFileError(
            f"{path}: {error.strerror or error}; the run is still in the journal: make room for"
            f" {len(image.getbuffer()) / 1e6:.1f} MB, check the folder, and finalise it again"
        ) from None
    finally:
        part.unlink(missing_ok=True)
    return digest.text_digest(digest.manifest(entries))


def build(content: RunContent) -> tuple[io.BytesIO, dict[str, str]]:
    """The file's bytes, and the digest of every object by path."""
    image = io.BytesIO()
    ledger: dict[str, str] = {}
    with h5py.File(image, "w", libver=layout.LIBVER, track_order=True) as file:
        root = Node(file["/"], ledger)
        root.attributes(_global_attributes(content))
        run = Laying(content).run(root)
        entries = _entries(file, ledger)
        _integrity(run, entries)
    return image, entries


def _entries(file: h5py.File, ledger: Mapping[str, str]) -> dict[str, str]:
    digester = digest.Digester(file, ledger)
    return {path: digester.object(path) for path in digester}


def _integrity(run: Node, entries: Mapping[str, str]) -> None:
    node = run.group("integrity", "NXcollection", {"algorithm": digest.ALGORITHM})
    recorded = {path: value for path, value in entries.items() if layout.is_recorded(path)}
    for name, chosen in (("manifest", entries), ("recorded_manifest", recorded)):
        text = digest.manifest(chosen)
        node.text(name, text, {"sha256": digest.text_digest(text)})


def _global_attributes(content: RunContent) -> dict[str, Any]:
    """NXroot's and ACDD's attributes. Source: NeXus NXroot; ACDD 1.3."""
    start, end = (_utc(content, moment) for moment in (content.t_start, content.t_end))
    return {
        "NX_class": "NXroot",
        "default": "run",
        "format": layout.FORMAT,
        "format_version": layout.FORMAT_VERSION,
        "Conventions": "CF-1.11, ACDD-1.3",
        "title": content.title,
        "summary": content.summary,
        "history": "\n".join(content.history),
        "source": "roller bench",
        **content.about,
        "creator": "rollerdaq",
        "creator_version": program_version(),
        "id": content.run_id,
        "date_created": end,
        "file_time": end,
        "time_coverage_start": start,
        "time_coverage_end": end,
        "time_coverage_duration": f"PT{content.t_end - content.t_start:.6f}S",
        "HDF5_Version": h5py.version.hdf5_version,
        "h5py_version": h5py.version.version,
    }


def _utc(content: RunContent, moment: float) -> str:
    return iso_utc(content.time_zero_utc_ns + round(moment * SECOND_NS))


def program_version() -> str:
    """Version of the installed rollerdaq."""
    return importlib.metadata.version("rollerdaq")


def _save(part: Path, data: memoryview) -> None:
    part.unlink(missing_ok=True)
    with part.open("xb", buffering=0) as file:
        while data:
            data = data[file.write(data) :]
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _write_sidecar(path: Path, data: memoryview) -> None:
    """``NAME.sha256`` for ``sha256sum -c``."""
    sidecar = sidecar_of(path)
    part = sidecar.with_name(f".{sidecar.name}.part")
    try:
        _save(part, memoryview(f"{hashlib.sha256(data).hexdigest()}  {path.name}\n".encode()))
        part.chmod(0o440)
        part.rename(sidecar)
    finally:
        part.unlink(missing_ok=True)


def sidecar_of(path: Path) -> Path:
    """Where the SHA-256 of a run file's bytes stands."""
    return path.with_name(f"{path.name}.sha256")
