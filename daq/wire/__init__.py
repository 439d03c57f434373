"""Wires: serial lines and CAN buses, framing, checksums."""
