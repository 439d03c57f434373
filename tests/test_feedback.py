"""Lamp and buzzer: patterns as the driver sees and hears them."""

from __future__ import annotations

import time

import pytest

from daq.clock import MILLISECOND_NS
from daq.feedback import Feedback, Output, Pattern, level


def shown(pattern, until_ms, step_ms=10):
    """Moments in ms at which the output changes, with its new state."""
    changes, before = [], False
    for ms in range(0, until_ms, step_ms):
        on, _ = level(pattern, ms * MILLISECOND_NS)
        if on != before:
            changes.append((ms, on))
        before = on
    return changes


def test_armed_is_steady_and_recording_blinks_twice_a_second():
    assert shown(Pattern.ARMED, 5000) == [(0, True)]
    assert shown(Pattern.RECORDING, 1200) == [
        (0, True), (250, False), (500, True), (750, False), (1000, True),
    ]  # fmt: skip
    assert shown(Pattern.DARK, 5000) == []


def test_a_beep_ends():
    assert shown(Pattern.BEEP_STARTED, 5000) == [
        (0, True), (80, False), (160, True), (240, False),
    ]  # fmt: skip


def test_every_sound_can_be_told_from_every_other():
    sounds = [p for p in Pattern if p.name.startswith("BEEP")]
    assert len({p.value for p in sounds}) == len(sounds)
    assert len(sounds) == 8


@pytest.mark.parametrize("pattern", list(Pattern))
def test_the_next_change_is_told_exactly(pattern):
    passed, seen = 0, []
    for _ in range(20):
        on, left = level(pattern, passed)
        seen.append(on)
        if left is None:
            break
        assert level(pattern, passed + left - 1)[0] == on
        assert level(pattern, passed + left)[0] != on
        passed += left


def test_an_output_is_switched_only_when_it_changes():
    sent = []

    def send(name, on):
        sent.append(on)
        return True

    lamp = Output("unit.lamp")
    for now in range(0, 3_000_000_000, 10_000_000):
        lamp.step(now, send)
    assert sent == [False]
    lamp.pattern = Pattern.ARMED
    lamp.step(0, send)
    lamp.step(1, send)
    assert sent == [False, True]


def test_an_output_that_could_not_be_switched_is_tried_again():
    lamp, answers, sent = Output("unit.lamp"), iter([False, False, True]), []
    lamp.pattern = Pattern.ARMED
    for now in range(6):
        lamp.step(now, lambda name, on: sent.append(on) or next(answers))
    assert sent == [True, True, True]


def test_lamp_and_buzzer_are_switched_at_once_and_left_dark():
    sent = []
    feedback = Feedback("unit.lamp", "unit.buzzer", lambda name, on: sent.append((name, on)))
    feedback.start()
    feedback.show(Pattern.ARMED)
    feedback.sound(Pattern.BEEP_ARMED)
    end = time.monotonic() + 5
    while sent.count(("unit.buzzer", False)) < 2 and time.monotonic() < end:
        time.sleep(0.01)
    feedback.close()
    assert [on for name, on in sent if name == "unit.lamp"][-2:] == [True, False]
    assert [on for name, on in sent if name == "unit.buzzer"][-2:] == [True, False]


def test_a_lamp_that_cannot_be_reached_is_told_once(caplog):
    def refuse(name, on):
        raise OSError("wire unit is lost")

    feedback = Feedback("unit.lamp", "", refuse)
    feedback.start()
    for pattern in (Pattern.ARMED, Pattern.RECORDING_LOST):
        feedback.show(pattern)
        time.sleep(0.2)
    feedback.close()
    assert caplog.text.count("cannot be switched: wire unit is lost") == 1
