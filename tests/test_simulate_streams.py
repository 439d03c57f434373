"""The simulated control unit's stream and the wideband controller: what they put on their wires.

The judges are a decoder of this file, a reference library's checksum and the simulator's truth;
the declared drivers are then held against those.
"""

from __future__ import annotations

import struct
from dataclasses import replace
from math import pi
from pathlib import Path

import numpy as np
import pytest
from crccheck.crc import Crc16Ibm3740

from daq.bench import load_bench
from daq.driver import Chunk, ChunkKind, Preface
from daq.errors import ConfigError
from daq.simulate.bench import STEP_S, Settings, record
from daq.simulate.car import Car
from daq.simulate.car_can import EcuParameters
from daq.simulate.demo import place
from daq.simulate.ecu_stream import EcuStream
from daq.simulate.line import Faults
from daq.simulate.wideband import Wideband
from daq.testing.rows import malformed, tables

CONFIG = Path(__file__).resolve().parents[1] / "config"
BYTE_S = {"ecu": 10 / 115_200, "wideband": 10 / 19_200}
COUNTER, SPEED, PRESSURE, COOLANT, ADVANCE, BITS, LAMBDA = range(7)


@pytest.fixture(scope="module")
def run():
    return record()


@pytest.fixture(scope="module")
def truth(run):
    known = run.rig.truth.table()
    return lambda column, time: np.interp(time, known["time"], known[column])


def data_of(run, wire):
    return b"".join(chunk.data for chunk in run.chunks[wire])


def frames_of(data: bytes) -> list[tuple]:
    """Sound frames by hand: a sync, 12 bytes, CRC-16 of those, the low byte first."""
    found, at = [], 0
    while (at := data.find(b"\xa5\x5a", at)) >= 0 and at + 16 <= len(data):
        body = data[at + 2 : at + 14]
        if Crc16Ibm3740.calc(body) == int.from_bytes(data[at + 14 : at + 16], "little"):
            found.append(struct.unpack("<BHHBhHH", body))
            at += 16
        else:
            at += 1
    return found


def decoded(chunks: list[Chunk], device: str):
    """Rows by the demonstration's own driver, and its report."""
    driver = load_bench(CONFIG / "bench.toml").driver(device)
    wire = device
    decoder = driver.decoder(Preface("", 1, wire={"byte_ns": BYTE_S[wire] * 1e9}))
    blocks = decoder.feed(chunks)
    assert malformed(driver.streams({}), blocks) == []
    return tables(driver.streams({}), blocks), decoder.report()


# --- the control unit's stream


def test_every_byte_of_the_stream_belongs_to_a_sound_frame(run):
    data = data_of(run, "ecu")
    frames = frames_of(data)
    assert len(frames) == len(data) // 16
    assert [frame[COUNTER] for frame in frames] == [n % 256 for n in range(len(frames))]
    assert len(frames) > 256  # so that the counter wraps in mid-run


def test_frames_come_at_the_rate_of_the_units_clock(run):
    frames = len(frames_of(data_of(run, "ecu")))
    assert frames / run.rig.time_s == pytest.approx(100.0, rel=1e-3)


def test_the_declaration_reads_what_the_unit_sends(run):
    table, report = decoded(run.chunks["ecu"], "ecu")
    frames = frames_of(data_of(run, "ecu"))
    assert report["frames_ok"] == len(frames)
    assert report["frames_bad"] == report["bytes_skipped"] == report["restarts"] == 0
    expected = [
        (f[SPEED] / 4, f[PRESSURE] / 100, f[COOLANT] - 40, f[ADVANCE] / 10, (f[BITS] & 1023) / 10,
         f[BITS] >> 10 & 3, f[LAMBDA] / 10_000)
        for f in frames
    ]  # fmt: skip
    assert np.array(table["engine"].rows) == pytest.approx(np.array(expected), rel=1e-12)
    assert table["engine"].index == list(range(len(frames)))


