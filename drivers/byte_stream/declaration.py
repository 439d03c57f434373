"""A declared byte stream, key by key: what a TOML file may say of frames and fields."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, NamedTuple

from daq import units
from daq.config import key
from daq.declared import LineSettings, Pattern, Poll, hex_bytes, numbered
from daq.driver import NAME, Channel, Stream
from daq.wire.checksum import Checksum
from daq.wire.framing import COBS_DELIMITER, SLIP_DELIMITER

ByteOrder = Literal["big", "little", "big_low_word_first", "little_high_word_first"]
Type = Literal["u8", "u16", "u24", "u32", "i8", "i16", "i24", "i32", "f32", "f64"]
_BITS = re.compile(r"(\d+):(\d)(?:-(\d))?")
LARGEST = 4096
DISPLAY_BITS = 32


class Bits(NamedTuple):
    """A run of bits of one byte, lowest bit 0."""

    byte: int
    low: int
    width: int

    @classmethod
    def of(cls, name: str, text: str) -> Bits:
        """From ``BYTE:BIT`` or ``BYTE:LOW-HIGH``; ValueError naming the key otherwise."""
        match = _BITS.fullmatch(text)
        low, high = (int(match[2]), int(match[3] or match[2])) if match else (1, 0)
        if match is None or not low <= high <= 7:
            raise ValueError(f"{name}: expected BYTE:BIT or BYTE:LOW-HIGH, got {text!r}")
        return cls(int(match[1]), low, high - low + 1)


@dataclass(frozen=True)
class Where:
    """A number in a frame: a type at a byte, or some bits of it."""

    type: Type
    at: int = key(low=0, high=LARGEST, help="first byte, from 0")
    byte_order: ByteOrder | None = None
    bit: int = key(0, low=0, high=31, help="lowest bit, 0 the least significant")
    bits: int | None = key(None, low=1, high=32, help="number of bits; all when left out")

    def __post_init__(self) -> None:
        if self.type[0] == "f" and (self.bit or self.bits):
            raise ValueError("bit, bits: expected a whole-number type, not a floating one")
        if self.size % 2 and self.byte_order not in (None, "big", "little"):
            raise ValueError(f"byte_order: {self.type} has no words; expected big or little")
        if self.bit + self.width > 8 * self.size:
            raise ValueError(
                f"bits {self.bit} to {self.bit + self.width - 1} do not fit {self.type}"
            )

    @property
    def size(self) -> int:
        """Bytes of the type."""
        return int(self.type[1:]) // 8

    def columns(self, default: ByteOrder) -> list[int]:
        """Its bytes, the most significant first."""
        order = self.byte_order or default
        places = list(range(self.at, self.end))
        if order == "little":
            return places[::-1]
        if order == "big" or self.size % 2:
            return places
        words = [places[n : n + 2] for n in range(0, self.size, 2)]
        if order == "big_low_word_first":
            words.reverse()
        else:
            words = [word[::-1] for word in words]
        return [place for word in words for place in word]

    @property
    def width(self) -> int:
        """Bits of the number."""
        return self.bits or 8 * self.size - self.bit

    @property
    def end(self) -> int:
        """First byte behind it."""
        return self.at + self.size

    @property
    def signed(self) -> bool:
        """Two's complement over its own width."""
        return self.type[0] != "u"


