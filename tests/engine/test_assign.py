"""Who takes a key: zones, rotation, stealing, mute and solo (design: Hold, "Stealing")."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Input, Scene, Zone
from zerobeat.midi import SUSTAIN, ControlChange, NoteOff, NoteOn

PEDAL_DOWN = ControlChange(0, SUSTAIN, 127)
STEPS = Input("steps", "Step Box:Step Box MIDI 1")
ALL = ("reed", "horn", "glass")


def rotating(voices=3):
    return EngineHarness(
        small_rig(voices), (Scene("round", zones=(Zone(ALL[:voices], "rotate"),)),)
    )


def press(case, *keys, channel=0, source="keys"):
    """Return the converter channels that take each key."""
    before = len(case.on())
    for key in keys:
        case.hear(NoteOn(channel, key, 100), source)
    return [taken for taken, _ in case.on()[before:]]


def release(case, *keys):
    for key in keys:
        case.hear(NoteOff(0, key))


def test_unison_gives_every_voice_the_key():
    assert press(EngineHarness(small_rig(3)), 60) == [0, 1, 2]


def test_rotation_goes_on_after_the_voice_taken_last():
    case = rotating()
    assert press(case, 60) == [0]
    release(case, 60)
    assert press(case, 62, 64, 65) == [1, 2, 0]


def test_a_key_struck_again_goes_to_its_own_voice():
    case = rotating()
    press(case, 60, 62)
    release(case, 60, 62)
    assert press(case, 62, 60) == [1, 0]


def test_the_oldest_key_down_is_stolen():
    case = rotating()
    assert press(case, 60, 62, 64, 65, 67) == [0, 1, 2, 0, 1]
    assert case.gates() == [(2, 64), (0, 65), (1, 67)]


def test_keys_kept_by_sustain_are_stolen_before_keys_that_are_down():
    case = rotating()
    press(case, 60, 62, 64)  # 60 is the oldest, and stays down
    case.hear(PEDAL_DOWN)
    release(case, 64, 62)
    assert press(case, 65, 67, 69) == [1, 2, 0]  # 62 before 64, by age; then 60


def test_a_stolen_key_does_not_come_back():
    case = rotating(2)
    press(case, 60, 62, 64)
    release(case, 64)
    assert case.gates() == [(1, 62)]
    release(case, 60)  # finds nothing of its own
    assert case.gates() == [(1, 62)]
    release(case, 62)
    assert case.gates() == []


def test_in_unison_a_voice_returns_to_the_key_still_held():
    case = EngineHarness(small_rig(1))
    press(case, 60, 64)
    release(case, 64)
    assert case.gates() == [(0, 60)]


def test_zones_are_by_input_channel_and_key():
    zones = (
        Zone(("reed",), inputs=("keys",), highest_key=59),
        Zone(("horn",), inputs=("keys",), lowest_key=60),
        Zone(("glass",), inputs=("steps",), channels=(3,)),
    )
    case = EngineHarness(small_rig(3, inputs=(KEYS, STEPS)), (Scene("split", zones=zones),))
    assert press(case, 59, 60) == [0, 1]
    assert press(case, 40, channel=3, source="steps") == [2]
    assert press(case, 40, channel=2, source="steps") == []
    assert press(case, 62, channel=3) == [1]  # keys: every channel


def test_the_same_key_of_two_inputs_is_two_keys():
    """Requirement N9: the gate falls with the last."""
    case = EngineHarness(small_rig(1, inputs=(KEYS, STEPS)))
    press(case, 60)
    press(case, 60, source="steps")
    case.hear(NoteOff(0, 60), "steps")
    assert case.gates() == [(0, 60)]
    release(case, 60)
    assert case.gates() == []


def test_a_voice_in_two_zones_takes_a_key_once():
    case = EngineHarness(
        small_rig(2), (Scene("x", zones=(Zone(("reed",)), Zone(("horn", "reed")))),)
    )
    assert sorted(press(case, 60)) == [0, 1]


@pytest.mark.parametrize(
    ("command", "left"),
    [(commands.Mute("horn", True), [0, 2]), (commands.Solo("horn", True), [1])],
)
def test_mute_and_solo_act_on_keys_to_come_only(command, left):
    case = EngineHarness(small_rig(3))
    press(case, 60)
    case.hear(command, "")
    assert len(case.gates()) == 3
    release(case, 60)
    assert case.gates() == []
    assert press(case, 60) == left


def test_a_key_whose_note_off_was_lost_is_released_first():
    """Requirement M24."""
    case = rotating()
    press(case, 60)
    press(case, 60)
    assert case.gates() == [(0, 60)]
    assert case.off() == [(0, 60)]


def test_a_soloed_voice_that_a_reload_takes_away_silences_no_other():
    case = EngineHarness(small_rig(2))
    case.hear(commands.Solo("horn", True), "")
    rig = case.engine.rig
    case.hear(commands.Reload(replace(rig, voices=rig.voices[:1]), ()), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.gates() == [(0, 60)]