def test_no_row_is_bounded_before_it_left(run):
    table, _ = decoded(run.chunks["ecu"], "ecu")
    hi = (np.array(table["engine"].t_hi) - run.start_ns) / 1e9
    due = 0.0037 + np.arange(len(hi)) * 0.010 / (1 - 47e-6)
    assert (hi >= due).all()
    # lateness of up to 1.2 ms, a step, a read each 2 ms and its own 0.25 ms
    assert np.max(hi - due) < 0.0012 + 0.001 + 0.002 + 0.0003


def ramp(slope: float, seconds: float = 2.0, begin: float = 1000.0) -> np.ndarray:
    """(bench time, rpm sent) of a control unit whose engine speeds up by *slope* rpm/s."""
    unit, car, sent = EcuStream(EcuParameters(clock_ppm=0.0), 1, STEP_S), Car(), []
    for n in range(1, round(seconds / STEP_S)):
        car.engine_speed = (begin + slope * n * STEP_S) * pi / 30
        sent += [(n * STEP_S, f[SPEED] / 4) for f in frames_of(unit.step(n * STEP_S, car, 0))]
    return np.array(sent)


def test_engine_speed_is_as_old_as_stated():
    """a + b/rpm, with a = 6 ms, b = 15 s/min: half of the half turn that is averaged over."""
    sent = ramp(slope=2000.0)[20:]
    age = sent[:, 0] - (sent[:, 1] - 1000.0) / 2000.0
    stated = 0.006 + 15.0 / (1000.0 + 2000.0 * sent[:, 0])
    # to the end of a step of 1 ms; half of 0.25 rpm is 0.0625 ms
    assert np.all(age - stated > -0.0001)
    assert np.all(age - stated < 0.0011)


@pytest.mark.parametrize(
    ("field", "scale", "offset", "column", "age_s", "tolerance"),
    [
        (PRESSURE, 0.01, 0.0, "map", 0.012, 0.4),
        (COOLANT, 1.0, -40.0, "coolant", 0.0, 0.51),
    ],
)
def test_values_are_what_the_car_does(run, truth, field, scale, offset, column, age_s, tolerance):
    table, _ = decoded(run.chunks["ecu"], "ecu")
    sampled = (np.array(table["engine"].t_hi) - run.start_ns) / 1e9 - 0.002 - age_s
    sent = np.array([f[field] for f in frames_of(data_of(run, "ecu"))]) * scale + offset
    far = np.abs(sent - truth(column, sampled))
    assert np.percentile(far, 95) < tolerance


def test_throttle_and_state_share_a_word(run, truth):
    frames = frames_of(data_of(run, "ecu"))
    word = np.array([f[BITS] for f in frames])
    assert (word >> 15 & 1).all()  # the sensor is sound
    throttle = (word & 1023) / 10
    assert throttle.max() == pytest.approx(100 * truth("throttle", np.arange(0, 40, 0.01)).max())
    state = word >> 10 & 3
    closed_loop = 1
    assert closed_loop not in state[throttle > 91]
    assert closed_loop in state[throttle < 50]
    assert 2 in state[throttle < 1]  # the fuel is cut when the driver lifts


def test_a_bad_line_costs_the_frames_that_it_touches():
    faults = {"ecu": Faults(noise_bytes_per_s=20.0, lost_bytes_per_s=20.0)}
    clean = frames_of(data_of(record(Settings(), until_s=10.0), "ecu"))
    spoilt = record(Settings(faults=faults), until_s=10.0)
    table, report = decoded(spoilt.chunks["ecu"], "ecu")
    assert 0.5 * len(clean) < report["frames_ok"] < len(clean)
    # the counter bridges what is lost: every row stands at its own place, and is true
    for index, row in zip(table["engine"].index, table["engine"].rows, strict=True):
        assert (row[0] * 4, round(row[1] * 100)) == clean[index][SPEED : PRESSURE + 1]


