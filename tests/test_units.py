"""The closed list of quantities and units, judged by pint and by UDUNITS (cf-units)."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from daq import units
from daq.errors import ConfigError

STORED = sorted(units.stored_units())
SI_BASES = ("m", "kg", "s", "A", "K")


def _power(dimension: units.Dimension) -> str:
    parts = [f"{base}^{n}" for base, n in zip(SI_BASES, dimension, strict=True) if n]
    return ".".join(parts) or "1"


@pytest.mark.parametrize("name", STORED)
def test_udunits_reads_every_stored_unit_alike(name: str) -> None:
    """By dimension and by value, not only by parsing. Judge: UDUNITS-2 through cf-units."""
    cf_units = pytest.importorskip("cf_units")
    unit = units.UNITS[name]
    judged = cf_units.Unit(name).convert(1.0, cf_units.Unit(_power(unit.dimension)))
    assert judged == pytest.approx(unit.factor + unit.offset, rel=1e-12)


@pytest.mark.parametrize("name", STORED)
def test_pint_reads_every_stored_unit_alike(name: str) -> None:
    """Judge: pint."""
    pint = pytest.importorskip("pint")
    registry: Any = pint.UnitRegistry()
    unit = units.UNITS[name]
    judged = registry.Quantity(1.0, name).to_base_units()
    assert judged.magnitude == pytest.approx(unit.factor + unit.offset, rel=1e-12)
    expected = {
        f"[{word}]": n
        for word, n in zip(
            ("length", "mass", "time", "current", "temperature"), unit.dimension, strict=True
        )
        if n
    }
    assert dict(judged.dimensionality) == expected


@pytest.mark.parametrize(
    ("quantity", "unit", "si", "value"),
    [
        # Source: NIST SP 811 appendix B.8.
        ("power", "hp", "W", 745.6998715822702),
        ("power", "PS", "W", 735.49875),
        ("torque", "lbf.ft", "N.m", 1.3558179483314004),
        ("speed", "mph", "m/s", 0.44704),
        ("force", "lbf", "N", 4.4482216152605),
        ("absolute_pressure", "psi", "Pa", 6894.757293168361),
        ("absolute_pressure", "inHg", "Pa", 3386.388640341),
        ("speed", "km/h", "m/s", 1 / 3.6),
        ("rotational_speed", "rpm", "rad/s", 0.10471975511965977),
    ],
)
def test_display_factors(quantity: str, unit: str, si: str, value: float) -> None:
    assert units.convert(1.0, quantity, unit, si) == pytest.approx(value, rel=1e-12)


def test_temperatures() -> None:
    """Source: SI brochure; fixed points of the Fahrenheit scale, -40 °C = -40 °F."""
    celsius = np.array([-40.0, 0.0, 100.0])
    assert units.convert(celsius, "temperature", "degC", "degF") == pytest.approx([-40, 32, 212])
    assert units.convert(celsius, "temperature", "degC", "K") == pytest.approx(
        [233.15, 273.15, 373.15]
    )
    back = units.convert([32.0], "temperature", "degF", "degC")
    assert back == pytest.approx([0.0], abs=1e-12)
    assert units.spread(1.0, "temperature", "degC", "degF") == pytest.approx(1.8)


@pytest.mark.parametrize("name", sorted(units.QUANTITIES))
def test_units_of_a_quantity_have_one_dimension(name: str) -> None:
    dimensions = {units.UNITS[unit].dimension for unit in units.QUANTITIES[name].units}
    assert len(dimensions) == 1
    assert units.UNITS[units.QUANTITIES[name].units[0]].stored


def test_every_unit_belongs_to_a_quantity_and_back() -> None:
    listed = {unit for quantity in units.QUANTITIES.values() for unit in quantity.units}
    assert listed == set(units.UNITS)


@pytest.mark.parametrize("unit", ["mph", "PS", "hp", "lbf.ft", "inH2O", "inHg_60F"])
def test_display_units_are_not_stored(unit: str) -> None:
    """UDUNITS reads mph as milliphot and PS as petasiemens: they never get into a file."""
    quantity = next(q.name for q in units.QUANTITIES.values() if unit in q.units)
    with pytest.raises(ConfigError, match="for display only"):
        units.check(quantity, unit)


def test_wrong_dimension_is_named() -> None:
    with pytest.raises(ConfigError, match="unit 'degC' \\(temperature\\) for gauge_pressure"):
        units.convert([1.0], "gauge_pressure", "degC", "kPa")


def test_absolute_and_gauge_are_not_one_quantity() -> None:
    """A unit converts; the reference does not: that takes a barometer."""
    assert units.quantity("absolute_pressure").reference == "absolute"
    assert units.quantity("gauge_pressure").reference == "gauge"
    with pytest.raises(ConfigError, match="expected one of"):
        units.check("gauge_pressure", "atm")


def test_nearest_names() -> None:
    with pytest.raises(ConfigError, match="did you mean 'kPa'"):
        units.unit("kpa")
    with pytest.raises(ConfigError, match="did you mean 'temperature'"):
        units.quantity("temprature")


def test_shown() -> None:
    boost = units.show([100.0], "gauge_pressure", "kPa", "psi")
    assert boost.values == pytest.approx([14.5038], abs=1e-4)  # NIST SP 811
    assert boost.label == "psi gauge"
    assert units.show([25.0], "temperature", "degC").label == "°C"
    assert units.show([27.7777778], "speed", "m/s", "km/h").values == pytest.approx([100.0])


def test_air_fuel_ratio_names_its_fuel() -> None:
    shown = units.show([0.85], "lambda", "1", "AFR", stoichiometric_ratio=14.7)
    assert shown.values == pytest.approx([12.495])
    assert shown.label == "AFR (stoichiometric 14.7)"
    assert units.show([0.85], "lambda", "1").label == "λ"
    with pytest.raises(ConfigError, match="stoichiometric"):
        units.show([0.85], "lambda", "1", "AFR")


def test_display_unit_of_another_quantity() -> None:
    with pytest.raises(ConfigError, match="expected one of kW, hp, PS"):
        units.show([1.0], "power", "kW", "psi")
