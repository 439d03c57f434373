"""For driver authors: the driver contract, simulated counterparts, clocks, faulty wires.

Imported by tests only; nothing that runs needs it.
"""

from daq.testing.clock import ManualClock
from daq.testing.contract import DriverContract, broken
from daq.testing.line import Line
from daq.testing.simulated import SerialDevice, Simulated, Truth
from daq.testing.watch import no_clock

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
