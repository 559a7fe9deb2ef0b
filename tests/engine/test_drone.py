"""A voice heard with the gate low (design: Sounding without a gate; requirements N3, N11)."""

from __future__ import annotations

import pytest

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Converter, Scene, TouchUp, Voice, VoiceSettings
from zerobeat.midi import NoteOff, NoteOn, PitchBend

FLOOR = Voice("floor", "out", 0, gate_ignored=True)
REED = Voice("reed", "out", 1)


def scene(name, start_key=None, hold="note", **settings):
    voices = {"floor": VoiceSettings(start_key=start_key, **settings), "reed": VoiceSettings()}
    return Scene(name, hold=hold, voices=voices)


def case_of(*scenes, connected=True, converter=None):
    more = {} if converter is None else {"converter": converter}
    return EngineHarness(
        small_rig([FLOOR, REED], **more), scenes or (scene("plain"),), None, connected
    )


def played_and_let_go(**settings):
    case = case_of(scene("plain", **settings))
    case.hear(NoteOn(0, 40, 100))
    case.hear(NoteOff(0, 40))
    case.sent.clear()
    return case


def test_a_start_key_sounds_when_the_output_is_there_and_again_when_it_is_back():
    case = case_of(scene("low", start_key=26), connected=False)
    strike = [NoteOn(0, 26, 64), NoteOff(0, 26)]
    for _ in range(2):
        sent = case.hear(commands.OutputBack("out"), "")
        assert [m for m in sent if type(m) in (NoteOn, NoteOff)] == strike
        case.hear(commands.OutputLost("out"), "")


def test_the_bend_is_there_before_the_start_key():
    """Requirement B1, for a drone as for a key."""
    case = case_of(scene("low", start_key=26, detune_cents=50.0), connected=False)
    sent = [m for m in case.hear(commands.OutputBack("out"), "") if getattr(m, "channel", 9) == 0]
    assert sent[-3:] == [PitchBend(0, 2048), NoteOn(0, 26, 64), NoteOff(0, 26)]


@pytest.mark.parametrize("hold", ["none", "note", "trigger"])
def test_a_start_key_sounds_at_recall_as_the_hold_says(hold):
    case = case_of(scene("first", hold=hold), scene("second", start_key=30))
    sent = list(case.hear(commands.RecallScene("second"), ""))
    if hold == "trigger":
        assert sent == []
        sent = list(case.hear(commands.TriggerNow(), ""))
    elif hold == "note":
        assert sent == []
        case.hear(NoteOn(0, 50, 100))
        assert case.on()[0] == (0, 30)
        return
    assert [m for m in sent if m.channel == 0] == [
        PitchBend(0, 0),
        NoteOn(0, 30, 64),
        NoteOff(0, 30),
    ]


def test_after_note_off_it_follows_the_wheel_and_other_voices_do_not():
    case = played_and_let_go()
    assert case.hear(PitchBend(0, -4096)) == [PitchBend(0, -4096)]  # half of 200 cents, on floor


@pytest.mark.parametrize(
    ("command", "bend"),
    [
        (commands.SetTouchUp("floor", TouchUp(10.0)), -410),  # 10 of 200 cents: 409.6 steps
        (commands.ChangeTonight(concert_a_hz=445.0), 801),  # 1200 log2(445/440) = 19.56: 801.2
    ],
)
def test_after_note_off_it_follows_tonight_by_bend(command, bend):
    assert played_and_let_go().hear(command, "") == [PitchBend(0, bend)]


def test_a_landing_beyond_the_bend_is_a_note_on_and_a_note_off():
    case = played_and_let_go(hold="none")
    sent = case.hear(commands.ChangeVoice("floor", (("semitones", 5),)), "")
    assert sent == [NoteOn(0, 45, 100), NoteOff(0, 45)]
    assert case.hear(commands.ChangeVoice("floor", (("semitones", 6),)), "") == [PitchBend(0, 4096)]


def test_an_ordinary_voice_keeps_its_pitch_through_a_landing_after_note_off():
    """Requirement N3: settings reach it at its next note."""
    case = played_and_let_go()
    case.hear(commands.ChangeVoice("reed", (("hold", "none"),)), "")
    case.hear(commands.ChangeVoice("reed", (("detune_cents", 20.0),)), "")
    assert [m for m in case.heard() if m.channel == 1] == []


def test_the_tail_follows_the_wheel_for_so_long():
    voice = Voice("reed", "out", 0, tail_s=2.0)
    case = EngineHarness(small_rig([voice]))
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.hear(PitchBend(0, -4096), after_s=1.9) == [PitchBend(0, -4096)]
    assert case.hear(PitchBend(0, 0), after_s=0.2) == []


def test_a_key_takes_the_drone_and_it_keeps_that_key():
    case = case_of(scene("low", start_key=26))
    case.hear(NoteOn(0, 40, 100))
    case.hear(NoteOff(0, 40))
    assert case.state("floor").playing.key == 40
    assert case.gates() == []


def test_a_panic_leaves_the_drone_on_its_pitch():
    """Requirements N4, B8: released and cut, then its key again."""
    case = case_of(scene("low", start_key=26), converter=Converter(sends_bend_range=False))
    case.sent.clear()
    case.hear(commands.Panic(), "")
    case.drain()
    assert [m for m in case.heard(channel=0) if type(m) in (NoteOn, NoteOff)] == [
        NoteOn(0, 26, 64),
        NoteOff(0, 26),
    ]


@pytest.mark.parametrize("connected", [True, False])
def test_a_drone_that_a_reload_brings_sounds_its_start_key(connected):
    one = scene("plain", start_key=40)
    case = EngineHarness(small_rig([REED]), (one,), None, connected)
    case.hear(commands.Reload(small_rig([FLOOR, REED]), (one,)), "")
    assert case.on() == [(0, 40)] * connected and case.gates() == []