@dataclass(frozen=True)
class Digits:
    """A number shown digit by digit: each digit is some bits, highest digit and bits first."""

    bits: tuple[tuple[str, ...], ...]
    codes: Mapping[str, int] = field(default_factory=dict)
    """Bit pattern to digit; the digits 0 to 9 themselves when left out. Others: no value."""
    negative: str = key("", help="the bit that says minus")
    point: Mapping[str, int] = field(default_factory=dict)
    """A bit, and how many decimals there are when it is set."""

    def __post_init__(self) -> None:
        if not self.bits or not all(self.bits):
            raise ValueError("bits: expected a list of bits for each digit")
        if len(self.bits) > 9:
            raise ValueError(f"bits: expected at most 9 digits, got {len(self.bits)}")
        for digit in self.places:
            if sum(place.width for place in digit) > 16:
                raise ValueError("bits: expected at most 16 bits for a digit")
        if any(not 0 <= digit <= 9 for digit in self.digit_of.values()):
            raise ValueError("codes: expected digits from 0 to 9 behind the =")
        if any(not 0 <= number <= 9 for _, number in self.points):
            raise ValueError("point: expected 0 to 9 decimals behind the =")
        self.minus  # noqa: B018 - raises when it is not sound

    @cached_property
    def places(self) -> list[list[Bits]]:
        """Bits of each digit."""
        return [[Bits.of("bits", text) for text in digit] for digit in self.bits]

    @cached_property
    def digit_of(self) -> dict[int, int]:
        """Digit of each code."""
        return numbered("codes", self.codes) or {n: n for n in range(10)}

    @cached_property
    def points(self) -> list[tuple[Bits, int]]:
        """Bits that set the number of decimals."""
        return [(Bits.of("point", text), number) for text, number in self.point.items()]

    @cached_property
    def minus(self) -> Bits | None:
        """The bit of the sign."""
        return Bits.of("negative", self.negative) if self.negative else None

    @property
    def end(self) -> int:
        """First byte behind all of it."""
        every = [place for digit in self.places for place in digit]
        every += [place for place, _ in self.points] + ([self.minus] if self.minus else [])
        return max(place.byte for place in every) + 1


@dataclass(frozen=True)
class Field:
    """One channel: where it lies, how it is scaled, what it means.

    ``value = scale * raw + offset`` in *unit*. Either *at* and *type*, or *digits*.
    """

    name: str
    unit: str = key(help="such as rpm, kPa, degC, %, or 1 for none")
    description: str = ""
    at: int | None = key(None, low=0, high=LARGEST, help="first byte, from 0")
    type: Type | None = None
    byte_order: ByteOrder | None = None
    bit: int = key(0, low=0, high=31, help="lowest bit, 0 the least significant")
    bits: int | None = key(None, low=1, high=32, help="number of bits; all when left out")
    digits: Digits | None = None
    scale: float = 1.0
    offset: float = 0.0
    quantity: str = ""
    kind: Literal["continuous", "state", "counter"] = "continuous"
    labels: Mapping[str, str] = key(factory=dict, help="raw number = 'meaning'")
    """Makes the channel a state."""
    missing: tuple[int, ...] = ()
    """Raw numbers that mean that there is no value."""
    valid: tuple[float, float] | None = None
    """Lowest and highest raw number that is a value."""
    valid_when: str = key("", help="a bit, as BYTE:BIT, that is set while there is a value")
    low: float | None = key(None, help="lowest believable value")
    high: float | None = key(None, help="highest believable value")
    role: str = ""

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"name: expected a name like {NAME.pattern}, got {self.name!r}")
        if (self.digits is None) == (self.at is None and self.type is None):
            raise ValueError(f"field {self.name}: expected at and type, or digits")
        if self.digits is None and (self.at is None or self.type is None):
            raise ValueError(f"field {self.name}: at and type go together")
        if self.scale == 0:
            raise ValueError("scale: expected another number than 0")
        if self.valid is not None and self.valid[0] > self.valid[1]:
            raise ValueError(f"valid: expected the lowest first, got {list(self.valid)}")
        units.check(self.quantity, self.unit) if self.quantity else units.unit(self.unit)
        numbered("labels", self.labels)
        self.where, self.flag, self.channel("")  # each raises when it is not sound

    @cached_property
    def where(self) -> Where | None:
        """Where the number lies, None for digits."""
        if self.at is None or self.type is None:
            return None
        return Where(self.type, self.at, self.byte_order, self.bit, self.bits)

    @cached_property
    def flag(self) -> Bits | None:
        """The bit that says that there is a value."""
        return Bits.of("valid_when", self.valid_when) if self.valid_when else None

    @property
    def end(self) -> int:
        """First byte behind what the field needs."""
        place = self.digits or self.where
        assert place is not None
        return max(place.end, self.flag.byte + 1 if self.flag else 0)

    @property
    def decimal(self) -> bool:
        """The source delivers decimals."""
        if self.digits is not None:
            return bool(self.digits.point)
        return self.type in ("f32", "f64")

    def channel(self, source: str) -> Channel:
        """The channel that it becomes."""
        where = self.where
        return Channel(
            name=self.name,
            unit=self.unit,
            description=self.description or self.name.replace("_", " "),
            quantity=self.quantity,
            kind="state" if self.labels else self.kind,
            scale=self.scale,
            offset=self.offset,
            raw_bits=DISPLAY_BITS if where is None else where.width,
            raw_signed=True if where is None else where.signed,
            decimal=self.decimal,
            low=self.low,
            high=self.high,
            labels=numbered("labels", self.labels),
            role=self.role,
            source=source,
        )


