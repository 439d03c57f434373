"""What the simulated devices put on their wires, read back by others than themselves."""

from __future__ import annotations

import hashlib
from dataclasses import asdict
from math import pi
from pathlib import Path
from types import SimpleNamespace

import cantools
import numpy as np
import pytest

from daq.driver import Preface
from daq.simulate.bench import STEP_S, Settings, record
from daq.simulate.car import Car
from daq.simulate.car_can import CarCan, EcuParameters, bounded, pack, slcan_line
from daq.simulate.line import Faults
from daq.simulate.rollers import RollerParameters
from daq.simulate.unit import Encoder
from drivers.pulse_unit import PulseUnit

CONFIG = Path(__file__).resolve().parents[1] / "config"


@pytest.fixture(scope="module")
def run():
    return record()


@pytest.fixture(scope="module")
def truth(run):
    return run.rig.truth.table()


@pytest.fixture(scope="module")
def streams(run):
    """Rows of the unit by the driver: stream to (host-time bound, index, raw by channel)."""
    hello = asdict(run.rig.instruments["unit"].firmware.config)
    known = ("serial_number", "firmware", "tick_hz", "encoders", "encoder_period_ticks",
             "analogue", "digital_inputs", "native_usb")  # fmt: skip
    preface = Preface("pulse_unit", 1, found={"hello": {name: hello[name] for name in known}},
                      wire={"byte_ns": 1e10 / 921_600})  # fmt: skip
    decoder = PulseUnit(PulseUnit.Config(), {}).decoder(preface)
    rows = {}
    for block in decoder.feed(run.chunks["unit"]):
        rows.setdefault(block.stream, []).append(block)
    assert decoder.report()["frames_bad"] == 0
    return {
        name: SimpleNamespace(
            t_hi=np.concatenate([b.t_hi for b in blocks]),
            index=np.concatenate([b.index for b in blocks]),
            raw={c: np.concatenate([b.raw[c] for b in blocks]) for c in blocks[0].raw},
        )
        for name, blocks in rows.items()
    }


@pytest.fixture(scope="module")
def frames(run):
    """(arrival in s of the bench's time, id, extended, data) of every CAN frame."""
    found, rest = [], b""
    for chunk in run.chunks["car_can"]:
        *lines, rest = (rest + chunk.data).split(b"\r")
        for line in lines:
            extended = line[:1] == b"T"
            digits = 8 if extended else 3
            length = int(line[1 + digits : 2 + digits])
            data = bytes.fromhex(line[2 + digits :].decode())
            assert len(data) == length
            arrival = (chunk.t_ns - run.start_ns) / 1e9
            found.append((arrival, int(line[1 : 1 + digits], 16), extended, data))
    return found


@pytest.fixture(scope="module")
def dbc():
    return cantools.database.load_file(CONFIG / "can" / "demo_car.dbc")


def true_time(ticks):
    """Bench time in s of the unit's unwrapped ticks."""
    settings = Settings()
    return (ticks - settings.unit.first_tick) / (1e6 * (1 + settings.unit.crystal_ppm * 1e-6))


# --- the unit


def test_encoder_counts_are_the_distance(streams, truth):
    # Source: distance = counts π d / N, by geometry
    encoder = streams["encoder_1"]
    count = encoder.raw["encoder_1_count"]
    position = np.interp(true_time(encoder.index), truth["time"], truth["roller_position"])
    # one count of quantisation, 0.06 of eccentricity and 4 x 0.02 of slots, 0.06 at the zero
    assert np.abs(count - position * 1000 / (pi * 0.5)).max() < 1.3
    assert count[-1] > 150_000


def test_edge_ticks_are_exact(streams, truth):
    """Where the edge's count was reached the roller stood there, but for the disc's own errors."""
    encoder = streams["encoder_1"]
    count, edge = encoder.raw["encoder_1_count"], encoder.raw["encoder_1_edge_tick"]
    edge = edge + ((encoder.index - edge) >> 32 << 32)
    moving = np.interp(true_time(encoder.index), truth["time"], truth["roller_speed"]) > 5.0
    position = np.interp(true_time(edge[moving]), truth["time"], truth["roller_position"])
    error = count[moving] - position * 1000 / (pi * 0.5)
    error -= error.mean()
    assert np.sqrt(np.mean(error**2)) < 0.06


def test_eccentricity_and_slot_noise_are_as_stated():
    encoder = Encoder(RollerParameters(), seed=3)
    angle = 2 * pi * np.arange(1000) / 1000
    errors = np.array(encoder.errors)
    swing = 2 / 1000 * np.hypot(errors @ np.sin(angle), errors @ np.cos(angle))
    assert swing == pytest.approx(0.06, abs=0.003)
    assert errors.std() ** 2 - 0.06**2 / 2 == pytest.approx(0.02**2, rel=0.3)


