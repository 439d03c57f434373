"""Uncertainty of measurement by the GUM, and its check by Monte Carlo.

Source: JCGM 100:2008 (GUM), JCGM 101:2008 (Monte Carlo), terms of JCGM 200 (VIM).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
Model = Callable[[Mapping[str, Any]], Array]
"""Named errors to the values that they lead to."""


class Source(NamedTuple):
    """One source of uncertainty: the error it stands for and its standard uncertainty."""

    name: str
    error: str
    standard: ArrayLike
    shape: Literal["normal", "rectangular"] = "normal"


# --- type A and type B


def type_a(readings: ArrayLike) -> float:
    """Standard uncertainty of the mean, s/√n. Source: JCGM 100 4.2.3.

    Raises ValueError for fewer than two finite readings.
    """
    x = np.asarray(readings, dtype=np.float64)
    if x.size < 2 or not np.all(np.isfinite(x)):
        raise ValueError(f"expected at least 2 finite readings, got {x.size}")
    return float(x.std(ddof=1) / math.sqrt(x.size))


def rectangular(half_width: float) -> float:
    """Standard uncertainty of anything within ± *half_width*. Source: JCGM 100 4.3.7."""
    return half_width / math.sqrt(3)


def triangular(half_width: float) -> float:
    """The same when the middle is likelier. Source: JCGM 100 4.3.9."""
    return half_width / math.sqrt(6)


def u_shaped(half_width: float) -> float:
    """The same for a cyclic disturbance of that amplitude. Source: from memory (arcsine law)."""
    return half_width / math.sqrt(2)


# --- combining


def combine(parts: Sequence[ArrayLike], shape: tuple[int, ...] = ()) -> Array:
    """Root of the sum of squares of independent contributions. Source: JCGM 100 5.1.2."""
    total = np.zeros(shape)
    for part in parts:
        total = total + np.square(np.asarray(part, dtype=np.float64))
    return np.sqrt(total)


def contributions(
    model: Model, sources: Sequence[Source], covariance: Array, *, relative: float = 0.0
) -> dict[str, Array]:
    """Contribution of each source to the result of *model*, by its change at ± u.

    The parameters' covariance goes in along the columns of a square root of it, so that
    correlations count in full. ``relative`` is a further part, a fraction of the value.
    Source: JCGM 100 5.1.3 note 2 (numerical sensitivities), 5.2.2 (correlated inputs).
    """
    centre = model({})
    parts: dict[str, Array] = {}
    for source in sources:
        u = np.asarray(source.standard, dtype=np.float64)
        change = _half_change(model, centre, source.error, u)
        parts[source.name] = combine([parts.get(source.name, 0.0), change])
    columns = [
        _half_change(model, centre, "parameters", column)
        for column in square_root(covariance).T
        if np.any(column)
    ]
    if columns:
        parts["parameters"] = combine(columns)
    if relative:
        parts["relative"] = relative * np.abs(centre)
    return parts


def _half_change(model: Model, centre: Array, error: str, u: Any) -> Array:
    """Half the change of the model from -u to +u; one-sided where the other side has no value."""
    up, down = model({error: u}), model({error: -u})
    both = (up - down) / 2
    one = np.where(np.isnan(up), centre - down, up - centre)
    return np.abs(np.where(np.isnan(both), one, both))


def square_root(covariance: ArrayLike) -> Array:
    """A matrix S with S Sᵀ = covariance, also when the covariance is singular or badly scaled."""
    matrix = np.asarray(covariance, dtype=np.float64)
    scale = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    divisor = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(matrix / np.outer(divisor, divisor))
    return np.asarray(scale[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def effective_freedom(combined: float, parts: Sequence[float], freedom: Sequence[float]) -> float:
    """Welch–Satterthwaite degrees of freedom. Source: JCGM 100 G.4.1."""
    terms = [part**4 / nu for part, nu in zip(parts, freedom) if part and math.isfinite(nu)]
    return combined**4 / sum(terms) if terms else math.inf


def coverage_factor(freedom: float, probability: float = 0.95) -> float:
    """Two-sided t factor for *freedom* degrees, 1.96 for infinitely many.

    Source: JCGM 100 G.3; the quantile by integration of Student's density.
    """
    if not freedom > 0 or not 0 < probability < 1:
        raise ValueError(
            f"expected freedom above 0, probability in (0, 1); got {freedom}, {probability}"
        )
    if freedom > 1e6:
        freedom = 1e6
    low, high = 0.0, 1e4
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (
            (middle, high) if student_inside(middle, freedom) < probability else (low, middle)
        )
    return (low + high) / 2


def student_inside(t: float, freedom: float) -> float:
    """Probability that Student's T lies within ± *t*: Gauss–Legendre in θ, T = √ν tan θ."""
    edge = math.atan(t / math.sqrt(freedom))
    nodes, weights = _nodes()
    scale = math.lgamma((freedom + 1) / 2) - math.lgamma(freedom / 2) - 0.5 * math.log(math.pi)
    with np.errstate(under="ignore"):
        log = scale + (freedom - 1) * np.log(np.cos(edge * (nodes + 1) / 2))
        return float(edge * np.sum(weights * np.exp(log)))


@cache
def _nodes() -> tuple[Array, Array]:
    nodes, weights = np.polynomial.legendre.leggauss(200)
    return nodes, weights


# --- Monte Carlo


def monte_carlo(
    model: Model,
    sources: Sequence[Source],
    covariance: Array,
    *,
    relative: float = 0.0,
    trials: int = 20_000,
    seed: int = 0,
) -> Array:
    """Trial values of *model*, float64[trials, ...], by propagating distributions.

    Source: JCGM 101 clause 7.
    """
    rng = np.random.default_rng(seed)
    root = square_root(covariance)
    rows = []
    for _ in range(trials):
        errors: dict[str, Any] = {}
        for source in sources:
            errors[source.error] = errors.get(source.error, 0.0) + _draw(rng, source)
        if root.size:
            errors["parameters"] = root @ rng.standard_normal(len(root))
        rows.append(model(errors) * (1 + relative * rng.standard_normal()))
    return np.array(rows)


def _draw(rng: np.random.Generator, source: Source) -> Array:
    u = np.asarray(source.standard, dtype=np.float64)
    if source.shape == "rectangular":
        return np.asarray(u * math.sqrt(3) * rng.uniform(-1, 1))
    return np.asarray(u * rng.standard_normal())
