"""Tuning messages of an input set the scale of its voices, as the hold says (invariant 4)."""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, NAMES, EngineHarness, small_rig
from kit.published_figures import published
from kit.tuning_messages import MEANTONE, bulk, octave_dump
from zerobeat.engine import commands
from zerobeat.engine.settings import Input, Scene, Voice, VoiceSettings, Zone
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn, SysEx
from zerobeat.tuning.midi_tuning import WORD_STEP_CENTS

COMPUTER = Input("computer", "Desk:Desk MIDI 1", plays=False)
FIVE_FOUR = SysEx(bytes.fromhex("F07F7F080200013C3F6E3EF7"))  # key 60 to 5/4 above C4
ONE_OCTAVE = bytes.fromhex(published("mts/scale_octave")["one_byte"])
MEANTONE_DUMP = SysEx(bulk([max(0.0, 100.0 * key + MEANTONE[key % 12]) for key in range(128)]))


def new_case(hold="note", scene=None, bend_range_cents=200.0, **output):
    voices = [
        Voice(name, "out", i, bend_range_cents=bend_range_cents, tuning_from="computer")
        for i, name in enumerate(("reed", "horn"))
    ]
    rig = small_rig(voices, inputs=(KEYS, COMPUTER), **output)
    return EngineHarness(rig, (scene or Scene("one", hold=hold),))


def commanded(case, name="reed"):
    return case.state(name).commanded_cents


def test_a_dump_lands_with_the_next_note():
    case = new_case()
    case.hear(NoteOn(0, 64, 100))
    assert case.hear(MEANTONE_DUMP, "computer") == []
    assert commanded(case) == 6400.0
    case.hear(NoteOn(0, 64, 100))
    assert commanded(case) == pytest.approx(6400 + MEANTONE[4], abs=WORD_STEP_CENTS / 2)
    assert case.state("reed").settings.keyboard_map.name == "EQUAL12"


def test_with_hold_none_what_sounds_moves_at_once_and_no_note_starts():
    case = new_case("none")
    case.hear(NoteOn(0, 60, 100))
    case.sent.clear()
    case.hear(FIVE_FOUR, "computer")
    case.drain()
    assert case.on() == []
    assert case.state("reed").move_waits  # 386 cents are beyond the bend
    case = new_case("none", bend_range_cents=1200.0)
    case.hear(NoteOn(0, 60, 100))
    case.sent.clear()
    case.hear(FIVE_FOUR, "computer")
    case.drain()
    assert (case.on(), len(case.heard())) == ([], 2)
    assert commanded(case) == pytest.approx(6386.3137, abs=WORD_STEP_CENTS)


def test_with_hold_trigger_all_voices_land_together():
    case = new_case("trigger")
    case.hear(FIVE_FOUR, "computer")
    case.hear(NoteOn(0, 60, 100))
    assert commanded(case) == 6000.0
    case.hear(commands.TriggerNow(), "")
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 60, 100))
    for name in ("reed", "horn"):
        assert commanded(case, name) == pytest.approx(6386.3137, abs=WORD_STEP_CENTS)


def test_only_the_voices_of_that_input_take_them_and_only_from_it():
    case = new_case()
    rig = case.engine.rig
    voices = (rig.voices[0], replace(rig.voices[1], tuning_from=None))
    case.hear(commands.Reload(replace(rig, voices=voices), (Scene("one"),)), "")
    case.hear(FIVE_FOUR, "keys")
    assert case.engine.counts["sysex"] == 1
    case.hear(FIVE_FOUR, "computer")
    assert case.engine.counts["sysex"] == 1
    case.hear(NoteOn(0, 60, 100))
    assert commanded(case) == pytest.approx(6386.3137, abs=WORD_STEP_CENTS)
    assert commanded(case, "horn") == 6000.0


