"""Parameters of service 01: bytes, scalings, units, and which of them an ECU has.

Source: SAE J1979 / ISO 15031-5, as published in public tables; entries marked *from memory* were
not confirmed.
"""

from __future__ import annotations

from dataclasses import replace

from drivers.obd_can.parameter import MEMORY, Parameter, Value


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
O2_VOLT, O2_MA = 8 / 65536, 1 / 256


FUEL_CONTROL = {
    0: "none", 1: "open, cold", 2: "closed", 4: "open, load", 8: "open, fault",
    16: "closed, fault",
}  # fmt: skip
FUELS = {
    0: "none", 1: "petrol", 2: "methanol", 3: "ethanol", 4: "diesel", 5: "LPG", 6: "CNG",
    7: "propane", 8: "electric",
}  # fmt: skip


def _narrow(pid: int) -> Parameter:
    number = pid - 0x13
    name = f"oxygen_{number}"
    return Parameter(pid, 2, (
        Value(f"{name}_voltage", "V", f"oxygen sensor {number}", 0, 1, 1 / 200),
        Value(f"{name}_trim", "%", f"fuel trim by oxygen sensor {number}", 1, 1, 100 / 128, -100.0,
              none=0xFF),
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


def _sensors(
    pid: int, size: int, unit: str, names: list[tuple[str, str]], scale: float = 1.0,
    offset: float = 0.0, quantity: str = "", always: bool = False,
) -> Parameter:  # fmt: skip
    """Values of *size* bytes behind a byte whose bit 0 says that the first is there, and so on."""
    values = tuple(
        Value(name, unit, text, 1 + size * n, size, scale, offset, bit=None if always else n,
              quantity="temperature" if unit == "degC" else quantity)
        for n, (name, text) in enumerate(names)
    )  # fmt: skip
    return Parameter(pid, 1 + size * len(names), values, MEMORY)


CHARGE_CONTROL = {0: "reserved", 1: "open loop", 2: "closed loop", 3: "fault"}

_TABLE = [
    Parameter(0x01, 4, (
        Value("trouble_codes", "1", "stored trouble codes", quantity="count", bits=(0, 7)),
        Value("warning_lamp", "1", "engine warning lamp", bits=(7, 1), labels={0: "off", 1: "on"}),
        Value("ignition_kind", "1", "how the engine ignites", 1, bits=(3, 1),
              labels={0: "spark", 1: "compression"}),
        Value("monitors", "1", "monitors supported and complete, bytes B to D", 1, 3),
    )),
    Parameter(0x03, 2, (
        Value("fuel_system_1", "1", "fuel control, bank 1", 0, labels=FUEL_CONTROL),
        Value("fuel_system_2", "1", "fuel control, bank 2", 1, labels=FUEL_CONTROL),
    )),
    _percent(0x04, "engine_load", "calculated engine load"),
    _degc(0x05, "coolant_temperature", "engine coolant"),
    _trim(0x06, "short_trim_1", "short-term fuel trim, bank 1"),
    _trim(0x07, "long_trim_1", "long-term fuel trim, bank 1"),
    _trim(0x08, "short_trim_2", "short-term fuel trim, bank 2"),
    _trim(0x09, "long_trim_2", "long-term fuel trim, bank 2"),
    _one(0x0A, "fuel_pressure", "kPa", "fuel pressure, gauge", 3.0, quantity=GAUGE),
    Parameter(0x0B, 1, (
        Value("manifold_pressure", "kPa", "intake manifold, absolute; ends at 255 kPa",
              quantity=ABSOLUTE, clips=True),
    )),
    _one(0x0C, "engine_speed", "rpm", "engine speed", 1 / 4, size=2),
    _one(0x0D, "vehicle_speed", "km/h", "vehicle speed"),
    _one(0x0E, "ignition_advance", "degree", "ignition before top dead centre, cylinder 1", 0.5,
         -64.0),
    _degc(0x0F, "intake_temperature", "intake air"),
    _one(0x10, "air_flow", "g/s", "mass air flow", 0.01, size=2),
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
    Parameter(0x51, 1, (Value("fuel_type", "1", "fuel", labels=FUELS),)),
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
    _sensors(0x65, 1, "1", [
        ("auxiliary_states", "power take-off, gears, glow plugs: one bit each")], always=True),
    _sensors(0x66, 2, "g/s", [
        ("air_flow_a", "mass air flow, sensor A"), ("air_flow_b", "mass air flow, sensor B")],
        1 / 32),
    _sensors(0x67, 1, "degC", [
        ("coolant_1", "engine coolant, sensor 1"), ("coolant_2", "engine coolant, sensor 2")],
        1.0, -40.0),
    replace(_sensors(0x68, 1, "degC", [
        (f"intake_{n}", f"intake air, sensor {n}") for n in range(1, 7)], 1.0, -40.0),
        size=3, longest=7),
    Parameter(0x69, 7, tuple(
        value for n, side in enumerate("ab") for value in (
            Value(f"egr_wanted_{side}", "%", f"exhaust gas recirculation {side.upper()}, wanted",
                  1 + 3 * n, 1, 100 / 255, bit=3 * n),
            Value(f"egr_actual_{side}", "%", f"exhaust gas recirculation {side.upper()}, actual",
                  2 + 3 * n, 1, 100 / 255, bit=3 * n + 1),
            Value(f"egr_error_{side}", "%", f"exhaust gas recirculation {side.upper()}, error",
                  3 + 3 * n, 1, 100 / 128, -100.0, bit=3 * n + 2),
        )), MEMORY),
    _sensors(0x6A, 1, "%", [
        ("air_throttle_wanted_a", "intake air throttle A, wanted"),
        ("air_throttle_a", "intake air throttle A, relative position"),
        ("air_throttle_wanted_b", "intake air throttle B, wanted"),
        ("air_throttle_b", "intake air throttle B, relative position")], 100 / 255),
    _sensors(0x6B, 1, "degC", [
        (f"egr_temperature_{name}", f"recirculated exhaust gas, bank {name[0]}, sensor {name[2]}")
        for name in ("1_1", "1_2", "2_1", "2_2")], 1.0, -40.0),
    _sensors(0x6C, 1, "%", [
        ("throttle_wanted_a", "throttle A, wanted"), ("throttle_a_actual", "throttle A, relative"),
        ("throttle_wanted_b", "throttle B, wanted"), ("throttle_b_actual", "throttle B, relative")],
        100 / 255),
    Parameter(0x6D, 11, tuple(
        value for n, side in enumerate("ab") for value in (
            Value(f"rail_wanted_{side}", "kPa", f"fuel rail {side.upper()}, wanted, gauge",
                  1 + 5 * n, 2, 10.0, quantity=GAUGE, bit=3 * n),
            Value(f"rail_actual_{side}", "kPa", f"fuel rail {side.upper()}, gauge",
                  3 + 5 * n, 2, 10.0, quantity=GAUGE, bit=3 * n + 1),
            Value(f"rail_temperature_{side}", "degC", f"fuel rail {side.upper()}",
                  5 + 5 * n, 1, 1.0, -40.0, quantity="temperature", bit=3 * n + 2),
        )), MEMORY),
    _sensors(0x6E, 2, "kPa", [
        ("injection_wanted_a", "injection control A, wanted, gauge"),
        ("injection_pressure_a", "injection control A, gauge"),
        ("injection_wanted_b", "injection control B, wanted, gauge"),
        ("injection_pressure_b", "injection control B, gauge")], 10.0, quantity=GAUGE),
    _sensors(0x6F, 1, "kPa", [
        ("compressor_inlet_a", "before the compressor, sensor A, absolute"),
        ("compressor_inlet_b", "before the compressor, sensor B, absolute")], quantity=ABSOLUTE),
    Parameter(0x70, 10, (*(
        value for n, side in enumerate("ab") for value in (
            Value(f"charge_wanted_{side}", "kPa", f"charge pressure {side.upper()}, wanted, "
                  "absolute", 1 + 4 * n, 2, 1 / 32, quantity=ABSOLUTE, bit=3 * n),
            Value(f"charge_pressure_{side}", "kPa", f"charge pressure {side.upper()}, absolute",
                  3 + 4 * n, 2, 1 / 32, quantity=ABSOLUTE, bit=3 * n + 1),
        )),
        Value("charge_control_a", "1", "charge pressure control A", 9, bits=(0, 2), bit=2,
              labels=CHARGE_CONTROL),
        Value("charge_control_b", "1", "charge pressure control B", 9, bits=(2, 2), bit=5,
              labels=CHARGE_CONTROL),
    ), MEMORY),
    _sensors(0x73, 2, "kPa", [
        ("exhaust_pressure_1", "exhaust, bank 1, absolute"),
        ("exhaust_pressure_2", "exhaust, bank 2, absolute")], 0.01, quantity=ABSOLUTE),
    *[_sensors(0x77 + bank, 2, "degC", [
        (f"exhaust_{bank}_{n}", f"exhaust gas, bank {bank}, sensor {n}") for n in range(1, 5)],
        0.1, -40.0) for bank in (1, 2)],
    _sensors(0x87, 2, "kPa", [
        ("manifold_pressure_a", "intake manifold, sensor A, absolute"),
        ("manifold_pressure_b", "intake manifold, sensor B, absolute")], 1 / 32,
        quantity=ABSOLUTE),
]  # fmt: skip

PARAMETERS: dict[int, Parameter] = {parameter.pid: parameter for parameter in _TABLE}

BITMAPS = range(0x00, 0xE1, 0x20)
"""Parameters that say which of the next 32 an ECU has."""

SCALES = frozenset({0x4F, 0x50})
"""Parameters that say how others are scaled: asked once of each ECU that has them."""

SIZES: dict[int, int] = {
    **{pid: parameter.size for pid, parameter in PARAMETERS.items()},
    **dict.fromkeys(BITMAPS, 4),
    0x02: 2, 0x12: 1, 0x1C: 1, 0x1E: 1, 0x30: 1, 0x5F: 1,
}  # fmt: skip
"""Data bytes of each parameter, also of those that are not decoded: to find the next one."""
ALONE = frozenset(pid for pid, parameter in PARAMETERS.items() if parameter.longest)
"""Parameters of varying length: nothing can stand behind them in an answer."""


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
        if pid in ALONE:
            size = min(len(data) - at - 1, PARAMETERS[pid].longest)
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