def test_encoder_counts_never_go_back_on_a_turning_roller():
    encoder = Encoder(RollerParameters(), seed=3)
    seen = [encoder.counts(0.0001 * n) for n in range(40_000)]
    assert np.all(np.diff(seen) > 0)


def test_ignition_edges_lie_at_every_half_turn(streams, truth):
    # Source: four strokes, four cylinders, all coils joined: N/2 sparks a turn
    ignition = streams["ignition"]
    angle = np.interp(true_time(ignition.index), truth["time"], truth["crank_angle"])
    turns = angle / pi
    assert np.abs(turns - np.round(turns)).max() < 1e-3
    assert np.array_equal(np.round(turns), np.arange(1, len(turns) + 1))
    # the last block of 50 ms may not have left
    assert len(turns) > truth["crank_angle"][-1] / pi - 4


def test_tick_wraps_in_mid_run(streams):
    assert streams["encoder_1"].index[0] < 2**32 < streams["encoder_1"].index[-1]


def test_unit_clock_drifts_as_stated():
    """After 10 s the unit's clock is off by ppm × 10 µs."""
    for ppm in (-80.0, 0.0, 80.0):
        run = record(Settings(faults={"unit": Faults(clock_ppm=ppm)}), until_s=10.0)
        unit = run.rig.instruments["unit"].firmware
        elapsed = unit.tick_at(10.0) - unit.config.first_tick
        assert elapsed == pytest.approx(10_000_000 + 10 * ppm, abs=2)
        assert run.rig.describe(0)["unit_clock"]["ppm"] == ppm


def test_buttons_are_pressed_when_the_events_say(run, streams):
    digital = streams["digital"]
    for name, channel in (("arm", "di1"), ("start", "di2"), ("stop", "di3")):
        closed = digital.raw[channel] == 1
        pressed = true_time(digital.index[closed])[0]
        said = next(e.time_s for e in run.rig.events if e.name == f"button_{name}")
        assert pressed == pytest.approx(said, abs=0.002)
    closed = true_time(digital.index[digital.raw["di5"] == 1])
    pull = next(e.time_s for e in run.rig.events if e.name == "pull")
    assert closed[0] == pytest.approx(pull, abs=0.002)
    assert not digital.raw["di6"].any()


def test_no_row_is_bounded_before_it_was_sampled(run, streams):
    """The PC's bound of every row lies after the row's true time."""
    for stream in streams.values():
        bound = (stream.t_hi - run.start_ns) / 1e9
        assert np.all(bound >= true_time(stream.index) - 1e-6)


# --- the car's bus


def test_dbc_describes_what_the_car_sends(frames, dbc, truth):
    sent = {(number, extended) for _, number, extended, _ in frames}
    described = {(m.frame_id, m.is_extended_frame) for m in dbc.messages}
    assert sent - described == {(0x7A1, False)}
    assert described - sent == {(0x4F0, False)}


def decoded(frames, dbc, name):
    message = dbc.get_message_by_name(name)
    times, rows = [], []
    for arrival, number, extended, data in frames:
        if (number, extended) == (message.frame_id, message.is_extended_frame):
            times.append(arrival)
            rows.append(message.decode(data, decode_choices=False))
    return np.array(times), rows


@pytest.mark.parametrize(("name", "rate"), [("EngineFast", 100), ("WheelSpeeds", 50),
                                            ("Driveline", 20), ("SlowValues", 10)])  # fmt: skip
def test_messages_come_at_their_rates(frames, dbc, name, rate):
    times, rows = decoded(frames, dbc, name)
    assert len(rows) / (times[-1] - times[0]) == pytest.approx(rate, rel=0.01)
    assert 1 / rate == pytest.approx(float(np.median(np.diff(times))), abs=0.0021)
    # sent up to 1.2 ms late on a bus and read every 2 ms
    assert np.diff(times).max() < 1 / rate + 0.005


@pytest.mark.parametrize(("message", "signal", "column", "tolerance"), [
    ("EngineFast", "EngineSpeed", "engine_speed", 60.0),
    ("EngineFast", "ManifoldPressure", "map", 12.0),
    ("EngineFast", "EngineTorque", "engine_torque", 40.0),
    ("Driveline", "Gear", "gear", 0.0),
    ("SlowValues", "CoolantTemp", "coolant", 0.6),
    ("SlowValues", "OilTemp", "oil", 0.6),
    ("SlowValues", "InletAirTemp", "inlet_air", 0.7),
    ("SlowValues", "ExhaustTemp", "exhaust_gas", 25.0),
    ("SlowValues", "BatteryVoltage", "battery", 0.01),
])  # fmt: skip
def test_signals_are_what_the_car_does(frames, dbc, truth, message, signal, column, tolerance):
    """In the steady hold, where age does not matter, and by cantools."""
    times, rows = decoded(frames, dbc, message)
    chosen = [(t, row[signal]) for t, row in zip(times, rows) if signal in row and 9.2 < t < 9.7]
    assert chosen
    for time, value in chosen:
        true = np.interp(time, truth["time"], truth[column])
        assert abs(value - true) <= tolerance + 1e-9


