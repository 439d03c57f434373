"""Watches over code under test: no clock is read, no file opened, nothing left behind."""

from __future__ import annotations

import os
import sys
import threading
import time  # noqa: TID251 - it is taken away from the code under test
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_READS = ("time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns")
_watched: list[list[str]] = []


@contextmanager
def no_clock() -> Iterator[None]:
    """AssertionError when the code inside reads a clock or sleeps."""

    def refuse(*_: Any) -> Any:
        raise AssertionError("a clock was read or waited for where time must be an argument")

    kept = {name: getattr(time, name) for name in (*_READS, "sleep")}
    for name in kept:
        setattr(time, name, refuse)
    try:
        yield
    finally:
        for name, function in kept.items():
            setattr(time, name, function)


def resources() -> tuple[int, int]:
    """Numbers of open descriptors and of threads of this process."""
    return len(os.listdir("/proc/self/fd")), threading.active_count()


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    if not _watched or event not in ("open", "socket.connect", "subprocess.Popen"):
        return
    name = str(arguments[0])
    if event != "open" or not _is_import(name):
        _watched[-1].append(name)


def _is_import(name: str) -> bool:
    return name.endswith((".py", ".pyc", ".so", ".pyi")) or name.startswith("/proc/self")


@contextmanager
def opened_files() -> Iterator[list[str]]:
    """Names of files, sockets and programs that the code inside opens, imports apart."""
    if not getattr(opened_files, "installed", False):
        sys.addaudithook(_audit)
        opened_files.installed = True  # type: ignore[attr-defined]
    names: list[str] = []
    _watched.append(names)
    try:
        yield names
    finally:
        _watched.remove(names)
