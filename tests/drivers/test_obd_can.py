"""OBD-II over CAN: published values, and the conversation with simulated ECUs of all habits."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.bench import load_bench
from daq.config import load
from daq.driver import Chunk, ChunkKind
from daq.errors import ConfigError
from daq.simulate.car_can import slcan_line
from daq.simulate.ecu import Ecu, Frame
from daq.units import UNITS
from drivers.obd_can import Config, ObdCan
from drivers.obd_can.bus import Ear, Party, in_words
from drivers.obd_can.pids import PARAMETERS, rescaled, split, supported

sys.path.insert(0, str(Path(__file__).parent))

from obd_car import NAMES, SIX, Car, engine, received

CHECKS = json.loads((Path(__file__).parents[1] / "data/obd_check_values.json").read_text())[
    "values"
]
MILLISECOND = 1_000_000


def checks(prefix: str) -> list[Any]:
    found = [pytest.param(c, id=c["id"]) for c in CHECKS if c["id"].startswith(prefix)]
    assert found
    return found


# --- published values; each check names its source


@pytest.mark.parametrize("check", checks("obd.01."))
def test_scaling_of_service_01(check):
    pid, data = int(check["inputs"]["pid"], 16), bytes.fromhex(check["inputs"]["data_hex"])
    parameter = PARAMETERS[pid]
    assert len(data) == parameter.size
    wanted = check["expected"] if isinstance(check["expected"], list) else [check["expected"]]
    assert len(wanted) == len(parameter.values)
    for value, expected in zip(parameter.values, wanted):
        raw = value.raw(data)
        assert raw is not None or expected == 0.0  # the sensor is not there, by its bit
        if raw is not None:
            got = raw * value.scale + value.offset
            assert got == pytest.approx(expected, abs=check["tolerance"])


@pytest.mark.parametrize(
    ("pid", "text", "expected"),
    [
        # SAE J1979, as the public tables have it, from memory
        (0x01, "83070000", [3, 1, 0, 0x070000]),
        (0x03, "0200", [2, 0]),
        (0x14, "5AFF", [0.45, None]),  # FF: the sensor has no part in the trim
        (0x51, "04", [4]),
        (0x54, "FF80", [-128]),
        (0x64, "7D7E7C7DFF", [0, 1, -1, 0, 130]),
        (0x68, "037B41", [83, 25, None, None, None, None]),
        (0x68, "3F292A2B2C2D2E", [1, 2, 3, 4, 5, 6]),
        (0x69, "077F8080000000", [49.80392157, 50.19607843, 0, None, None, None]),
        (0x6F, "016400", [100, None]),
        (0x70, "03" + "0C80" + "0CA0" + "00000000" + "02", [100, 101, None, None, None, None]),
        (0x73, "0127100000", [100, None]),
        (0x78, "0113880000" + "00000000", [460, None, None, None]),
        (0x87, "010C800000", [100, None]),
    ],
)
def test_parameters_that_no_published_example_covers(pid, text, expected):
    values = [(v, v.raw(bytes.fromhex(text))) for v in PARAMETERS[pid].values]
    got = [None if raw is None else raw * v.scale + v.offset for v, raw in values]
    assert got == [None if e is None else pytest.approx(e, abs=1e-6) for e in expected]


@pytest.mark.parametrize("check", checks("obd.support"))
def test_support_bitmap(check):
    base, data = int(check["inputs"]["base_pid"], 16), bytes.fromhex(check["inputs"]["data_hex"])
    assert [f"{pid:02X}" for pid in supported(base, data)] == check["expected"]


@pytest.mark.parametrize("check", checks("obd.nrc"))
def test_negative_answer_in_words(check):
    words = in_words(bytes.fromhex(check["inputs"]["payload_hex"]))
    assert words == check["expected"].removesuffix(" (P2*)")


@pytest.mark.parametrize("check", checks("isotp.multipid.decode"))
def test_several_parameters_of_one_answer(check):
    found = split(bytes.fromhex(check["inputs"]["payload_hex"])[1:])
    values = [(PARAMETERS[pid].values[0], data) for pid, data in found.items()]
    got = [v.raw(data) * v.scale + v.offset for v, data in values]
    assert got == pytest.approx(check["expected"], abs=check["tolerance"])


def test_full_scales_of_4f_and_50_rescale():
    """SAE J1979, from memory: 510 kPa full scale doubles parameter 0B, 0 changes nothing."""
    scales = {"4F": bytes([4, 16, 255, 51]), "50": bytes([131, 0, 0, 0])}
    assert 255 * rescaled(PARAMETERS[0x0B], scales).values[0].scale == pytest.approx(510)
    assert 65535 * rescaled(PARAMETERS[0x10], scales).values[0].scale == pytest.approx(1310)
    lambda_, volt = rescaled(PARAMETERS[0x24], scales).values
    assert lambda_.scale == pytest.approx(4 / 65536)
    assert volt.scale == pytest.approx(16 / 65536)
    current = rescaled(PARAMETERS[0x34], scales).values[1]
    assert current.offset == -255
    assert 32768 * current.scale + current.offset == pytest.approx(0)
    assert rescaled(PARAMETERS[0x0B], {"4F": bytes(4)}) == PARAMETERS[0x0B]


def test_channels_have_names_of_their_own_units_and_sources():
    streams = ObdCan(Config({f"{pid:02X}": 1.0 for pid in PARAMETERS}), {}).streams({})
    channels = [channel for stream in streams for channel in stream.channels]
    assert len({channel.name for channel in channels}) == len(channels)
    assert all("J1979" in channel.source for channel in channels)
    assert {channel.unit for channel in channels} <= set(UNITS)


def test_manifold_pressure_at_the_end_of_its_byte_is_not_believed():
    """255 kPa is all that a byte can say of a charged engine; rescaled, the end lies higher."""
    driver = ObdCan(Config({"0B": 1.0}), {})
    assert driver.streams({})[0].channels[0].high == 254
    found = {"asked": {"0B": "7E8"}, "ecus": {"7E8": {"scales": {"4F": "00000033"}}}}
    assert driver.streams(found)[0].channels[0].high == 508


# --- configuration


@pytest.mark.parametrize(
    ("keys", "what"),
    [
        ({"pids": {}}, "at least one"),
        ({"pids": {"0Z": 1.0}}, "'0Z' not known"),
        ({"pids": {"FF": 1.0}}, "'FF' not known"),
        ({"pids": {"0c": 1.0, "0C": 2.0}}, "given twice"),
        ({"pids": {"0C": 1.0}, "ecus": ["7E0"]}, "'7E0' is no identifier of answers"),
        ({"pids": {"0C": 1.0}, "ecus": ["7E8"], "extended_ids": True}, "18DAF100"),
    ],
)
def test_mistakes_are_named(keys, what):
    with pytest.raises(ConfigError, match=what):
        load(Config, keys)


def test_on_a_wire_that_only_listens_nothing_starts(tmp_path):
    (tmp_path / "bench.toml").write_text(
        '[bench]\nname = "B"\n[wire.car]\nkind = "slcan"\nport = "/dev/null"\nbitrate = 500000\n'
        '[device.obd]\nwire = "car"\ndriver = "obd_can"\n[device.obd.pids]\n"0C" = 10\n'
    )
    with pytest.raises(ConfigError, match="listen_only = false"):
        load_bench(tmp_path / "bench.toml")


# --- finding ECUs


def test_ecus_and_what_they_have_are_found():
    car = Car(engine(), Ecu({0x0D: lambda: b"\x31"}, answers=0x7E9), pids={"0C": 10.0, "46": 1.0})
    car.run(1.0)
    assert set(car.found["ecus"]) == {"7E8", "7E9"}
    assert {"0C", "46"} <= set(car.found["ecus"]["7E8"]["has"])
    assert car.found["ecus"]["7E9"]["has"] == ["0D"]
    assert car.found["asked"] == {"0C": "7E8", "46": "7E8"}


@pytest.mark.parametrize(("ecus", "expected"), [((), 0x32), (("7e9",), 0x31), (("7EF",), 0x32)])
def test_a_channel_has_one_source_the_preferred_one(ecus, expected):
    gearbox = Ecu({0x0D: lambda: b"\x31"}, answers=0x7E9, answer_s=0.001)
    car = Car(engine(), gearbox, pids={"0D": 10.0}, ecus=ecus)
    car.run(2.0)
    assert {raw for _, _, raw in car.rows()["vehicle_speed"]} == {expected}


def test_identifiers_of_29_bits():
    ecus = [engine(extended=True, answers=0x18DAF110), engine(extended=True, answers=0x18DAF117)]
    car = Car(*ecus, pids=SIX, extended_ids=True)
    car.run(2.0)
    assert set(car.found["ecus"]) == {"18DAF110", "18DAF117"}
    assert {len(rows) > 50 for rows in car.rows().values()} == {True}
    assert all(frame.extended for frame in ecus[0].heard)
    assert ecus[0].heard[1].identifier == 0x18DA10F1


def test_scalings_are_read_before_values_even_when_a_request_is_lost():
    ecu = Ecu({0x0B: lambda: b"\x64", 0x4F: lambda: bytes([0, 0, 0, 51])})
    car = Car(ecu, pids={"0B": 10.0})
    ecu.ignores = frozenset({0x4F})
    car.run(1.8)
    assert car.found == {}
    ecu.ignores = frozenset()
    car.run(1.5)
    (stream,) = car.driver.streams(car.found)
    assert stream.channels[0].scale == pytest.approx(2.0)


def test_a_scaling_that_is_listed_and_never_told_is_named():
    ecu = Ecu({0x0B: lambda: b"\x64", 0x4F: lambda: bytes(4)}, ignores=frozenset({0x4F}))
    car = Car(ecu, pids={"0B": 10.0})
    car.run(5.0)
    assert any("lists 4F" in note and "unscaled" in note for note in car.notes)
    assert len(car.rows()["manifold_pressure"]) > 10


def test_what_no_ecu_lists_is_tried_seldom_and_taken_when_it_comes():
    ecu = engine(hides=frozenset({0x46}))
    car = Car(ecu, pids={"0C": 10.0, "46": 5.0, "5C": 5.0})
    car.run(70.0)
    asked = [data for _, data in car.requests()]
    assert any("46, 5C" in note for note in car.notes)
    assert len(car.rows()["ambient_temperature"]) > 200
    assert 2 <= asked.count(b"\x01\x5c") <= 3
    assert len(car.rows()["engine_speed"]) > 0.9 * 700


# --- asking


def test_values_and_their_bounds():
    car = Car(engine(), pids={"0C": 10.0, "05": 1.0})
    car.run(5.0)
    rows = car.rows()
    assert [raw for _, _, raw in rows["engine_speed"]] == list(
        range(1, len(rows["engine_speed"]) + 1)
    )
    assert len(rows["engine_speed"]) == pytest.approx(48, abs=4)
    assert len(rows["coolant_temperature"]) == pytest.approx(5, abs=1)
    assert {raw for _, _, raw in rows["coolant_temperature"]} == {0x7B}
    took = [(high - low) / MILLISECOND for low, high, _ in rows["engine_speed"]]
    assert 8 <= min(took) <= max(took) < 10  # the ECU's own 8 ms and a step


def test_each_value_comes_at_its_own_rate():
    rates = {"0C": 20.0, "0B": 10.0, "0D": 5.0, "0F": 1.0, "11": 2.0, "05": 0.5}
    car = Car(engine(), pids=rates)
    car.run(21.0)
    rows = car.rows()
    for pid, rate in rates.items():
        assert len(rows[NAMES[pid]]) == pytest.approx(20.5 * rate, rel=0.05, abs=1.5)


def test_several_at_once_are_at_least_three_times_as_fast():
    rates = dict.fromkeys(SIX, 100.0)
    counts = []
    for together in (True, False):
        car = Car(engine(), pids=rates, together=together)
        car.run(5.0)
        counts.append(sum(map(len, car.rows().values())))
    assert counts[0] >= 3 * counts[1]


def test_more_than_fit_one_request_take_turns():
    car = Car(engine(answer_s=0.02), pids={**dict.fromkeys(SIX, 100.0), "46": 100.0})
    car.run(5.0)
    counts = [len(rows) for rows in car.rows().values()]
    assert len(counts) == 7
    assert min(counts) > 0.8 * max(counts)


@pytest.mark.parametrize("many", ["first", "refused", "silent"])
def test_an_ecu_that_takes_only_one_at_a_time_is_asked_singly(many):
    car = Car(engine(many=many), pids=SIX)
    car.run(6.0)
    counts = {name: len(rows) for name, rows in car.rows().items()}
    assert len(counts) == 6
    assert min(counts.values()) > 0.8 * max(counts.values())
    late = [data for t_ns, data in car.requests() if t_ns > 3_000_000_000]
    assert len(late) > 300
    assert {len(data) for data in late} == {2}
    assert any("one parameter at a time" in note for note in car.notes)


def test_one_lost_answer_does_not_make_an_ecu_one_that_takes_one_at_a_time():
    ecu = engine()
    car = Car(ecu, pids=SIX)
    for _ in range(5):
        car.run(1.0)
        ecu._due.clear()  # what it was about to say is lost
        ecu._rest.clear()
    car.run(1.0)
    assert max(len(data) for _, data in car.requests()[-10:]) > 4


# --- refusals and silence


@pytest.mark.parametrize("code", [0x10, 0x11, 0x12, 0x13, 0x21, 0x22, 0x31])
def test_a_parameter_that_is_refused_costs_the_others_little(code):
    sound = Car(engine(), pids=SIX)
    spoilt = Car(engine(refuses={0x0B: code}), pids=SIX)
    for car in (sound, spoilt):
        car.run(20.0)
    good, bad = sound.rows(), spoilt.rows()
    assert "manifold_pressure" not in bad
    for name in set(good) - {"manifold_pressure"}:
        assert len(bad[name]) > 0.9 * len(good[name])
    words = in_words(bytes([0x7F, 1, code]))
    assert sum(words in note for note in spoilt.notes) >= 1
    assert len(spoilt.notes) <= 8


def test_two_parameters_of_six_that_are_never_answered_cost_the_others_little():
    sound = Car(engine(), pids=SIX, together=False)
    spoilt = Car(engine(ignores=frozenset({0x0B, 0x11})), pids=SIX, together=False)
    for car in (sound, spoilt):
        car.run(20.0)
    good, bad = sound.rows(), spoilt.rows()
    for name in set(good) - {"manifold_pressure", "throttle"}:
        assert len(bad[name]) > 0.9 * len(good[name])
    asked = [data for _, data in spoilt.requests()]
    assert asked.count(b"\x01\x0b") == asked.count(b"\x01\x11") == 3


def test_busy_is_asked_again_soon_and_conditions_when_they_are_met():
    for code, again_ms in ((0x21, 200), (0x22, 1000)):
        ecu = engine(refuses={0x0B: code})
        car = Car(ecu, pids={"0B": 10.0})
        car.run(1.5)
        ecu.refuses = {}
        car.run(3.0)
        ask = [t_ns for t_ns, data in car.requests() if data == b"\x01\x0b"]
        assert (ask[1] - ask[0]) / MILLISECOND == pytest.approx(again_ms + 8, abs=2)
        assert len(car.rows()["manifold_pressure"]) > 20


def test_pending_is_waited_for():
    car = Car(engine(pending=5), pids={"0C": 5.0})
    car.run(6.0)
    rows = car.rows()["engine_speed"]
    assert len(rows) > 5
    assert {round((high - low) / MILLISECOND) for low, high, _ in rows} == {8 + 5 * 80}


def test_pending_that_never_ends_is_given_up_and_costs_a_twentieth():
    ecu = engine()
    car = Car(ecu, pids={"0C": 10.0, "0D": 10.0}, together=False)
    car.run(1.0)
    asked_at: list[int] = []
    answered = ecu._ask

    def never(request: bytes, mine: bool) -> None:
        if request == b"\x01\x0d":
            asked_at.append(car.now_ns)
            ecu._refuse(1, 0x78)
        else:
            answered(request, mine)

    ecu._ask = never  # type: ignore[method-assign]
    car.run(60.0)
    assert len(asked_at) == 1
    assert len(car.rows()["engine_speed"]) > 0.9 * 600


def test_a_sleeping_ecu_is_probed_and_comes_back():
    ecu = engine(asleep=True)
    car = Car(ecu, pids={"0C": 10.0})
    car.run(5.0)
    assert car.found == {}
    assert 4 <= len(ecu.heard) <= 6  # a probe each second, no more
    assert len(car.notes) == 1
    assert "ignition" in car.notes[0]
    ecu.asleep = False
    car.run(3.0)
    assert len(car.rows()["engine_speed"]) > 10
    ecu.asleep = True
    heard = len(ecu.heard)
    car.run(20.0)
    assert len(ecu.heard) < heard + 24
    ecu.asleep = False
    before = len(car.rows()["engine_speed"])
    car.run(3.0)
    rows = car.rows()["engine_speed"]
    assert len(rows) > before + 15
    assert max(high - low for low, high, _ in rows) < 20 * MILLISECOND  # no stale value


def test_one_ecu_that_falls_asleep_costs_the_other_little():
    gearbox = Ecu({0x46: lambda: b"\x31"}, answers=0x7E9)
    values = {pid: tell for pid, tell in engine().values.items() if pid != 0x46}
    car = Car(Ecu(values), gearbox, pids={"0C": 20.0, "46": 20.0})
    car.run(2.0)
    gearbox.asleep = True
    before = len(car.rows()["engine_speed"])
    car.run(20.0)
    assert len(car.rows()["engine_speed"]) - before > 0.9 * 400
    gearbox.asleep = False
    before = len(car.rows()["ambient_temperature"])
    car.run(6.0)
    assert len(car.rows()["ambient_temperature"]) > before + 20


# --- hearing


@given(
    st.lists(
        st.tuples(st.integers(0x7E0, 0x7EF), st.booleans(), st.binary(min_size=1, max_size=8))
        | st.tuples(st.integers(0x18DAF0FE, 0x18DAF202), st.just(True),
                    st.binary(min_size=1, max_size=8)),
        max_size=12,
    ),
    st.data(),
)  # fmt: skip
@settings(max_examples=100, deadline=None)
def test_lines_and_records_are_heard_alike_in_any_cut(frames, data):
    frames = [Frame(number, content, extended) for number, extended, content in frames]
    wanted = [
        (Party(f.identifier, f.extended), f.data)
        for f in frames
        if (f.identifier >> 8 == 0x18DAF1 if f.extended else 0x7E8 <= f.identifier <= 0x7EF)
    ]
    assert Ear({"kind": "socketcan"}).hear(received(1, *frames)) == wanted
    text = b"".join(slcan_line(f.identifier, f.extended, f.data) for f in frames)
    ear, heard = Ear({"kind": "slcan"}), []
    while text:
        cut = data.draw(st.integers(1, len(text)))
        heard += ear.hear(Chunk(ChunkKind.RX, 1, text[:cut]))
        text = text[cut:]
    assert heard == wanted


def test_lines_with_stamps_are_heard_and_broken_ones_are_not():
    ear = Ear({"kind": "slcan"})
    text = b"z\rt7E880441 0C1AF8\rt7E83410C1A12AB\rxt7E8101\r\at7E82010203\rt7E8100\r"
    assert ear.hear(Chunk(ChunkKind.RX, 1, text)) == [
        (Party(0x7E8, False), b"\x41\x0c\x1a"),  # with a stamp, 12AB
        (Party(0x7E8, False), b"\x00"),
    ]
    assert ear.hear(Chunk(ChunkKind.RX, 1, b"0" * 5000 + b"t7E8100\r")) == []
    assert ear.hear(Chunk(ChunkKind.RX, 1, b"t7E8100\r")) == [(Party(0x7E8, False), b"\x00")]


@given(st.lists(st.tuples(st.integers(0x7DF, 0x7EF), st.binary(max_size=8)), max_size=60))
@settings(max_examples=200, deadline=None)
def test_any_frames_are_survived(frames):
    car = Car(pids={"0C": 10.0})
    for number, (identifier, data) in enumerate(frames):
        car.now_ns = number * 7 * MILLISECOND
        car.hear(Frame(identifier, data))
        if (car.talk.next_wake_ns or 0) <= car.now_ns:
            car.do(car.talk.wake(car.now_ns))
    car.rows()
