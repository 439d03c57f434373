"""How old a channel's values are, by a second channel that measures the same quantity.

    y(t) = gain * r(t - delay) + offset,    delay = a + b / engine speed

*r* is captured on the encoder's own clock: engine speed from ignition pulses, or a wired twin of
what the ECU reports. Delay shows only where *r* changes in a way that gain and offset cannot
mimic, so it is fitted over transients, window by window, and refused where they disagree: no
result is better than a wrong one.

Roller speed is no reference: one per cent of slip looks like 100 ms.

Source: variable projection with Huber weights (any text on non-linear least squares); the factor
on the variance and the limits were found on a model with known truth.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Gain = Literal["unit", "free"]

REFERENCES = ("ignition", "crank", "wired")
STEP_S = 5e-3
LIMIT_S = 5e-3
"""More uncertain than this, or windows further apart, is refused."""
VARIANCE_FACTOR = 8.0
"""Residuals are correlated: white noise would make the uncertainty 5 to 20 times too small."""
JITTER_FACTOR = 2.0
LEAST_S = 1e-3
LEAST_SAMPLES = 6
LEAST_CHANGE = 0.05
WINDOW_S = 2.5
HUBER = 1.5


@dataclass(frozen=True)
class Window:
    """A stretch of transient: its times in s, and by how much it alone would shift the delay."""

    first_s: float
    last_s: float
    shift_s: float
    uncertainty_s: float


@dataclass(frozen=True)
class Delay:
    """delay = a_s + b_s_rpm / engine speed in rpm, with its standard uncertainty."""

    a_s: float
    b_s_rpm: float
    gain: float
    offset: float
    uncertainty_s: float
    windows: tuple[Window, ...]
    residual: float
    """Scatter of the samples about the fit, in their own unit."""
    sample_s: float
    """The same as a scatter of their times: of a single polled value, beside ``uncertainty_s``."""

    def at(self, engine_speed_rpm: Floats | float) -> Floats:
        """Delay in s at an engine speed (above 150 rpm)."""
        speed = np.maximum(np.asarray(engine_speed_rpm, np.float64), 150.0)
        return np.asarray(self.a_s + self.b_s_rpm / speed)


@dataclass(frozen=True)
class Refusal:
    """Why there is no delay."""

    reason: str


class _Fit:
    """Samples and reference; one evaluation of model and slope."""

    def __init__(self, t: Floats, y: Floats, ref_t: Floats, ref: Floats, speed: Floats) -> None:
        self.t, self.y, self.ref_t, self.ref = t, y, ref_t, ref
        self.inverse = 1.0 / np.maximum(speed, 150.0)

    def reference(self, delay: Floats) -> tuple[Floats, Floats]:
        """The delayed reference and its slope at the samples."""
        at = self.t - delay
        value = np.interp(at, self.ref_t, self.ref)
        ahead = np.interp(at + STEP_S, self.ref_t, self.ref)
        behind = np.interp(at - STEP_S, self.ref_t, self.ref)
        return value, (ahead - behind) / (2 * STEP_S)


def fit_delay(
    t: Floats,
    y: Floats,
    ref_t: Floats,
    ref: Floats,
    *,
    reference: str,
    gain: Gain = "unit",
    by_speed: tuple[Floats, Floats] | None = None,
    search_s: tuple[float, float] = (-0.05, 0.35),
    limit_s: float = LIMIT_S,
) -> Delay | Refusal:
    """Delay of the samples *y* (float64[n] at *t* s) against *ref* (float64[m] at *ref_t* s).

    *reference* says what the reference is: ``ignition``, ``crank`` or ``wired``. With *gain*
    ``unit`` both are in one unit and scaled alike (engine speeds), ``free`` fits gain and offset.
    *by_speed* (times s, rpm) lets the delay depend on engine speed. For polled values *t* is the
    time of the request and the delay their age, possibly negative. Times on one clock, ascending.
    """
    if reference not in REFERENCES:
        return Refusal(
            f"{reference!r} is no reference for a delay; expected one of {', '.join(REFERENCES)}"
            " (tyre slip makes roller speed wrong by more than it claims)"
        )
    if len(ref_t) < LEAST_SAMPLES:
        return Refusal("the reference has no values")
    inside = (t > ref_t[0] + search_s[1]) & (t < ref_t[-1] + min(search_s[0], 0.0))
    inside &= np.isfinite(y)
    t, y = t[inside], y[inside]
    if len(t) < 2 * LEAST_SAMPLES:
        return Refusal(f"only {len(t)} samples lie within the reference's times")
    if gain == "unit" and (problem := _ratio_problem(t, y, ref_t, ref)):
        return Refusal(problem)
    spans = _transients(ref_t, ref, t, search_s)
    if len(spans) < 2:
        return Refusal("no transient: the reference hardly changes, so the delay does not show")
    active = np.zeros(len(t), np.bool_)
    for first, last in spans:
        active |= (t >= first) & (t < last)
    speed_t, speed = by_speed if by_speed is not None else (ref_t[:1], np.array([1000.0]))
    fit = _Fit(t[active], y[active], ref_t, ref, np.interp(t[active], speed_t, speed))
    start = _search(fit, gain, search_s)
    with_b = by_speed is not None
    return _judge(fit, gain, spans, start, with_b, limit_s)


def _ratio_problem(t: Floats, y: Floats, ref_t: Floats, ref: Floats) -> str:
    both = np.interp(t, ref_t, ref)
    running = (both > 0) & (y > 0)
    ratio = float(np.median(y[running] / both[running])) if running.any() else np.nan
    if abs(ratio - 1) < 0.05:
        return ""
    return f"the two differ by a factor of {ratio:.3g}; check the pulses per revolution"


def _transients(
    ref_t: Floats, ref: Floats, t: Floats, search_s: tuple[float, float]
) -> list[tuple[float, float]]:
    """Stretches in which the reference rises or falls, as times of the samples."""
    grid = np.arange(ref_t[0], ref_t[-1], 0.02)
    if len(grid) < 20:
        return []
    value = np.interp(grid, ref_t, ref)
    kernel = np.ones(5) / 5
    inner = (grid > grid[2]) & (grid < grid[-3])
    slope = np.convolve(np.gradient(value, grid), kernel, mode="same")
    span = float(np.ptp(value))
    noise = float(np.std(value - np.convolve(value, kernel, mode="same"), where=inner))
    if span < max(10 * noise, LEAST_CHANGE * abs(float(np.median(value)))):
        return []
    steep = np.quantile(np.abs(slope), 0.98)
    # at least a twentieth of the range in a second, or a flat line's noise would count
    fast = np.abs(slope) > max(0.03 * steep, 0.05 * span)
    sign = np.where(fast, np.sign(slope), 0).astype(int)
    edges = np.flatnonzero(np.diff(sign, prepend=0, append=0))
    found: list[tuple[float, float]] = []
    usual = float(np.median(np.diff(t)))
    reach = max(0.1, search_s[1] / 2, LEAST_SAMPLES / 2 * usual)
    for begin, end in pairwise(edges.tolist()):
        if sign[begin] == 0 or abs(value[min(end, len(value) - 1)] - value[begin]) < 0.1 * span:
            continue
        first, last = grid[begin] - max(0.05, reach / 2), grid[end - 1] + reach
        parts = max(1, round((last - first) / WINDOW_S))
        found += list(pairwise(np.linspace(first, last, parts + 1).tolist()))
    return [s for s in found if np.count_nonzero((t >= s[0]) & (t < s[1])) >= LEAST_SAMPLES]


def _search(fit: _Fit, gain: Gain, search_s: tuple[float, float]) -> float:
    """Best constant delay on a coarse grid, by the median residual's neighbour: mean of |r|."""
    candidates = np.arange(search_s[0], search_s[1] + STEP_S / 2, STEP_S)
    cost = [
        float(np.mean(np.abs(_residual(fit, gain, np.full(len(fit.t), c))))) for c in candidates
    ]
    return float(candidates[int(np.argmin(cost))])


