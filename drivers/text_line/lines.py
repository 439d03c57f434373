"""Lines to numbers: which message a line is, whether it sums up, what its parts say."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from drivers.text_line.declaration import (
    CHECKED,
    CHECKSUM,
    WHOLE_BITS,
    Declaration,
    Field,
    Message,
)

_DECIMAL = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_WHOLE = re.compile(r"[+-]?\d{1,15}")
_HEX = re.compile(r"(0[xX])?[0-9A-Fa-f]{1,11}")
_WHITE = " \t\r\n\0"

Value = float | int | None
"""None where the line has no value."""


class Line(NamedTuple):
    """A sound line: number of its message, and a value for each of its channels."""

    kind: int
    values: tuple[Value, ...]


class Reader:
    """Reads lines by a declaration."""

    def __init__(self, declaration: Declaration) -> None:
        self.messages = declaration.message
        self.terminator = declaration.terminator.encode("latin-1")
        self.longest = declaration.longest

    def read(self, data: bytes) -> Line | bool:
        """A line without its end; True when it is of no declared kind, False when it is damaged.

        The first message whose pattern or number of columns fits decides.
        """
        if len(data) > self.longest:
            return False
        text = data.decode("latin-1").strip(_WHITE)
        for kind, message in enumerate(self.messages):
            parts = message.parts(text)
            if parts is not None:
                values = _values(message, parts)
                return False if values is None else Line(kind, values)
        return True

    def columns(
        self, kind: int, lines: Sequence[Line]
    ) -> tuple[dict[str, NDArray[Any]], dict[str, NDArray[np.bool_]]]:
        """Raw numbers and what is missing, by channel, of lines of one kind."""
        raw: dict[str, NDArray[Any]] = {}
        missing: dict[str, NDArray[np.bool_]] = {}
        channels = [c for item in self.messages[kind].field for c in item.channels("")]
        for channel, values in zip(channels, zip(*(line.values for line in lines))):
            gone = np.array([value is None for value in values])
            numbers = [0 if value is None else value for value in values]
            raw[channel.name] = np.array(numbers, np.float64 if channel.decimal else np.int64)
            if gone.any():
                missing[channel.name] = gone
        return raw, missing


def _values(message: Message, parts: dict[str, str]) -> tuple[Value, ...] | None:
    """A value for each channel; None when a part is neither a number nor a declared text."""
    if message.checksum is not None and not _sums_up(message, parts):
        return None
    values: list[Value] = []
    for item in message.field:
        found = _labelled(item, parts) if item.labels else _numbered(item, parts)
        if found is None:
            return None
        values += found
    return tuple(values)


def _labelled(item: Field, parts: dict[str, str]) -> list[Value] | None:
    texts = list(item.labels)
    text = parts[item.part].strip(_WHITE)
    return [texts.index(text)] if text in texts else None


def _numbered(item: Field, parts: dict[str, str]) -> list[Value] | None:
    text = parts[item.part].strip(_WHITE)
    if text in item.states:
        return [None, 1 + list(item.states).index(text)]
    value = number(item, text)
    if text and value is None:
        return None
    if value is not None and item.valid and not item.valid[0] <= value <= item.valid[1]:
        value = None
    if any(parts[part].strip(_WHITE) not in texts for part, texts in item.valid_when.items()):
        value = None
    if not item.states:
        return [value]
    return [value, 0 if text else None]


def number(item: Field, text: str) -> Value:
    """The number that *text* is, None when it is none."""
    compact = text.replace(" ", "")
    if item.number == "hex":
        return int(compact, 16) if _HEX.fullmatch(compact) else None
    if item.number == "whole":
        value = int(compact) if _WHOLE.fullmatch(compact) else None
        return value if value is not None and abs(value) < 1 << (WHOLE_BITS - 1) else None
    if item.decimal_mark == ",":
        compact = compact.replace(".", "x").replace(",", ".")
    if not _DECIMAL.fullmatch(compact):
        return None
    found = float(compact)
    return found if math.isfinite(found) else None


def _sums_up(message: Message, parts: dict[str, str]) -> bool:
    assert message.checksum is not None
    if not re.fullmatch(r"[0-9A-Fa-f]+", parts[CHECKSUM]):
        return False
    return message.checksum.of(parts[CHECKED].encode("latin-1")) == int(parts[CHECKSUM], 16)