# --- the wideband controller


def shown(run) -> list[tuple[str, int, int]]:
    lines = data_of(run, "wideband").split(b"\r\n")[:-1]
    return [
        (text, int(heater), int(degc))
        for text, heater, degc in (line.decode().split(";") for line in lines)
    ]


def test_the_controller_warms_up_then_shows_lambda(run, truth):
    rows = shown(run)
    time = 0.0434 + 0.1 * np.arange(len(rows))
    heat = [text == "HEAT" for text, _, _ in rows]
    assert heat == (time < 3.0).tolist()
    assert [degc for _, _, degc in rows][:2] != [780, 780]
    assert {degc for (_, _, degc), warming in zip(rows, heat) if not warming} == {780}
    inverse = truth("sensor_lambda_inverse", np.ceil(time / STEP_S) * STEP_S)
    for (text, _, _), warming, expected in zip(rows, heat, inverse, strict=True):
        if not warming and text not in ("LEAN", "RICH"):
            assert float(text) == pytest.approx(1 / expected, abs=0.0006)


def test_fuel_cut_is_over_range(run, truth):
    rows = shown(run)
    time = 0.0434 + 0.1 * np.arange(len(rows))
    lean = np.array([text == "LEAN" for text, _, _ in rows])
    inverse = truth("sensor_lambda_inverse", time)
    assert lean.any()
    assert (inverse[lean] < 1 / 1.95).all()


def test_the_declaration_tells_states_from_values(run):
    table, report = decoded(run.chunks["wideband"], "wideband")
    assert report["frames_bad"] == report["lines_other"] == 0
    words = {"HEAT": 1, "RICH": 2, "LEAN": 3}
    expected = [
        (None if text in words else float(text), words.get(text, 0), heater, degc)
        for text, heater, degc in shown(run)
    ]
    assert table["exhaust"].rows == expected[1:]  # the first may be the rest of a cut line


def test_the_same_car_gives_the_same_lines():
    car = Car()
    one, other = Wideband(), Wideband()
    assert one.step(2.0, car, 0) == other.step(2.0, car, 0)
    assert one.receive(b"?") == b""


# --- their place on the bench


@pytest.mark.parametrize(
    ("device", "key", "value"),
    [("ecu", "baud", 9600), ("ecu", "parity", "even"), ("wideband", "stop_bits", 2)],
)
def test_a_line_set_otherwise_than_declared_is_named(tmp_path, device, key, value):
    path = place(tmp_path / "bench")
    text = path.read_text()
    head = f"[wire.{device}]\n"
    begin = text.index(head) + len(head)
    end = text.index("\n[", begin)
    lines = [item for item in text[begin:end].splitlines() if not item.startswith(f"{key} ")]
    lines.append(f"{key} = {value!r}".replace("'", '"'))
    path.write_text(text[:begin] + "\n".join(lines) + "\n" + text[end:])
    with pytest.raises(ConfigError) as raised:
        load_bench(path)
    words = str(raised.value)
    assert f"wire.{device}.{key}" in words
    assert repr(value) in words
    assert f"device {device!r}" in words


def test_noise_before_the_first_frame_is_passed_over(run):
    chunks = run.chunks["ecu"]
    noise = Chunk(ChunkKind.RX, chunks[0].t_ns, b"\xa5\x5a\xa5\x00noise")
    table, report = decoded([noise, *chunks], "ecu")
    assert report["frames_ok"] == len(frames_of(data_of(run, "ecu")))
    assert len(table["engine"].rows) == report["frames_ok"]


def test_settings_of_the_units_clock_move_its_frames():
    settings = Settings(ecu=replace(EcuParameters(), clock_ppm=10_000.0))
    frames = frames_of(data_of(record(settings, until_s=5.0), "ecu"))
    assert len(frames) == pytest.approx(505, abs=1)