@dataclass(frozen=True)
class Counted:
    """The length of a frame as it stands in the frame."""

    at: int = key(low=0, high=LARGEST)
    type: Literal["u8", "u16"] = "u8"
    byte_order: Literal["big", "little"] = "big"
    each: int = key(1, unit="B", low=1, high=64, help="bytes for each count")
    plus: int = key(0, unit="B", low=-64, high=LARGEST, help="bytes of the frame beside those")


@dataclass(frozen=True)
class FrameChecksum:
    """A checksum and where it stands; negative positions count from the frame's end."""

    sum: Checksum = key(help="such as { kind = 'crc', width = 16, polynomial = 0x1021 }")
    first: int = key(0, low=0, high=LARGEST, help="first byte that is summed")
    end: int | None = key(
        None, low=-64, high=-1, help="summed up to there, from the frame's end; up to itself else"
    )
    at: int | None = key(
        None, low=-64, high=-1, help="where it stands, from the frame's end; last when left out"
    )
    byte_order: Literal["big", "little"] = "big"
    written: Literal["binary", "hex"] = "binary"

    def __post_init__(self) -> None:
        if self.place + self.size > 0:
            raise ValueError(f"at: {self.size} bytes do not fit behind {self.place}")
        if self.stop > self.place:
            raise ValueError(f"end: expected at most {self.place}, where the checksum stands")

    @property
    def size(self) -> int:
        """Bytes that it takes."""
        return self.sum.size * (2 if self.written == "hex" else 1)

    @property
    def place(self) -> int:
        """Its first byte, from the frame's end."""
        return -self.size if self.at is None else self.at

    @property
    def stop(self) -> int:
        """End of what is summed, from the frame's end."""
        return self.place if self.end is None else self.end


@dataclass(frozen=True, kw_only=True)
class Counter(Where):
    """The device's own frame counter or tick: what puts its rows on its own clock."""

    kind: Literal["counter", "tick"] = "counter"
    rate_hz: float = key(unit="Hz", low=1e-3, high=1e9, help="nominal rate of counting")

    def __post_init__(self) -> None:
        super().__post_init__()
        if self.signed:
            raise ValueError(f"type: expected an unsigned one, got {self.type!r}")


