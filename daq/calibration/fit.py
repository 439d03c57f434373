"""Calibration curves by weighted least squares, with full covariance and model comparison.

Source: JCGM 100:2008 H.3 (line by least squares, correlation of its parameters); weighted case:
P. R. Bevington, Data Reduction and Error Analysis, chapter 6 (from memory); uncertainty of the
indications by effective variance, J. Orear, Am. J. Phys. 50 (1982) 912 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from daq.calibration.equations import polynomial
from daq.calibration.uncertainty import Array, student_inside

_ROUNDS = 8


@dataclass(frozen=True)
class Fit:
    """A fitted polynomial: value = a0 + a1 (x - origin) + ...

    ``residuals`` are curve minus reference, in the value's unit. ``known_weights``: the points'
    uncertainties were given; otherwise the scatter about the curve stands for them.
    """

    coefficients: NDArray[np.float64]
    covariance: NDArray[np.float64]
    origin: float
    residuals: NDArray[np.float64]
    standardised: NDArray[np.float64]
    """Residuals over the uncertainty of their points (over the scatter when none is known)."""
    deviation: float
    """Standard deviation of the points about the curve, with n - k degrees of freedom."""
    freedom: int
    known_weights: bool
    span: tuple[float, float]
    """Lowest and highest indication that was fitted."""

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return len(self.coefficients) - 1

    @property
    def errors(self) -> NDArray[np.float64]:
        """Standard uncertainties of the coefficients."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    @property
    def correlation(self) -> NDArray[np.float64]:
        """Correlation matrix of the coefficients."""
        scale = np.where(self.errors > 0, self.errors, 1.0)
        return np.asarray(self.covariance / np.outer(scale, scale))

    def value(self, x: ArrayLike) -> Array:
        """The curve at *x*."""
        return polynomial(np.asarray(x, dtype=np.float64) - self.origin, self.coefficients)

    def slope(self, x: ArrayLike) -> Array:
        """The curve's slope at *x*: its sensitivity."""
        powers = np.arange(1, self.degree + 1)
        return polynomial(
            np.asarray(x, dtype=np.float64) - self.origin, self.coefficients[1:] * powers
        )

    def standard_uncertainty(self, x: ArrayLike) -> Array:
        """Of the curve at *x*, with every correlation. Source: JCGM 100 H.3.4."""
        design = _design(np.asarray(x, dtype=np.float64) - self.origin, self.degree)
        return np.asarray(np.sqrt(np.einsum("...i,ij,...j->...", design, self.covariance, design)))

    def expanded_uncertainty(
        self, x: ArrayLike, *, reading: ArrayLike = 0.0, other: ArrayLike = 0.0, k: float = 2.0
    ) -> Array:
        """k times the combined uncertainty of a value at *x*.

        *reading* is the standard uncertainty of the indication, *other* that of anything common
        (the reference), in the value's unit.
        """
        parts = (
            self.standard_uncertainty(x) ** 2
            + (self.slope(x) * np.asarray(reading)) ** 2
            + np.square(np.asarray(other))
        )
        return np.asarray(k * np.sqrt(parts))

    @property
    def monotone(self) -> bool:
        """Whether the curve only rises or only falls over the points."""
        slope = self.slope(np.linspace(*self.span, 501))
        return bool(np.all(slope > 0) or np.all(slope < 0))


def _design(x: NDArray[np.float64], degree: int) -> NDArray[np.float64]:
    return np.stack([x**power for power in range(degree + 1)], axis=-1)


