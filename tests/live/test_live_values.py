"""The live view against the simulated bench's ground truth, and its states against its faults."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from daq.bench import LimitConfig, load_bench
from daq.clock import MILLISECOND_NS, SECOND_NS
from daq.driver import Chunk, ChunkKind
from daq.entries import ChunkRow, MarkRow, NoteRow
from daq.live.limits import Level
from daq.live.values import Live, value_of
from daq.simulate.demo import place


@pytest.fixture(scope="module")
def followed(simulated_run, simulated_ticks):
    """(time of the commit, readings) at each tick, and all samples of two channels."""
    live = Live(simulated_run.bench, {"roller_speed", "charge_pressure"})
    shots, samples = [], []
    for t_ns, entries in simulated_ticks:
        for entry in entries:
            samples += live.feed(entry)
        shots.append((t_ns, live.snapshot(t_ns)))
    return shots, samples


def known(simulated_run, column, t_ns):
    return simulated_run.truth(column, (np.asarray(t_ns) - simulated_run.zero_ns) / SECOND_NS)


def test_all_of_the_bench_file_is_running_but_what_no_one_asked_for(followed):
    _, readings = followed[0][200]
    listed = [r for r in readings.values() if r.channel.listed]
    silent = [r.channel.name for r in listed if r.state != "running"]
    assert set(silent) <= {"obd_speed", "obd_manifold_pressure", "lambda_left"}  # nobody polled
    assert len(listed) > 25


@pytest.mark.parametrize(
    ("channel", "column", "limit"),
    [("coolant", "coolant", 0.6), ("oil", "oil", 0.6)],
)
def test_shown_values_are_what_was_so(simulated_run, followed, channel, column, limit):
    shots = [readings[channel] for _, readings in followed[0][20:]]
    true = known(simulated_run, column, [reading.t_ns for reading in shots])
    error = np.array([reading.value for reading in shots]) - true
    assert np.sqrt(np.mean(error**2)) < limit


def test_samples_of_roller_speed_are_what_was_so(simulated_run, followed):
    own = [s for s in followed[1] if s.channel == "roller_speed"]
    t_ns, value = np.array([s.t_ns for s in own]), np.array([s.value for s in own])
    # the mean over 80 ms is that of its middle, 40 ms ago
    true = known(simulated_run, "roller_speed", t_ns - 40 * MILLISECOND_NS)
    error = (value - true)[500:]
    assert true.max() > 30
    assert np.sqrt(np.mean(error**2)) < 0.05
    assert np.abs(error).max() < 0.2


def test_wanted_channels_come_row_by_row_and_others_not(followed):
    shots, samples = followed
    assert {s.channel for s in samples} == {"roller_speed", "charge_pressure"}
    seconds = (shots[-1][0] - shots[0][0]) / SECOND_NS
    rows = [s.t_ns for s in samples if s.channel == "charge_pressure"]
    assert len(rows) == pytest.approx(1000 * seconds, rel=0.02)
    assert rows == sorted(rows)


def test_achieved_rates(followed):
    _, readings = followed[0][200]
    rates = {"map": 1000.0, "engine_speed": 100.0, "ecu_speed": 100.0, "heater": 10.0}
    for name, rate in rates.items():
        assert readings[name].rate_hz == pytest.approx(rate, rel=0.05), name


def test_ages_are_small_and_positive(followed):
    t_ns, readings = followed[0][200]
    for name in ("map", "engine_speed", "roller_speed"):
        assert 0 <= readings[name].age_s(t_ns) < 0.12, name


def test_display_value_equals_the_value_of_rows(simulated_run, followed):
    latest = {"supply": 4.97, "barometer": 98.6}
    for reading in followed[0][200][1].values():
        channel = reading.channel
        asked = channel.calibration.inputs if channel.calibration is not None else ()
        inputs = {name: latest[name] for name in asked}
        for raw in (reading.raw, 0, 4095, -5, 100_000):
            if raw is None:
                continue
            one, status = value_of(channel, raw, inputs)
            rows = {name: np.array([value]) for name, value in inputs.items()}
            many, bits = channel.value(np.array([raw]), rows)
            assert status == bits[0], channel.name
            np.testing.assert_equal(one, many[0], channel.name)


# --- states


def feed(live, ticks):
    """Feed as main does; the time of the last commit."""
    for t_ns, entries in ticks:
        for entry in entries:
            live.feed(entry)
        live.snapshot(t_ns)
    return ticks[-1][0]


def test_before_anything_came_nothing_was_seen(simulated_run):
    live = Live(simulated_run.bench)
    states = {r.state for r in live.snapshot(SECOND_NS).values()}
    assert states == {"never_seen"}
    assert live.snapshot(SECOND_NS)["map"].why == "device unit: no frame yet"


def test_silence_makes_channels_stale_by_their_own_period(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    last = feed(live, simulated_ticks[:100])
    soon = live.snapshot(last + 300 * MILLISECOND_NS)
    later = live.snapshot(last + 700 * MILLISECOND_NS)
    assert (soon["map"].state, later["map"].state) == ("running", "stale")
    assert later["map"].why == "no reading within 0.5 s"
    assert later["map"].rate_hz == 0.0
    assert later["coolant_temp"].state == "running"  # 5 Hz: five periods are a second
    assert later["button_arm"].state == "running"  # an event may stay away


def test_lost_device_and_its_return(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    last = feed(live, simulated_ticks[:100])
    live.feed(NoteRow(0, "unit", last, {"note": "closed", "error": "/dev/x: unplugged"}))
    lost = live.snapshot(last)
    assert (lost["map"].state, lost["map"].why) == ("lost", "device unit: /dev/x: unplugged")
    assert lost["engine_speed"].state == "running"
    assert live.devices.states["unit"].state == "lost"
    notes = [e for e in simulated_ticks[0][1] if isinstance(e, NoteRow) and e.wire == "unit"]
    for note in notes:
        live.feed(note)
    last = feed(live, simulated_ticks[100:120])
    back = live.snapshot(last)
    assert (back["map"].state, back["map"].why) == ("running", "")
    assert back["roller_speed"].state == "running"


def test_failed_device_stays_failed_until_acquisition_begins_again(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    last = feed(live, simulated_ticks[:60])
    live.feed(NoteRow(0, "unit", last, {"note": "failed", "device": "unit", "error": "KeyError"}))
    feed(live, simulated_ticks[60:70])
    assert live.devices.states["unit"].state == "failed"
    assert live.snapshot(last)["map"].state == "lost"
    live.feed(MarkRow(0, last, "acquisition_started", "acquisition", {}))
    last = feed(live, simulated_ticks[70:80])
    assert live.snapshot(last)["map"].state == "running"
    assert live.devices.states["unit"].state == "running"


def test_silent_acquisition_loses_everything(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    last = feed(live, simulated_ticks[:60])
    reading = live.snapshot(last, "acquisition does not answer")["map"]
    assert (reading.state, reading.why) == ("lost", "acquisition does not answer")


def test_what_the_device_turns_out_not_to_deliver(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    for entry in simulated_ticks[0][1]:
        if isinstance(entry, NoteRow) and entry.content.get("device") == "unit":
            preface = entry.content["preface"]
            hello = dict(preface["found"]["hello"])
            group = hello["analogue"][0]
            group = {**group, "inputs": [name for name in group["inputs"] if name != "ai6"]}
            hello["analogue"] = [group, *hello["analogue"][1:]]
            found = {**preface["found"], "hello": hello}
            content = {**entry.content, "preface": {**preface, "found": found}}
            entry = entry._replace(content=content)
        live.feed(entry)
    reading = live.snapshot(SECOND_NS)["oil"]
    assert (reading.state, reading.why) == ("never_seen", "device unit does not deliver it")


def test_out_of_range_says_so_and_keeps_running(tmp_path, simulated_run, simulated_ticks):
    bench = changed(simulated_run.bench, "coolant", high=60.0)
    live = Live(bench)
    last = feed(live, simulated_ticks[:60])
    reading = live.snapshot(last)["coolant"]
    assert (reading.state, reading.why) == ("running", "out of range: above 60 degC")
    assert reading.whole(last)["status"] == ["out_of_range"]


def test_fault_in_a_driver_costs_that_device_alone(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    feed(live, simulated_ticks[:40])

    def broken(chunks):
        raise KeyError("a driver's mistake")

    live._decoder.devices["unit"]._decoder.feed = broken
    last = feed(live, simulated_ticks[40:80])
    readings = live.snapshot(last)
    assert readings["map"].state == "stale"
    assert readings["engine_speed"].state == "running"


def test_garbage_on_a_wire_is_survived(simulated_run, simulated_ticks):
    live = Live(simulated_run.bench)
    last = feed(live, simulated_ticks[:40])
    noise = np.random.default_rng(4).integers(0, 256, 4000, np.uint8).tobytes()
    for wire in simulated_run.bench.wire:
        live.feed(ChunkRow(0, wire, [Chunk(ChunkKind.RX, last, noise)]))
    last = feed(live, simulated_ticks[40:80])
    assert live.snapshot(last)["map"].state == "running"


# --- limits, live


def changed(bench, channel, **keys):
    unit = bench.device["unit"]
    config = dataclasses.replace(unit.channels[channel], **keys)
    device = dataclasses.replace(unit, channels={**unit.channels, channel: config})
    return dataclasses.replace(bench, device={**bench.device, "unit": device})


def test_limit_by_load_is_judged_on_every_row(simulated_run, simulated_ticks):
    limit = LimitConfig(
        warn_high=(1.5, 1.5, 0.70), against="map", load=(0.0, 120.0, 150.0), hysteresis=0.01
    )
    live = Live(changed(simulated_run.bench, "lambda", limit=limit))
    feed(live, simulated_ticks)
    assert any(event.level is Level.WARNING for event in live.limit_events)
    for event in live.limit_events:
        if event.level is Level.WARNING:
            assert event.load is not None
            assert event.value > event.bound


def test_limit_of_charge_pressure_in_the_pull(simulated_run, simulated_ticks):
    limit = LimitConfig(warn_high=150.0, hysteresis=10.0, delay_s=0.1)
    live = Live(changed(simulated_run.bench, "charge_pressure", limit=limit))
    feed(live, simulated_ticks)
    first = live.limit_events[0]
    true = known(simulated_run, "charge_pressure", [first.t_ns])[0]
    assert (first.level, first.side) == (Level.WARNING, "high")
    assert true > 148.0
    times = simulated_run.zero_ns + np.arange(-8, 20, 0.001) * SECOND_NS
    beyond = times[known(simulated_run, "charge_pressure", times) > 150.0][0]
    assert 0.05 < (first.t_ns - beyond) / SECOND_NS < 0.3  # the delay, and the hose
    assert live.limit_events[-1].level is Level.OK


def test_limit_in_a_bench_file(tmp_path):
    path = place(tmp_path / "bench")
    table = "[device.unit.channel.oil.limit]\nwarn_high = 120.0\nagainst = 'mop'\nload = [1.0]\n"
    path.write_text(path.read_text() + "\n" + table)
    with pytest.raises(Exception, match=r"oil.limit.against: no channel is called 'mop'.*'map'"):
        load_bench(path)
    path.write_text(path.read_text().replace("'mop'", "'map'"))
    assert Live(load_bench(path)).watches["oil"].config.warn_high == 120.0


# --- what waits


def test_wires_of_wanted_channels_are_decoded_at_once_and_others_with_the_snapshot(
    simulated_run, simulated_ticks
):
    live = Live(simulated_run.bench, {"roller_speed"})
    for _, entries in simulated_ticks[:40]:
        for entry in entries:
            live.feed(entry)
    assert live.devices.rows["unit"] > 0
    assert live.devices.rows["ecu"] == 0
    live.snapshot(simulated_ticks[39][0])
    assert live.devices.rows["ecu"] > 0


def test_waiting_costs_no_row_and_little_time(simulated_run, simulated_ticks):
    lazy, prompt = Live(simulated_run.bench), Live(simulated_run.bench)
    prompt._urgent = set(simulated_run.bench.wire)
    for t_ns, entries in simulated_ticks[:200]:
        for entry in entries:
            lazy.feed(entry)
            prompt.feed(entry)
            prompt._urgent = set(simulated_run.bench.wire)
        readings = lazy.snapshot(t_ns)
    assert 0 <= readings["engine_speed"].age_s(t_ns) < 0.13
    lazy.snapshot(t_ns + SECOND_NS)
    assert lazy.devices.rows == prompt.devices.rows


def test_reading_that_is_kept_is_the_one_computed_anew(simulated_run, simulated_ticks):
    kept, anew = Live(simulated_run.bench), Live(simulated_run.bench)
    for t_ns, entries in simulated_ticks[:120]:
        for entry in entries:
            kept.feed(entry)
            anew.feed(entry)
        anew._shown = {}
        assert kept.snapshot(t_ns) == anew.snapshot(t_ns)
    for late_ns in range(t_ns, t_ns + 6 * SECOND_NS, SECOND_NS // 10):
        anew._shown = {}
        assert kept.snapshot(late_ns) == anew.snapshot(late_ns)