def test_driven_wheels_turn_and_the_others_stand(frames, dbc):
    _, rows = decoded(frames, dbc, "WheelSpeeds")
    assert max(row["WheelSpeedFrontLeft"] for row in rows) > 110
    assert max(row["WheelSpeedRearRight"] for row in rows) == 0


def test_fuel_cut_shows_on_the_bus(frames, dbc, run):
    lift = next(e.time_s for e in run.rig.events if e.name == "lift")
    times, rows = decoded(frames, dbc, "Driveline")
    assert {row["FuelCut"] for t, row in zip(times, rows) if lift + 0.5 < t < lift + 2} == {1}


def ramp(slope, seconds=2.0, begin=1000.0):
    """EngineFast frames of a control unit whose engine speeds up by *slope* rpm/s."""
    bus, sent = CarCan(EcuParameters(clock_ppm=0.0), 1, STEP_S, opened=True), []
    car = Car()
    for n in range(1, round(seconds / STEP_S)):
        car.engine_speed = (begin + slope * n * STEP_S) * pi / 30
        for line in bus.step(n * STEP_S, car, 0).split(b"\r")[:-1]:
            if line.startswith(b"t110"):
                rpm = int.from_bytes(bytes.fromhex(line[5:9].decode()), "little") * 0.25
                sent.append((n * STEP_S, rpm))
    return np.array(sent)


def test_engine_speed_on_the_bus_is_as_old_as_stated():
    """a + b/rpm, with a = 6 ms, b = 15 s/min, before the schedule, its lateness and the bus."""
    sent = ramp(slope=2000.0)
    now, rpm = sent[20:, 0], 1000.0 + 2000.0 * sent[20:, 0]
    age = now - (sent[20:, 1] - 1000.0) / 2000.0
    stated = 0.006 + 15.0 / rpm
    # 0.25 ms on the bus, then to the end of a step of 1 ms; 0.25 rpm are 0.125 ms
    assert np.all(age - stated > 0.0001)
    assert np.all(age - stated < 0.0016)


def test_adapter_answers_and_is_silent_until_it_is_opened():
    # Source: the serial-line CAN protocol, from memory: a carriage return or a bell
    bus, car = CarCan(EcuParameters(), 1, STEP_S, opened=False), Car()
    assert b"".join(bus.step(n * STEP_S, car, 0) for n in range(1, 100)) == b""
    assert bus.receive(b"\r\rC\rS6") == b"\r\r\a"
    assert bus.receive(b"\rL\r") == b"\r\r"
    assert bus.receive(b"S4\rX\r") == b"\a\a"
    assert b"".join(bus.step(n * STEP_S, car, 0) for n in range(100, 200)).startswith(b"t")
    assert bus.receive(b"C\r") == b"\r"
    assert bus.step(0.2, car, 0) == b""


def test_lines_of_the_adapter():
    # Source: the serial-line CAN protocol, from memory
    assert slcan_line(0x110, False, b"\x01\xab") == b"t110201AB\r"
    assert slcan_line(0x18F00C21, True, b"") == b"T18F00C210\r"


def test_packing_of_signals():
    assert pack((0, 16, 0x1234), (16, 12, 0x567), (28, 4, 8)).hex() == "3412678500000000"
    assert bounded(-1, 16) == 0xFFFF
    assert bounded(1e9, 12) == 0xFFF


# --- the same settings, the same bytes


def digest(settings, until_s=6.0):
    total = hashlib.sha256()
    for name, chunks in sorted(record(settings, until_s=until_s).chunks.items()):
        for chunk in chunks:
            total.update(f"{name} {chunk.t_ns} ".encode() + chunk.data)
    return total.hexdigest()


def test_same_seed_same_bytes_and_times():
    assert digest(Settings(seed=5)) == digest(Settings(seed=5))
    assert digest(Settings(seed=5)) != digest(Settings(seed=6))


def test_bytes_do_not_depend_on_how_they_are_read():
    for name in ("unit", "car_can"):
        often, seldom = (
            b"".join(c.data for c in record(until_s=6.0, read_s=read_s).chunks[name])
            for read_s in (0.001, 0.050)
        )
        assert often[: len(seldom)] == seldom[: len(often)]
        assert abs(len(often) - len(seldom)) < 5000


def test_faults_reach_the_recording():
    clean = record(until_s=4.0).chunks["unit"]
    faults = Faults(unplugged=((1.0, 1.0),), stalls=((3.0, 0.5),))
    spoilt = record(Settings(faults={"unit": faults}), until_s=4.0)
    times = np.array([(c.t_ns - spoilt.start_ns) / 1e9 for c in spoilt.chunks["unit"]])
    assert not np.any((times > 1.001) & (times < 2.0))
    assert not np.any((times > 3.001) & (times < 3.5))
    assert sum(len(c.data) for c in spoilt.chunks["unit"]) < sum(len(c.data) for c in clean)