def _residual(fit: _Fit, gain: Gain, delay: Floats) -> Floats:
    value, _ = fit.reference(delay)
    if gain == "unit":
        return fit.y - value
    columns = np.stack([value, np.ones_like(value)], axis=1)
    solved, *_ = np.linalg.lstsq(columns, fit.y, rcond=None)
    residual: Floats = fit.y - columns @ solved
    return residual


@dataclass
class _State:
    """Parameters a, b, gain, offset; which of them are free; covariances; scatter."""

    parameter: Floats
    free: Bools
    white: Floats
    """Covariance as if all samples scattered alike in value ..."""
    jitter: Floats
    """... and as they do scatter, more where the slope is steep and times are uncertain."""
    scatter: float
    slope: Floats
    residual: Floats


def _solve(fit: _Fit, gain: Gain, start: float, with_b: bool) -> _State:
    """Gauss and Newton with Huber weights from a constant delay."""
    free = np.array([True, with_b, gain == "free", gain == "free"])
    parameter = np.array([start, 0.0, 1.0, 0.0])
    if gain == "free":
        value, _ = fit.reference(np.full(len(fit.t), start))
        columns = np.stack([value, np.ones_like(value)], axis=1)
        parameter[2:] = np.linalg.lstsq(columns, fit.y, rcond=None)[0]
    for _ in range(15):
        value, slope = fit.reference(parameter[0] + parameter[1] * fit.inverse)
        residual = fit.y - (parameter[2] * value + parameter[3])
        scatter = max(1.4826 * float(np.median(np.abs(residual))), 1e-12)
        weight = np.minimum(1.0, HUBER * scatter / np.maximum(np.abs(residual), 1e-300))
        by_delay = -parameter[2] * slope
        columns = np.stack([by_delay, by_delay * fit.inverse, value, np.ones_like(value)], axis=1)
        columns = columns[:, free]
        size = np.maximum(np.linalg.norm(columns, axis=0), 1e-300)
        scaled = columns / size
        normal = scaled.T @ (scaled * weight[:, None])
        inverse = np.linalg.pinv(normal) / np.outer(size, size)
        step = inverse @ (columns.T @ (weight * residual))
        parameter[free] += step
        if abs(step[0]) < 1e-7:
            break
    score = columns * (weight * residual)[:, None]
    jitter = inverse @ (score.T @ score) @ inverse
    white = VARIANCE_FACTOR**2 * inverse * scatter**2
    return _State(parameter, free, white, JITTER_FACTOR**2 * jitter, scatter, by_delay, residual)


