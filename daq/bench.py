"""The bench: its wires, devices, channels, roller sets and settings, from one TOML file."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar, Literal

from daq import registry
from daq.config import Problems, build, join, key, nearest, read_toml, to_plain
from daq.driver import NAME, Driver, Stream
from daq.engine_speed import Pickup, pulses_per_revolution
from daq.errors import ConfigError

Parity = Literal["none", "even", "odd"]
Ignition = Literal["", "distributor", "wasted_spark", "coil_on_plug", "one_lead", "all_coils"]
PICKUPS: dict[str, Pickup] = {
    "distributor": "common",
    "wasted_spark": "wasted_spark",
    "coil_on_plug": "one_coil",
    "one_lead": "one_lead",
    "all_coils": "all_coils",
}
"""Where an ignition pick-up sits; ``coil_on_plug`` is on one of them, ``all_coils`` joins them."""


@dataclass(frozen=True)
class WireConfig:
    """A port or bus."""

    kind: Literal["serial", "slcan", "socketcan"]
    port: str = key("", help="serial and slcan: device path, best a by-path or by-id link")
    channel: str = key("", help="socketcan: name of the network interface")
    baud: int = key(115200, unit="Bd", low=50, high=12_000_000)
    data_bits: int = key(8, low=5, high=8)
    parity: Parity = "none"
    stop_bits: int = key(1, low=1, high=2)
    bitrate: int = key(500_000, unit="bit/s", low=5_000, high=1_000_000, help="CAN only")
    listen_only: bool = key(True, help="CAN: never send, not even an acknowledge")

    def __post_init__(self) -> None:
        if self.kind == "socketcan" and not self.channel:
            raise ValueError("a socketcan wire needs channel, for example channel = 'can0'")
        if self.kind != "socketcan" and not self.port:
            raise ValueError(f"a {self.kind} wire needs port, for example '/dev/serial/by-id/...'")

    @property
    def family(self) -> str:
        """``serial`` or ``can``: what a driver asks for."""
        return "serial" if self.kind == "serial" else "can"

    @property
    def byte_ns(self) -> float:
        """Duration of one byte on a serial line in ns (start, data, parity and stop bits).

        0 for socketcan, whose frames arrive whole.
        """
        if self.kind == "socketcan":
            return 0.0
        bits = 1 + self.data_bits + (self.parity != "none") + self.stop_bits
        return 1e9 * bits / self.baud

    def facts(self) -> dict[str, Any]:
        """What goes into a preface."""
        return {"kind": self.kind, "byte_ns": self.byte_ns, "bitrate": self.bitrate}


@dataclass(frozen=True)
class LimitConfig:
    """Advisory bounds of one channel, in its unit: a warning first, then an alarm.

    A bound is one number, or as many as *load* has: then it is interpolated against the channel
    *against*; below the first load there is no bound, above the last the last one holds.
    """

    warn_low: float | tuple[float, ...] | None = key(None, help="in the channel's unit")
    warn_high: float | tuple[float, ...] | None = key(None, help="in the channel's unit")
    alarm_low: float | tuple[float, ...] | None = key(None, help="in the channel's unit")
    alarm_high: float | tuple[float, ...] | None = key(None, help="in the channel's unit")
    against: str = key("", help="the bench's name of the load channel, for example 'map'")
    load: tuple[float, ...] = key((), help="in that channel's unit, rising")
    hysteresis: float = key(0.0, low=0, help="so far back within a bound it is over")
    delay_s: float = key(0.0, unit="s", low=0, high=60, help="beyond for so long before it counts")

    BOUNDS: ClassVar[tuple[str, ...]] = ("alarm_low", "warn_low", "warn_high", "alarm_high")
    """From the lowest to the highest."""

    def __post_init__(self) -> None:
        given = {name: bound for name in self.BOUNDS if (bound := getattr(self, name)) is not None}
        if not given:
            raise ValueError(f"expected at least one of {', '.join(self.BOUNDS)}")
        if bool(self.against) != bool(self.load):
            raise ValueError("against, a channel's name, and load, a list, go together")
        if any(after <= before for before, after in pairwise(self.load)):
            raise ValueError(f"load: expected rising numbers, got {list(self.load)}")
        for name, bound in given.items():
            if isinstance(bound, tuple) and len(bound) != len(self.load):
                raise ValueError(
                    f"{name}: expected one number or {len(self.load)}, as load has; got"
                    f" {len(bound)}"
                )
        rows = {name: self._row(bound) for name, bound in given.items()}
        for (low, below), (high, above) in pairwise(rows.items()):
            if any(a > b for a, b in zip(below, above)):
                raise ValueError(f"{low} lies above {high}")

    def _row(self, bound: float | tuple[float, ...]) -> tuple[float, ...]:
        """A bound at every load."""
        return bound if isinstance(bound, tuple) else (bound,) * max(1, len(self.load))


@dataclass(frozen=True)
class ChannelConfig:
    """How the bench names and treats one channel of a device."""

    input: str = key(
        "", help="the driver's name of the channel; the table's own name when left out"
    )
    description: str = ""
    quantity: str = ""
    unit: str = key("", help="unit of the calibrated value; the driver's unit when left out")
    low: float | None = key(None, help="lowest believable value")
    high: float | None = key(None, help="highest believable value")
    role: str = key("", help="what the channel stands for, for example 'engine_speed'")
    calibration: str = key("", help="file of the calibration record, relative to this file")
    latency_s: float = key(0.0, unit="s", low=-10, high=60)
    latency_uncertainty_s: float | None = key(None, unit="s", low=0, high=60)
    limit: LimitConfig | None = None
    critical: bool = key(False, help="a run without it is not for power")
    location: str = ""
    sensor_model: str = ""
    sensor_serial: str = ""


@dataclass(frozen=True)
class DeviceConfig:
    """One device: its wire, its driver, the driver's own settings, its channels."""

    wire: str
    driver: str
    settings: Any
    channels: Mapping[str, ChannelConfig] = field(default_factory=dict)
    only_listed: bool = False


