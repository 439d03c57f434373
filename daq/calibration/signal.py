"""Raw reading to the electrical signal that the sensor's equation starts from.

An analogue input: counts → volts at the ADC → volts at the terminal (front-end gain, ground
offset) → volts as they would be at the nominal supply (ratiometric sensors) → resistance (pull-up
or measuring current). Everything else is *direct*: a number in a unit, scaled.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.config import key

Array = NDArray[np.float64]
Errors = Mapping[str, Any]
"""Errors to assume in named steps of the chain, empty for the value itself."""


@dataclass(frozen=True)
class Signal:
    """The table ``[signal]`` of a calibration record."""

    kind: Literal["direct", "adc"] = "direct"
    unit: str = key("", help="unit of a direct signal after scaling")
    scale: float = key(1.0, help="direct: signal = scale * raw + offset")
    offset: float = 0.0

    bits: int | None = key(None, low=8, high=32, help="adc: resolution")
    signed: bool = False
    reference_v: float | None = key(None, unit="V", low=1e-3, high=1000, help="adc: full scale")
    gain: float = key(1.0, low=1e-6, high=1e6, help="volts at the terminal per volt at the ADC")
    ground_offset_v: float = key(0.0, unit="V", low=-5, high=5, help="reading of 0 V at the sensor")

    supply: str = key("", help="channel of the measured supply, for a ratiometric sensor")
    nominal_supply_v: float = key(5.0, unit="V", low=0.5, high=50)
    supply_tolerance: float = key(
        0.1, low=0, high=0.9, help="greatest deviation of the supply, as a fraction"
    )

    pull_up_ohm: float | None = key(None, unit="ohm", low=1, high=1e7)
    pull_up_to_v: float | None = key(
        None, unit="V", low=0.5, high=50, help="the supply of the pull-up; nominal when left out"
    )
    current_ma: float | None = key(None, unit="mA", low=1e-3, high=100, help="measuring current")

    gain_uncertainty: float = key(0.0, unit="1", low=0, help="standard, relative")
    offset_uncertainty_v: float = key(0.0, unit="V", low=0, help="standard")
    supply_uncertainty_v: float = key(0.0, unit="V", low=0, help="standard, of the measured supply")
    pull_up_uncertainty: float = key(0.0, unit="1", low=0, help="standard, relative")

    def __post_init__(self) -> None:
        if self.kind == "adc":
            self._check_adc()
        elif self.bits is not None or self.reference_v is not None:
            raise ValueError("bits and reference_v: expected with kind = 'adc', got 'direct'")
        elif self.unit != "V" and (self.supply or self._is_resistance):
            raise ValueError(
                f"supply, pull_up_ohm and current_ma: expected with a signal in V, "
                f"got unit = {self.unit!r}"
            )
        if self.pull_up_ohm is not None and self.current_ma is not None:
            raise ValueError("pull_up_ohm and current_ma: expected one of them, got both")
        if self.scale == 0.0:
            raise ValueError("scale: expected a number other than 0, got 0.0")

    def _check_adc(self) -> None:
        if self.bits is None or self.reference_v is None:
            raise ValueError("kind = 'adc' needs bits and reference_v (volts at full scale)")
        if self.unit:
            raise ValueError(f"unit: kind = 'adc' delivers volts or ohms, got {self.unit!r}")

    @property
    def _is_resistance(self) -> bool:
        return self.pull_up_ohm is not None or self.current_ma is not None

    @property
    def inputs(self) -> dict[str, str]:
        """Channels it needs, with the unit each is expected in."""
        return {self.supply: "V"} if self.supply else {}

    @property
    def output_unit(self) -> str:
        """Unit of the signal: ohm behind a pull-up or a current, V of an ADC, else as given."""
        if self._is_resistance:
            return "ohm"
        return "V" if self.kind == "adc" else self.unit

    @property
    def rails(self) -> tuple[float, float] | None:
        """Lowest and highest count an ADC can give; None for a direct signal."""
        if self.bits is None:
            return None
        if self.signed:
            return -(2.0 ** (self.bits - 1)), 2.0 ** (self.bits - 1) - 1
        return 0.0, 2.0**self.bits - 1

    @property
    def volt_per_count(self) -> float:
        """Volts at the terminal per count. Full scale is 2^bits counts (2^(bits-1) if signed)."""
        assert self.bits is not None
        assert self.reference_v is not None
        return self.gain * self.reference_v / 2.0 ** (self.bits - (1 if self.signed else 0))

    def terminal(self, raw: ArrayLike, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        """The signal before pull-up or current: what the fault limits are compared with."""
        counts = np.asarray(raw, dtype=np.float64)
        if "raw" in errors:
            counts = counts + errors["raw"]
        if self.kind == "direct":
            signal = counts * self.scale + self.offset
        else:
            signal = counts * self.volt_per_count
        if "gain" in errors:
            signal = signal * (1.0 + errors["gain"])
        if self.ground_offset_v or "offset" in errors:
            signal = signal - (self.ground_offset_v + errors.get("offset", 0.0))
        return signal * self._supply_ratio(inputs, errors) if self.supply else signal

    def _supply_ratio(self, inputs: Mapping[str, ArrayLike], errors: Errors) -> Array:
        """Nominal over measured supply; NaN where the supply is not believable."""
        supply = np.asarray(inputs[self.supply], dtype=np.float64)
        believable = np.abs(supply / self.nominal_supply_v - 1.0) <= self.supply_tolerance
        supply = supply + np.asarray(errors.get(self.supply, 0.0))
        return np.where(believable, self.nominal_supply_v, np.nan) / np.where(
            believable, supply, 1.0
        )

    def circuit(self, terminal: ArrayLike, errors: Errors) -> Array:
        """Terminal signal → what the equation takes (ohm behind a pull-up or a current).

        Resistor to ground: R = Rp V / (Vs - V). Infinite or negative results are NaN.
        Source: Ohm's law.
        """
        volts = np.asarray(terminal, dtype=np.float64)
        if self.current_ma is not None:
            return volts / (self.current_ma * 1e-3)
        if self.pull_up_ohm is None:
            return volts
        pull_up = self.pull_up_ohm * (1.0 + np.asarray(errors.get("pull_up", 0.0)))
        return divider_resistance(volts, pull_up, self.pull_up_v)

    def terminal_of(self, signal: ArrayLike) -> Array:
        """The inverse of :meth:`circuit`."""
        x = np.asarray(signal, dtype=np.float64)
        if self.current_ma is not None:
            return x * (self.current_ma * 1e-3)
        if self.pull_up_ohm is None:
            return x
        return divider_volts(x, self.pull_up_ohm, self.pull_up_v)

    @property
    def pull_up_v(self) -> float:
        """Volts that the pull-up goes to."""
        return self.nominal_supply_v if self.pull_up_to_v is None else self.pull_up_to_v

    def raw_of(self, terminal: ArrayLike, inputs: Mapping[str, ArrayLike]) -> Array:
        """The inverse of :meth:`terminal`: raw reading, not rounded."""
        value = np.asarray(terminal, dtype=np.float64)
        if self.supply:
            value = value / self._supply_ratio(inputs, {})
        value = value + self.ground_offset_v
        if self.kind == "direct":
            return (value - self.offset) / self.scale
        return value / self.volt_per_count


def divider_resistance(volts: ArrayLike, pull_up_ohm: ArrayLike, supply_v: ArrayLike) -> Array:
    """Ohms of a resistor to ground behind a pull-up; NaN unless 0 < V < supply.

    Source: Ohm's law, R = Rp V / (Vs - V).
    """
    v, top = np.asarray(volts, dtype=np.float64), np.asarray(supply_v, dtype=np.float64)
    v = np.where((v > 0) & (v < top), v, np.nan)
    return np.asarray(np.asarray(pull_up_ohm) * v / (top - v), dtype=np.float64)


def divider_volts(ohms: ArrayLike, pull_up_ohm: ArrayLike, supply_v: ArrayLike) -> Array:
    """Volts across a resistor to ground behind a pull-up. Source: Ohm's law."""
    r = np.asarray(ohms, dtype=np.float64)
    return np.asarray(np.asarray(supply_v) * r / (r + np.asarray(pull_up_ohm)), dtype=np.float64)
