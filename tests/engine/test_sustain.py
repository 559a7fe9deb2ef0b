"""The sustain pedal and the channel mode messages (requirements N5, N6)."""

from __future__ import annotations

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Input, Scene, Zone
from zerobeat.midi import (
    ALL_NOTES_OFF,
    ALL_SOUND_OFF,
    RESET_CONTROLLERS,
    SUSTAIN,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
)

ON, OFF = NoteOn(0, 60, 100), NoteOff(0, 60)
DOWN, UP = ControlChange(0, SUSTAIN, 127), ControlChange(0, SUSTAIN, 0)
OTHER_DOWN, OTHER_UP = ControlChange(1, SUSTAIN, 127), ControlChange(1, SUSTAIN, 0)
NOTES_OFF, SOUND_OFF = ControlChange(0, ALL_NOTES_OFF, 0), ControlChange(0, ALL_SOUND_OFF, 0)
RESET = ControlChange(0, RESET_CONTROLLERS, 0)
LOST = commands.SourceLost("keys")


def played(*messages, voices=1, scenes=()):
    case = EngineHarness(small_rig(voices, inputs=(KEYS, Input("steps", "Step Box:1"))), scenes)
    for message in messages:
        case.hear(message, "" if message is LOST else "keys")
    return case


# Each row: what is played, and whether the key sounds at the end.
TABLE = [
    ("pedal first, key released", (DOWN, ON, OFF), True),
    ("pedal first, then up", (DOWN, ON, OFF, UP), False),
    ("pedal after the key, key released", (ON, DOWN, OFF), True),
    ("pedal last: the key was up already", (ON, OFF, DOWN), False),
    ("pedal up before the key", (DOWN, ON, UP), True),
    ("pedal up before the key, then the key", (DOWN, ON, UP, OFF), False),
    ("down, play, release, replay, up: the key is down", (DOWN, ON, OFF, ON, UP), True),
    ("the same, then the key up", (DOWN, ON, OFF, ON, UP, OFF), False),
    ("pedal of another channel", (OTHER_DOWN, ON, OFF), False),
    ("pedal up of another channel", (DOWN, ON, OFF, OTHER_UP), True),
    ("pedal pressed twice, up once", (DOWN, DOWN, ON, OFF, UP), False),
    ("source unplugged while down", (DOWN, ON, OFF, LOST), False),
    ("source unplugged, back, played", (DOWN, LOST, ON, OFF), False),
    ("half pressed counts from 64", (ControlChange(0, SUSTAIN, 64), ON, OFF), True),
    ("63 is up", (DOWN, ON, OFF, ControlChange(0, SUSTAIN, 63)), False),
    ("CC 123 is all keys up", (ON, NOTES_OFF), False),
    ("CC 123 obeys the pedal", (DOWN, ON, NOTES_OFF), True),
    ("CC 123, then pedal up", (DOWN, ON, NOTES_OFF, UP), False),
    ("CC 123 at the last key up", (DOWN, ON, OFF, NOTES_OFF), True),
    ("CC 120 cuts a key", (ON, SOUND_OFF), False),
    ("CC 120 cuts what the pedal keeps", (DOWN, ON, OFF, SOUND_OFF), False),
    ("CC 120 of another channel", (ON, ControlChange(1, ALL_SOUND_OFF, 0)), True),
    ("CC 121 is pedal up", (DOWN, ON, OFF, RESET), False),
    ("CC 121 leaves a key that is down", (ON, RESET), True),
    ("CC 124 to 127 are keys up", (ON, ControlChange(0, 126, 1)), False),
]  # MIDI 1.0 Detailed Specification, mode messages; RP-015 for CC 121


@pytest.mark.parametrize(("what", "messages", "sounds"), TABLE, ids=[row[0] for row in TABLE])
def test_what_sounds_after(what, messages, sounds):
    case = played(*messages)
    assert case.gates() == ([(0, 60)] if sounds else [])
    case.stop()
    assert case.gates() == []


def test_mode_messages_and_the_pedal_are_never_passed():
    """Requirement N5: never blindly through."""
    case = played(DOWN, ON, OFF, UP, NOTES_OFF, SOUND_OFF, RESET)
    assert [m for m in case.heard() if type(m) is ControlChange] == []


def test_a_replay_on_the_pedal_is_one_off_then_one_on():
    """Requirements N6, N9."""
    case = played(DOWN, ON, OFF, ON)
    assert case.on() == [(0, 60), (0, 60)]
    assert case.off() == [(0, 60)]


def test_the_pedal_of_one_input_keeps_no_key_of_another():
    case = played(DOWN)
    case.hear(ON, "steps")
    case.hear(OFF, "steps")
    assert case.gates() == []


def test_in_rotation_each_voice_falls_by_its_own_key():
    scenes = (Scene("round", zones=(Zone(("reed", "horn"), "rotate"),)),)
    case = played(DOWN, ON, NoteOn(0, 64, 100), OFF, voices=2, scenes=scenes)
    assert case.gates() == [(0, 60), (1, 64)]
    case.hear(UP)
    assert case.gates() == [(1, 64)]


def test_keys_up_for_all_at_once_sounds_none_in_between():
    """Requirement N5: lifted together, a voice returns to none of the others."""
    case = played(ON, NoteOn(0, 62, 100), NoteOn(0, 64, 100))
    struck = len(case.on())
    case.hear(NOTES_OFF)
    assert len(case.on()) == struck
    assert case.gates() == []


def test_reset_puts_the_wheel_at_rest():
    """Requirement B8: no bend is left stuck."""
    case = played(ON, PitchBend(0, 4096))
    assert case.bends()[-1] != 0
    case.hear(RESET)
    assert case.bends()[-1] == 0
