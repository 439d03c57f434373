"""Live values, buttons and commands to marks: what a run is, who is told, what is recorded."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field, replace

import pytest

from daq.bench import EndConfig, StartConfig, load_bench
from daq.clock import SECOND_NS
from daq.commands import CommandError
from daq.entries import MarkRow, NoteRow, runs
from daq.errors import ConfigError
from daq.feedback import Pattern
from daq.garage import Garage
from daq.numbers import Numbers
from daq.runs import Runs, Standing
from daq.sequence import Refused
from daq.simulate.demo import place

BEGIN = 1000 * SECOND_NS


@dataclass
class Bay:
    """A bench's Runs with what it did: marks set, lamp, sounds; and a clock of the test's own."""

    runs: Runs
    marks: list[MarkRow] = field(default_factory=list)
    sounds: list[Pattern] = field(default_factory=list)
    lamp: Pattern = Pattern.DARK
    refuse: str = ""
    now: int = BEGIN
    latest: dict[str, tuple[int, float]] = field(default_factory=dict)

    def ask(self, kind, *, origin, t_ns, content):
        if self.refuse:
            raise CommandError(self.refuse)
        self.marks.append(MarkRow(next(SEQ), t_ns, kind, origin, content))
        return {"ok": True, "seq": self.marks[-1].seq, "t_ns": t_ns}

    def show(self, pattern):
        self.lamp = pattern

    def sound(self, pattern):
        self.sounds.append(pattern)

    def drive(self, speed, seconds, **others):
        """Every 0.1 s one value of each channel; critical channels always have one."""
        for _ in range(round(seconds * 10)):
            self.now += SECOND_NS // 10
            others = {"brake_load": 0.0, "encoder_1_count": 0.0, **others}
            for name, value in {"roller_speed": speed, **others}.items():
                if value is not None:
                    self.latest[name] = self.now, value
                if value is not None and name in self.runs.wanted:
                    self.runs.value(name, self.now, value)
            self.runs.tick(self.now)

    def press(self, button):
        self.drive(self.speed, 0.1, **{f"button_{button}": 0.0})
        self.drive(self.speed, 0.1, **{f"button_{button}": 1.0})
        self.drive(self.speed, 0.1, **{f"button_{button}": 0.0})

    @property
    def speed(self):
        return self.latest.get("roller_speed", (0, 0.0))[1]

    @property
    def kinds(self):
        return [mark.kind for mark in self.marks if mark.kind != "about"]

    def last(self, kind):
        return next(mark for mark in reversed(self.marks) if mark.kind == kind)

    def describe(self):
        self.runs.describe(runs(self.marks), "journal")
        return self.last("about").content


SEQ = itertools.count(1)


@pytest.fixture
def bay(tmp_path, monkeypatch):
    bench = load_bench(place(tmp_path / "bench"))
    config = replace(
        bench.run, start=StartConfig(above=11.0), end=(EndConfig(channel="map", above=200.0),)
    )
    bay = Bay(None)
    monkeypatch.setattr("daq.runs.monotonic_ns", lambda: bay.now)
    garage, numbers = Garage(tmp_path / "garage"), Numbers(tmp_path / "runs")
    bay.runs = Runs(replace(bench, run=config), numbers, garage, bay.ask, bay.latest.get, bay)
    return bay


def test_a_run_by_buttons_and_a_crossing(bay):
    bay.drive(0.0, 3)
    bay.press("arm")
    assert bay.lamp is Pattern.ARMED
    bay.drive(10.0, 1.5)
    bay.drive(12.0, 0.1, map=100.0)
    assert bay.lamp is Pattern.RECORDING
    bay.drive(20.0, 1, map=220.0)
    bay.drive(0.0, 2)
    assert bay.kinds == ["arm", "start", "end", "stop"]
    assert bay.sounds == [
        Pattern.BEEP_ARMED, Pattern.BEEP_STARTED, Pattern.BEEP_ENDED, Pattern.BEEP_STOPPED,
    ]  # fmt: skip
    assert bay.last("start").content["reason"] == "roller_speed above 11"
    assert bay.last("end").content["reason"] == "map above 200"
    assert bay.last("stop").content["reason"] == "standstill"
    assert bay.lamp is Pattern.DARK


def test_the_mark_of_a_press_is_dated_at_the_press(bay):
    bay.drive(0.0, 1)
    bay.drive(0.0, 0.1, button_start=0.0)
    pressed = bay.now + SECOND_NS // 10
    bay.drive(0.0, 0.5, button_start=1.0)
    assert bay.last("start").t_ns == pressed
    assert bay.last("start").origin == "button"


def test_a_button_held_down_at_start_up_presses_nothing(bay):
    bay.drive(0.0, 1, button_arm=1.0)
    assert bay.kinds == []


def test_a_contact_that_bounces_presses_once(bay):
    bay.drive(0.0, 1, button_mark=0.0)
    for offset, level in enumerate([1.0, 0.0, 1.0, 0.0, 1.0, 0.0]):
        bay.runs.value("button_mark", bay.now + offset * 10_000_000, level)
    assert bay.kinds == ["mark"]


def test_arm_pressed_again_disarms_and_what_does_not_fit_is_heard_and_recorded(bay):
    bay.drive(0.0, 1)
    for _ in range(2):
        bay.press("arm")
    assert bay.kinds == ["arm", "disarm"]
    bay.press("stop")
    assert bay.last("refused").content == {
        "command": "stop",
        "reason": "stop: the bench is idle; it must be slowing",
    }
    assert bay.sounds[-1] is Pattern.BEEP_REFUSED


def test_stop_pressed_as_the_measurement_ends_by_itself_cuts_nothing_off(bay):
    bay.drive(20.0, 1)
    bay.runs.command("start", "test")
    bay.drive(20.0, 1, map=100.0)
    bay.drive(20.0, 1, map=220.0)
    bay.press("stop")
    assert bay.kinds == ["start", "end", "refused"]
    assert str(bay.runs.state) == "slowing"
    assert bay.runs.command("stop", "test")["state"] == "idle"


def test_what_acquisition_refuses_changes_no_state(bay):
    bay.drive(0.0, 1)
    bay.refuse = "start: the disk is full; make room first"
    with pytest.raises(CommandError, match="disk is full"):
        bay.runs.command("start", "test")
    assert str(bay.runs.state) == "idle"
    bay.refuse = ""
    assert bay.runs.command("start", "test")["state"] == "recording"


def test_zero_windows_lie_within_standstill_before_and_after(bay):
    bay.drive(0.0, 5)
    stood = bay.now
    bay.drive(20.0, 2)
    bay.runs.command("start", "test")
    about = bay.describe()
    begin, end = about["zero_before"]
    assert BEGIN < begin < end < stood
    assert 2.5 * SECOND_NS <= end - begin <= 3 * SECOND_NS
    bay.runs.command("stop", "test")
    moved = bay.now
    bay.drive(0.0, 2)
    begin, end = bay.last("stop").content["zero_after"]
    assert moved < begin < end <= bay.last("stop").t_ns
    assert end - begin >= SECOND_NS // 2


def test_without_standstill_there_is_no_zero(bay):
    bay.drive(20.0, 2)
    bay.runs.command("start", "test")
    assert "zero_before" not in bay.describe()
    bay.runs.command("stop", "test")
    bay.drive(20.0, 61)
    assert bay.last("stop").content == {"reason": "60 s after the end"}


def test_standing_forgets_a_stop_too_short_to_be_a_zero():
    standing = Standing()
    for step in range(50):
        standing.add(step * SECOND_NS // 10, 0.0)
    before = standing.window
    standing.add(5 * SECOND_NS, 3.0)
    standing.add(6 * SECOND_NS, 0.0)
    standing.add(6 * SECOND_NS + 1, 3.0)
    assert standing.window == before


# --- lost


def test_a_lost_critical_device_is_told_at_once_and_the_run_goes_on(bay):
    bay.drive(10.0, 1)
    bay.runs.command("start", "test")
    closed = {"note": "closed", "error": "unplugged"}
    bay.runs.note(NoteRow(next(SEQ), "unit", bay.now, closed))
    assert bay.sounds[-1] is Pattern.BEEP_LOST
    assert bay.lamp is Pattern.RECORDING_LOST
    assert bay.kinds == ["start", "not_for_power", "not_for_power"]
    channels = {mark.content["channel"] for mark in bay.marks if mark.kind == "not_for_power"}
    assert channels == {"encoder_1_count", "brake_load"}
    assert "unplugged" in bay.last("not_for_power").content["reason"]
    assert str(bay.runs.state) == "recording"


def test_a_lost_device_that_is_not_critical_is_not_told(bay):
    bay.drive(10.0, 1)
    bay.runs.command("start", "test")
    bay.runs.note(NoteRow(next(SEQ), "wideband", bay.now, {"note": "closed", "error": "x"}))
    bay.drive(10.0, 2)
    assert bay.kinds == ["start"]


def test_a_critical_channel_that_falls_silent_is_told_once(bay):
    bay.drive(10.0, 1)
    bay.runs.command("start", "test")
    bay.drive(10.0, 5, brake_load=None)
    assert bay.kinds == ["start", "not_for_power"]
    bay.drive(10.0, 1)
    bay.runs.command("stop", "test")
    bay.runs.command("stop", "test")
    bay.runs.command("start", "test")
    bay.drive(10.0, 1)
    assert bay.kinds[-1] == "start"


def test_a_run_that_starts_without_its_encoder_is_not_for_power(bay):
    bay.drive(10.0, 1)
    bay.runs.note(NoteRow(next(SEQ), "unit", bay.now, {"note": "closed", "error": "x"}))
    bay.runs.command("start", "test")
    assert bay.kinds == ["start", "not_for_power", "not_for_power"]


def test_emergency_stop_is_seen_and_recording_goes_on(bay):
    bay.drive(10.0, 1, emergency_stop=0.0, run_line=0.0)
    bay.runs.command("start", "test")
    bay.drive(10.0, 0.2, run_line=1.0)
    bay.drive(10.0, 0.2, emergency_stop=1.0)
    assert bay.kinds == ["start", "mark", "emergency_stop"]
    assert bay.last("mark").content["text"] == "the brake controller's run line on"
    assert str(bay.runs.state) == "recording"


# --- what others did


def test_marks_of_others_are_taken_over_and_own_ones_not_twice(bay):
    bay.runs.mark(MarkRow(1, BEGIN, "arm", "x", {}))
    bay.runs.mark(MarkRow(2, BEGIN, "start", "x", {}))
    assert (str(bay.runs.state), bay.runs.run) == ("recording", 2)
    bay.runs.command("stop", "test")
    bay.runs.mark(bay.marks[0]._replace(kind="end"))
    assert str(bay.runs.state) == "slowing"
    bay.runs.mark(MarkRow(900, BEGIN, "acquisition_started", "acquisition", {}))
    assert (str(bay.runs.state), bay.runs.run) == ("idle", None)


def test_after_a_restart_an_end_that_was_set_is_not_forgotten(bay):
    for seq, kind in enumerate(["start", "end"], 1):
        bay.runs.mark(MarkRow(seq, BEGIN, kind, "button", {}))
    bay.drive(0.0, 2)
    assert bay.kinds == ["stop"]


def test_after_a_restart_channels_have_a_second_to_come_and_a_loss_is_told_once(bay):
    bay.runs.mark(MarkRow(1, BEGIN, "start", "button", {}))
    about = {"start": 1, "channel": "brake_load", "reason": "brake_load: lost"}
    bay.runs.mark(MarkRow(2, BEGIN, "not_for_power", "daq", about))
    bay.now += 10 * SECOND_NS  # main was away
    bay.drive(20.0, 0.5, brake_load=None, encoder_1_count=None)
    assert bay.kinds == []
    bay.drive(20.0, 2, brake_load=None, encoder_1_count=None)
    assert [mark.content["channel"] for mark in bay.marks] == ["encoder_1_count"]


# --- what a run belongs to


@pytest.fixture
def garage(bay):
    garage = bay.runs.garage
    window = {"oil_temperature": {"low": 80.0}, "rest_s": {"low": 60.0}}
    vehicle = {"title": "Pennon 2.0 T", "start_window": window}
    garage.write("vehicle", "pennon", vehicle)
    garage.write("setup", "stock", {"gear": 3, "run": {"end": [{"after_s": 4.0}]}}, "pennon")
    garage.write("vehicle", "corrie", {"title": "Corrie 1.4"})
    garage.select("vehicle", "pennon")
    return garage


def test_arming_says_what_is_outside_the_start_window_and_the_run_records_it(bay, garage):
    bay.drive(0.0, 1, oil=62.0)
    answer = bay.runs.command("arm", "test")
    assert answer["outside"] == ["oil is 62 degC, below 80"]
    assert bay.last("arm").content["outside"] == answer["outside"]
    bay.runs.command("start", "test")
    assert bay.describe()["outside"] == answer["outside"]
    for _ in range(2):
        bay.runs.command("stop", "test")
    bay.drive(0.0, 10, oil=90.0)
    (told,) = bay.runs.command("arm", "test")["outside"]
    assert told == "since the last run is 10 s, below 60"


def test_a_window_without_a_value_says_so(bay, garage):
    assert bay.runs.command("arm", "test")["outside"] == ["oil: no value"]


def test_a_run_starts_from_the_settings_of_its_set_up(bay, garage):
    bay.drive(10.0, 1)
    bay.runs.command("arm", "test")
    garage.select("vehicle", "corrie")
    bay.runs.command("start", "test")
    bay.drive(10.0, 4.2)
    assert bay.last("end").content["reason"] == "after 4 s"
    about = bay.describe()
    assert (about["vehicle"]["name"], about["setup"]["gear"]) == ("pennon", 3)
    assert about["run"]["end"][0]["after_s"] == 4.0
    bay.runs.command("stop", "test")
    bay.runs.command("start", "test")
    assert bay.describe()["vehicle"]["name"] == "corrie"


def test_a_mistake_in_a_set_up_refuses_arming_and_names_it(bay, garage):
    garage.path("setup", "stock", "pennon").write_text("geer = 3\n")
    with pytest.raises(ConfigError, match="did you mean 'gear'"):
        bay.runs.command("arm", "test")
    bay.press("arm")
    assert "did you mean 'gear'" in bay.last("refused").content["reason"]


def test_an_end_on_a_channel_that_the_bench_lacks_refuses_arming(bay, garage):
    ends = {"run": {"end": [{"channel": "engin_speed", "above": 6000.0}]}}
    garage.write("setup", "stock", ends, "pennon")
    with pytest.raises(Refused, match=r"'engin_speed'.*did you mean 'engine_speed'"):
        bay.runs.command("arm", "test")


def test_numbers_follow_each_other_and_are_set_once(bay):
    bay.drive(0.0, 1)
    for _ in range(3):
        bay.runs.command("start", "test")
        bay.runs.command("stop", "test")
        bay.runs.command("stop", "test")
        bay.describe()
        bay.describe()
    numbers = [mark.content["number"] for mark in bay.marks if mark.kind == "about"]
    assert numbers == [1, 2, 3]


def test_a_crash_between_number_and_mark_uses_no_second_number(bay):
    bay.runs.command("start", "test")
    bay.refuse = "acquisition does not answer"
    with pytest.raises(CommandError):
        bay.describe()
    bay.refuse = ""
    assert bay.describe()["number"] == 1


# --- cut


def test_a_cut_is_a_whole_run_of_the_time_that_has_passed(bay):
    bay.drive(0.0, 10)
    bay.runs.command("cut", "test", last_s=6, title="the knock")
    (run,) = runs(bay.marks)
    assert run.end.t_ns - run.start.t_ns == 6 * SECOND_NS
    assert not run.recovered
    assert bay.describe()["number"] == 1
    assert str(bay.runs.state) == "idle"


@pytest.mark.parametrize("last_s", [0, -1, 4000, "60", None, float("nan")])
def test_a_cut_needs_a_time_that_makes_sense(bay, last_s):
    with pytest.raises(Refused, match="cut: expected from 0 to 3600 s"):
        bay.runs.command("cut", "test", last_s=last_s)


def test_a_command_that_does_not_exist_gets_the_nearest(bay):
    with pytest.raises(Refused, match="did you mean 'arm'"):
        bay.runs.command("amr", "test")
