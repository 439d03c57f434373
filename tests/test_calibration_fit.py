"""Curve fits, their uncertainty and the choice of model, against scipy, statistics and the GUM."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from daq.calibration.fit import chosen, compare, f_test, fit_polynomial, repeats
from daq.calibration.uncertainty import (
    Source,
    combine,
    contributions,
    coverage_factor,
    effective_freedom,
    monte_carlo,
    rectangular,
    square_root,
    triangular,
    type_a,
    u_shaped,
)

RNG = np.random.default_rng(20261120)


# --- least squares


@pytest.mark.parametrize("degree", [1, 2, 3])
def test_unweighted_fit_against_numpy(degree: int) -> None:
    x = np.linspace(0.5, 4.5, 12)
    y = 3 + 70 * x + 2 * x**2 + RNG.normal(0, 0.5, 12)
    fit = fit_polynomial(x, y, degree, origin=0.0)
    coefficients, covariance = np.polyfit(x, y, degree, cov=True)
    assert fit.coefficients == pytest.approx(coefficients[::-1], rel=1e-9)
    assert fit.covariance == pytest.approx(covariance[::-1, ::-1], rel=1e-6)


def test_weighted_fit_against_scipy() -> None:
    optimize = pytest.importorskip("scipy.optimize")
    x = np.linspace(0, 10, 15)
    u = np.linspace(0.5, 2.0, 15)
    y = 1 + 2 * x + u * RNG.permutation(np.linspace(-1.2, 1.2, 15))
    fit = fit_polynomial(x, y, 1, y_uncertainty=u, origin=0.0)
    judged, covariance = optimize.curve_fit(
        lambda x, a, b: a + b * x, x, y, sigma=u, absolute_sigma=True
    )
    assert float(np.sum((fit.residuals / u) ** 2)) < fit.freedom  # so that nothing is enlarged
    assert fit.coefficients == pytest.approx(judged, rel=1e-6)
    assert fit.covariance == pytest.approx(covariance, rel=1e-5)


def test_points_that_scatter_more_than_they_say_enlarge_the_covariance() -> None:
    x = np.linspace(0, 10, 20)
    y = 5 * x + RNG.normal(0, 1.0, 20)
    modest = fit_polynomial(x, y, 1, y_uncertainty=0.01)
    free = fit_polynomial(x, y, 1)
    assert modest.covariance == pytest.approx(free.covariance, rel=1e-9)


def test_uncertain_indications_against_scipys_orthogonal_distance() -> None:
    """Effective variance and orthogonal distance agree on a line. Judge: scipy.optimize total
    least squares in weighted coordinates, solved numerically.
    """
    optimize = pytest.importorskip("scipy.optimize")
    x_true = np.linspace(0, 5, 30)
    x = x_true + RNG.normal(0, 0.02, 30)
    y = 10 + 50 * x_true + RNG.normal(0, 0.5, 30)
    fit = fit_polynomial(x, y, 1, y_uncertainty=0.5, x_uncertainty=0.02, origin=0.0)

    def distance(p: Any) -> Any:
        return (y - p[0] - p[1] * x) / np.hypot(0.5, p[1] * 0.02)

    judged = optimize.least_squares(distance, [0.0, 40.0], x_scale=[1, 10]).x
    assert fit.coefficients == pytest.approx(judged, abs=0.2 * fit.errors.min())


def test_covariance_is_what_repetition_shows() -> None:
    """Coefficients of 2000 repeated calibrations scatter as the covariance says."""
    x = np.linspace(0, 5, 9)
    draws = [
        fit_polynomial(
            x, 1 + 2 * x + 0.1 * x**2 + RNG.normal(0, 0.3, 9), 2, y_uncertainty=0.3, origin=0.0
        )
        for _ in range(2000)
    ]
    scatter = np.cov(np.array([d.coefficients for d in draws]).T)
    smallest = min(draws, key=lambda d: float(d.covariance[0, 0])).covariance  # never enlarged
    assert np.sqrt(np.diag(scatter)) == pytest.approx(np.sqrt(np.diag(smallest)), rel=0.06)


def test_expanded_uncertainty_combines_curve_reading_and_reference() -> None:
    fit = fit_polynomial([0, 1, 2, 3], [0.1, 1.9, 4.1, 5.9], 1)
    by_hand = 2 * math.sqrt(
        float(fit.standard_uncertainty(1.5)) ** 2 + (fit.coefficients[1] * 0.01) ** 2 + 0.05**2
    )
    assert fit.expanded_uncertainty(1.5, reading=0.01, other=0.05) == pytest.approx(by_hand)


@pytest.mark.parametrize(
    ("x", "y", "degree", "words"),
    [
        ([1, 1, 1], [1, 2, 3], 1, "needs at least 2 different indications, got 1"),
        ([1, 2], [1, 2], 2, "needs at least 3"),
        ([1, float("nan")], [1, 2], 1, "point 1: expected finite"),
        ([1, 2], [1, float("inf")], 1, "point 1: expected finite"),
        ([1, 2, 3], [1, 2], 1, "as many indications"),
    ],
)
def test_points_that_give_no_curve(x: Any, y: Any, degree: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        fit_polynomial(x, y, degree)


def test_unusable_uncertainties() -> None:
    for wrong in (-1.0, math.nan, [1.0, 0.0, 1.0]):
        with pytest.raises(ValueError, match="uncertainty"):
            fit_polynomial([0, 1, 2], [0, 1, 2], 1, y_uncertainty=wrong)


# --- which model


def test_f_test_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    for ratio in (0.3, 1.0, 4.0, 25.0):
        for freedom in (1, 2, 5, 30):
            for terms in (1, 2):
                judged = stats.f.sf(ratio, terms, freedom)
                assert f_test(ratio, terms, freedom) == pytest.approx(judged, abs=1e-9)


def test_a_straight_sensor_keeps_its_straight_line() -> None:
    """A cubic earns its terms by chance in about 5 % of cases, and AICc allows fewer."""
    x = np.linspace(0.5, 4.5, 11)
    degrees = [chosen(compare(x, 10 + 60 * x + RNG.normal(0, 0.4, 11))).degree for _ in range(400)]
    assert 0 < sum(degree > 1 for degree in degrees) < 0.12 * 400


def test_a_curved_sensor_earns_its_square() -> None:
    x = np.linspace(0.5, 4.5, 11)
    models = compare(x, 10 + 60 * x + 1.5 * x**2 + RNG.normal(0, 0.2, 11))
    assert chosen(models).degree == 2
    assert "earns its terms" in models[1].reason
    assert "does not earn" in models[2].reason


def test_an_s_shaped_sensor_earns_its_cube() -> None:
    x = np.linspace(-2, 2, 13)
    models = compare(x, 20 * x + 1.5 * x**3 + RNG.normal(0, 0.1, 13))
    assert [m.degree for m in models if m.earns] == [1, 3]


def test_exact_points_need_no_more_terms() -> None:
    models = compare([0, 1, 2, 3, 4, 5], [1, 3, 5, 7, 9, 11])
    assert chosen(models).degree == 1


def test_a_curve_that_turns_is_refused() -> None:
    x = np.linspace(0, 4, 12)
    models = compare(x, 10 * x - 2 * x**2 + RNG.normal(0, 0.05, 12))
    assert "turns" in models[1].reason
    assert not models[1].earns


# --- up and down


def test_hysteresis_and_repeatability_by_hand() -> None:
    reference = [0, 50, 100, 50, 0, 50.01, 100, 50]
    direction = ["up", "up", "up", "down", "down", "up", "up", "down"]
    values = [0.0, 49.8, 100.1, 50.3, 0.2, 50.0, 99.9, 50.5]
    found = repeats(values, reference, direction)
    # Level 50: up -0.2 and -0.01, down 0.3 and 0.5; level 0: up 0, down 0.2.
    assert found.hysteresis == pytest.approx(0.4 + 0.105)
    assert found.levels == 2
    pairs = [(-0.2, -0.01), (0.3, 0.5), (0.1, -0.1)]
    pooled = math.sqrt(sum((a - b) ** 2 / 2 for a, b in pairs) / 3)
    assert found.repeatability == pytest.approx(pooled)


def test_without_repeats_nothing_is_claimed() -> None:
    found = repeats([1.0, 2.0], [1, 2], ["up", "up"])
    assert math.isnan(found.hysteresis)
    assert math.isnan(found.repeatability)


# --- the GUM


def test_type_a_and_b() -> None:
    """Source: JCGM 100 4.2.3, 4.3.7, 4.3.9; arcsine law from memory."""
    assert type_a([1.0, 2.0, 3.0, 4.0]) == pytest.approx(np.std([1, 2, 3, 4], ddof=1) / 2)
    assert (rectangular(1), triangular(1), u_shaped(1)) == pytest.approx(
        (1 / 3**0.5, 1 / 6**0.5, 1 / 2**0.5)
    )
    for wrong in ([1.0], [1.0, math.nan]):
        with pytest.raises(ValueError, match="2 finite readings"):
            type_a(wrong)


def test_coverage_factor_against_scipy() -> None:
    stats = pytest.importorskip("scipy.stats")
    for freedom in (1, 2, 5, 16, 50, 1e4):
        for probability in (0.6827, 0.95, 0.9973):
            judged = stats.t.ppf((1 + probability) / 2, freedom)
            assert coverage_factor(freedom, probability) == pytest.approx(judged, rel=1e-6)
    assert coverage_factor(math.inf) == pytest.approx(1.959964, abs=1e-5)


def test_effective_freedom() -> None:
    """Source: JCGM 100 G.4.1; two equal parts of 10 degrees each give 20."""
    assert effective_freedom(2**0.5, [1, 1], [10, 10]) == pytest.approx(20)
    assert effective_freedom(1.0, [1.0], [math.inf]) == math.inf


def test_square_root_of_a_badly_scaled_covariance() -> None:
    covariance = np.array([[1e-6, -9.9e-13], [-9.9e-13, 1e-18]])
    root = square_root(covariance)
    assert root @ root.T == pytest.approx(covariance, rel=1e-9)
    singular = np.array([[1.0, 1.0], [1.0, 1.0]])
    assert square_root(singular) @ square_root(singular).T == pytest.approx(singular)


def test_propagation_against_monte_carlo_and_by_hand() -> None:
    """A product: u²/y² = u₁²/x₁² + u₂²/x₂² (JCGM 100 5.1.6)."""

    def product(errors: Any) -> Any:
        return np.asarray((3.0 + errors.get("a", 0.0)) * (4.0 + errors.get("b", 0.0)))

    sources = (Source("a", "a", 0.03), Source("b", "b", 0.02, "rectangular"))
    none = np.zeros((0, 0))
    found = float(combine(list(contributions(product, sources, none).values())))
    assert found == pytest.approx(12 * math.hypot(0.03 / 3, 0.02 / 4), rel=1e-9)
    trials = monte_carlo(product, sources, none, trials=20_000, seed=3)
    assert trials.std() == pytest.approx(found, rel=0.02)


def test_one_sided_where_the_model_ends() -> None:
    def root(errors: Any) -> Any:
        with np.errstate(invalid="ignore"):
            return np.sqrt(np.asarray(0.01 + errors.get("x", 0.0)))

    found = contributions(root, (Source("x", "x", 0.02),), np.zeros((0, 0)))
    assert found["x"] == pytest.approx(math.sqrt(0.03) - 0.1)
