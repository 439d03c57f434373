"""Driver name to class, by entry points of the group ``daq.drivers``."""

from __future__ import annotations

from functools import cache
from importlib.metadata import EntryPoint, entry_points

from daq.config import nearest
from daq.driver import Driver
from daq.errors import ConfigError

GROUP = "daq.drivers"


@cache
def _entries() -> dict[str, list[EntryPoint]]:
    found: dict[str, list[EntryPoint]] = {}
    for entry in entry_points(group=GROUP):
        same = found.setdefault(entry.name, [])
        if all(entry.value != other.value for other in same):
            same.append(entry)
    return found


def names() -> list[str]:
    """Names of all registered drivers, sorted."""
    return sorted(_entries())


def origin(name: str) -> str:
    """Distribution that registers driver *name*."""
    return " and ".join(_package(entry) for entry in _entries().get(name, ()))


def load(name: str) -> type[Driver]:
    """The class of driver *name*.

    Raises ConfigError when nothing or more than one package registers the name, or when it cannot
    be imported.
    """
    entries = _entries().get(name, [])
    if not entries:
        raise ConfigError(
            f"no driver is called {name!r}{nearest(name, names())}"
            " (after adding an entry point, install the project again)"
        )
    if len(entries) > 1:
        raise ConfigError(f"driver {name!r} is registered by {origin(name)}; remove one of them")
    try:
        found = entries[0].load()
    except Exception as error:  # whatever a foreign module raises at import
        raise ConfigError(
            f"driver {name!r} of {origin(name)} cannot be imported: {type(error).__name__}: {error}"
        ) from error
    if not (isinstance(found, type) and issubclass(found, Driver)):
        raise ConfigError(
            f"driver {name!r} of {origin(name)}: {entries[0].value} is not a daq.driver.Driver"
        )
    return found


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else entry.value
