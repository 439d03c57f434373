"""What a calibration record shows for itself: points, residuals, uncertainty over its range."""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq import units
from daq.calibration.record import Calibration
from daq.calibration.signal import Array

_NOMINAL = {"V": 5.0, "degC": 25.0, "kPa": 101.325}
_STEPS = 101


class Parameter(NamedTuple):
    """One coefficient with its unit and standard uncertainty (0 when none is on record)."""

    value: float
    unit: str
    error: float


class Points(NamedTuple):
    """The points, float64[P] each; ``residual`` is value minus reference, NaN where unknown."""

    indication: Array
    reference: Array
    reference_uncertainty: Array
    residual: Array
    direction: tuple[str, ...]


def parameters(calibration: Calibration) -> dict[str, Parameter]:
    """The equation's parameters, in the order of its covariance."""
    equation = calibration.equation
    errors = np.sqrt(np.diag(equation.parameter_covariance)).tolist()
    return {
        name: Parameter(value, _unit(calibration, name), error)
        for (name, value), error in zip(equation.parameters.items(), errors)
    }


def _unit(calibration: Calibration, name: str) -> str:
    """Unit of a parameter; a polynomial's higher ones by the signal's unit."""
    if calibration.model in ("steinhart_hart",):
        return "K^-1"
    if name in ("r0", "beta"):
        return {"r0": "ohm", "beta": "K"}[name]
    signal = calibration.record.signal.output_unit or "1"
    power = int(name[1:]) if name.startswith("a") else 0
    if power == 0 or signal == "1":
        return calibration.unit
    per = f"{signal}^-{power}"
    return per if calibration.unit == "1" else f"{calibration.unit}.{per}"


def points(calibration: Calibration) -> Points:
    """The evidence on record. Residuals need no other channel, or they are NaN."""
    found = calibration.record.point
    indication = np.array([p.indication for p in found], dtype=np.float64)
    reference = np.array([p.reference for p in found], dtype=np.float64)
    if calibration.equation.inputs:
        value = np.full_like(indication, np.nan)
    else:
        value = calibration.at_signal(indication)
    return Points(
        indication,
        reference,
        np.array([p.reference_uncertainty for p in found], dtype=np.float64),
        value - reference,
        tuple(p.direction for p in found),
    )


def nominal_inputs(calibration: Calibration) -> dict[str, NDArray[np.float64]]:
    """Stand-ins for the channels it needs: nominal supply, 25 °C, 101.325 kPa; shape (1,)."""
    stand_ins: Mapping[str, float] = {
        name: _NOMINAL[unit] for name, unit in calibration.input_units.items()
    }
    signal = calibration.record.signal
    if signal.supply:
        stand_ins = {**stand_ins, signal.supply: signal.nominal_supply_v}
    return {name: np.array([value]) for name, value in stand_ins.items()}


def expanded_uncertainty(calibration: Calibration, k: float = 2.0) -> float:
    """Greatest expanded uncertainty over the record's range, noise left out.

    NaN without a range, and where the record states no uncertainty.

    In the record's unit; k = 2 is about 95 % coverage. Source: JCGM 100 6.2.
    """
    if calibration.range is None or not calibration.states_uncertainty:
        return float("nan")
    inputs = nominal_inputs(calibration)
    values = np.linspace(*calibration.range, _STEPS)
    if calibration.record.pressure is not None:
        sign = 1.0 if calibration.quantity == "absolute_pressure" else -1.0
        ambient = units.convert(101.325, "absolute_pressure", "kPa", calibration.unit)
        values = values + sign * ambient
    raw = calibration.raw(values, inputs)
    if calibration.record.signal.rails is not None:
        raw = np.rint(raw[np.isfinite(raw)]).astype(np.int64)
    u = calibration.uncertainty(raw, inputs)
    u = u[np.isfinite(u)]
    return float(k * u.max()) if len(u) else float("nan")
