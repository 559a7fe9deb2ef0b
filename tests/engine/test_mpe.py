"""MPE keyboards: each finger a channel of its own, each note a voice of its own.

Vectors and rules are those of RP-053, MIDI Polyphonic Expression 1.0 (2018), by section.
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine.commands import OutputBack, OutputLost, Reload, SourceLost, TriggerNow
from zerobeat.engine.mpe_zones import CHANNEL_PRESSURE, MpeSettings
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import Converter, Input, Scene, Voice, VoiceSettings, Zone
from zerobeat.midi import (
    ChannelPressure,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    PolyPressure,
    ProgramChange,
)
from zerobeat.tuning.scale import preset
from zerobeat.tuning.tracking import Reading, TrackingCurve

RANGE_CENTS = 4800.0
WIDE = Converter(bend_range_cents=RANGE_CENTS, gate_gap_s=0.0)
LOWER15 = MpeSettings(lower_members=15)
ROTATE = (Zone(("reed", "horn", "glass", "bass"), "rotate"),)
NAMES = ("reed", "horn", "glass", "bass", "floor", "oboe", "pipe", "bell")


def grid(mpe=LOWER15, voices=4, zones=ROTATE, settings=None, more=(), pass_classes=(), **scene):
    voices = [Voice(NAMES[i], "out", i, bend_range_cents=RANGE_CENTS) for i in range(voices)]
    source = Input("grid", "Finger Grid:Finger Grid MIDI 1", mpe=mpe)
    rig = small_rig(voices, converter=WIDE, inputs=(source, *more), pass_classes=pass_classes)
    of_voices = dict.fromkeys(NAMES, settings or VoiceSettings())
    return EngineHarness(rig, (Scene("one", zones=zones, voices=of_voices, **scene),))


def play(case, message, after_s=0.01, source="grid"):
    return case.hear(message, source, after_s)


def send(case, channel, *controllers, source="grid"):
    for controller, value in controllers:
        case.hear(ControlChange(channel, controller, value), source, 0.001)


def configure(case, channel, members):
    """The messages of section 2.1: RPN 6 on a manager's channel."""
    send(case, channel, (101, 0), (100, 6), (6, members))


def set_range(case, channel, semitones, cents=None):
    """RPN 0 (section 2.4)."""
    send(case, channel, (101, 0), (100, 0), (6, semitones))
    if cents is not None:
        send(case, channel, (38, cents))


def pitch(case, voice):
    """What a voice was sent last, in cents above key 0."""
    state = case.state(voice)
    return 100.0 * state.note + state.bend * RANGE_CENTS / 8192.0


def step_cents():
    return RANGE_CENTS / 8192.0


# Ranges in semitones, 14 bits on the wire, semitones that sound: values.json "bend_mpe_examples",
# RP-053 appendix C; table 4 prints E2 2B 41 (8363) as a quarter tone: at 48 it is a semitone.
@pytest.mark.parametrize(
    ("semitones", "wire", "sounds"),
    [(48, 9387, 7.0), (2, 16383, 2.0), (48, 8363, 1.002), (48, 8277, 0.498), (96, 0, -96.0)],
)
def test_published_bends_sound_as_printed(semitones, wire, sounds):
    case = grid()
    set_range(case, 1, semitones)
    play(case, NoteOn(1, 100, 100))
    play(case, PitchBend(1, wire - 8192))
    expected = 10000.0 + max(-RANGE_CENTS, 100.0 * sounds)
    assert pitch(case, "reed") == pytest.approx(expected, abs=step_cents() + 0.5)