@dataclass(frozen=True)
class Frame:
    """One kind of frame, which becomes one stream.

    Its length is given by exactly one of *length*, *counted*, *ends* (the delimiter in hex) and
    *coding*. Positions count from the first byte of the frame; with *coding*, from the first
    decoded byte; what *ends* a frame is not part of it.
    """

    name: str
    sync: str = key("", help="how a frame begins, in hex, ? for any half byte")
    length: int | None = key(None, unit="B", low=1, high=LARGEST)
    counted: Counted | None = None
    ends: str = key("", help="delimiter behind each frame, in hex")
    coding: Literal["", "cobs", "slip"] = ""
    longest: int = key(256, unit="B", low=1, high=LARGEST)
    confirm: bool = key(False, help="believe a frame only when the next one follows it")
    checksum: FrameChecksum | None = None
    counter: Counter | None = None
    field: tuple[Field, ...] = ()
    byte_order: ByteOrder = "big"
    rate_hz: float | None = key(None, unit="Hz", low=1e-3, high=1e5)
    cyclic: bool = False
    poll: Poll | None = None
    refused: str = key("", help="the answer that says no, in hex, ? for any half byte")

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"name: expected a name like {NAME.pattern}, got {self.name!r}")
        self._check_length()
        if self.poll is None and not self.sync and not self.delimiter:
            raise ValueError("sync: missing; expected how a frame begins, such as 'A5 5A'")
        if self.poll is None and not self.sync and self.checksum is None:
            raise ValueError("expected a sync or a checksum, or the rest of a cut frame would pass")
        if self.confirm and (self.delimiter or self.poll or not self.sync):
            raise ValueError("confirm: for frames with a sync, no delimiter and no poll")
        if not self.field:
            raise ValueError("field: expected at least one")
        names = [item.name for item in self.field]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"field: {', '.join(sorted(twice))}: declared more than once")
        self._check_places()
        self.refusal  # noqa: B018 - raises when it is not sound

    def _check_length(self) -> None:
        given = [self.length is not None, self.counted is not None, self.ends, self.coding]
        if sum(map(bool, given)) != 1:
            raise ValueError("expected exactly one of length, counted, ends and coding")
        if self.length is not None and self.length > self.longest:
            object.__setattr__(self, "longest", self.length)
        pattern = self.pattern
        if self.length is not None and pattern.size > self.length:
            raise ValueError(f"sync: {pattern.size} bytes do not fit a frame of {self.length}")
        self.delimiter  # noqa: B018 - raises when it is not sound

    def _check_places(self) -> None:
        end = self.longest if self.length is None else self.length
        if self.checksum is not None:
            if -self.checksum.place > end - self.checksum.first:
                raise ValueError("checksum: nothing is left between first and where it stands")
            end += self.checksum.place
        places = [(f"field {item.name}", item.end) for item in self.field]
        places += [("counter", self.counter.end)] if self.counter else []
        places += [("counted", self.counted.at + 2)] if self.counted else []
        for name, needed in places:
            if needed > end:
                raise ValueError(
                    f"{name}: reaches to byte {needed - 1}; expected at most {end - 1}"
                    f" ({'before the checksum' if self.checksum else 'the last one'})"
                )

    @cached_property
    def pattern(self) -> Pattern:
        """How a frame begins."""
        return Pattern.of("sync", self.sync)

    @cached_property
    def refusal(self) -> Pattern | None:
        """The answer that says no."""
        return Pattern.of("refused", self.refused) if self.refused else None

    @cached_property
    def delimiter(self) -> bytes:
        """What parts frames; empty when their length is known otherwise."""
        if self.coding:
            return COBS_DELIMITER if self.coding == "cobs" else SLIP_DELIMITER
        return hex_bytes("ends", self.ends)

    def stream(self, source: str) -> Stream:
        """The stream that it becomes."""
        rate_hz = self.poll.rate_hz if self.poll else self.rate_hz
        channels = tuple(item.channel(f"{source}: {self.name}.{item.name}") for item in self.field)
        if self.counter is None:
            return Stream(self.name, channels, rate_hz, cyclic=self.cyclic)
        counter = self.counter
        return Stream(self.name, channels, rate_hz, counter.rate_hz, counter.kind, self.cyclic)


@dataclass(frozen=True)
class Declaration:
    """A whole file: where it is from, the line, the frames."""

    source: str = key(help="where this layout is from: a document, or how it was found out")
    frame: tuple[Frame, ...] = key(help="[[frame]], one for each kind")
    line: LineSettings | None = None
    attempts: int = key(3, low=1, high=100, help="unanswered requests before it counts as lost")

    def __post_init__(self) -> None:
        if not self.frame:
            raise ValueError("frame: expected at least one")
        names = [frame.name for frame in self.frame]
        if len(set(names)) < len(names):
            raise ValueError(f"frame: names are not different: {', '.join(names)}")
        if len({frame.poll is None for frame in self.frame}) > 1:
            raise ValueError("poll: expected one for each frame or for none")
        if len({frame.delimiter for frame in self.frame}) > 1:
            raise ValueError("ends, coding: expected the same for each frame")
        requests = [frame.poll.data for frame in self.frame if frame.poll]
        if len(set(requests)) < len(requests):
            raise ValueError("poll: expected another request for each frame")

    @property
    def polled(self) -> bool:
        """The device only answers."""
        return self.frame[0].poll is not None
