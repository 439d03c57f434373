"""Parameters of service 01: bytes, scalings, units, and which of them an ECU has.

Source: SAE J1979 / ISO 15031-5, as published in public tables; entries marked *from memory* were
not confirmed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from daq.driver import Channel

SOURCE = "SAE J1979 / ISO 15031-5"
MEMORY = f"{SOURCE}, from memory"


@dataclass(frozen=True)
class Value:
    """One value of a parameter: *size* bytes from *first*, big-endian, ``scale * n + offset``."""

    name: str
    unit: str
    description: str
    first: int = 0
    size: int = 1
    scale: float = 1.0
    offset: float = 0.0
    signed: bool = False
    quantity: str = ""
    bit: int | None = None
    """Bit of the parameter's first byte that says whether the value is there."""

    def raw(self, data: bytes) -> int | None:
        """The whole number in *data*, None when the ECU says that it does not have it."""
        if self.bit is not None and not data[0] >> self.bit & 1:
            return None
        return int.from_bytes(data[self.first : self.first + self.size], "big", signed=self.signed)

    def channel(self, source: str) -> Channel:
        """The value as a channel."""
        return Channel(
            self.name,
            self.unit,
            self.description,
            quantity=self.quantity,
            scale=self.scale,
            offset=self.offset,
            raw_bits=8 * self.size,
            raw_signed=self.signed,
            source=source,
        )


@dataclass(frozen=True)
class Parameter:
    """One parameter: its number, the bytes of its answer, its values."""

    pid: int
    size: int
    values: tuple[Value, ...]
    source: str = SOURCE


def _one(pid: int, name: str, unit: str, text: str, scale: float = 1.0, offset: float = 0.0,
         size: int = 1, signed: bool = False, quantity: str = "") -> Parameter:  # fmt: skip
    value = Value(name, unit, text, 0, size, scale, offset, signed, quantity)
    return Parameter(pid, size, (value,))


def _percent(pid: int, name: str, text: str) -> Parameter:
    return _one(pid, name, "%", text, 100 / 255)


def _trim(pid: int, name: str, text: str) -> Parameter:
    return _one(pid, name, "%", text, 100 / 128, -100.0)


def _degc(pid: int, name: str, text: str) -> Parameter:
    return _one(pid, name, "degC", text, 1.0, -40.0, quantity="temperature")


ABSOLUTE, GAUGE = "absolute_pressure", "gauge_pressure"
LAMBDA = 2 / 65536
MAF_SCALE, MAP_SCALE, O2_VOLT, O2_MA = 0.01, 1.0, 8 / 65536, 1 / 256


def _narrow(pid: int) -> Parameter:
    number = pid - 0x13
    name = f"oxygen_{number}"
    return Parameter(pid, 2, (
        Value(f"{name}_voltage", "V", f"oxygen sensor {number}", 0, 1, 1 / 200),
        Value(f"{name}_trim", "%", f"fuel trim by oxygen sensor {number}", 1, 1, 100 / 128, -100.0),
    ))  # fmt: skip


def _wide_voltage(pid: int) -> Parameter:
    number = pid - 0x23
    name = f"wide_oxygen_{number}"
    return Parameter(pid, 4, (
        Value(f"{name}_lambda", "1", f"lambda of sensor {number}, by voltage", 0, 2, LAMBDA),
        Value(f"{name}_voltage", "V", f"voltage of sensor {number}", 2, 2, O2_VOLT),
    ))  # fmt: skip


def _wide_current(pid: int) -> Parameter:
    number = pid - 0x33
    name = f"wide_oxygen_{number}"
    return Parameter(pid, 4, (
        Value(f"{name}_lambda_by_current", "1", f"lambda of sensor {number}, by current", 0, 2,
              LAMBDA),
        Value(f"{name}_current", "mA", f"current of sensor {number}", 2, 2, O2_MA, -128.0),
    ))  # fmt: skip


