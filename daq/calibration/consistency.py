"""Whether the parts of a record fit each other: model, signal, unit, range, reference."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from daq import units
from daq.calibration.document import Record
from daq.calibration.equations import Equation
from daq.calibration.models import MODELS
from daq.config import Problems, build, nearest
from daq.errors import ConfigError

_CHANNEL = re.compile(r"[a-z][a-z0-9_]{0,50}(\.[a-z][a-z0-9_]{0,50})?")


def load_equation(table: Mapping[str, Any], problems: Problems) -> Equation | None:
    """The equation in a record's tables; None after noting the mistake."""
    model, own = table.get("model"), table.get("equation")
    if not isinstance(model, str) or not isinstance(own, Mapping):
        return None  # already reported as a missing or wrong key
    if model not in MODELS:
        problems.add("model", f"no equation is called {model!r}{nearest(model, MODELS)}")
        return None
    return build(MODELS[model], own, "equation", problems)


def check(record: Record, equation: Equation, problems: Problems) -> None:
    """Whether the parts of a record fit each other."""
    checks: dict[str, Callable[[Record, Equation], None]] = {
        "channel": _check_channels,
        "unit": _check_units,
        "signal": _check_signal,
        "range": _check_range,
        "pressure": _check_pressure,
    }
    for where, fits in checks.items():
        try:
            fits(record, equation)
        except ConfigError as error:
            for problem in error.problems:
                problems.add(where, problem)
        except ValueError as error:
            problems.add(where, str(error))


def _check_channels(record: Record, equation: Equation) -> None:
    barometer = record.pressure.barometer if record.pressure else ""
    for name in (record.channel, *record.signal.inputs, *equation.inputs, barometer):
        if name and not _CHANNEL.fullmatch(name):
            raise ValueError(f"expected a channel's name as in 'oil_pressure', got {name!r}")


def _check_units(record: Record, equation: Equation) -> None:
    units.check(record.quantity, record.unit)
    if equation.unit:
        try:
            units.check(record.quantity, equation.unit)
        except ConfigError as error:
            raise ValueError(f"model {record.model!r} gives {equation.unit}: {error}") from None


def _check_signal(record: Record, equation: Equation) -> None:
    wanted, found = equation.signal_unit, record.signal.output_unit
    if wanted and wanted != found:
        hint = "; add pull_up_ohm or current_ma" if (wanted, found) == ("ohm", "V") else ""
        raise ValueError(f"model {record.model!r} takes {wanted}, got {found or 'no unit'!r}{hint}")


def _check_range(record: Record, equation: Equation) -> None:
    if record.range is not None and equation.ends is not None:
        low, high = _ends(record, equation)
        slack = 1e-6 * (high - low)
        if record.range.low < low - slack or record.range.high > high + slack:
            raise ValueError(
                f"{record.range.low!r} to {record.range.high!r} {record.unit} is more than model "
                f"{record.model!r} holds for; expected within {low:g} to {high:g}"
            )


def _check_pressure(record: Record, equation: Equation) -> None:
    if record.pressure is None:
        return
    other = {"gauge_pressure": "absolute_pressure", "absolute_pressure": "gauge_pressure"}
    if record.quantity != other[record.pressure.measured]:
        raise ValueError(
            f"measured = {record.pressure.measured!r} with a barometer gives "
            f"{other[record.pressure.measured]!r}, and quantity is {record.quantity!r}"
        )


def _ends(record: Record, equation: Equation) -> tuple[float, float]:
    assert equation.ends is not None
    if not equation.unit:
        return equation.ends
    low, high = units.convert(equation.ends, record.quantity, equation.unit, record.unit)
    return float(low), float(high)


def sensor_range(record: Record, equation: Equation) -> tuple[float, float] | None:
    """The record's own range, else the ends of its equation, in the record's unit."""
    if record.range is not None:
        return record.range.low, record.range.high
    return _ends(record, equation) if equation.ends is not None else None
