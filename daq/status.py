"""Status bits of samples and of aligned points, the same in every file and on every screen."""

from __future__ import annotations

from enum import IntFlag


class SampleStatus(IntFlag):
    """Bits of a sample's status; 0 is a good sample."""

    SATURATED_LOW = 1
    SATURATED_HIGH = 2
    OUT_OF_RANGE = 4
    MISSING = 8
    """The row has no value of this channel: raw is 0, value is NaN."""
    GAP_BEFORE = 16
    CLOCK_SUSPECT = 32
    DRIVER_FLAGGED = 64
    OPERATOR_EXCLUDED = 128


class AlignedStatus(IntFlag):
    """Bits of an aligned point's status; 0 is a good point that needed no interpolation."""

    INTERPOLATED = 1
    HELD = 2
    STALE = 4
    NO_DATA = 8
    SATURATED = 16
    OUT_OF_RANGE = 32
    SUSPECT = 64
    OPERATOR_EXCLUDED = 128
