"""How long a changed setting waits, and what ends the wait (design, *Hold*; invariant 4)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.clocked_engine import BAR, BEAT, KEY, PAD, STEPS, TICK_S, ClockedEngineHarness
from kit.engine_harness import KEYS, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.pending import ends
from zerobeat.engine.settings import (
    Converter,
    Scene,
    Trigger,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.midi import (
    CLOCK,
    CONTINUE,
    STOP,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    ProgramChange,
    SongPosition,
)
from zerobeat.tuning.scale import preset

WIDE = Converter(gate_gap_s=0.0, bend_range_cents=1200.0)
NIGHT = Scene("night", hold="trigger", triggers=(BAR,))
UP = {"reed": VoiceSettings(semitones=7), "horn": VoiceSettings(semitones=7)}
PAD_NOTE = Trigger("remote_note", input="pad", channel=9, note=40)


def scene(hold: str, *triggers: Trigger, **fields: object) -> Scene:
    return Scene("night", hold=hold, triggers=triggers, **fields)  # type: ignore[arg-type]


# ---------------------------------------------------------------- the four holds

# hold, triggers, then what happens after a change of +7 while a key is held on both
# voices: (event, voices that have landed).
NOTHING = ("a beat passes", [0, 0])
HOLDS = [
    ("none", (), [("the change", [7, 7])]),
    (
        "note",
        (),
        [("the change", [0, 0]), NOTHING, ("a note of reed", [7, 0]), ("a note of horn", [7, 7])],
    ),
    (
        "note",
        (BAR, KEY, PAD_NOTE),
        [("trigger", [0, 0]), ("the bar", [0, 0]), ("the pad", [0, 0]), ("a note of reed", [7, 0])],
    ),
    (
        "trigger",
        (),
        [("a note of reed", [0, 0]), ("the bar", [0, 0]), ("the pad", [0, 0]), ("trigger", [7, 7])],
    ),
    (
        "trigger",
        (KEY,),
        [
            ("the bar", [0, 0]),
            ("the pad", [0, 0]),
            ("a key up", [0, 0]),
            ("a note of reed", [7, 7]),
        ],
    ),
    (
        "trigger",
        (BAR,),
        [("a note of reed", [0, 0]), NOTHING, ("the pad", [0, 0]), ("the bar", [7, 7])],
    ),
    ("trigger", (BEAT,), [("a note of reed", [0, 0]), ("a beat passes", [7, 7])]),
    (
        "trigger",
        (PAD_NOTE,),
        [
            ("a note of reed", [0, 0]),
            ("the bar", [0, 0]),
            ("another pad", [0, 0]),
            ("another channel", [0, 0]),
            ("the pad", [7, 7]),
        ],
    ),
    ("trigger", (PAD_NOTE, BAR), [("another pad", [0, 0]), ("the bar", [7, 7])]),
    ("trigger", (PAD_NOTE, BAR), [NOTHING, ("the pad", [7, 7])]),
    ("sample", (BAR,), [("a note of reed", [0, 0]), ("the bar", [7, 7])]),
    ("sample", (), [("the bar", [0, 0]), ("trigger", [7, 7])]),
]


@pytest.mark.parametrize(("hold", "triggers", "steps"), HOLDS)
def test_a_change_lands_when_its_hold_says(hold, triggers, steps):
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(1,)))
    case = ClockedEngineHarness(scene(hold, *triggers, zones=zones))
    case.start()
    case.ticks(30)
    case.key(60)
    case.key(60, channel=1)
    case.change(0.005, semitones=7)
    for event, landed in steps:
        if event == "a beat passes":
            case.ticks(24)
        elif event == "the bar":
            case.ticks(97 - case.clock.next_tick % 96)
        elif event == "a note of reed":
            case.key(62)
        elif event == "a note of horn":
            case.key(62, channel=1)
        elif event == "a key up":
            case.up(60)
        elif event == "trigger":
            case.hear(commands.TriggerNow(), "")
        elif event == "the pad":
            case.key(40, source="pad", channel=9)
        elif event == "another pad":
            case.key(41, source="pad", channel=9)
        elif event == "another channel":
            case.key(40, source="pad", channel=8)
        assert case.semitones() == landed, event
    assert case.gates() and case.on("out") != []


@pytest.mark.parametrize("trigger", ["key", "pad", "steps"])
def test_the_note_that_triggers_already_sounds_with_the_new_settings(trigger):
    triggers = (KEY,) if trigger == "key" else (Trigger("remote_note", input=trigger),)
    case = ClockedEngineHarness(scene("trigger", *triggers), voices=2, converter=WIDE)
    case.key(60)
    case.change(semitones=2)
    case.sent.clear()
    case.key(62, source="keys" if trigger == "key" else trigger)
    if trigger == "pad":  # it does not play: what sounds moves, and nothing is struck
        assert case.pitches() == [6200.0, 6200.0]
        assert case.on() == []
    else:
        assert case.on() == [(0, 64), (1, 64)]


def test_what_lands_is_heard_on_all_voices_before_the_note_that_triggers():
    zones = (Zone(("reed",), channels=(0,)), Zone(("horn",), channels=(1,)))
    case = ClockedEngineHarness(scene("trigger", KEY, zones=zones))
    case.key(60)
    case.key(60, channel=1)
    case.change(detune_cents=50.0)
    case.key(62)  # reed's; the wire may let its note pass the other voice's bend
    kinds = [(type(m).__name__, m.channel) for _, m in case.made[-1]]
    assert kinds.index(("PitchBend", 1)) < kinds.index(("NoteOn", 0))


def test_a_voice_that_the_triggering_key_strikes_is_not_moved_first():
    legato = {"reed": VoiceSettings(legato=True), "horn": VoiceSettings(legato=True)}
    converter = Converter(gate_gap_s=0.0, overlap="legato")
    case = ClockedEngineHarness(
        scene("trigger", KEY, voices=legato),
        voices=(Voice("reed", "out", 0), Voice("horn", "out", 1)),
        converter=converter,
    )
    case.key(60)
    case.change(octaves=1)
    case.sent.clear()
    case.key(62)
    assert case.on() == [(0, 74), (1, 74)]  # once, and not by way of the key before
    assert case.off() == [(0, 60), (1, 60)]


def test_a_voice_that_keeps_another_key_by_its_priority_moves_to_what_landed():
    lowest = {"reed": VoiceSettings(priority="lowest")}
    case = ClockedEngineHarness(scene("trigger", KEY, voices=lowest), voices=1, converter=WIDE)
    case.key(60)
    case.change(semitones=2)
    case.sent.clear()
    case.key(64)
    assert case.pitches() == [6200.0]
    assert case.on() == []


@pytest.mark.parametrize("hold", ["none", "trigger"])
def test_what_the_bend_does_not_reach_is_glided_to_where_notes_may_overlap(hold):
    overlapping = Converter(gate_gap_s=0.0, overlap="legato")
    case = ClockedEngineHarness(scene(hold), voices=1, converter=overlapping)
    case.key(60)
    case.sent.clear()
    case.change(octaves=1)
    case.hear(commands.TriggerNow(), "")
    assert case.on() == [(0, 72)]
    assert case.off() == [(0, 60)]
    assert not case.state("reed").move_waits


def test_a_change_lands_neither_at_the_return_to_a_held_key_nor_at_a_key_up():
    case = ClockedEngineHarness(scene("note"))
    case.key(60)
    case.key(64)
    case.change(semitones=7)
    case.up(64)
    assert case.semitones() == [0, 0]
    assert case.pitches() == [6000.0, 6000.0]
    case.key(65)
    assert case.pitches() == [7200.0, 7200.0]


def test_a_voice_has_a_hold_of_its_own():
    voices = {"horn": VoiceSettings(hold="none")}
    case = ClockedEngineHarness(scene("trigger", BAR, voices=voices))
    case.change(semitones=7)
    assert case.semitones() == [0, 7]
    case.hear(commands.ChangeVoice("horn", (("hold", "note"),)), "")
    case.change(semitones=5)
    assert case.semitones() == [0, 7]
    case.key(60)
    assert case.semitones() == [0, 5]
    case.hear(commands.TriggerNow(), "")
    assert case.semitones() == [5, 5]


def test_a_scenes_own_hold_takes_over_when_it_lands():
    case = ClockedEngineHarness(NIGHT, Scene("morning", hold="none", voices=UP))
    case.hear(commands.RecallScene("morning"), "")
    assert case.semitones() == [0, 0]
    case.hear(commands.TriggerNow(), "")
    assert case.semitones() == [7, 7]
    case.change(semitones=3)
    assert case.semitones() == [3, 3]


def test_a_change_waits_under_the_hold_in_force_when_it_was_asked_for():
    case = ClockedEngineHarness(scene("trigger"))
    case.change(semitones=7)
    case.hear(commands.ChangeScene((("hold", "note"),)), "")
    case.key(60)
    assert case.semitones() == [0, 0]
    case.hear(commands.TriggerNow(), "")
    assert case.semitones() == [7, 7]


def test_the_newest_recall_replaces_what_waits_and_the_active_scene_cancels_it():
    case = ClockedEngineHarness(NIGHT, Scene("one", voices=UP), Scene("two"))
    case.hear(commands.RecallScene("one"), "")
    case.hear(commands.RecallScene("two"), "")
    assert case.engine.live.waiting_scene.name == "two"
    case.hear(commands.RecallScene("night"), "")
    assert case.engine.live.waiting_scene is None
    case.hear(commands.RecallScene("one"), "")
    case.hear(commands.CancelWaiting(), "")
    case.hear(commands.TriggerNow(), "")
    assert (case.engine.live.scene.name, case.semitones()) == ("night", [0, 0])


def test_triggers_rule_at_once_so_that_what_waits_can_be_given_one():
    case = ClockedEngineHarness(scene("trigger"))
    case.start()
    case.ticks(10)
    case.change(semitones=7)
    case.hear(commands.ChangeScene((("triggers", (BEAT,)),)), "")
    case.ticks(24)
    assert case.semitones() == [7, 7]


def test_zones_never_act_on_a_key_that_is_down():
    split = (Zone(("reed",), highest_key=59), Zone(("horn",), lowest_key=60))
    case = ClockedEngineHarness(scene("trigger", BAR), Scene("split", zones=split))
    case.start()
    case.ticks(90)
    case.key(62, 0.005)
    case.hear(commands.RecallScene("split"), "", 0.005)
    case.ticks(20)
    assert case.engine.live.scene.name == "split"
    assert case.gates() == [(0, 62), (1, 62)]
    case.up(62)
    assert case.gates() == []
    case.key(62)
    assert case.gates() == [(1, 62)]


# ---------------------------------------------------------------- the clock


def landing_tick(case: ClockedEngineHarness, most: int = 2000) -> int:
    """Play clocks until the change lands; return the song's tick that it landed on."""
    for _ in range(most):
        case.ticks(1)
        if case.semitones() == [7, 7]:
            return case.clock.next_tick - 1
    raise AssertionError("it never landed")


