"""Brettschneider's lambda against the stoichiometry of the fuel, worked out by element balance."""

from __future__ import annotations

import numpy as np
import pytest

from daq.gas import HYDROGEN_PER_CARBON, OXYGEN_PER_CARBON, brettschneider

NITROGEN = 0.79 / 0.21


def exhaust(excess: float, unburnt: float = 0.0) -> dict[str, float]:
    """Dry exhaust of CHyOz burnt with *excess* times its air, the share *unburnt* left as fuel.

    Element balance of one carbon atom; nothing of the equation under test is used.
    """
    demand = 1 + HYDROGEN_PER_CARBON / 4 - OXYGEN_PER_CARBON / 2
    air = excess * demand
    carbon = 1 - unburnt
    oxygen = air - carbon * demand
    total = carbon + oxygen + air * NITROGEN + unburnt / 6
    gases = {"co": 0.0, "co2": carbon, "o2": oxygen, "hc": unburnt / 6}
    return {name: 100 * amount / total for name, amount in gases.items()}


@pytest.mark.parametrize("excess", [1.0, 1.05, 1.3, 2.0])
def test_complete_combustion_with_known_air(excess):
    assert brettschneider(**exhaust(excess)) == pytest.approx(excess, rel=1e-12)


def test_misfire_does_not_change_lambda():
    """Unburnt fuel and the oxygen that it left are both counted."""
    assert brettschneider(**exhaust(1.0, unburnt=0.05)) == pytest.approx(1.0, rel=1e-12)


def test_carbon_monoxide_reads_rich_by_its_missing_oxygen():
    """Pure carbon as fuel, by element balance: (CO2 + CO/2) / (CO2 + CO)."""
    found = brettschneider(2.0, 12.0, 0.0, 0.0, hydrogen=0.0, oxygen=0.0)
    assert found == pytest.approx((12.0 + 1.0) / 14.0)


def test_lambda_falls_with_co_and_rises_with_o2():
    rich = brettschneider([0.0, 2.0, 4.0, 8.0], 12.0, 0.0, 0.0)
    lean = brettschneider(0.0, 12.0, 0.0, [0.0, 1.0, 3.0])
    assert (np.diff(rich) < 0).all()
    assert (np.diff(lean) > 0).all()


@pytest.mark.parametrize(
    "wrong",
    [{"co2": 0.0}, {"co": -1.0}, {"o2": float("nan")}, {"co2": 101.0}, {"hc": float("inf")}],
)
def test_readings_that_are_no_exhaust_give_no_lambda(wrong):
    gases = {"co": 0.5, "co2": 14.0, "hc": 0.01, "o2": 0.5, **wrong}
    assert np.isnan(brettschneider(**gases))
