"""Names and units of a DBC file as ours: lower case and unique in the device; the known units."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from typing import NamedTuple

from daq import units
from daq.dbc import Dbc, Message, Part
from daq.driver import NAME, RESERVED_ENDINGS

LONGEST = 51
"""Characters of a name. Source: daq.driver.NAME."""

WRITINGS = {
    "1": ("", "-", "[-]", "bool", "boolean", "bit", "count", "counts", "lambda", "ratio"),
    "%": ("percent", "pct"),
    "degC": ("°c", "deg c", "c", "celsius", "deg_c", "grad c"),
    "degF": ("°f", "deg f"),
    "K": ("kelvin",),
    "rpm": ("1/min", "u/min", "rev/min", "r/min", "min-1"),
    "km/h": ("kph", "kmh", "km/hr"),
    "mph": ("mile/h", "mi/h"),
    "m/s^2": ("m/s2", "m/s²", "m/sec2", "m/s/s"),
    "degree": ("deg", "°", "degrees", "grad"),
    "N.m": ("nm", "n*m", "n·m"),
    "V": ("volt", "volts"),
    "A": ("amp", "amps", "ampere"),
    "W": ("watt",),
    "s": ("sec", "second", "seconds"),
    "ms": ("msec",),
    "us": ("µs", "usec"),
    "h": ("hour", "hours"),
    "min": ("minutes",),
    "m": ("meter", "meters", "metre"),
}
"""Our units and how else DBC files write them, in lower case. Source: common practice, no source.

A ``g`` alone is not among them: it may be a mass or an acceleration.
"""
KEPT_AS = {"mph": "km/h", "PS": "kW", "hp": "kW", "lbf.ft": "N.m"}
"""Units that are for display only, and the one that values are kept in."""
_AMBIGUOUS = frozenset(("g", "G"))
_BY_WRITING = {name.lower(): name for name in units.UNITS} | {
    writing: unit for unit, writings in WRITINGS.items() for writing in writings
}


class Unit(NamedTuple):
    """Our unit of a signal, the factor from the DBC's, and whether that is known at all."""

    name: str
    factor: float = 1.0
    known: bool = True


def unit_of(written: str) -> Unit:
    """The unit of :data:`daq.units.UNITS` that a DBC means; a plain number where it is unknown."""
    plain = " ".join(written.split())
    name = plain if plain in units.UNITS else _BY_WRITING.get(plain.lower(), "")
    if not name or plain in _AMBIGUOUS:
        return Unit("1", known=False)
    kept = KEPT_AS.get(name, name)
    if not units.UNITS[kept].stored:
        return Unit("1", known=False)
    return Unit(kept, units.UNITS[name].factor / units.UNITS[kept].factor)


def snake_case(name: str) -> str:
    """A DBC name in lower case with underscores, as :data:`daq.driver.NAME` wants it."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode()
    plain = re.sub(r"([a-z0-9])([A-Z])", r"\1_\2", re.sub(r"([A-Z]+)([A-Z][a-z])", r"\1_\2", plain))
    plain = re.sub(r"[^a-z0-9]+", "_", plain.lower()).strip("_")
    return plain if plain[:1].isalpha() else f"x_{plain}".rstrip("_")


class Names:
    """Unique names for everything in a DBC, whichever of its messages are wanted.

    A signal's name is enough where only one message has it; else the message's name goes before.
    """

    def __init__(self, dbc: Dbc) -> None:
        everywhere = Counter(
            snake_case(signal.name)
            for message in dbc.messages
            for part in message.parts
            for signal in part.signals
        )
        self._streams: dict[tuple[str, object], str] = {}
        self._channels: dict[tuple[str, object], tuple[str, ...]] = {}
        streams: set[str] = set()
        channels: set[str] = set()
        for message in dbc.messages:
            before = f"{snake_case(message.name)}_"
            for part in message.parts:
                key = message.label, part.conditions
                plain = [snake_case(signal.name) for signal in part.signals]
                full = [before + name if everywhere[name] > 1 else name for name in plain]
                self._streams[key] = _unused(_part_name(message, part), streams)
                self._channels[key] = tuple([_unused(name, channels) for name in full])

    def stream(self, message: Message, part: Part) -> str:
        """Name of the stream of *part*."""
        return self._streams[message.label, part.conditions]

    def channels(self, message: Message, part: Part) -> tuple[str, ...]:
        """Names of the channels of its signals, in their order."""
        return self._channels[message.label, part.conditions]


def _part_name(message: Message, part: Part) -> str:
    """The message, and for a multiplexed part the innermost multiplexer and its first value."""
    values = "".join(f"_{snake_case(name)}_{ids[0]}" for name, ids in part.conditions[-1:] if ids)
    return snake_case(message.name) + values


def _unused(name: str, used: set[str]) -> str:
    """*name*, shortened and numbered where it must be, and free of reserved endings."""
    if name.endswith(RESERVED_ENDINGS):
        name += "_value"
    unique, number = name[:LONGEST].rstrip("_"), 1
    while unique in used or unique.endswith(RESERVED_ENDINGS):
        number += 1
        ending = f"_{number}"
        unique = name[: LONGEST - len(ending)].rstrip("_") + ending
    assert NAME.fullmatch(unique)
    used.add(unique)
    return unique