def _judge(
    fit: _Fit,
    gain: Gain,
    spans: list[tuple[float, float]],
    start: float,
    with_b: bool,
    limit_s: float,
) -> Delay | Refusal:
    state = _solve(fit, gain, start, with_b)
    sigma = _sigma(fit, state)
    if with_b and sigma > limit_s:
        # too little to tell a from b: a constant may still do
        state = _solve(fit, gain, start, False)
        sigma = _sigma(fit, state)
    if sigma > limit_s:
        return Refusal(
            f"the delay is uncertain by {1e3 * sigma:.1f} ms, more than {1e3 * limit_s:.0f} ms;"
            " two throttle blips in neutral before the run would tell it"
        )
    windows = _windows(fit, state, spans, limit_s)
    if len(windows) < 2:
        return Refusal("fewer than two transients tell the delay, so nothing confirms it")
    shifts = np.array([window.shift_s for window in windows])
    apart = float(np.ptp(shifts))
    if apart > limit_s:
        return Refusal(
            f"transients disagree by {1e3 * apart:.1f} ms, more than {1e3 * limit_s:.0f} ms:"
            " another delay or filter in some of them"
        )
    uncertainty = max(sigma, apart / 2, LEAST_S)
    a, b, g, offset = (float(value) for value in state.parameter)
    sample = float(np.sqrt(np.mean(state.residual**2) / np.mean(state.slope**2)))
    return Delay(a, b, g, offset, uncertainty, tuple(windows), state.scatter, sample)


def _sigma(fit: _Fit, state: _State) -> float:
    """Standard uncertainty of the delay, the worst at usual engine speeds."""
    size = int(state.free[:2].sum())
    worst = 0.0
    for inverse in np.quantile(fit.inverse, (0.1, 0.5, 0.9)):
        direction = np.array([1.0, inverse])[:size]
        for covariance in (state.white, state.jitter):
            worst = max(worst, float(direction @ covariance[:size, :size] @ direction))
    return float(np.sqrt(worst))


def _windows(
    fit: _Fit, state: _State, spans: list[tuple[float, float]], limit_s: float
) -> list[Window]:
    """By how much each transient alone would shift the delay, those that can tell."""
    found = []
    for first, last in spans:
        rows = (fit.t >= first) & (fit.t < last)
        slope, residual = state.slope[rows], state.residual[rows]
        power = float(np.sum(slope**2))
        if power <= 0:
            continue
        # the window's own scatter: what another delay does to the whole must not hide it
        shift = float(np.sum(slope * residual)) / power
        scatter = float(np.std(residual - shift * slope))
        sigma = VARIANCE_FACTOR / 2 * scatter / float(np.sqrt(power))
        if sigma < limit_s:
            found.append(Window(first, last, shift, sigma))
    return found