def test_a_note_has_the_bend_of_its_finger_and_of_its_zone():
    case = grid()
    play(case, PitchBend(1, 1024))  # an eighth of 48 semitones, before its note-on
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOn(2, 64, 90))
    assert pitch(case, "reed") == pytest.approx(6600.0, abs=1.0)
    assert pitch(case, "horn") == pytest.approx(6400.0, abs=1.0)
    play(case, PitchBend(0, 4096))  # half of 2 semitones, for the whole zone
    assert pitch(case, "reed") == pytest.approx(6700.0, abs=1.0)
    assert pitch(case, "horn") == pytest.approx(6500.0, abs=1.0)
    set_range(case, 0, 4)
    set_range(case, 14, 24)  # the range of one finger is that of all (section 2.4)
    assert pitch(case, "reed") == pytest.approx(6000.0 + 300.0 + 200.0, abs=1.0)
    assert pitch(case, "horn") == pytest.approx(6400.0 + 200.0, abs=1.0)


def test_ranges_of_nothing_and_of_96_semitones_are_taken_and_more_is_not():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 819))
    set_range(case, 1, 0)
    assert pitch(case, "reed") == pytest.approx(6000.0, abs=1e-6)
    set_range(case, 1, 96)
    assert pitch(case, "reed") == pytest.approx(6000.0 + 9600.0 * 819 / 8191, abs=1.0)
    set_range(case, 1, 97)
    set_range(case, 1, 96, 50)
    assert pitch(case, "reed") == pytest.approx(6000.0 + 9600.0 * 819 / 8191, abs=1.0)
    assert case.engine.counts["bend ranges not taken"] == 2
    set_range(case, 1, 2, 50)  # cents count, though they should be 0
    assert pitch(case, "reed") == pytest.approx(6000.0 + 250.0 * 819 / 8191, abs=1.0)


@pytest.mark.parametrize(
    "half",
    [
        [(101, 0), (6, 5)],
        [(100, 6), (6, 5)],
        [(101, 0), (100, 6)],
        [(101, 0), (100, 6), (38, 5)],
        [(101, 0), (100, 6), (101, 127), (100, 127), (6, 5)],
        [(101, 0), (100, 6), (99, 0), (98, 6), (6, 5)],
        [(99, 0), (98, 6), (6, 5)],
    ],
)
def test_half_a_parameter_number_sets_nothing(half):
    case = grid(MpeSettings())
    send(case, 0, *half)
    assert case.engine.mpe.keyboards["grid"].sizes == (0, 0)
    assert case.engine.counts["parameters"] == len(half)


def test_zones_come_from_the_keyboard():
    case = grid(MpeSettings())
    play(case, NoteOn(3, 60, 100))  # no zone yet: a plain keyboard, its wheel two semitones
    play(case, PitchBend(3, -8192))
    assert pitch(case, "reed") == pytest.approx(5800.0, abs=1.0)
    play(case, NoteOff(3, 60))
    configure(case, 0, 15)  # B0 65 00 B0 64 06 B0 06 0F
    play(case, NoteOn(3, 62, 100))
    play(case, PitchBend(3, 4096))
    assert pitch(case, "horn") == pytest.approx(6200.0 + 2400.0, abs=1.0)
    configure(case, 0, 0)  # no zone any more
    assert case.gates() == []
    play(case, NoteOn(3, 64, 100))
    play(case, PitchBend(3, 8191))
    assert pitch(case, "glass") == pytest.approx(6600.0, abs=1.0)


def test_a_configuration_message_counts_on_the_managers_channels_alone():
    case = grid(MpeSettings())
    for channel in range(1, 15):
        configure(case, channel, 5)
    assert case.engine.mpe.keyboards["grid"].sizes == (0, 0)
    configure(case, 15, 16)  # section 2: 0 to 15
    assert case.engine.mpe.keyboards["grid"].sizes == (0, 0)
    configure(case, 15, 5)
    assert case.engine.mpe.keyboards["grid"].channels(15) == (15, 14, 13, 12, 11, 10)


