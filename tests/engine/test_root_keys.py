"""A key sets the root of a scale instead of sounding (design, *Hold*: root from the keyboard)."""

from __future__ import annotations

import pytest

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine.commands import OutputBack, Reload, RootKey, TriggerNow
from zerobeat.engine.settings import Converter, Scene, VoiceSettings
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn
from zerobeat.tuning.scale import preset

MINOR = VoiceSettings(scale=preset("minor pentatonic"), root=60)  # 0 3 5 7 10


def playing(hold: str = "note") -> EngineHarness:
    voices = {"reed": MINOR, "horn": MINOR}
    return EngineHarness(small_rig(2), [Scene("night", hold=hold, voices=voices)])


def roots(case: EngineHarness) -> list[int]:
    return [state.settings.root for state in case.engine.states.values()]


def test_a_key_sets_the_root_and_is_silent_with_its_note_off():
    case = playing()
    case.hear(RootKey(True), "")
    assert case.hear(NoteOn(0, 62, 100)) == []
    assert case.hear(NoteOff(0, 62)) == []
    case.hear(RootKey(False), "")
    case.hear(NoteOn(0, 63, 100))
    assert case.on() == [(0, 62), (1, 62)]  # D is the degree nearest to E flat
    assert roots(case) == [62, 62]


def test_the_root_of_one_voice_alone():
    case = playing("none")
    case.hear(RootKey(True, "horn"), "")
    case.hear(NoteOn(0, 62, 100))
    assert roots(case) == [60, 62]


def test_the_root_waits_as_the_hold_says():
    case = playing("trigger")
    case.hear(NoteOn(0, 60, 100))
    case.hear(RootKey(True), "")
    case.hear(NoteOn(0, 62, 100))
    assert roots(case) == [60, 60]
    case.hear(TriggerNow(), "")
    assert roots(case) == [62, 62]
    assert case.gates() == [(0, 60), (1, 60)]


def test_what_sounds_goes_on_until_its_own_note_off():
    case = playing()
    case.hear(NoteOn(0, 60, 100))
    case.hear(RootKey(True), "")
    case.hear(NoteOn(0, 62, 100))
    case.hear(NoteOff(0, 62))
    assert case.gates() == [(0, 60), (1, 60)]
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_the_key_that_sounds_and_comes_again_has_lost_its_note_off():
    case = playing()
    case.hear(NoteOn(0, 60, 100))
    case.hear(RootKey(True), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.gates() == []  # requirement M24


def test_a_key_kept_by_sustain_stays():
    case = playing()
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOn(0, 60, 100))
    case.hear(RootKey(True), "")
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == [(0, 60), (1, 60)]
    case.hear(ControlChange(0, 64, 0))
    assert case.gates() == []


def test_keys_sound_again_when_a_reload_takes_the_voice_away():
    case = playing()
    case.hear(RootKey(True, "horn"), "")
    case.hear(Reload(small_rig(1), ()), "")
    case.hear(OutputBack("out"), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.gates() == [(0, 60)]


def test_an_unknown_voice_is_refused_in_one_line():
    case = playing()
    with pytest.raises(CommandError, match=r"^voice: found 'tuba'; allowed: reed, horn$"):
        case.hear(RootKey(True, "tuba"), "")


def test_one_voice_after_the_other_waits_for_a_root_and_each_is_ended_alone():
    case = playing("none")
    case.hear(RootKey(True, "horn"), "")
    case.hear(RootKey(True, "reed"), "")
    case.hear(NoteOn(0, 62, 100))
    assert roots(case) == [62, 62]
    case.hear(RootKey(False, "reed"), "")
    case.hear(NoteOn(0, 64, 100))
    assert roots(case) == [62, 64]


def test_a_root_key_that_was_down_is_released_with_the_new_root():
    """Its note-off was lost; the voice returns to another key, struck with the bend it keeps."""
    settings = VoiceSettings(scale=preset("dorian"), root=51, legato=True)
    scene = Scene("one", hold="none", voices={"reed": settings})
    case = EngineHarness(small_rig(1, converter=Converter(overlap="legato")), (scene,))
    case.hear(NoteOn(0, 50, 100))
    case.hear(NoteOn(0, 60, 100))
    case.hear(RootKey(True), "")
    sent = case.hear(NoteOn(0, 60, 100))
    case.drain()
    assert [type(m) for m in sent] == [NoteOn, NoteOff]
    assert sent[0] == NoteOn(0, 50, 100)  # on the scale from 60, where 49 was on that from 51
    assert case.gates() == [(0, 50)]
