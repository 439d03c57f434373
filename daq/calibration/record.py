"""One calibration: from raw readings to values, their status and their uncertainty.

The chain is raw → ``[signal]`` → ``[equation]`` → value in the record's unit (→ plus or minus the
barometer, for a pressure whose reference is to be changed). Everything is pure and vectorised; the
same record gives the same values from the same raw readings, whenever it is applied.
"""

from __future__ import annotations

import datetime
import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq import units
from daq.calibration import document, faults
from daq.calibration.consistency import check, load_equation, sensor_range
from daq.calibration.document import Record
from daq.calibration.equations import Equation
from daq.calibration.signal import Array, Errors
from daq.calibration.state import Finding, certified, findings
from daq.calibration.uncertainty import Source, combine, contributions, rectangular
from daq.config import Problems, build
from daq.errors import CalibrationError, ConfigError

Inputs = Mapping[str, NDArray[np.float64]]
NO_INPUTS: Inputs = MappingProxyType({})
NO_ERRORS: Errors = MappingProxyType({})

SATURATED_LOW, SATURATED_HIGH, OUT_OF_RANGE = np.uint8(1), np.uint8(2), np.uint8(4)
"""Status bits that calibration sets, in the order of the run file's flag meanings."""

_LOOKUP_BITS = 16