# time signature, every, unit, asked for after so many ticks, lands on this tick: 24 a quarter.
@pytest.mark.parametrize(
    ("signature", "every", "unit", "asked", "lands"),
    [
        ((4, 4), 1, "bar", 10, 96),
        ((4, 4), 1, "bar", 96, 96),
        ((4, 4), 1, "bar", 97 + 5, 192),
        ((3, 4), 1, "bar", 10, 72),
        ((7, 8), 1, "bar", 10, 84),
        ((7, 8), 2, "bar", 10, 168),
        ((6, 8), 3, "beat", 10, 36),
        ((4, 4), 1, "beat", 10, 24),
        ((4, 4), 3, "beat", 80, 144),
        ((2, 2), 1, "beat", 10, 48),
        ((4, 4), 8, "bar", 100, 768),
    ],
)
def test_every_so_many_beats_and_bars_counted_from_start(signature, every, unit, asked, lands):
    beats, beat_unit = signature
    trigger = Trigger("clock", every=every, unit=unit)
    case = ClockedEngineHarness(scene("trigger", trigger, beats_in_bar=beats, beat_unit=beat_unit))
    case.start()
    case.ticks(asked)
    case.change(0.0, semitones=7)
    assert landing_tick(case) == lands


def test_the_first_clock_after_start_is_a_bar():
    case = ClockedEngineHarness(NIGHT)
    case.change(semitones=7)
    case.start()
    assert case.semitones() == [0, 0]
    case.ticks(1)
    assert case.semitones() == [7, 7]


