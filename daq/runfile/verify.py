"""Does a run file still say what it said when it was written?"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path

import h5py

from daq.errors import RunFileError
from daq.runfile import digest, layout

DAMAGE = (OSError, RuntimeError, KeyError, ValueError, TypeError)
"""What h5py raises on bytes that are not what they should be."""


def open_file(path: Path) -> h5py.File:
    """The HDF5 file at *path*, opened for reading; RunFileError when it is no run file."""
    try:
        file = h5py.File(path, "r")
    except OSError as error:
        raise RunFileError(f"{path}: {_reason(path, error)}") from None
    try:
        form, version = (digest.attribute(file, n) for n in ("format", "format_version"))
        whole = form == layout.FORMAT and "run" in file
    except DAMAGE as error:
        file.close()
        raise RunFileError(f"{path}: damaged: {error}") from None
    if not whole:
        file.close()
        raise RunFileError(f"{path}: an HDF5 file, but not a run file (format {form!r})")
    version = str(version)
    if version.split(".")[0] != layout.FORMAT_VERSION.split(".")[0]:
        file.close()
        raise RunFileError(
            f"{path}: format version {version}; this release reads {layout.FORMAT_VERSION}"
        )
    return file


def _reason(path: Path, error: OSError) -> str:
    text = str(error)
    if not path.exists():
        return "no such file"
    if "truncated" in text:
        return "cut short: bytes are missing at its end; copy it again from where it was whole"
    if "signature" in text:
        return "not an HDF5 file"
    return f"cannot be opened as HDF5: {text}"


def verify(path: Path) -> list[str]:
    """Every difference between a run file and its digests, each named; empty when there is none.

    Raises RunFileError when it cannot be opened or is no run file. A sidecar ``NAME.sha256``, if
    there is one, is checked too.
    """
    with open_file(path) as file:
        problems = _differences(file, None)
    return problems + _sidecar_problems(path)


def verify_against(path: Path, entries: Mapping[str, str]) -> list[str]:
    """As :func:`verify`, against digests known from elsewhere."""
    with open_file(path) as file:
        return _differences(file, entries)


def root_digest(path: Path) -> str:
    """The root digest as the file states it; see :func:`verify` for whether it is true."""
    with open_file(path) as file:
        return str(_stored(file, "manifest")[1])


def _differences(file: h5py.File, entries: Mapping[str, str] | None) -> list[str]:
    try:
        whole, recorded = (_manifest(file, name) for name in ("manifest", "recorded_manifest"))
    except (*DAMAGE, RunFileError) as error:
        return [f"{layout.INTEGRITY}: {str(error).strip(chr(39))}"]
    wanted = whole if entries is None else entries
    problems = _compare(file, wanted)
    if whole != wanted:
        problems.append(f"{layout.INTEGRITY}/manifest: is not of this content")
    if recorded != {path: value for path, value in wanted.items() if layout.is_recorded(path)}:
        problems.append(f"{layout.INTEGRITY}/recorded_manifest: does not agree with the manifest")
    return problems


def _compare(file: h5py.File, wanted: Mapping[str, str]) -> list[str]:
    try:
        digester = digest.Digester(file)
    except DAMAGE as error:
        return [f"/: damaged: {error}"]
    missing = [f"{path}: missing" for path in sorted(set(wanted) - set(digester))]
    extra = [f"{path}: not there when the file was written" for path in digester
             if path not in wanted]  # fmt: skip
    altered = []
    for path in digester:
        if path in wanted:
            try:
                same = digester.object(path) == wanted[path]
            except DAMAGE as error:
                altered.append(f"{path}: damaged: {error}")
            else:
                altered += [] if same else [f"{path}: altered"]
    return altered + missing + extra


def _manifest(file: h5py.File, name: str) -> dict[str, str]:
    text, stated = _stored(file, name)
    if digest.text_digest(text) != stated:
        raise RunFileError(f"the {name} is altered")
    return digest.entries_of(text)


def _stored(file: h5py.File, name: str) -> tuple[str, str]:
    if layout.INTEGRITY not in file or name not in file[layout.INTEGRITY]:
        raise RunFileError(f"the {name} is missing")
    item = file[layout.INTEGRITY][name]
    return item[()].decode(), str(digest.attribute(item, "sha256", ""))


def _sidecar_problems(path: Path) -> list[str]:
    sidecar = path.with_name(f"{path.name}.sha256")
    if not sidecar.exists():
        return []
    stated = sidecar.read_text().split(" ", 1)[0].strip()
    with path.open("rb") as file:
        found = hashlib.file_digest(file, "sha256").hexdigest()
    if found == stated:
        return []
    return [f"the bytes of the file are not those that {sidecar.name} states"]