@dataclass(frozen=True)
class LoadCellConfig:
    """A force-measuring cell on a roller set's brake."""

    channel: str
    arm_m: float = key(unit="m", low=0.01, high=5)


@dataclass(frozen=True)
class RollerSetConfig:
    """One set of rollers that turn together."""

    encoder: str = key(help="channel of the count, as device.channel")
    counts_per_revolution: float = key(unit="1", low=1, high=1e6)
    circumference_m: float = key(unit="m", low=0.1, high=20)
    inertia_kg_m2: float = key(unit="kg.m^2", low=0.0, high=1e5)
    inertia_uncertainty_kg_m2: float | None = key(None, unit="kg.m^2", low=0)
    loss_a_n: float = key(0.0, unit="N")
    loss_b_n_s_m: float = key(0.0, unit="N.s/m")
    loss_c_n_s2_m2: float = key(0.0, unit="N.s^2/m^2")
    reversed: bool = False
    index_pulse: str = key("", help="digital input that rises once a turn, as device.channel")
    linked_with: str = ""
    load_cells: tuple[LoadCellConfig, ...] = ()


@dataclass(frozen=True)
class EngineConfig:
    """What turns pulses into engine speed, and air into exhaust flow.

    Either ``pulses_per_revolution``, or ``cylinders`` and ``ignition``, or a crank wheel.
    """

    cylinders: int | None = key(None, low=1, high=24)
    strokes: int = key(4, low=2, high=4)
    ignition: Ignition = key("", help="where the pick-up sits")
    pulses_per_revolution: float | None = key(None, unit="1", low=0.01, high=1000)
    uneven_firing: bool = False
    crank_teeth: int | None = key(None, low=4, high=400, help="pitches, with the missing teeth")
    crank_missing: int = key(1, low=1, high=4)
    rpm_max: float = key(8000.0, unit="1/min", low=500, high=30_000)
    blank_s: float | None = key(None, unit="s", low=0, high=0.1, help="a coil's repeated sparks")
    displacement_l: float | None = key(None, unit="l", low=0.02, high=30)
    volumetric_efficiency: float = key(0.85, unit="1", low=0.2, high=1.5)
    exhaust_volume_l: float | None = key(None, unit="l", low=0.05, high=50, help="valve to probe")
    exhaust_degc: float = key(600.0, unit="degC", low=0, high=1200, help="in that volume")
    probe_lag_s: float = key(0.07, unit="s", low=0, high=2, help="of the wideband sensor itself")
    hydrogen_per_carbon: float = key(1.7261, unit="1", low=0, high=4, help="atoms, of the fuel")
    oxygen_per_carbon: float = key(0.0176, unit="1", low=0, high=1, help="atoms, of the fuel")

    def __post_init__(self) -> None:
        if self.strokes not in (2, 4):
            raise ValueError("strokes: expected 2 or 4")
        if self.ignition and self.cylinders is None:
            raise ValueError("ignition says pulses per revolution only together with cylinders")
        if self.crank_teeth is not None and self.crank_teeth <= self.crank_missing + 2:
            raise ValueError(
                f"crank wheel {self.crank_teeth}-{self.crank_missing}: expected for"
                " example 60-2 or 36-1"
            )

    @property
    def pulses(self) -> float | None:
        """Pulses per revolution of the ignition pick-up; None where nothing says."""
        if self.pulses_per_revolution is not None:
            return self.pulses_per_revolution
        if not self.ignition or self.cylinders is None:
            return None
        return pulses_per_revolution(self.cylinders, PICKUPS[self.ignition], self.strokes)


