"""Every sensor equation by the name that a calibration record calls it."""

from __future__ import annotations

from daq.calibration.equations import Equation, Linear, Polynomial, TwoPoint, Wideband
from daq.calibration.ntc import Beta, SteinhartHart
from daq.calibration.pulses import PulseInterval
from daq.calibration.rtd import CallendarVanDusen
from daq.calibration.table import Table
from daq.calibration.thermocouple import Thermocouple

MODELS: dict[str, type[Equation]] = {
    equation.model: equation
    for equation in (
        Linear,
        Polynomial,
        TwoPoint,
        Table,
        SteinhartHart,
        Beta,
        CallendarVanDusen,
        Thermocouple,
        Wideband,
        PulseInterval,
    )
}
