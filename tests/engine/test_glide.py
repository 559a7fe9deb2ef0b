"""Glides: the way to a new pitch, straight in sounding cents whatever the curve."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine.commands import (
    ChangeTonight,
    ChangeVoice,
    OutputBack,
    OutputLost,
    Panic,
    PlayRaw,
    Reload,
    TriggerNow,
    UseProfile,
)
from zerobeat.engine.glide import Glide, new_glide
from zerobeat.engine.glide_controls import controller_ms
from zerobeat.engine.mpe_zones import MpeSettings
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import Converter, Input, Scene, Voice, VoiceSettings, Zone
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.tracking import Reading, TrackingCurve

OCTAVE = Converter(bend_range_cents=1200.0, gate_gap_s=0.0)
DIN_OCTAVE = replace(OCTAVE, bytes_per_second=3125)
STEP_CENTS = 1200.0 / 8192.0
CURVE = TrackingCurve.from_readings(
    [Reading(100.0 * k, 0.5 * (k - 60) + 12.0 * math.sin(k / 4.0), 0.05) for k in range(20, 110, 2)]
)
GLIDES = VoiceSettings(glide_ms=200.0, glide="by_time")


class Gliding(EngineHarness):
    """One voice, or several, and the pitch that leaves for them, by time."""

    def __init__(
        self, settings=GLIDES, converter=OCTAVE, curve=None, voices=1, source=KEYS, **more
    ):
        scene = {k: more.pop(k) for k in ("zones", "hold", "triggers", "late_ms") if k in more}
        inputs = more.pop("inputs", (source,))
        names = ("reed", "horn", "glass", "bass")[:voices]
        facts = {"bend_range_cents": converter.bend_range_cents, "curve": curve, **more}
        rig = small_rig(
            [Voice(name, "out", i, **facts) for i, name in enumerate(names)],
            converter=converter,
            inputs=inputs,
        )
        scene.setdefault("hold", "none")
        super().__init__(rig, (Scene("one", voices=dict.fromkeys(names, settings), **scene),))
        self.curve = curve
        self.reach_cents = converter.bend_range_cents

    def path(self, channel=0):
        """Return (seconds, cents that sound) of all that left for a channel, and its notes."""
        note, bend = None, 0
        found = []
        for at_s, _, message in self.sent:
            if getattr(message, "channel", None) != channel:
                continue
            if isinstance(message, PitchBend):
                bend = message.bend
            elif isinstance(message, NoteOn):
                note = message.note
            if note is None:
                continue
            if isinstance(message, NoteOn) and found and found[-1][0] == at_s:
                found.pop()  # the bend that belongs to this note
            sent = 100.0 * note + bend * self.reach_cents / 8192.0
            found.append((at_s, sent if self.curve is None else self.curve.sounding(sent)))
        return found

    def now(self, channel=0):
        return self.path(channel)[-1][1]

    def key(self, key, after_s=0.01, channel=0):
        self.hear(NoteOn(channel, key, 100), "keys", after_s)
        return self.now_s

    def up(self, key, after_s=0.01):
        self.hear(NoteOff(0, key), "keys", after_s)

    def bends_since(self, at_s):
        return [(t, m.bend) for t, _, m in self.sent if isinstance(m, PitchBend) and t > at_s]


# ---------------------------------------------------------------- the way


@pytest.mark.parametrize("shape", ["straight", "rc"])
def test_a_glide_begins_where_the_voice_is_and_ends_at_its_pitch(shape):
    glide = Glide(1.0, 0.5, -1200.0, shape == "rc")
    assert glide.cents_at(0.9) == glide.cents_at(1.0) == pytest.approx(-1200.0)
    assert glide.cents_at(1.5) == glide.cents_at(99.0) == 0.0
    assert glide.cents_at(1.5 - 1e-9) == pytest.approx(0.0, abs=1e-3)
    middle = glide.cents_at(1.25)
    assert middle == pytest.approx(-600.0 if shape == "straight" else -1200.0 / (1 + math.e**2.5))
    rate = (glide.cents_at(1.2001) - glide.cents_at(1.2)) / 0.0001
    assert glide.cents_a_second(1.20005) == pytest.approx(rate, rel=1e-4)


def test_the_time_is_for_an_octave_or_for_the_whole_way():
    by_octave = VoiceSettings(glide_ms=200.0)
    assert new_glide(by_octave, 200.0, 600.0, 0.0).ends_s == pytest.approx(0.1)
    assert new_glide(GLIDES, 200.0, 600.0, 0.0).ends_s == pytest.approx(0.2)
    assert new_glide(GLIDES, 0.0, 600.0, 0.0) is None
    assert new_glide(GLIDES, 200.0, 0.0, 0.0) is None


@pytest.mark.parametrize("curve", [None, CURVE], ids=["perfect", "tracks badly"])
@pytest.mark.parametrize("shape", ["straight", "rc"])
@pytest.mark.parametrize("converter", [OCTAVE, DIN_OCTAVE], ids=["usb", "din"])
def test_the_path_is_that_of_the_shape_in_sounding_cents(curve, shape, converter):
    case = Gliding(replace(GLIDES, glide_shape=shape), converter, curve)
    case.key(48)
    case.up(48)
    begun_s = case.key(60)
    case.pass_time(0.3)
    wanted = Glide(begun_s, 0.2, -1200.0, shape == "rc")
    path = [(t, p) for t, p in case.path() if t >= begun_s]
    assert path[0][1] == pytest.approx(4800.0, abs=STEP_CENTS)
    for at_s, cents in path:
        assert cents == pytest.approx(6000.0 + wanted.cents_at(at_s), abs=0.75 * STEP_CENTS)
    assert case.now() == pytest.approx(6000.0, abs=0.6 * STEP_CENTS)


def test_steps_are_as_small_as_the_output_allows():
    """The figures of an octave in 0.2 s: 12 cents on a DIN cable, 1.5 ms on USB."""
    for converter in (DIN_OCTAVE, OCTAVE):
        case = Gliding(converter=converter)
        case.key(48)
        case.up(48)
        begun_s = case.key(60)
        case.pass_time(0.3)
        path = [(t, p) for t, p in case.path() if begun_s <= t <= begun_s + 0.2]
        steps = [b - a for (_, a), (_, b) in pairwise(path)]
        gaps = [b - a for (a, _), (b, _) in pairwise(path)]
        if converter is DIN_OCTAVE:
            assert max(steps) <= 12.0
            assert 3 * len(path) <= 0.6 * 3125 * 0.2 + 6
        else:
            assert max(gaps[1:]) <= 0.0015


def test_all_glides_of_a_cable_share_it_and_leave_a_part_of_it_free():
    case = Gliding(converter=DIN_OCTAVE, voices=4)
    case.key(48)
    case.up(48)
    case.pass_time(0.1)
    begun_s = case.key(60)
    case.pass_time(0.25)
    bends = [m for t, _, m in case.sent if isinstance(m, PitchBend) and t > begun_s + 0.02]
    by_voice = [sum(m.channel == channel for m in bends) for channel in range(4)]
    assert max(by_voice) - min(by_voice) <= 1
    assert 3 * len(bends) <= 0.6 * 3125 * 0.18 + 15
    for channel in range(4):
        assert case.now(channel) == pytest.approx(6000.0, abs=STEP_CENTS)


def test_a_slow_glide_moves_by_single_steps_and_no_more_often():
    case = Gliding(replace(GLIDES, glide_ms=60_000.0))
    case.key(59)
    case.up(59)
    begun_s = case.key(60)
    case.pass_time(2.0)
    bends = case.bends_since(begun_s)
    assert all(abs(b - a) == 1 for (_, a), (_, b) in pairwise(bends))
    assert len(bends) == pytest.approx(2.0 * 100.0 / 60.0 / STEP_CENTS, abs=2)


def test_a_slow_glide_ends_in_time():
    case = Gliding(replace(GLIDES, glide_ms=1000.0))
    case.key(60)
    case.up(60)
    case.hear(ChangeVoice("reed", (("detune_cents", -4.0),)), "")
    case.key(60)  # four cents lower: a step each 37 ms
    case.pass_time(0.99)
    assert case.engine.wake_at_s is not None
    case.pass_time(0.0101)
    assert case.engine.wake_at_s is None
    assert case.now() == pytest.approx(5996.0, abs=STEP_CENTS)


# ---------------------------------------------------------------- when it glides


def test_legato_alone_glides_only_from_a_key_that_is_down():
    case = Gliding(replace(GLIDES, glide_when="legato"))
    case.key(55)
    case.up(55)
    case.key(60)
    assert case.now() == pytest.approx(6000.0)
    case.key(62)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6200.0, abs=STEP_CENTS)
    case.up(62)  # back to the key that is still down
    assert case.now() == pytest.approx(6200.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_the_first_note_of_all_does_not_glide():
    case = Gliding()
    begun_s = case.key(60)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6000.0)
    assert case.bends_since(begun_s) == []


def test_a_legato_voice_glides_without_another_note():
    case = Gliding(replace(GLIDES, legato=True))
    case.key(60)
    case.key(67)
    case.pass_time(0.3)
    assert case.on() == [(0, 60)]
    assert case.now() == pytest.approx(6700.0, abs=STEP_CENTS)


def test_a_legato_voice_is_struck_anew_where_its_number_does_not_reach():
    case = Gliding(replace(GLIDES, legato=True))
    case.key(48)
    case.key(65)  # 17 semitones; the bend range is 12
    assert case.off() == [(0, 48)]
    assert case.now() == pytest.approx(4800.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6500.0, abs=STEP_CENTS)


def test_a_legato_voice_whose_notes_may_overlap_arrives_at_once_there():
    case = Gliding(replace(GLIDES, legato=True), converter=replace(OCTAVE, overlap="legato"))
    case.key(48)
    begun_s = case.key(65)
    assert case.now() == pytest.approx(6500.0, abs=STEP_CENTS)
    assert len(case.gates()) == 1
    case.pass_time(0.3)
    assert case.bends_since(begun_s) == []
    assert case.state("reed").glides_missed == 1


def test_what_the_bend_cannot_reach_arrives_by_a_new_note_at_once():
    case = Gliding(converter=replace(OCTAVE, bend_range_cents=200.0))
    case.key(48)
    case.up(48)
    begun_s = case.key(60)
    assert case.on()[-1] == (0, 60)
    assert case.now() == pytest.approx(6000.0)
    case.pass_time(0.3)
    assert case.bends_since(begun_s) == []
    assert case.state("reed").glides_missed == 1


def test_a_number_between_carries_twice_the_bend_range():
    case = Gliding()
    case.key(40)
    case.up(40)
    case.key(60)
    assert case.on()[-1] == (0, 52)
    assert case.now() == pytest.approx(4000.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_numbers_change_on_the_way_only_if_the_rig_asks():
    narrow = replace(OCTAVE, bend_range_cents=200.0, overlap="legato")
    for across in (False, True):
        case = Gliding(converter=replace(narrow, glide_across_notes=across))
        case.key(48)
        case.up(48)
        begun_s = case.key(60)
        case.pass_time(0.3)
        notes = [note for _, note in case.on()]
        assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)
        if not across:
            assert notes == [48, 60]
            continue
        assert notes == sorted(notes) and 4 <= len(notes) <= 6
        assert len(case.gates()) == 1
        path = [(t, p) for t, p in case.path() if t >= begun_s]
        wanted = Glide(begun_s, 0.2, -1200.0, False)
        off = [abs(p - 6000.0 - wanted.cents_at(t)) for t, p in path]
        # Between a bend and its note-on the old number chirps: that is why the rig must ask.
        assert sum(one > 1.0 for one in off) <= len(notes)
        case.up(60)
        assert case.gates() == []


# ---------------------------------------------------------------- on the way


def test_a_note_struck_on_the_way_glides_on_from_there():
    case = Gliding()
    case.key(48)
    case.up(48)
    case.key(60)
    case.pass_time(0.1)
    assert case.now() == pytest.approx(5400.0, abs=7.0)
    case.key(55, 0.0)
    assert case.now() == pytest.approx(5400.0, abs=7.0)
    case.pass_time(0.1)
    assert case.now() == pytest.approx(5450.0, abs=7.0)
    case.pass_time(0.2)
    assert case.now() == pytest.approx(5500.0, abs=STEP_CENTS)


def test_a_note_released_on_the_way_stays_there_and_the_next_begins_there():
    case = Gliding()
    case.key(48)
    case.up(48)
    case.key(60)
    case.pass_time(0.1)
    case.up(60, 0.0)
    left = case.now()
    up_s = case.now_s
    case.pass_time(1.0)
    assert case.bends_since(up_s) == []  # the bend is left alone (B2)
    case.key(60)
    assert case.now() == pytest.approx(left, abs=STEP_CENTS)


def test_through_its_tail_a_released_note_glides_on():
    case = Gliding(tail_s=0.05)
    case.key(48)
    case.up(48)
    begun_s = case.key(60, 0.1)
    case.pass_time(0.1)
    case.up(60, 0.0)
    case.pass_time(1.0)
    last = case.bends_since(begun_s)[-1][0]
    assert last == pytest.approx(begun_s + 0.15, abs=0.002)
    left = case.now()
    assert left == pytest.approx(5700.0, abs=10.0)
    case.key(60)
    assert case.now() == pytest.approx(left, abs=STEP_CENTS)


def test_a_drone_glides_to_its_end_with_the_gate_low():
    case = Gliding(gate_ignored=True)
    case.key(48)
    case.up(48)
    case.key(55)
    case.up(55)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(5500.0, abs=STEP_CENTS)
    assert case.gates() == []


def test_a_stolen_voice_glides_to_its_new_key():
    case = Gliding(voices=2, zones=(Zone(("reed", "horn"), "rotate"),))
    for key in (48, 60, 55):
        case.key(key)
    assert case.now(0) == pytest.approx(4800.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now(0) == pytest.approx(5500.0, abs=STEP_CENTS)
    assert case.now(1) == pytest.approx(6000.0, abs=STEP_CENTS)


def test_a_setting_that_lands_moves_the_way_and_its_end():
    case = Gliding()
    case.key(48)
    case.up(48)
    begun_s = case.key(55)
    case.hear(ChangeVoice("reed", (("semitones", 2),)), "", 0.1)
    assert case.now() == pytest.approx(4800.0 + 350.0 + 200.0, abs=8.0)
    case.hear(ChangeTonight(concert_a_hz=445.0), "", 0.05)
    case.pass_time(0.2)
    sharp = 1200.0 * math.log2(445 / 440)
    assert case.now() == pytest.approx(5700.0 + sharp, abs=STEP_CENTS)
    assert case.bends_since(begun_s)[-1][0] == pytest.approx(begun_s + 0.2, abs=0.002)


def test_a_landing_out_of_the_bends_reach_waits_and_the_glide_goes_on():
    case = Gliding()
    case.key(48)
    case.up(48)
    case.key(55)
    case.hear(ChangeVoice("reed", (("octaves", 3),)), "", 0.1)
    assert case.state("reed").move_waits
    case.pass_time(0.3)
    assert case.now() == pytest.approx(5500.0, abs=STEP_CENTS)


def test_a_landing_that_puts_the_way_out_of_reach_ends_the_glide():
    case = Gliding()
    case.key(48)
    case.up(48)
    case.key(60)
    case.hear(ChangeVoice("reed", (("semitones", -3),)), "")
    assert case.now() == pytest.approx(5700.0, abs=STEP_CENTS)
    at_s = case.now_s
    case.pass_time(0.3)
    assert case.bends_since(at_s) == []


def test_a_sampled_key_out_of_reach_waits_and_moves_nothing():
    case = Gliding(hold="sample", late_ms=0.0, converter=replace(OCTAVE, bend_range_cents=200.0))
    case.key(50)
    case.key(70)
    case.hear(TriggerNow(), "")
    at_s = case.now_s
    case.pass_time(0.3)
    assert case.state("reed").move_waits
    assert case.bends_since(at_s) == []


def test_a_wheel_on_the_way_is_added():
    case = Gliding()
    case.key(48)
    case.up(48)
    case.key(55)
    case.hear(PitchBend(0, 4096), "keys", 0.1)
    assert case.now() == pytest.approx(4800.0 + 350.0 + 100.0, abs=8.0)
    case.pass_time(0.2)
    assert case.now() == pytest.approx(5600.0, abs=STEP_CENTS)


def test_a_finger_on_the_way_is_added_and_glides_begin_where_it_was():
    source = Input("keys", "Finger Grid:1", mpe=MpeSettings(lower_members=15))
    case = Gliding(source=source)
    case.key(55, channel=1)
    case.hear(PitchBend(1, round(300 * 8191 / 4800)), "keys")  # sounds three semitones higher
    case.key(55, channel=2)
    assert case.now() == pytest.approx(5800.0, abs=1.0)
    case.hear(PitchBend(2, round(100 * 8191 / 4800)), "keys", 0.1)
    assert case.now() == pytest.approx(5500.0 + 150.0 + 100.0, abs=5.0)
    case.pass_time(0.2)
    assert case.now() == pytest.approx(5600.0, abs=1.0)


def test_a_glide_to_a_sampled_key_begins_at_the_trigger():
    case = Gliding(hold="sample", late_ms=0.0)
    case.key(50)
    case.key(57)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(5000.0)
    case.hear(TriggerNow(), "")
    assert case.now() == pytest.approx(5000.0, abs=STEP_CENTS)
    case.pass_time(0.1)
    assert case.now() == pytest.approx(5350.0, abs=8.0)
    case.pass_time(0.2)
    assert case.now() == pytest.approx(5700.0, abs=STEP_CENTS)


def test_new_settings_count_from_the_next_glide():
    case = Gliding()
    case.key(48)
    case.up(48)
    begun_s = case.key(55)
    case.hear(ChangeVoice("reed", (("glide_ms", 0.0),)), "", 0.1)
    case.pass_time(0.3)
    assert case.bends_since(begun_s)[-1][0] == pytest.approx(begun_s + 0.2, abs=0.002)
    case.up(55)
    case.key(60)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


# ---------------------------------------------------------------- what else may happen


@pytest.mark.parametrize(
    "what",
    [
        lambda case: Panic(),
        lambda case: OutputLost("out"),
        lambda case: UseProfile("reed", CURVE),
        lambda case: Reload(case.engine.rig, case.engine.live.bank.values()),
        lambda case: Reload(
            replace(case.engine.rig, voices=case.engine.rig.voices[1:]),
            case.engine.live.bank.values(),
        ),
    ],
)
def test_a_glide_that_is_cut_short_leaves_nothing_behind(what):
    case = Gliding(voices=2)
    case.key(48)
    case.up(48)
    case.key(60)
    case.hear(what(case), "", 0.05)
    case.pass_time(0.5)
    case.hear(OutputBack("out"), "")
    case.pass_time(0.5)
    assert case.engine.wake_at_s is None
    case.stop()
    assert case.gates() == []
    case.key(62)
    case.pass_time(0.5)
    assert len(case.gates()) == len(case.engine.states)
    assert case.engine.wake_at_s is None


def test_measuring_ends_a_glide():
    case = Gliding(tail_s=5.0)
    case.key(48)
    case.key(60)
    case.up(60, 0.01)
    case.up(48, 0.01)
    case.hear(PlayRaw("reed", 70, 0.0), "", 0.01)
    at_s = case.now_s
    case.pass_time(0.5)
    assert case.bends_since(at_s) == []
    assert case.now() == pytest.approx(7000.0)


def test_a_note_is_not_later_for_the_glides_of_others():
    """On a DIN cable with three voices on their way, a fourth is struck at once."""
    heard = []
    for glide_ms in (0.0, 400.0):
        names = ("reed", "horn", "glass", "bass")
        zones = (Zone(names[:3], lowest_key=40), Zone(names[3:], highest_key=39))
        case = Gliding(replace(GLIDES, glide_ms=glide_ms), DIN_OCTAVE, voices=4, zones=zones)
        case.key(48)
        case.up(48)
        case.pass_time(0.1)
        case.key(60)
        case.pass_time(0.1)
        down_s = case.key(30, 0.0)
        at_s = next(t for t, _, m in case.sent if m == NoteOn(3, 30, 100))
        heard.append(at_s - down_s)
    assert heard == [0.0, 0.0]


# ---------------------------------------------------------------- controllers 5, 65 and 84

CONTROLLED = replace(KEYS, glide_controllers=True)


def control(case, controller, value):
    case.hear(ControlChange(0, controller, value), "keys")


def test_controllers_5_and_65_rule_where_the_rig_lets_them():
    case = Gliding(VoiceSettings(glide="by_time"), source=CONTROLLED)
    control(case, 5, 64)
    case.key(55)
    case.key(60)
    assert case.now() == pytest.approx(6000.0)  # 65 has not said so, nor have the settings
    control(case, 65, 127)
    case.key(67)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)
    case.pass_time(controller_ms(64) / 2000.0)
    assert case.now() == pytest.approx(6350.0, abs=2.0)
    control(case, 65, 63)
    case.key(60)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_controllers_of_a_plain_keyboard_rule_nothing():
    case = Gliding(GLIDES)
    control(case, 65, 0)
    control(case, 5, 0)
    case.key(55)
    case.key(60)
    assert case.now() == pytest.approx(5500.0, abs=STEP_CENTS)


def test_controller_84_moves_a_sounding_note():
    """MIDI 1.0 Detailed Specification 4.2.1, p. 17, example 1."""
    case = Gliding(GLIDES, source=CONTROLLED)
    case.key(60)
    control(case, 84, 60)
    assert case.now() == pytest.approx(6000.0)  # no change in current note
    case.key(64)
    assert case.on() == [(0, 60)]  # no new voice
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6400.0, abs=STEP_CENTS)
    case.up(60)
    assert len(case.gates()) == 1  # no change
    case.up(64)
    assert case.gates() == []


def test_controller_84_lets_a_new_note_begin_at_a_key():
    """MIDI 1.0 Detailed Specification 4.2.1, p. 17, example 2; p. 16: whatever 65 says."""
    case = Gliding(GLIDES, source=CONTROLLED)
    control(case, 65, 0)
    control(case, 84, 60)
    case.key(64)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6400.0, abs=STEP_CENTS)
    case.up(64)
    assert case.gates() == []
    case.key(67)  # it counts for one note only
    assert case.now() == pytest.approx(6700.0, abs=STEP_CENTS)


def test_controller_84_rules_even_where_legato_alone_glides():
    case = Gliding(replace(GLIDES, glide_when="legato"), source=CONTROLLED)
    control(case, 84, 60)
    case.key(64)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_controller_84_counts_for_no_return_to_a_key():
    case = Gliding(GLIDES, source=CONTROLLED)
    case.key(55)
    control(case, 84, 60)
    case.key(64)
    case.pass_time(0.3)
    case.up(64)
    assert case.now() == pytest.approx(6400.0, abs=STEP_CENTS)
    control(case, 84, 55)
    case.key(57)  # takes the sounding key there
    case.pass_time(0.3)
    case.key(62)
    assert case.now() == pytest.approx(5700.0, abs=STEP_CENTS)


def test_controller_84_counts_for_no_return_from_the_key_it_moved_to():
    case = Gliding(GLIDES, source=CONTROLLED)
    case.key(55)
    case.key(60)
    control(case, 84, 60)
    case.key(64)
    case.pass_time(0.3)
    case.up(64)
    assert case.now() == pytest.approx(6400.0, abs=STEP_CENTS)


def test_reset_controllers_let_the_settings_rule_again():
    case = Gliding(GLIDES, source=CONTROLLED)
    case.key(60)
    control(case, 65, 0)
    control(case, 84, 40)
    control(case, 121, 0)
    case.key(64)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_controller_84_takes_a_key_that_sustain_keeps_only_once():
    case = Gliding(GLIDES, source=CONTROLLED)
    control(case, 64, 127)
    case.key(64)
    case.up(64)
    case.key(60)
    control(case, 84, 60)
    case.key(64)
    case.up(64)
    control(case, 64, 0)
    assert case.gates() == []


def test_the_wheel_bends_both_ends_of_controller_84():
    """MIDI 1.0 Detailed Specification 4.2.1, p. 16."""
    case = Gliding(GLIDES, source=CONTROLLED)
    case.hear(PitchBend(0, 4096), "keys")
    control(case, 84, 60)
    case.key(64)
    assert case.now() == pytest.approx(6100.0, abs=STEP_CENTS)
    case.pass_time(0.3)
    assert case.now() == pytest.approx(6500.0, abs=STEP_CENTS)


def test_controller_84_in_rotation_moves_the_voice_that_plays_the_key():
    zones = (Zone(("reed", "horn"), "rotate"),)
    case = Gliding(GLIDES, voices=2, zones=zones, source=CONTROLLED)
    case.key(48)
    case.key(60)
    control(case, 84, 48)
    case.key(50)
    case.pass_time(0.3)
    assert case.on() == [(0, 48), (1, 60)]
    assert case.now(0) == pytest.approx(5000.0, abs=STEP_CENTS)
    case.up(50)
    case.up(60)
    assert case.gates() == []


def test_a_glide_begins_when_its_note_can_sound():
    """A converter that settles for 20 ms: none of the way is over before the note-on."""
    case = Gliding(converter=replace(OCTAVE, settle_s=0.02, gate_gap_s=0.01))
    case.key(48)
    case.pass_time(0.1)
    down_s = case.key(60)
    case.pass_time(0.4)
    struck_s = next(t for t, _, m in case.sent if m == NoteOn(0, 60, 100))
    assert struck_s == pytest.approx(down_s + 0.03, abs=1e-6)
    path = [(t, p) for t, p in case.path() if t >= struck_s]
    wanted = Glide(struck_s, 0.2, -1200.0, False)
    for at_s, cents in path:
        assert cents == pytest.approx(6000.0 + wanted.cents_at(at_s), abs=0.75 * STEP_CENTS)


@pytest.mark.parametrize(
    "binding",
    [
        Binding("controller", 11, "set", kind="momentary", setting="glide_ms", to=200.0),
        Binding("controller", 11, "set", kind="trigger", setting="glide_ms", by=200.0),
        Binding(
            "controller",
            11,
            "set",
            kind="follow",
            setting="glide_ms",
            highest=200.0,
            pick_up=False,
        ),
    ],
    ids=lambda binding: binding.kind,
)
def test_a_pedal_sets_the_time_of_glides(binding):
    feet = Input("feet", "Four Feet:1", plays=False)
    case = Gliding(VoiceSettings(glide="by_time"), inputs=(KEYS, feet))
    rig = replace(case.engine.rig, pedalboards={"feet": Pedalboard("Feet", (binding,))})
    case.hear(Reload(rig, case.engine.live.bank.values()), "")
    case.key(55)
    case.hear(ControlChange(0, 11, 127), "feet", 0.1)
    case.key(60)
    assert case.now() == pytest.approx(5500.0, abs=STEP_CENTS)
    case.pass_time(0.1)
    assert case.now() == pytest.approx(5750.0, abs=7.0)
    case.pass_time(0.2)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


def test_a_return_to_the_same_key_of_another_keyboard_strikes_nothing():
    case = Gliding(GLIDES)
    case.key(60)
    case.hear(NoteOn(1, 60, 100))
    case.pass_time(1.0)
    case.sent.clear()
    case.hear(NoteOff(1, 60))
    assert case.on() == []
    assert len(case.engine.ledger.sounding()) == 1


def test_keys_out_of_reach_are_counted_where_a_voice_glides():
    case = Gliding(GLIDES, lowest_note=60)
    for key in (20, 21, 22):
        case.key(key)
    assert case.state("reed").misses == 3


def test_controllers_rule_glides_after_a_reload_too():
    case = Gliding(VoiceSettings(glide="by_time"), source=CONTROLLED)
    scenes = tuple(case.engine.live.bank.values())
    case.hear(Reload(case.engine.rig, scenes), "")
    control(case, 5, 64)
    control(case, 65, 127)
    case.key(60)
    case.key(67)
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)


@pytest.mark.parametrize("cents", [0.005, 0.5, 2.0])
def test_the_least_way_that_is_a_glide(cents):
    assert (new_glide(GLIDES, 200.0, cents, 0.0) is not None) == (cents > 0.01)


def test_a_glide_from_a_silent_voice_waits_for_no_gap():
    case = Gliding(converter=replace(OCTAVE, settle_s=0.02, gate_gap_s=0.05))
    case.key(48)
    case.up(48)
    case.pass_time(0.5)
    down_s = case.key(60)
    glide = case.state("reed").glide
    assert glide.begun_s == pytest.approx(down_s + 0.02)


def test_a_sampled_key_glides_from_an_open_gate_where_legato_alone_glides():
    case = Gliding(replace(GLIDES, glide_when="legato"), hold="sample", late_ms=0.0)
    case.key(50)
    case.key(57)
    case.pass_time(0.3)
    case.hear(TriggerNow(), "")
    assert case.now() == pytest.approx(5000.0, abs=STEP_CENTS)


def test_a_glide_under_way_is_forgotten_by_a_note_that_does_not_glide():
    case = Gliding()
    case.key(50)
    case.key(57)
    case.pass_time(0.05)
    case.hear(ChangeVoice("reed", (("glide_ms", 0.0),)), "")
    case.key(60)
    assert case.state("reed").glide is None
    assert case.now() == pytest.approx(6000.0, abs=STEP_CENTS)
