"""Guided calibration: take points, fit, compare models, propose a record.

Pure: readings and times are given to it, and it keeps what was taken. The same code works from live
readings and from a CSV of points.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, NamedTuple

import numpy as np

from daq.calibration import document, evidence
from daq.calibration.document import Point
from daq.calibration.fit import Comparison, Fit, Repeats, chosen, compare, fit_polynomial, repeats
from daq.calibration.ntc import fit_steinhart_hart
from daq.calibration.record import Calibration
from daq.calibration.settling import Reading
from daq.calibration.signal import Array, Signal
from daq.config import load, nearest
from daq.errors import CalibrationError, ConfigError

_COLUMNS = tuple(Point.__dataclass_fields__)


def take(
    reading: Reading,
    signal: Signal,
    reference: float,
    *,
    reference_uncertainty: float = 0.0,
    direction: str = "",
    supply_v: float | None = None,
) -> Point:
    """A point from a settled raw reading and the reference value that belongs to it.

    *supply_v* is the measured supply of a ratiometric sensor. Raises CalibrationError, saying what
    to do, for a reading that has not settled, a reference that is no number, a missing supply.
    """
    if not reading.settled:
        raise CalibrationError(f"point not taken: {reading.reason}")
    if not math.isfinite(reference):
        raise CalibrationError(f"point not taken: reference {reference!r}; expected a number")
    if signal.supply and supply_v is None:
        raise CalibrationError(f"point not taken: the supply {signal.supply!r} is not known")
    inputs = {signal.supply: np.asarray(supply_v)} if signal.supply else {}
    middle, step = reading.mean, max(reading.uncertainty, 1e-12)
    at = signal.circuit(signal.terminal([middle, middle - step, middle + step], inputs, {}), {})
    if not np.all(np.isfinite(at)):
        raise CalibrationError(
            f"point not taken: a reading of {middle:g} gives no signal; check wiring and supply"
        )
    return Point(
        indication=float(at[0]),
        reference=reference,
        reference_uncertainty=reference_uncertainty,
        indication_noise=abs(float(at[2] - at[1])) / 2 if reading.uncertainty else 0.0,
        direction=direction,  # type: ignore[arg-type]
    )


def read_csv(text: str, name: str) -> tuple[Point, ...]:
    """Points from CSV: a line of column names, then one point a line.

    Columns ``indication`` and ``reference``; if you have them ``reference_uncertainty``,
    ``indication_noise`` (standard) and ``direction`` (up, down). Separated by comma, semicolon or
    tab; lines that start with # are left out. Raises ConfigError naming every wrong line.
    """
    numbered = [
        (number, line)
        for number, line in enumerate(text.lstrip("\ufeff").splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not numbered:
        raise ConfigError(f"{name}: no points; expected a line of column names, then points")
    header = numbered[0][1]
    delimiter = next((mark for mark in ";\t," if mark in header), ",")
    columns = [column.strip() for column in header.split(delimiter)]
    _check_columns(columns, name)
    found, problems = [], []
    for number, line in numbered[1:]:
        (row,) = csv.reader(io.StringIO(line), delimiter=delimiter)
        try:
            found.append(_csv_point(columns, [cell.strip() for cell in row]))
        except ConfigError as error:
            problems += [f"{name}: line {number}: {problem}" for problem in error.problems]
    if problems:
        raise ConfigError(problems)
    return tuple(found)


def _check_columns(columns: Sequence[str], name: str) -> None:
    unknown = [column for column in columns if column not in _COLUMNS]
    missing = [column for column in ("indication", "reference") if column not in columns]
    problems = [f"{name}: no column {item!r}{nearest(item, _COLUMNS)}" for item in unknown]
    problems += [f"{name}: column {item!r} is missing" for item in missing]
    if problems:
        raise ConfigError(problems)


def _csv_point(columns: Sequence[str], row: Sequence[str]) -> Point:
    if len(row) != len(columns):
        raise ConfigError(f"expected {len(columns)} values, got {len(row)}")
    table: dict[str, Any] = {}
    for column, cell in zip(columns, row):
        if column == "direction":
            table[column] = cell
        elif cell:
            try:
                table[column] = float(cell)
            except ValueError:
                raise ConfigError(f"{column}: expected a number, got {cell!r}") from None
    return load(Point, table)


@dataclass(frozen=True)
class Proposal:
    """What the points give: the models compared, the chosen fit, how well points repeat."""

    points: tuple[Point, ...]
    models: tuple[Comparison, ...]
    fit: Fit
    repeats: Repeats

    @property
    def type_b(self) -> float:
        """Standard uncertainty from hysteresis (rectangular, half of it) and repeatability."""
        known = [x for x in (self.repeats.hysteresis / 2 / math.sqrt(3),) if math.isfinite(x)]
        if math.isfinite(self.repeats.repeatability):
            known.append(self.repeats.repeatability)
        return math.sqrt(math.fsum(x**2 for x in known))


def propose(points: Sequence[Point], degree: int | None = None) -> Proposal:
    """Fit *points*: the degree whose terms are earned, unless one is asked for.

    Weighted by the points' uncertainties when every point has one.
    Raises CalibrationError for points that give no curve.
    """
    x = np.array([p.indication for p in points], dtype=np.float64)
    y = np.array([p.reference for p in points], dtype=np.float64)
    u_y = np.array([p.reference_uncertainty for p in points], dtype=np.float64)
    u_x = np.array([p.indication_noise for p in points], dtype=np.float64)
    weighted = bool(len(points)) and bool(np.all((u_y > 0) | (u_x > 0)))
    given: dict[str, Any] = {"y_uncertainty": u_y, "x_uncertainty": u_x} if weighted else {}
    try:
        models = tuple(compare(x, y, **given))
        fit = fit_polynomial(x, y, degree, **given) if degree else chosen(models).fit
    except ValueError as error:
        raise CalibrationError(f"no curve through these points: {error}") from None
    if not fit.monotone:
        raise CalibrationError(
            f"no curve through these points: the polynomial of degree {fit.degree} turns between "
            "them; take more points, use a lower degree or a table"
        )
    directions = [p.direction for p in points]
    return Proposal(tuple(points), models, fit, repeats(fit.value(x), y, directions))


def record_table(template: Mapping[str, Any], proposal: Proposal, record_id: str) -> dict[str, Any]:
    """A record in plain tables: *template* (channel, signal, sensor, performed, reference and so
    on) with the proposal's equation, uncertainty and points put in. Seal it before it is written.
    """
    fit = proposal.fit
    equation: dict[str, Any] = {
        "coefficients": fit.coefficients.tolist(),
        "origin": fit.origin,
        "covariance": fit.covariance.tolist(),
    }
    known = dict(template.get("uncertainty", {}))
    known["value"] = math.hypot(known.get("value", 0.0), proposal.type_b)
    table = {name: item for name, item in template.items() if name not in ("sha256", "origin")}
    return {
        **table,
        "format": document.FORMAT,
        "id": record_id,
        "model": "linear" if fit.degree == 1 else "polynomial",
        "equation": equation,
        "uncertainty": known,
        "point": [_point_table(point) for point in proposal.points],
    }


def thermistor_table(
    template: Mapping[str, Any], points: Sequence[Point], record_id: str
) -> dict[str, Any]:
    """A record of a thermistor fitted by Steinhart–Hart to points in ohm and °C.

    Raises CalibrationError for points that give no curve.
    """
    ohms, celsius = [p.indication for p in points], [p.reference for p in points]
    try:
        fit = fit_steinhart_hart(celsius, ohms)
    except ValueError as error:
        raise CalibrationError(f"no curve through these points: {error}") from None
    table = {name: item for name, item in template.items() if name not in ("sha256", "origin")}
    return {
        **table,
        "format": document.FORMAT,
        "id": record_id,
        "model": "steinhart_hart",
        "equation": {
            "coefficients": fit.coefficients.tolist(),
            "covariance": fit.covariance.tolist(),
        },
        "point": [_point_table(point) for point in points],
    }


class Verification(NamedTuple):
    """A record held against points, without adjusting anything; float64[P], record's unit."""

    error: Array
    """Value by the record minus reference (VIM: error of indication)."""
    expanded: Array
    """Expanded uncertainty (k = 2) of that error."""

    @property
    def agrees(self) -> bool:
        """Every error lies within its expanded uncertainty (|E_n| of at most 1)."""
        return bool(np.all(np.abs(self.error) <= self.expanded))


