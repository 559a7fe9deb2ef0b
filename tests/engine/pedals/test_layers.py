"""What a pedal adds ends with it, whatever changed meanwhile, and is never stored (N6, F8)."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.mpe_zones import MpeSettings
from zerobeat.engine.pedals.bindings import Binding, Learned, Pedalboard
from zerobeat.engine.settings import Input, Scene, Voice, VoiceSettings
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)
SCENES = (Scene("one", hold="none"), Scene("two", hold="none"))


def switch(action, number=80, **more):
    return Binding("controller", number, action, **more)


def stage(*bindings, voices=2, scenes=SCENES, **more):
    rig = small_rig(voices, inputs=(KEYS, FEET), **more)
    return EngineHarness(replace(rig, pedalboards={"feet": Pedalboard("Feet", bindings)}), scenes)


def send(case, value, number=80, after_s=0.1):
    case.hear(ControlChange(0, number, value), "feet", after_s)


def press(case, number=80):
    send(case, 127, number)
    send(case, 0, number)


def unbind(case):
    case.hear(commands.Reload(replace(case.engine.rig, pedalboards={}), SCENES), "")


def light(case, number=80):
    """Return what the light of a switch shows, by what was sent to it."""
    shown = [m.value for _, m in case.engine.pedals.lights.due if m.controller == number]
    return shown[-1] if shown else None


# ---------------------------------------------------------------- toggled layers


@pytest.mark.parametrize("kind", ["momentary", "toggle", "latching"])
def test_set_root_ends_with_its_binding_and_the_keyboard_plays(kind):
    case = stage(switch("set_root", kind=kind))
    send(case, 127)
    unbind(case)
    case.hear(NoteOn(0, 60, 100))
    assert case.gates() == [(0, 60), (1, 60)]


@pytest.mark.parametrize("kind", ["momentary", "toggle", "latching"])
@pytest.mark.parametrize("end", ["unbind", "panic", "lost", "learned"])
def test_sustain_ends_with_binding_board_and_panic_and_no_note_hangs(kind, end):
    case = stage(switch("sustain", kind=kind, feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    send(case, 127)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert len(case.gates()) == 2
    if end == "unbind":
        unbind(case)
    elif end == "panic":
        case.hear(commands.Panic(), "")
    elif end == "lost":
        case.hear(commands.SourceLost("feet"), "")
    else:
        case.hear(commands.UseLearned((Learned("feet", switch("next")),)), "")
    assert case.gates() == []
    if end in ("panic", "lost"):
        assert light(case) == 0  # lit means sustaining
    case.hear(NoteOn(0, 62, 100))
    case.hear(NoteOff(0, 62))
    assert case.gates() == []


def test_set_root_ends_with_panic():
    case = stage(switch("set_root", kind="toggle"))
    press(case)
    case.hear(commands.Panic(), "")
    case.hear(NoteOn(0, 60, 100))
    assert len(case.gates()) == 2


def test_a_toggled_sustain_goes_off_again_after_panic_and_on_with_the_next_press():
    case = stage(switch("sustain", kind="toggle"), voices=1)
    press(case)
    case.hear(commands.Panic(), "")
    press(case)  # on again, not off
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == [(0, 60)]
    press(case)
    assert case.gates() == []


def test_one_switch_on_two_channels_is_two_pedals():
    case = stage(switch("sustain", kind="momentary"), voices=1)
    case.hear(ControlChange(0, 80, 127), "feet", 0.1)
    case.hear(ControlChange(1, 80, 127), "feet", 0.1)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    case.hear(ControlChange(0, 80, 0), "feet", 0.1)
    assert case.gates() == [(0, 60)]
    case.hear(ControlChange(1, 80, 0), "feet", 0.1)
    assert case.gates() == []


# ---------------------------------------------------------------- momentary settings


def test_a_momentary_transposition_is_not_stored():
    case = stage(switch("transpose", kind="momentary", by=7.0))
    send(case, 127)
    assert case.engine.live.tonight.transpose_semitones == 7
    assert case.engine.live.base_tonight.transpose_semitones == 0  # what a stop or a crash keeps


@pytest.mark.parametrize("more", [{"by": 7.0}, {"to": 7.0}])
def test_a_clients_transposition_stands_when_the_pedal_comes_up(more):
    case = stage(switch("transpose", kind="momentary", **more))
    send(case, 127)
    case.hear(commands.ChangeTonight(transpose_semitones=-2), "")
    send(case, 0)
    assert case.engine.live.tonight.transpose_semitones == -2


def test_a_momentary_mute_leaves_what_a_client_muted_meanwhile():
    case = stage(switch("mute", kind="momentary", voice="reed"))
    send(case, 127)
    case.hear(commands.Mute("reed", True), "")
    send(case, 0)
    assert case.engine.live.tonight.mute == {"reed"}


@pytest.mark.parametrize("action", ["bypass", "mute", "solo"])
def test_momentary_switches_of_voices_are_layers(action):
    case = stage(switch(action, kind="momentary", voice="reed"))
    send(case, 127)
    assert "reed" in getattr(case.engine.live.tonight, action)
    assert "reed" not in getattr(case.engine.live.base_tonight, action)
    case.hear(commands.Panic(), "")
    assert "reed" not in getattr(case.engine.live.tonight, action)
    send(case, 0)
    assert "reed" not in getattr(case.engine.live.tonight, action)


def test_a_momentary_setting_is_no_part_of_a_store():
    case = stage(switch("set", setting="semitones", to=5.0, kind="momentary"))
    send(case, 127)
    assert case.engine.states["reed"].settings.semitones == 5
    assert case.engine.persistence.to_store("one").of("reed").semitones == 0
    assert not case.engine.live.unsaved
    case.hear(commands.ChangeVoice("reed", (("detune_cents", 9.0),)), "")
    assert case.engine.states["reed"].settings.semitones == 5
    send(case, 0)
    settings = case.engine.states["reed"].settings
    assert (settings.semitones, settings.detune_cents) == (0, 9.0)


def test_a_momentary_setting_lies_over_the_scene_that_comes_meanwhile():
    seven = {"reed": VoiceSettings(semitones=7)}
    scenes = (Scene("one", hold="none"), Scene("two", hold="none", voices=seven))
    case = stage(switch("set", setting="semitones", by=12.0, kind="momentary"), scenes=scenes)
    send(case, 127)
    case.hear(commands.RecallScene("two"), "")
    assert case.engine.states["reed"].settings.semitones == 19
    send(case, 0)
    assert case.engine.states["reed"].settings.semitones == 7


@pytest.mark.parametrize("kind", ["momentary", "trigger"])
def test_a_pedal_says_whose_settings_it_set(kind):
    case = stage(switch("set", setting="semitones", to=5.0, kind=kind))
    send(case, 127)
    assert case.engine.pedals.said == "feet: all: semitones +5"


def test_a_momentary_hold_is_no_part_of_a_store():
    case = stage(switch("hold", hold="trigger", kind="momentary"))
    send(case, 127)
    assert case.engine.live.scene.hold == "trigger"
    assert case.engine.persistence.to_store("one").hold == "none"
    send(case, 0)
    assert case.engine.live.scene.hold == "none"


def test_a_layer_that_waits_for_a_note_ends_though_what_waits_is_cancelled():
    scenes = (Scene("one", hold="note"),)
    case = stage(switch("set", setting="semitones", to=5.0, kind="momentary"), scenes=scenes)
    send(case, 127)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    send(case, 0)
    case.hear(commands.CancelWaiting(), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.on()[-2:] == [(0, 60), (1, 60)]


# ---------------------------------------------------------------- lights and toggles


@pytest.mark.parametrize("more", [{"by": 2.0}, {"to": 2.0}])
def test_a_light_goes_out_when_a_client_takes_the_transposition_back(more):
    case = stage(switch("transpose", kind="toggle", feedback=True, **more))
    case.hear(commands.LightsBack("feet"), "")
    press(case)
    assert light(case) == 127
    case.hear(commands.ChangeTonight(transpose_semitones=0), "")
    assert light(case) == 0
    press(case)
    assert case.engine.live.tonight.transpose_semitones == 2
    press(case)
    assert case.engine.live.tonight.transpose_semitones == 0


def test_a_light_goes_out_when_a_client_takes_a_setting_back():
    case = stage(switch("set", setting="semitones", to=5.0, kind="toggle", feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    press(case)
    assert light(case) == 127
    case.hear(commands.ChangeVoice("reed", (("semitones", 0),)), "")
    assert light(case) == 0


def test_a_toggle_is_stored_and_no_layer():
    case = stage(switch("transpose", kind="toggle", by=2.0), switch("bypass", 81, kind="toggle"))
    press(case)
    press(case, 81)
    case.hear(commands.Panic(), "")
    assert case.engine.live.base_tonight.transpose_semitones == 2
    assert case.engine.live.base_tonight.bypass == {"reed", "horn"}


# ---------------------------------------------------------------- switches


def test_a_long_press_pressed_twice_without_a_release_ends_with_its_release():
    case = stage(switch("sustain", kind="momentary", long_press_s=0.3), voices=1)
    send(case, 127)
    case.pass_time(0.5)
    send(case, 127)
    send(case, 0)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_sustain_that_is_learned_as_a_switch_while_it_is_down_comes_up():
    case = stage(voices=1)
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    case.hear(commands.UseLearned((Learned("keys", switch("next", 64)),)), "")
    case.hear(ControlChange(0, 64, 0), "keys", 0.1)
    assert case.gates() == []
    case.hear(NoteOn(0, 62, 100))
    case.hear(NoteOff(0, 62))
    assert case.gates() == []


def test_sustain_on_a_channel_that_passes_from_now_on_comes_up():
    case = stage(voices=1)
    place = 5
    case.hear(PitchBend(place, 4000))
    case.hear(ControlChange(place, 64, 127))
    case.hear(NoteOn(place, 60, 100))
    case.hear(NoteOff(place, 60))
    outputs = (replace(case.engine.rig.outputs[0], pass_channels=(place,)),)
    case.hear(commands.Reload(replace(case.engine.rig, outputs=outputs), SCENES), "")
    case.hear(ControlChange(place, 64, 0))
    assert case.gates() == []
    assert not case.engine.player.wheels.get(("keys", place))


def test_a_passed_through_note_that_is_learned_while_down_is_lifted():
    case = stage(voices=1, pass_channels=(9,))
    case.hear(NoteOn(9, 40, 100))
    assert case.gates() == [(9, 40)]
    case.hear(commands.UseLearned((Learned("keys", Binding("note", 40, "next")),)), "")
    case.hear(NoteOn(9, 40, 100), "keys", 0.1)
    case.hear(NoteOff(9, 40), "keys", 0.1)
    assert case.gates() == []


@pytest.mark.parametrize("end", ["reload", "lost", "learned", "panic"])
def test_sustain_that_was_passed_through_comes_up(end):
    case = stage(voices=1, pass_channels=(9,))
    case.hear(ControlChange(9, 64, 127))
    if end == "reload":
        outputs = (replace(case.engine.rig.outputs[0], pass_channels=()),)
        case.hear(commands.Reload(replace(case.engine.rig, outputs=outputs), SCENES), "")
    elif end == "lost":
        case.hear(commands.SourceLost("keys"), "")
    elif end == "learned":
        case.hear(commands.UseLearned((Learned("keys", switch("next", 64)),)), "")
    else:
        case.hear(commands.Panic(), "")
    case.drain()
    sustains = [m for m in case.heard("out", 9) if isinstance(m, ControlChange)]
    assert [m.value for m in sustains if m.controller == 64] == [127, 0]


def test_two_bindings_of_one_switch_have_one_light_and_the_release_counts():
    both = (
        switch("sustain", kind="momentary", feedback=True),
        switch("mute", kind="toggle", voice="horn", feedback=True),
    )
    case = stage(*both)
    case.hear(commands.LightsBack("feet"), "")
    case.pass_time(1.0)
    case.engine.pedals.lights.due.clear()
    send(case, 127)
    assert [m.value for _, m in case.engine.pedals.lights.due] == [127]
    send(case, 0, after_s=0.03)
    case.pass_time(0.1)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_a_press_and_release_just_after_the_boards_return_count():
    case = stage(switch("sustain", kind="momentary", feedback=True), voices=1)
    case.hear(commands.LightsBack("feet"), "")
    send(case, 127, after_s=0.005)
    send(case, 0, after_s=0.03)
    case.pass_time(0.1)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_a_latching_switch_is_not_fooled_by_its_own_light():
    case = stage(switch("mute", kind="latching", voice="reed", feedback=True))
    case.hear(commands.Mute("reed", True), "")
    case.hear(commands.LightsBack("feet"), "")
    send(case, 127, after_s=1.0)  # it takes the mute away, and its light goes dark
    send(case, 0, after_s=0.03)  # the light, said back
    assert case.engine.live.tonight.mute == frozenset()
    send(case, 0, after_s=1.0)
    assert case.engine.live.tonight.mute == {"reed"}


def test_switches_that_are_all_held_down_are_bounded():
    many = tuple(switch("sustain", number, kind="momentary") for number in range(66, 128))
    case = stage(*many, voices=1)
    for channel in range(16):
        for number in range(66, 128):
            case.hear(ControlChange(channel, number, 127), "feet", 0.0)
    more = tuple(switch("mute", n, kind="momentary", voice="reed") for n in range(66, 128))
    case.hear(commands.UseLearned(tuple(Learned("feet", b) for b in more)), "")
    for channel in range(16):
        for number in range(66, 128):
            case.hear(ControlChange(channel, number, 127), "feet", 0.0)
    assert len(case.engine.pedals._switches) <= 1024
    assert len(case.engine.shared.layers.active) <= 1024


def test_a_press_that_would_become_long_comes_to_nothing_at_panic():
    case = stage(switch("sustain", kind="momentary", long_press_s=0.3), voices=1)
    send(case, 127)
    case.hear(commands.Panic(), "")
    case.pass_time(1.0)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []
    send(case, 0)
    send(case, 127)
    case.pass_time(1.0)
    case.hear(NoteOn(0, 60, 100))
    case.hear(NoteOff(0, 60))
    assert case.gates() == [(0, 60)]


# ---------------------------------------------------------------- what outlives what it is for


@pytest.mark.parametrize("action", ["set_root", "mute", "solo", "bypass"])
def test_a_layer_of_a_voice_that_a_reload_takes_away_leaves_the_keyboard_alone(action):
    case = stage(voices=2)
    learned = (Learned("feet", switch(action, kind="momentary", voice="horn")),)
    case.hear(commands.UseLearned(learned), "")
    send(case, 127)
    case.hear(commands.Reload(replace(case.engine.rig, voices=case.engine.rig.voices[:1]), ()), "")
    case.hear(NoteOn(0, 60, 100))
    assert case.gates() == [(0, 60)]
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


@pytest.mark.parametrize("action", ["bypass", "mute", "solo"])
def test_a_layer_of_all_voices_is_one_of_a_voice_that_comes_meanwhile(action):
    case = stage(switch(action, kind="momentary"))
    send(case, 127)
    voices = (*case.engine.rig.voices, Voice("floor", "out", 5))
    case.hear(commands.Reload(replace(case.engine.rig, voices=voices), SCENES), "")
    assert getattr(case.engine.live.tonight, action) == {"reed", "horn", "floor"}
    send(case, 0)
    assert getattr(case.engine.live.tonight, action) == frozenset()


@pytest.mark.parametrize("controller", [5, 65, 84])
def test_glide_controllers_that_are_learned_as_switches_say_no_more_what_they_said(controller):
    rig = small_rig(1, inputs=(replace(KEYS, glide_controllers=True), FEET))
    case = EngineHarness(rig, (Scene("one", voices={"reed": VoiceSettings(glide_ms=200.0)}),))
    fresh = [None, None, None]
    case.hear(ControlChange(0, controller, 127))
    case.hear(commands.UseLearned((Learned("keys", switch("next", controller)),)), "")
    said = case.engine.shared.glide_controls["keys", 0]
    assert [said.glide_ms, said.on, said.next_from] == fresh


def test_what_was_toggled_stays_on_when_a_store_gives_it_another_name():
    case = stage(switch("set", setting="semitones", by=5.0, kind="toggle", feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    press(case)
    assert light(case) == 127
    stored = case.engine.persistence.to_store("three")
    case.hear(commands.SceneStored(stored, "one"), "")
    assert case.engine.live.scene.name == "three" and light(case) == 127
    press(case)
    assert case.state("reed").settings.semitones == 0 and light(case) == 0


def test_a_toggled_hold_goes_by_the_hold_in_force_while_a_scene_waits():
    scenes = (Scene("one", hold="note"), Scene("two", hold="trigger"))
    case = stage(switch("hold", hold="sample", kind="toggle", feedback=True), scenes=scenes)
    case.hear(commands.LightsBack("feet"), "")
    case.hear(commands.RecallScene("two"), "")
    press(case)
    assert case.engine.live.scene.hold == "sample" and light(case) == 127
    press(case)
    assert case.engine.live.scene.hold == "note" and light(case) == 0


def test_a_press_that_may_be_bounce_comes_to_nothing_at_panic():
    case = stage(switch("sustain", kind="momentary"))
    send(case, 127)
    send(case, 0, after_s=0.03)
    send(case, 127, after_s=0.01)
    case.hear(commands.Panic(), "", 0.001)
    case.pass_time(0.5)
    assert not case.engine.shared.layers.sustains


@pytest.mark.parametrize("how", ["reload", "learned"])
def test_a_light_goes_out_with_its_binding(how):
    case = stage(switch("sustain", kind="toggle", feedback=True), switch("next", 81))
    case.hear(commands.LightsBack("feet"), "")
    press(case)
    assert light(case) == 127
    if how == "reload":
        unbind(case)
    else:
        case.hear(commands.UseLearned((Learned("feet", switch("next")),)), "")
    assert light(case) == 0


def test_a_pedal_that_was_unplugged_is_picked_up_anew():  # F11
    pedal = switch("set", 11, kind="follow", setting="detune_cents", lowest=-50.0, highest=50.0)
    case = stage(pedal)
    send(case, 0, 11)
    case.hear(commands.SourceLost("feet"), "")
    send(case, 127, 11)
    assert case.state("reed").settings.detune_cents == 0.0
    send(case, 40, 11)
    assert case.state("reed").settings.detune_cents < 0.0


def test_two_boards_with_the_same_pedal_are_two_pedals():  # F11
    pedal = switch("set", 11, kind="follow", setting="detune_cents", lowest=-50.0, highest=50.0)
    other = replace(FEET, name="toes", port="Toes:Toes MIDI 1")
    boards = {"feet": Pedalboard("Feet", (pedal,)), "toes": Pedalboard("Feet", (pedal,))}
    rig = replace(small_rig(1, inputs=(KEYS, FEET, other)), pedalboards=boards)
    case = EngineHarness(rig, SCENES)
    send(case, 0, 11)
    case.hear(ControlChange(0, 11, 127), "toes", 0.1)
    assert case.state("reed").settings.detune_cents == 0.0


def test_a_light_of_a_layer_goes_out_at_a_stop():
    case = stage(switch("sustain", kind="toggle", feedback=True))
    case.hear(commands.LightsBack("feet"), "")
    press(case)
    assert light(case) == 127
    case.stop()
    assert light(case) == 0


@pytest.mark.parametrize("how", ["learned", "passed"])
def test_a_zones_sustain_and_glides_end_for_its_fingers_with_the_managers_pedal(how):
    mpe = replace(KEYS, mpe=MpeSettings(lower_members=5), glide_controllers=True)
    case = EngineHarness(small_rig([Voice("reed", "out", 8)], inputs=(mpe, FEET)), SCENES)
    case.hear(ControlChange(0, 65, 127))
    case.hear(ControlChange(0, 64, 127))
    case.hear(NoteOn(1, 60, 100))
    case.hear(NoteOff(1, 60))
    assert case.gates() == [(8, 60)]
    if how == "passed":
        outputs = (replace(case.engine.rig.outputs[0], pass_channels=(0,)),)
        case.hear(commands.Reload(replace(case.engine.rig, outputs=outputs), SCENES), "")
    else:
        learned = tuple(Learned("keys", switch("next", n, channel=0)) for n in (64, 65))
        case.hear(commands.UseLearned(learned), "")
        assert not any(said.on for said in case.engine.shared.glide_controls.values())
    assert case.gates() == []
    case.hear(NoteOn(2, 62, 100))
    case.hear(NoteOff(2, 62))
    assert case.gates() == []


@pytest.mark.parametrize("between", ["lost", "panic", "scene", "another board", "nothing"])
def test_the_second_press_of_a_store_is_of_the_same_switch_and_scene(between):  # F10
    store = switch("store")
    toes = replace(FEET, name="toes", port="Toes:Toes MIDI 1")
    boards = {"feet": Pedalboard("Feet", (store,)), "toes": Pedalboard("Feet", (store,))}
    rig = replace(small_rig(1, inputs=(KEYS, FEET, toes)), pedalboards=boards, stage_lock=False)
    case = EngineHarness(rig, SCENES)
    press(case)
    if between == "lost":
        case.hear(commands.SourceLost("feet"), "")
    elif between == "panic":
        case.hear(commands.Panic(), "")
    elif between == "scene":
        case.hear(commands.RecallScene("two"), "")
    name = "toes" if between == "another board" else "feet"
    case.hear(ControlChange(0, 80, 127), name, 0.1)
    assert len(case.engine.pedals.requests) == (between == "nothing")
