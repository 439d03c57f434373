"""The bench: car, driver and instruments, stepped together; live on pseudo-terminals or recorded.

``run`` keeps pace with the machine's clock and serves real ports; ``record`` makes the same bytes
as fast as the machine can, with the receive times that a PC would have stamped.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from threading import Event as Flag
from typing import Any, Protocol

import numpy as np

from daq import clock
from daq.clock import SECOND_NS
from daq.config import Problems, build, nearest, read_toml
from daq.driver import Chunk, ChunkKind
from daq.simulate.car import Car, CarParameters
from daq.simulate.car_can import CarCan, EcuParameters
from daq.simulate.ecu_stream import EcuStream
from daq.simulate.line import Faults, Line, within
from daq.simulate.port import Port
from daq.simulate.script import Driver, Event, Plan
from daq.simulate.truth import Truth
from daq.simulate.unit import Unit, UnitParameters
from daq.simulate.wideband import Wideband

STEP_S = 0.001
BYTE_S = {
    "unit": 10 / 921_600,
    "car_can": 10 / 1_000_000,
    "ecu": 10 / 115_200,
    "wideband": 10 / 19_200,
}
"""Time of a byte (8N1) on each wire."""


class Instrument(Protocol):
    """A simulated device: told the car once for each step, it returns the bytes it sends.

    To add one, give it a name in BYTE_S and put it into :func:`instruments`.
    """

    name: str

    def step(self, now_s: float, car: Car, inputs: int) -> bytes:
        """Bytes sent in the step that ends at *now_s*."""
        ...

    def receive(self, data: bytes) -> bytes:
        """Take bytes from the PC; returns what it answers at once."""
        ...


@dataclass(frozen=True)
class Settings:
    """Everything that makes one simulated bench what it is; the same settings, the same bytes."""

    seed: int = 1
    car: CarParameters = field(default_factory=CarParameters)
    plan: Plan = field(default_factory=Plan)
    unit: UnitParameters = field(default_factory=UnitParameters)
    ecu: EcuParameters = field(default_factory=EcuParameters)
    faults: Mapping[str, Faults] = field(default_factory=dict)
    repeat: bool = False
    """Drive on after the end, run after run."""

    def of(self, wire: str) -> Faults:
        """Faults of *wire*."""
        return self.faults.get(wire, Faults())


def read_faults(path: Path) -> dict[str, Faults]:
    """Faults from a TOML file with one table for each wire.

    Raises ConfigError with all mistakes at once.
    """
    problems, faults = Problems(path), {}
    for name, table in read_toml(path).items():
        if name not in BYTE_S:
            problems.add(name, f"no such wire{nearest(name, BYTE_S)}")
        elif not isinstance(table, dict):
            problems.add(name, f"expected a table, got {table!r}")
        else:
            faults[name] = build(Faults, table, name, problems)
    problems.raise_if_any()
    return {name: fault for name, fault in faults.items() if fault is not None}


def instruments(settings: Settings, car: Car, opened: bool) -> list[Instrument]:
    """The devices on the bench; *opened*: they talk without being asked to."""
    unit, ecu = settings.unit, settings.ecu
    if (ppm := settings.of("unit").clock_ppm) is not None:
        unit = dataclasses.replace(unit, crystal_ppm=ppm)
    if (ppm := settings.of("car_can").clock_ppm) is not None:
        ecu = dataclasses.replace(ecu, clock_ppm=ppm)
    return [
        Unit(car, unit, settings.seed),
        CarCan(ecu, settings.seed, STEP_S, opened),
        EcuStream(ecu, settings.seed, STEP_S),
        Wideband(),
    ]


class Rig:
    """Car, driver, instruments and lines, stepped together in steps of 1 ms.

    ``time_s`` is the bench's time from 0; ``events`` grows as things happen.
    """

    def __init__(self, settings: Settings, *, opened: bool = False, truth: bool = True) -> None:
        self.settings = settings
        self.car = Car(settings.car)
        self.driver = Driver(self.car, settings.plan)
        self.instruments = {i.name: i for i in instruments(settings, self.car, opened)}
        self.lines = {
            name: Line(BYTE_S[name], settings.of(name), settings.seed + index)
            for index, name in enumerate(self.instruments)
        }
        self.truth = Truth() if truth else None
        self.steps = 0
        self.events: list[Event] = []

    @property
    def time_s(self) -> float:
        """Time of the bench at the end of the last step."""
        return self.steps * STEP_S

    @property
    def done(self) -> bool:
        """Whether the driver has finished."""
        return self.driver.done and not self.settings.repeat

    def step(self) -> None:
        """Advance by 1 ms."""
        if self.driver.done and self.settings.repeat:
            self.driver = Driver(self.car, self.settings.plan)
        self.driver.step()
        self.car.step(STEP_S)
        self.steps += 1
        self.events += self.driver.take_events()
        if self.truth is not None:
            self.truth.add(self.car)
        inputs = self.driver.inputs
        for name, instrument in self.instruments.items():
            self.lines[name].put(self.time_s, instrument.step(self.time_s, self.car, inputs))

    def receive(self, wire: str, data: bytes) -> None:
        """The PC's bytes arrive at a device now; one that hangs does not hear them."""
        if not within(self.settings.of(wire).hung, self.time_s):
            self.lines[wire].put(self.time_s, self.instruments[wire].receive(data))

    def describe(self, start_ns: int) -> dict[str, Any]:
        """What belongs beside the truth; *start_ns* is host time at the bench's time 0."""
        unit, ecu, car = self.settings.unit, self.settings.ecu, self.settings.car
        unit_ppm = self.settings.of("unit").clock_ppm
        return {
            "seed": self.settings.seed,
            "start_ns": start_ns,
            "events": [event._asdict() for event in self.events],
            "unit_clock": {
                "tick": "first_tick + floor(time * tick_hz * (1 + ppm * 1e-6))",
                "tick_hz": 1_000_000,
                "first_tick": unit.first_tick,
                "ppm": unit.crystal_ppm if unit_ppm is None else unit_ppm,
            },
            "delays": delays(car, ecu),
            "parameters": dataclasses.asdict(self.settings),
        }