def _trims(pid: int, term: str, banks: tuple[int, int]) -> Parameter:
    words = f"{term} trim by the second oxygen sensor, bank"
    values = tuple(
        Value(f"{term}_secondary_trim_{bank}", "%", f"{words} {bank}", n, 1, 100 / 128, -100.0)
        for n, bank in enumerate(banks)
    )
    return Parameter(pid, 2, values)


_TABLE = [
    Parameter(0x01, 4, (
        Value("trouble_codes", "1", "stored trouble codes, and the warning lamp as bit 7", 0, 1),
        Value("monitors", "1", "monitors supported and complete, bytes B to D", 1, 3),
    )),
    Parameter(0x03, 2, (
        Value("fuel_system_1", "1", "1 open, cold; 2 closed; 4 open, load; 8 open, fault", 0),
        Value("fuel_system_2", "1", "as fuel_system_1, second bank", 1),
    )),
    _percent(0x04, "engine_load", "calculated engine load"),
    _degc(0x05, "coolant_temperature", "engine coolant"),
    _trim(0x06, "short_trim_1", "short-term fuel trim, bank 1"),
    _trim(0x07, "long_trim_1", "long-term fuel trim, bank 1"),
    _trim(0x08, "short_trim_2", "short-term fuel trim, bank 2"),
    _trim(0x09, "long_trim_2", "long-term fuel trim, bank 2"),
    _one(0x0A, "fuel_pressure", "kPa", "fuel pressure, gauge", 3.0, quantity=GAUGE),
    _one(0x0B, "manifold_pressure", "kPa", "intake manifold, absolute; ends at 255 kPa",
         quantity=ABSOLUTE),
    _one(0x0C, "engine_speed", "rpm", "engine speed", 1 / 4, size=2),
    _one(0x0D, "vehicle_speed", "km/h", "vehicle speed"),
    _one(0x0E, "ignition_advance", "degree", "ignition before top dead centre, cylinder 1", 0.5,
         -64.0),
    _degc(0x0F, "intake_temperature", "intake air"),
    _one(0x10, "air_flow", "g/s", "mass air flow", MAF_SCALE, size=2),
    _percent(0x11, "throttle", "throttle position"),
    _one(0x13, "oxygen_sensors", "1", "oxygen sensors present, two banks"),
    *[_narrow(pid) for pid in range(0x14, 0x1C)],
    _one(0x1D, "oxygen_sensors_4", "1", "oxygen sensors present, four banks"),
    _one(0x1F, "run_time", "s", "time since engine start", size=2),
    _one(0x21, "distance_with_lamp", "km", "distance with the warning lamp on", size=2),
    _one(0x22, "rail_pressure_relative", "kPa", "fuel rail, relative to the manifold", 0.079,
         size=2),
    _one(0x23, "rail_pressure", "kPa", "fuel rail, gauge", 10.0, size=2, quantity=GAUGE),
    *[_wide_voltage(pid) for pid in range(0x24, 0x2C)],
    _percent(0x2C, "egr_wanted", "exhaust gas recirculation, wanted"),
    _trim(0x2D, "egr_error", "exhaust gas recirculation, error"),
    _percent(0x2E, "purge_wanted", "evaporative purge, wanted"),
    _percent(0x2F, "fuel_level", "fuel level"),
    _one(0x31, "distance_since_clear", "km", "distance since codes were cleared", size=2),
    _one(0x32, "vapour_pressure", "Pa", "fuel vapour, gauge", 0.25, size=2, signed=True,
         quantity=GAUGE),
    _one(0x33, "barometric_pressure", "kPa", "ambient, absolute", quantity=ABSOLUTE),
    *[_wide_current(pid) for pid in range(0x34, 0x3C)],
    *[_one(0x3C + n, name, "degC", f"catalyst, {words}", 0.1, -40.0, size=2,
           quantity="temperature")
      for n, (name, words) in enumerate([
          ("catalyst_1_1", "bank 1, first"), ("catalyst_2_1", "bank 2, first"),
          ("catalyst_1_2", "bank 1, second"), ("catalyst_2_2", "bank 2, second")])],
    Parameter(0x41, 4, (
        Value("monitors_this_cycle", "1", "monitors enabled and complete, bytes A to D", 0, 4),
    )),
    _one(0x42, "module_voltage", "V", "supply of the control module", 0.001, size=2),
    _one(0x43, "absolute_load", "%", "absolute load", 100 / 255, size=2),
    _one(0x44, "lambda_commanded", "1", "lambda commanded", LAMBDA, size=2),
    _percent(0x45, "relative_throttle", "relative throttle position"),
    _degc(0x46, "ambient_temperature", "ambient air"),
    _percent(0x47, "throttle_b", "absolute throttle position B"),
    _percent(0x48, "throttle_c", "absolute throttle position C"),
    _percent(0x49, "pedal_d", "accelerator pedal position D"),
    _percent(0x4A, "pedal_e", "accelerator pedal position E"),
    _percent(0x4B, "pedal_f", "accelerator pedal position F"),
    _percent(0x4C, "throttle_wanted", "throttle actuator, wanted"),
    _one(0x4D, "time_with_lamp", "min", "engine run with the warning lamp on", size=2),
    _one(0x4E, "time_since_clear", "min", "time since codes were cleared", size=2),
    Parameter(0x4F, 4, (
        Value("lambda_full_scale", "1", "largest lambda of parameters 24 to 3B", 0),
        Value("oxygen_voltage_full_scale", "V", "largest voltage of 24 to 2B", 1),
        Value("oxygen_current_full_scale", "mA", "largest current of 34 to 3B", 2),
        Value("manifold_full_scale", "kPa", "largest pressure of 0B", 3, 1, 10.0,
              quantity=ABSOLUTE),
    ), MEMORY),
    Parameter(0x50, 4, (
        Value("air_flow_full_scale", "g/s", "largest air flow of 10", 0, 1, 10.0),
    ), MEMORY),
    _one(0x51, "fuel_type", "1", "1 petrol 2 methanol 3 ethanol 4 diesel 5 LPG 6 CNG 8 electric"),
    _percent(0x52, "ethanol", "ethanol in the fuel"),
    _one(0x53, "vapour_pressure_absolute", "kPa", "fuel vapour, absolute", 1 / 200, size=2,
         quantity=ABSOLUTE),
    _one(0x54, "vapour_pressure_wide", "Pa", "fuel vapour, gauge", size=2, signed=True,
         quantity=GAUGE),
    _trims(0x55, "short", (1, 3)),
    _trims(0x56, "long", (1, 3)),
    _trims(0x57, "short", (2, 4)),
    _trims(0x58, "long", (2, 4)),
    _one(0x59, "rail_pressure_absolute", "kPa", "fuel rail, absolute", 10.0, size=2,
         quantity=ABSOLUTE),
    _percent(0x5A, "relative_pedal", "relative accelerator pedal position"),
    _percent(0x5B, "hybrid_battery", "hybrid battery, remaining life"),
    _degc(0x5C, "oil_temperature", "engine oil"),
    _one(0x5D, "injection_advance", "degree", "fuel injection timing", 1 / 128, -210.0, size=2),
    _one(0x5E, "fuel_rate", "L/h", "engine fuel rate", 1 / 20, size=2),
    _one(0x61, "torque_wanted", "%", "driver's demand, torque", offset=-125.0),
    _one(0x62, "torque_actual", "%", "actual engine torque", offset=-125.0),
    _one(0x63, "torque_reference", "N.m", "reference torque", size=2),
    Parameter(0x64, 5, tuple(
        Value(f"torque_point_{n + 1}", "%", f"engine torque at point {n + 1}", n, offset=-125.0)
        for n in range(5)
    )),
    Parameter(0x66, 5, (
        Value("air_flow_a", "g/s", "mass air flow, sensor A", 1, 2, 1 / 32, bit=0),
        Value("air_flow_b", "g/s", "mass air flow, sensor B", 3, 2, 1 / 32, bit=1),
    ), MEMORY),
    Parameter(0x67, 3, (
        Value("coolant_1", "degC", "engine coolant, sensor 1", 1, offset=-40.0, bit=0,
              quantity="temperature"),
        Value("coolant_2", "degC", "engine coolant, sensor 2", 2, offset=-40.0, bit=1,
              quantity="temperature"),
    )),
    Parameter(0x68, 3, (
        Value("intake_1", "degC", "intake air, sensor 1", 1, offset=-40.0, bit=0,
              quantity="temperature"),
        Value("intake_2", "degC", "intake air, sensor 2", 2, offset=-40.0, bit=1,
              quantity="temperature"),
    ), MEMORY),
]  # fmt: skip

