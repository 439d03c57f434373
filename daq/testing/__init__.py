"""For driver authors: the driver contract, simulated counterparts, clocks, faulty wires.

Imported by tests only; nothing that runs needs it.
"""

from daq.testing.clock import ManualClock, no_clock
from daq.testing.contract import DriverContract, broken
from daq.testing.line import Line
from daq.testing.simulated import SerialDevice, Simulated, Truth

__all__ = [
    "DriverContract",
    "Line",
    "ManualClock",
    "SerialDevice",
    "Simulated",
    "Truth",
    "broken",
    "no_clock",
]
