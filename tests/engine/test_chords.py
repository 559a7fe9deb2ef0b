"""Chords from one key, a voice a note, and a latch for the keys of a zone (N1, N2)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, NAMES, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import Input, Scene, Voice, VoiceSettings, Zone
from zerobeat.midi import ALL_NOTES_OFF, ControlChange, NoteOff, NoteOn
from zerobeat.tuning.scale import equal_division, preset

FEET = Input("feet", "Four Feet:1", plays=False)
LATCH = Binding("controller", 80, "latch", kind="toggle")
SEVENTH = (0, 3, 7, 10)


def new_case(*zones, count=4, binding=LATCH, hold="none", **settings):
    names = NAMES[:count]
    zones = zones or (Zone(names, "rotate", chord=SEVENTH),)
    voices = dict.fromkeys(names, VoiceSettings(**settings))
    rig = small_rig([Voice(name, "out", i) for i, name in enumerate(names)], inputs=(KEYS, FEET))
    rig = replace(rig, pedalboards={"feet": Pedalboard("Feet", (binding,))})
    return EngineHarness(rig, (Scene("one", hold=hold, zones=zones, voices=voices),))


def sounding(case):
    return sorted(note for _, _, note in case.engine.ledger.sounding())


def pedal(case, down=True):
    case.hear(ControlChange(0, 80, 127 if down else 0), "feet", 0.1)


# ---------------------------------------------------------------- chords


def test_one_key_sounds_a_chord_and_ends_it():
    case = new_case()
    case.hear(NoteOn(0, 60, 90))
    assert case.on() == [(0, 60), (1, 63), (2, 67), (3, 70)]
    assert {m.velocity for m in case.heard() if isinstance(m, NoteOn)} == {90}
    case.hear(NoteOff(0, 60))
    assert sounding(case) == []


def test_a_second_chord_steals_and_the_first_key_ends_nothing_of_it():
    case = new_case()
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOn(0, 72, 100))
    assert sounding(case) == [72, 75, 79, 82]
    case.hear(NoteOff(0, 60))
    assert sounding(case) == [72, 75, 79, 82]
    case.hear(NoteOff(0, 72))
    assert sounding(case) == []


def test_notes_without_a_voice_do_not_sound_the_first_go_first():
    case = new_case(count=3)
    case.hear(NoteOn(0, 60, 100))
    assert sounding(case) == [60, 63, 67]


def test_chords_go_on_to_the_next_voices():
    case = new_case(Zone(NAMES[:5], "rotate", chord=(0, 7)), count=5)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOn(0, 62, 100))
    assert case.on() == [(0, 60), (1, 67), (2, 62), (3, 69)]
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 64, 100))
    assert case.on()[4:] == [(4, 64), (0, 71)]


def test_the_same_key_again_strikes_the_same_voices():
    case = new_case(count=6)
    for _ in range(2):  # its note-off was lost
        case.sent.clear()
        case.hear(NoteOn(0, 60, 100))
        assert case.on() == [(0, 60), (1, 63), (2, 67), (3, 70)]
    case.hear(NoteOff(0, 60))
    assert sounding(case) == []


def test_a_key_of_a_chord_is_another_than_its_notes():
    """Key 63 is down as a note of key 60's chord: its own release lets go nothing."""
    case = new_case(Zone(NAMES[:4], "rotate", chord=(0, 3)))
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 63))
    assert sounding(case) == [60, 63]
    case.hear(NoteOn(0, 63, 100))
    assert sounding(case) == [60, 63, 63, 66]
    case.hear(NoteOff(0, 60))
    assert sounding(case) == [63, 66]
    case.hear(NoteOff(0, 63))
    assert sounding(case) == []


def test_semitones_go_through_the_scale_and_steps_count_in_it():
    zone = Zone(NAMES[:3], "rotate", chord=(0, 4, 7))
    dorian = {"scale": preset("dorian"), "root": 60}
    case = new_case(zone, count=3, **dorian)
    case.hear(NoteOn(0, 62, 100))
    assert sounding(case) == [62, 65, 69]  # 66 is no degree: a tie goes down
    case = new_case(replace(zone, chord=(0, 2, 4, 7), chord_in="steps"), count=4, **dorian)
    for key, chord in ((60, [60, 63, 67]), (62, [62, 65, 69]), (63, [63, 67, 70])):
        case.hear(NoteOn(0, key, 100))
        assert sounding(case) == chord
        case.hear(NoteOff(0, key))
    zone = replace(zone, voices=NAMES[:4], chord=(0, 7, -1), chord_in="steps")
    case = new_case(zone, count=4, **dorian)
    case.hear(NoteOn(0, 60, 100))
    assert sounding(case) == [58, 60, 72]


def test_steps_of_a_scale_that_lies_between_the_keys():
    case = new_case(
        Zone(NAMES[:3], "rotate", chord=(0, 1, 2), chord_in="steps"),
        count=3,
        scale=equal_division(5),  # 240 cents
        root=60,
    )
    case.hear(NoteOn(0, 60, 100))
    assert [case.state(name).commanded_cents for name in NAMES[:3]] == [6000.0, 6240.0, 6480.0]
    shown = [case.state(name).playing.key for name in NAMES[:3]]
    assert shown == pytest.approx([60, 62.4, 64.8])
    case.hear(NoteOff(0, 60))
    assert sounding(case) == []


