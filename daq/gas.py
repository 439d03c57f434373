"""Lambda from what an exhaust-gas analyser reads, for points that are held.

An analyser is late by its sample line's 5 to 15 s, the latency of its channels, and mixes what
went through the line in that time. So a reading counts only where engine speed and load had been
held for as long before.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq import units
from daq.bench import EngineConfig
from daq.channels import BenchChannel
from daq.evaluation import Evaluation
from daq.runfile.content import ColumnContent
from daq.status import AlignedStatus

HYDROGEN_PER_CARBON = EngineConfig.hydrogen_per_carbon
OXYGEN_PER_CARBON = EngineConfig.oxygen_per_carbon
"""Of petrol, 1.7261 and 0.0176. Source: Brettschneider 1979, as published with his equation."""
WATER_GAS = 3.5
"""Water-gas equilibrium CO·H2O/(CO2·H2) of exhaust. Source: Brettschneider 1979; the same number
in 40 CFR 1065.655, from memory."""
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


# --- on the bench

ROLES = ("exhaust_co", "exhaust_co2", "exhaust_hc", "exhaust_o2")
"""Roles of an analyser's channels, in the order of :func:`brettschneider`; as % or 1, of volume.
Hydrocarbons are counted as hexane."""
UNITS = ("%", "1")
SHORTEST_S = 5.0
"""What a sample line takes at least. Common practice, no source."""


class Steadiness(NamedTuple):
    """How far a quantity may wander while a point is held: a share of it, and at least so much."""

    share: float
    least: float


# in rpm and m/s; common practice, no source
HELD_SPEED = Steadiness(0.02, 25.0)
HELD_ROLLER = Steadiness(0.02, 0.2)
HELD_LOADS = {
    "manifold_absolute_pressure": Steadiness(0.05, 2.0),
    "brake_force": Steadiness(0.05, 20.0),
}
"""By role; in the channels' units, kPa and N."""


def gas_columns(
    result: Evaluation, columns: Mapping[str, ColumnContent], engine: EngineConfig | None
) -> Iterator[ColumnContent]:
    """Column ``<device>_gas_lambda`` for each device that has all four gases.

    NaN where the point was not held, and throughout where nothing tells engine speed or road
    speed. *columns* are those of the aligned table by name, latencies taken off.
    """
    step_s = float(np.median(np.diff(result.grid))) if len(result.grid) > 1 else np.inf
    for device, gases in analysers(result.channels.values()).items():
        if all(gas.name in columns and gas.unit in UNITS for gas in gases):
            late_s = max(SHORTEST_S, *(result.latency(gas.name).typical_s for gas in gases))
            rows = int(np.ceil(late_s / step_s)) + 1
            still = _still(result, columns, rows)
            yield _lambda_column(device, gases, columns, engine or EngineConfig(), late_s, still)


def analysers(channels: Iterable[BenchChannel]) -> dict[str, list[BenchChannel]]:
    """By device, its channels of the four roles in their order; devices that lack one left out."""
    found: dict[str, dict[str, BenchChannel]] = {}
    for channel in channels:
        if channel.role in ROLES:
            found.setdefault(channel.device, {}).setdefault(channel.role, channel)
    return {
        device: [its[role] for role in ROLES]
        for device, its in found.items()
        if len(its) == len(ROLES)
    }


def advice(channels: Mapping[str, BenchChannel]) -> list[str]:
    """What an analyser's channels leave unsaid, for `daq check`."""
    said = []
    for name, channel in channels.items():
        if channel.role not in ROLES:
            continue
        if channel.unit not in UNITS:
            said.append(f"channel {name}: in {channel.unit}, and lambda is made of % or 1")
        if not channel.config.latency_s:
            said.append(f"channel {name}: no latency_s; a sample line delays by 5 to 15 s")
        if not channel.config.location:
            said.append(f"channel {name}: no location; say where the probe sits")
    return said


def _lambda_column(
    device: str,
    gases: list[BenchChannel],
    columns: Mapping[str, ColumnContent],
    fuel: EngineConfig,
    late_s: float,
    still: NDArray[np.bool_],
) -> ColumnContent:
    percent = [_percent(gas, columns[gas.name].value) for gas in gases]
    composition = {"hydrogen": fuel.hydrogen_per_carbon, "oxygen": fuel.oxygen_per_carbon}
    value = np.where(still, brettschneider(*percent, **composition), np.nan)
    status = np.zeros(len(value), np.uint8)
    for gas in gases:
        its = columns[gas.name].status
        status |= 0 if its is None else its
    status[np.isnan(value)] = AlignedStatus.NO_DATA
    return ColumnContent(
        f"{device}_gas_lambda",
        "1",
        value,
        status,
        long_name="lambda by Brettschneider's equation, where speed and load were held",
        quantity="lambda",
        info={
            "location": gases[0].config.location,
            "held_s": late_s,
            "hydrogen_per_carbon": fuel.hydrogen_per_carbon,
            "oxygen_per_carbon": fuel.oxygen_per_carbon,
            "carbons_of_hydrocarbon": CARBONS_OF_HEXANE,
        },
    )


def _percent(gas: BenchChannel, value: NDArray[np.float64]) -> NDArray[np.float64]:
    return units.convert(value, "ratio", gas.unit, "%")


def _still(
    result: Evaluation, columns: Mapping[str, ColumnContent], rows: int
) -> NDArray[np.bool_]:
    """Where all that tells speed and load has been steady over the last *rows* of the grid."""
    speeds = list(_speeds(result, columns))
    loads = [(_first(result, columns, role), band) for role, band in HELD_LOADS.items()]
    still = np.full(len(result.grid), bool(speeds))
    for column, band in [*speeds, *loads]:
        if column is not None:
            still &= held(column.value, rows, band)
    return still


def _speeds(
    result: Evaluation, columns: Mapping[str, ColumnContent]
) -> Iterator[tuple[ColumnContent, Steadiness]]:
    """Engine speed by the best that there is; where there is none, that of the rollers."""
    engine = columns.get("ignition_speed") or _first(result, columns, "engine_speed")
    if engine is not None:
        yield engine, HELD_SPEED
        return
    for motion in result.motions.values():
        yield columns[f"{motion.column}_speed"], HELD_ROLLER


def _first(
    result: Evaluation, columns: Mapping[str, ColumnContent], role: str
) -> ColumnContent | None:
    names = [channel.name for channel in result.with_role(role)]
    return next((columns[name] for name in names if name in columns), None)


def held(value: NDArray[np.float64], rows: int, steadiness: Steadiness) -> NDArray[np.bool_]:
    """Where *value* float64[n] has stayed within its band over the last *rows* rows.

    The band is as wide as the steadiness allows to either side of its middle. Never within the
    first *rows* rows, nor where a value lacks.
    """
    low, high = _running(np.minimum, value, rows), _running(np.maximum, value, rows)
    with np.errstate(invalid="ignore"):
        allowed = np.maximum(steadiness.share * np.abs(low + high), 2 * steadiness.least)
        still: NDArray[np.bool_] = high - low <= allowed
    still[: rows - 1] = False
    return still


def _running(extreme: np.ufunc, value: NDArray[np.float64], rows: int) -> NDArray[np.float64]:
    """Extreme over the last *rows* values, by spans that double."""
    done, span = value.copy(), 1
    while span < min(rows, len(value)):
        step = min(span, rows - span)
        done[step:] = extreme(done[step:], done[:-step])
        span += step
    return done
