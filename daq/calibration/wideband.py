"""Lambda and air-fuel ratio. Lambda is what is stored; a ratio is only ever shown.

λ = AFR / AFR_st, where AFR_st belongs to the fuel. Blends are weighted by mass.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from daq.calibration.checks import Check, judge
from daq.calibration.signal import Array

# Source: IUPAC standard atomic weights, g/mol; O₂ mass fraction of dry air 0.23137 (from memory).
CARBON, HYDROGEN, OXYGEN, OXYGEN_IN_AIR = 12.011, 1.008, 15.999, 0.23137


class Fuel(NamedTuple):
    """A fuel: stoichiometric air-fuel ratio (kg/kg) and density (kg/L)."""

    stoichiometric_ratio: float
    density_kg_l: float


def stoichiometric_ratio(
    carbon: float, hydrogen: float, oxygen: float = 0.0, oxygen_in_air: float = OXYGEN_IN_AIR
) -> float:
    """Kilograms of dry air that burn one kilogram of a fuel CcHhOo completely.

    Source: combustion stoichiometry. Raises ValueError for a composition that does not burn.
    """
    needed = 2 * OXYGEN * (carbon + hydrogen / 4 - oxygen / 2)
    mass = CARBON * carbon + HYDROGEN * hydrogen + OXYGEN * oxygen
    if min(carbon, hydrogen, oxygen) < 0 or needed <= 0:
        raise ValueError(f"C{carbon:g}H{hydrogen:g}O{oxygen:g}: not a fuel")
    return needed / mass / oxygen_in_air


def blend_by_mass(parts: Sequence[tuple[float, float]]) -> float:
    """Stoichiometric ratio of a blend of (mass fraction, stoichiometric ratio).

    Source: mass balance. Raises ValueError unless the fractions add up to 1.
    """
    total = math.fsum(fraction for fraction, _ in parts)
    if not math.isclose(total, 1.0, abs_tol=1e-6) or any(f < 0 for f, _ in parts):
        raise ValueError(f"mass fractions: expected to add up to 1, got {total:g}")
    return math.fsum(fraction * ratio for fraction, ratio in parts)


def blend_by_volume(parts: Sequence[tuple[float, Fuel]]) -> float:
    """The same from volume fractions, as fuels are named (E85): the densities make them masses."""
    total = math.fsum(fraction for fraction, _ in parts)
    if not math.isclose(total, 1.0, abs_tol=1e-6) or any(f < 0 for f, _ in parts):
        raise ValueError(f"volume fractions: expected to add up to 1, got {total:g}")
    masses = [fraction * fuel.density_kg_l for fraction, fuel in parts]
    whole = math.fsum(masses)
    return blend_by_mass(
        [(mass / whole, fuel.stoichiometric_ratio) for mass, (_, fuel) in zip(masses, parts)]
    )


def to_lambda(air_fuel_ratio: ArrayLike, stoichiometric: float) -> Array:
    """λ from an air-fuel ratio. Raises ValueError for a ratio that no fuel has."""
    _check_ratio(stoichiometric)
    return np.asarray(air_fuel_ratio, dtype=np.float64) / stoichiometric


def to_air_fuel_ratio(lambda_: ArrayLike, stoichiometric: float) -> Array:
    """Air-fuel ratio from λ, for showing only. Raises ValueError as :func:`to_lambda`."""
    _check_ratio(stoichiometric)
    return np.asarray(lambda_, dtype=np.float64) * stoichiometric


def _check_ratio(stoichiometric: float) -> None:
    if not 2.0 <= stoichiometric <= 40.0:
        raise ValueError(f"stoichiometric ratio {stoichiometric!r}; expected from 2 to 40 kg/kg")


def free_air(
    reading: float,
    scaled_in: Literal["lambda", "oxygen"],
    lean_limit: float = math.nan,
    *,
    warn: float | None = None,
    refuse: float | None = None,
) -> Check:
    """A sensor in free air: oxygen must read 20.9 %, lambda must stand at its lean limit.

    The warm sensor hangs in clean air, away from the exhaust. Limits unless given: 0.5 and 1.5 %
    oxygen, 2 and 5 % of the lean limit (common practice, no source).
    Raises ValueError when *lean_limit* is needed and not given.
    """
    if scaled_in == "oxygen":
        expected, near, far, unit = 20.9, 0.5, 1.5, "%"
    elif lean_limit > 1.0:
        expected, near, far, unit = lean_limit, 0.02 * lean_limit, 0.05 * lean_limit, "1"
    else:
        raise ValueError(f"lean_limit: expected the highest lambda of the output, got {lean_limit}")
    return judge(
        "free_air",
        reading - expected,
        near if warn is None else warn,
        far if refuse is None else refuse,
        unit,
        f"free air reads {reading:.4g}, expected {expected:.4g}",
    )


def step_response(time_s: ArrayLike, delay_s: float, time_constant_s: float) -> Array:
    """Unit step response of a dead time and a first-order lag."""
    since = np.maximum(np.asarray(time_s, dtype=np.float64) - delay_s, 0.0)
    return 1.0 - np.exp(-since / time_constant_s)


def rise_time(time_constant_s: float) -> float:
    """10 to 90 % rise time of a first-order lag, τ ln 9."""
    return time_constant_s * math.log(9.0)


def transport_delay(
    rpm: ArrayLike,
    mass_flow_kg_s: ArrayLike,
    gas_k: ArrayLike,
    pressure_pa: ArrayLike,
    *,
    pipe_volume_m3: float,
    crank_degrees: float = 540.0,
) -> Array:
    """Seconds from injection to the sensor: crank angle plus plug flow through the pipe.

    t = θ/(6 n) + V ρ/ṁ with ρ = p/(287 T). Source: plug-flow model, from memory.
    """
    n, flow = np.asarray(rpm, dtype=np.float64), np.asarray(mass_flow_kg_s, dtype=np.float64)
    density = np.asarray(pressure_pa, dtype=np.float64) / (287.0 * np.asarray(gas_k))
    return np.asarray(crank_degrees / (6.0 * n) + pipe_volume_m3 * density / flow)
