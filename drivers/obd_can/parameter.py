"""What one parameter of service 01 is: where its values lie in its bytes, and in which unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.driver import Channel

SOURCE = "SAE J1979 / ISO 15031-5"
MEMORY = f"{SOURCE}, from memory"


@dataclass(frozen=True)
class Value:
    """One value of a parameter: *size* bytes from *first*, big-endian, ``scale * n + offset``."""

    name: str
    unit: str
    description: str
    first: int = 0
    size: int = 1
    scale: float = 1.0
    offset: float = 0.0
    signed: bool = False
    quantity: str = ""
    bit: int | None = None
    """Bit of the parameter's first byte that says whether the value is there."""
    none: int | None = None
    """The number that stands for no value."""
    bits: tuple[int, int] | None = None
    """(lowest, how many) of the bits of the number that are the value; None: all."""
    labels: Mapping[int, str] = field(default_factory=dict)
    clips: bool = False
    """Its highest number stands for anything above as well, so that it is not believed."""

    def raw(self, data: bytes) -> int | None:
        """The whole number in *data*, None when the ECU says that it does not have it."""
        end = self.first + self.size
        if len(data) < end or (self.bit is not None and not data[0] >> self.bit & 1):
            return None
        number = int.from_bytes(data[self.first : end], "big", signed=self.signed)
        if self.bits is not None:
            number = number >> self.bits[0] & ((1 << self.bits[1]) - 1)
        return None if number == self.none else number

    def channel(self, source: str) -> Channel:
        """The value as a channel."""
        return Channel(
            self.name,
            self.unit,
            self.description,
            quantity=self.quantity,
            kind="state" if self.labels else "continuous",
            scale=self.scale,
            offset=self.offset,
            raw_bits=8 * self.size,
            raw_signed=self.signed,
            high=((1 << 8 * self.size) - 2) * self.scale + self.offset if self.clips else None,
            labels=self.labels,
            source=source,
        )


@dataclass(frozen=True)
class Parameter:
    """One parameter: its number, the bytes of its answer at least, its values."""

    pid: int
    size: int
    values: tuple[Value, ...]
    source: str = SOURCE
    longest: int = 0
    """Bytes of its answer at most, when that varies: such a parameter is asked by itself."""