def delays(car: CarParameters, ecu: EcuParameters) -> dict[str, dict[str, float | str]]:
    """How late each channel is: ``tau_s`` first-order lag, ``age_s`` pure delay,
    ``age_rpm_s`` further delay over the engine speed in rpm, ``age_column`` a column of the truth.
    """
    return {
        "unit.map": {"tau_s": car.map_hose_s},
        "unit.brake_load": {"tau_s": car.rollers.load_cell_s},
        "unit.exhaust": {"tau_s": car.thermocouple_s},
        "unit.lambda": {"tau_s": car.lambda_s, "age_column": "lambda_transport_delay"},
        "car.engine_speed": {"age_s": ecu.speed_age_s, "age_rpm_s": ecu.speed_age_rpm_s},
        "car.map": {"age_s": ecu.map_age_s},
        "car.throttle": {"age_s": ecu.throttle_age_s},
        "ecu.engine_speed": {"age_s": ecu.speed_age_s, "age_rpm_s": ecu.speed_age_rpm_s},
        "ecu.manifold_pressure": {"age_s": ecu.map_age_s},
        "ecu.throttle": {"age_s": ecu.throttle_age_s},
        "wideband.lambda_left": {"tau_s": car.lambda_s, "age_column": "lambda_transport_delay"},
    }


def timeline(settings: Settings) -> list[Event]:
    """What the driver will do and when, found by letting him drive without instruments."""
    car = Car(settings.car)
    driver = Driver(car, settings.plan)
    events: list[Event] = []
    while not driver.done:
        driver.step()
        car.step(STEP_S)
        events += driver.take_events()
    return events


# --- as fast as the machine can


@dataclass(frozen=True)
class Recording:
    """What a PC would have read: chunks of each wire, and the truth behind them."""

    start_ns: int
    chunks: Mapping[str, list[Chunk]]
    rig: Rig


