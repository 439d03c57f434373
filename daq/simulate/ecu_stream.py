"""The car's control unit on its own serial line: a frame each 10 ms, as found in its folder.

The layout is that of ``config/streams/engine_stream.toml``; the two share nothing, so that one
checks the other. What it sends is as old as on the bus.
"""

from __future__ import annotations

import binascii
import struct
from math import pi

import numpy as np

from daq.simulate.car import Car
from daq.simulate.car_can import MAP, SPEED, THROTTLE, EcuParameters, Recent

PERIOD_S = 0.010
LATENESS_S = 0.0012
"""The task that sends is late by up to this. Common practice, no source."""
OPEN_LOOP, CLOSED_LOOP, CUT = 0, 1, 2


class EcuStream:
    """Sends frames from power-up on; hears nothing."""

    name = "ecu"

    def __init__(self, parameters: EcuParameters, seed: int, dt: float) -> None:
        self.parameters = parameters
        self.recent = Recent(dt)
        self._random = np.random.default_rng((seed, 0xEC5))
        self._sent = 0
        self._late_s = self._lateness()

    def step(self, now_s: float, car: Car, inputs: int) -> bytes:
        """The frames that are due by *now_s*."""
        self.recent.add((car.engine_speed * 30 / pi, car.engine.map_kpa, car.throttle))
        data = b""
        while (due_s := self._due_s()) <= now_s:
            data += self._frame(due_s, car)
            self._sent += 1
            self._late_s = self._lateness()
        return data

    def receive(self, data: bytes) -> bytes:
        """Nothing is answered."""
        return b""

    def _lateness(self) -> float:
        return float(self._random.uniform(0.0, LATENESS_S))

    def _due_s(self) -> float:
        rate = 1 + self.parameters.clock_ppm * 1e-6
        return 0.0037 + self._sent * PERIOD_S / rate + self._late_s

    def _frame(self, due_s: float, car: Car) -> bytes:
        ages = self.parameters
        age_s = ages.speed_age(self.recent.at(SPEED, due_s))
        engine = car.engine
        throttle = round(1000 * self.recent.at(THROTTLE, due_s - ages.throttle_age_s))
        state = CUT if engine.fuel_cut else OPEN_LOOP if throttle > 900 else CLOSED_LOOP
        body = struct.pack(
            "<BHHBhBBH",
            self._sent % 256,
            _bounded(self.recent.at(SPEED, due_s - age_s) / 0.25),
            _bounded(self.recent.at(MAP, due_s - ages.map_age_s) / 0.01),
            _bounded(engine.coolant_degc + 40, 250),
            round(10 * (12.0 + 0.002 * car.engine_speed * 30 / pi)),
            throttle & 0xFF,
            throttle >> 8 | state << 2 | 0x80,
            _bounded(10_000 / max(0.5, engine.equivalence)),
        )
        return b"\xa5\x5a" + body + struct.pack("<H", binascii.crc_hqx(body, 0xFFFF))


def _bounded(value: float, highest: int = 0xFFFE) -> int:
    return max(0, min(highest, round(value)))
