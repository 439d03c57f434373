"""Position, speed and acceleration of a roller from its encoder. Pure numpy.

The encoder says *count and time of its last edge*: at that moment the position was exact but for
the slot. A local quadratic through such pairs gives speed and acceleration; counts per gate are
a hundred times worse.

Source: variance of a local quadratic's second derivative 720 s^2/(N W^4), bias W^2 a''/56 (from
the Legendre projection).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.rollers.eccentricity import Eccentricity, find_eccentricity

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

WINDOW_S = 0.12
SPEED_BANDWIDTH = 0.578
ACCELERATION_BANDWIDTH = 0.687
"""-3 dB frequency times window. Source: response of the local quadratic, computed."""
STANDSTILL_S = 0.5
"""No edge for so long is standstill."""
LEAST_PAIRS = 5
REACH_PAIRS = 3
"""At low speed the window grows to this many edges on either side."""
GAP_S = 0.1
CHUNK = 4096


@dataclass(frozen=True)
class Kinematics:
    """Motion of one roller set at n times. All arrays float64[n] unless said; NaN in gaps.

    ``t`` s; ``position`` m since the first count; ``speed`` m/s; ``acceleration`` m/s^2; ``u_``
    their standard uncertainties: of encoder and fit (the circumference's share is common to all
    times), with an eccentricity that was left in. ``direction`` int8[n]: 1 forward, -1 backward,
    0 standing. ``edge_timed``: from edge times, not plain counts.
    """

    t: Floats
    position: Floats
    speed: Floats
    acceleration: Floats
    u_position: Floats
    u_speed: Floats
    u_acceleration: Floats
    direction: NDArray[np.int8]
    edge_timed: bool
    window_s: float
    count_noise: float
    """Scatter of one count about the fit, in counts."""
    eccentricity: Eccentricity | None
    eccentricity_removed: bool

    @property
    def standstill(self) -> Bools:
        """Times at which the roller stood."""
        return np.equal(self.direction, 0)

    @property
    def speed_bandwidth_hz(self) -> float:
        """-3 dB frequency of ``speed``."""
        return SPEED_BANDWIDTH / self.window_s

    @property
    def acceleration_bandwidth_hz(self) -> float:
        """-3 dB frequency of ``acceleration``."""
        return ACCELERATION_BANDWIDTH / self.window_s


def kinematics(
    count: Ints,
    t: Floats,
    at: Floats | None = None,
    *,
    edge_s: Floats | None = None,
    segment: Ints | None = None,
    counts_per_revolution: float,
    circumference_m: float,
    window_s: float = WINDOW_S,
    reversed: bool = False,  # noqa: A002 - the bench's own word
    remove_eccentricity: bool = True,
) -> Kinematics:
    """Motion at the times *at* (float64[m] s; the rows' own when left out).

    *count* int64[n] unwrapped, *t* float64[n] s when each was latched, *edge_s* float64[n] s when
    its last edge came (None: plain counts, whose worse uncertainty is stated). Rows in order;
    where *segment* int64[n] changes the count began anew, and the way between is not known.
    Raises ValueError for arrays of different lengths or a window that is not positive.
    """
    if not len(count) == len(t) == (len(t) if edge_s is None else len(edge_s)):
        raise ValueError(f"kinematics: {len(count)} counts, {len(t)} times")
    if window_s <= 0:
        raise ValueError(f"kinematics: window {window_s!r} s; expected more than 0")
    at = np.asarray(t if at is None else at, np.float64)
    count = np.asarray(count, np.int64)
    x, c = _pairs(count if segment is None else _joined(count, segment), t, edge_s)
    if reversed:
        c = -c
    off = find_eccentricity(x, c, counts_per_revolution) if len(x) else None
    removed = remove_eccentricity and off is not None and off.significant
    if removed and off is not None:
        c = c - off.error(c)
    fit = _LocalFit(x, c, at, window_s, plain=edge_s is None)
    left_in = 0.0 if removed or off is None else off.amplitude / np.sqrt(2)
    turning = 2 * np.pi * fit.speed / counts_per_revolution
    missed, bend = _bias(fit.acceleration, at, window_s)
    no_data = _unknown(at, t)
    scale = circumference_m / counts_per_revolution
    origin = c[0] if len(c) else 0.0

    def metres(values: Floats) -> Floats:
        return np.where(no_data, np.nan, values * scale)

    return Kinematics(
        at,
        metres(fit.position - origin),
        metres(fit.speed),
        metres(fit.acceleration),
        metres(np.hypot(fit.u_position, left_in)),
        metres(np.hypot(fit.u_speed, np.hypot(missed, left_in * turning))),
        metres(np.hypot(fit.u_acceleration, np.hypot(bend, left_in * turning**2))),
        np.where(no_data | fit.still, 0, np.sign(fit.speed)).astype(np.int8),
        edge_s is not None,
        window_s,
        fit.noise,
        off,
        bool(removed),
    )


def _joined(count: Ints, segment: Ints) -> Ints:
    """Counts that run on where a new segment began anew."""
    step = np.diff(count, prepend=count[:1])
    step[1:][np.diff(segment) != 0] = 0
    return np.cumsum(step) + count[:1]


def _pairs(count: Ints, t: Floats, edge_s: Floats | None) -> tuple[Floats, Floats]:
    """Moments and positions in counts: at edges exact, at plain rows the middle of a count.

    An edge passed backwards leaves a count one lower than the edge's own.
    """
    if edge_s is None:
        return t.astype(np.float64), count.astype(np.float64) + 0.5
    step = np.diff(count)
    new = np.flatnonzero((step != 0) & (np.diff(edge_s) > 0)) + 1
    backward = (step[new - 1] < 0).astype(np.float64)
    return edge_s[new].astype(np.float64), count[new].astype(np.float64) + backward


def _unknown(at: Floats, t: Floats) -> Bools:
    """Times outside the rows or where rows are missing."""
    if len(t) < 2:
        return np.ones(len(at), np.bool_)
    limit = max(GAP_S, 2.5 * float(np.median(np.diff(t))))
    before = np.searchsorted(t, at, side="right") - 1
    after = np.minimum(before + 1, len(t) - 1)
    gap = (t[after] - t[before.clip(0)] > limit) & (at > t[before.clip(0)])
    unknown: Bools = (before < 0) | (at > t[-1]) | gap
    return unknown


def _bias(acceleration: Floats, at: Floats, window_s: float) -> tuple[Floats, Floats]:
    """What a quadratic misses in speed, W^2 a'/40, and in acceleration, W^2 a''/56.

    Source: projection of the third and fourth power on the first and second Legendre polynomial.
    """
    if len(at) < 3:
        return np.zeros(len(at)), np.zeros(len(at))
    early = np.interp(at - window_s, at, acceleration)
    late = np.interp(at + window_s, at, acceleration)
    return window_s * (late - early) / 80, (early - 2 * acceleration + late) / 56


class _LocalFit:
    """Quadratics through the pairs around each time, in counts and seconds."""

    def __init__(self, x: Floats, c: Floats, at: Floats, window_s: float, *, plain: bool) -> None:
        self.x, self.c, self.at, self.plain = x, c, at, plain
        n = len(at)
        self.position, self.speed, self.acceleration = (np.zeros(n) for _ in range(3))
        self.u_position, self.u_speed, self.u_acceleration = (np.zeros(n) for _ in range(3))
        self.still = np.ones(n, np.bool_)
        self.noise = float("nan")
        if len(x) < 2:
            self.position += c[0] if len(c) else 0.0
            return
        self._still()
        self._slow()
        half = self._reach(window_s / 2)
        first = np.searchsorted(x, at - half, side="left")
        last = np.searchsorted(x, at + half, side="right")
        rows = np.flatnonzero((last - first >= LEAST_PAIRS) & ~self.still)
        if len(rows):
            self._fit(rows, first[rows], last[rows], half[rows])

    def _still(self) -> None:
        """No edge near: the roller stands, to within a count."""
        after = np.searchsorted(self.x, self.at, side="right")
        before = (after - 1).clip(0)
        after = np.minimum(after, len(self.x) - 1)
        since = np.where(self.at >= self.x[before], self.at - self.x[before], np.inf)
        until = np.where(self.x[after] >= self.at, self.x[after] - self.at, np.inf)
        if self.plain:
            low = np.searchsorted(self.x, self.at - STANDSTILL_S / 2).clip(0, len(self.x) - 1)
            high = np.searchsorted(self.x, self.at + STANDSTILL_S / 2).clip(0, len(self.x) - 1)
            total = np.concatenate(([0.0], np.cumsum(np.abs(np.diff(self.c)))))
            self.still = total[high] == total[low]
        else:
            self.still = since + until > STANDSTILL_S
        self.position = self.c[before].copy()
        self.u_position[:] = 1 / np.sqrt(12)
        self.u_speed = np.where(self.still, 1 / np.sqrt(12) / STANDSTILL_S, 0.0)
        self.u_acceleration = np.where(self.still, 1 / np.sqrt(12) / STANDSTILL_S**2, 0.0)
        self.before, self.after = before, after

    def _slow(self) -> None:
        """Between few edges: a straight line from the one before to the one after."""
        h = self.x[self.after] - self.x[self.before]
        moving = (h > 0) & ~self.still
        safe = np.where(h > 0, h, 1.0)
        speed = np.where(moving, (self.c[self.after] - self.c[self.before]) / safe, 0.0)
        self.speed = speed
        self.position = self.position + np.where(moving, speed * (self.at - self.x[self.before]), 0)
        self.u_speed = np.where(moving, np.abs(speed) / 2 + 1 / safe, self.u_speed)
        self.u_acceleration = np.where(moving, self.u_speed / safe, self.u_acceleration)

    def _reach(self, half: float) -> Floats:
        """Half window of each time: at low speed so wide that a few edges lie on either side."""
        if self.plain:
            return np.full(len(self.at), half)
        below = (self.before - REACH_PAIRS + 1).clip(0)
        above = np.minimum(self.after + REACH_PAIRS - 1, len(self.x) - 1)
        far = np.maximum(self.at - self.x[below], self.x[above] - self.at)
        reach: Floats = np.clip(far * (1 + 1e-9), half, max(half, STANDSTILL_S))
        return reach

    def _fit(self, rows: Ints, first: Ints, last: Ints, half: Floats) -> None:
        number = last - first
        k, inverse = np.empty((len(rows), 3)), np.empty((len(rows), 3))
        square, passed = np.empty(len(rows)), np.empty(len(rows))
        # alike numbers together, so that a few wide windows do not make all of them wide
        order = np.argsort(number, kind="stable")
        for begin in range(0, len(rows), CHUNK):
            part = order[begin : begin + CHUNK]
            k[part], inverse[part], square[part], passed[part] = self._solve(
                self.at[rows[part]], first[part], number[part], half[part]
            )
        scatter = square / np.maximum(number - 3, 1)
        self.noise = float(np.sqrt(np.median(scatter)))
        # a fit that does not follow shows in its own residuals; neighbours in one count share an
        # error, so plain counts weigh no more than the counts that passed
        variance = np.maximum(scatter, self.noise**2)
        if self.plain:
            shared = np.maximum(1.0, number / np.maximum(passed, 1.0))
            # near whole counts per row their errors beat slowly: twice the variance
            variance = 2 * np.maximum(variance, 1 / 12) * shared
        u = np.sqrt(np.maximum(variance[:, None] * inverse, 0))
        self.position[rows] = k[:, 0]
        self.speed[rows] = k[:, 1] / half
        self.acceleration[rows] = 2 * k[:, 2] / half**2
        self.u_position[rows] = u[:, 0]
        self.u_speed[rows] = u[:, 1] / half
        self.u_acceleration[rows] = 2 * u[:, 2] / half**2

    def _solve(
        self, at: Floats, first: Ints, number: Ints, half: Floats
    ) -> tuple[Floats, Floats, Floats, Floats]:
        """Coefficients in half windows, diagonal of the inverse, squared rest, counts passed."""
        width = int(number.max())
        index = np.minimum(first[:, None] + np.arange(width), len(self.x) - 1)
        w = (np.arange(width) < number[:, None]).astype(np.float64)
        u = (self.x[index] - at[:, None]) / half[:, None] * w
        origin = self.c[first]
        y = (self.c[index] - origin[:, None]) * w
        u2 = u * u
        s0, s1, s2 = w.sum(1), u.sum(1), u2.sum(1)
        s3, s4 = (u2 * u).sum(1), (u2 * u2).sum(1)
        moments = np.stack([s0, s1, s2, s1, s2, s3, s2, s3, s4], axis=1).reshape(-1, 3, 3)
        right = np.stack([y.sum(1), (u * y).sum(1), (u2 * y).sum(1)], axis=1)
        inverse = np.linalg.inv(moments + 1e-12 * np.eye(3))
        k = np.einsum("nij,nj->ni", inverse, right)
        rest = (y - (k[:, :1] + k[:, 1:2] * u + k[:, 2:] * u2)) * w
        passed = np.abs(np.diff(y, axis=1) * w[:, 1:]).sum(1)
        k[:, 0] += origin
        return k, np.einsum("nii->ni", inverse), (rest * rest).sum(1), passed


# --- counting


STEP = np.array([[0, -1, 1, 2], [1, 0, 2, -1], [-1, 2, 0, 1], [2, 1, -1, 0]])
"""Count of a quadrature transition by [previous state][state], state = 2A + B, A leading forward;
2 marks an illegal one. Source: definition of quadrature, 00 > 10 > 11 > 01."""


def quadrature_counts(states: Ints) -> tuple[int, int]:
    """Counts at four per period, and illegal transitions, of a sequence of states 2A + B."""
    step = STEP[states[:-1], states[1:]]
    return int(step[step != 2].sum()), int((step == 2).sum())


def lost_counts(index_count: Ints, counts_per_revolution: int) -> Ints:
    """Counts lost (positive) or added (negative) in each turn between index pulses.

    *index_count* int64[n] is the count at each index pulse; the result int64[n - 1]. A turn back
    over the index adds nothing.
    """
    turned = np.diff(index_count)
    whole = np.rint(turned / counts_per_revolution).astype(np.int64)
    lost: Ints = (whole * counts_per_revolution - turned) * np.where(turned < 0, -1, 1)
    return lost


def slip(wheel_speed: Floats, roller_speed: Floats) -> Floats:
    """Drive slip (wheel - roller) / wheel, of two speeds in the same unit."""
    ratio: Floats = (wheel_speed - roller_speed) / wheel_speed
    return ratio


def overall_ratio(engine_speed_rpm: Floats, roller_speed: Floats, circumference_m: float) -> Floats:
    """Engine revolutions per roller revolution; *roller_speed* m/s.

    One that drifts in a gear is tyre slip, tyre growth or a slipping clutch.
    """
    ratio: Floats = engine_speed_rpm / 60 * circumference_m / roller_speed
    return ratio