def record(
    settings: Settings | None = None,
    *,
    start_ns: int = 1_000 * SECOND_NS,
    until_s: float = 120.0,
    read_s: float = 0.002,
) -> Recording:
    """The whole script, or its first *until_s* s, read every *read_s* s.

    A read returns 0.08 to 0.25 ms after its moment, seeded; the bytes are those of ``run`` on a
    bench where nobody asks anything and the CAN adapter is open.
    """
    settings = settings or Settings()
    rig = Rig(settings, opened=True)
    random = np.random.default_rng((settings.seed, 0x4EAD))
    chunks: dict[str, list[Chunk]] = {name: [] for name in rig.lines}
    each = max(1, round(read_s / STEP_S))
    while not rig.done and rig.time_s < until_s:
        rig.step()
        if rig.steps % each == 0:
            for name, line in rig.lines.items():
                if data := line.take(rig.time_s):
                    late_ns = int(random.integers(80_000, 250_000))
                    t_ns = start_ns + rig.steps * round(STEP_S * SECOND_NS) + late_ns
                    chunks[name].append(Chunk(ChunkKind.RX, t_ns, data))
    return Recording(start_ns, chunks, rig)


# --- in real time


def run(
    folder: Path,
    settings: Settings | None = None,
    *,
    truth: Path | None = None,
    duration_s: float | None = None,
    stop: Flag | None = None,
    report: Callable[[Event, int], None] | None = None,
) -> Rig:
    """Serve the bench on pseudo-terminals, linked as *folder*/unit, */car_can, and so on.

    Returns when the driver has finished, after *duration_s*, or once *stop* is set. *report* gets
    each event with its host time in ns as it happens; *truth* is written at the end.
    """
    settings = settings or Settings()
    rig = Rig(settings, truth=truth is not None)
    stop = stop or Flag()
    folder.mkdir(parents=True, exist_ok=True)
    ports = {name: Port(folder / name) for name in rig.lines}
    live = _Live(rig, ports, report)
    try:
        while not rig.done and not stop.is_set():
            if duration_s is not None and rig.time_s >= duration_s:
                break
            live.beat()
    finally:
        for port in ports.values():
            port.unplug()
    if truth is not None and rig.truth is not None:
        rig.truth.save(truth, rig.describe(live.start_ns))
    return rig


class _Live:
    """Keeps a rig in step with the machine's clock and its lines with their ports."""

    def __init__(
        self, rig: Rig, ports: Mapping[str, Port], report: Callable[[Event, int], None] | None
    ) -> None:
        self.rig, self.ports, self.report = rig, ports, report
        self._requests: list[tuple[float, str, bytes]] = []
        self._told = 0
        self.start_ns = clock.monotonic_ns()

    def beat(self) -> None:
        """Catch up with the clock, move bytes both ways, wait for the next step."""
        self._listen()
        while (self.rig.steps + 1) * STEP_S <= self._now_s():
            self.rig.step()
            self._hand_over()
        for name, port in self.ports.items():
            self._plug(name, port)
            port.write(self.rig.lines[name].take(self.rig.time_s))
        self._tell()
        clock.sleep_until(self._host_ns((self.rig.steps + 1) * STEP_S))

    def _now_s(self) -> float:
        return (clock.monotonic_ns() - self.start_ns) / SECOND_NS

    def _host_ns(self, time_s: float) -> int:
        return self.start_ns + round(time_s * SECOND_NS)

    def _listen(self) -> None:
        """Requests reach the device once their bytes have crossed the line, never earlier."""
        for name, port in self.ports.items():
            if data := port.read():
                arrival_s = self._now_s() + len(data) * BYTE_S[name]
                self._requests.append((arrival_s, name, data))

    def _hand_over(self) -> None:
        while self._requests and self._requests[0][0] <= self.rig.time_s:
            _, name, data = self._requests.pop(0)
            self.rig.receive(name, data)

    def _plug(self, name: str, port: Port) -> None:
        gone = within(self.rig.settings.of(name).unplugged, self.rig.time_s)
        if gone and port.plugged:
            port.unplug()
        elif not gone and not port.plugged:
            port.plug()

    def _tell(self) -> None:
        fresh, self._told = self.rig.events[self._told :], len(self.rig.events)
        if self.report is not None:
            for event in fresh:
                self.report(event, self._host_ns(event.time_s))
