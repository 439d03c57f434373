"""Lambda from what a five-gas analyser reads, for points that are held.

Lambda computed so is of the gas in the sample line: it is late by the line's 5 to 15 s, and a
reading holds only where load and speed have been held for longer than that.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

HYDROGEN_PER_CARBON = 1.7261
OXYGEN_PER_CARBON = 0.0176
"""Of petrol. Source: Brettschneider 1979, as published with his equation."""
WATER_GAS = 3.5
"""Water-gas equilibrium of exhaust. Source: Brettschneider 1979."""
CARBONS_OF_HEXANE = 6.0
"""Carbon atoms in what an infrared bench shows as hexane. Singer and Harley 1998 found that it
sees about half of petrol's hydrocarbons and would have it 12."""


def brettschneider(
    co: ArrayLike,
    co2: ArrayLike,
    hc: ArrayLike,
    o2: ArrayLike,
    *,
    no: ArrayLike = 0.0,
    hydrogen: float = HYDROGEN_PER_CARBON,
    oxygen: float = OXYGEN_PER_CARBON,
    carbons: float = CARBONS_OF_HEXANE,
) -> NDArray[np.float64]:
    """Lambda from volume fractions in % (*hc* in % of hexane: 1 % is 10,000 ppm).

    *hydrogen* and *oxygen* are atoms per carbon atom of the fuel. NaN where the readings are not
    those of exhaust: negative, not finite, more than 100 % together, or without carbon.

    Source: J. Brettschneider, Bosch Technische Berichte 6 (1979) 4, 177-186.
    """
    gases = [np.asarray(gas, np.float64) for gas in (co, co2, hc, o2, no)]
    co, co2, hc, o2, no = np.broadcast_arrays(*gases)
    with np.errstate(divide="ignore", invalid="ignore"):
        burnt = co + co2
        water = hydrogen / 4 * WATER_GAS / (WATER_GAS + co / co2)
        had = co2 + co / 2 + o2 + no / 2 + (water - oxygen / 2) * burnt
        needed = (1 + hydrogen / 4 - oxygen / 2) * (burnt + carbons * hc)
        found = had / needed
        total = burnt + hc + o2 + no
    sound = (co >= 0) & (co2 > 0) & (hc >= 0) & (o2 >= 0) & (no >= 0) & (total <= 100)
    result: NDArray[np.float64] = np.where(sound, found, np.nan)
    return result