# Sizes before, manager and members of the message, sizes after (section 2.1.1: the newest wins).
@pytest.mark.parametrize(
    ("before", "message", "after"),
    [
        ((7, 7), (0, 10), (10, 4)),
        ((7, 7), (15, 10), (4, 10)),
        ((7, 7), (0, 14), (14, 0)),
        ((7, 7), (0, 15), (15, 0)),
        ((15, 0), (15, 1), (13, 1)),
        ((7, 7), (15, 0), (7, 0)),
        ((7, 7), (0, 7), (7, 7)),
    ],
)
def test_one_zone_over_another(before, message, after):
    case = grid(MpeSettings(*before))
    for channel in range(16):
        play(case, NoteOn(channel, 60 + channel, 100))
    keyboard = case.engine.mpe.keyboards["grid"]
    configure(case, *message)
    assert keyboard.sizes == after
    kept = {c for m in (0, 15) if before[m > 0] == after[m > 0] for c in keyboard.channels(m)}
    held = {held.source[1] for state in case.engine.states.values() for held in state.held}
    assert held <= kept | set(range(16)) - {
        c for m, count in zip((0, 15), before, strict=True) for c in _channels(m, count)
    } - set(keyboard.manager_of)
    assert {key[0][1] for key in case.engine.shared.keys} >= kept


def _channels(manager, count):
    return [manager, *(range(1, count + 1) if manager == 0 else range(14, 14 - count, -1))]


def test_a_zone_that_changes_stops_its_notes_and_resets_its_controllers():
    case = grid(MpeSettings(7, 7))
    play(case, ControlChange(0, 64, 127))
    play(case, PitchBend(0, 8191))
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 4000))
    play(case, NoteOff(1, 60))
    play(case, NoteOn(2, 64, 100))
    play(case, NoteOn(14, 67, 100))  # of the upper zone, which is as it was
    set_range(case, 2, 12)
    configure(case, 0, 5)
    assert [note for _, note in case.gates()] == [67]
    play(case, NoteOn(1, 60, 100))
    assert pitch(case, "reed") == pytest.approx(6000.0, abs=1e-6)
    play(case, PitchBend(1, 4096))
    assert pitch(case, "reed") == pytest.approx(6000.0 + 2400.0, abs=1.0)  # 48 again
    play(case, NoteOff(1, 60))
    assert [note for _, note in case.gates()] == [67]  # sustain is up


def test_the_same_zone_again_stops_nothing_and_sets_the_ranges_back():
    case = grid()
    set_range(case, 1, 24)
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 4096))
    configure(case, 0, 15)
    assert len(case.gates()) == 1
    assert pitch(case, "reed") == pytest.approx(6000.0 + 2400.0, abs=1.0)


# ---------------------------------------------------------------- fingers


@pytest.mark.parametrize(("touch", "cents"), [("as_played", 30.0), ("centred", 0.0)])
def test_a_fingers_place_at_the_touch(touch, cents):
    case = grid(replace(LOWER15, touch=touch))
    play(case, PitchBend(1, round(30.0 * 8191 / 4800.0)))
    play(case, PitchBend(0, 4096))  # the zone's wheel is no finger's place
    play(case, NoteOn(1, 60, 100))
    assert pitch(case, "reed") == pytest.approx(6100.0 + cents, abs=1.0)
    play(case, PitchBend(1, round(80.0 * 8191 / 4800.0)))
    assert pitch(case, "reed") == pytest.approx(6100.0 + cents + 50.0, abs=1.0)


def test_a_finger_is_in_tune_on_its_way_whatever_the_curve():
    curve = TrackingCurve.from_readings(
        [Reading(100.0 * k, 0.4 * (k - 60) + 9.0 * math.sin(k / 3.0), 0.05) for k in range(12, 115)]
    )
    voices = [Voice("reed", "out", 0, bend_range_cents=2400.0, curve=curve)]
    converter = Converter(bend_range_cents=2400.0, gate_gap_s=0.0)
    source = Input("grid", "Finger Grid:1", mpe=LOWER15)
    case = EngineHarness(small_rig(voices, converter=converter, inputs=(source,)), (Scene(),))
    play(case, NoteOn(1, 60, 100))
    state = case.state("reed")
    for cents in range(-1200, 1201, 37):
        bend = round(cents * (8191 if cents > 0 else 8192) / 4800.0)
        play(case, PitchBend(1, bend))
        asked = 6000.0 + 4800.0 * bend / (8191 if bend > 0 else 8192)
        sent = 100.0 * state.note + state.bend * 2400.0 / 8192.0
        assert curve.sounding(sent) == pytest.approx(asked, abs=0.2)