def test_bars_are_counted_from_song_position():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(10)
    case.hear(STOP, "steps")
    case.hear(SongPosition(14), "steps")  # 84 clocks, a beat and a half before bar 2 ends
    case.change(semitones=7)
    case.ticks(40)  # the song stands
    assert case.semitones() == [0, 0]
    case.hear(CONTINUE, "steps")
    assert landing_tick(case) == 96


@pytest.mark.parametrize("ticks", [0, 200])
def test_stop_lets_it_wait_and_continue_goes_on(ticks):
    """Some sequencers send their clock while the song stands, some don't."""
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(50)
    case.change(semitones=7)
    case.hear(STOP, "steps")
    case.ticks(ticks)
    case.pass_time(20.0)
    assert case.semitones() == [0, 0]
    case.hear(CONTINUE, "steps")
    assert landing_tick(case) == 96


@pytest.mark.parametrize("share", [0.4, 0.7, 1.3, 1.8, 2.5])
def test_the_bar_is_right_after_another_tempo(share):
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    case.change(semitones=7)
    case.ticks(36, TICK_S * share)  # to tick 95
    assert case.semitones() == [0, 0]
    case.ticks(1, TICK_S * share)
    assert case.semitones() == [7, 7]


def test_the_bar_is_right_after_a_lost_tick():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    case.change(semitones=7)
    case.lose_ticks(1)  # 60
    case.ticks(35)  # 61 to 95
    assert case.semitones() == [0, 0]
    case.ticks(1)
    assert case.semitones() == [7, 7]


