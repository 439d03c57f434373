"""Sensor equations against independent judges: scipy, the standards' tables, round trips."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.calibration import ntc, rtd, thermocouple
from daq.calibration.equations import Linear, Polynomial, TwoPoint, Wideband
from daq.calibration.models import MODELS
from daq.calibration.pulses import PulseInterval, ignition_pulses_per_revolution
from daq.calibration.signal import Signal, divider_volts
from daq.calibration.table import Curve, Table

# Nominal resistances of a generic two-wire coolant thermistor, 2.5 kΩ at 20 °C.
# Source: published vehicle-service data.
COOLANT_C = [-40, -20, 0, 20, 25, 40, 50, 70, 80, 90, 100, 110, 120, 140]
COOLANT_OHM = [
    48805, 15971, 5975, 2502, 2044, 1152, 806.9, 418.1, 308.6, 231.2, 175.7, 135.2, 105.4, 66.2,
]  # fmt: skip


# --- thermocouples

# Source: NIST Monograph 175 tables (to 0.001 mV) and IEC 60584-1.
TABLE_MV = [
    ("K", -200, -5.891), ("K", 1000, 41.276), ("K", 1372, 54.886),
    ("J", -210, -8.095), ("J", 1200, 69.553),
    ("T", -270, -6.258), ("T", 400, 20.872),
    ("N", -270, -4.345), ("N", 1300, 47.513),
    ("E", -270, -9.835), ("E", 1000, 76.373),
    ("R", -50, -0.226), ("R", 1768.1, 21.103),
    ("S", -50, -0.236), ("S", 1768.1, 18.694),
    ("B", 0, 0.0), ("B", 1820, 13.820),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "celsius", "millivolts"), TABLE_MV)
def test_ends_of_the_thermocouple_tables(
    kind: thermocouple.Type, celsius: float, millivolts: float
) -> None:
    assert thermocouple.emf(kind, celsius) == pytest.approx(millivolts, abs=0.0006)


@pytest.mark.parametrize("kind", list("BEJKNRST"))
def test_thermocouple_inverse_is_exact_everywhere(kind: thermocouple.Type) -> None:
    low, high = thermocouple.inverse_range(kind)
    celsius = np.arange(low, high, 0.5)
    back = thermocouple.temperature(kind, thermocouple.emf(kind, celsius))
    assert np.max(np.abs(back - celsius)) < 1e-6


@pytest.mark.parametrize("kind", list("BEJKNRST"))
def test_seebeck_is_the_slope(kind: thermocouple.Type) -> None:
    low, high = thermocouple.temperature_range(kind)
    celsius = np.linspace(low + 1, high - 1, 501)
    step = 1e-3
    rise = thermocouple.emf(kind, celsius + step) - thermocouple.emf(kind, celsius - step)
    assert thermocouple.seebeck(kind, celsius) == pytest.approx(rise / (2 * step), abs=2e-6)


@pytest.mark.parametrize("kind", list("BEJKNRST"))
def test_published_inverse_is_within_its_published_error(kind: thermocouple.Type) -> None:
    """Source: error bands of the inverse polynomials, NIST SRD 60; 0.06 °C and 0.004 beyond."""
    low, high = thermocouple.inverse_range(kind)
    celsius = np.arange(low + 0.1, high, 0.5)
    rough = thermocouple._approximate(kind, thermocouple.emf(kind, celsius))
    assert np.max(np.abs(rough - celsius)) < 0.064


def test_thermocouple_out_of_range_is_no_number() -> None:
    assert np.isnan(thermocouple.emf("K", [-270.1, 1372.1])).all()
    assert np.isnan(thermocouple.temperature("K", [-6.0, 55.0, np.nan, np.inf])).all()
    assert np.isnan(thermocouple.compensated("K", 4.0, np.nan))


@pytest.mark.parametrize(
    ("kind", "grade", "celsius", "kelvin"),
    [("K", 1, 0, 1.5), ("K", 1, 1000, 4.0), ("J", 2, 600, 4.5), ("T", 1, 300, 1.2),
     ("N", 3, -200, 3.0), ("R", 2, 1000, 2.5)],
)  # fmt: skip
def test_tolerance_classes(
    kind: thermocouple.Type, grade: int, celsius: float, kelvin: float
) -> None:
    """Source: IEC 60584-1, tolerance classes (a maker's table)."""
    assert thermocouple.tolerance(kind, grade, celsius) == pytest.approx(kelvin)
    with pytest.raises(ValueError, match="no tolerance class"):
        thermocouple.tolerance("B", 1, 0.0)


# --- platinum


def test_platinum_inverse_is_exact_everywhere() -> None:
    celsius = np.linspace(-200, 850, 5001)
    back = rtd.temperature(rtd.resistance(celsius, 1000.0), 1000.0)
    assert np.max(np.abs(back - celsius)) < 1e-9


def test_platinum_out_of_range_is_no_number() -> None:
    assert np.isnan(rtd.resistance([-200.1, 850.1])).all()
    assert np.isnan(rtd.temperature([18.0, 391.0, -5.0, np.nan, np.inf])).all()


def test_two_wire_leads_are_taken_off() -> None:
    """0.39 Ω is 1 °C at 0 °C: R₀ A = 0.39083 Ω/K (IEC 60751)."""
    with_leads = rtd.CallendarVanDusen(lead_ohm=0.39083)
    assert with_leads.value(np.array(100.39083), {}, {}) == pytest.approx(0.0, abs=1e-9)
    without = rtd.CallendarVanDusen()
    assert without.value(np.array(100.39083), {}, {}) == pytest.approx(1.0, abs=2e-4)


# --- thermistors


def test_steinhart_hart_through_three_points_reproduces_the_whole_table() -> None:
    """Within 0.05 °C of every published point from -40 to 140 °C."""
    fit = ntc.fit_steinhart_hart([-20, 40, 110], [15971, 1152, 135.2])
    assert ntc.steinhart_hart(COOLANT_OHM, fit.coefficients) == pytest.approx(COOLANT_C, abs=0.05)
    assert not fit.covariance.any()  # three points leave nothing to judge by


def test_steinhart_hart_fit_against_scipy() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    fit = ntc.fit_steinhart_hart(COOLANT_C, COOLANT_OHM)

    def kelvin(ohms: np.ndarray, a: float, b: float, c: float) -> np.ndarray:
        log = np.log(ohms)
        return 1 / (a * 1e-3 + b * 1e-4 * log + c * 1e-7 * log**3)

    judged, covariance = optimize.curve_fit(
        kelvin, np.array(COOLANT_OHM), np.array(COOLANT_C) + 273.15, p0=[1.3, 2.5, 1.5]
    )
    scale = np.array([1e-3, 1e-4, 1e-7])
    errors = np.sqrt(np.diag(fit.covariance))
    assert fit.coefficients == pytest.approx(judged * scale, abs=0.02 * errors.min(), rel=1e-4)
    assert fit.covariance == pytest.approx(covariance * np.outer(scale, scale), rel=0.01)
    assert np.max(np.abs(fit.residuals)) < 0.03


def test_thermistor_inverse() -> None:
    coefficients = ntc.fit_steinhart_hart(COOLANT_C, COOLANT_OHM).coefficients
    ohms = ntc.steinhart_hart_resistance(COOLANT_C, coefficients)
    assert ntc.steinhart_hart(ohms, coefficients) == pytest.approx(COOLANT_C, abs=1e-9)
    assert ntc.beta_temperature(ntc.beta_resistance(80.0, 2044, 25, 3640), 2044, 25, 3640) == (
        pytest.approx(80.0)
    )


def test_beta_alone_errs_by_degrees() -> None:
    """β of 25 and 100 °C errs by +3.5 °C at -40 and +1.5 at 140; so its error is asked for."""
    beta = ntc.beta_from_points(25, 2044, 100, 175.7)
    found = ntc.beta_temperature([48805, 66.2], 2044, 25, beta)
    assert found - np.array([-40, 140]) == pytest.approx([3.5, 1.5], abs=0.15)
    equation = ntc.Beta(r0_ohm=2044, beta_k=beta, error_k=3.6)
    assert equation.value_error(np.array(0.0)) == pytest.approx(3.6 / 3**0.5)


@pytest.mark.parametrize(
    ("celsius", "ohms", "words"),
    [
        ([0, 20], [5975, 2502], "at least 3 points"),
        ([0, 20, 20, 40], [5975, 2502, 2502, 1152], "twice the same"),
        ([0, 20, 40], [1152, 2502, 5975], "falls as the temperature rises"),
        ([0, 20, 40], [5975, -1, -2], "above 0"),
        ([0, 20, float("nan")], [5975, 2502, 1152], "finite"),
    ],
)
def test_wrong_thermistor_tables(celsius: list[float], ohms: list[float], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        ntc.fit_steinhart_hart(celsius, ohms)


# --- table


@given(
    st.lists(st.floats(0.01, 10), min_size=1, max_size=12),
    st.lists(st.floats(0.01, 100), min_size=12, max_size=12),
    st.booleans(),
)
def test_table_is_scipys_pchip(steps: list[float], rises: list[float], falling: bool) -> None:
    interpolate = pytest.importorskip("scipy.interpolate")
    x = np.concatenate([[0.0], np.cumsum(steps)])
    y = np.concatenate([[1.0], 1 + np.cumsum(rises[: len(steps)])]) * (-1 if falling else 1)
    at = np.linspace(x[0], x[-1], 201)
    judged = interpolate.PchipInterpolator(x, y)(at)
    curve = Curve(x, y)
    assert curve(at) == pytest.approx(judged, rel=1e-9, abs=1e-9)
    assert np.all(np.diff(curve(at)) * (-1 if falling else 1) >= -1e-9)


def test_table_inverse_inside_and_beyond() -> None:
    table = Table(x=(0.5, 1.0, 2.0, 4.5), y=(0.0, 20.0, 90.0, 300.0))
    signal = np.linspace(0.4, 4.6, 101)
    value = table.value(signal, {}, {})
    assert table.signal(value, {}) == pytest.approx(signal, abs=1e-9)
    assert np.isnan(table.value(np.array([np.nan]), {}, {}))
    assert np.isnan(table.signal(np.array([np.nan]), {}))


@pytest.mark.parametrize(
    ("x", "y", "words"),
    [
        ((0, 1, 1), (0, 1, 2), "twice the same signal"),
        ((0, 2, 1), (0, 1, 2), "signals in disorder"),
        ((0, 1, 2), (0, 2, 1), "only rise or only fall"),
        ((0, 1, 2), (0, 0, 1), "only rise or only fall"),
        ((0, 1), (0, 1, 2), "as many signals as values"),
        ((0,), (0,), "at least 2"),
        ((0, float("inf")), (0, 1), "finite"),
    ],
)
def test_wrong_tables(x: tuple[float, ...], y: tuple[float, ...], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        Table(x=x, y=y)


# --- straight and polynomial


def test_polynomial_against_numpy() -> None:
    polynomial = Polynomial(coefficients=(1.0, -2.0, 0.5, 0.1), origin=2.0)
    x = np.linspace(-3, 8, 45)
    judged = np.polynomial.Polynomial([1.0, -2.0, 0.5, 0.1])(x - 2.0)
    assert polynomial.value(x, {}, {}) == pytest.approx(judged)


def test_polynomial_inverse_takes_the_root_of_the_sensor() -> None:
    polynomial = Polynomial(coefficients=(0.0, 75.0, 1.5))
    x = np.linspace(0, 5, 21)
    assert polynomial.signal(polynomial.value(x, {}, {}), {}) == pytest.approx(x, abs=1e-9)
    assert np.isnan(polynomial.signal(np.array([-1e6, np.nan]), {})).all()


@pytest.mark.parametrize(
    "make",
    [
        lambda: Linear(coefficients=(1.0, 0.0)),
        lambda: Linear(coefficients=(1.0, 2.0, 3.0)),
        lambda: TwoPoint((1.0, 0.0), (1.0, 5.0)),
        lambda: TwoPoint((1.0, 5.0), (2.0, 5.0)),
        lambda: Linear(coefficients=(1.0, 2.0), covariance=((1.0, 0.0),)),
        lambda: Linear(coefficients=(1.0, 2.0), covariance=((1.0, 2.0), (0.0, 1.0))),
        lambda: Linear(coefficients=(1.0, 2.0), covariance=((1.0, 2.0), (2.0, 1.0))),
        lambda: Wideband(first=(0, 10), second=(5, 20), scaled_in="AFR"),
        lambda: Wideband(
            first=(0, 0.5), second=(5, 1.5), scaled_in="lambda", stoichiometric_ratio=14.7
        ),
    ],
)
def test_equations_that_cannot_be(make: object) -> None:
    with pytest.raises(ValueError, match="expected"):
        make()  # type: ignore[operator]


def test_wideband_gives_lambda_whatever_the_maker_prints() -> None:
    """AFR 10 to 20 over 0 to 5 V by ratio 14.7: 2.35 V is 14.7, λ = 1 (definition)."""
    in_ratio = Wideband(first=(0, 10), second=(5, 20), scaled_in="AFR", stoichiometric_ratio=14.7)
    assert in_ratio.value(np.array(2.35), {}, {}) == pytest.approx(1.0)
    assert in_ratio.signal(np.array(1.0), {}) == pytest.approx(2.35)
    assert in_ratio.ends == pytest.approx((10 / 14.7, 20 / 14.7))


def test_pulse_interval() -> None:
    equation = PulseInterval(pulses_per_revolution=2)
    assert equation.value(np.array([0.005, 0.0, -1.0]), {}, {}) == pytest.approx(
        [6000.0, np.nan, np.nan], nan_ok=True
    )


@pytest.mark.parametrize(
    ("cylinders", "pickup", "strokes", "pulses"),
    [(4, "distributor", 4, 2), (6, "distributor", 4, 3), (8, "all_coils", 4, 4),
     (4, "wasted_spark", 4, 1), (4, "single_coil", 4, 0.5), (1, "single_coil", 2, 1)],
)  # fmt: skip
def test_ignition_pulses(cylinders: int, pickup: str, strokes: int, pulses: float) -> None:
    """Common practice, no source."""
    assert ignition_pulses_per_revolution(cylinders, pickup, strokes) == pulses  # type: ignore[arg-type]


def test_every_model_says_what_it_computes() -> None:
    assert set(MODELS) >= {"linear", "polynomial", "two_point", "table", "steinhart_hart", "beta",
                           "callendar_van_dusen", "thermocouple", "wideband"}  # fmt: skip
    for name, model in MODELS.items():
        assert model.model == name
        assert model.formula


# --- signal


def test_counts_to_volts_and_back() -> None:
    signal = Signal(
        kind="adc", bits=12, reference_v=4.096, gain=2.0, ground_offset_v=0.05, supply="supply"
    )
    counts = np.arange(200, 4000, 7)
    supply = {"supply": np.full(len(counts), 4.9)}
    volts = signal.terminal(counts, supply, {})
    assert volts == pytest.approx((counts * 0.002 - 0.05) * 5.0 / 4.9)
    assert signal.raw_of(volts, supply) == pytest.approx(counts)


def test_pull_up_to_resistance_and_back() -> None:
    signal = Signal(kind="adc", bits=12, reference_v=5.0, pull_up_ohm=1000.0)
    ohms = np.array(COOLANT_OHM)
    assert signal.circuit(divider_volts(ohms, 1000.0, 5.0), {}) == pytest.approx(ohms)
    assert signal.terminal_of(ohms) == pytest.approx(5 * ohms / (ohms + 1000))
    assert np.isnan(signal.circuit([0.0, 5.0, -0.1, 5.1, np.nan], {})).all()


def test_unbelievable_supply_gives_no_number() -> None:
    signal = Signal(kind="adc", bits=12, reference_v=5.0, supply="supply")
    volts = signal.terminal([2048] * 4, {"supply": np.array([5.0, 0.0, np.nan, 6.0])}, {})
    assert volts == pytest.approx([2.5, np.nan, np.nan, np.nan], nan_ok=True)


@pytest.mark.parametrize(
    "wrong",
    [
        {"kind": "adc"},
        {"kind": "adc", "bits": 12, "reference_v": 5.0, "unit": "kPa"},
        {"kind": "adc", "bits": 12, "reference_v": 5.0, "pull_up_ohm": 1e3, "current_ma": 1.0},
        {"kind": "direct", "bits": 12},
        {"kind": "direct", "unit": "kPa", "pull_up_ohm": 1e3},
        {"kind": "direct", "scale": 0.0},
    ],
)
def test_signals_that_cannot_be(wrong: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"expected|needs|volts or ohms"):
        Signal(**wrong)  # type: ignore[arg-type]
