"""A declared text instrument, key by key: what a TOML file may say of lines and their parts."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from daq import units
from daq.config import key
from daq.declared import LineSettings, Poll
from daq.driver import NAME, Channel, Stream
from daq.wire.checksum import Checksum

CHECKED, CHECKSUM = "checked", "checksum"
"""Groups of a pattern: the text that is summed, and the sum in hex digits."""
WHOLE_BITS = 48


@dataclass(frozen=True)
class Field:
    """One part of a line that becomes a channel: a number, or with *labels* a state.

    ``value = scale * number + offset`` in *unit*. A text of *states* stands in the number's place
    and means that there is no value; which one it was becomes a channel of its own.
    """

    name: str
    unit: str = "1"
    group: str = key("", help="group of the pattern or name of the column; its own name else")
    description: str = ""
    number: Literal["decimal", "whole", "hex"] = "decimal"
    decimal_mark: Literal[".", ","] = "."
    scale: float = 1.0
    offset: float = 0.0
    quantity: str = ""
    kind: Literal["continuous", "counter"] = "continuous"
    labels: Mapping[str, str] = key(factory=dict, help="TEXT = 'meaning'")
    """The part is a state and no number."""
    states: Mapping[str, str] = key(factory=dict, help="TEXT = 'meaning', such as over range")
    """Texts that stand instead of a number."""
    valid: tuple[float, float] | None = None
    """Lowest and highest number, as it is written, that is a value."""
    valid_when: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """Another part of the line, and its texts while there is a value."""
    low: float | None = key(None, help="lowest believable value")
    high: float | None = key(None, help="highest believable value")
    role: str = ""

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"name: expected a name like {NAME.pattern}, got {self.name!r}")
        if self.labels and self.states:
            raise ValueError("labels, states: expected one of them, not both")
        if self.scale == 0:
            raise ValueError("scale: expected another number than 0")
        if self.valid is not None and self.valid[0] > self.valid[1]:
            raise ValueError(f"valid: expected the lowest first, got {list(self.valid)}")
        units.check(self.quantity, self.unit) if self.quantity else units.unit(self.unit)
        self.channels("")

    @property
    def part(self) -> str:
        """Group or column that it is read from."""
        return self.group or self.name

    @property
    def state_name(self) -> str:
        """Channel that says why there is no value."""
        return f"{self.name}_state"

    def channels(self, source: str) -> tuple[Channel, ...]:
        """The channel that it becomes, and the one of its states."""
        words = self.description or self.name.replace("_", " ")
        if self.labels:
            return (self._state(self.name, words, list(self.labels.values()), source),)
        decimal = self.number == "decimal"
        value = Channel(
            name=self.name,
            unit=self.unit,
            description=words,
            quantity=self.quantity,
            kind=self.kind,
            scale=self.scale,
            offset=self.offset,
            raw_bits=64 if decimal else WHOLE_BITS,
            decimal=decimal,
            low=self.low,
            high=self.high,
            role=self.role,
            source=source,
        )
        if not self.states:
            return (value,)
        meanings = ["value", *self.states.values()]
        return value, self._state(self.state_name, f"state of {words}", meanings, source)

    @staticmethod
    def _state(name: str, words: str, meanings: list[str], source: str) -> Channel:
        return Channel(
            name=name,
            unit="1",
            description=words,
            quantity="state",
            kind="state",
            raw_bits=16,
            labels=dict(enumerate(meanings)),
            source=source,
        )


@dataclass(frozen=True)
class Message:
    """One kind of line, which becomes one stream: by a *pattern* or by *columns*."""

    name: str
    pattern: str = key("", help="regular expression for the whole line, with named groups")
    columns: tuple[str, ...] = ()
    """Names of the columns in their order; an empty one is not read."""
    separator: str = key(",", help="what parts the columns; ' ' for any white space")
    checksum: Checksum | None = None
    field: tuple[Field, ...] = ()
    rate_hz: float | None = key(None, unit="Hz", low=1e-4, high=1e4)
    cyclic: bool = False
    poll: Poll | None = None
    refused: str = key("", help="regular expression for the answer that says no")

    def __post_init__(self) -> None:
        if not NAME.fullmatch(self.name):
            raise ValueError(f"name: expected a name like {NAME.pattern}, got {self.name!r}")
        if bool(self.pattern) == bool(self.columns):
            raise ValueError("expected exactly one of pattern and columns")
        if not self.separator:
            raise ValueError("separator: expected a text")
        if not self.field:
            raise ValueError("field: expected at least one")
        names = [channel.name for item in self.field for channel in item.channels("")]
        twice = {name for name in names if names.count(name) > 1}
        if twice:
            raise ValueError(f"field: {', '.join(sorted(twice))}: declared more than once")
        known = set(self.regex.groupindex) if self.pattern else set(self.columns) - {""}
        for item in self.field:
            for part in (item.part, *item.valid_when):
                if part not in known:
                    raise ValueError(
                        f"field {item.name}: no part of the line is called {part!r};"
                        f" known: {', '.join(sorted(known)) or 'none'}"
                    )
        if (self.checksum is not None) != ({CHECKED, CHECKSUM} <= known):
            raise ValueError(
                f"checksum: expected together with groups {CHECKED!r} and {CHECKSUM!r} of a pattern"
            )
        _compiled("refused", self.refused)

    @cached_property
    def regex(self) -> re.Pattern[str]:
        """The pattern; ValueError when it is none."""
        return _compiled("pattern", self.pattern)

    @cached_property
    def refusal(self) -> re.Pattern[str] | None:
        """The pattern of a refusal."""
        return _compiled("refused", self.refused) if self.refused else None

    def parts(self, line: str) -> dict[str, str] | None:
        """Texts by group or column, or None when the line is not of this kind."""
        if self.pattern:
            match = self.regex.fullmatch(line)
            return None if match is None else {k: v or "" for k, v in match.groupdict().items()}
        texts = line.split(None if self.separator == " " else self.separator)
        if len(texts) != len(self.columns):
            return None
        return dict(zip(self.columns, texts))

    def stream(self, source: str) -> Stream:
        """The stream that it becomes."""
        channels = [
            channel
            for item in self.field
            for channel in item.channels(f"{source}: {self.name}.{item.name}")
        ]
        rate_hz = self.poll.rate_hz if self.poll else self.rate_hz
        return Stream(self.name, tuple(channels), rate_hz, cyclic=self.cyclic)


@dataclass(frozen=True)
class Declaration:
    """A whole file: where it is from, the line, how lines end, what they say.

    Text is taken as Latin-1, so that every byte is a character; ``\\u00ff`` is byte FF.
    """

    source: str = key(help="where this is from: a document, or how it was found out")
    message: tuple[Message, ...] = key(help="[[message]], one for each kind of line")
    line: LineSettings | None = None
    terminator: str = "\r\n"
    longest: int = key(256, unit="B", low=1, high=4096)
    attempts: int = key(3, low=1, high=100, help="unanswered requests before it counts as lost")

    def __post_init__(self) -> None:
        if not self.message:
            raise ValueError("message: expected at least one")
        if not self.terminator or any(ord(letter) > 255 for letter in self.terminator):
            raise ValueError("terminator: expected characters of one byte, such as '\\r\\n'")
        names = [message.name for message in self.message]
        if len(set(names)) < len(names):
            raise ValueError(f"message: names are not different: {', '.join(names)}")
        if len({message.poll is None for message in self.message}) > 1:
            raise ValueError("poll: expected one for each message or for none")
        requests = [message.poll.data for message in self.message if message.poll]
        if len(set(requests)) < len(requests):
            raise ValueError("poll: expected another request for each message")

    @property
    def polled(self) -> bool:
        """The device only answers."""
        return self.message[0].poll is not None


def _compiled(name: str, text: str) -> re.Pattern[str]:
    try:
        return re.compile(text)
    except re.error as error:
        raise ValueError(f"{name}: not a regular expression: {error}; got {text!r}") from None