@dataclass(frozen=True)
class Calibration:
    """One record, checked and ready to use.

    ``inputs`` are the other channels it needs (supply, cold junction, barometer), in the units of
    ``input_units``; their values are given row by row beside the raw readings.
    """

    name: str
    record: Record
    equation: Equation
    canonical_json: str
    record_sha256: str

    @staticmethod
    def load(data: bytes, name: str) -> Calibration:
        """A record from its TOML; *name* is the file's, for messages.

        Raises ConfigError with every mistake: the key, what was found, what was expected.
        """
        return Calibration.of_table(document.read(data, name), name)

    @staticmethod
    def of_json(text: str, name: str) -> Calibration:
        """A record from the canonical JSON that a run file carries. Raises ConfigError."""
        try:
            table = json.loads(text)
        except ValueError as error:
            raise ConfigError(f"{name}: not valid JSON: {error}") from None
        if not isinstance(table, dict):
            raise ConfigError(f"{name}: expected a record, got {type(table).__name__}")
        return Calibration.of_table(table, name)

    @staticmethod
    def of_table(table: Mapping[str, Any], name: str) -> Calibration:
        """A record from plain tables."""
        problems = Problems(name)
        record = build(Record, table, "", problems)
        equation = load_equation(table, problems)
        if record is not None and equation is not None:
            check(record, equation, problems)
        problems.raise_if_any()
        assert record is not None
        assert equation is not None
        return Calibration(
            name, record, equation, document.canonical(table), document.content_hash(table)
        )

    # --- what it is

    @property
    def channel(self) -> str:
        """The channel it was made for."""
        return self.record.channel

    @property
    def model(self) -> str:
        """Name of the sensor equation."""
        return self.record.model

    @property
    def quantity(self) -> str:
        """What the value is, as in :data:`daq.units.QUANTITIES`."""
        return self.record.quantity

    @property
    def unit(self) -> str:
        """Unit of the value."""
        return self.record.unit

    @cached_property
    def input_units(self) -> Mapping[str, str]:
        """Channels it needs, each with the unit in which its values are expected."""
        needed = {**self.record.signal.inputs, **self.equation.inputs}
        if self.record.pressure is not None:
            needed[self.record.pressure.barometer] = "kPa"
        return needed

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the other channels it needs."""
        return tuple(self.input_units)

    # --- values

    def apply(
        self, raw: NDArray[Any], inputs: Inputs = NO_INPUTS
    ) -> tuple[NDArray[np.float64], NDArray[np.uint8]]:
        """Values (NaN where there is none) and status bits, both of the shape of *raw*.

        Within the sensor's range: the value. Beyond it but within the fault limits: the value,
        flagged out_of_range. Beyond them, or where an input is missing: NaN, flagged. A count at
        the rail is flagged saturated. Raises CalibrationError when an input is not given.
        """
        raw = np.asarray(raw)
        self._check_inputs(inputs)
        if self._countable(raw):
            values, status = self._every_count
            at = raw.astype(np.intp) - self._lowest_count
            return values[at], status[at]
        return self._apply(raw, inputs)

    def _apply(self, raw: NDArray[Any], inputs: Inputs) -> tuple[Array, NDArray[np.uint8]]:
        terminal, value = self._chain(raw, inputs, NO_ERRORS)
        status = self._saturation(raw)
        outside = ~np.isfinite(value)
        if self.limits is not None:
            outside |= ~self.limits.contain(value if self.equation.inputs else terminal)
        beyond = outside | self._beyond_range(value)
        status[beyond] |= OUT_OF_RANGE
        return self._to_quantity(np.where(outside, np.nan, value), inputs, NO_ERRORS, status)

    def value(
        self, raw: ArrayLike, inputs: Inputs = NO_INPUTS, errors: Errors = NO_ERRORS
    ) -> Array:
        """The bare equation at *raw* with *errors* assumed in its steps; no limits applied."""
        _, value = self._chain(np.asarray(raw), inputs, errors)
        return self._to_quantity(value, inputs, errors)[0]

    def raw(self, values: ArrayLike, inputs: Inputs = NO_INPUTS) -> Array:
        """The raw reading, not rounded, that gives *values*; NaN where none does."""
        self._check_inputs(inputs)
        value = np.asarray(values, dtype=np.float64)
        if self.record.pressure is not None:
            ambient = inputs[self.record.pressure.barometer]
            ambient = units.convert(ambient, "absolute_pressure", "kPa", self.unit)
            value = value - ambient * (1.0 if self.quantity == "absolute_pressure" else -1.0)
        if self.equation.unit:
            value = units.convert(value, self.quantity, self.unit, self.equation.unit)
        signal = self.record.signal
        return signal.raw_of(signal.terminal_of(self.equation.signal(value, inputs)), inputs)

    def _chain(self, raw: NDArray[Any], inputs: Inputs, errors: Errors) -> tuple[Array, Array]:
        """Terminal signal, and value in the record's unit before the barometer."""
        signal = self.record.signal
        with np.errstate(all="ignore"):  # what has no value becomes NaN and is flagged
            terminal = signal.terminal(raw, inputs, errors)
            value = self.at_signal(signal.circuit(terminal, errors), inputs, errors)
        return terminal, value + np.asarray(errors.get("value", 0.0))

    def at_signal(
        self, signal: ArrayLike, inputs: Inputs = NO_INPUTS, errors: Errors = NO_ERRORS
    ) -> Array:
        """The equation at *signal* (volts, ohms), in the record's unit, before the barometer."""
        value = self.equation.value(np.asarray(signal, dtype=np.float64), inputs, errors)
        if self.equation.unit:
            value = units.convert(value, self.quantity, self.equation.unit, self.unit)
        return value

    def _to_quantity(
        self,
        value: Array,
        inputs: Inputs,
        errors: Errors,
        status: NDArray[np.uint8] | None = None,
    ) -> tuple[Array, NDArray[np.uint8]]:
        """Add or take off the barometer; a missing barometer is flagged."""
        if status is None:
            status = np.zeros(np.shape(value), dtype=np.uint8)
        if self.record.pressure is None:
            return value, status
        name = self.record.pressure.barometer
        ambient = np.asarray(inputs[name], dtype=np.float64) + np.asarray(errors.get(name, 0.0))
        ambient = units.convert(ambient, "absolute_pressure", "kPa", self.unit)
        sign = 1.0 if self.quantity == "absolute_pressure" else -1.0
        value = value + sign * ambient
        status[~np.isfinite(value)] |= OUT_OF_RANGE
        return np.where(np.isfinite(value), value, np.nan), status

    def _saturation(self, raw: NDArray[Any]) -> NDArray[np.uint8]:
        status = np.zeros(raw.shape, dtype=np.uint8)
        rails = self.record.signal.rails
        if rails is not None:
            status[raw <= rails[0]] |= SATURATED_LOW
            status[raw >= rails[1]] |= SATURATED_HIGH
        return status

    def _beyond_range(self, value: Array) -> NDArray[np.bool_]:
        if self.range is None:
            return np.zeros(value.shape, dtype=np.bool_)
        low, high = self.range
        slack = 1e-9 * (high - low)
        return np.asarray((value < low - slack) | (value > high + slack))

    @cached_property
    def range(self) -> tuple[float, float] | None:
        """What the sensor is good for, in the record's unit, before the barometer."""
        return sensor_range(self.record, self.equation)

    @cached_property
    def limits(self) -> faults.Limits | None:
        """Fault limits derived from the ends of the curve; None when it has no ends.

        On the volts at the terminal, or on the value where the equation needs other channels.
        """
        if self.range is None:
            return None
        if self.equation.inputs:
            return faults.limits(self.range)
        ends = np.array(self.range)
        if self.equation.unit:
            ends = units.convert(ends, self.quantity, self.unit, self.equation.unit)
        terminal = self.record.signal.terminal_of(self.equation.signal(ends, {}))
        return faults.limits((float(terminal.min()), float(terminal.max())), self._broken_wire)

    @property
    def _broken_wire(self) -> tuple[float, float] | None:
        """Terminal volts of a short and of an open wire; None for a direct signal."""
        signal = self.record.signal
        rails = signal.rails
        if rails is None:
            return None
        if signal.pull_up_ohm is not None:
            return 0.0, signal.pull_up_v
        low, high = (rail * signal.volt_per_count for rail in rails)
        return low - signal.ground_offset_v, high - signal.ground_offset_v

    # --- counts have few values: one look-up instead of the whole chain

    def _countable(self, raw: NDArray[Any]) -> bool:
        rails = self.record.signal.rails
        if rails is None or self.input_units or raw.dtype.kind not in "iu":
            return False
        counts = rails[1] - rails[0]
        return (
            counts < 2**_LOOKUP_BITS
            and raw.size > counts
            and bool(raw.min() >= rails[0] and raw.max() <= rails[1])
        )

    @cached_property
    def _every_count(self) -> tuple[Array, NDArray[np.uint8]]:
        rails = self.record.signal.rails
        assert rails is not None
        return self._apply(np.arange(rails[0], rails[1] + 1), NO_INPUTS)

    @property
    def _lowest_count(self) -> int:
        rails = self.record.signal.rails
        assert rails is not None
        return int(rails[0])

    def _check_inputs(self, inputs: Inputs) -> None:
        missing = [name for name in self.inputs if name not in inputs]
        if missing:
            raise CalibrationError(
                f"calibration {self.name} of {self.channel}: needs the values of "
                f"{', '.join(missing)}, which are not given"
            )

    # --- uncertainty

    def uncertainty(
        self,
        raw: NDArray[Any],
        inputs: Inputs = NO_INPUTS,
        *,
        noise: ArrayLike = 0.0,
        input_uncertainty: Mapping[str, ArrayLike] = MappingProxyType({}),
    ) -> Array:
        """Combined standard uncertainty of the values, in the record's unit, shape of *raw*.

        *noise* is the standard deviation of the raw reading (type A), *input_uncertainty* that of
        the inputs where it is better known than in the record. Source: JCGM 100 5.1.2, 5.1.3.
        """
        parts = self.budget(raw, inputs, noise=noise, input_uncertainty=input_uncertainty)
        return combine(list(parts.values()), np.shape(raw))

    def budget(
        self,
        raw: NDArray[Any],
        inputs: Inputs = NO_INPUTS,
        *,
        noise: ArrayLike = 0.0,
        input_uncertainty: Mapping[str, ArrayLike] = MappingProxyType({}),
    ) -> dict[str, Array]:
        """Each source's contribution to the standard uncertainty, in the record's unit."""
        raw = np.asarray(raw)
        self._check_inputs(inputs)
        sources = self.sources(raw, inputs, noise=noise, input_uncertainty=input_uncertainty)
        return contributions(
            lambda errors: self.value(raw, inputs, errors),
            sources,
            self.equation.parameter_covariance,
            relative=self.record.uncertainty.relative,
        )

    def sources(
        self,
        raw: NDArray[Any],
        inputs: Inputs = NO_INPUTS,
        *,
        noise: ArrayLike = 0.0,
        input_uncertainty: Mapping[str, ArrayLike] = MappingProxyType({}),
    ) -> tuple[Source, ...]:
        """Every source of uncertainty that is not zero, beside the parameters' covariance."""
        signal, known = self.record.signal, self.record.uncertainty
        others: dict[str, Any] = {}
        if signal.supply:
            others[signal.supply] = signal.supply_uncertainty_v
        others |= {**self.equation.uncertainties, **known.inputs, **input_uncertainty}
        reference = self.record.reference
        step = 0.5 if raw.dtype.kind in "iu" else 0.0
        sources = (
            Source("resolution", "raw", rectangular(step), "rectangular"),
            Source("noise", "raw", noise),
            Source("gain", "gain", signal.gain_uncertainty),
            Source("offset", "offset", signal.offset_uncertainty_v),
            Source("pull-up", "pull_up", signal.pull_up_uncertainty),
            *(Source(name, name, u) for name, u in others.items()),
            Source("equation", "value", self._equation_error(raw, inputs), "rectangular"),
            Source("sensor", "value", known.value),
            Source("reference", "value", reference.standard_uncertainty if reference else 0.0),
        )
        return tuple(source for source in sources if np.any(np.asarray(source.standard) != 0.0))

    def _equation_error(self, raw: NDArray[Any], inputs: Inputs) -> ArrayLike:
        _, value = self._chain(raw, inputs, NO_ERRORS)
        own = self.equation.unit
        if not own:
            return self.equation.value_error(value)
        error = self.equation.value_error(units.convert(value, self.quantity, self.unit, own))
        return units.spread(error, self.quantity, own, self.unit)

    # --- whether to rely on it

    def state(self, now: datetime.datetime, sensor_serial: str = "") -> list[Finding]:
        """What a user must know at *now* (with offset), with the sensor that is fitted.

        Empty when the record is sealed, valid, traceable and made for this sensor.
        """
        return findings(
            self.record,
            self.record_sha256,
            now,
            sensor_serial,
            traceable=self.traceable,
            states_uncertainty=self.states_uncertainty,
        )

    @property
    def states_uncertainty(self) -> bool:
        """Something is known about the sensor's uncertainty, beside resolution and noise."""
        known, reference = self.record.uncertainty, self.record.reference
        equation = self.equation
        return bool(
            known.value
            or known.relative
            or (reference is not None and reference.expanded_uncertainty)
            or equation.parameter_covariance.any()
            or np.any(equation.value_error(np.zeros(1)))
        )

    @property
    def traceable(self) -> bool:
        """A reference certificate that was valid at the calibration is on record.

        Source: JCGM 200 2.41: traceability is a documented unbroken chain of calibrations.
        """
        return certified(self.record)
