"""Zeros before and after a run, and what a run belongs to, in the run file."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from daq import belonging
from daq.clock import SECOND_NS
from daq.decode import decode
from daq.entries import MarkRow
from daq.finalise import _watched, finalise
from daq.garage import Garage, said
from daq.journal import Journal
from daq.runfile.content import Quantity
from daq.runfile.read import read_run
from daq.runfile.verify import verify
from daq.sources import Sources
from daq.zeros import Mean, _type_a, find_zeros

ABOUT = {
    "number": 17,
    "vehicle": {
        "name": "pennon",
        "title": "Pennon 2.0 T",
        "gears": [3.45, 2.05],
        "engine": {"cylinders": 4, "ignition": "wasted_spark"},
    },
    "visit": {"name": "2026-03-31", "driver": "Jon Reed", "tyre_pressure_cold_kpa": 230.0},
    "setup": {"name": "stock", "gear": 3, "ethanol_percent": 10.0, "fitted": ["pipe", "cooler"]},
    "run": {"pretrigger_s": 2.0, "standstill_s": 1.0, "end": [{"after_s": 9.0, "channel": ""}]},
    "outside": ["oil is 62 degC, below 80"],
}


class Told(Journal):
    """A journal with marks that were not in it."""

    def __init__(self, path, extra):
        super().__init__(path)
        self.extra = extra

    def marks(self, after=-1):
        found = [*super().marks(after), *self.extra]
        return [
            mark._replace(content={**mark.content, **self.stop}) if mark.kind == "stop" else mark
            for mark in found
        ]

    stop: dict = {}  # noqa: RUF012


@pytest.fixture(scope="module")
def described(simulated_run, tmp_path_factory):
    """The simulated run with an about mark, an end, a lost channel and zero windows."""
    seq, zero = simulated_run.start_seq, simulated_run.zero_ns
    begin = simulated_run.recording.start_ns
    before = [begin + SECOND_NS // 10, begin + 11 * SECOND_NS // 10]
    extra = [
        MarkRow(10**6, zero, "about", "daq", {"start": seq, "zero_before": before, **ABOUT}),
        MarkRow(
            10**6 + 1, zero + 9 * SECOND_NS, "end", "daq", {"start": seq, "reason": "after 9 s"}
        ),
        MarkRow(10**6 + 2, zero, "not_for_power", "daq", {"start": seq, "reason": "x: lost"}),
        MarkRow(10**6 + 3, zero, "not_for_power", "daq", {"start": seq + 1, "reason": "other"}),
    ]
    with Told(simulated_run.journal, extra) as journal:
        stop = next(m for m in journal.marks() if m.kind == "stop")
        journal.stop = {"zero_after": [stop.t_ns - SECOND_NS, stop.t_ns]}
        return finalise(journal, seq, tmp_path_factory.mktemp("out"))


def test_the_name_sorts_and_tells(described):
    assert described.name.endswith("-r0017-stock.h5")
    assert verify(described) == []


def test_what_the_run_belongs_to_is_in_the_file_with_units(described):
    content = read_run(described)
    assert content.title == "simulated pull"  # as the start mark says
    assert content.vehicle["title"] == "Pennon 2.0 T"
    assert content.vehicle["gears"] == "3.45; 2.05"
    assert content.visit["tyre_pressure_cold"] == Quantity(230.0, "kPa")
    assert content.setup["ethanol"] == Quantity(10.0, "%")
    assert content.setup["gear"] == 3
    assert content.setup["fitted"] == "pipe; cooler"
    assert content.operator["driver"] == "Jon Reed"
    (document,) = [d for d in content.documents if d.name == belonging.DOCUMENT]
    assert json.loads(document.data)["number"] == 17


def test_what_was_told_during_the_run_is_in_the_settings(described):
    content = read_run(described)
    assert content.settings["run_number"] == 17
    assert content.settings["not_for_power"] == "x: lost"
    assert content.settings["start_window"] == "oil is 62 degC, below 80"
    assert content.settings["end_reason"] == "after 9 s"
    assert content.settings["measurement_end"] == Quantity(9.0, "s")
    assert content.t_start >= -2.0


def test_a_limit_is_an_event_in_words(simulated_run):
    content = {"channel": "lambda", "level": "alarm", "value": 0.97, "bound": 0.9, "side": "high"}
    entry = MarkRow(1, 5, "limit", "limits", content)
    events: list = []
    assert list(_watched([entry], Sources(simulated_run.bench), events, [])) == [entry]
    (event,) = events
    assert (event.kind, event.text) == ("limit", "lambda: alarm, 0.97, bound 0.9")


def test_zero_windows_hold_their_rows(described):
    content = read_run(described)
    windows = {window.name: window for window in content.windows}
    for name in ("zero_before", "zero_after"):
        window = windows[name]
        assert window.t_end - window.t_start == pytest.approx(1.0)
        (stream,) = [s for s in window.streams if "analogue" in s.name]
        names = {channel.name for channel in stream.channels}
        assert {"brake_load", "map", "barometer"} <= names
        assert np.all(stream.time >= window.t_start - 0.1)
        assert np.all(stream.time <= window.t_end + 0.1)
        assert len(stream.time) > 50
    assert windows["zero_before"].t_end < content.t_start  # outside the run's own extent


def test_the_zero_of_the_load_cell_is_its_mean(described):
    content = read_run(described)
    (zeros,) = [result for result in content.results if result.name == "zeros"]
    for name in ("zero_before", "zero_after"):
        window = next(w for w in content.windows if w.name == name)
        stream = next(s for s in window.streams if "analogue" in s.name)
        values = next(c.value for c in stream.channels if c.name == "brake_load")
        assert zeros.values[f"brake_load_{name}"].value == pytest.approx(np.nanmean(values))
    shift = zeros.values["brake_load_shift"]
    expected = zeros.values["brake_load_zero_after"].value
    expected -= zeros.values["brake_load_zero_before"].value
    assert shift.value == pytest.approx(expected)
    assert "the engine ran" in zeros.info["remarks"]


@pytest.fixture
def windows(simulated_run):
    """The first second twice, as the zeros of a run in which nothing moved."""
    begin = simulated_run.recording.start_ns + SECOND_NS // 10
    with Journal(simulated_run.journal) as journal:

        def rows():
            entries = journal.span(begin, begin + SECOND_NS, simulated_run.start_seq)
            return decode(simulated_run.bench, entries)

        return {"zero_before": (rows(), 0.0, 1.0), "zero_after": (rows(), 20.0, 21.0)}


def _key(rows, channel):
    return next(key for key, its in rows.rows.items() if channel in its.raw)


def test_a_zero_that_did_not_move_is_not_flagged(simulated_run, windows):
    found = find_zeros(simulated_run.bench, windows, 0)
    assert found.values["brake_load_shift"].value == 0
    assert found.shifted == []


def test_a_zero_that_moved_is_flagged(simulated_run, windows):
    rows = windows["zero_after"][0]
    rows.rows[_key(rows, "ai10")].raw["ai10"] += 400
    found = find_zeros(simulated_run.bench, windows, 0)
    (told,) = found.shifted
    assert told.startswith("brake_load: its zero moved by +")


def _without_engine(windows):
    """As if the engine stood: ignition off, no telegram says a speed above 0."""
    for rows, _, _ in windows.values():
        for its in rows.rows.values():
            for channel in its.stream.channels:
                if channel.role == "engine_speed" or channel.name == "engine_speed":
                    its.raw[channel.name][:] = 0


def test_manifold_pressure_is_held_against_the_barometer_when_the_engine_stands(
    simulated_run, windows
):
    _without_engine(windows)
    found = find_zeros(simulated_run.bench, windows, 0)
    off = found.values["map_zero_before_off_barometer"]
    assert off.value < -40  # it idled in truth: far below the air's pressure
    assert any(told.startswith("map:") for told in found.shifted)


def test_without_windows_there_is_nothing(simulated_run):
    found = find_zeros(simulated_run.bench, {}, 0)
    assert (found.results, found.windows) == ([], [])


def test_uncertainty_of_a_difference_is_that_of_both():
    """Source: JCGM 100 5.1.2, uncorrelated inputs: the root of the sum of squares."""
    shift = Mean(5.0, 0.3, 0.4, "N").minus(Mean(4.0, 0.0, 1.2, "N"))
    assert shift.value == 1.0
    assert shift.uncertainty == pytest.approx(math.sqrt(0.3**2 + 0.4**2 + 1.2**2))
    assert not shift.beyond
    assert Mean(2.7, 0.0, 1.3, "N").beyond


def test_type_a_of_independent_readings_is_the_standard_error():
    """Source: JCGM 100 4.2.3, s / sqrt(n); batch means are unbiased for it."""
    random = np.random.default_rng(5)
    found = [_type_a(random.normal(3.0, 2.0, 1000)) for _ in range(400)]
    assert np.mean(np.square(found)) == pytest.approx(4.0 / 1000, rel=0.1)


def test_type_a_sees_noise_that_is_not_independent():
    """AR(1), phi 0.95: variance of the mean is (1 + phi)/(1 - phi) = 39 times that of
    independent readings. Source: Priestley, Spectral Analysis and Time Series, 5.3 (from memory).
    """
    random = np.random.default_rng(6)
    ratio = []
    for _ in range(200):
        noise, values = random.normal(size=4000), np.zeros(4000)
        for i in range(1, 4000):
            values[i] = 0.95 * values[i - 1] + noise[i]
        ratio.append(_type_a(values) ** 2 / (values.var() / 4000))
    assert np.mean(ratio) == pytest.approx(39, rel=0.2)


# --- what a run belongs to


def test_a_run_that_nobody_named_is_called_by_number_vehicle_and_set_up(simulated_run):
    assert belonging.title(ABOUT, simulated_run.bench) == "run 17: Pennon 2.0 T, stock"
    assert belonging.title({"number": 3}, simulated_run.bench) == "run 3 on bay 2"
    assert belonging.title({}, simulated_run.bench) == "run on bay 2"


def test_the_vehicles_engine_takes_the_place_of_the_benchs(simulated_run):
    bench = belonging.on_bench(simulated_run.bench, ABOUT)
    assert bench.engine.ignition == "wasted_spark"
    assert bench.run.pretrigger_s == 2.0
    assert bench.run.end[0].after_s == 9.0
    assert belonging.on_bench(simulated_run.bench, {}).engine == simulated_run.bench.engine


def test_whatever_a_garage_records_can_be_put_on_the_bench(simulated_run, tmp_path):
    garage = Garage(tmp_path)
    vehicle = {
        "engine": {"cylinders": 6, "ignition": "coil_on_plug"},
        "run": {"end": [{"channel": "map", "falls_percent": 5.0}], "start": {"above": 8.0}},
    }
    garage.write("vehicle", "corrie", vehicle)
    garage.select("vehicle", "corrie")
    in_force = garage.in_force()
    config = in_force.run_config(simulated_run.bench.run)
    about = json.loads(json.dumps({**in_force.recorded(), "run": said(config)}))
    bench = belonging.on_bench(simulated_run.bench, about)
    assert bench.run == config
    assert bench.engine == in_force.vehicle.engine