@dataclass(frozen=True)
class StartConfig:
    """A run starts by itself when *channel* rises through *above*; never when that is left out.

    A crossing counts once the channel has been steady below for *steady_s*, so that driving up
    through the gears starts nothing.
    """

    channel: str = "roller_speed"
    above: float | None = key(None, help="in the channel's unit")
    steady_s: float = key(1.0, unit="s", low=0, high=60)


@dataclass(frozen=True)
class EndConfig:
    """One condition that ends the measurement; the first that is met ends it.

    Exactly one of *above*, *below*, *falls_percent* and *after_s*. ``falls_percent``: the channel,
    smoothed over *smooth_s*, has fallen so far below its highest since the start.
    """

    channel: str = ""
    above: float | None = key(None, help="in the channel's unit")
    below: float | None = key(None, help="in the channel's unit")
    falls_percent: float | None = key(None, unit="%", low=0.1, high=100)
    after_s: float | None = key(None, unit="s", low=0.1, high=3600)
    smooth_s: float = key(0.3, unit="s", low=0, high=10)

    def __post_init__(self) -> None:
        given = [self.above, self.below, self.falls_percent, self.after_s]
        if sum(value is not None for value in given) != 1:
            raise ValueError("expected exactly one of above, below, falls_percent and after_s")
        if (self.after_s is None) != bool(self.channel):
            raise ValueError("expected a channel, but for after_s, which takes none")


@dataclass(frozen=True)
class RunConfig:
    """How runs begin and end, and how they are cut and written."""

    folder: str = key("runs", help="where run files go, relative to this file")
    grid_rate_hz: float = key(100.0, unit="Hz", low=0.1, high=10_000)
    pretrigger_s: float = key(5.0, unit="s", low=0, high=600)
    start: StartConfig = StartConfig()
    end: tuple[EndConfig, ...] = ()
    after_end_s: float = key(60.0, unit="s", low=0, high=600, help="longest slow-down recorded")
    standstill_s: float = key(1.0, unit="s", low=0, high=30, help="standing for so long stops it")
    garage: str = key("garage", help="where vehicles are described, relative to this file")
    lamp: str = key("", help="what the driver sees, as device.output, for example 'unit.lamp'")
    buzzer: str = key("", help="what the driver hears, as device.output")


@dataclass(frozen=True)
class JournalConfig:
    """Where and how much of everything is kept."""

    folder: str = key("journal", help="relative to this file")
    part_bytes: int = key(256_000_000, unit="B", low=100_000)
    keep_bytes: int = key(20_000_000_000, unit="B", low=1_000_000)
    keep_days: float = key(90.0, unit="d", low=0.01)
    reserve_bytes: int = key(16_777_216, unit="B", low=0)


