"""CAN frames as fixed records, as they lie in the journal.

Identifiers carry no flag bits: standard and extended ids with the same number are told apart by
``FLAG_EXTENDED``.
"""

from __future__ import annotations

import numpy as np

FRAME = np.dtype(
    [
        ("t_host", "<i8"),
        ("t_device", "<i8"),
        ("id", "<u4"),
        ("flags", "u1"),
        ("bus", "u1"),
        ("length", "u1"),
        ("spare", "u1"),
        ("data", "u1", (8,)),
    ]
)
"""A classical frame, 32 bytes.

``t_host``: CLOCK_MONOTONIC ns when the frame was read; ``t_device``: the interface's or kernel's
own stamp in ns, an untrusted clock, 0 for none; ``length``: data bytes 0 to 8.
"""

FRAME_FD = np.dtype(
    [
        ("t_host", "<i8"),
        ("t_device", "<i8"),
        ("id", "<u4"),
        ("flags", "u1"),
        ("bus", "u1"),
        ("length", "u1"),
        ("spare", "u1"),
        ("data", "u1", (64,)),
    ]
)
"""A CAN FD frame, 88 bytes: the same with up to 64 data bytes."""

FLAG_EXTENDED = 1
FLAG_REMOTE = 2
FLAG_ERROR = 4
FLAG_FD = 8
FLAG_BITRATE_SWITCH = 16
FLAG_SENT = 32
"""The frame was sent by this logger or, in a recording, by whoever recorded it."""
