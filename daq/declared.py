"""What declarations of byte streams and of text lines have in common: line, poll, hex patterns."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, TypeVar

from daq.config import key, load, parse_toml

T = TypeVar("T")


@dataclass(frozen=True)
class LineSettings:
    """How the line is set; the wire's own table must say the same."""

    baud: int = key(unit="Bd", low=50, high=12_000_000)
    data_bits: int = key(8, low=5, high=8)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: int = key(1, low=1, high=2)

    @property
    def words(self) -> str:
        """As the trade writes it, for example ``9600 Bd 8N1``."""
        return f"{self.baud} Bd {self.data_bits}{self.parity[0].upper()}{self.stop_bits}"


@dataclass(frozen=True, kw_only=True)
class Poll:
    """A request that the device answers with the frame or message it stands in.

    Exactly one of *request* (hex) and *text* (taken as Latin-1).
    """

    request: str = key("", help="hex bytes, checksum included")
    text: str = key("", help="text, line end included")
    rate_hz: float = key(unit="Hz", low=0.001, high=1000)
    timeout_s: float = key(0.2, unit="s", low=0.005, high=30)
    echo: bool = key(False, help="the line gives back what is sent, before the answer")

    def __post_init__(self) -> None:
        if bool(self.request) == bool(self.text):
            raise ValueError("expected exactly one of request (hex) and text")
        if not self.data:
            raise ValueError("request: expected at least one byte")

    @property
    def data(self) -> bytes:
        """The bytes to send."""
        if self.request:
            return hex_bytes("request", self.request)
        try:
            return self.text.encode("latin-1")
        except UnicodeEncodeError as error:
            raise ValueError(f"text: {self.text[error.start]!r} is not one byte") from None


def hex_bytes(name: str, text: str) -> bytes:
    """Bytes of key *name* from hex text; ValueError naming the key otherwise."""
    try:
        return bytes.fromhex(text)
    except ValueError:
        raise ValueError(f"{name}: expected hex bytes such as 'A5 0F', got {text!r}") from None


@dataclass(frozen=True)
class Pattern:
    """Bytes in which a half byte may be anything, written ``A5 4? ??``."""

    text: str
    regex: bytes
    size: int

    @classmethod
    def of(cls, name: str, text: str) -> Pattern:
        """The pattern of key *name*; ValueError naming the key when it is none."""
        compact = re.sub(r"\s+", "", text).upper()
        if len(compact) % 2 or not re.fullmatch(r"[0-9A-F?]*", compact):
            raise ValueError(
                f"{name}: expected hex bytes such as 'A5 4? ??' (? for any half byte), got {text!r}"
            )
        pairs = [compact[n : n + 2] for n in range(0, len(compact), 2)]
        return cls(" ".join(pairs), b"".join(map(_any_of, pairs)), len(pairs))


def _any_of(pair: str) -> bytes:
    """Regular expression for the bytes that a pair such as ``4?`` stands for."""
    if pair == "??":
        return rb"[\x00-\xff]"
    high = "0123456789ABCDEF" if pair[0] == "?" else pair[0]
    low = "0123456789ABCDEF" if pair[1] == "?" else pair[1]
    codes = "".join(f"\\x{h}{c}" for h in high for c in low)
    return f"[{codes}]".encode()


def numbered(name: str, table: Mapping[str, T]) -> dict[int, T]:
    """A table whose keys are numbers, as 12 or 0x0C; ValueError naming the key otherwise."""
    try:
        return {int(number, 0): value for number, value in table.items()}
    except ValueError:
        raise ValueError(
            f"{name}: expected numbers such as 12 or 0x0C before the =, got {list(table)}"
        ) from None


def read_declaration(cls: type[T], path: Path, documents: Mapping[str, bytes]) -> T:
    """The declaration in the document *path*.

    Raises ConfigError with every mistake, each by its file and key.
    """
    found: T = _read(cls, str(path), documents[str(path)])  # type: ignore[arg-type]
    return found


@lru_cache(maxsize=64)
def _read(cls: type[Any], name: str, content: bytes) -> Any:
    table = parse_toml(content, name)
    return load(cls, table, file=name)