def test_a_finger_bends_no_other_note():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOn(2, 64, 100))
    left = case.hear(PitchBend(2, 500), "grid")
    assert [type(m) for m in left] == [PitchBend]
    assert left[0].channel == 1


def test_a_note_that_sustain_keeps_stays_where_its_finger_left_it():
    """Section 2.2: the channel may bend another note by then; the zone's wheel still counts."""
    case = grid()
    play(case, ControlChange(0, 64, 127))
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 2048))
    play(case, NoteOff(1, 60))
    play(case, PitchBend(1, 0))
    play(case, NoteOn(1, 67, 100))  # the same channel
    play(case, PitchBend(1, -1024))
    assert pitch(case, "reed") == pytest.approx(7200.0, abs=1.0)
    assert pitch(case, "horn") == pytest.approx(6100.0, abs=1.0)
    play(case, PitchBend(0, 8191))
    assert pitch(case, "reed") == pytest.approx(7400.0, abs=1.0)
    assert pitch(case, "horn") == pytest.approx(6300.0, abs=1.0)
    play(case, ControlChange(0, 64, 0))
    assert [note for _, note in case.gates()] == [67]


def test_what_counts_on_the_manager_alone_is_dropped_from_a_finger():
    case = grid(pass_classes=("program", "controllers"))
    for channel in (1, 9):
        play(case, NoteOn(channel, 60, 100))
        for controller in (0, 32, 64, 65, 66, 67, 68, 69, 120, 121, 123, 126):
            assert play(case, ControlChange(channel, controller, 127)) == []
        assert play(case, ProgramChange(channel, 3)) == []
        assert play(case, PolyPressure(channel, 60, 80)) == []
        play(case, NoteOff(channel, 60))
        assert case.gates() == []
    assert case.engine.counts["manager only"] == 2 * 14
    play(case, NoteOn(1, 60, 100))
    assert play(case, ProgramChange(0, 3)) != []
    play(case, ControlChange(0, 123, 0))
    assert case.gates() == []


def test_reset_controllers_of_a_zone_reset_its_fingers():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 2048))
    play(case, PitchBend(0, 8191))
    play(case, ControlChange(0, 121, 0))
    assert pitch(case, "reed") == pytest.approx(6000.0, abs=1e-6)
    play(case, PitchBend(0, 4096))
    assert pitch(case, "reed") == pytest.approx(6100.0, abs=1.0)


def test_a_note_on_the_manager_has_the_zones_bend_alone():
    case = grid()
    play(case, NoteOn(0, 60, 100))
    play(case, PitchBend(1, 4000))
    play(case, PitchBend(0, 8191))
    assert pitch(case, "reed") == pytest.approx(6200.0, abs=1.0)
    play(case, NoteOff(0, 60))
    assert case.gates() == []


def test_channels_outside_every_zone_are_a_plain_keyboards():
    case = grid(MpeSettings(lower_members=3))
    play(case, NoteOn(9, 60, 100))
    play(case, PitchBend(9, 8191))
    assert pitch(case, "reed") == pytest.approx(6200.0, abs=1.0)
    play(case, PitchBend(0, 8191))
    assert pitch(case, "reed") == pytest.approx(6200.0, abs=1.0)
    play(case, ControlChange(9, 64, 127))
    play(case, NoteOff(9, 60))
    assert len(case.gates()) == 1
    play(case, ControlChange(9, 64, 0))
    assert case.gates() == []


def test_the_zones_of_two_hands_play_different_voices():
    zones = (Zone(("reed", "horn"), "rotate", channels=(0,)), Zone(("glass",), channels=(15,)))
    case = grid(MpeSettings(7, 7), voices=3, zones=zones)
    play(case, NoteOn(3, 60, 100))
    play(case, NoteOn(12, 72, 100))
    assert case.gates() == [(0, 60), (2, 72)]