def fit_polynomial(
    x: ArrayLike,
    y: ArrayLike,
    degree: int = 1,
    *,
    y_uncertainty: ArrayLike | None = None,
    x_uncertainty: ArrayLike = 0.0,
    origin: float | None = None,
) -> Fit:
    """Least-squares polynomial through indications *x* and reference values *y*, float64[n].

    With uncertainties (standard, in their own units) the points are weighted by them; if the points
    scatter more than that, the covariance is enlarged by the ratio (it is never made smaller).
    Without, the scatter gives the covariance. *origin* is the mean of *x* unless given.
    Raises ValueError: too few points, not finite, equal indications only, unusable uncertainties.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    _check_fit(xs, ys, degree)
    origin = float(xs.mean()) if origin is None else origin
    weighted = y_uncertainty is not None or bool(np.any(np.asarray(x_uncertainty) != 0))
    u = _spread(0.0 if y_uncertainty is None else y_uncertainty, xs, "y_uncertainty")
    u_x = _spread(x_uncertainty, xs, "x_uncertainty")
    if not weighted:
        return _solve(xs, ys, degree, origin, np.ones_like(xs), known=False)
    fit = _solve(xs, ys, degree, origin, np.ones_like(xs), known=False)
    for _ in range(_ROUNDS if np.any(u_x) else 1):
        total = np.hypot(u, fit.slope(xs) * u_x)
        if np.any(total <= 0):
            index = int(np.argmin(total))
            raise ValueError(f"point {index}: uncertainty 0; expected above 0, or none at all")
        fit = _solve(xs, ys, degree, origin, total, known=True)
    return fit


def _solve(
    x: NDArray[np.float64],
    y: NDArray[np.float64],
    degree: int,
    origin: float,
    u: NDArray[np.float64],
    *,
    known: bool,
) -> Fit:
    span = float(np.max(np.abs(x - origin))) or 1.0
    powers = span ** np.arange(degree + 1)
    design = _design((x - origin) / span, degree)  # columns of like size
    solution, *_ = np.linalg.lstsq(design / u[:, None], y / u, rcond=None)
    residuals = design @ solution - y
    freedom = len(x) - degree - 1
    chi_square = float(np.sum((residuals / u) ** 2))
    variance = chi_square / freedom if freedom else 0.0
    triangle = np.linalg.qr(design / u[:, None], mode="r")
    inverse = np.linalg.inv(triangle)
    covariance = inverse @ inverse.T * (max(1.0, variance) if known else variance)
    deviation = math.sqrt(float(residuals @ residuals) / freedom) if freedom else 0.0
    scale = u if known else np.full_like(u, deviation or 1.0)
    return Fit(
        solution / powers,
        covariance / np.outer(powers, powers),
        origin,
        residuals,
        residuals / scale,
        deviation,
        freedom,
        known,
        (float(x.min()), float(x.max())),
    )


def _spread(u: ArrayLike, like: NDArray[np.float64], name: str) -> NDArray[np.float64]:
    values = np.broadcast_to(np.asarray(u, dtype=np.float64), like.shape)
    if not np.all(np.isfinite(values)) or np.any(values < 0):
        raise ValueError(f"{name}: expected finite numbers of at least 0")
    return values


def _check_fit(x: NDArray[np.float64], y: NDArray[np.float64], degree: int) -> None:
    if x.shape != y.shape or x.ndim != 1:
        raise ValueError(f"expected as many indications as references, got {x.shape}, {y.shape}")
    bad = np.flatnonzero(~(np.isfinite(x) & np.isfinite(y)))
    if len(bad):
        index = int(bad[0])
        raise ValueError(f"point {index}: expected finite numbers, got {x[index]} and {y[index]}")
    different = len(np.unique(x))
    if degree < 1 or different < degree + 1:
        raise ValueError(
            f"degree {degree} needs at least {degree + 1} different indications, got {different}"
        )


# --- which model


class Comparison(NamedTuple):
    """A model against the straight line (or the model chosen so far)."""

    degree: int
    fit: Fit
    p_value: float
    """Probability of so much improvement by chance; 1.0 for the starting model."""
    aicc: float
    """Akaike's criterion with small-sample correction; lower is better."""
    earns: bool
    reason: str


SIGNIFICANCE = 0.05


def compare(
    x: ArrayLike,
    y: ArrayLike,
    degrees: Sequence[int] = (1, 2, 3),
    *,
    y_uncertainty: ArrayLike | None = None,
    x_uncertainty: ArrayLike = 0.0,
) -> list[Comparison]:
    """Each degree in turn against the best so far; the last that *earns* its terms is the choice.

    A higher degree earns its terms when the F-test calls the improvement significant (5 %), AICc is
    lower, and the curve is monotone over the points. Source: F-test for nested models, Bevington
    chapter 11 (from memory); AICc: Hurvich and Tsai, Biometrika 76 (1989) 297 (from memory).
    """
    found: list[Comparison] = []
    best: Comparison | None = None
    for degree in degrees:
        try:
            fit = fit_polynomial(
                x, y, degree, y_uncertainty=y_uncertainty, x_uncertainty=x_uncertainty
            )
        except ValueError:
            break
        found.append(_judge(fit, best))
        best = found[-1] if found[-1].earns else best
    if not found:
        raise ValueError(f"too few points for degree {min(degrees)}")
    return found