def test_a_bar_whose_own_tick_is_lost_is_one_tick_late():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(96)
    case.change(semitones=7)
    case.lose_ticks(1)
    case.ticks(1)
    assert case.semitones() == [7, 7]


def test_the_clock_of_another_input_counts_nothing():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.change(semitones=7)
    for _ in range(200):
        case.hear(CLOCK, "keys", TICK_S)
    assert case.semitones() == [0, 0]


def test_a_clock_that_stops_coming_is_lost_and_what_waits_goes_on_waiting():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    case.change(semitones=7)
    case.pass_time(5.0)
    assert (case.clock.state, case.semitones()) == ("lost", [0, 0])
    case.ticks(35)
    assert (case.clock.state, case.semitones()) == ("running", [0, 0])
    case.ticks(2)
    assert case.semitones() == [7, 7]


def test_the_loss_of_its_input_loses_the_clock():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    case.hear(commands.SourceLost("steps"), "")
    assert case.clock.state == "lost"


def test_a_reload_with_the_same_clock_goes_on_counting_and_another_starts_anew():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    rig = case.engine.rig
    case.hear(commands.Reload(rig, (NIGHT,)), "")
    assert case.clock.next_tick == 60
    case.hear(commands.Reload(replace(rig, clock_from="keys"), (NIGHT,)), "")
    assert case.clock.state == "none"


# ---------------------------------------------------------------- early and late feet


