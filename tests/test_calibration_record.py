"""Calibration records: loading, applying, status, uncertainty, state."""

from __future__ import annotations

import datetime
import json
import math
import tomllib
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daq.calibration import document, evidence
from daq.calibration.record import OUT_OF_RANGE, SATURATED_HIGH, SATURATED_LOW, Calibration
from daq.calibration.store import sealed
from daq.calibration.uncertainty import monte_carlo
from daq.errors import CalibrationError, ConfigError

NOW = datetime.datetime(2026, 11, 20, 12, 0, tzinfo=datetime.UTC)

FUEL = """
format = "daq-calibration/1"
channel = "fuel_pressure"
model = "two_point"
quantity = "gauge_pressure"
unit = "kPa"

[signal]
kind = "adc"
bits = 12
reference_v = 5.0
supply = "supply"
supply_uncertainty_v = 0.005

[equation]
first = [0.5, 0.0]
second = [4.5, 1000.0]

[uncertainty]
value = 2.0
relative = 0.001
"""

COOLANT = """
format = "daq-calibration/1"
channel = "coolant"
model = "steinhart_hart"
quantity = "temperature"
unit = "degC"

[signal]
kind = "adc"
bits = 12
reference_v = 5.0
pull_up_ohm = 1000.0
pull_up_uncertainty = 0.001

[equation]
table_degc = [-40, -20, 0, 20, 40, 70, 90, 110, 140]
table_ohm = [48805, 15971, 5975, 2502, 1152, 418.1, 231.2, 135.2, 66.2]
"""

EXHAUST = """
format = "daq-calibration/1"
channel = "exhaust"
model = "thermocouple"
quantity = "temperature"
unit = "degC"

[signal]
kind = "direct"
unit = "V"
scale = 1e-6

[equation]
type = "K"
cold_junction = "junction"
cold_junction_uncertainty_k = 0.5
tolerance_class = 1
"""

MANIFOLD = """
format = "daq-calibration/1"
channel = "manifold"
model = "linear"
quantity = "absolute_pressure"
unit = "kPa"

[signal]
kind = "direct"
unit = "V"

[equation]
coefficients = [-100.0, 50.0]

[pressure]
measured = "gauge_pressure"
barometer = "barometer"

[range]
low = -100.0
high = 150.0
"""

WORKED = """
format = "daq-calibration/1"
id = "7f0c0a5e-0000-4000-8000-000000000001"
channel = "oil_pressure"
model = "linear"
quantity = "gauge_pressure"
unit = "bar"

[signal]
kind = "direct"
unit = "V"

[equation]
coefficients = [-1.25, 2.5]
covariance = [[4e-4, -1.2e-4], [-1.2e-4, 5e-5]]

[range]
low = 0.0
high = 10.0

[sensor]
serial = "OP-11"

[performed]
at = 2026-03-02T09:30:00+01:00
by = "R. Okafor"
valid_until = 2027-03-31

[reference]
name = "deadweight tester"
certificate = "C-1042"
certificate_valid_until = 2027-01-31
expanded_uncertainty = 0.02

[[point]]
indication = 0.5
reference = 0.01

[[point]]
indication = 4.5
reference = 9.99
"""


def load(text: str) -> Calibration:
    return Calibration.load(text.encode(), "record.toml")


# --- values and status


def test_ratiometric_sensor_follows_the_measured_supply() -> None:
    """Source: check value map.ratiometric at 4.95 V: 2.5 V is 151.894 of 300."""
    fuel = load(FUEL)
    assert fuel.inputs == ("supply",)
    assert fuel.input_units == {"supply": "V"}
    value, status = fuel.apply(np.array([2048, 2048]), {"supply": np.array([5.0, 4.95])})
    assert value == pytest.approx([500.0, 506.3131], abs=1e-3)
    assert not status.any()


