"""Run states: arming, starting by a crossing, ending in each way, stopping."""

from __future__ import annotations

import pytest

from daq.bench import EndConfig, RunConfig, StartConfig
from daq.clock import SECOND_NS
from daq.sequence import Refused, Sequence, State

START = StartConfig(above=12.0)


def feed(sequence, channel, values, begin_s=0.0, step_s=0.1):
    """Values at 10 Hz; the actions with the second at which each came."""
    found = []
    for index, value in enumerate(values):
        t_ns = round((begin_s + index * step_s) * SECOND_NS)
        found += sequence.value(channel, t_ns, value)
        found += sequence.tick(t_ns)
    return [(action.kind, round(action.t_ns / SECOND_NS, 3)) for action in found]


def armed(*ends, **options):
    sequence = Sequence(RunConfig(start=START, end=ends, **options))
    sequence.command("arm", 0, "test")
    return sequence


def recording(*ends, **options):
    sequence = armed(*ends, **options)
    sequence.command("start", 0, "button")
    return sequence


STEADY = [9.0] * 12


def test_crossing_after_a_steady_second_starts():
    sequence = armed()
    assert feed(sequence, "roller_speed", [*STEADY, 10, 11, 12.5]) == [("start", 1.4)]
    assert sequence.state is State.RECORDING


def test_driving_up_through_the_gears_starts_nothing():
    sequence = armed()
    climbing = [0.3 * i for i in range(60)]
    assert feed(sequence, "roller_speed", climbing) == []
    assert sequence.state is State.ARMED


def test_standing_still_is_no_run_up():
    sequence = armed()
    assert feed(sequence, "roller_speed", [0.0] * 50 + [6, 8, 10, 12, 14]) == []


def test_a_crossing_that_came_too_early_does_not_spoil_the_next():
    sequence = armed()
    assert feed(sequence, "roller_speed", [11, 12, 13, 12]) == []
    assert feed(sequence, "roller_speed", [*STEADY, 12.5], begin_s=1.0) == [("start", 2.2)]


def test_nothing_starts_unless_armed():
    sequence = Sequence(RunConfig(start=START))
    assert feed(sequence, "roller_speed", [*STEADY, 12.5]) == []


def test_arming_above_the_start_value_is_refused_with_the_reason():
    sequence = Sequence(RunConfig(start=START))
    feed(sequence, "roller_speed", [14.0])
    with pytest.raises(Refused, match="roller_speed is 14, and a run starts at 12"):
        sequence.command("arm", 0, "test")


def test_end_when_a_channel_crosses_a_value():
    sequence = recording(EndConfig(channel="engine_speed", above=6300))
    assert feed(sequence, "engine_speed", [6000, 6200, 6299, 6301]) == [("end", 0.3)]
    assert sequence.state is State.SLOWING


def test_end_when_a_channel_is_above_from_the_start_waits_for_a_crossing():
    sequence = recording(EndConfig(channel="engine_speed", above=6300))
    assert feed(sequence, "engine_speed", [6500, 6400, 6200, 6310]) == [("end", 0.3)]


def test_end_when_a_quantity_falls_below_its_highest():
    sequence = recording(EndConfig(channel="power", falls_percent=10, smooth_s=0))
    values = [50, 80, 100, 95, 91, 89, 80]
    assert feed(sequence, "power", values) == [("end", 0.5)]


def test_one_bad_sample_does_not_end_a_smoothed_quantity():
    sequence = recording(EndConfig(channel="power", falls_percent=10, smooth_s=0.5))
    assert feed(sequence, "power", [100] * 20 + [60] + [100] * 20) == []


def test_end_after_a_time():
    sequence = recording(EndConfig(after_s=2.0))
    assert feed(sequence, "roller_speed", [20.0] * 25)[0] == ("end", 2.0)


def test_stop_is_standstill_for_a_while():
    sequence = recording(standstill_s=1.0)
    sequence.command("stop", 0, "button")
    values = [5, 3, 1, 0.05, 0.3, *[0.0] * 15]
    assert feed(sequence, "roller_speed", values) == [("stop", 1.5)]
    assert sequence.state is State.IDLE


def test_stop_comes_at_the_latest_after_the_longest_slow_down():
    sequence = recording(after_end_s=3.0)
    sequence.command("stop", 0, "button")
    assert feed(sequence, "roller_speed", [20.0] * 40)[0] == ("stop", 3.0)


def test_runs_follow_each_other():
    sequence = recording()
    for name in ("stop", "stop"):
        sequence.command(name, 0, "button")
    assert sequence.state is State.IDLE
    sequence.command("arm", 1, "button")
    assert feed(sequence, "roller_speed", [*STEADY, 13]) == [("start", 1.2)]


def test_stop_of_an_armed_bench_disarms():
    sequence = armed()
    assert sequence.command("stop", 5, "button")[0].kind == "disarm"


@pytest.mark.parametrize(
    ("state", "command"),
    [("armed", "arm"), ("recording", "arm"), ("recording", "start"), ("idle", "stop"),
     ("idle", "disarm")],
)  # fmt: skip
def test_commands_that_do_not_fit_say_so(state, command):
    sequence = Sequence(RunConfig(), State(state))
    with pytest.raises(Refused, match=f"{command}: the bench is {state}"):
        sequence.command(command, 0, "test")


def test_missing_values_are_no_values():
    sequence = armed()
    assert feed(sequence, "roller_speed", [*STEADY, float("nan"), 12.5]) == [("start", 1.3)]


@pytest.mark.parametrize(
    "wrong",
    [{}, {"channel": "x"}, {"above": 1.0}, {"channel": "x", "above": 1.0, "below": 2.0},
     {"channel": "x", "after_s": 3.0}],
)  # fmt: skip
def test_an_end_is_exactly_one_condition(wrong):
    with pytest.raises(ValueError, match="expected"):
        EndConfig(**wrong)