PARAMETERS: dict[int, Parameter] = {parameter.pid: parameter for parameter in _TABLE}

BITMAPS = range(0x00, 0xE1, 0x20)
"""Parameters that say which of the next 32 an ECU has."""

SIZES: dict[int, int] = {
    **{pid: parameter.size for pid, parameter in PARAMETERS.items()},
    **dict.fromkeys(BITMAPS, 4),
    0x02: 2, 0x12: 1, 0x1C: 1, 0x1E: 1, 0x30: 1, 0x5F: 1, 0x65: 2, 0x69: 7, 0x6A: 5, 0x6B: 5,
    0x6C: 5, 0x6D: 11, 0x6E: 9, 0x6F: 3, 0x70: 10, 0x73: 5, 0x78: 9, 0x79: 9, 0x87: 5,
}  # fmt: skip
"""Data bytes of each parameter, also of those that are not decoded: to find the next one."""


def supported(base: int, data: bytes) -> list[int]:
    """Parameters that a bitmap of 4 bytes says the ECU has; bit 7 of A is *base* + 1."""
    bits = int.from_bytes(data[:4].ljust(4, b"\0"), "big")
    return [base + 1 + n for n in range(32) if bits >> (31 - n) & 1]


def split(data: bytes) -> dict[int, bytes]:
    """Parameter to its data bytes, from an answer of service 01 without its first byte.

    Ends at a parameter whose length is not known or that is cut short.
    """
    found: dict[int, bytes] = {}
    at = 0
    while at < len(data):
        pid = data[at]
        size = SIZES.get(pid)
        if size is None or at + 1 + size > len(data):
            break
        found[pid] = data[at + 1 : at + 1 + size]
        at += 1 + size
    return found


def rescaled(parameter: Parameter, scales: dict[str, bytes]) -> Parameter:
    """The parameter with the scalings that the ECU's answers to 4F and 50 set; 0 changes nothing.

    Source: SAE J1979, from memory.
    """
    wide, flow = scales.get("4F", bytes(4)), scales.get("50", bytes(4))
    pid, values = parameter.pid, list(parameter.values)
    if pid == 0x0B and wide[3]:
        values[0] = replace(values[0], scale=wide[3] * 10 / 255)
    elif pid == 0x10 and flow[0]:
        values[0] = replace(values[0], scale=flow[0] * 10 / 65535)
    elif 0x24 <= pid <= 0x2B or 0x34 <= pid <= 0x3B:
        if wide[0]:
            values[0] = replace(values[0], scale=wide[0] / 65536)
        if pid <= 0x2B and wide[1]:
            values[1] = replace(values[1], scale=wide[1] / 65536)
        if pid >= 0x34 and wide[2]:
            values[1] = replace(values[1], scale=wide[2] / 32768, offset=-float(wide[2]))
    return replace(parameter, values=tuple(values))
