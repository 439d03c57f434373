"""The car's own CAN bus, as an slcan adapter shows it: what its control units send, and when.

The layout of the messages is an invented car's; the demonstration's DBC file describes it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import pi
from typing import NamedTuple

import numpy as np

from daq.simulate.car import Car
from daq.simulate.ecu import Ecu, Frame

SPEED, MAP, THROTTLE = range(3)


@dataclass(frozen=True)
class EcuParameters:
    """How late and how unevenly the car's control units speak."""

    clock_ppm: float = -47.0
    lateness_s: float = 0.0012
    """A message leaves up to this much after its schedule."""
    frame_s: float = 0.00025
    """Time on the bus at 500 kbit/s with 8 data bytes."""
    speed_age_s: float = 0.006
    speed_age_rpm_s: float = 15.0
    """Engine speed is older by this over the engine speed in rpm: half of the half turn over
    which a control unit averages."""
    map_age_s: float = 0.012
    throttle_age_s: float = 0.004

    def speed_age(self, rpm: float) -> float:
        """Age in s of the engine speed when its message is due."""
        return self.speed_age_s + self.speed_age_rpm_s / max(rpm, 300.0)


class Recent:
    """The last 255 ms of three values in steps of the bench, read by linear interpolation."""

    SIZE = 256

    def __init__(self, dt: float) -> None:
        self.dt = dt
        self.steps = 0
        self._rows = [(0.0, 0.0, 0.0)] * self.SIZE

    def add(self, row: tuple[float, float, float]) -> None:
        """Values at the end of the next step; the first row stands for all time before it."""
        if not self.steps:
            self._rows = [row] * self.SIZE
        self.steps += 1
        self._rows[self.steps % self.SIZE] = row

    def at(self, column: int, time_s: float) -> float:
        """Value at *time_s*, which must lie within the last 255 ms."""
        place = max(0.0, time_s / self.dt)
        step = min(int(place), self.steps - 1)
        before = self._rows[step % self.SIZE][column]
        after = self._rows[(step + 1) % self.SIZE][column]
        return before + (place - step) * (after - before)


class Message(NamedTuple):
    """One periodic message: identifier, period, first moment."""

    name: str
    id: int
    extended: bool
    period_s: float
    offset_s: float


MESSAGES = (
    Message("engine_fast", 0x110, False, 0.010, 0.0021),
    Message("wheels", 0x1A0, False, 0.020, 0.0068),
    Message("driveline", 0x18F00C21, True, 0.050, 0.0113),
    Message("slow", 0x3C0, False, 0.100, 0.0257),
    Message("foreign", 0x7A1, False, 1.0, 0.5),
)