def test_fault_limits_come_from_the_curve() -> None:
    """0.5 to 4.5 V: below 0.3 and above 4.7 V is a fault (common practice, no source)."""
    fuel = load(FUEL)
    volts = np.array([0.0, 0.29, 0.31, 0.5, 4.5, 4.69, 4.71, 4.9988])
    counts = np.round(volts / 5 * 4096).astype(np.int64)
    value, status = fuel.apply(counts, {"supply": np.full(8, 5.0)})
    assert np.isnan(value).tolist() == [True, True, False, False, False, False, True, True]
    assert (status & OUT_OF_RANGE != 0).tolist() == [True] * 3 + [False] * 2 + [True] * 3
    assert status[0] & SATURATED_LOW
    assert status[-1] & SATURATED_HIGH


def test_cold_thermistor_is_not_taken_for_an_open_wire() -> None:
    """4.8996 V of 5 V at -40 °C behind 1 kΩ is sound; an open wire is not (Ohm's law)."""
    coolant = load(COOLANT)
    counts = np.array([4013, 4095, 0, 769])
    value, status = coolant.apply(counts)
    assert value[0] == pytest.approx(-40.0, abs=0.3)
    assert np.isnan(value[1:3]).all()
    assert status.tolist() == [0, OUT_OF_RANGE | SATURATED_HIGH, OUT_OF_RANGE | SATURATED_LOW, 0]
    assert value[3] == pytest.approx(90.0, abs=0.3)  # 0.939 V
    assert coolant.limits is not None
    assert 4.8996 < coolant.limits.high < 5.0


def test_look_up_of_counts_is_the_chain_itself() -> None:
    coolant = load(COOLANT)
    counts = np.random.default_rng(5).integers(0, 4096, 20_000)
    value, status = coolant.apply(counts)
    one = [coolant.apply(counts[i : i + 500]) for i in range(0, 20_000, 500)]
    np.testing.assert_array_equal(value, np.concatenate([v for v, _ in one]))
    np.testing.assert_array_equal(status, np.concatenate([s for _, s in one]))


def test_thermocouple_by_its_cold_junction() -> None:
    """K, 25 °C, 15.396899 mV: 400.0 °C (check value tc.cjc.0; raw is in µV)."""
    exhaust = load(EXHAUST)
    value, status = exhaust.apply(
        np.array([15396.899, 60e3, np.nan, 15396.899]),
        {"junction": np.array([25.0, 25.0, 25.0, np.nan])},
    )
    assert value[0] == pytest.approx(400.0, abs=1e-4)
    assert np.isnan(value[1:]).all()
    assert status.tolist() == [0, OUT_OF_RANGE, OUT_OF_RANGE, OUT_OF_RANGE]


def test_gauge_sensor_gives_absolute_pressure_only_with_a_barometer() -> None:
    manifold = load(MANIFOLD)
    value, status = manifold.apply(
        np.array([2.0, 2.0, 2.0]), {"barometer": np.array([101.3, 95.5, np.nan])}
    )
    assert value == pytest.approx([101.3, 95.5, np.nan], nan_ok=True)
    assert status.tolist() == [0, 0, OUT_OF_RANGE]
    with pytest.raises(CalibrationError, match="barometer"):
        manifold.apply(np.array([2.0]))


def test_raw_is_the_inverse() -> None:
    supply = {"supply": np.full(5, 4.93)}
    fuel = load(FUEL)
    raw = fuel.raw(np.linspace(0, 1000, 5), supply)
    assert fuel.value(raw, supply) == pytest.approx(np.linspace(0, 1000, 5))
    exhaust, junction = load(EXHAUST), {"junction": np.full(4, 31.0)}
    celsius = np.array([0.0, 31.0, 650.0, 1300.0])
    assert exhaust.value(exhaust.raw(celsius, junction), junction) == pytest.approx(celsius)
    manifold, air = load(MANIFOLD), {"barometer": np.array([97.0])}
    assert manifold.value(manifold.raw([150.0], air), air) == pytest.approx([150.0])


