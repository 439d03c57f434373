"""Device clocks on the host's clock, and when each row was sampled. Pure: no port, no clock.

An arrival bounds a sample from above and nothing else. Hundreds of such bounds against the
device's own tick or counter give its clock (:func:`device_clock`), and the clock gives every
row its time (:func:`stream_time`), with an uncertainty that says what cannot be observed.
"""

from daq.timebase.clockmap import PIECE, Anchors, ClockMap, Echo, device_clock
from daq.timebase.counting import Count, count_periods
from daq.timebase.frame import can_frame_s
from daq.timebase.live import LiveClock
from daq.timebase.stream import StreamTime, TimeFlag, stream_time

__all__ = [
    "PIECE",
    "Anchors",
    "ClockMap",
    "Count",
    "Echo",
    "LiveClock",
    "StreamTime",
    "TimeFlag",
    "can_frame_s",
    "count_periods",
    "device_clock",
    "stream_time",
]