@pytest.mark.parametrize(
    ("content", "why"),
    [
        (bulk()[:-2] + b"\x01\xf7", "checksum"),
        (bulk()[:-3] + b"\xf7", "length"),
        (b"\xf0\x7f\x7f\x08\x0a\xf7", "form"),
    ],
)
def test_a_damaged_one_changes_nothing_and_is_counted_by_name(content, why):
    case = new_case("none", pass_classes=("sysex",))
    case.hear(NoteOn(0, 60, 100))
    before = case.engine.live.parts()
    assert case.hear(SysEx(content), "computer") == []  # a pedalboard's are not passed
    assert all(one is other for one, other in zip(before, case.engine.live.parts(), strict=True))
    assert case.engine.counts[f"tuning message, wrong {why}"] == 1
    assert case.engine.counts["sysex"] == 0
    with pytest.raises(CommandError, match="no change"):
        case.hear(commands.Undo(), "")


def test_they_are_passed_on_where_that_is_listed():
    rig = small_rig(
        [Voice("reed", "out", 0, tuning_from="keys")], inputs=(KEYS,), pass_classes=("sysex",)
    )
    case = EngineHarness(rig)
    assert case.hear(FIVE_FOUR) == [FIVE_FOUR]
    case.hear(NoteOn(0, 60, 100))
    assert commanded(case) == pytest.approx(6386.3137, abs=WORD_STEP_CENTS)
    other = SysEx(b"\xf0\x7e\x7f\x06\x01\xf7")
    assert case.hear(other) == [other]


def test_channels_of_a_tuning_of_the_octave_choose_the_voices_by_their_zones():
    zones = (Zone(("reed",), channels=(0, 1)), Zone(("horn",), channels=(9,)))
    case = new_case(scene=Scene("one", hold="none", zones=zones))
    content = bytearray(ONE_OCTAVE)
    content[5:8] = b"\x00\x04\x00"  # channel 10 alone
    case.hear(SysEx(bytes(content)), "computer")
    assert case.state("reed").settings.keyboard_map is None
    assert case.state("horn").settings.keyboard_map.pitch_of_key(64) == 6400.0 - 14.0
    content[5:8] = b"\x00\x00\x00"  # none
    content[8:] = bytes((0x40,)) * 12 + b"\xf7"
    case.hear(SysEx(bytes(content)), "computer")
    assert case.state("horn").settings.keyboard_map.pitch_of_key(64) == 6400.0 - 14.0


def test_undo_takes_it_back_and_a_store_keeps_it():
    case = new_case("none")
    case.hear(MEANTONE_DUMP, "computer")
    kept = case.engine.persistence.to_store("one").of("reed")
    assert kept.keyboard_map.name == "EQUAL12"
    case.hear(commands.Undo(), "")
    assert case.state("reed").settings == VoiceSettings()
    assert case.state("reed").settings.keyboard_map is None


def test_single_notes_change_what_a_dump_has_made():
    case = new_case("none")
    case.hear(MEANTONE_DUMP, "computer")
    case.hear(FIVE_FOUR, "computer")
    keyboard_map = case.state("reed").settings.keyboard_map
    assert keyboard_map.pitch_of_key(60) == pytest.approx(6386.3137, abs=WORD_STEP_CENTS)
    assert keyboard_map.pitch_of_key(64) == pytest.approx(6400 + MEANTONE[4], abs=WORD_STEP_CENTS)


def choose(case, program, bank=None, channel=0):
    """Send the registered parameters that choose a tuning: 4 is its bank, 3 its program."""
    for number, value in ((4, bank), (3, program)):
        if value is not None:
            for controller, data in ((101, 0), (100, number), (6, value)):
                case.hear(ControlChange(channel, controller, data), "computer")


def test_program_and_bank_choose_among_the_tunings_that_came():
    case = new_case("none")
    for program, bank in ((2, None), (2, 5), (9, None)):
        cents = 10.0 * program + (bank or 0)
        tuning = [min(100.0 * key + cents, 12700.0) for key in range(128)]
        case.hear(SysEx(bulk(tuning, program=program, bank=bank)), "computer")
    case.hear(NoteOn(0, 60, 100))
    for program, bank, cents in ((2, None, 20.0), (2, 5, 25.0), (9, 0, 90.0)):
        choose(case, program, bank)
        assert commanded(case) == pytest.approx(6000 + cents, abs=WORD_STEP_CENTS)
    case.hear(commands.Undo(), "")
    assert commanded(case) == pytest.approx(6025.0, abs=WORD_STEP_CENTS)


