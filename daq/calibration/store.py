"""Records on disk: sealed TOML, and beside it a history that only grows.

The history of a channel is a TOML file of ``[[entry]]`` tables. Each names what happened, carries
the whole record and the hash of the entry before it; it is only ever appended to.
"""

from __future__ import annotations

import hashlib
import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import tomli_w

from daq.calibration import document
from daq.calibration.record import Calibration
from daq.errors import CalibrationError, ConfigError

Action = Literal["accepted", "discarded", "superseded"]


def sealed(table: Mapping[str, Any], name: str) -> bytes:
    """A record as TOML with its content hash. Raises ConfigError when it would not load."""
    plain = {key: item for key, item in document.plain(table).items() if key != "sha256"}
    plain = _without_none(plain)
    Calibration.of_table(plain, name)
    top = {key: item for key, item in plain.items() if not isinstance(item, dict | list)}
    rest = {key: item for key, item in plain.items() if key not in top}
    text = tomli_w.dumps({**top, "sha256": document.content_hash(plain), **rest})
    return text.encode("utf-8")


def _without_none(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    return [_without_none(item) for item in value] if isinstance(value, list | tuple) else value


def read(path: Path) -> Calibration:
    """The record in the file at *path*, named as the file. Raises ConfigError."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise ConfigError(f"{path}: {error.strerror}") from None
    return replace(Calibration.load(data, str(path)), name=path.name)


def write(path: Path, data: bytes) -> None:
    """Write a record so that after a crash the old or the new one is there, never half of it."""
    part = path.with_name(f".{path.name}.part")
    with part.open("wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
    _sync_folder(path.parent)


def entry(
    history: bytes, record: Calibration, action: Action, at: str, by: str, why: str = ""
) -> bytes:
    """The TOML to append to *history* for one more event; *at* is ISO 8601."""
    table = {
        "at": at,
        "by": by,
        "action": action,
        "why": why,
        "id": record.record.id,
        "record_sha256": record.record_sha256,
        "record": record.canonical_json,
        "previous": _last_hash(history),
    }
    table["sha256"] = _entry_hash(table)
    return (b"\n" if history else b"") + tomli_w.dumps({"entry": [table]}).encode("utf-8")


def append(path: Path, data: bytes) -> None:
    """Append an entry to the history file at *path*, creating it, and sync it."""
    with path.open("ab") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    _sync_folder(path.parent)


def read_history(data: bytes, name: str) -> list[dict[str, Any]]:
    """The entries of a history, oldest first.

    Raises CalibrationError naming the first entry that was changed, left out or put in.
    """
    entries = _entries(data, name)
    previous = ""
    for number, item in enumerate(entries, 1):
        record = item.get("record", "")
        if item.get("sha256") != _entry_hash(item) or item.get("previous") != previous:
            raise CalibrationError(
                f"{name}: entry {number} ({item.get('at', 'no date')}) or the one before it was "
                "changed, left out or put in after it was written"
            )
        if hashlib.sha256(record.encode("utf-8")).hexdigest() != item.get("record_sha256"):
            raise CalibrationError(f"{name}: entry {number}: its record does not match its hash")
        previous = item["sha256"]
    return entries


def _entries(data: bytes, name: str) -> list[dict[str, Any]]:
    try:
        table = tomllib.loads(data.decode("utf-8"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise CalibrationError(f"{name}: not a readable history: {error}") from None
    entries = table.get("entry", [])
    if not isinstance(entries, list) or not all(isinstance(item, dict) for item in entries):
        raise CalibrationError(f"{name}: expected [[entry]] tables")
    return entries


def _last_hash(history: bytes) -> str:
    entries = _entries(history, "history") if history.strip() else []
    return str(entries[-1].get("sha256", "")) if entries else ""


def _entry_hash(item: Mapping[str, Any]) -> str:
    content = {name: value for name, value in item.items() if name != "sha256"}
    text = json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def _sync_folder(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