@pytest.mark.parametrize("settings", [{}, {"scale": preset("dorian"), "fit": "keys"}])
def test_without_a_scale_and_where_keys_are_degrees_a_step_is_a_key(settings):
    case = new_case(Zone(NAMES[:2], "rotate", chord=(0, 2), chord_in="steps"), count=2, **settings)
    case.hear(NoteOn(0, 60, 100))
    assert [case.state(name).playing.key for name in NAMES[:2]] == [60, 62]


def test_a_scale_that_lands_with_the_key_counts_its_steps():
    zone = Zone(NAMES[:2], "rotate", chord=(0, 2), chord_in="steps")
    case = new_case(zone, count=2, hold="note")
    case.hear(commands.ChangeVoice(None, (("scale", preset("dorian")), ("root", 60))), "")
    case.hear(NoteOn(0, 60, 100))
    assert sounding(case) == [60, 63]


def test_a_chord_beyond_the_converter_is_silent_there_alone():
    case = new_case(Zone(NAMES[:2], "rotate", chord=(0, 24)), count=2)
    case.hear(NoteOn(0, 120, 100))
    assert sounding(case) == [120]
    case.hear(NoteOff(0, 120))
    assert sounding(case) == []


def test_a_chord_beside_a_plain_zone_takes_no_voice_twice():
    zones = (Zone(("reed",)), Zone(NAMES[:3], "rotate", chord=(0, 7)))
    case = new_case(*zones, count=3)
    case.hear(NoteOn(0, 60, 100))
    assert case.on() == [(0, 60), (1, 60), (2, 67)]


def test_sustain_keeps_a_chord_and_lets_it_go():
    case = new_case()
    case.hear(NoteOn(0, 60, 100))
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOff(0, 60))
    assert sounding(case) == [60, 63, 67, 70]
    case.hear(ControlChange(0, 64, 0))
    assert sounding(case) == []


# ---------------------------------------------------------------- latch

LATCHING = Zone(NAMES[:2], "rotate", latch=True)


def test_a_latch_keeps_keys_until_a_new_one_begins_with_none_down():
    case = new_case(LATCHING, count=2)
    pedal(case)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOn(0, 64, 100))
    case.hear(NoteOff(0, 60))
    case.hear(NoteOff(0, 64))
    assert sounding(case) == [60, 64]
    case.hear(NoteOn(0, 67, 100))
    assert sounding(case) == [67]
    case.hear(NoteOn(0, 71, 100))  # another beside it
    assert sounding(case) == [67, 71]
    case.hear(NoteOff(0, 67))
    case.hear(NoteOff(0, 71))
    pedal(case, False)
    pedal(case)  # a toggle: off
    assert sounding(case) == []


def test_off_lets_go_only_what_is_not_down():
    case = new_case(LATCHING, count=2)
    pedal(case)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    pedal(case, False)
    pedal(case)
    assert sounding(case) == []
    case.hear(NoteOn(0, 62, 100))
    case.hear(NoteOff(0, 62))
    assert sounding(case) == []


def test_a_latched_chord_is_replaced_whole():
    case = new_case(Zone(NAMES[:4], "rotate", chord=SEVENTH, latch=True))
    pedal(case)
    for key in (60, 65):
        case.hear(NoteOn(0, key, 100))
        case.hear(NoteOff(0, key))
        assert sounding(case) == [key + interval for interval in SEVENTH]


def test_a_zone_without_latch_is_left_alone_and_leaves_the_latched_alone():
    zones = (Zone(("reed",), lowest_key=60, latch=True), Zone(("horn",), highest_key=59))
    case = new_case(*zones, count=2)
    pedal(case)
    case.hear(NoteOn(0, 72, 100))
    case.hear(NoteOff(0, 72))
    case.hear(NoteOn(0, 40, 100))
    assert sounding(case) == [40, 72]
    case.hear(NoteOff(0, 40))
    assert sounding(case) == [72]


def test_legato_voices_go_over_from_the_latched_key():
    case = new_case(Zone(("reed",), latch=True), count=1, legato=True)
    pedal(case)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    case.sent.clear()
    case.hear(NoteOn(0, 61, 100))
    assert case.on() == []  # by bend
    assert case.state("reed").commanded_cents == 6100.0


@pytest.mark.parametrize("end", ["panic", "all notes off", "unplugged", "forgotten", "source"])
def test_the_latch_ends_with_all_that_ends_a_layer_and_no_note_hangs(end):
    case = new_case(LATCHING, count=2)
    pedal(case)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    if end == "panic":
        case.hear(commands.Panic(), "")
    elif end == "all notes off":  # what a latch keeps is not down, as with sustain
        case.hear(ControlChange(0, ALL_NOTES_OFF, 0))
        assert sounding(case) == [60]
        case.hear(commands.SourceLost("feet"), "")
    elif end == "unplugged":
        case.hear(commands.SourceLost("feet"), "")
    elif end == "source":
        case.hear(commands.SourceLost("keys"), "")
    else:
        case.hear(commands.Reload(replace(case.engine.rig, pedalboards={}), ()), "")
    assert sounding(case) == []
    if end != "source":
        case.hear(NoteOn(0, 62, 100))
        case.hear(NoteOff(0, 62))
        assert sounding(case) == []


def test_sustain_and_latch_each_keep_what_they_keep():
    case = new_case(LATCHING, count=2)
    pedal(case)
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    case.hear(ControlChange(0, 64, 0))
    assert sounding(case) == [60]
    case.hear(ControlChange(0, 64, 127))
    pedal(case, False)
    pedal(case)
    assert sounding(case) == [60]
    case.hear(ControlChange(0, 64, 0))
    assert sounding(case) == []
