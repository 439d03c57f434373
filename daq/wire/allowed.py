"""What may leave on a CAN bus: requests that read, and nothing else.

Whatever any driver wants to send passes :func:`check_record`, at the one place where a driver's
bytes leave. Nothing that clears, writes, unlocks, resets or actuates is on the list, and nothing
that is not a diagnostic request at all.

Source: SAE J1979 / ISO 15031-5 (services 01 to 0A), ISO 14229-1 (UDS), ISO 14230-3 (KWP),
ISO 15765-4 (identifiers), from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Container

from daq.errors import DeviceError
from daq.wire.can import FLAG_EXTENDED
from daq.wire.isotp import FLOW_CONTROL, OVERFLOW, SINGLE

RECORD = struct.Struct("<qqIBBBB8s")
"""One record of daq.wire.can.FRAME: stamps, identifier, flags, bus, length, spare, data."""

FUNCTIONAL = 0x7DF
FUNCTIONAL_EXTENDED = 0x18DB33F1
ANY: Container[int] = range(256)
SERVICES: dict[int, Container[int]] = {
    0x01: ANY,  # current data
    0x02: ANY,  # freeze frame
    0x03: ANY,  # trouble codes
    0x06: ANY,  # monitor results
    0x07: ANY,  # pending trouble codes
    0x09: ANY,  # vehicle information
    0x0A: ANY,  # permanent trouble codes
    0x10: {0x01},  # session: the default one only
    0x19: ANY,  # read trouble codes
    0x1A: ANY,  # read identification (KWP)
    0x21: ANY,  # read local data (KWP)
    0x22: ANY,  # read data by identifier
    0x3E: {0x00, 0x01, 0x02, 0x80},  # keep-alive
    0x81: ANY,  # start communication (KWP)
    0x82: ANY,  # stop communication (KWP)
}
"""Service to the sub-functions that it may carry."""


def is_request_id(identifier: int, extended: bool) -> bool:
    """Whether *identifier* is one that a tester sends diagnostic requests on."""
    if extended:
        to_one = identifier & 0x1FFF00FF == 0x18DA00F1
        return identifier == FUNCTIONAL_EXTENDED or to_one
    return identifier == FUNCTIONAL or 0x7E0 <= identifier <= 0x7E7


def check_record(record: bytes) -> None:
    """Let one record of FRAME pass, or raise DeviceError naming its bytes and why it may not leave.

    A plain data frame: no remote frame, no error frame, no CAN FD.
    """
    if len(record) != RECORD.size:
        raise DeviceError(f"{record.hex().upper()} is not sent: not one record of {RECORD.size} B")
    _, _, identifier, flags, _, length, _, data = RECORD.unpack(record)
    if flags not in (0, FLAG_EXTENDED) or length > 8:
        raise DeviceError(
            f"{identifier:03X}#{data.hex().upper()} with flags {flags} and length {length}"
            " is not sent: no plain data frame"
        )
    check(identifier, bool(flags), data[:length])


def check(identifier: int, extended: bool, data: bytes) -> None:
    """Let a frame pass, or raise DeviceError naming its bytes and why it may not leave."""
    reason = _refusal(identifier, extended, data)
    if reason:
        digits = f"{identifier:08X}" if extended else f"{identifier:03X}"
        raise DeviceError(f"{digits}#{data.hex().upper()} is not sent: {reason}")


def _refusal(identifier: int, extended: bool, data: bytes) -> str:
    if not is_request_id(identifier, extended):
        return "its identifier is not one of diagnostic requests"
    kind = data[0] >> 4 if data else None
    if kind == FLOW_CONTROL:
        return _refused_flow(identifier, data)
    length = data[0] & 0x0F if data else 0
    if kind != SINGLE or not 1 <= length <= len(data) - 1:
        return "only whole requests in a single frame may leave"
    service, rest = data[1], data[2 : 1 + length]
    if service not in SERVICES:
        return f"service {service:02X} is not one that reads"
    allowed = SERVICES[service]
    if allowed is not ANY and (not rest or rest[0] not in allowed):
        return f"service {service:02X} may not carry {rest[:1].hex().upper() or 'nothing'}"
    return ""


def _refused_flow(identifier: int, data: bytes) -> str:
    if identifier in (FUNCTIONAL, FUNCTIONAL_EXTENDED):
        return "flow control goes to one ECU"
    if len(data) < 3 or data[0] & 0x0F > OVERFLOW:
        return "it is no flow control that the standard knows"
    return ""
