"""Names and units of a DBC file as ours: lower case, unique in the device, units as UDUNITS."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter

from daq.dbc import Dbc, Message, Part, Signal
from daq.driver import NAME, RESERVED_ENDINGS

LONGEST = 51
"""Characters of a name. Source: daq.driver.NAME."""

UNITS = {
    "1": ("", "-", "1", "[-]", "bool", "boolean", "bit", "counts", "count", "lambda", "ratio"),
    "%": ("%", "percent", "pct"),
    "degC": ("°c", "degc", "deg c", "c", "celsius", "deg_c", "grad c"),
    "degF": ("°f", "degf", "deg f"),
    "K": ("k", "kelvin"),
    "rpm": ("rpm", "1/min", "u/min", "rev/min", "r/min", "min-1"),
    "km/h": ("km/h", "kph", "kmh", "km/hr"),
    "mile/h": ("mph", "mile/h", "mi/h"),
    "m/s": ("m/s",),
    "m/s^2": ("m/s^2", "m/s2", "m/s²", "m/sec2", "m/s/s"),
    "degree": ("deg", "°", "degree", "degrees", "grad"),
    "degree/s": ("deg/s", "°/s", "deg/sec", "degree/s"),
    "rad": ("rad",),
    "N.m": ("nm", "n.m", "n*m", "n·m"),
    "N": ("n",),
    "kPa": ("kpa",),
    "hPa": ("hpa",),
    "bar": ("bar",),
    "mbar": ("mbar",),
    "psi": ("psi",),
    "V": ("v", "volt", "volts"),
    "mV": ("mv",),
    "A": ("a", "amp", "amps", "ampere"),
    "kW": ("kw",),
    "W": ("w", "watt"),
    "metric_horsepower": ("ps",),
    "kW.h": ("kwh",),
    "s": ("s", "sec", "second", "seconds"),
    "ms": ("ms", "msec"),
    "h": ("h", "hour", "hours"),
    "min": ("min", "minutes"),
    "km": ("km",),
    "m": ("m", "meter", "meters", "metre"),
    "mm": ("mm",),
    "L": ("l", "liter", "litre"),
    "L/h": ("l/h",),
    "g/s": ("g/s",),
    "kg/h": ("kg/h",),
    "kg": ("kg",),
    "Hz": ("hz",),
}  # fmt: skip
"""Our unit and how DBC files write it, in lower case.

Source: UDUNITS-2 for ours (in it `mph` is a milliphot and `PS` a petasiemens); common practice, no
source, for the others.
"""
_BY_WRITING = {writing: unit for unit, writings in UNITS.items() for writing in writings}


def unit_of(written: str) -> str:
    """Our name of a unit; one that is not known stays as it is written."""
    return _BY_WRITING.get(" ".join(written.split()).lower(), written.strip())


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
        self._channels: dict[tuple[str, str], str] = {}
        streams: set[str] = set()
        channels: set[str] = set()
        for message in dbc.messages:
            for part in message.parts:
                self._streams[message.label, part.conditions] = _unused(
                    _part_name(message, part), streams
                )
                for signal in part.signals:
                    name = snake_case(signal.name)
                    if everywhere[name] > 1:
                        name = f"{snake_case(message.name)}_{name}"
                    self._channels[message.label, signal.name] = _unused(name, channels)

    def stream(self, message: Message, part: Part) -> str:
        """Name of the stream of *part*."""
        return self._streams[message.label, part.conditions]

    def channel(self, message: Message, signal: Signal) -> str:
        """Name of the channel of *signal*."""
        return self._channels[message.label, signal.name]


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