@dataclass(frozen=True)
class BenchConfig:
    """Name and place of the bench."""

    name: str
    workshop: str = ""
    location: str = ""
    latitude_deg: float | None = key(None, unit="degree", low=-90, high=90)
    altitude_m: float | None = key(None, unit="m", low=-500, high=6000)


@dataclass(frozen=True)
class AmbientConfig:
    """Ambient conditions where no sensor measures them."""

    pressure_kpa: float | None = key(None, unit="kPa", low=50, high=110)
    temperature_degc: float | None = key(None, unit="degC", low=-40, high=60)
    relative_humidity_percent: float | None = key(None, unit="%", low=0, high=100)


@dataclass(frozen=True)
class Bench:
    """A bench configuration with every file it names."""

    bench: BenchConfig
    wire: Mapping[str, WireConfig]
    device: Mapping[str, DeviceConfig]
    roller_set: Mapping[str, RollerSetConfig] = field(default_factory=dict)
    run: RunConfig = RunConfig()
    journal: JournalConfig = JournalConfig()
    ambient: AmbientConfig = AmbientConfig()
    engine: EngineConfig | None = None
    vehicle: Mapping[str, Any] = field(default_factory=dict)
    operator: str = ""
    folder: Path = Path()
    file_name: str = "bench.toml"
    documents: Mapping[str, bytes] = field(default_factory=dict)
    """Every file that makes up the configuration, by its name relative to the bench file; the
    bench file itself is among them under ``file_name``."""

    def driver(self, device: str) -> Driver:
        """A new driver object for *device*."""
        config = self.device[device]
        driver = registry.load(config.driver)(config.settings, self.documents)
        driver.wire = self.wire[config.wire].facts()
        return driver

    def streams(self, device: str, found: Mapping[str, Any]) -> tuple[Stream, ...]:
        """Streams of *device*; ConfigError when a listed channel does not exist."""
        streams = self.driver(device).streams(found)
        known = {channel.name for stream in streams for channel in stream.channels}
        problems = Problems(self.file_name)
        for name, channel in self.device[device].channels.items():
            wanted = channel.input or name
            if wanted not in known:
                problems.add(
                    f"device.{device}.channel.{name}",
                    f"the device has no channel {wanted!r}{nearest(wanted, known)}",
                )
        problems.raise_if_any()
        return streams

    def digest(self) -> str:
        """SHA-256 over the names and contents of all documents."""
        total = hashlib.sha256()
        for name in sorted(self.documents):
            total.update(f"{name}\0{len(self.documents[name])}\0".encode())
            total.update(self.documents[name])
        return total.hexdigest()


def load_bench(path: Path) -> Bench:
    """Read a bench file and everything it names.

    Raises ConfigError with all mistakes at once, each with its path in the file.
    """
    table = read_toml(path)
    documents = {path.name: path.read_bytes()}

    def fetch(name: str) -> bytes:
        return (path.parent / name).read_bytes()

    return _bench(table, path.name, documents, fetch, Problems(path), path.parent)


def bench_from_documents(documents: Mapping[str, bytes], file_name: str) -> Bench:
    """The bench as a journal or run file carries it, without touching the disk."""
    import tomllib

    table = tomllib.loads(documents[file_name].decode())

    def fetch(name: str) -> bytes:
        try:
            return documents[name]
        except KeyError:
            raise FileNotFoundError(2, "not among the recorded documents", name) from None

    return _bench(table, file_name, dict(documents), fetch, Problems(file_name), Path())


