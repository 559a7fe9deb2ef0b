"""A small case brought into every kind of state that a command may meet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.settings import Input, Scene, Trigger, Voice, VoiceSettings
from zerobeat.midi import CLOCK, START, ControlChange, NoteOff, NoteOn
from zerobeat.tuning.scale import preset

FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)
DORIAN = VoiceSettings(scale=preset("dorian"))
SCENES = (
    Scene("one", program=0, voices={"reed": DORIAN}),
    Scene("two", program=1, hold="trigger", triggers=(Trigger("clock"), Trigger("key"))),
    Scene("frozen", program=2, hold="sample", triggers=(Trigger("clock"),)),
)
BINDINGS = (
    Binding("controller", 64, "sustain", kind="momentary"),
    Binding("controller", 80, "transpose", kind="momentary", by=7.0),
    Binding("controller", 81, "set", kind="momentary", setting="semitones", by=5.0),
)


def new_case() -> EngineHarness:
    voices = (
        Voice("reed", "out", 0),
        Voice("horn", "out", 1),
        Voice("floor", "out", 2, gate_ignored=True),
    )
    rig = replace(
        small_rig(voices, inputs=(KEYS, FEET), pass_channels=(9,)),
        clock_from="keys",
        pedalboards={"feet": Pedalboard("Feet", BINDINGS)},
    )
    return EngineHarness(rig, SCENES)


# ---------------------------------------------------------------- kinds of state


def measuring(case: EngineHarness) -> None:
    case.hear(commands.PlayRaw("reed", 60, 20.0), "")
    case.hear(commands.PlayPitch("floor", 4800.0), "")


def waiting(case: EngineHarness) -> None:
    case.hear(commands.RecallScene("two"), "")
    case.hear(commands.ChangeVoice("horn", (("semitones", 3),)), "")


def keys_down(case: EngineHarness) -> None:
    for key in (60, 64, 67):
        case.hear(NoteOn(0, key, 100))
    case.hear(NoteOn(9, 40, 100))
    case.hear(ControlChange(0, 64, 127))


def pedals_down(case: EngineHarness) -> None:
    case.hear(NoteOn(0, 60, 100))
    for binding in BINDINGS:
        case.hear(ControlChange(0, binding.number, 127), "feet", 0.1)
    case.hear(NoteOff(0, 60))


def output_lost(case: EngineHarness) -> None:
    case.hear(NoteOn(0, 60, 100))
    case.hear(commands.OutputLost("out"), "")


def clock_running(case: EngineHarness) -> None:
    case.hear(commands.RecallScene("two"), "")
    case.hear(NoteOn(0, 60, 100))
    case.hear(START)
    for _ in range(30):
        case.hear(CLOCK, "keys", 0.02)
    case.hear(commands.ChangeVoice(None, (("octaves", 1),)), "")


def sampling(case: EngineHarness) -> None:
    case.hear(commands.RecallScene("frozen"), "")
    case.hear(NoteOn(0, 60, 100))
    case.hear(START)
    for _ in range(24):
        case.hear(CLOCK, "keys", 0.02)
    case.hear(NoteOn(0, 62, 100))
    case.hear(CLOCK, "keys", 0.02)  # the keys are to be read a little later


def scene_gone(case: EngineHarness) -> None:
    case.hear(commands.Reload(case.engine.rig, SCENES[1:]), "")
    case.hear(commands.Mute("reed", True), "")


STATES: tuple[Callable[[EngineHarness], None], ...] = (
    lambda case: None,
    measuring,
    waiting,
    keys_down,
    pedals_down,
    output_lost,
    clock_running,
    sampling,
    scene_gone,
)
