"""The calibration record as a document: TOML that people read, canonical JSON that is hashed."""

from __future__ import annotations

import datetime
import hashlib
import json
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

from daq.calibration.signal import Signal
from daq.config import key
from daq.errors import ConfigError

FORMAT = "daq-calibration/1"


@dataclass(frozen=True)
class Range:
    """``[range]``: what the sensor is good for, in the record's unit."""

    low: float
    high: float

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise ValueError(f"expected low below high, got {self.low!r} and {self.high!r}")


@dataclass(frozen=True)
class Pressure:
    """``[pressure]``: the sensor's own reference, and the barometer that turns it into ours."""

    measured: Literal["gauge_pressure", "absolute_pressure"]
    barometer: str = key(help="channel of the ambient pressure, absolute")


@dataclass(frozen=True)
class Uncertainty:
    """``[uncertainty]``: standard uncertainties that are known beforehand (type B)."""

    value: float = key(0.0, low=0, help="of the value, in the record's unit")
    relative: float = key(0.0, low=0, help="of the value, as a fraction of it")
    inputs: dict[str, float] = field(default_factory=dict)
    """Of a channel it needs, in that channel's unit."""


@dataclass(frozen=True)
class Sensor:
    """``[sensor]``: the very sensor that was calibrated."""

    manufacturer: str = ""
    model: str = ""
    serial: str = ""


@dataclass(frozen=True)
class Performed:
    """``[performed]``: when, by whom, where and how."""

    at: str = key(help="date and time, ISO 8601 with offset")
    by: str = key(help="name of the person")
    location: str = ""
    method: str = ""
    condition: Literal["", "before adjustment", "after adjustment"] = ""
    valid_until: str = key("", help="date or date and time, ISO 8601")

    def __post_init__(self) -> None:
        for name in ("at", "valid_until"):
            if getattr(self, name):
                moment(getattr(self, name), name)


@dataclass(frozen=True)
class Reference:
    """``[reference]``: the instrument that gave the reference values."""

    name: str
    manufacturer: str = ""
    model: str = ""
    serial_number: str = ""
    certificate: str = key("", help="number of its calibration certificate")
    certificate_valid_until: str = ""
    expanded_uncertainty: float | None = key(None, low=0, help="in the record's unit")
    coverage_factor: float = key(2.0, low=1, high=10)

    def __post_init__(self) -> None:
        if self.certificate_valid_until:
            moment(self.certificate_valid_until, "certificate_valid_until")

    @property
    def standard_uncertainty(self) -> float:
        """Of the reference values, common to all points."""
        return (self.expanded_uncertainty or 0.0) / self.coverage_factor


@dataclass(frozen=True)
class Environment:
    """``[environment]``: conditions during the calibration."""

    temperature_degc: float | None = key(None, unit="degC", low=-40, high=80)
    pressure_kpa: float | None = key(None, unit="kPa", low=50, high=120)
    relative_humidity_percent: float | None = key(None, unit="%", low=0, high=100)


@dataclass(frozen=True)
class Point:
    """``[[point]]``: one point of the evidence.

    ``indication`` is the signal that the equation takes (volts, ohms, counts of a direct signal),
    ``reference`` the reference value in the record's unit.
    """

    indication: float
    reference: float
    reference_uncertainty: float = key(0.0, low=0, help="standard, in the record's unit")
    indication_noise: float = key(0.0, low=0, help="standard deviation of the reading")
    direction: Literal["", "up", "down"] = ""


@dataclass(frozen=True, kw_only=True)
class Record:
    """A calibration record, key by key as it stands in the file."""

    format: str = key(choices=(FORMAT,))
    channel: str
    model: str
    quantity: str
    unit: str
    equation: dict[str, Any]
    id: str = ""
    signal: Signal = field(default_factory=Signal)
    range: Range | None = None
    pressure: Pressure | None = None
    uncertainty: Uncertainty = field(default_factory=Uncertainty)
    sensor: Sensor = field(default_factory=Sensor)
    performed: Performed | None = None
    reference: Reference | None = None
    environment: Environment = field(default_factory=Environment)
    point: tuple[Point, ...] = ()
    origin: str = key("", help="where the numbers come from: a data sheet, a certificate")
    supersedes: str = key("", help="id of the record before this one")
    note: str = ""
    sha256: str = key("", help="content hash, written by the program")


def read(data: bytes, name: str) -> dict[str, Any]:
    """The tables of a record's TOML, dates as ISO text. Raises ConfigError naming the file."""
    try:
        table: dict[str, Any] = plain(tomllib.loads(data.decode("utf-8")))
    except UnicodeDecodeError as error:
        raise ConfigError(f"{name}: byte {error.start} is not UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{name}: not valid TOML: {error}") from None
    return table


def plain(value: Any) -> Any:
    """TOML values as JSON knows them: dates and times become ISO 8601 text."""
    if isinstance(value, Mapping):
        return {str(name): plain(item) for name, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, datetime.date | datetime.time):
        return value.isoformat()
    return value


def canonical(table: Mapping[str, Any]) -> str:
    """Canonical JSON of a record: sorted keys, compact, without its own hash.

    Raises ConfigError for infinite numbers and NaN, which JSON does not know.
    """
    content = {name: item for name, item in table.items() if name != "sha256"}
    try:
        return json.dumps(
            content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False
        )
    except ValueError:
        raise ConfigError("a number is infinite or NaN; expected finite numbers") from None


def content_hash(table: Mapping[str, Any]) -> str:
    """SHA-256 of :func:`canonical`, as 64 hexadecimal digits."""
    return hashlib.sha256(canonical(table).encode("utf-8")).hexdigest()


def moment(text: str, name: str = "time") -> datetime.datetime:
    """A point in time from ISO 8601; a date alone is its end; without offset it is UTC.

    Raises ValueError naming *name*.
    """
    try:
        found = datetime.datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"{name}: expected a date as in 2026-03-31, got {text!r}") from None
    if len(text) <= 10:
        found = datetime.datetime.combine(found.date(), datetime.time.max)
    return found if found.tzinfo else found.replace(tzinfo=datetime.UTC)