def test_in_unison_the_newest_note_leads():
    case = grid(voices=2, zones=())
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 512))
    play(case, NoteOn(2, 64, 100))
    play(case, PitchBend(1, 1024))  # of a finger that does not lead
    for voice in ("reed", "horn"):
        assert pitch(case, voice) == pytest.approx(6400.0, abs=1.0)
    play(case, PitchBend(2, 1024))
    for voice in ("reed", "horn"):
        assert pitch(case, voice) == pytest.approx(7000.0, abs=1.0)
    play(case, NoteOff(2, 64))
    for voice in ("reed", "horn"):
        assert pitch(case, voice) == pytest.approx(6600.0, abs=1.0)


def test_a_stolen_finger_bends_nothing():
    case = grid(voices=2, zones=(Zone(("reed", "horn"), "rotate"),))
    for channel, key in ((1, 60), (2, 64), (3, 67)):
        play(case, NoteOn(channel, key, 100))
    assert play(case, PitchBend(1, 900)) == []
    play(case, NoteOff(1, 60))
    assert len(case.gates()) == 2


def test_a_key_struck_again_by_another_finger_goes_to_its_own_voice():
    case = grid()
    play(case, ControlChange(0, 64, 127))
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOff(1, 60))
    play(case, NoteOn(2, 60, 90))
    assert case.on() == [(0, 60), (0, 60)]
    play(case, NoteOn(3, 60, 90))  # two fingers on one key are two notes (section 3.2)
    assert case.on()[-1] == (1, 60)


def test_a_stepped_wheel_takes_a_finger_through_the_scale():
    settings = VoiceSettings(scale=preset("dorian"), root=60, wheel="stepped")
    case = grid(settings=settings)
    play(case, NoteOn(1, 60, 100))
    pitches = set()
    for cents in range(0, 1201, 20):
        play(case, PitchBend(1, round(cents * 8191 / 4800.0)))
        pitches.add(round(pitch(case, "reed") - 6000.0))
    assert pitches == {0, 200, 300, 500, 700, 900, 1000, 1200}


def test_hold_sample_reads_a_finger_and_follows_it_until_it_is_up():
    case = grid(voices=1, zones=(), hold="sample", late_ms=0.0)
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 1024))
    play(case, NoteOn(2, 67, 100))
    play(case, PitchBend(2, -512))  # opens the gate, but its pitch waits for the trigger
    assert pitch(case, "reed") == pytest.approx(6600.0, abs=1.0)
    play(case, PitchBend(1, 512))
    assert pitch(case, "reed") == pytest.approx(6300.0, abs=1.0)
    play(case, NoteOff(1, 60))
    play(case, PitchBend(1, 0))
    assert pitch(case, "reed") == pytest.approx(6300.0, abs=1.0)
    case.hear(TriggerNow(), "")
    assert pitch(case, "reed") == pytest.approx(6400.0, abs=1.0)


def test_a_drone_keeps_the_place_of_a_finger_that_is_up():
    voices = [Voice("floor", "out", 0, bend_range_cents=RANGE_CENTS, gate_ignored=True)]
    source = Input("grid", "Finger Grid:1", mpe=LOWER15)
    case = EngineHarness(small_rig(voices, converter=WIDE, inputs=(source,)), (Scene(),))
    play(case, NoteOn(1, 48, 100))
    play(case, PitchBend(1, 512))
    play(case, NoteOff(1, 48))
    play(case, PitchBend(1, 0))
    assert pitch(case, "floor") == pytest.approx(5100.0, abs=1.0)
    play(case, PitchBend(0, -8192))
    assert pitch(case, "floor") == pytest.approx(4900.0, abs=1.0)


# ---------------------------------------------------------------- pressure and slide


def expressive(**more):
    mpe = replace(LOWER15, pressure_to=CHANNEL_PRESSURE, slide_to=20)
    return grid(mpe, **more)