@settings(max_examples=60, deadline=None)
@example([0.0], math.inf, MANIFOLD)
@given(
    st.lists(
        st.one_of(
            st.floats(allow_nan=True, allow_infinity=True),
            st.sampled_from([-1.0, 0.0, 4095.0, 4096.0, 1e300]),
        ),
        min_size=1,
        max_size=20,
    ),
    st.floats(allow_nan=True, allow_infinity=True),
    st.sampled_from([FUEL, COOLANT, EXHAUST, MANIFOLD]),
)
def test_never_a_silent_number(raw: list[float], other: float, text: str) -> None:
    """Whatever comes in: a finite value inside the fault limits, or NaN with a status bit."""
    calibration = load(text)
    array = np.array(raw)
    inputs = {name: np.full(len(raw), other) for name in calibration.inputs}
    value, status = calibration.apply(array, inputs)
    assert value.shape == status.shape == array.shape
    assert np.all(np.isfinite(value) | (status & OUT_OF_RANGE != 0))
    assert not np.isinf(value).any()
    rails = calibration.record.signal.rails
    if rails:
        at_rail = (array <= rails[0]) | (array >= rails[1])
        assert np.all((status & (SATURATED_LOW | SATURATED_HIGH) != 0) == at_rail)


# --- loading


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('model = "two_point"', 'model = "two_pint"', "did you mean 'two_point'"),
        ("channel =", "chanel =", "did you mean 'channel'"),
        ('unit = "kPa"', 'unit = "degC"', "unit 'degC' (temperature) for gauge_pressure"),
        ('unit = "kPa"', 'unit = "kpa"', "did you mean 'kPa'"),
        ("gauge_pressure", "pressure_gauge", "did you mean"),
        ("bits = 12", "bits = 4", "record.toml: signal.bits: expected a whole number from 8 to 32"),
        ("bits = 12", "bits = nan", "signal.bits: expected a whole number"),
        ("[0.5, 0.0]", "[0.5, inf]", "equation.first[1]: expected a number, got inf"),
        ("[0.5, 0.0]", "[4.5, 0.0]", "two points that differ"),
        ("first =", "frist =", "equation.frist: no such key; did you mean 'first'"),
        ("value = 2.0", "value = -2.0", "uncertainty.value: expected a number of at least 0"),
        ('supply = "supply"', 'supply = "The Supply"', "expected a channel's name"),
        ("[uncertainty]", "[range]\nlow = 0\nhigh = 2000\n[uncertainty]", "more than model"),
        ("[uncertainty]", "[range]\nlow = 5\nhigh = 1\n[uncertainty]", "expected low below high"),
        ("[equation]", "[equation", "not valid TOML"),
    ],
)
def test_mistakes_are_named(old: str, new: str, words: str) -> None:
    assert old in FUEL
    with pytest.raises(ConfigError) as caught:
        load(FUEL.replace(old, new))
    assert words in str(caught.value)
    assert str(caught.value).startswith("record.toml: ")


def test_all_mistakes_at_once() -> None:
    wrong = FUEL.replace("bits", "bitz").replace("first", "frist").replace('"kPa"', '"kpa"')
    with pytest.raises(ConfigError) as caught:
        load(wrong)
    assert len(caught.value.problems) >= 3


def test_model_and_signal_must_fit() -> None:
    with pytest.raises(ConfigError, match="takes ohm, got 'V'; add pull_up_ohm"):
        load(COOLANT.replace("pull_up_ohm = 1000.0\n", ""))
    with pytest.raises(ConfigError, match="gives degC: unit 'degC'"):
        load(COOLANT.replace('"temperature"', '"gauge_pressure"').replace('"degC"', '"kPa"'))


def test_reference_must_fit_the_quantity() -> None:
    with pytest.raises(ConfigError, match="measured = 'gauge_pressure' with a barometer gives"):
        load(MANIFOLD.replace('quantity = "absolute_pressure"', 'quantity = "gauge_pressure"'))


def test_other_units_of_a_quantity() -> None:
    kelvin = load(COOLANT.replace('unit = "degC"', 'unit = "K"'))
    celsius = load(COOLANT)
    counts = np.array([769, 3000])
    assert kelvin.apply(counts)[0] == pytest.approx(celsius.apply(counts)[0] + 273.15)
    assert kelvin.range == pytest.approx((233.15, 413.15))


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=120).map(lambda t: (FUEL + t).encode()))
def test_no_bytes_crash_it(data: bytes) -> None:
    try:
        assert Calibration.load(data, "record.toml").channel == "fuel_pressure"
    except ConfigError as error:
        assert all(p.startswith("record.toml") for p in error.problems)  # noqa: PT017