def _bench(
    table: dict[str, Any],
    file_name: str,
    documents: dict[str, bytes],
    fetch: Any,
    problems: Problems,
    folder: Path,
) -> Bench:
    simple = {
        "bench": BenchConfig,
        "run": RunConfig,
        "journal": JournalConfig,
        "ambient": AmbientConfig,
        "engine": EngineConfig,
    }
    grouped = {"wire": WireConfig, "roller_set": RollerSetConfig}
    known = {*simple, *grouped, "device", "vehicle", "operator"}
    for name in table:
        if name not in known:
            problems.add(name, f"no such table{nearest(name, known)}")
    values: dict[str, Any] = {}
    for name, cls in simple.items():
        if name in table or name == "bench":
            values[name] = build(cls, _table(table, name, problems), name, problems)
    for name, cls in grouped.items():
        values[name] = {
            item: build(cls, body, join(name, item), problems)
            for item, body in _tables(table, name, problems).items()
        }
    if isinstance(table.get("operator", ""), str):
        values["operator"] = table.get("operator", "")
    else:
        problems.add("operator", f"expected a text, got {table['operator']!r}")
    values["vehicle"] = _table(table, "vehicle", problems)
    loader = _DeviceLoader(documents, fetch, problems, set(values["wire"]))
    values["device"] = {
        name: loader.load(name, body) for name, body in _tables(table, "device", problems).items()
    }
    _check_links(values, problems)
    problems.raise_if_any()
    bench = Bench(**values, folder=folder, file_name=file_name, documents=documents)
    _check_streams(bench, problems)
    return bench


def _table(table: dict[str, Any], name: str, problems: Problems) -> dict[str, Any]:
    value = table.get(name, {})
    if isinstance(value, dict):
        return value
    problems.add(name, f"expected a table, got {value!r}")
    return {}


def _tables(table: dict[str, Any], name: str, problems: Problems) -> dict[str, dict[str, Any]]:
    found = {}
    for item, body in _table(table, name, problems).items():
        if not isinstance(body, dict):
            problems.add(join(name, item), f"expected a table, got {body!r}")
        elif not NAME.fullmatch(item):
            problems.add(join(name, item), f"expected a name like {NAME.pattern}")
        else:
            found[item] = body
    return found


class _DeviceLoader:
    """Builds device tables and fetches the files that they name."""

    OWN = tuple(f.name for f in fields(DeviceConfig) if f.name not in ("settings", "channels"))

    def __init__(
        self, documents: dict[str, bytes], fetch: Any, problems: Problems, wires: set[str]
    ) -> None:
        self.documents, self.fetch, self.problems, self.wires = documents, fetch, problems, wires

    def load(self, name: str, body: dict[str, Any]) -> DeviceConfig | None:
        where = f"device.{name}"
        own = {k: body[k] for k in self.OWN if k in body}
        rest = {k: v for k, v in body.items() if k not in (*self.OWN, "channel")}
        before = len(self.problems.found)
        for required, words in (("wire", "a wire's name"), ("driver", "a driver's name")):
            if not isinstance(own.get(required), str):
                self.problems.add(join(where, required), f"missing; expected {words}")
        if isinstance(own.get("wire"), str) and own["wire"] not in self.wires:
            self.problems.add(
                join(where, "wire"),
                f"no wire is called {own['wire']!r}{nearest(own['wire'], self.wires)}",
            )
        if not isinstance(own.get("only_listed", False), bool):
            self.problems.add(join(where, "only_listed"), "expected true or false")
        channels = {
            item: build(ChannelConfig, channel, f"{where}.channel.{item}", self.problems)
            for item, channel in _tables(body, "channel", self.problems).items()
        }
        settings = self._settings(where, own.get("driver"), rest)
        self._calibrations(where, channels)
        if len(self.problems.found) > before or settings is None:
            return None
        return DeviceConfig(settings=settings, channels=channels, **own)  # type: ignore[arg-type]

    def _settings(self, where: str, driver: Any, rest: dict[str, Any]) -> Any:
        beside = (*self.OWN, "channel")
        if not isinstance(driver, str):
            for name in rest:
                if get_close_matches(name, beside, n=1):
                    close = nearest(name, beside)
                    self.problems.add(join(where, name), f"no such key{close}")
            return None
        try:
            cls = registry.load(driver)
        except ConfigError as error:
            self.problems.add(where.replace(".", " ", 1), str(error))
            return None
        settings: Any = build(cls.Config, rest, where, self.problems, beside)
        if settings is not None:
            for file in cls.files(settings):
                self._fetch(where, str(file))
        return settings

    def _calibrations(self, where: str, channels: Mapping[str, ChannelConfig | None]) -> None:
        for item, channel in channels.items():
            if channel is not None and channel.calibration:
                self._fetch(f"{where}.channel.{item}.calibration", channel.calibration)

    def _fetch(self, where: str, name: str) -> None:
        if name in self.documents:
            return
        try:
            self.documents[name] = self.fetch(name)
        except OSError as error:
            self.problems.add(where, f"{name}: {error.strerror}")


