"""A wideband controller that prints ten lines a second; first it warms up.

The lines are those of ``config/streams/wideband_text.toml``. What is shown is what the sensor
feels now: the exhaust's way to it and its lag are the car's.
"""

from __future__ import annotations

from daq.simulate.car import Car

PERIOD_S = 0.1
WARM_UP_S = 3.0
"""A real one takes 10 to 30 s (common practice, no source); here a run is to see both."""
LOWEST, HIGHEST = 0.65, 1.99


class Wideband:
    """Prints ``lambda;heater;temperature`` lines from power-up on."""

    name = "wideband"

    def __init__(self, left_s: float = 0.0434) -> None:
        self._next_s = left_s

    def step(self, now_s: float, car: Car, inputs: int) -> bytes:
        """The lines that are due by *now_s*."""
        data = b""
        while self._next_s <= now_s:
            data += self._line(self._next_s, car)
            self._next_s += PERIOD_S
        return data

    def receive(self, data: bytes) -> bytes:
        """Nothing is answered."""
        return b""

    def _line(self, now_s: float, car: Car) -> bytes:
        warm = min(1.0, now_s / WARM_UP_S)
        heater, temperature = round(95 - 55 * warm), round(20 + 760 * warm)
        shown = 1 / car.lambda_inverse if car.lambda_inverse > 0.1 else HIGHEST + 1
        text = f"{shown:.3f}"
        if warm < 1:
            text = "HEAT"
        elif shown > HIGHEST:
            text = "LEAN"
        elif shown < LOWEST:
            text = "RICH"
        return f"{text};{heater};{temperature}\r\n".encode()
