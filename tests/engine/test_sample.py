"""Hold ``sample``: the pitch is read at the trigger; keys open and close gates (design, *Hold*)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.clocked_engine import BAR, BEAT, KEY, TICK_S, ClockedEngineHarness
from zerobeat.engine import commands
from zerobeat.engine.settings import Converter, Scene, Trigger, Voice, VoiceSettings, Zone
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.scale import preset

WIDE = Converter(gate_gap_s=0.0, bend_range_cents=2400.0)
VOICES = tuple(Voice(n, "out", i, bend_range_cents=2400.0) for i, n in enumerate(("reed", "horn")))
FROZEN = Scene("frozen", hold="sample", triggers=(BEAT,))


def playing(scene: Scene = FROZEN, *more: Scene) -> ClockedEngineHarness:
    return ClockedEngineHarness(scene, *more, voices=VOICES, converter=WIDE)


def test_nothing_was_sampled_yet_so_the_key_is_read_at_once():
    case = playing()
    case.key(60)
    assert case.pitches() == [6000.0, 6000.0]
    assert case.on() == [(0, 60), (1, 60)]


def test_keys_open_and_close_gates_at_the_pitch_that_was_sampled():
    case = playing()
    case.key(60)
    case.up(60)
    assert case.gates() == []
    case.key(64)
    assert case.gates() == [(0, 60), (1, 60)]
    case.key(67)
    assert case.gates() == [(0, 60), (1, 60)]
    case.up(67)
    case.up(64)
    assert case.gates() == []


def test_the_key_is_read_at_the_trigger_without_a_new_attack():
    case = playing()
    case.key(60)
    case.key(64)
    case.sent.clear()
    case.hear(commands.TriggerNow(), "")
    assert case.pitches() == [6400.0, 6400.0]
    assert [type(m) for m in case.heard()] == [PitchBend, PitchBend]


def test_each_voice_reads_its_own_key():
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(1,)))
    case = playing(replace(FROZEN, zones=zones))
    case.key(60)
    case.key(48, channel=1)
    case.key(64)
    case.key(50, channel=1)
    assert case.pitches() == [6000.0, 4800.0]
    case.hear(commands.TriggerNow(), "")
    assert case.pitches() == [6400.0, 5000.0]


def test_with_no_key_down_the_last_one_is_read():
    case = playing()
    case.key(60)
    case.up(60)
    case.key(64)
    case.up(64)
    case.hear(commands.TriggerNow(), "")
    assert case.gates() == []
    case.key(50)
    assert case.gates() == [(0, 64), (1, 64)]


def test_a_return_to_a_held_key_waits_for_the_trigger_too():
    case = playing()
    case.key(60)
    case.key(64)
    case.hear(commands.TriggerNow(), "")
    case.up(64)
    assert case.pitches() == [6400.0, 6400.0]
    case.hear(commands.TriggerNow(), "")
    assert case.pitches() == [6000.0, 6000.0]


# ---------------------------------------------------------------- by the clock


def test_the_key_is_read_three_milliseconds_after_the_clock():
    case = playing()
    case.key(60)
    case.key(64)
    case.start()
    case.ticks(1)
    clock_s = case.now_s
    assert case.pitches() == [6000.0, 6000.0]
    case.sent.clear()
    case.pass_time(0.01)
    assert case.pitches() == [6400.0, 6400.0]
    assert {round(at_s - clock_s, 6) for at_s, _, _ in case.sent} == {0.003}


@pytest.mark.parametrize("after_ms", [0.0, 1.0, 2.9])
def test_the_note_that_comes_after_its_clock_byte_is_read_with_it(after_ms):
    case = playing()
    case.start()
    case.ticks(24)
    case.key(60, 0.005)
    case.ticks(1)
    case.sent.clear()
    case.key(67, after_ms / 1000.0)
    assert case.on() == [(0, 67), (1, 67)]  # struck once, at its own pitch
    case.pass_time(0.01)
    assert case.on() == [(0, 67), (1, 67)]
    assert case.pitches() == [6700.0, 6700.0]


def test_a_note_after_the_reading_waits_for_the_next_trigger():
    case = playing()
    case.start()
    case.ticks(24)
    case.key(60, 0.005)
    case.ticks(1)
    case.key(67, 0.0031)
    assert case.pitches() == [6000.0, 6000.0]
    case.ticks(24)
    case.pass_time(0.004)
    assert case.pitches() == [6700.0, 6700.0]


def test_a_chord_on_one_voice_after_the_clock_byte_gives_its_last_key():
    case = playing()
    case.start()
    case.ticks(24)
    case.key(60, 0.005)
    case.ticks(1)
    case.key(64, 0.001)
    case.key(67, 0.001)
    case.pass_time(0.01)
    assert case.pitches() == [6700.0, 6700.0]


def test_the_delay_is_the_scenes_own():
    case = playing(replace(FROZEN, sample_delay_ms=0.0))
    case.key(60)
    case.key(64)
    case.start()
    case.ticks(1)
    assert case.pitches() == [6400.0, 6400.0]


def test_an_event_that_is_heard_late_finds_the_keys_read_in_time():
    """Same events and times give the same bytes, however late the loop wakes (invariant 3)."""
    case = playing()
    case.start()
    case.ticks(24)
    case.key(60, 0.005)
    case.ticks(1)
    outputs: list = []  # no wake in between
    case.engine.receive(NoteOn(0, 67, 100), "keys", case.now_s + 0.005, outputs)
    assert case.pitches() == [6000.0, 6000.0]


def test_settings_land_with_the_reading_and_not_before_it():
    case = playing()
    case.key(60)
    case.key(64)
    case.change(semitones=2)
    case.start()
    case.sent.clear()
    case.ticks(1)
    assert case.heard() == []
    assert case.semitones() == [2, 2]
    case.pass_time(0.01)
    assert case.pitches() == [6600.0, 6600.0]
    assert len(case.bends()) == 2


def test_a_late_change_is_heard_with_the_reading_too():
    case = playing()
    case.key(60)
    case.key(64)
    case.start()
    case.ticks(1)
    case.sent.clear()
    case.change(0.001, semitones=2)
    assert (case.semitones(), case.heard()) == ([2, 2], [])
    case.pass_time(0.01)
    assert case.pitches() == [6600.0, 6600.0]


def test_a_key_just_before_the_beat_brings_the_reading_on_and_is_read():
    case = playing()
    case.start()
    case.ticks(48)
    case.key(60, 0.0)
    assert case.pitches() == [6000.0, 6000.0]
    case.ticks(24)
    case.sent.clear()
    case.key(64, TICK_S - 0.004)
    assert case.on() == [(0, 64), (1, 64)]
    case.ticks(1)
    case.pass_time(0.01)
    assert case.on() == [(0, 64), (1, 64)]


# ---------------------------------------------------------------- by keys and notes


def test_by_a_key_each_key_is_read_as_it_is_struck():
    case = playing(replace(FROZEN, triggers=(KEY,)))
    for key in (60, 64, 67):
        case.key(key)
    assert case.on() == [(0, 60), (1, 60), (0, 64), (1, 64), (0, 67), (1, 67)]


def test_by_a_key_the_other_voices_read_theirs():
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(1,)))
    beat = replace(FROZEN, zones=zones, triggers=(Trigger("remote_note", input="keys", note=36),))
    case = playing(beat)
    case.key(60)
    case.key(48, channel=1)
    case.key(64)
    case.key(36, channel=1)
    assert case.pitches() == [6400.0, 3600.0]


def test_by_a_key_the_other_voices_have_read_theirs_before_it_strikes():
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(1,)))
    case = playing(
        replace(FROZEN, zones=zones, triggers=(Trigger("remote_note", input="keys", note=70),))
    )
    case.key(60)
    case.key(48, channel=1)
    case.key(50, channel=1)
    case.key(70)  # reed's
    made = [(type(m), m.channel) for _, m in case.made[-1]]
    assert made.index((PitchBend, 1)) < made.index((NoteOn, 0))


def test_by_a_key_a_voice_whose_priority_keeps_another_key_reads_that():
    voices = {"reed": VoiceSettings(priority="lowest")}
    case = playing(
        replace(FROZEN, triggers=(Trigger("remote_note", input="steps"),), voices=voices)
    )
    case.key(64)
    case.key(60)
    assert case.pitches() == [6400.0, 6400.0]
    case.key(67, source="steps")
    assert case.pitches() == [6000.0, 6700.0]


# ---------------------------------------------------------------- regate


def test_regate_opens_the_gates_again_at_the_trigger():
    case = playing(replace(FROZEN, regate=True))
    case.key(60)
    case.key(64)
    case.sent.clear()
    case.hear(commands.TriggerNow(), "")
    assert case.off() == [(0, 60), (1, 60)]
    assert case.on() == [(0, 64), (1, 64)]
    case.up(64)
    case.up(60)
    case.sent.clear()
    case.hear(commands.TriggerNow(), "")
    assert case.heard() == []  # no key, no gate


def test_regate_strikes_once_for_a_note_on_the_beat():
    case = playing(replace(FROZEN, regate=True))
    case.start()
    case.ticks(10)
    case.key(60, 0.005)
    case.ticks(15)
    case.sent.clear()
    case.key(67, 0.001)
    case.pass_time(0.01)
    assert case.on() == [(0, 67), (1, 67)]


def test_regate_opens_gates_of_legato_voices_too():
    voices = dict.fromkeys(("reed", "horn"), VoiceSettings(legato=True))
    case = playing(replace(FROZEN, regate=True, voices=voices))
    case.key(60)
    case.sent.clear()
    case.hear(commands.TriggerNow(), "")
    assert case.on() == [(0, 60), (1, 60)]


def test_a_pitch_beyond_the_bend_waits_shown_for_the_next_note():
    narrow = (Voice("reed", "out", 0, bend_range_cents=200.0),)
    case = ClockedEngineHarness(FROZEN, voices=narrow)
    case.key(60)
    case.key(67)
    case.hear(commands.TriggerNow(), "")
    assert case.state("reed").move_waits
    assert case.gates() == [(0, 60)]
    case.key(50)
    assert case.gates() == [(0, 67)]
    assert not case.state("reed").move_waits


# ---------------------------------------------------------------- the wheel


def test_the_smooth_wheel_stays_live():
    case = playing()
    case.key(60)
    case.key(64)
    case.sent.clear()
    case.hear(PitchBend(0, 4096))  # half of 200 cents
    assert case.bends() == [341, 341]  # 100 of 2400 cents: 8192 / 24, rounded
    case.hear(commands.TriggerNow(), "")
    assert case.bends()[2:] == [1707, 1707]  # 500 cents


def test_the_staircase_of_a_stepped_wheel_is_exact():
    """A slow wheel over a whole-tone scale: each reading is a degree, never between."""
    voices = {"reed": VoiceSettings(scale=preset("whole tone"), wheel="stepped")}
    case = playing(replace(FROZEN, voices=voices))
    case.key(60)
    heard = []
    for step in range(0, 8192, 64):  # 0 to 200 cents, twice
        case.hear(PitchBend(0, step))
        if step % 1024 == 0:
            before = case.state("reed").commanded_cents
            case.hear(PitchBend(0, step))
            assert case.state("reed").commanded_cents == before
            case.hear(commands.TriggerNow(), "")
            heard.append(case.state("reed").commanded_cents)
    # 25.003 cents a reading (8191 is 200); the border to the next whole tone lies at 100.
    assert heard == [6000.0] * 4 + [6200.0] * 4


def test_the_stepped_wheel_is_read_with_the_key():
    voices = {"reed": VoiceSettings(scale=preset("chromatic"), wheel="stepped")}
    case = playing(replace(FROZEN, voices=voices))
    case.key(60)
    case.hear(PitchBend(0, 8191))
    assert case.pitches()[0] == 6000.0
    case.start()
    case.ticks(1)
    case.hear(PitchBend(0, 4096), after_s=0.002)  # still before the reading
    case.pass_time(0.01)
    assert case.pitches()[0] == 6100.0
    case.hear(PitchBend(0, 0))
    assert case.pitches()[0] == 6100.0


# ---------------------------------------------------------------- in and out of it


def test_a_scene_without_sample_lets_the_pitch_follow_the_keys_again():
    case = playing(FROZEN, Scene("morning"))
    case.key(60)
    case.key(64)
    case.hear(commands.RecallScene("morning"), "")
    case.hear(commands.TriggerNow(), "")
    case.key(67)
    assert case.pitches() == [6700.0, 6700.0]


def test_a_voice_alone_may_sample():
    scene = Scene("half", hold="trigger", voices={"horn": VoiceSettings(hold="sample")})
    case = playing(scene)
    case.key(60)
    case.key(64)
    assert case.pitches() == [6400.0, 6000.0]
    case.hear(commands.TriggerNow(), "")
    assert case.pitches() == [6400.0, 6400.0]


def test_another_hold_by_command_follows_the_keys_from_the_next_one():
    case = playing()
    case.key(60)
    case.key(64)
    case.hear(commands.ChangeScene((("hold", "note"),)), "")
    assert case.pitches() == [6000.0, 6000.0]
    case.key(65)
    assert case.pitches() == [6500.0, 6500.0]


def test_a_drone_samples_with_its_gate_low():
    drone = (Voice("floor", "out", 0, bend_range_cents=2400.0, gate_ignored=True),)
    case = ClockedEngineHarness(FROZEN, voices=drone, converter=WIDE)
    case.key(48)
    case.up(48)
    case.key(50)
    assert case.pitches() == [4800.0]
    case.hear(commands.TriggerNow(), "")
    assert case.pitches() == [5000.0]
    case.up(50)
    assert case.gates() == []


def test_keys_kept_by_sustain_and_lost_inputs_hang_nothing():
    case = playing(replace(FROZEN, regate=True))
    case.hear(ControlChange(0, 64, 127))
    case.key(60)
    case.up(60)
    case.start()
    case.ticks(1)
    case.hear(commands.SourceLost("keys"), "")  # before the reading
    case.pass_time(0.01)
    assert case.gates() == []
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_a_bar_and_a_beat_that_fall_together_strike_once():
    case = playing(replace(FROZEN, regate=True, triggers=(BAR, BEAT)))
    case.key(60)
    case.start()
    case.sent.clear()
    case.ticks(1)
    case.pass_time(0.01)
    assert case.on() == [(0, 60), (1, 60)]