def chosen(comparisons: Sequence[Comparison]) -> Comparison:
    """The model to use."""
    return [item for item in comparisons if item.earns][-1]


def _judge(fit: Fit, best: Comparison | None) -> Comparison:
    aicc = _aicc(fit)
    if best is None:
        return Comparison(fit.degree, fit, 1.0, aicc, True, "the simplest model")
    if fit.freedom < 1:
        return Comparison(fit.degree, fit, 1.0, aicc, False, "as many terms as points")
    p_value = _improvement(best.fit, fit)
    if p_value >= SIGNIFICANCE:
        reason = f"does not earn its terms: an improvement by chance in {p_value:.0%} of cases"
    elif not aicc < best.aicc:
        reason = f"does not earn its terms: AICc {aicc:.1f} against {best.aicc:.1f}"
    elif not fit.monotone:
        reason = "refused: the curve turns between the points"
    else:
        reason = f"earns its terms: p = {p_value:.2g}, AICc {aicc:.1f} against {best.aicc:.1f}"
        return Comparison(fit.degree, fit, p_value, aicc, True, reason)
    return Comparison(fit.degree, fit, p_value, aicc, False, reason)


def _chi_square(fit: Fit) -> float:
    weight = fit.standardised if fit.known_weights else fit.residuals
    return float(weight @ weight)


def _aicc(fit: Fit) -> float:
    n, k = len(fit.residuals), len(fit.coefficients) + 1
    if n - k - 1 <= 0:
        return math.inf
    floor = np.finfo(np.float64).tiny
    return n * math.log(max(_chi_square(fit) / n, floor)) + 2 * k + 2 * k * (k + 1) / (n - k - 1)


def _improvement(small: Fit, large: Fit) -> float:
    """p-value of the F-test for one or two more terms; 1.0 where nothing is left to improve."""
    terms = large.degree - small.degree
    left, right = _chi_square(small), _chi_square(large)
    noise = 1e-24 * float(np.sum((small.value(np.array(small.span))) ** 2) + left)
    if left <= noise or left <= right:
        return 1.0
    ratio = (left - right) / terms / max(right / large.freedom, noise)
    return f_test(ratio, terms, large.freedom)


def f_test(ratio: float, terms: int, freedom: int) -> float:
    """Probability of a variance ratio above *ratio*, for *terms* and *freedom* degrees.

    One term: Student's distribution of the root; two: a closed form. Raises ValueError otherwise.
    """
    if terms == 1:
        return 1.0 - student_inside(math.sqrt(ratio), freedom)
    if terms == 2:
        return float((1 + 2 * ratio / freedom) ** (-freedom / 2))
    raise ValueError(f"expected 1 or 2 more terms, got {terms}")


# --- up and down


class Repeats(NamedTuple):
    """How far readings at the same reference value lie apart, in the value's unit."""

    hysteresis: float
    """Greatest difference between the means of rising and falling points at one level."""
    repeatability: float
    """Pooled standard deviation of points at one level in one direction; NaN without repeats."""
    levels: int
    """Levels that were met both rising and falling."""


def repeats(values: ArrayLike, reference: ArrayLike, direction: Sequence[str]) -> Repeats:
    """Hysteresis and repeatability of *values* (by the curve) at levels of *reference*.

    Reference values within 0.1 % of the span count as one level. Hysteresis is NaN without a level
    that was met both ways. Terms: VIM 2.21 (repeatability); hysteresis: common practice, no source.
    """
    v, ref = np.asarray(values, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    span = float(np.ptp(ref)) or 1.0
    order = np.argsort(ref, kind="stable")
    level = np.empty(len(ref), dtype=np.intp)
    level[order] = np.cumsum(np.diff(ref[order], prepend=ref[order[:1]]) > 1e-3 * span)
    error = v - ref
    groups: dict[tuple[int, str], list[float]] = {}
    for index, name in enumerate(direction):
        groups.setdefault((int(level[index]), name), []).append(float(error[index]))
    both = [
        abs(float(np.mean(groups[n, "up"]) - np.mean(groups[n, "down"])))
        for n in range(int(level.max(initial=-1)) + 1)
        if (n, "up") in groups and (n, "down") in groups
    ]
    freedom = sum(len(group) - 1 for group in groups.values())
    squares = sum(float(np.var(group)) * len(group) for group in groups.values())
    spread = math.sqrt(squares / freedom) if freedom else math.nan
    return Repeats(max(both, default=math.nan), spread, len(both))
