"""The serial-line CAN protocol: commands to an adapter, its lines to frames and back.

Source: the LAWICEL CAN232 manual (ASCII commands), as python-can and the Linux slcan driver
use it; from memory.
"""

from __future__ import annotations

BITRATES = {
    10_000: b"S0",
    20_000: b"S1",
    50_000: b"S2",
    100_000: b"S3",
    125_000: b"S4",
    250_000: b"S5",
    500_000: b"S6",
    800_000: b"S7",
    1_000_000: b"S8",
}
"""Bit rate in bit/s to the command that sets it."""


def open_commands(bitrate: int, listen_only: bool) -> bytes:
    """What opens an adapter's channel: empty its line, close, set the rate, open or listen.

    Raises ValueError for a rate that the protocol has no command for.
    """
    try:
        rate = BITRATES[bitrate]
    except KeyError:
        known = ", ".join(str(known) for known in BITRATES)
        raise ValueError(f"bitrate {bitrate} bit/s: an slcan adapter knows {known}") from None
    return b"\r\rC\r" + rate + (b"\rL\r" if listen_only else b"\rO\r")


def close_commands() -> bytes:
    """What closes an adapter's channel."""
    return b"\rC\r"
