"""What a foot means (requirements F1 to F11).

Thresholds: MIDI 1.0 Detailed Specification, Table III note: 0 to 63 off, 64 to 127 on.
Debounce of 20 ms and the rest: the project's own requirements.
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, FootRequest, Learned, Pedalboard
from zerobeat.engine.settings import Input, Scene, VoiceSettings
from zerobeat.midi import ControlChange, NoteOff, NoteOn, ProgramChange
from zerobeat.tuning.scale import preset

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)
SCENES = (
    Scene("together", program=0),
    Scene("drone", program=4, voices={"reed": VoiceSettings(semitones=7)}),
    Scene("steps", program=4, bank=130, hold="none"),
)


def foot(*bindings, scenes=SCENES, voices=2, **rig):
    """Return an engine with these bindings on the input ``feet``."""
    board = Pedalboard("Four Feet", bindings)
    made = replace(
        small_rig(voices, inputs=(KEYS, FEET)), **{"pedalboards": {"feet": board}, **rig}
    )
    return EngineHarness(made, scenes)


def switch(action, number=80, **more):
    return Binding("controller", number, action, **more)


def send(case, value, number=80, channel=0, after_s=0.1):
    return case.hear(ControlChange(channel, number, value), "feet", after_s)


def press(case, number=80, channel=0, after_s=0.1):
    send(case, 127, number, channel, after_s)
    send(case, 0, number, channel)


def program(case, number, channel=0, after_s=0.1):
    return case.hear(ProgramChange(channel, number), "feet", after_s)


def wanted(case):
    live = case.engine.live
    return (live.waiting_scene or live.scene).name


# ---------------------------------------------------------------- F1 to F4: programs and banks

ANY = Binding("program", None, "recall")
BANKS = [
    # what is sent on channel 0 before program 4, and the scene: bank 130 is MSB 1, LSB 2
    ([], "drone"),
    ([(0, 1), (32, 2)], "steps"),
    ([(32, 2), (0, 1)], "steps"),
    ([(0, 1)], "drone"),
    ([(0, 9), (32, 2), (0, 1)], "steps"),
]


@pytest.mark.parametrize(("selects", "scene"), BANKS)
def test_a_bank_counts_in_either_order_once_the_program_comes(selects, scene):  # F2
    case = foot(ANY)
    for controller, value in selects:
        send(case, value, controller)
        assert wanted(case) == "together"
    program(case, 4)
    assert wanted(case) == scene


def test_banks_are_kept_by_channel():  # F2
    case = foot(ANY)
    send(case, 1, 0, channel=3)
    send(case, 2, 32, channel=3)
    program(case, 4)
    assert wanted(case) == "drone"
    program(case, 4, channel=3)
    assert wanted(case) == "steps"


def test_banks_can_be_ignored():  # F2
    case = foot(pedalboards={"feet": Pedalboard("x", (ANY,), ignore_banks=True)})
    send(case, 77, 0)
    program(case, 4)
    assert wanted(case) == "drone"


@pytest.mark.parametrize(
    ("first", "shown"), [(0, "program 11 (sent as 11)"), (1, "program 12 (sent as 11)")]
)
def test_a_missing_scene_is_named_and_changes_nothing(first, shown):  # F1, F4
    case = foot(ANY, program_numbers_from=first)
    program(case, 11)
    pedals = case.engine.pedals
    assert (wanted(case), pedals.refused) == ("together", True)
    assert pedals.said == f"feet: recall: no scene for {shown}"
    assert case.engine.counts["refused by foot"] == 1


def test_a_recall_again_changes_nothing_and_sends_nothing():  # F3
    case = foot(ANY)
    case.hear(NoteOn(0, 60, 100))
    for _ in range(2):
        assert program(case, 0) == []
    case.hear(commands.ChangeVoice("reed", (("semitones", 5),)), "")
    assert program(case, 0) == []
    assert case.state("reed").waiting.semitones == 5  # modified: kept
    program(case, 4)
    case.hear(commands.ChangeVoice("reed", (("semitones", 3),)), "")
    program(case, 4)  # what waits, again
    assert case.state("reed").waiting.semitones == 3


def test_a_program_change_of_a_playing_keyboard_is_its_own_unless_bound():
    case = foot(ANY)
    case.hear(ProgramChange(0, 4), "keys")
    assert wanted(case) == "together"
    assert case.engine.counts["program"] == 1
    case.hear(commands.UseLearned((Learned("keys", ANY),)), "")
    case.hear(ProgramChange(0, 4), "keys")
    assert wanted(case) == "drone"


# ---------------------------------------------------------------- F7: next and previous

NEXT, PREVIOUS = switch("next", 81), switch("previous", 82)


def test_next_counts_from_the_scene_that_waits_whoever_set_it():  # F7
    case = foot(NEXT, PREVIOUS)
    press(case, 81)
    assert wanted(case) == "drone"
    assert case.engine.live.scene.name == "together"  # it waits for a note
    press(case, 81)
    assert wanted(case) == "steps"
    case.hear(commands.RecallScene("together"), "")
    press(case, 81)
    assert wanted(case) == "drone"
    press(case, 82)
    assert wanted(case) == "together"


def test_the_ends_of_the_set_list_stop_or_wrap():
    case = foot(NEXT, PREVIOUS, set_list=("drone", "together"))
    press(case, 81)
    assert case.engine.pedals.said == "feet: next: together is the last of the set list"
    assert wanted(case) == "together"
    case = foot(NEXT, PREVIOUS, set_list=("drone", "together"), set_list_ends="wrap")
    press(case, 81)
    assert wanted(case) == "drone"


def test_a_set_list_of_tonight_may_name_a_scene_twice():
    case = foot(NEXT, PREVIOUS)
    case.hear(commands.SetList(("steps", "together", "steps", "drone")), "")
    seen = []
    for _ in range(3):
        press(case, 81)
        seen.append((wanted(case), case.engine.scenes.position))
    assert seen == [("steps", 2), ("drone", 3), ("drone", 3)]
    press(case, 82)
    assert (wanted(case), case.engine.scenes.position) == ("steps", 2)
    case.hear(commands.SetList(), "")
    assert case.engine.scenes.set_list == ("together", "drone", "steps")


def test_after_a_scene_that_is_not_in_the_list_next_goes_on_where_it_was():
    case = foot(NEXT, PREVIOUS, set_list=("together", "drone"))
    case.hear(commands.RecallScene("steps"), "")
    assert case.engine.scenes.position is None
    press(case, 81)
    assert wanted(case) == "drone"


def test_a_set_list_that_got_shorter_begins_anew():
    scenes = tuple(Scene(f"s{number}", hold="none") for number in range(5))
    names = tuple(scene.name for scene in scenes)
    case = foot(NEXT, PREVIOUS, scenes=scenes, set_list=names)
    for _ in range(4):
        press(case, 81)
    assert wanted(case) == "s4"
    case.hear(commands.Reload(replace(case.engine.rig, set_list=names[:2]), scenes), "")
    press(case, 81)
    assert wanted(case) == "s0"


# ---------------------------------------------------------------- store, revert: asked of others


def test_a_foot_cannot_store_under_the_stage_lock():  # F10
    case = foot(switch("store"), switch("store", 81, long_press_s=0.5))
    for _ in range(4):
        press(case)
    send(case, 127, 81)
    case.pass_time(1.0)
    assert case.engine.pedals.requests == []
    assert case.engine.pedals.said.startswith("feet: store: the stage lock is on")


def test_without_the_lock_a_store_takes_two_presses_or_a_long_one():  # F10
    case = foot(switch("store"), switch("store", 81, long_press_s=0.5), stage_lock=False)
    press(case)
    assert case.engine.pedals.requests == []
    assert case.engine.pedals.said == "feet: store: press again within 3 s"
    case.pass_time(3.0)
    assert case.engine.pedals.said == "store: not pressed again, nothing stored"
    press(case)
    press(case)
    assert case.engine.pedals.requests == [FootRequest("store", "feet")]
    press(case)  # the second press has ended it: this is a first one again
    assert len(case.engine.pedals.requests) == 1
    case.pass_time(3.0)
    press(case)
    press(case)
    case.engine.pedals.requests.pop()
    case.pass_time(4.0)
    assert case.engine.pedals.said == "feet: store"  # nothing waits for another press
    press(case, 81)
    assert len(case.engine.pedals.requests) == 1
    send(case, 127, 81)
    case.pass_time(0.6)
    assert len(case.engine.pedals.requests) == 2


@pytest.mark.parametrize(
    "action", ["revert", "touch_up", "go_on", "pair", "follow", "follow_here", "follow_back"]
)
def test_what_the_engine_cannot_do_is_handed_out(action):
    case = foot(switch(action, voice="reed"))
    press(case)
    assert case.engine.pedals.requests == [FootRequest(action, "feet", voice="reed")]


# ---------------------------------------------------------------- F5: bounce

TRANSPOSE_UP = switch("transpose", by=1.0)
BOUNCES = [
    # (seconds, value) of one switch, and how often it counts, with a debounce of 20 ms
    ([(0.0, 127)], 1),
    ([(0.0, 127), (0.003, 0), (0.006, 127), (0.009, 0), (0.012, 127)], 1),
    ([(0.0, 127), (0.003, 0), (0.006, 127), (0.2, 0), (0.203, 127), (0.206, 0)], 1),
    ([(0.0, 127), (0.1, 0), (0.2, 127)], 2),
    ([(0.0, 127), (0.015, 0), (0.05, 127)], 2),  # a quick tap, then another
    ([(0.0, 127), (0.005, 0), (0.019, 127), (0.021, 0), (0.1, 127)], 2),
    ([(0.0, 63), (0.1, 64), (0.2, 63), (0.3, 127)], 2),  # the threshold
    ([(0.0, 127), (0.1, 127), (0.2, 127)], 3),  # one that sends nothing on release
    ([(0.0, 70), (0.1, 80), (0.2, 90), (0.3, 127)], 1),  # a pedal that is trodden slowly
]


@pytest.mark.parametrize(("edges", "count"), BOUNCES)
def test_a_press_counts_once_however_it_bounces(edges, count):  # F5, F6
    case = foot(TRANSPOSE_UP)
    last_s = 0.0
    for at_s, value in edges:
        send(case, value, after_s=at_s - last_s)
        last_s = at_s
    case.pass_time(1.0)
    assert case.engine.live.tonight.transpose_semitones == count


def test_the_first_edge_acts_at_once_and_a_lost_release_is_caught_up():  # F5
    case = foot(switch("mute", voice="reed", kind="momentary"))
    send(case, 127)
    assert "reed" in case.engine.live.tonight.mute
    send(case, 0, after_s=0.004)  # within the debounce time, and nothing comes after it
    assert "reed" in case.engine.live.tonight.mute
    case.pass_time(0.05)
    assert "reed" not in case.engine.live.tonight.mute


def test_programs_in_quick_succession_all_count():  # F5: bounce is of one switch
    case = foot(ANY)
    program(case, 4)
    program(case, 0, after_s=0.001)
    assert wanted(case) == "together"


# ---------------------------------------------------------------- F6: kinds

MUTE = {"action": "mute", "voice": "reed"}
KINDS = [
    # kind, values sent 0.1 s apart, and whether reed is muted after each
    ("trigger", (127, 0, 127, 0), (True, True, True, True)),
    ("momentary", (127, 0, 127, 0), (True, False, True, False)),
    ("toggle", (127, 0, 127, 0), (True, True, False, False)),
    ("latching", (127, 0, 127, 0), (True, False, True, False)),
]


@pytest.mark.parametrize(("kind", "values", "muted"), KINDS)
def test_each_kind_of_switch(kind, values, muted):  # F6
    case = foot(switch(kind=kind, **MUTE))
    seen = []
    for value in values:
        send(case, value)
        seen.append("reed" in case.engine.live.tonight.mute)
    assert tuple(seen) == muted


def test_a_latching_switch_counts_at_both_ends_for_what_has_no_off():  # F6
    case = foot(switch("next", 81, kind="latching"))
    send(case, 127, 81)
    assert wanted(case) == "drone"
    send(case, 0, 81)
    assert wanted(case) == "steps"


def test_a_toggle_goes_by_what_is_in_force_whoever_set_it():  # F8
    case = foot(switch("bypass", kind="toggle"))
    case.hear(commands.Bypass(None, True), "")
    press(case)
    assert case.engine.live.tonight.bypass == frozenset()
    press(case)
    assert case.engine.live.tonight.bypass == {"reed", "horn"}


@pytest.mark.parametrize("kind", ["toggle", "latching"])
def test_a_pedal_plays_one_voice_alone(kind):
    case = foot(switch("solo", kind=kind, voice="horn"))
    send(case, 127)
    assert case.engine.live.tonight.solo == {"horn"}


def test_notes_are_switches_too_and_never_sound():
    case = foot(Binding("note", 40, "solo", voice="horn", kind="momentary"))
    case.hear(NoteOn(3, 40, 100), "feet", 0.1)
    assert case.engine.live.tonight.solo == {"horn"}
    case.hear(NoteOff(3, 40), "feet", 0.1)
    assert case.engine.live.tonight.solo == frozenset()
    assert case.on() == []


def test_a_key_of_a_keyboard_that_is_learned_is_silent_and_others_play():
    case = foot(voices=1)
    case.hear(NoteOn(0, 96, 100))
    case.hear(commands.UseLearned((Learned("keys", Binding("note", 96, "next")),)), "")
    case.hear(NoteOff(0, 96))  # went down before it was learned: its note-off is a key's
    assert case.gates() == []
    case.hear(NoteOn(0, 96, 100))
    assert wanted(case) == "drone"
    case.hear(commands.UseLearned(()), "")
    case.hear(NoteOff(0, 96))  # went down as a switch: no key comes up
    case.hear(NoteOn(0, 97, 100))
    assert case.on() == [(0, 96), (0, 97 + 7)]


def test_a_key_that_was_down_before_it_was_learned_does_not_hang():  # M24
    case = foot(voices=1)
    case.hear(NoteOn(0, 96, 100))
    case.hear(commands.UseLearned((Learned("keys", Binding("note", 96, "next")),)), "")
    case.hear(NoteOn(0, 96, 100))  # its note-off was lost
    assert case.gates() == []
    case.hear(NoteOff(0, 96))
    assert case.gates() == []


def test_a_key_that_was_a_switch_before_does_not_hang():  # M24
    case = foot(voices=1)
    case.hear(commands.UseLearned((Learned("keys", Binding("note", 96, "next")),)), "")
    case.hear(NoteOn(0, 96, 100))
    case.hear(commands.UseLearned(()), "")
    case.hear(NoteOn(0, 96, 100))  # the switch's note-off was lost
    assert len(case.gates()) == 1
    case.hear(NoteOff(0, 96))
    assert case.gates() == []


LONG = [
    # seconds held, and what a switch with a short and a long press does
    (0.1, "drone"),
    (0.49, "drone"),
    (0.6, "together"),
]


@pytest.mark.parametrize(("held_s", "scene"), LONG)
def test_a_short_and_a_long_press_of_one_switch(held_s, scene):
    case = foot(switch("next"), switch("panic", long_press_s=0.5))
    case.hear(NoteOn(0, 60, 100))
    send(case, 127)
    assert wanted(case) == "together"  # nobody knows yet which it is
    send(case, 0, after_s=held_s)
    assert wanted(case) == scene
    assert (case.gates() == []) is (held_s > 0.5)


def test_a_long_press_acts_while_it_is_held():
    case = foot(switch("panic", long_press_s=0.5))
    case.hear(NoteOn(0, 60, 100))
    send(case, 127)
    case.pass_time(0.4)
    assert case.gates()
    case.pass_time(0.2)
    assert case.gates() == []
    assert case.engine.pedals.said == "feet: panic"


# ---------------------------------------------------------------- what actions do


def test_hold_by_foot_and_back():
    case = foot(switch("hold", hold="trigger", kind="momentary"))
    send(case, 127)
    assert case.engine.live.scene.hold == "trigger"
    send(case, 0)
    assert case.engine.live.scene.hold == "note"


def test_cancel_and_trigger_by_foot():
    case = foot(switch("cancel"), switch("trigger", 81))
    case.hear(commands.RecallScene("drone"), "")
    press(case)
    assert case.engine.live.waiting_scene is None
    case.hear(commands.ChangeScene((("hold", "trigger"),)), "")
    case.hear(commands.RecallScene("drone"), "")
    press(case, 81)
    assert case.engine.live.scene.name == "drone"


TRANSPOSES = [
    # binding, and the evening's transposition after each of: down, up, down, up
    ({"by": 2.0}, (2, 2, 4, 4)),
    ({"to": -3.0}, (-3, -3, -3, -3)),
    ({"by": 2.0, "kind": "momentary"}, (2, 0, 2, 0)),
    ({"to": 5.0, "kind": "toggle"}, (5, 5, 0, 0)),
]


@pytest.mark.parametrize(("more", "after"), TRANSPOSES)
def test_transposing_the_evening_by_foot(more, after):
    case = foot(switch("transpose", **more))
    seen = []
    for value in (127, 0, 127, 0):
        send(case, value)
        seen.append(case.engine.live.tonight.transpose_semitones)
    assert tuple(seen) == after


# The same in the other units; steps by cents come back to where they were.
IN_OTHER_UNITS = [
    ({"by": -14.5, "unit": "cents"}, (-14.5, -14.5, -29.0, -29.0)),
    ({"to": 50.0, "unit": "cents", "kind": "toggle"}, (50.0, 50.0, 0.0, 0.0)),
    ({"by": 0.1, "unit": "cents", "kind": "latching"}, (0.1, 0.0, 0.1, 0.0)),
    ({"by": 0.7, "unit": "cents", "kind": "momentary"}, (0.7, 0.0, 0.7, 0.0)),
    ({"by": 2.0, "unit": "degrees"}, (2, 2, 4, 4)),
    ({"to": -1.0, "unit": "degrees", "kind": "momentary"}, (-1, 0, -1, 0)),
]


@pytest.mark.parametrize(("more", "after"), IN_OTHER_UNITS)
def test_transposing_by_cents_and_by_steps_of_the_scale(more, after):
    case = foot(switch("transpose", **more))
    seen = []
    for value in (127, 0, 127, 0):
        send(case, value)
        seen.append(getattr(case.engine.live.tonight, f"transpose_{more['unit']}"))
        assert case.engine.live.tonight.transpose_semitones == 0
    assert tuple(seen) == after


def test_a_toggle_by_cents_goes_back_to_just_where_it_was():
    case = foot(switch("transpose", by=0.2, unit="cents", kind="toggle"))
    case.hear(commands.ChangeTonight(transpose_cents=0.1), "")
    for value in (127, 0, 127):
        send(case, value)
    assert case.engine.live.base_tonight.transpose_cents == 0.1


def test_two_pedals_of_different_units_add_up():
    case = foot(
        switch("transpose", 80, by=3.0, kind="momentary"),
        switch("transpose", 81, by=-31.0, unit="cents", kind="momentary"),
    )
    send(case, 127, 80)
    send(case, 127, 81)
    live = case.engine.live.tonight
    assert (live.transpose_semitones, live.transpose_cents) == (3, -31.0)
    send(case, 0, 80)
    live = case.engine.live.tonight
    assert (live.transpose_semitones, live.transpose_cents) == (0, -31.0)


SETS = [
    ({"to": 7.0}, (7, 7, 7, 7)),
    ({"by": 1.0}, (3, 3, 4, 4)),
    ({"to": 7.0, "kind": "momentary"}, (7, 2, 7, 2)),
    ({"by": 12.0, "kind": "toggle"}, (14, 14, 2, 2)),
]


@pytest.mark.parametrize(("more", "after"), SETS)
def test_setting_a_voice_by_switch(more, after):
    case = foot(switch("set", setting="semitones", voice="reed", **more))
    case.hear(commands.ChangeVoice("reed", (("semitones", 2),)), "")
    seen = []
    for value in (127, 0, 127, 0):
        send(case, value)
        state = case.state("reed")
        seen.append((state.waiting or state.settings).semitones)
    assert tuple(seen) == after
    assert case.state("horn").waiting is None


def test_what_a_momentary_set_is_not_put_back_into_another_scene():
    case = foot(switch("set", setting="semitones", to=5.0, kind="momentary"))
    send(case, 127)
    case.hear(commands.RecallScene("drone"), "")
    send(case, 0)
    assert case.state("reed").waiting.semitones == 7


def test_degrees_of_a_continuous_scale_are_refused():
    case = foot(switch("set", setting="degrees", by=1.0))
    press(case)
    assert case.engine.pedals.said == (
        "feet: set: reed has a continuous scale; degrees need another"
    )
    assert case.state("reed").waiting is None


def test_degrees_ask_only_for_the_scales_of_the_voices_they_are_for():
    case = foot(switch("set", setting="degrees", by=1.0, voice="horn"))
    case.hear(commands.ChangeVoice("horn", (("scale", preset("dorian")),)), "")
    press(case)
    assert case.state("horn").wanted.degrees == 1
    assert case.state("reed").wanted.scale is None


def test_a_key_sets_the_root_while_a_pedal_is_down():
    case = foot(switch("set_root", kind="momentary", voice="reed"))
    send(case, 127)
    case.hear(NoteOn(0, 62, 100))
    case.hear(NoteOff(0, 62))
    assert case.on() == []
    send(case, 0)
    case.hear(NoteOn(0, 64, 100))
    assert case.state("reed").settings.root == 62
    assert (0, 64) in case.on()


# The MIDI sustain rules of N6, by a pedal of another input.
def test_a_foot_sustains_beside_the_keyboards_own_pedal():  # N6
    case = foot(switch("sustain", 64, kind="momentary"), voices=1)
    case.hear(NoteOn(0, 60, 100))
    send(case, 127, 64)
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOff(0, 60))
    send(case, 0, 64)
    assert case.gates() == [(0, 60)]  # the keyboard's own still holds it
    case.hear(ControlChange(0, 64, 0))
    assert case.gates() == []
    case.hear(NoteOn(0, 62, 100))
    send(case, 127, 64)
    case.hear(NoteOff(0, 62))
    case.hear(ControlChange(0, 64, 127))
    case.hear(ControlChange(0, 64, 0))
    assert case.gates() == [(0, 62)]  # and the foot's
    case.hear(NoteOn(0, 62, 100))  # struck again, held by its key
    send(case, 0, 64)
    assert case.gates() == [(0, 62)]
    case.hear(NoteOff(0, 62))
    assert case.gates() == []


@pytest.mark.parametrize("lost", [commands.SourceLost("feet"), "reload"])
def test_what_a_foot_holds_comes_up_when_the_pedalboard_is_lost_or_unbound(lost):  # N6
    case = foot(
        switch("sustain", 64, kind="momentary"), switch("mute", voice="horn", kind="momentary")
    )
    case.hear(NoteOn(0, 60, 100))
    send(case, 127, 64)
    send(case, 127)
    case.hear(NoteOff(0, 60))
    assert len(case.gates()) == 2
    if lost == "reload":
        lost = commands.Reload(replace(case.engine.rig, pedalboards={}), SCENES)
    case.hear(lost, "")
    assert case.gates() == []
    assert case.engine.live.tonight.mute == frozenset()


# ---------------------------------------------------------------- F11: pick-up

PEDAL = Binding(
    "controller",
    11,
    "set",
    kind="follow",
    setting="detune_cents",
    voice="reed",
    lowest=0.0,
    highest=127.0,
)


def detune(case, voice="reed"):
    state = case.state(voice)
    return (state.waiting or state.settings).detune_cents


PICK_UPS = [
    # where the setting stands, the pedal's moves, and the setting after each
    (50.0, (10, 20, 49, 60), (50, 50, 49, 60)),  # reaches it within one step
    (50.0, (10, 90, 70), (50, 90, 70)),  # a fast move that skips the crossing
    (50.0, (90, 70, 20), (50, 50, 20)),  # from above
    (50.0, (50, 3), (50, 3)),
    (0.0, (0, 1, 2), (0, 1, 2)),
    (200.0, (0, 127), (200, 200)),  # out of the pedal's way: never picked up
]


@pytest.mark.parametrize(("value", "moves", "after"), PICK_UPS)
def test_a_pedal_acts_from_where_it_passes_the_value_in_force(value, moves, after):  # F11
    case = foot(PEDAL)
    case.hear(commands.ChangeVoice("reed", (("detune_cents", value),)), "")
    seen = []
    for move in moves:
        send(case, move, 11)
        seen.append(detune(case))
    assert seen == pytest.approx(after)


def test_a_recall_lets_go_of_a_pedal_until_it_passes_again():  # F11
    scenes = (SCENES[0], replace(SCENES[1], voices={"reed": VoiceSettings(detune_cents=80.0)}))
    case = foot(PEDAL, scenes=scenes)
    for move in (0, 20, 40):
        send(case, move, 11)
    assert detune(case) == pytest.approx(40.0)
    case.hear(commands.RecallScene("drone"), "")
    seen = []
    for move in (41, 60, 90, 100):
        send(case, move, 11)
        seen.append(detune(case))
    assert seen == pytest.approx([80.0, 80.0, 90.0, 100.0])


def test_a_pedal_may_jump_instead():  # F11
    case = foot(replace(PEDAL, pick_up=False))
    case.hear(commands.ChangeVoice("reed", (("detune_cents", 50.0),)), "")
    send(case, 3, 11)
    assert detune(case) == pytest.approx(3.0)


def test_a_pedal_for_all_voices_picks_each_up_by_itself():  # F11
    case = foot(replace(PEDAL, voice=None))
    case.hear(commands.ChangeVoice("horn", (("detune_cents", 64.0),)), "")
    send(case, 0, 11)
    send(case, 32, 11)
    assert (detune(case), detune(case, "horn")) == pytest.approx((32.0, 64.0))
    send(case, 70, 11)
    assert (detune(case), detune(case, "horn")) == pytest.approx((70.0, 70.0))


def test_whole_settings_follow_in_whole_steps():
    case = foot(replace(PEDAL, setting="semitones", lowest=-12.0, highest=12.0))
    seen = []
    for move in (64, 69, 127):
        send(case, move, 11)
        seen.append(case.state("reed").waiting.semitones if case.state("reed").waiting else 0)
    assert seen == [0, 1, 12]
    assert all(isinstance(value, int) for value in seen)


# ---------------------------------------------------------------- F8, F9: lights

LIT = switch("bypass", 84, kind="toggle", feedback=True)


def lights(case):
    due = case.engine.pedals.lights.due
    sent = [(m.controller, m.value) for name, m in due if isinstance(m, ControlChange)]
    due.clear()
    return sent


def test_lights_are_sent_whole_when_they_come_and_then_by_change():  # F8
    case = foot(LIT, switch("mute", 85, voice="reed", kind="toggle", feedback=True))
    press(case, 84)
    assert lights(case) == []  # not there yet
    case.hear(commands.LightsBack("feet"), "")
    assert lights(case) == [(84, 127), (85, 0)]
    case.hear(commands.Mute("reed", True), "")  # from elsewhere
    assert lights(case) == [(85, 127)]
    case.hear(NoteOn(0, 60, 100))
    assert lights(case) == []
    case.hear(commands.LightsLost("feet"), "")
    press(case, 84)
    case.hear(commands.LightsBack("feet"), "")
    assert lights(case) == [(84, 0), (85, 127)]


def test_a_switch_that_is_learned_anew_lights_for_what_it_does_now():  # F8
    muting = switch("mute", 84, voice="reed", kind="toggle", feedback=True)
    case = foot(LIT, switch("mute", 85, voice="horn", kind="toggle", feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    assert lights(case) == [(84, 0), (85, 0)]
    case.hear(commands.Bypass(None, True), "")
    assert lights(case) == [(84, 127)]
    case.hear(commands.UseLearned((Learned("feet", muting),)), "")
    assert not case.engine.pedals.bound.in_force("feet", LIT)
    assert lights(case) == [(84, 0)]  # reed is not muted
    case.hear(commands.Bypass(None, False), "")
    case.hear(commands.Bypass(None, True), "")
    assert lights(case) == []  # its file's binding says nothing any more
    press(case, 84)
    assert lights(case) == [(84, 127)]


def test_a_light_of_a_scene_follows_recalls_and_what_waits():  # F8
    case = foot(
        switch("recall", 86, scene="drone", feedback=True), switch("cancel", 87, feedback=True)
    )
    case.hear(commands.LightsBack("feet"), "")
    assert lights(case) == [(86, 0), (87, 0)]
    case.hear(commands.RecallScene("drone"), "")
    assert lights(case) == [(86, 127), (87, 127)]
    case.hear(NoteOn(0, 60, 100))  # it lands
    assert lights(case) == [(87, 0)]


def test_the_program_of_the_scene_is_shown_where_any_program_recalls():  # F8
    case = foot(replace(ANY, feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    assert case.engine.pedals.lights.due == [("feet", ProgramChange(0, 0))]
    case.engine.pedals.lights.due.clear()
    case.hear(commands.StepScene(1), "")
    assert case.engine.pedals.lights.due == [("feet", ProgramChange(0, 4))]
    program(case, 4, after_s=0.01)  # the pedalboard says it back: no recall of its own
    assert case.engine.counts["echo of a light"] == 1


def test_an_echo_of_a_light_is_no_press_but_a_second_press_is():  # F9
    case = foot(LIT)
    case.hear(commands.LightsBack("feet"), "")
    send(case, 127, 84)
    send(case, 127, 84, after_s=0.02)  # our own light, back
    assert case.engine.live.tonight.bypass
    assert case.engine.counts["echo of a light"] == 1
    send(case, 0, 84)
    send(case, 127, 84)
    assert not case.engine.live.tonight.bypass


@pytest.mark.parametrize("blanks", [True, False])
def test_a_light_is_sent_again_after_release_where_the_board_blanks_it(blanks):  # F8
    case = foot(LIT, pedalboards={"feet": Pedalboard("x", (LIT,), relight=blanks)})
    case.hear(commands.LightsBack("feet"), "")
    lights(case)
    send(case, 127, 84)
    assert lights(case) == [(84, 127)]
    send(case, 0, 84)
    assert lights(case) == ([(84, 127)] if blanks else [])


# ---------------------------------------------------------------- learned bindings


def test_a_learned_binding_takes_its_switch_over_and_leaves_the_others():
    case = foot(switch("next", 81), switch("previous", 82))
    case.hear(
        commands.UseLearned((Learned("feet", switch("transpose", 81, channel=0, by=1.0)),)), ""
    )
    press(case, 81)
    assert (wanted(case), case.engine.live.tonight.transpose_semitones) == ("together", 1)
    press(case, 81, channel=5)  # learned on one channel only
    assert wanted(case) == "drone"
    press(case, 82)
    assert wanted(case) == "together"


def test_one_program_may_do_something_else_than_any():
    case = foot(ANY, Binding("program", 9, "panic"))
    case.hear(NoteOn(0, 60, 100))
    program(case, 9)
    assert case.gates() == []
    assert not case.engine.pedals.refused


def test_one_move_of_a_pedal_is_one_change_to_undo_and_another_pedal_is_another():
    def pedal(number, setting):
        return Binding(
            "controller",
            number,
            "set",
            kind="follow",
            setting=setting,
            lowest=0.0,
            highest=127.0,
            pick_up=False,
        )

    bypass = switch("bypass", kind="toggle")
    case = foot(pedal(7, "detune_cents"), pedal(11, "glide_ms"), bypass)
    case.hear(commands.ChangeScene((("hold", "none"),)), "")
    for value in (10, 20, 30):
        send(case, value, 7)
    for value in (40, 50):
        send(case, value, 11)
    for value in (60, 70):
        send(case, value, 7)
    press(case)

    def now():
        settings = case.state("reed").settings
        bypassed = bool(case.engine.live.tonight.bypass)
        return settings.detune_cents, settings.glide_ms, bypassed

    found = [now()]
    for _ in range(4):
        case.hear(commands.Undo(), "")
        found.append(now())
    assert found == [
        (70.0, 50.0, True),
        (70.0, 50.0, False),
        (30.0, 50.0, False),
        (30.0, 0.0, False),
        (0.0, 0.0, False),
    ]


@pytest.mark.parametrize(
    ("binding", "on", "off"),
    [
        (switch("set_root", kind="momentary"), "all: a key sets the root", "all: root set"),
        (switch("set_root", kind="momentary", voice="reed"), "reed: a key sets the root", None),
        (switch("sustain", kind="momentary"), "sustain down", "sustain up"),
        (switch("latch", kind="momentary"), "latch on", "latch off"),
        (switch("transpose", kind="momentary", by=7.0), "transposed +7", "transposed +0"),
        (switch("hold", kind="momentary", hold="none"), "hold none", "hold note"),
        (switch("bypass", kind="momentary"), "all: played raw", "all: corrected"),
        (
            switch("bypass", kind="momentary", keep_touch_up=True),
            "all: played raw, with its touch-up",
            "all: corrected",
        ),
        (switch("mute", kind="momentary", voice="horn"), "horn: mute on", "horn: mute off"),
        (switch("solo", kind="momentary", voice="horn"), "horn: solo on", "horn: solo off"),
        (switch("set", kind="momentary", setting="semitones", by=5.0), "all: semitones +5", None),
        (switch("mute", kind="toggle", voice="horn"), "horn: mute on", "horn: mute on"),
        (switch("solo", kind="latching", voice="horn"), "horn: solo on", "horn: solo off"),
        (switch("hold", kind="latching", hold="sample"), "hold sample", "hold note"),
        (switch("bypass", kind="latching"), "all: played raw", "all: corrected"),
        (switch("trigger"), "trigger", "trigger"),
        (switch("panic"), "panic", "panic"),
        (switch("cancel"), "cancel", "cancel"),
    ],
)
def test_what_a_pedal_did_is_said(binding, on, off):
    case = foot(binding)
    send(case, 127)
    assert case.engine.pedals.said == f"feet: {on}"
    assert not case.engine.pedals.refused
    send(case, 0)
    assert off is None or case.engine.pedals.said == f"feet: {off}"


def test_a_pedal_is_not_picked_up_before_it_reaches_the_value():  # F11
    pedal = Binding(
        "controller", 7, "set", kind="follow", setting="detune_cents", lowest=-1.0, highest=1.0
    )
    case = foot(pedal)
    case.hear(commands.ChangeScene((("hold", "none"),)), "")
    case.hear(commands.ChangeVoice(None, (("detune_cents", 0.9),)), "")
    for value, found in ((60, 0.9), (80, 0.9), (100, 0.9), (127, 1.0), (64, 1 / 127)):
        send(case, value, 7)
        assert case.state("reed").settings.detune_cents == pytest.approx(found)


@pytest.mark.parametrize("to", ["none", "note", "sample"])
def test_a_toggled_hold_goes_back_to_the_one_before(to):
    scenes = (Scene("one", hold="trigger"),)
    case = foot(switch("hold", kind="toggle", hold=to), scenes=scenes)
    for hold in (to, "trigger", to, "trigger"):
        press(case)
        assert case.engine.live.scene.hold == hold


def test_a_board_that_was_unplugged_has_forgotten_its_bank():  # F2
    case = foot(ANY)
    send(case, 1, 0)
    send(case, 2, 32)
    case.hear(commands.SourceLost("feet"), "")
    program(case, 4)
    assert wanted(case) == "drone"
    send(case, 1, 0)
    send(case, 2, 32)
    case.hear(commands.SourceLost("keys"), "")
    program(case, 4)
    assert wanted(case) == "steps"


def test_a_note_switch_works_after_its_board_was_unplugged_while_it_was_down():
    case = foot(Binding("note", 40, "mute", kind="momentary", voice="reed"))
    for _ in range(2):
        case.hear(NoteOn(0, 40, 100), "feet", 0.1)
        assert case.engine.live.tonight.mute == {"reed"}
        case.hear(commands.SourceLost("feet"), "")
        assert case.engine.live.tonight.mute == frozenset()
        case.hear(NoteOff(0, 40), "feet", 0.1)  # of a key that went down before it was there
    case.hear(NoteOn(0, 40, 100), "feet", 0.1)
    case.hear(NoteOff(0, 40), "feet", 0.1)
    assert case.engine.live.tonight.mute == frozenset()
    assert case.on() == []


@pytest.mark.parametrize("action", ["bypass", "mute", "solo"])
def test_a_light_of_voices_is_lit_while_they_are_set(action):  # F8
    case = foot(switch(action, kind="toggle", voice="horn", feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    for value in (127, 0, 127):
        case.engine.pedals.lights.due.clear()
        press(case)
        assert [m.value for _, m in case.engine.pedals.lights.due] == [value]


def test_a_press_that_would_become_long_comes_to_nothing_with_its_board():
    case = foot(switch("transpose", kind="trigger", by=7.0, long_press_s=0.5))
    send(case, 127)
    case.hear(commands.SourceLost("feet"), "")
    case.pass_time(1.0)
    assert case.engine.live.tonight.transpose_semitones == 0
    assert case.engine.pedals.wake_at_s is None


@pytest.mark.parametrize("kept", [True, False])
def test_a_reload_remembers_what_its_bindings_had_changed(kept):
    toggle = switch("transpose", kind="toggle", to=5.0)
    case = foot(toggle)
    case.hear(commands.ChangeTonight(transpose_semitones=2), "")
    press(case)
    boards = case.engine.rig.pedalboards
    if not kept:
        case.hear(commands.Reload(replace(case.engine.rig, pedalboards={}), SCENES), "")
    case.hear(commands.Reload(replace(case.engine.rig, pedalboards=boards), SCENES), "")
    press(case)
    assert case.engine.live.tonight.transpose_semitones == (2 if kept else 0)
