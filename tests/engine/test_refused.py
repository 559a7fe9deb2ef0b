"""What is refused has moved nothing (invariant 4); outputs once appended leave."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import ExtraRoute, ExtraSocket, Input, Rig, Scene, VoiceSettings
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn
from zerobeat.tuning.scale import preset

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)
RUN = commands.PlayRaw("reed", 60)
TWO = (Scene("one"), Scene("two"))


def with_pedals(*bindings: Binding, scenes=TWO, voices: int = 2) -> EngineHarness:
    rig = small_rig(voices, inputs=(KEYS, FEET))
    rig = Rig(
        rig.inputs, rig.outputs, rig.voices, pedalboards={"feet": Pedalboard("Feet", bindings)}
    )
    return EngineHarness(rig, scenes)


def refuse(case: EngineHarness, command: object) -> None:
    outputs: list = []
    with pytest.raises(CommandError):
        case.engine.receive(command, "", case.now_s + 0.01, outputs)
    assert outputs == []


@pytest.mark.parametrize(
    "command",
    [
        commands.StepScene(-1),
        commands.RecallProgram(99),
        commands.RecallScene("nine"),
        commands.PlayRaw("nobody", 60),
        commands.ChangeVoice("nobody", (("semitones", 1),)),
    ],
    ids=lambda command: type(command).__name__,
)
def test_a_refused_command_leaves_a_measuring_run_alone(command):
    case = EngineHarness(small_rig(2), TWO)
    case.hear(RUN, "")
    assert case.gates() == [(0, 60)]
    refuse(case, command)
    assert case.engine.measuring.running
    assert case.gates() == [(0, 60)] == [(c, n) for _, c, n in case.engine.ledger.sounding()]
    case.hear(commands.Panic(), "")
    assert case.gates() == []


def test_a_failing_revert_leaves_a_measuring_run_alone():
    case = EngineHarness(small_rig(2), TWO)
    case.hear(commands.Reload(case.engine.rig, (Scene("other"),)), "")
    case.hear(RUN, "")
    refuse(case, commands.Revert())  # scene one is stored no more
    assert case.engine.measuring.running
    case.hear(commands.Panic(), "")
    assert case.gates() == []


def test_a_refused_pedal_leaves_a_measuring_run_alone():
    case = with_pedals(Binding("controller", 80, "previous"))
    case.hear(RUN, "")
    case.hear(ControlChange(0, 80, 127), "feet")
    assert case.engine.pedals.refused
    assert case.engine.measuring.running
    assert case.gates() == [(0, 60)]


@pytest.mark.parametrize("kind", ["trigger", "momentary", "toggle"])
def test_degrees_for_all_voices_are_refused_whole(kind):
    """The second voice is continuous: the first must not have changed, its light is dark."""
    voices = {"reed": VoiceSettings(scale=preset("dorian")), "horn": VoiceSettings()}
    binding = Binding("controller", 80, "set", kind=kind, setting="degrees", by=1.0, feedback=True)
    case = with_pedals(binding, scenes=(Scene("one", hold="none", voices=voices),))
    case.hear(commands.LightsBack("feet"), "")
    case.hear(ControlChange(0, 80, 127), "feet", 0.1)
    assert case.engine.pedals.refused
    assert case.engine.states["reed"].settings.degrees == 0
    assert [message.value for _, message in case.engine.pedals.lights.due] == [0]


def test_a_transposition_beyond_the_limits_is_refused_whole():
    binding = Binding("controller", 80, "transpose", kind="momentary", by=50.0, feedback=True)
    case = with_pedals(binding)
    case.hear(commands.ChangeTonight(transpose_semitones=20), "")
    case.hear(ControlChange(0, 80, 127), "feet", 0.1)
    assert case.engine.pedals.refused
    case.hear(ControlChange(0, 80, 0), "feet", 0.1)
    assert case.engine.live.tonight.transpose_semitones == 20


def test_a_follow_pedal_is_refused_whole():
    voices = {"reed": VoiceSettings(scale=preset("dorian")), "horn": VoiceSettings()}
    binding = Binding(
        "controller", 11, "set", kind="follow", setting="degrees", lowest=0.0, highest=7.0
    )
    case = with_pedals(binding, scenes=(Scene("one", hold="none", voices=voices),))
    for value in (0, 60, 127):
        case.hear(ControlChange(0, 11, value), "feet", 0.1)
    assert case.engine.states["reed"].settings.degrees == 0


def test_a_rig_that_does_not_hold_together_is_refused_whole():
    case = EngineHarness(small_rig(2), TWO)
    case.hear(NoteOn(0, 60, 100))
    rig = case.engine.rig
    refuse(case, commands.Reload(Rig(rig.inputs, (), rig.voices), TWO))
    refuse(case, commands.Reload(Rig(rig.inputs, rig.outputs, rig.voices * 2), TWO))
    assert case.engine.rig is rig
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_keys_that_are_due_to_be_read_are_read_by_the_next_event_not_by_a_refusal():
    """A refused command appends nothing, even where something had fallen due."""
    scene = Scene("one", hold="sample")
    case = EngineHarness(small_rig(1), (scene,))
    case.hear(NoteOn(0, 60, 100))
    case.engine.triggers.read_at_s = case.now_s
    case.engine.states["reed"].read_due = True
    refuse(case, commands.RecallScene("nine"))
    assert case.engine.triggers.read_at_s is not None


def test_a_rig_with_a_socket_of_no_output_is_refused_whole():
    case = EngineHarness(small_rig(2), TWO)
    route = ExtraRoute("nowhere", ExtraSocket("cutoff", "controller", 3, 7), "keys", "wheel")
    rig = case.engine.rig
    refuse(case, commands.Reload(replace(rig, extra=(route,)), TWO))
    assert case.engine.rig is rig


@pytest.mark.parametrize(
    ("twice", "said"),
    [("inputs", "'keys'"), ("outputs", "'out'"), ("voices", "'reed'"), ("scenes", "'one'")],
)
def test_a_rig_with_a_name_twice_says_of_what(twice, said):
    case = EngineHarness(small_rig(1, inputs=(KEYS,)), TWO)
    rig, scenes = case.engine.rig, TWO
    if twice == "scenes":
        scenes = (*TWO, TWO[0])
    else:
        rig = replace(rig, **{twice: getattr(rig, twice) * 2})
    with pytest.raises(CommandError, match=f"^{twice}: found {said} twice; allowed: each"):
        case.hear(commands.Reload(rig, scenes), "")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("concert_a_hz", 20.0),
        ("transpose_semitones", 61),
        ("transpose_cents", 1201.0),
        ("transpose_degrees", 1001),
    ],
)
def test_a_global_setting_beyond_its_limits_is_named(name, value):
    case = EngineHarness(small_rig(1), TWO)
    with pytest.raises(CommandError, match=f"^{name}: found {value}; allowed: "):
        case.hear(commands.ChangeTonight(**{name: value}), "")
