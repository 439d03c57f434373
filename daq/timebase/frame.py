"""How long a frame occupies its wire: by so much it began before it could be read."""

from __future__ import annotations


def can_frame_s(bitrate: int, data_bytes: int, *, extended: bool) -> tuple[float, float]:
    """Shortest and longest duration in s of a classical data frame with the pause behind it.

    Source: ISO 11898-1, 44 or 64 bits beside the data and 3 of intermission; of the 34 or 54 bits
    and the data that are stuffed every fourth may be doubled (Davis et al. 2007).
    """
    fixed, stuffed = (64, 54) if extended else (44, 34)
    bits = fixed + 3 + 8 * data_bytes
    return bits / bitrate, (bits + (stuffed + 8 * data_bytes - 1) // 4) / bitrate
