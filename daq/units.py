"""The closed list of quantities and units, and the conversions between them.

A *quantity* says what is measured, including what a pressure is measured against; it lists the
units it may be given in, the stored one first. Values are converted once, where they come in, and
kept in a unit of this list; what a person wants to see is a matter of :func:`show`.

Spellings of units that are stored are read alike by UDUNITS and by pint. ``stored=False`` marks
units that are for display only, because UDUNITS reads their usual name as something else (``mph``
milliphot, ``PS`` petasiemens) or not at all.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.config import nearest
from daq.errors import ConfigError

Dimension = tuple[int, int, int, int, int]
"""Exponents of metre, kilogram, second, ampere, kelvin."""

NONE: Dimension = (0, 0, 0, 0, 0)


@dataclass(frozen=True)
class Unit:
    """One unit: ``SI value = factor * value + offset``."""

    name: str
    dimension: Dimension
    factor: float
    offset: float = 0.0
    stored: bool = True
    label: str = ""
    """How it is shown, where that differs from the spelling."""


@dataclass(frozen=True)
class Quantity:
    """What is measured. ``units[0]`` is the one used when nothing else is asked for."""

    name: str
    units: tuple[str, ...]
    reference: str = ""
    """For a pressure: ``absolute``, ``gauge`` or ``differential``."""


_PRESSURE: Dimension = (-1, 1, -2, 0, 0)
_POWER: Dimension = (2, 1, -3, 0, 0)
_TORQUE: Dimension = (2, 1, -2, 0, 0)
_SPEED: Dimension = (1, 0, -1, 0, 0)
_PER_SECOND: Dimension = (0, 0, -1, 0, 0)

# Source: NIST SP 811 appendix B (exact or conventional factors); SI brochure, 9th edition.
_POUND_FORCE_N = 0.45359237 * 9.80665
UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        Unit("1", NONE, 1.0, label=""),
        Unit("%", NONE, 0.01),
        Unit("rad", NONE, 1.0),
        Unit("degree", NONE, math.pi / 180, label="°"),
        Unit("s", (0, 0, 1, 0, 0), 1.0),
        Unit("ms", (0, 0, 1, 0, 0), 1e-3),
        Unit("us", (0, 0, 1, 0, 0), 1e-6, label="µs"),
        Unit("ns", (0, 0, 1, 0, 0), 1e-9),
        Unit("min", (0, 0, 1, 0, 0), 60.0),
        Unit("h", (0, 0, 1, 0, 0), 3600.0),
        Unit("Hz", _PER_SECOND, 1.0),
        Unit("kHz", _PER_SECOND, 1e3),
        Unit("rpm", _PER_SECOND, 2 * math.pi / 60, label="1/min"),
        Unit("rad/s", _PER_SECOND, 1.0),
        Unit("m", (1, 0, 0, 0, 0), 1.0),
        Unit("mm", (1, 0, 0, 0, 0), 1e-3),
        Unit("km", (1, 0, 0, 0, 0), 1e3),
        Unit("m/s", _SPEED, 1.0),
        Unit("km/h", _SPEED, 1 / 3.6),
        Unit("mph", _SPEED, 0.44704, stored=False),
        Unit("m/s^2", (1, 0, -2, 0, 0), 1.0, label="m/s²"),
        Unit("g", (0, 1, 0, 0, 0), 1e-3),
        Unit("kg", (0, 1, 0, 0, 0), 1.0),
        Unit("kg/s", (0, 1, -1, 0, 0), 1.0),
        Unit("g/s", (0, 1, -1, 0, 0), 1e-3),
        Unit("kg/h", (0, 1, -1, 0, 0), 1 / 3600),
        Unit("m^3/s", (3, 0, -1, 0, 0), 1.0, label="m³/s"),
        Unit("L/min", (3, 0, -1, 0, 0), 1e-3 / 60),
        Unit("L/h", (3, 0, -1, 0, 0), 1e-3 / 3600),
        Unit("kg/m^3", (-3, 1, 0, 0, 0), 1.0, label="kg/m³"),
        Unit("kg.m^2", (2, 1, 0, 0, 0), 1.0, label="kg m²"),
        Unit("N", (1, 1, -2, 0, 0), 1.0),
        Unit("kN", (1, 1, -2, 0, 0), 1e3),
        Unit("lbf", (1, 1, -2, 0, 0), _POUND_FORCE_N),
        Unit("N.m", _TORQUE, 1.0, label="N m"),
        Unit("lbf.ft", _TORQUE, _POUND_FORCE_N * 0.3048, stored=False, label="lbf ft"),
        Unit("W", _POWER, 1.0),
        Unit("kW", _POWER, 1e3),
        Unit("hp", _POWER, _POUND_FORCE_N * 0.3048 * 550, stored=False),
        Unit("PS", _POWER, 75 * 9.80665, stored=False),
        Unit("Pa", _PRESSURE, 1.0),
        Unit("hPa", _PRESSURE, 100.0),
        Unit("kPa", _PRESSURE, 1e3),
        Unit("MPa", _PRESSURE, 1e6),
        Unit("mbar", _PRESSURE, 100.0),
        Unit("bar", _PRESSURE, 1e5),
        Unit("psi", _PRESSURE, _POUND_FORCE_N / 0.0254**2),
        Unit("atm", _PRESSURE, 101325.0),
        Unit("inHg", _PRESSURE, 25.4 * 133.322387415),  # conventional, 0 °C
        Unit("inHg_60F", _PRESSURE, 13556.8 * 9.80665 * 0.0254, stored=False, label="inHg (60 °F)"),
        Unit("mmHg", _PRESSURE, 133.322387415),
        Unit("inH2O", _PRESSURE, 249.08891, stored=False, label="inH₂O"),  # conventional, 4 °C
        Unit("K", (0, 0, 0, 0, 1), 1.0),
        Unit("degC", (0, 0, 0, 0, 1), 1.0, 273.15, label="°C"),
        Unit("degF", (0, 0, 0, 0, 1), 5 / 9, 459.67 * 5 / 9, label="°F"),
        Unit("A", (0, 0, 0, 1, 0), 1.0),
        Unit("mA", (0, 0, 0, 1, 0), 1e-3),
        Unit("V", (2, 1, -3, -1, 0), 1.0),
        Unit("mV", (2, 1, -3, -1, 0), 1e-3),
        Unit("uV", (2, 1, -3, -1, 0), 1e-6, label="µV"),
        Unit("ohm", (2, 1, -3, -2, 0), 1.0, label="Ω"),
        Unit("kohm", (2, 1, -3, -2, 0), 1e3, label="kΩ"),
    )
}

_PRESSURES = ("kPa", "Pa", "hPa", "MPa", "mbar", "bar", "psi", "inHg", "inHg_60F", "mmHg", "inH2O")
QUANTITIES: dict[str, Quantity] = {
    quantity.name: quantity
    for quantity in (
        Quantity("absolute_pressure", (*_PRESSURES, "atm"), "absolute"),
        Quantity("gauge_pressure", _PRESSURES, "gauge"),
        Quantity("pressure_difference", _PRESSURES, "differential"),
        Quantity("temperature", ("degC", "K", "degF")),
        Quantity("temperature_difference", ("K",)),
        Quantity("lambda", ("1",)),
        Quantity("rotational_speed", ("rpm", "rad/s")),
        Quantity("frequency", ("Hz", "kHz")),
        Quantity("speed", ("m/s", "km/h", "mph")),
        Quantity("acceleration", ("m/s^2",)),
        Quantity("length", ("m", "mm", "km")),
        Quantity("angle", ("degree", "rad")),
        Quantity("duration", ("s", "ms", "us", "ns", "min", "h")),
        Quantity("mass", ("kg", "g")),
        Quantity("mass_flow", ("g/s", "kg/s", "kg/h")),
        Quantity("volume_flow", ("L/min", "L/h", "m^3/s")),
        Quantity("density", ("kg/m^3",)),
        Quantity("moment_of_inertia", ("kg.m^2",)),
        Quantity("force", ("N", "kN", "lbf")),
        Quantity("torque", ("N.m", "lbf.ft")),
        Quantity("power", ("kW", "W", "hp", "PS")),
        Quantity("voltage", ("V", "mV", "uV")),
        Quantity("current", ("A", "mA")),
        Quantity("resistance", ("ohm", "kohm")),
        Quantity("ratio", ("%", "1")),
        Quantity("relative_humidity", ("%", "1")),
        Quantity("count", ("1",)),
        Quantity("state", ("1",)),
    )
}


OTHER_SPELLINGS = {
    "c": "degC", "°c": "degC", "celsius": "degC", "f": "degF", "°f": "degF", "deg": "degree",
    "°": "degree", "1/min": "rpm", "u/min": "rpm", "kph": "km/h", "kmh": "km/h", "nm": "N.m",
    "percent": "%", "volt": "V", "none": "1", "": "1",
}  # fmt: skip
"""How people write units, in small letters, and how they are written here."""


def unit(name: str) -> Unit:
    """The unit of that spelling; ConfigError with the one that was meant otherwise."""
    if name not in UNITS:
        meant = OTHER_SPELLINGS.get(name.lower())
        hint = f"; did you mean {meant!r}?" if meant else nearest(name, UNITS)
        raise ConfigError(f"no unit is written {name!r}{hint}")
    return UNITS[name]


def quantity(name: str) -> Quantity:
    """The quantity of that name; ConfigError with the nearest one otherwise."""
    if name not in QUANTITIES:
        raise ConfigError(f"no quantity is called {name!r}{nearest(name, QUANTITIES)}")
    return QUANTITIES[name]


def check(quantity_name: str, unit_name: str, *, stored: bool = True) -> Unit:
    """The unit, after checking that values of the quantity may be given in it.

    ``stored``: refuse units that are for display only. Raises ConfigError.
    """
    wanted, found = quantity(quantity_name), unit(unit_name)
    allowed = [name for name in wanted.units if UNITS[name].stored or not stored]
    if unit_name not in allowed:
        why = "for display only" if unit_name in wanted.units else _kind(found)
        raise ConfigError(
            f"unit {unit_name!r} ({why}) for {wanted.name}; expected one of {', '.join(allowed)}"
        )
    return found


def _kind(found: Unit) -> str:
    names = (q.name for q in QUANTITIES.values() if found.name in q.units)
    return next(names, "of another dimension").replace("_", " ")


def convert(values: ArrayLike, quantity_name: str, source: str, target: str) -> NDArray[np.float64]:
    """*values* of one quantity from unit *source* to unit *target*, float64, same shape.

    The reference of a pressure is part of the quantity and never changes here; see
    :mod:`daq.calibration.pressure`. Raises ConfigError for a unit of another dimension.
    """
    old = check(quantity_name, source, stored=False)
    new = check(quantity_name, target, stored=False)
    array = np.asarray(values, dtype=np.float64)
    if old == new:
        return array
    if old.offset == new.offset == 0.0:
        return array * (old.factor / new.factor)
    return (array * old.factor + (old.offset - new.offset)) / new.factor


def spread(values: ArrayLike, quantity_name: str, source: str, target: str) -> NDArray[np.float64]:
    """Differences and uncertainties of a quantity in another unit: the factor without offset."""
    old = check(quantity_name, source, stored=False)
    new = check(quantity_name, target, stored=False)
    return np.asarray(values, dtype=np.float64) * (old.factor / new.factor)


# --- what a person sees


@dataclass(frozen=True)
class Shown:
    """Values as a person wants to see them, with the label that belongs beside them."""

    values: NDArray[np.float64]
    label: str


DISPLAY: dict[str, tuple[str, ...]] = {
    "absolute_pressure": ("kPa", "bar", "psi", "inHg"),
    "gauge_pressure": ("kPa", "bar", "psi", "inHg"),
    "pressure_difference": ("kPa", "mbar", "psi", "inHg"),
    "temperature": ("degC", "degF"),
    "speed": ("km/h", "mph"),
    "power": ("kW", "hp", "PS"),
    "torque": ("N.m", "lbf.ft"),
    "force": ("N", "lbf"),
    "lambda": ("lambda", "AFR"),
}
"""The units a user may choose among, the default first."""


def show(
    values: ArrayLike,
    quantity_name: str,
    stored_unit: str,
    display_unit: str = "",
    *,
    stoichiometric_ratio: float | None = None,
) -> Shown:
    """*values* in the display unit (the quantity's default when left out) with its label.

    Lambda shown as air-fuel ratio needs the stoichiometric ratio, and the label names it.
    Raises ConfigError for a display unit that does not belong to the quantity.
    """
    wanted = quantity(quantity_name)
    choices = DISPLAY.get(wanted.name, (stored_unit, *wanted.units))
    target = display_unit or choices[0]
    if target not in (*choices, stored_unit):
        raise ConfigError(
            f"display unit {target!r} for {wanted.name}; expected one of {', '.join(choices)}"
        )
    if wanted.name == "lambda":
        return _show_lambda(values, target, stoichiometric_ratio)
    label = UNITS[target].label if UNITS[target].label or target == "1" else target
    if wanted.reference:
        label = f"{label} {wanted.reference}"
    return Shown(convert(values, wanted.name, stored_unit, target), label)


def _show_lambda(values: ArrayLike, target: str, ratio: float | None) -> Shown:
    array = np.asarray(values, dtype=np.float64)
    if target != "AFR":
        return Shown(array, "λ")
    if ratio is None or not ratio > 0:
        raise ConfigError(
            "display unit 'AFR': needs the stoichiometric air-fuel ratio of the fuel, "
            f"got {ratio!r}"
        )
    return Shown(array * ratio, f"AFR (stoichiometric {ratio:.4g})")


def stored_units() -> Iterable[str]:
    """The spellings that may stand in a run file."""
    return (name for name, item in UNITS.items() if item.stored)


def describe() -> list[dict[str, Any]]:
    """The closed list as plain data, for help texts and documents."""
    return [
        {"quantity": q.name, "reference": q.reference, "units": list(q.units)}
        for q in QUANTITIES.values()
    ]
