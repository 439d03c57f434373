"""The 5 V supply of the sensors, and the ground offset between sensor and input."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from daq.calibration.checks import Check, judge
from daq.calibration.uncertainty import type_a


class GroundOffset(NamedTuple):
    """What an input reads while the sensor's signal is at the sensor's own ground, in V."""

    volts: float
    uncertainty: float
    check: Check


def supply_check(readings_v: ArrayLike, nominal_v: float = 5.0, reference_v: float = 0.0) -> Check:
    """The measured supply against a voltmeter at the sensor's plug, or against its nominal value.

    Against a voltmeter ± 0.2 % and ± 1 %, against nominal ± 2 % and ± 5 %: common practice, no
    source. Raises ValueError for fewer than two finite readings.
    """
    volts = np.asarray(readings_v, dtype=np.float64)
    type_a(volts)
    expected = reference_v or nominal_v
    warn, refuse = (0.002, 0.01) if reference_v else (0.02, 0.05)
    against = "the voltmeter" if reference_v else f"{nominal_v:g} V"
    return judge(
        "supply",
        float(volts.mean()) - expected,
        warn * expected,
        refuse * expected,
        "V",
        f"supply minus {against}",
    )


def supply_ripple(readings_v: ArrayLike) -> Check:
    """Standard deviation of the supply: 10 mV warn, 50 mV refuse (common practice, no source)."""
    volts = np.asarray(readings_v, dtype=np.float64)
    return judge("supply_ripple", float(volts.std()), 0.010, 0.050, "V", "ripple of the supply")


def ground_offset(readings_v: ArrayLike) -> GroundOffset:
    """Offset from readings while signal and ground are bridged at the sensor's plug.

    It goes into the record as ``ground_offset_v``. 10 mV warn, 50 mV refuse: 50 mV on 0 to 5 V for
    AFR 10 to 20 is 0.1 AFR (limits: common practice, no source). Once with the engine off and once
    running, with fans and ignition on. Raises ValueError for fewer than two finite readings.
    """
    volts = np.asarray(readings_v, dtype=np.float64)
    uncertainty = type_a(volts)
    offset = float(volts.mean())
    check = judge("ground_offset", offset, 0.010, 0.050, "V", "ground offset")
    return GroundOffset(offset, uncertainty, check)