def verify(
    calibration: Calibration, points: Sequence[Point], inputs: Mapping[str, Any]
) -> Verification:
    """What the record in force says at *points*: the state found, before any adjustment.

    *inputs* are the channels the record needs, of the shape of the points or one value each.
    Raises CalibrationError when one is not given, and without points.
    """
    missing = [name for name in calibration.equation.inputs if name not in inputs]
    if missing:
        raise CalibrationError(f"verification needs the values of {', '.join(missing)}")
    if not points:
        raise CalibrationError("nothing to verify: no points were taken")
    indication = np.array([p.indication for p in points], dtype=np.float64)
    reference = np.array([p.reference for p in points], dtype=np.float64)
    u_reference = np.array([p.reference_uncertainty for p in points], dtype=np.float64)
    known = {**evidence.nominal_inputs(calibration), **inputs}
    signal = calibration.record.signal
    raw = signal.raw_of(signal.terminal_of(indication), known)
    u = np.hypot(calibration.uncertainty(raw, known), u_reference)
    return Verification(calibration.at_signal(indication, known) - reference, 2 * u)


def _point_table(point: Point) -> dict[str, Any]:
    return {name: value for name, value in asdict(point).items() if value not in ("", 0.0)} | {
        "indication": point.indication,
        "reference": point.reference,
    }


def without(points: Sequence[Point], index: int) -> tuple[Point, ...]:
    """*points* without the one that was taken by mistake. Raises CalibrationError for no such."""
    if not 0 <= index < len(points):
        raise CalibrationError(f"there is no point {index}; taken are {len(points)}")
    return tuple(points[:index]) + tuple(points[index + 1 :])


def directed(points: Sequence[Point]) -> tuple[Point, ...]:
    """*points* in the order taken, with up or down where the reference rose or fell."""
    found: list[Point] = []
    for before, point in zip((None, *points), points):
        if point.direction or before is None or before.reference == point.reference:
            direction = point.direction or (found[-1].direction if found else "up")
        else:
            direction = "up" if point.reference > before.reference else "down"
        found.append(replace(point, direction=direction))
    return tuple(found)
