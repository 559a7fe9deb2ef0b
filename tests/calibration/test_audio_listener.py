"""Voices read side by side, the notes of a touch-up, and the progress line."""

from __future__ import annotations

import io
from dataclasses import replace

import pytest

from zerobeat.calibration.audio_listener import apart
from zerobeat.calibration.live_touchup import notes_for
from zerobeat.calibration.touchup import LEAST_APART_CENTS
from zerobeat.console.live_line import LiveLine
from zerobeat.engine.settings import Voice
from zerobeat.errors import MeasureError
from zerobeat.tuning.tracking import TrackingCurve, Unusable

REED = Voice("reed", "quad", 0, lowest_note=24, highest_note=96)


@pytest.mark.parametrize(
    ("pitches", "together"),
    [
        ([6000.0, 6000.0], [0]),  # unison
        ([6000.0, 6020.0], [0]),  # nearly
        ([6000.0, 7200.0, 7902.0, 8400.0], [0]),  # 2:1, 3:1, 4:1: harmonics in cents
        ([6000.0, 6100.0, 6702.0], [0, 1, 2]),  # 3:2 is not n:1
        ([6000.0 + 100.0 * i for i in range(8)], list(range(8))),
        ([], []),
    ],
)
def test_neither_unison_nor_harmonics_sound_side_by_side(pitches, together):
    """Oscillators pull each other through the power supply."""
    assert apart(pitches) == together


def test_a_touch_up_reads_two_notes_far_apart_in_the_usable_range():
    low, high = notes_for(REED)
    assert 100.0 * (high - low) >= LEAST_APART_CENTS
    curve = TrackingCurve((2400.0, 9600.0), (2400.0, 9600.0))
    spoilt = TrackingCurve(
        curve.knots_cents, curve.sounding_cents, (Unusable(2400.0, 5000.0, "does not rise"),)
    )
    assert notes_for(replace(REED, curve=spoilt))[0] > 50


def test_an_octave_down_at_the_panel_keeps_the_reference_clear_of_the_lowest_notes():
    """A reference below 55 Hz would need a longer take."""
    low, _ = notes_for(replace(REED, panel_octaves=-1))
    assert low - 12 >= 33  # A1, 55 Hz


def test_a_voice_with_too_few_usable_notes_is_told_to_be_measured():
    with pytest.raises(MeasureError, match="reed: found too few usable notes"):
        notes_for(replace(REED, lowest_note=60, highest_note=65))


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_is_one_line_of_a_terminal_and_lines_of_a_file(monkeypatch):
    monkeypatch.setenv("COLUMNS", "40")
    terminal, file = Terminal(), io.StringIO()
    for out in (terminal, file):
        line = LiveLine(out)
        line.show("x" * 100)
        line.show("done")
        line.say("kept")
    assert terminal.getvalue().endswith("\rkept\n") or terminal.getvalue().endswith("\r" + "kept\n")
    assert max(map(len, terminal.getvalue().split("\r"))) <= 40
    assert "\x1b" not in terminal.getvalue()  # nothing for NO_COLOR to take away
    assert file.getvalue().splitlines() == ["x" * 100, "kept"]  # at most every few seconds