def test_an_octave_dump_is_a_program_too():
    case = new_case("none")
    offsets = bytes(0x40 + 2 * step for step in range(12))
    case.hear(SysEx(octave_dump(offsets, 5)), "computer")  # bank 3, program 7
    case.hear(MEANTONE_DUMP, "computer")
    choose(case, 7, bank=3)
    keyboard_map = case.state("reed").settings.keyboard_map
    assert (keyboard_map.name, keyboard_map.pitch_of_key(62)) == ("OCTAVE", 6204.0)


def test_a_program_that_never_came_changes_nothing_and_is_counted():
    case = new_case("none")
    choose(case, 1)
    case.hear(MEANTONE_DUMP, "computer")
    before = case.state("reed").settings
    choose(case, 0, bank=1)
    assert case.state("reed").settings is before
    assert case.engine.counts["tuning program that never came"] == 2


def test_a_program_is_only_for_who_listens_to_the_input_that_names_it():
    case = new_case("none", pass_channels=(9,))
    for source, channel in (("keys", 0), ("computer", 9), ("keys", 9)):
        for controller, data in ((101, 0), (100, 3), (6, 1)):
            case.hear(ControlChange(channel, controller, data), source)
    assert case.engine.counts["tuning program that never came"] == 1  # the computer plays no notes


@pytest.mark.parametrize("controllers", [(99, 98, 6), (101, 6), (101, 100, 38), (101, 100, 96)])
def test_only_the_whole_of_a_registered_parameter_chooses(controllers):
    case = new_case("none")
    case.hear(SysEx(bulk([100.0 * key for key in range(128)], program=3)), "computer")
    case.hear(SysEx(bulk([100.0 * max(key - 1, 0) for key in range(128)], program=4)), "computer")
    for controller in controllers:
        value = 0 if controller in (101, 99) else 3
        case.hear(ControlChange(0, controller, value), "computer")
    assert case.state("reed").settings.keyboard_map.pitch_of_key(60) == 5900.0


def test_a_program_is_for_the_voices_that_keys_of_its_channel_play():
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(9,)))
    case = new_case(scene=Scene("one", hold="none", zones=zones))
    case.hear(SysEx(bulk(program=3, name="THREE")), "computer")
    case.hear(SysEx(bulk(program=4, name="FOUR")), "computer")
    choose(case, 3, channel=9)
    names = [case.state(name).settings.keyboard_map.name for name in ("reed", "horn")]
    assert names == ["FOUR", "THREE"]


def test_the_same_dump_again_changes_nothing():
    case = new_case("trigger")
    case.hear(MEANTONE_DUMP, "computer")
    case.hear(commands.TriggerNow(), "")
    case.hear(MEANTONE_DUMP, "computer")
    assert not case.engine.live.something_waits


def test_a_dump_is_in_force_within_five_milliseconds_with_eight_voices_sounding():
    voices = [
        Voice(name, "out", i, bend_range_cents=1200.0, tuning_from="computer")
        for i, name in enumerate(NAMES)
    ]
    case = EngineHarness(small_rig(voices, inputs=(KEYS, COMPUTER)), (Scene("one", hold="none"),))
    case.hear(NoteOn(0, 60, 100))
    taken_s = []
    for cents in range(20):
        dump = SysEx(bulk([100.0 * key + cents for key in range(128)]))
        begin_s = time.perf_counter()
        case.hear(dump, "computer")
        taken_s.append(time.perf_counter() - begin_s)
    assert commanded(case, "bell") == pytest.approx(6019.0, abs=WORD_STEP_CENTS)
    assert min(taken_s) < 0.005
