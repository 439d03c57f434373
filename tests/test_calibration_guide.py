"""Guided calibration: settling, taking points, points from CSV, the proposed record, the store."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daq.calibration import guide, settling, store
from daq.calibration.document import Point
from daq.calibration.faults import Held, Limits, debounce, limits
from daq.calibration.record import Calibration
from daq.calibration.signal import Signal
from daq.errors import CalibrationError, ConfigError

RNG = np.random.default_rng(42)
T = np.arange(0, 5, 0.01)
SIGNAL = Signal(kind="adc", bits=12, reference_v=5.0)


def read(raw: Any, **other: Any) -> settling.Reading:
    return settling.read(T, raw, drift_limit=2.0, **other)


# --- settling


def test_settled_reading() -> None:
    found = read(2000 + RNG.normal(0, 1.5, len(T)))
    assert found.settled
    assert found.reason == "settled"
    assert found.mean == pytest.approx(2000, abs=0.4)
    assert found.noise == pytest.approx(1.5, rel=0.15)
    assert found.uncertainty == pytest.approx(1.5 / math.sqrt(201), rel=0.4)


def test_first_order_settling_is_waited_for() -> None:
    """A step of 1000 counts with 1 s: 2 counts within 2 s are left after about 6 s."""
    step = 2000 + 1000 * np.exp(-T) + RNG.normal(0, 0.2, len(T))
    early = settling.read(T, step, drift_limit=2.0)
    assert not early.settled
    assert "still moving" in early.reason
    late = 2000 + 1000 * np.exp(-(T + 6)) + RNG.normal(0, 0.2, len(T))
    assert read(late).settled


def test_noise_cannot_pass_for_rest() -> None:
    """Too noisy to tell a drift of the limit is not settled; nor is noise above its own limit."""
    assert "still moving" in read(2000 + RNG.normal(0, 40, len(T))).reason
    assert "noise" in read(2000 + RNG.normal(0, 1.5, len(T)), noise_limit=1.0).reason


def test_correlated_noise_counts_less() -> None:
    """Source: variance of the mean of an AR(1) process, n (1 - ρ)/(1 + ρ); from memory."""
    spread, claimed = [], []
    for _ in range(300):
        noise = np.zeros(len(T))
        white = RNG.normal(0, 1, len(T))
        for i in range(1, len(T)):
            noise[i] = 0.8 * noise[i - 1] + white[i]
        found = settling.read(T, noise, drift_limit=100.0)
        spread.append(found.mean)
        claimed.append(found.uncertainty)
    assert np.mean(claimed) == pytest.approx(np.std(spread), rel=0.25)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (np.full(len(T), 4095.0), "at its end"),
        (np.where(T > 4, np.nan, 2000.0), "missing"),
    ],
)
def test_readings_that_cannot_be_judged(raw: Any, words: str) -> None:
    found = read(raw, rails=SIGNAL.rails)
    assert not found.settled
    assert words in found.reason


def test_too_few_readings() -> None:
    assert "no readings" in settling.read([], [], drift_limit=1.0).reason
    assert "wait for" in settling.read(T[:50], T[:50] * 0, drift_limit=1.0).reason


# --- points


def test_a_point_is_taken_from_a_settled_reading() -> None:
    reading = read(2048 + RNG.normal(0, 1, len(T)))
    point = guide.take(reading, SIGNAL, 150.0, reference_uncertainty=0.1, direction="up")
    assert point.indication == pytest.approx(2.5, abs=1e-3)
    assert point.indication_noise == pytest.approx(reading.uncertainty * 5 / 4096, rel=1e-6)


def test_points_that_are_not_taken() -> None:
    settled, moving = read(np.full(len(T), 2048.0)), read(T * 100)
    with pytest.raises(CalibrationError, match="still moving"):
        guide.take(moving, SIGNAL, 150.0)
    with pytest.raises(CalibrationError, match="expected a number"):
        guide.take(settled, SIGNAL, math.nan)
    ratio = Signal(kind="adc", bits=12, reference_v=5.0, supply="supply")
    with pytest.raises(CalibrationError, match="supply"):
        guide.take(settled, ratio, 150.0)
    with pytest.raises(CalibrationError, match="gives no signal"):
        guide.take(settled, ratio, 150.0, supply_v=1.0)
    with pytest.raises(CalibrationError, match="there is no point 3"):
        guide.without([], 3)


def test_directions_follow_the_reference() -> None:
    points = [Point(indication=r, reference=r) for r in (0.0, 5.0, 10.0, 10.0, 5.0, 0.0)]
    found = [point.direction for point in guide.directed(points)]
    assert found == ["up", "up", "up", "up", "down", "down"]


# --- CSV


@pytest.mark.parametrize("mark", [",", ";", "\t"])
def test_points_from_csv(mark: str) -> None:
    text = "# oil pressure\nindication,reference,direction\n0.5,0,up\n\n4.5,10,down\n".replace(
        ",", mark
    )
    assert guide.read_csv("\ufeff" + text, "points.csv") == (
        Point(0.5, 0.0, direction="up"),
        Point(4.5, 10.0, direction="down"),
    )


def test_every_wrong_line_is_named() -> None:
    text = "indication,reference,direction\n0.5,zero,up\n1,2\n1,nan,up\n1,2,sideways\n2,4,up\n"
    with pytest.raises(ConfigError) as caught:
        guide.read_csv(text, "points.csv")
    lines = [problem.split(": ")[1] for problem in caught.value.problems]
    assert lines == ["line 2", "line 3", "line 4", "line 5"]
    with pytest.raises(ConfigError, match="did you mean 'reference'"):
        guide.read_csv("indication,refrence\n1,2\n", "points.csv")
    with pytest.raises(ConfigError, match="no points"):
        guide.read_csv("\n", "points.csv")


# --- proposal and record


def calibrate(curve: float = 0.0) -> tuple[guide.Proposal, dict[str, Any]]:
    volts = np.array([0.5, 1.5, 2.5, 3.5, 4.5, 3.5, 2.5, 1.5, 0.5])
    bar = (volts - 0.5) * 2.5 + curve * (volts - 0.5) ** 2
    shift = np.where(np.arange(9) > 4, 0.02, 0.0)
    points = [
        Point(float(v), float(b), reference_uncertainty=0.01)
        for v, b in zip(volts + shift, bar, strict=True)
    ]
    template = {
        "channel": "oil_pressure",
        "quantity": "gauge_pressure",
        "unit": "bar",
        "signal": {"kind": "direct", "unit": "V"},
        "range": {"low": 0.0, "high": 12.0},
        "performed": {"at": "2026-11-20T10:00:00+01:00", "by": "R. Okafor"},
        "uncertainty": {"value": 0.01},
    }
    return guide.propose(guide.directed(points)), template


def test_proposal_becomes_a_record_that_loads() -> None:
    proposal, template = calibrate()
    assert proposal.fit.degree == 1
    assert proposal.repeats.hysteresis == pytest.approx(0.05, rel=0.1)  # 0.02 V at 2.5 bar/V
    table = guide.record_table(template, proposal, "an-id")
    record = Calibration.load(store.sealed(table, "oil.toml"), "oil.toml")
    volts = np.linspace(0.5, 4.5, 9)
    assert record.apply(volts)[0] == pytest.approx(proposal.fit.value(volts))
    by_hand = np.sqrt(proposal.fit.standard_uncertainty(volts) ** 2 + 0.01**2 + proposal.type_b**2)
    assert record.uncertainty(volts) == pytest.approx(by_hand, rel=1e-6)
    assert len(record.record.point) == 9
    assert {point.direction for point in record.record.point} == {"up", "down"}


def test_a_bent_sensor_becomes_a_polynomial() -> None:
    proposal, template = calibrate(curve=0.1)
    table = guide.record_table(template, proposal, "an-id")
    assert table["model"] == "polynomial"
    assert len(table["equation"]["coefficients"]) == 3
    forced = guide.propose(proposal.points, degree=1)
    assert forced.fit.degree == 1


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([], "no curve"),
        ([Point(1.0, 2.0)], "no curve"),
        ([Point(1.0, 2.0), Point(1.0, 3.0)], "no curve"),
    ],
)
def test_points_without_a_curve(points: list[Point], words: str) -> None:
    with pytest.raises(CalibrationError, match=words):
        guide.propose(points)


def test_thermistor_from_points() -> None:
    """Generic 2.5 kΩ coolant thermistor (published vehicle-service data)."""
    table = [(48805, -40), (5975, 0), (1152, 40), (308.6, 80), (105.4, 120)]
    points = [Point(ohms, celsius) for ohms, celsius in table]
    template = {
        "channel": "coolant",
        "quantity": "temperature",
        "unit": "degC",
        "signal": {"kind": "direct", "unit": "ohm"},
    }
    data = store.sealed(guide.thermistor_table(template, points, "an-id"), "coolant.toml")
    record = Calibration.load(data, "coolant.toml")
    assert record.apply(np.array([2502.0, 231.2]))[0] == pytest.approx([20, 90], abs=0.05)
    with pytest.raises(CalibrationError, match="no curve"):
        guide.thermistor_table(template, points[:2], "an-id")


def test_record_in_force_is_verified_before_adjusting() -> None:
    _, record = sealed_record()
    true = [Point(v, float(record.at_signal(v)), reference_uncertainty=0.01) for v in (0.5, 2.0)]
    assert guide.verify(record, true, {}).agrees
    off = [Point(p.indication, p.reference + 0.5) for p in true]
    found = guide.verify(record, off, {})
    assert found.error == pytest.approx([-0.5, -0.5])
    assert not found.agrees
    with pytest.raises(CalibrationError, match="no points were taken"):
        guide.verify(record, [], {})


# --- store


def sealed_record(degree: float = 0.0) -> tuple[bytes, Calibration]:
    proposal, template = calibrate(degree)
    data = store.sealed(guide.record_table(template, proposal, f"id-{degree}"), "oil.toml")
    return data, Calibration.load(data, "oil.toml")


def test_history_only_grows_and_shows_any_change(tmp_path: Path) -> None:
    path = tmp_path / "oil.history.toml"
    _, first = sealed_record()
    _, second = sealed_record(0.1)
    for record, why in ((first, ""), (second, "sensor replaced")):
        before = path.read_bytes() if path.exists() else b""
        store.append(
            path, store.entry(before, record, "accepted", "2026-11-20T10:00:00Z", "R. Okafor", why)
        )
        assert path.read_bytes().startswith(before)
    data = path.read_bytes()
    entries = store.read_history(data, "oil.history.toml")
    assert [entry["id"] for entry in entries] == ["id-0.0", "id-0.1"]
    again = Calibration.of_json(entries[0]["record"], "history")
    assert again.record_sha256 == first.record_sha256
    for changed in (
        data.replace(b"sensor replaced", b"sensor repaired"),
        data[data.index(b"[[entry]]", 10) :],
        data.replace(b"R. Okafor", b"R. Okapor", 1),
    ):
        with pytest.raises(CalibrationError, match=r"oil\.history\.toml: entry 1|entry 2"):
            store.read_history(changed, "oil.history.toml")
    with pytest.raises(CalibrationError, match="not a readable history"):
        store.read_history(data[:-40], "oil.history.toml")


def test_record_is_replaced_whole(tmp_path: Path) -> None:
    path = tmp_path / "oil.toml"
    for degree in (0.0, 0.1):
        data, _ = sealed_record(degree)
        store.write(path, data)
        assert path.read_bytes() == data
    assert list(tmp_path.iterdir()) == [path]


def test_a_record_that_would_not_load_is_not_sealed() -> None:
    proposal, template = calibrate()
    template["unit"] = "degC"
    with pytest.raises(ConfigError, match="unit 'degC'"):
        store.sealed(guide.record_table(template, proposal, "an-id"), "oil.toml")


# --- faults


def test_limits_stay_on_this_side_of_a_broken_wire() -> None:
    assert limits((0.5, 4.5), (0.0, 5.0)) == pytest.approx((0.3, 4.7))  # common practice, no source
    assert limits((0.066, 4.8996), (0.0, 5.0)) == pytest.approx((0.033, 4.9498))
    assert limits((0.0, 5.0), (0.0, 4.9988)) == pytest.approx((0.0, 5.0), abs=1e-8)
    with pytest.raises(ValueError, match="low below high"):
        limits((1.0, 1.0))


def test_limits_do_not_contain_what_is_no_number() -> None:
    assert not Limits(0, 1).contain([np.nan, np.inf, -np.inf, 1.1]).any()


def test_debounce_by_hand() -> None:
    time = np.arange(10.0)
    faulty = np.array([0, 1, 0, 1, 1, 1, 1, 0, 0, 0], dtype=bool)
    found, _ = debounce(faulty, time, 2.0)
    assert found.tolist() == [False] * 5 + [True, True, True, True, False]


def test_debounce_is_the_same_however_it_is_cut() -> None:
    time = np.cumsum(RNG.uniform(0.01, 0.1, 400))
    faulty = np.repeat(RNG.random(40) < 0.5, 10)
    whole, _ = debounce(faulty, time, 0.4)
    assert 0 < whole.sum() < 400
    held, parts = Held(), []
    for piece in np.array_split(np.arange(400), 23):
        part, held = debounce(faulty[piece], time[piece], 0.4, held)
        parts.append(part)
    np.testing.assert_array_equal(np.concatenate(parts), whole)
    empty, same = debounce([], [], 0.4, held)
    assert len(empty) == 0
    assert same == held