def _check_links(values: dict[str, Any], problems: Problems) -> None:
    for name, device in values["device"].items():
        wire = values["wire"].get(device.wire) if device is not None else None
        if device is None or wire is None:
            continue
        kind = registry.load(device.driver)
        wires = kind.wires
        if kind.sends and wire.family == "can" and wire.listen_only:
            problems.add(
                f"device.{name}.wire",
                f"driver {device.driver!r} asks on the bus, and wire {device.wire!r} only listens;"
                f" set wire.{device.wire}.listen_only = false",
            )
        if wire.family not in wires:
            problems.add(
                f"device.{name}.wire",
                f"driver {device.driver!r} works on a {' or '.join(sorted(wires))} wire,"
                f" and {device.wire!r} is {wire.kind}",
            )
    for name, roller in values["roller_set"].items():
        if roller is not None and roller.linked_with not in ("", *values["roller_set"]):
            problems.add(
                f"roller_set.{name}.linked_with",
                f"no roller set is called {roller.linked_with!r}"
                f"{nearest(roller.linked_with, values['roller_set'])}",
            )


def _check_line(bench: Bench, name: str, problems: Problems) -> None:
    """A device's documents and its wire must agree on how the line is set."""
    driver, wire = bench.driver(name), bench.device[name].wire
    files = ", ".join(map(str, driver.files(driver.config)))
    for setting, wanted in driver.line().items():
        has = getattr(bench.wire[wire], setting)
        if has != wanted:
            problems.add(
                f"wire.{wire}.{setting}",
                f"{has!r}, and {files} of device {name!r} says {wanted!r}; make them agree",
            )


def _check_streams(bench: Bench, problems: Problems) -> None:
    """Ask each driver for its streams, so that a wrong channel or document shows before a run."""
    channels: dict[str, set[str]] = {}
    for name in bench.device:
        try:
            streams = bench.streams(name, {})
        except ConfigError as error:
            for problem in error.problems:
                problems.add("", problem.removeprefix(f"{bench.file_name}: "))
            continue
        _check_line(bench, name, problems)
        listed = bench.device[name].channels
        channels[name] = {c.name for s in streams for c in s.channels} | set(listed)
    for name, roller in bench.roller_set.items():
        paths = (roller.encoder, roller.index_pulse, *(cell.channel for cell in roller.load_cells))
        for item in filter(None, paths):
            device, _, channel = item.partition(".")
            if device in channels and channel not in channels[device]:
                close = nearest(channel, channels[device])
                problems.add(
                    f"roller_set.{name}", f"device {device!r} has no channel {channel!r}{close}"
                )
            elif device not in bench.device:
                close = nearest(device, bench.device)
                problems.add(
                    f"roller_set.{name}", f"{item!r}: no device is called {device!r}{close}"
                )
    _check_loads(bench, set().union(*channels.values()) | set(speed_channels(bench)), problems)
    problems.raise_if_any()


def _check_loads(bench: Bench, known: set[str], problems: Problems) -> None:
    """A limit's load channel must be one that the bench has."""
    for device, config in bench.device.items():
        for name, channel in config.channels.items():
            against = channel.limit.against if channel.limit is not None else ""
            if against and against not in known:
                problems.add(
                    f"device.{device}.channel.{name}.limit.against",
                    f"no channel is called {against!r}{nearest(against, known)}",
                )


def speed_channels(bench: Bench) -> dict[str, str]:
    """Roller sets by the name of their speed: ``roller_speed`` of the first, as in run files."""
    return {
        f"{name}_speed" if number else "roller_speed": name
        for number, name in enumerate(bench.roller_set)
    }


def describe(bench: Bench) -> dict[str, Any]:
    """The bench as plain data, for `--json` and the run file's settings."""
    return {
        name: to_plain(getattr(bench, name))
        for name in (
            "bench",
            "wire",
            "device",
            "roller_set",
            "run",
            "journal",
            "ambient",
            "engine",
            "vehicle",
        )
    }
