"""What a foot means (requirements F1 to F11).

Thresholds: MIDI 1.0 Detailed Specification, Table III note: 0 to 63 off, 64 to 127 on.
Debounce of 20 ms and the rest: the project's own requirements.
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from kit.playing import KEYS, Playing, small_rig

from zerobeat.engine import commands
from zerobeat.engine.bindings import Binding, FootRequest, Learned, Pedalboard
from zerobeat.engine.settings import Input, Scene, VoiceSettings
from zerobeat.midi import ControlChange, NoteOff, NoteOn, ProgramChange

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
    return Playing(made, scenes)


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


def test_banks_are_kept_by_channel(): # F2
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


@pytest.mark.parametrize(("first", "shown"), [(0, "program 11 (wire 11)"), (1, "program 12 (wire 11)")])
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
    press(case, 81)
    assert len(case.engine.pedals.requests) == 1
    send(case, 127, 81)
    case.pass_time(0.6)
    assert len(case.engine.pedals.requests) == 2


@pytest.mark.parametrize("action", ["revert", "touch_up", "go_on"])
def test_what_the_engine_cannot_do_is_handed_out(action):
    case = foot(switch(action, voice="reed"))
    press(case)
    assert case.engine.pedals.requests == [FootRequest(action, "feet", voice="reed")]
