"""A fault costs one event (requirement M7, invariant 7): the rest is sent, the voice released."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Scene, VoiceSettings
from zerobeat.errors import CommandError
from zerobeat.midi import SUSTAIN, ControlChange, NoteOff, NoteOn, PitchBend


class Broken(Exception):
    """Stands for a fault that nobody thought of."""


def break_voice(case, name, monkeypatch, method="play"):
    """Let the player fail when it comes to a voice."""
    whole = getattr(case.engine.player, method)

    def fail(state, *rest, **more):
        if state.voice.name == name:
            raise Broken(name)
        return whole(state, *rest, **more)

    monkeypatch.setattr(case.engine.player, method, fail)


def hear_with_a_fault(case, message, source="keys"):
    """Do what the daemon does: send what is there, recover, send that; return the name told."""
    outputs = []
    case.pass_time(0.01)
    with pytest.raises(Broken):
        case.engine.receive(message, source, case.now_s, outputs)
    case.put(outputs)
    released = []
    told = case.engine.recover(source, released)
    case.put(released)
    return told


def test_what_came_before_the_fault_is_sent_and_the_voice_named(monkeypatch):
    case = EngineHarness(small_rig(3))
    break_voice(case, "horn", monkeypatch)
    assert hear_with_a_fault(case, NoteOn(0, 60, 100)) == "horn"
    assert case.gates() == [(0, 60)]  # reed plays; glass missed this event
    assert case.engine.counts["faults"] == 1


def test_a_sounding_voice_is_released_at_its_fault_and_the_others_go_on(monkeypatch):
    case = EngineHarness(small_rig(3))
    case.hear(NoteOn(0, 60, 100))
    break_voice(case, "horn", monkeypatch, "wheel")
    hear_with_a_fault(case, PitchBend(0, 100))
    assert case.gates() == [(0, 60), (2, 60)]
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_the_next_event_plays(monkeypatch):
    case = EngineHarness(small_rig(2))
    with monkeypatch.context() as broken:
        break_voice(case, "horn", broken)
        hear_with_a_fault(case, NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 62, 100))
    assert case.gates() == [(0, 62), (1, 62)]
    case.stop()
    assert case.gates() == []


def test_a_fault_at_a_note_off_leaves_nothing_hanging(monkeypatch):
    """The voices that were still to be released get their note-off too."""
    case = EngineHarness(small_rig(3))
    case.hear(NoteOn(0, 60, 100))
    break_voice(case, "reed", monkeypatch, "release")
    assert hear_with_a_fault(case, NoteOff(0, 60)) == "reed"
    assert case.gates() == []


def test_a_fault_at_pedal_up_leaves_nothing_hanging(monkeypatch):
    case = EngineHarness(small_rig(2))
    case.hear(ControlChange(0, SUSTAIN, 127))
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    break_voice(case, "reed", monkeypatch, "release")
    hear_with_a_fault(case, ControlChange(0, SUSTAIN, 0))
    assert case.gates() == []


def test_a_fault_in_a_landing_releases_the_voice_that_landed(monkeypatch):
    scenes = (
        Scene("one", hold="none"),
        Scene("two", voices={name: VoiceSettings(detune_cents=9.0) for name in ("reed", "horn")}),
    )
    case = EngineHarness(small_rig(2), scenes)
    case.hear(NoteOn(0, 60, 100))
    break_voice(case, "reed", monkeypatch, "relocate")
    assert hear_with_a_fault(case, commands.RecallScene("two"), "") == "reed"
    assert case.gates() == [(1, 60)]


@pytest.mark.parametrize(
    "command",
    [
        commands.RecallScene("nine"),
        commands.ChangeVoice("nobody", (("semitones", 1),)),
        commands.ChangeVoice("reed", (("colour", 1),)),
        commands.ChangeScene((("colour", 1),)),
        commands.ChangeTonight(concert_a_hz=20.0),
        commands.ChangeTonight(transpose_semitones=99),
        commands.Bypass("nobody", True),
        commands.Mute("nobody", True),
        commands.Solo("nobody", True),
    ],
)
def test_a_command_with_a_wrong_name_changes_nothing(command):
    case = EngineHarness(small_rig(2))
    case.hear(NoteOn(0, 60, 100))
    before = (case.engine.live.wanted(), case.engine.live.tonight, case.gates())
    outputs = []
    with pytest.raises(CommandError, match="found .*allowed"):
        case.engine.receive(command, "", case.now_s, outputs)
    assert outputs == []
    assert (case.engine.live.wanted(), case.engine.live.tonight, case.gates()) == before


def test_a_key_of_an_input_that_the_rig_lacks_is_silent():
    case = EngineHarness(small_rig(1))
    case.hear(NoteOn(0, 60, 100), "nobody")
    assert case.gates() == []


@pytest.mark.parametrize(
    ("on_return", "down", "struck"),
    [("silent", True, []), ("strike", True, [(0, 60)]), ("strike", False, [])],
)
def test_what_sounds_as_a_converter_returns_is_what_the_rig_asks_for(on_return, down, struck):
    case = EngineHarness(replace(small_rig(1), on_return=on_return))
    case.hear(NoteOn(0, 60, 100))
    if not down:  # kept by sustain alone
        case.hear(ControlChange(0, 64, 127))
        case.hear(NoteOff(0, 60))
    case.hear(commands.OutputLost("out"), "")
    case.sent.clear()
    case.hear(commands.OutputBack("out"), "")
    case.drain()
    assert case.on() == struck
