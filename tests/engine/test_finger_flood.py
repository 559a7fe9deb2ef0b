"""Fifteen fingers that flood one cable: notes are not late, and the newest bend arrives (B6)."""

from __future__ import annotations

import pytest

from kit.finger_flood import DIN_BYTES_PER_SECOND, FINGERS, PacedCable, flood
from zerobeat.midi import ChannelPressure, ControlChange, NoteOn, PitchBend

LATE_S = 0.001


@pytest.mark.parametrize("pressure", [False, True])
def test_fifteen_fingers_on_a_din_cable(pressure):
    found = flood(DIN_BYTES_PER_SECOND, seconds=1.0, pressure=pressure)
    assert found.note_late_s <= LATE_S
    assert found.bend_late_s <= 2.0 * found.turn_s
    assert found.bends < 3000  # the others were outdated before there was room


def test_the_bends_that_stand_at_the_end_are_the_newest():
    ends = []
    for rate in (DIN_BYTES_PER_SECOND, None):
        cable = PacedCable(rate, pressure=True)
        for finger in range(FINGERS):
            cable.tell(NoteOn(finger + 1, 40 + finger, 100))
        for step in range(50):
            for finger in range(FINGERS):
                cable.tell(PitchBend(finger + 1, 37 * step + finger))
                cable.tell(ChannelPressure(finger + 1, (step + finger) % 128))
            cable.tell(PitchBend(0, 100 * step))
        cable.until(cable.now_s + 1.0)
        ends.append({c[0]: c for _, c in cable.heard if c[0] & 0xF0 in (0xD0, 0xE0)})
    assert ends[0] == ends[1]
    assert len(ends[0]) == 2 * FINGERS


def test_a_flood_of_controllers_and_half_parameters_sends_nothing():
    cable = PacedCable(DIN_BYTES_PER_SECOND)
    for number in range(2000):
        cable.tell(ControlChange(number % 16, (101, 100, 6, 38, 74, 64)[number % 6], number % 128))
    cable.until(cable.now_s + 1.0)
    assert cable.heard == []
