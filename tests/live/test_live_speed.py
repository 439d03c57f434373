"""Live roller speed against known motion."""

from __future__ import annotations

import numpy as np
import pytest

from daq.bench import RollerSetConfig
from daq.live.speed import WINDOW_S, LiveSpeed


def roller(**keys):
    return RollerSetConfig("unit.encoder_1_count", 1000, 1.570796, 43.75, **keys)


def rows(position_m, seconds=1.0, metres=1.570796 / 1000, first=0.0):
    """Rows at 1 kHz of an ideal encoder: time, count, time of the last edge (forward motion)."""
    fine = first + np.arange(0, seconds, 1e-5)
    counts = np.floor(position_m(fine) / metres + 1e-9).astype(np.int64)
    edge = np.maximum.accumulate(np.where(np.diff(counts, prepend=counts[0]) != 0, fine, fine[0]))
    return fine[::100], counts[::100], edge[::100]


def test_worked_example_of_speed_by_frequency():
    # Source: 40 CFR 1066.235: f = 2.9231 Hz at a roller of 0.9044 m, one pulse a turn: 8.3053 m/s
    metres = np.pi * 0.9044
    set_ = RollerSetConfig("unit.encoder_1_count", 1, metres, 10.0)
    at = np.arange(0, 3, 1 / 2.9231)
    speed = LiveSpeed(set_).feed(at, np.arange(len(at)), at)
    assert speed[-1] == pytest.approx(8.3053, abs=5e-4)


@pytest.mark.parametrize("speed_m_s", [0.1, 1.0, 13.9, 60.0])
def test_steady_speed_is_exact_to_the_tick(speed_m_s):
    found = LiveSpeed(roller()).feed(*rows(lambda t: speed_m_s * t))
    after = found[200:]
    assert np.nanmax(np.abs(after - speed_m_s)) < 0.002 * speed_m_s + 1e-9


def test_lag_is_half_the_window():
    # v = a t; the mean over the window is that of its middle
    found = LiveSpeed(roller()).feed(*rows(lambda t: 0.5 * 4.0 * t**2, seconds=2.0))
    assert 4.0 * 1.999 - found[-1] == pytest.approx(4.0 * WINDOW_S / 2, rel=0.05)


def test_no_value_before_a_window_has_passed():
    found = LiveSpeed(roller()).feed(*rows(lambda t: 5.0 * t))
    assert np.isnan(found[: round(WINDOW_S * 1000)]).all()
    assert np.isfinite(found[round(WINDOW_S * 1000) + 1 :]).all()


def test_standstill_comes_to_zero():
    at, count, edge = rows(lambda t: np.minimum(5.0 * t, 2.5), seconds=1.5)
    found = LiveSpeed(roller()).feed(at, count, edge)
    assert found[400] == pytest.approx(5.0, rel=1e-3)
    assert found[-1] == 0.0


def test_slowing_by_missing_edges_is_seen_within_the_window():
    at, count, edge = rows(lambda t: np.minimum(0.1 * t, 0.05), seconds=0.58)
    found = LiveSpeed(roller()).feed(at, count, edge)
    assert found[-1] < 0.03  # 1.57 mm in the 70 ms or so since the last edge


def test_start_from_a_long_standstill_is_not_averaged_over_it():
    at, count, edge = rows(lambda t: np.maximum(0.0, 5.0 * (t - 8.0)), seconds=8.2)
    assert LiveSpeed(roller()).feed(at, count, edge)[-1] == pytest.approx(5.0, rel=0.01)


def test_cut_in_blocks_gives_the_same():
    at, count, edge = rows(lambda t: 2.0 * t + t**2)
    whole = LiveSpeed(roller()).feed(at, count, edge)
    cut = LiveSpeed(roller())
    pieces = [
        cut.feed(a, c, e)
        for a, c, e in zip(*(np.array_split(x, 37) for x in (at, count, edge)), strict=True)
    ]
    np.testing.assert_array_equal(np.concatenate(pieces), whole)


def test_backwards_and_reversed():
    at, count, edge = rows(lambda t: 3.0 * t)
    assert LiveSpeed(roller()).feed(at, -count, edge)[-1] == pytest.approx(-3.0, rel=1e-3)
    assert LiveSpeed(roller(reversed=True)).feed(at, -count, edge)[-1] == pytest.approx(3.0, 1e-3)


def test_new_segment_forgets_the_old_count():
    at, count, edge = rows(lambda t: 3.0 * t)
    speed = LiveSpeed(roller())
    speed.feed(at, count, edge, 0)
    found = speed.feed(at, count, edge, 1)
    assert np.isnan(found[:50]).all()
    assert found[-1] == pytest.approx(3.0, rel=1e-3)


def test_without_edge_ticks_by_the_rows_themselves():
    at, count, _ = rows(lambda t: 20.0 * t)
    found = LiveSpeed(roller()).feed(at, count, None)[200:]
    quantum = 1.570796e-3 / WINDOW_S
    assert np.abs(found - 20.0).max() <= 1.1 * quantum