class CarCan:
    """An slcan adapter on the car's bus, as an instrument of the bench.

    Closed until the PC opens it (``O`` or ``L``); answers a carriage return to what it takes and
    a bell to what it does not. Source: the serial-line CAN protocol, from memory.
    """

    name = "car_can"

    def __init__(self, parameters: EcuParameters, seed: int, dt: float, opened: bool) -> None:
        self.parameters = parameters
        self.opened = opened
        self.recent = Recent(dt)
        self._random = np.random.default_rng((seed, 0xCA2))
        self._sent = [0] * len(MESSAGES)
        self._late = [self._lateness() for _ in MESSAGES]
        self._command = bytearray()
        self._talks = opened
        self._now_s = 0.0
        self._car: Car | None = None
        told = {0x05, 0x0B, 0x0C, 0x0D, 0x0F, 0x10, 0x11}
        self.ecu = Ecu({pid: partial(self._told, pid) for pid in told})

    def step(self, now_s: float, car: Car, inputs: int) -> bytes:
        """Lines of the frames whose last bit was on the bus within the step ending at *now_s*."""
        self.recent.add((car.engine_speed * 30 / pi, car.engine.map_kpa, car.throttle))
        self._now_s, self._car = now_s, car
        lines = [
            (now_s, slcan_line(frame.identifier, False, frame.data))
            for frame in self.ecu.step(now_s)
        ]
        for index, message in enumerate(MESSAGES):
            due_s = self._due_s(index)
            if due_s + self.parameters.frame_s <= now_s:
                data = self._data(message.name, self._sent[index], due_s, car)
                lines.append((due_s, slcan_line(message.id, message.extended, data)))
                self._sent[index] += 1
                self._late[index] = self._lateness()
        return b"".join(line for _, line in sorted(lines)) if self.opened else b""

    def receive(self, data: bytes) -> bytes:
        """The adapter's answers to commands."""
        self._command += data
        *commands, rest = bytes(self._command).split(b"\r")
        self._command = bytearray(rest[-64:])
        return b"".join(self._answer(command) for command in commands)

    def _answer(self, command: bytes) -> bytes:
        letter = command[:1]
        if letter in (b"O", b"L") and not self.opened:
            self.opened, self._talks = True, letter == b"O"
        elif letter == b"t" and self._talks:
            return self._send(command)
        elif letter == b"C" and self.opened:
            self.opened = False
        elif letter == b"V":
            return b"V1013\r"
        elif letter == b"N":
            return b"NSIM1\r"
        elif letter not in (b"", b"S") or (letter == b"S" and self.opened):
            return b"\a"
        return b"\r"

    def _send(self, command: bytes) -> bytes:
        """Put a frame of the PC on the bus; the ECU hears it."""
        try:
            identifier, length = int(command[1:4], 16), int(command[4:5], 16)
            data = bytes.fromhex(command[5 : 5 + 2 * length].decode("ascii"))
        except ValueError:
            return b"\a"
        if len(data) != length:
            return b"\a"
        self.ecu.receive(self._now_s, Frame(identifier, data))
        return b"z\r"

    def _told(self, pid: int) -> bytes:
        """Data bytes of a diagnostic parameter. Source of the scalings: SAE J1979."""
        car, recent = self._car, self.recent
        assert car is not None
        age_s = self.parameters.speed_age(recent.at(SPEED, self._now_s))
        value, size = {
            0x05: (car.engine.coolant_degc + 40, 1),
            0x0B: (min(255.0, recent.at(MAP, self._now_s - self.parameters.map_age_s)), 1),
            0x0C: (recent.at(SPEED, self._now_s - age_s) * 4, 2),
            0x0D: (min(255.0, car.wheel_speed * car.wheel_radius * 3.6), 1),
            0x0F: (car.engine.inlet_degc + 40, 1),
            0x10: (car.engine.air_kg_s * 1e5, 2),
            0x11: (car.throttle * 255, 1),
        }[pid]
        return max(0, min((1 << 8 * size) - 1, int(value))).to_bytes(size, "big")

    def _lateness(self) -> float:
        return float(self._random.uniform(0.0, self.parameters.lateness_s))

    def _due_s(self, index: int) -> float:
        message, rate = MESSAGES[index], 1 + self.parameters.clock_ppm * 1e-6
        scheduled = message.offset_s + self._sent[index] * message.period_s / rate
        return scheduled + self._late[index]

    def _data(self, name: str, number: int, due_s: float, car: Car) -> bytes:
        if name == "engine_fast":
            return self._engine_fast(number, due_s, car)
        if name == "slow":
            return slow(number, car)
        return {"wheels": wheels, "driveline": driveline, "foreign": foreign}[name](car)

    def _engine_fast(self, number: int, due_s: float, car: Car) -> bytes:
        ages, recent = self.parameters, self.recent
        now = recent.at(SPEED, due_s)
        rpm = recent.at(SPEED, due_s - ages.speed_age(now))
        pressure = recent.at(MAP, due_s - ages.map_age_s)
        throttle = recent.at(THROTTLE, due_s - ages.throttle_age_s)
        return pack(
            (0, 16, rpm / 0.25),
            (16, 12, pressure / 0.1),
            (28, 4, number % 15),
            (32, 8, throttle * 100 / 0.4),
            (40, 8, min(100.0, 100 * car.engine.air_kg_s / max(1e-6, rpm * 3.0e-5)) / 0.4),
            (48, 16, car.engine_torque / 0.1),
        )


def wheels(car: Car) -> bytes:
    """Wheel speeds in 0.01 km/h, big-endian: the driven front wheels turn, the rear ones stand."""
    driven = bounded(car.wheel_speed * car.wheel_radius * 3.6 / 0.01, 16)
    return (driven.to_bytes(2, "big") * 2) + bytes(4)


def driveline(car: Car) -> bytes:
    """Gear, clutch, fuel cut and spark cut, wanted lambda."""
    cut, wanted = car.engine.fuel_cut, 1 / max(0.5, car.engine.equivalence)
    return pack(
        (0, 4, car.gear),
        (4, 2, 2 if car.clutch >= 1 else 1 if car.clutch > 0 else 0),
        (6, 1, cut),
        (7, 1, not car.engine.spark),
        (8, 8, (0.0 if cut else wanted) / 0.01),
    )[:4]


def slow(number: int, car: Car) -> bytes:
    """Temperatures and supplies by turns, told apart by the first byte."""
    engine = car.engine
    if number % 2:
        return pack(
            (0, 8, 1),
            (8, 16, engine.battery_v / 0.001),
            (24, 16, engine.parameters.ambient_kpa / 0.01),
            (40, 8, engine.parameters.ambient_degc + 40),
        )
    return pack(
        (0, 8, 0),
        (8, 8, engine.coolant_degc + 40),
        (16, 8, engine.oil_degc + 40),
        (24, 8, engine.inlet_degc + 40),
        (32, 16, engine.exhaust_degc / 0.1),
    )


def foreign(car: Car) -> bytes:
    """A message that no description of this car mentions."""
    return bytes.fromhex("5AA50102")


def bounded(value: float, bits: int) -> int:
    """The nearest whole number in *bits* bits; a negative one as two's complement."""
    return max(-(1 << (bits - 1)), min((1 << bits) - 1, round(value))) & ((1 << bits) - 1)


def pack(*fields: tuple[int, int, float]) -> bytes:
    """Eight bytes of little-endian signals, each (first bit, bits, raw value)."""
    total = sum(bounded(value, bits) << first for first, bits, value in fields)
    return total.to_bytes(8, "little")


def slcan_line(identifier: int, extended: bool, data: bytes) -> bytes:
    """One frame as an slcan adapter sends it."""
    head = f"T{identifier:08X}" if extended else f"t{identifier:03X}"
    return f"{head}{len(data):X}{data.hex().upper()}\r".encode()