# --- uncertainty


def test_parameters_keep_their_correlation() -> None:
    """u² = u₁² + x²u₂² + 2x cov (JCGM 100 H.3.4), with the reference's U/k beside it."""
    record = load(WORKED)
    x = np.array([0.5, 2.4, 4.5])
    by_hand = np.sqrt(4e-4 + x**2 * 5e-5 + 2 * x * -1.2e-4 + 0.01**2)
    assert record.uncertainty(x) == pytest.approx(by_hand, rel=1e-9)


def test_uncertainty_against_the_uncertainties_package() -> None:
    """An independent judge propagates the same chain by automatic derivatives."""
    package: Any = pytest.importorskip("uncertainties")
    counts, supply = 2750, 4.97
    c = package.ufloat(counts, 0.5 / 3**0.5)
    noise = package.ufloat(0, 1.5)
    v = package.ufloat(supply, 0.005)
    y = (((c + noise) / 4096 * 5.0) * 5.0 / v - 0.5) / 4.0 * 1000.0
    judged = (y.std_dev**2 + 2.0**2 + (0.001 * y.nominal_value) ** 2) ** 0.5
    found = load(FUEL).uncertainty(np.array([counts]), {"supply": np.array([supply])}, noise=1.5)
    assert found[0] == pytest.approx(judged, rel=1e-5)


@pytest.mark.parametrize(
    ("text", "raw", "inputs"),
    [
        (FUEL, np.array([900, 2048, 3500]), {"supply": np.full(3, 5.0)}),
        (COOLANT, np.array([300, 769, 2900]), {}),
        (EXHAUST, np.array([1000.0, 15396.9, 30000.0]), {"junction": np.full(3, 25.0)}),
        (WORKED, np.array([0.6, 2.5, 4.4]), {}),
    ],
)
def test_monte_carlo_agrees(text: str, raw: Any, inputs: dict[str, Any]) -> None:
    """Source: JCGM 101 clause 8: the law of propagation checked by propagating distributions."""
    record = load(text)
    noise = 2.0 if raw.dtype.kind == "i" else 0.0
    trials = monte_carlo(
        lambda errors: record.value(raw, inputs, errors),
        record.sources(raw, inputs, noise=noise),
        record.equation.parameter_covariance,
        relative=record.record.uncertainty.relative,
        trials=20_000,
        seed=7,
    )
    found = record.uncertainty(raw, inputs, noise=noise)
    assert trials.std(axis=0, ddof=1) == pytest.approx(found, rel=0.03)
    assert trials.mean(axis=0) == pytest.approx(record.value(raw, inputs), abs=0.05 * found.min())


def test_budget_names_its_parts() -> None:
    fuel = load(FUEL)
    parts = fuel.budget(np.array([2048]), {"supply": np.array([5.0])}, noise=1.0)
    assert set(parts) == {"resolution", "noise", "supply", "sensor", "relative"}
    # One count is 5 V / 4096 / 4 V x 1000 kPa; rectangular over one count.
    count = 5 / 4096 / 4 * 1000
    assert parts["resolution"] == pytest.approx([count / 12**0.5])
    assert parts["noise"] == pytest.approx([count])
    total = fuel.uncertainty(np.array([2048]), {"supply": np.array([5.0])}, noise=1.0)
    assert total == pytest.approx(np.sqrt(sum(p**2 for p in parts.values())))


def test_channel_uncertainty_can_be_given_by_the_caller() -> None:
    fuel = load(FUEL)
    inputs = {"supply": np.array([5.0])}
    better = fuel.budget(np.array([2048]), inputs, input_uncertainty={"supply": 0.001})
    assert better["supply"] == pytest.approx([2.5 / 5 * 0.001 / 4 * 1000], rel=1e-6)


# --- state and evidence


def kinds(record: Calibration, now: datetime.datetime = NOW, serial: str = "") -> set[str]:
    return {finding.kind for finding in record.state(now, serial)}


def test_a_sealed_valid_record_has_nothing_to_say() -> None:
    record = Calibration.load(sealed(tomllib.loads(WORKED), "record.toml"), "record.toml")
    assert record.state(NOW, "OP-11") == []
    assert record.traceable