# A key so many seconds before the bar; does it sound with the change that waits for it?
@pytest.mark.parametrize(
    ("early_ms", "before_s", "lands"),
    [
        (25.0, 0.024, True),
        (25.0, 0.026, False),
        (25.0, 0.004, True),
        (0.0, 0.004, False),
        (60.0, 0.055, True),
    ],
)
def test_a_key_just_before_the_bar_brings_it_on(early_ms, before_s, lands):
    case = ClockedEngineHarness(replace(NIGHT, early_ms=early_ms))
    case.start()
    case.ticks(60)
    case.change(semitones=7)
    left = -(-before_s // TICK_S)  # the tick before the key comes so many ticks before the bar
    case.ticks(36 - int(left) + 1)
    case.key(60, left * TICK_S - before_s)
    assert case.semitones() == ([7, 7] if lands else [0, 0])
    assert case.pitches() == ([6700.0] * 2 if lands else [6000.0] * 2)


def test_a_bar_that_a_key_brought_on_does_not_come_twice():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(60)
    case.change(semitones=7)
    case.ticks(36)  # to 95
    case.key(60, 0.01)
    assert case.semitones() == [7, 7]
    case.change(0.0, semitones=3)  # this is late for the bar that came early
    assert case.semitones() == [3, 3]
    case.pass_time(0.05)
    case.change(0.0, semitones=7)  # the bar's own clock is late; it ends nothing now
    case.ticks(1, 0.0)
    assert case.semitones() == [3, 3]
    assert landing_tick(case) == 192


def test_a_key_brings_nothing_on_while_the_clock_stands_or_is_lost():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.ticks(96)
    case.change(semitones=7)
    case.hear(STOP, "steps", 0.001)
    case.key(60, 0.001)
    assert case.semitones() == [0, 0]
    case.hear(CONTINUE, "steps")
    case.pass_time(0.5)
    case.key(62)
    assert case.semitones() == [0, 0]


# A recall or a change so many seconds after the bar.
@pytest.mark.parametrize(
    ("late_ms", "after_s", "lands"),
    [(40.0, 0.039, True), (40.0, 0.041, False), (0.0, 0.001, False), (40.0, 0.0, True)],
)
def test_a_foot_just_after_the_bar_lands_at_once(late_ms, after_s, lands):
    for command in (
        commands.RecallScene("morning"),
        commands.ChangeVoice(None, (("semitones", 7),)),
    ):
        case = ClockedEngineHarness(replace(NIGHT, late_ms=late_ms), Scene("morning", voices=UP))
        case.key(60)
        case.start()
        case.ticks(97)
        case.hear(command, "", after_s)
        assert case.semitones() == ([7, 7] if lands else [0, 0])
        assert (case.engine.live.waiting_scene is None) or not lands


def test_late_counts_for_the_clock_alone():
    case = ClockedEngineHarness(scene("trigger", KEY, PAD_NOTE))
    case.key(60)
    case.change(0.001, semitones=7)
    assert case.semitones() == [0, 0]


def test_a_remote_note_that_plays_sounds_and_one_that_does_not_is_silent():
    triggers = (Trigger("remote_note", input="pad"), Trigger("remote_note", input="steps"))
    case = ClockedEngineHarness(scene("trigger", *triggers))
    case.key(50, source="pad")
    assert case.on() == []
    case.key(50, source="steps")
    assert case.on() == [(0, 50), (1, 50)]


def test_a_remote_note_of_a_passed_channel_triggers_and_passes():
    trigger = Trigger("remote_note", input="steps", channel=9, note=36)
    rig = replace(small_rig(2, inputs=(KEYS, STEPS, PAD), pass_channels=(9,)), clock_from="steps")
    case = ClockedEngineHarness(scene("trigger", trigger), pass_channels=(9,))
    assert case.engine.rig == rig
    case.change(semitones=7)
    case.key(36, source="steps", channel=9)
    assert case.semitones() == [7, 7]
    assert case.on() == [(9, 36)]


def test_what_lands_by_clock_moves_what_sounds_by_bend_alone():
    case = ClockedEngineHarness(NIGHT, converter=WIDE)
    case.key(60)
    case.change(detune_cents=50.0)
    case.sent.clear()
    case.start()
    case.ticks(1)
    assert [type(m) for m in case.heard()] == [PitchBend, PitchBend]
    assert not any(isinstance(m, NoteOn) for m in case.heard())


def test_a_clock_ends_a_measurement_only_if_something_lands():
    case = ClockedEngineHarness(NIGHT)
    case.start()
    case.hear(commands.PlayRaw("reed", 60, 0.0), "")
    case.ticks(97)
    assert case.engine.measuring.running
    assert case.gates() == [(0, 60)]
    case.pass_time(0.05)
    case.change(voice="horn", semitones=7)
    case.ticks(96)
    assert not case.engine.measuring.running
    assert case.engine.measuring.stopped == "a trigger"
    assert case.gates() == []


def test_muted_and_soloed_voices_keep_the_key_that_is_down():
    case = ClockedEngineHarness(NIGHT)
    case.key(60)
    case.hear(commands.Mute("reed", True), "")
    case.hear(commands.Solo("reed", True), "")
    case.change(semitones=7)
    case.start()
    case.ticks(1)
    assert case.semitones() == [7, 7]
    assert case.gates() == [(0, 60), (1, 60)]
    case.up(60)
    assert case.gates() == []


# ---------------------------------------------------------------- by a real foot (F5)


def with_feet(*bindings: Binding, scenes: tuple[Scene, ...] = (NIGHT,)) -> ClockedEngineHarness:
    case = ClockedEngineHarness(*scenes)
    rig = replace(case.engine.rig, pedalboards={"pad": Pedalboard("Four Feet", bindings)})
    case.hear(commands.Reload(rig, scenes), "")
    case.start()
    return case


@pytest.mark.parametrize(("after_s", "lands"), [(0.039, True), (0.041, False)])
def test_a_program_change_of_a_foot_just_after_the_bar_lands_with_it(after_s, lands):
    scenes = (NIGHT, Scene("morning", program=4, voices=UP))
    case = with_feet(Binding("program", None, "recall"), scenes=scenes)
    case.ticks(97)
    case.hear(ProgramChange(0, 4), "pad", after_s)
    assert case.semitones() == ([7, 7] if lands else [0, 0])


def test_a_pedal_triggers_and_another_lets_keys_set_the_root():
    case = with_feet(
        Binding("controller", 80, "trigger"),
        Binding("controller", 81, "set_root", kind="momentary"),
    )
    case.ticks(30)
    case.change(semitones=7)
    case.hear(ControlChange(0, 80, 127), "pad")
    assert case.semitones() == [7, 7]
    case.hear(ControlChange(0, 81, 127), "pad")
    case.key(62)
    case.up(62)
    case.hear(ControlChange(0, 81, 0), "pad")
    assert case.on() == []
    case.ticks(67)
    assert [state.settings.root for state in case.engine.states.values()] == [62, 62]
    case.key(60)
    assert case.on() == [(0, 67), (1, 67)]


def test_a_pedalboard_that_is_lost_lets_keys_sound_again():
    case = with_feet(Binding("controller", 81, "set_root", kind="momentary"))
    case.hear(ControlChange(0, 81, 127), "pad")
    case.hear(commands.SourceLost("pad"), "")
    case.key(60)
    assert case.on() == [(0, 60), (1, 60)]


@pytest.mark.parametrize(("hold", "trigger"), [("trigger", False), ("note", True)])
def test_zones_wait_under_the_hold_in_force(hold, trigger):
    case = ClockedEngineHarness(scene(hold))
    zones = (Zone(("reed",)),)
    case.hear(commands.ChangeScene((("zones", zones),)), "")
    assert case.engine.live.waiting_hold == hold
    case.key(60)
    assert (case.engine.live.scene.zones == zones) is trigger
    case.hear(commands.TriggerNow(), "")
    assert case.engine.live.scene.zones == zones


def test_a_key_is_named_among_what_ends_the_wait_while_the_clock_is_missed():
    case = ClockedEngineHarness(scene("trigger", BAR, clock_lost="key"))
    case.change(semitones=2)
    assert ends(case.engine.shared, case.engine.triggers) == ("the clock to come", "a key")
    case.start()
    case.ticks(10)
    case.change(semitones=3)
    assert ends(case.engine.shared, case.engine.triggers) == ("bar 2",)


def test_a_voice_that_a_change_moved_has_no_hysteresis_of_its_own():
    """With the wheel at rest the key alone decides; so does the first step of the wheel."""
    stepped = {"reed": VoiceSettings(scale=preset("chromatic"), wheel="stepped")}
    case = ClockedEngineHarness(scene("none", voices=stepped), voices=1)
    case.key(60)
    case.change(detune_cents=1.0)
    case.hear(PitchBend(0, round(55 / 200 * 8191)))  # past the border at 50, not by 10 more
    assert case.pitches() == [6101.0]


def test_what_the_clock_must_do_first_is_said():
    case = ClockedEngineHarness(scene("trigger", BAR))
    case.change(semitones=2)

    def found():
        return ends(case.engine.shared, case.engine.triggers)

    assert found() == ("the clock to come",)
    case.hear(STOP, "steps")
    case.hear(CLOCK, "steps")
    assert found() == ("the clock to start",)
    case.start()
    case.ticks(10)
    case.change(semitones=3)
    assert found() == ("bar 2",)
    case.pass_time(2.0)
    assert found() == ("the clock, which is lost",)


def test_a_trigger_ends_a_measuring_run_only_if_something_waits_for_it():
    """A scene that differs in its own part alone waits, too."""
    for hold, running in (("trigger", False), ("note", True)):
        case = ClockedEngineHarness(scene(hold, PAD_NOTE), Scene("next", beats_in_bar=3))
        case.hear(commands.RecallScene("next"), "")
        case.hear(commands.PlayRaw("reed", 60), "")
        case.hear(NoteOn(9, 40, 100), "pad")
        assert case.engine.measuring.running == running
        assert case.engine.measuring.stopped == ("" if running else "a trigger")


def test_a_stepped_wheel_on_a_border_does_not_chatter():
    voices = {"reed": VoiceSettings(scale=preset("chromatic"), wheel="stepped")}
    case = ClockedEngineHarness(scene("none", voices=voices), voices=1)
    case.hear(NoteOn(0, 60, 100))
    border = 8192 // 4  # half a semitone of the wheel's two
    case.hear(PitchBend(0, border + 600))  # well beyond it
    sent = len(case.sent)
    for step in (60, -60, 60, -60):  # 1.5 cents on either side
        case.hear(PitchBend(0, border + step))
    assert len(case.sent) == sent
    case.hear(PitchBend(0, border - 600))
    assert len(case.sent) > sent


@pytest.mark.parametrize("struck", [False, True])
def test_a_reload_while_a_scene_waits_keeps_what_a_store_would_keep(struck):
    before, after = UP["reed"], VoiceSettings(semitones=9)
    names = ("reed", "horn")
    case = ClockedEngineHarness(
        Scene("one"), Scene("two", voices=dict.fromkeys(names, before)), voices=2
    )
    case.hear(commands.RecallScene("two"), "")
    fresh = (Scene("one"), Scene("two", voices=dict.fromkeys(names, after)))
    case.hear(commands.Reload(case.engine.rig, fresh), "")
    if struck:
        case.hear(NoteOn(0, 60, 100))
    assert case.engine.live.wanted() == fresh[1]
    assert not case.engine.live.unsaved


def test_a_bend_range_that_a_reload_changes_is_sent_once_its_note_has_ended():
    case = ClockedEngineHarness(scene("none"), voices=1)
    case.hear(NoteOn(0, 60, 100))
    voice = replace(case.engine.rig.voices[0], bend_range_cents=1200.0)
    case.sent.clear()
    case.hear(commands.Reload(replace(case.engine.rig, voices=(voice,)), ()), "")
    assert [m for m in case.heard() if isinstance(m, ControlChange)] == []
    case.hear(NoteOff(0, 60))
    sent = [(m.controller, m.value) for m in case.heard() if isinstance(m, ControlChange)]
    assert (6, 12) in sent


def test_a_tail_ends_at_its_very_end():
    case = ClockedEngineHarness(scene("none"), voices=[Voice("reed", "out", 0, tail_s=0.5)])
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    state = case.state("reed")
    assert state.heard(state.tail_until_s - 0.001) and not state.heard(state.tail_until_s)
