"""Voices played for a client that measures: the engine's part of design.md, Measuring."""

from __future__ import annotations

import pytest

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.settings import Scene, Tonight, TouchUp, Voice, VoiceSettings
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.bend import bend_to_cents
from zerobeat.tuning.tracking import Reading, TrackingCurve

CURVE = TrackingCurve.from_readings([Reading(3600.0, 0.0), Reading(8400.0, 60.0)])
VOICES = (
    Voice("reed", "out", 0, curve=CURVE, panel_octaves=-1),
    Voice("horn", "out", 1),
    Voice("floor", "out", 2, gate_ignored=True),
)
RAW = commands.PlayRaw("reed", 60, 25.0)


@pytest.fixture
def case():
    settings = {"reed": VoiceSettings(semitones=7, detune_cents=11.0)}
    tonight = Tonight(442.0, 3, {"reed": TouchUp(4.0)})
    return EngineHarness(small_rig(VOICES), (Scene("plain", voices=settings),), tonight)


def test_raw_is_the_note_and_the_bend_alone(case):
    """No profile, panel, scene, touch-up or concert pitch; the bend comes first (B1)."""
    assert case.hear(RAW, "") == [PitchBend(0, 1024), NoteOn(0, 60, 100)]
    assert case.engine.measuring.taken == {"reed": None}


def test_a_voice_that_sounds_the_note_is_moved_by_bend_or_struck_again(case):
    case.hear(RAW, "")
    assert case.hear(commands.PlayRaw("reed", 60, -25.0), "") == [PitchBend(0, -1024)]
    assert case.hear(commands.PlayRaw("reed", 60, -25.0), "") == []
    again = case.hear(commands.PlayRaw("reed", 60, -25.0, strike=True), "")
    assert again == [NoteOff(0, 60), NoteOn(0, 60, 100)]
    assert case.hear(commands.PlayRaw("reed", 62), "") == [
        NoteOff(0, 60),
        PitchBend(0, 0),
        NoteOn(0, 62, 100),
    ]


def test_corrected_sounds_the_written_pitch_by_profile_panel_and_touch_up_alone(case):
    bent, struck = case.hear(commands.PlayPitch("reed", 6650.0), "")
    commanded = 100.0 * struck.note + bend_to_cents(bent.bend, 200.0)
    heard = CURVE.sounding(commanded) - 1200.0 + 4.0  # its panel is an octave low, and drifted
    assert heard == pytest.approx(6650.0, abs=0.02)


@pytest.mark.parametrize(
    "stopping",
    [NoteOn(0, 64, 90), commands.RecallScene("plain"), commands.TriggerNow(), commands.Panic()],
)
def test_what_the_player_does_ends_the_run(case, stopping):
    case.hear(RAW, "")
    sent = case.hear(stopping, "keys" if type(stopping) is NoteOn else "")
    assert sent[0] == NoteOff(0, 60)
    assert not case.engine.measuring.running and case.engine.measuring.stopped
    if type(stopping) is NoteOn:
        assert [m for m in sent if type(m) is NoteOn and m.channel == 1] == [NoteOn(1, 67, 90)]


def test_wheel_and_settings_leave_a_measured_voice_alone(case):
    case.hear(RAW, "")
    assert case.hear(PitchBend(0, 8191), "keys") == []
    assert case.hear(ControlChange(0, 64, 127), "keys") == []
    assert case.hear(commands.ChangeTonight(430.0), "") == []
    assert case.hear(commands.ChangeVoice("reed", (("semitones", 2),)), "") == []


def test_a_held_key_keeps_its_voice(case):
    case.hear(NoteOn(0, 64, 90), "keys")
    with pytest.raises(CommandError, match="reed holds a key; release every key and pedal"):
        case.engine.receive(RAW, "", 9.0, [])
    assert not case.engine.measuring.running


def test_a_drone_has_its_own_key_again_afterwards(case):
    case.hear(NoteOn(0, 40, 90), "keys")
    case.hear(NoteOff(0, 40), "keys")
    case.hear(commands.PlayRaw("floor", 60), "")
    sent = case.hear(commands.ReleaseVoice(), "")
    on = [m for m in sent if type(m) is NoteOn]
    assert [(m.channel, m.note) for m in on] == [(2, 43)]  # 40 and tonight's three semitones
    assert sent[0] == NoteOff(2, 60) and sent[-1] == NoteOff(2, 43)


def test_a_lost_converter_ends_the_run_and_its_note_is_released_on_return(case):
    """Requirement N11."""
    case.hear(RAW, "")
    case.hear(commands.OutputLost("out"), "")
    assert case.engine.measuring.stopped == "the loss of out"
    assert NoteOff(0, 60) in case.hear(commands.OutputBack("out"), "")


@pytest.mark.parametrize(
    ("command", "fault"),
    [
        (commands.PlayRaw("read", 60), "voice: found 'read'; allowed: reed, horn, floor"),
        (commands.PlayRaw("reed", 128), "note: found 128; allowed: 0 to 127"),
        (
            commands.PlayRaw("reed", 60, 201.0),
            "bend_cents: found 201; allowed for reed: -200 to 200",
        ),
        (commands.PlayPitch("horn", 14000.0), "horn: .* is out of its converter's reach"),
    ],
)
def test_a_refusal_changes_nothing(case, command, fault):
    with pytest.raises(CommandError, match=fault):
        case.engine.receive(command, "", 9.0, outputs := [])
    assert outputs == [] and not case.engine.measuring.running


@pytest.mark.parametrize("released", [False, True])
def test_a_profile_that_is_new_corrects_the_next_pitch_of_the_run(case, released):
    """Check notes are played with the profile that has just been stored."""
    case.hear(RAW, "")
    case.hear(commands.UseProfile("reed", None, (7.0,) * 128), "")
    if released:
        case.hear(commands.ReleaseVoice("reed"), "")
        assert case.state("reed").next_voice is None
    bent, struck = case.hear(commands.PlayPitch("reed", 6650.0), "")[-2:]
    commanded = 100.0 * struck.note + 7.0 + bend_to_cents(bent.bend, 200.0)
    assert commanded - 1200.0 == pytest.approx(6650.0, abs=0.02)  # its touch-up has gone
    case.hear(commands.ReleaseVoice(), "")
    assert case.gates() == []