def test_states() -> None:
    assert kinds(load(WORKED)) == {"not_sealed"}
    assert kinds(load(WORKED), serial="OP-12") == {"not_sealed", "other_sensor"}
    assert kinds(load(WORKED), NOW.replace(year=2027)) == {"not_sealed", "expired"}
    assert kinds(load(WORKED), NOW.replace(year=2025)) == {"not_sealed", "in_the_future"}
    assert kinds(load(FUEL)) == {"not_sealed", "not_calibrated"}


def test_valid_until_a_day_is_its_end() -> None:
    last = datetime.datetime(2027, 3, 31, 23, 0, tzinfo=datetime.UTC)
    assert "expired" not in kinds(load(WORKED), last)
    assert "expired" in kinds(load(WORKED), last + datetime.timedelta(hours=2))


def test_changed_by_hand() -> None:
    text = sealed(tomllib.loads(WORKED), "record.toml").decode()
    changed = text.replace("2.5", "2.6", 1)
    assert changed != text
    found = Calibration.load(changed.encode(), "record.toml").state(NOW)
    assert [finding.kind for finding in found] == ["changed_by_hand"]
    assert found[0].serious


def test_layout_and_comments_do_not_count_as_changes() -> None:
    text = sealed(tomllib.loads(WORKED), "record.toml").decode()
    same = "# checked by eye\n" + text.replace(" = ", "   =  ")
    assert Calibration.load(same.encode(), "record.toml").state(NOW) == []


def test_traceable_only_with_a_certificate() -> None:
    """Source: JCGM 200 2.41; ISO/IEC 17025 clause 6.5 (from memory)."""
    without = load(WORKED.replace('certificate = "C-1042"\n', ""))
    assert not without.traceable
    assert "not_traceable" in kinds(without)
    late = load(
        WORKED.replace(
            "certificate_valid_until = 2027-01-31", "certificate_valid_until = 2026-01-31"
        )
    )
    assert not late.traceable
    assert "reference_expired" in kinds(late)
    assert not load(FUEL).traceable


def test_the_run_files_text_gives_the_same_record() -> None:
    record = load(WORKED)
    again = Calibration.of_json(record.canonical_json, "run.h5")
    assert again.record_sha256 == record.record_sha256
    for wrong in ("{", "[]", "3"):
        with pytest.raises(ConfigError, match=r"run\.h5: (not valid JSON|expected a record)"):
            Calibration.of_json(wrong, "run.h5")
    assert again.record == record.record
    assert json.loads(record.canonical_json)["performed"]["at"] == "2026-03-02T09:30:00+01:00"
    assert document.content_hash(json.loads(record.canonical_json)) == record.record_sha256


def test_evidence() -> None:
    record = load(WORKED)
    parameters = evidence.parameters(record)
    assert parameters["a0"] == (-1.25, "bar", pytest.approx(0.02))
    assert parameters["a1"] == (2.5, "bar.V^-1", pytest.approx(5e-5**0.5))
    found = evidence.points(record)
    assert found.residual == pytest.approx([-0.01, 0.01])
    worst = evidence.expanded_uncertainty(record)
    assert worst == pytest.approx(2 * record.uncertainty(np.array([0.5, 4.5])).max(), rel=1e-6)


def test_unknown_uncertainty_is_not_zero() -> None:
    manifold = load(MANIFOLD)
    assert "no_uncertainty" in kinds(manifold)
    assert np.isnan(evidence.expanded_uncertainty(manifold))


def test_tolerance_grows_with_the_temperature() -> None:
    """Class 1, type K: 0.4 % above 375 °C (IEC 60584-1), rectangular."""
    exhaust, junction = load(EXHAUST), {"junction": np.array([25.0])}
    raw = exhaust.raw([1000.0], junction)
    assert exhaust.budget(raw, junction)["equation"] == pytest.approx([4.0 / 3**0.5])


@pytest.mark.parametrize("text", [FUEL, COOLANT, EXHAUST, WORKED])
def test_every_model_states_an_uncertainty(text: str) -> None:
    assert evidence.expanded_uncertainty(load(text)) > 0