def of_kind(case, kind):
    return [(m.channel, m.value) for m in case.heard() if isinstance(m, kind)]


def test_pressure_and_slide_go_to_the_voice_that_plays_the_note():
    case = expressive()
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOn(2, 64, 100))
    case.sent.clear()
    play(case, ChannelPressure(2, 90))
    play(case, ControlChange(1, 74, 10))
    assert of_kind(case, ChannelPressure) == [(1, 90)]
    assert of_kind(case, ControlChange) == [(0, 10)]
    play(case, ChannelPressure(9, 50))  # no note
    assert of_kind(case, ChannelPressure) == [(1, 90)]


def test_a_new_note_begins_with_its_own_pressure():
    case = expressive(voices=1, zones=())
    play(case, NoteOn(1, 60, 100))
    play(case, ChannelPressure(1, 90))
    play(case, NoteOff(1, 60))
    play(case, NoteOn(2, 60, 100))
    assert of_kind(case, ChannelPressure) == [(0, 90), (0, 0)]


def test_a_plain_keyboards_note_has_no_fingers_pressure():
    case = expressive(voices=1, zones=(), more=(KEYS,))
    play(case, NoteOn(1, 60, 100))
    play(case, ChannelPressure(1, 90))
    play(case, NoteOff(1, 60))
    play(case, NoteOn(0, 60, 100), source="keys")
    assert of_kind(case, ChannelPressure) == [(0, 90), (0, 0)]


def test_the_zones_pressure_counts_for_all_its_notes():
    case = expressive()
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOn(2, 64, 100))
    case.sent.clear()
    play(case, ChannelPressure(1, 40))
    play(case, ChannelPressure(0, 70))
    play(case, ControlChange(0, 74, 74))
    assert of_kind(case, ChannelPressure) == [(0, 40), (0, 70), (1, 70)]
    assert of_kind(case, ControlChange) == [(0, 74), (1, 74)]


def test_key_pressure_on_the_manager_is_that_of_its_own_note():
    case = expressive()
    play(case, NoteOn(0, 60, 100))
    play(case, NoteOn(1, 64, 100))
    case.sent.clear()
    play(case, PolyPressure(0, 60, 70))
    play(case, PolyPressure(0, 64, 90))  # no note of the manager
    assert of_kind(case, ChannelPressure) == [(0, 70)]
    play(case, NoteOff(0, 60))
    play(case, NoteOn(0, 60, 100))
    assert of_kind(case, ChannelPressure) == [(0, 70), (0, 0)]


def test_pressure_goes_nowhere_unless_the_rig_says_so():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    assert play(case, ChannelPressure(1, 90)) == []
    assert play(case, ControlChange(1, 74, 90)) == []


def test_an_output_that_is_new_gets_the_pressure_again():
    case = expressive(voices=1, zones=())
    play(case, NoteOn(1, 60, 100))
    play(case, ChannelPressure(1, 90))
    case.hear(OutputLost("out"), "")
    case.hear(OutputBack("out"), "")
    case.sent.clear()
    play(case, NoteOff(1, 60))
    play(case, NoteOn(1, 60, 100))
    assert of_kind(case, ChannelPressure) == [(0, 90)]


def test_another_controller_of_a_finger_goes_to_its_own_note():
    case = grid(pass_classes=("controllers",))
    play(case, NoteOn(1, 60, 100))
    play(case, NoteOn(2, 64, 100))
    assert play(case, ControlChange(2, 11, 99)) == [ControlChange(1, 11, 99)]
    assert len(play(case, ControlChange(0, 11, 99))) == 4  # the zone's: every voice that hears it


def test_a_controller_of_a_finger_that_nothing_takes_is_counted():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    assert play(case, ControlChange(1, 11, 99)) == []
    assert case.engine.counts["controllers"] == 1


def test_a_controller_that_is_bound_is_a_switch_and_no_slide():
    case = expressive()
    binding = Binding("controller", 74, "panic", channel=0)
    rig = replace(case.engine.rig, pedalboards={"grid": Pedalboard("Grid", (binding,))})
    case.hear(Reload(rig, case.engine.live.bank.values()), "")
    play(case, NoteOn(1, 60, 100))
    case.sent.clear()
    play(case, ControlChange(1, 74, 100))
    assert of_kind(case, ControlChange) == [(0, 100)]
    play(case, ControlChange(0, 74, 100), 0.1)
    assert case.off() == [(0, 60)]
    assert case.engine.states["reed"].held == []


# ---------------------------------------------------------------- what comes and goes


def test_a_keyboard_that_is_lost_leaves_no_bend_behind():
    case = grid()
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 3000))
    play(case, PitchBend(0, 3000))
    case.hear(SourceLost("grid"), "")
    assert case.gates() == []
    play(case, PitchBend(0, 4096))
    play(case, NoteOn(1, 60, 100))
    assert pitch(case, "reed") == pytest.approx(6100.0, abs=1.0)


def test_a_reload_keeps_zones_and_fingers_unless_the_keyboards_settings_change():
    case = grid(MpeSettings())
    configure(case, 0, 15)
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, 1024))
    rig = case.engine.rig
    case.hear(Reload(rig, case.engine.live.bank.values()), "")
    assert len(case.gates()) == 1
    play(case, PitchBend(0, 8191))
    assert pitch(case, "reed") == pytest.approx(6800.0, abs=1.0)
    other = replace(rig.inputs[0], mpe=MpeSettings(7, 7))
    case.hear(Reload(replace(rig, inputs=(other,)), case.engine.live.bank.values()), "")
    assert case.gates() == []
    assert case.engine.mpe.keyboards["grid"].sizes == (7, 7)


def test_passed_through_channels_are_no_fingers():
    source = Input("grid", "Finger Grid:1", mpe=LOWER15)
    case = EngineHarness(small_rig(2, inputs=(source,), pass_channels=(9,)), (Scene(),))
    play(case, NoteOn(9, 40, 100))
    assert case.gates() == [(9, 40)]
    assert play(case, PitchBend(9, 100)) == [PitchBend(9, 100)]
    assert play(case, ControlChange(9, 101, 0)) == [ControlChange(9, 101, 0)]
    assert play(case, ControlChange(9, 64, 127)) == [ControlChange(9, 64, 127)]
    assert play(case, ControlChange(9, 64, 0)) == [ControlChange(9, 64, 0)]
    play(case, NoteOff(9, 40))
    assert case.gates() == []


@pytest.mark.parametrize(("bend", "cents"), [(8191, 4800.0), (-8192, -4800.0), (0, 0.0)])
def test_both_ends_of_a_fingers_bend_are_its_whole_range(bend, cents):
    """RP-053, appendix C: a receiver takes the whole word for the whole range."""
    case = grid(voices=1, zones=())
    case.engine.shared.wheels.clear()
    play(case, NoteOn(1, 60, 100))
    play(case, PitchBend(1, bend))
    assert case.engine.shared.wheels.get(("grid", 1), 0.0) == cents


def test_a_centred_keyboards_note_outside_every_zone_sounds_its_key():
    case = grid(mpe=MpeSettings(lower_members=7, touch="centred"), voices=1, zones=())
    play(case, PitchBend(12, 4096))
    play(case, NoteOn(12, 60, 100))
    assert case.gates() != []


def test_a_plain_keyboards_key_goes_back_to_its_own_voice_beside_fingers():
    """Not to the one on which the same key of another plain keyboard sounded last."""
    case = grid(more=(KEYS, Input("steps", "Step Box:Step Box MIDI 1")))
    for source in ("keys", "steps"):
        play(case, NoteOn(0, 60, 100), source=source)
        play(case, NoteOff(0, 60), source=source)
    case.sent.clear()
    for source in ("steps", "keys"):
        play(case, NoteOn(0, 60, 100), source=source)
    assert [channel for channel, _ in case.on()] == [1, 0]
