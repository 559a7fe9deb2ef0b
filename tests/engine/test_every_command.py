"""Every command in every kind of state: what is refused has changed nothing (invariant 4).

Commands join by themselves: a class of ``commands`` without samples here fails a test.
"""

from __future__ import annotations

import contextlib
import inspect
from collections import deque
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from typing import Any, get_args

import pytest

from kit.every_state import BINDINGS, SCENES, STATES, new_case
from zerobeat.engine import commands
from zerobeat.engine.dispatch import always
from zerobeat.engine.pedals.bindings import ACTIONS, KINDS, ON_OFF, Binding, Learned, Pedalboard
from zerobeat.engine.settings import Scene, TouchUp
from zerobeat.errors import CommandError
from zerobeat.midi import ControlChange, NoteOff, NoteOn

# ---------------------------------------------------------------- commands


def _reloads() -> list[commands.Reload]:
    rig = new_case().engine.rig
    return [
        commands.Reload(rig, SCENES),
        commands.Reload(replace(rig, outputs=()), SCENES),
        commands.Reload(replace(rig, voices=(*rig.voices, rig.voices[0])), SCENES),
        commands.Reload(rig, (*SCENES, SCENES[0])),
        commands.Reload(replace(rig, voices=rig.voices[1:]), SCENES[:1]),
    ]


SAMPLES: dict[type, list[Any]] = {
    commands.RecallScene: [commands.RecallScene("two"), commands.RecallScene("nine")],
    commands.RecallProgram: [commands.RecallProgram(2), commands.RecallProgram(99, 3)],
    commands.StepScene: [commands.StepScene(1), commands.StepScene(-1), commands.StepScene(99)],
    commands.SetList: [
        commands.SetList(("two", "one")),
        commands.SetList(("nine",)),
        commands.SetList(("one",) * 201),
    ],
    commands.ChangeVoice: [
        commands.ChangeVoice(None, (("detune_cents", 3.0), ("wheel", "stepped"))),
        commands.ChangeVoice("reed", (("hold", "trigger"),)),
        commands.ChangeVoice("nobody", (("semitones", 1),)),
        commands.ChangeVoice("reed", (("semitones", 1), ("colour", 1))),
        commands.ChangeVoice("reed", (("semitones", 999),)),
        commands.ChangeVoice(None, (("detune_cents", float("nan")),)),
    ],
    commands.ChangeScene: [
        commands.ChangeScene((("hold", "sample"),)),
        commands.ChangeScene((("zones", ()), ("colour", 1))),
    ],
    commands.ChangeTonight: [
        commands.ChangeTonight(442.0, 2),
        commands.ChangeTonight(442.0, 99),
        commands.ChangeTonight(20.0, 2),
        commands.ChangeTonight(float("nan")),
    ],
    commands.SetTouchUp: [
        commands.SetTouchUp("reed", TouchUp(3.0, 1.0)),
        commands.SetTouchUp("nobody", TouchUp(3.0)),
        commands.SetTouchUp("reed", TouchUp(3000.0)),
        commands.SetTouchUp("reed", TouchUp(0.0, -1200.0)),
        commands.SetTouchUp("reed", TouchUp(0.0, 1.0, 1e12)),
        commands.SetTouchUp("reed", TouchUp(0.0, 1.0, float("nan"))),
    ],
    commands.Follow: [
        commands.Follow("reed", TouchUp(3.0, 1.0), 0.5),
        commands.Follow("reed", None),
        commands.Follow("nobody", TouchUp(3.0)),
        commands.Follow("reed", TouchUp(3000.0)),
        commands.Follow("reed", TouchUp(3.0), 2.0),
    ],
    commands.Bypass: [commands.Bypass(None, True), commands.Bypass("nobody", True)],
    commands.Mute: [commands.Mute("reed", True), commands.Mute("nobody", True)],
    commands.Solo: [commands.Solo("reed", True), commands.Solo("nobody", True)],
    commands.TriggerNow: [commands.TriggerNow()],
    commands.RootKey: [commands.RootKey(True), commands.RootKey(True, "nobody")],
    commands.CancelWaiting: [commands.CancelWaiting()],
    commands.Panic: [commands.Panic()],
    commands.PlayRaw: [
        commands.PlayRaw("horn", 61),
        commands.PlayRaw("nobody", 61),
        commands.PlayRaw("horn", 128),
        commands.PlayRaw("horn", 61, 999.0),
        commands.PlayRaw("horn", 61, float("nan")),
        commands.PlayRaw("horn", 61, 0.0, 0),
    ],
    commands.PlayPitch: [
        commands.PlayPitch("horn", 6000.0),
        commands.PlayPitch("nobody", 6000.0),
        commands.PlayPitch("horn", 99_000.0),
        commands.PlayPitch("horn", float("nan")),
        commands.PlayPitch("horn", float("-inf")),
        commands.PlayPitch("horn", 6000.0, 128),
    ],
    commands.ReleaseVoice: [
        commands.ReleaseVoice("reed"),
        commands.ReleaseVoice(),
        commands.ReleaseVoice("nobody"),
    ],
    commands.SceneStored: [commands.SceneStored(Scene("one", program=5), "one")],
    commands.Revert: [commands.Revert()],
    commands.Undo: [commands.Undo()],
    commands.UseProfile: [
        commands.UseProfile("reed", None, None, "old"),
        commands.UseProfile("nobody", None),
    ],
    commands.SourceLost: [commands.SourceLost("keys"), commands.SourceLost("nothing")],
    commands.OutputLost: [commands.OutputLost("out"), commands.OutputLost("nothing")],
    commands.OutputBack: [commands.OutputBack("out")],
    commands.UseLearned: [
        commands.UseLearned((Learned("keys", Binding("controller", 64, "next")),))
    ],
    commands.LightsBack: [commands.LightsBack("feet")],
    commands.LightsLost: [commands.LightsLost("feet")],
    commands.Reload: _reloads(),
}
CLASSES = [
    kind
    for _, kind in inspect.getmembers(commands, inspect.isclass)
    if kind.__module__ == commands.__name__ and is_dataclass(kind)
]


def test_every_command_has_samples_and_a_handler():
    assert set(CLASSES) == set(get_args(commands.Command)) == set(SAMPLES)
    handlers = new_case().engine._table._handlers
    assert set(handlers) == set(CLASSES)


# ---------------------------------------------------------------- equal state

# Time, and what is only worked out once to be faster.
LEFT_OUT = {"now_s", "_rests", "_found", "_pieces"}


def fingerprint(value: Any, seen: dict[int, int] | None = None) -> Any:
    """Return a picture of an object and all that it refers to, which equal states share."""
    seen = {} if seen is None else seen
    if value is None or isinstance(value, (bool, int, float, str, bytes, Enum, type)):
        return value
    if callable(value) and not hasattr(value, "__dict__"):
        return "callable"
    if inspect.isroutine(value) or type(value).__name__ == "Handler":
        return "callable"
    if isinstance(value, (tuple, list, deque)):
        return [fingerprint(item, seen) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted(repr(fingerprint(item, seen)) for item in value)
    if isinstance(value, dict):
        return [(fingerprint(k, seen), fingerprint(v, seen)) for k, v in value.items()]
    if id(value) in seen:
        return f"again {seen[id(value)]}"
    seen[id(value)] = len(seen)
    if is_dataclass(value):
        names = [field.name for field in fields(value)]
    else:
        slots = [name for kind in type(value).__mro__ for name in getattr(kind, "__slots__", ())]
        names = [*slots, *vars(value)] if hasattr(value, "__dict__") else slots
    parts = [
        (name, fingerprint(getattr(value, name, None), seen))
        for name in names
        if name not in LEFT_OUT
    ]
    return (type(value).__name__, parts)


def test_the_fingerprint_sees_a_change():
    case = new_case()
    before = fingerprint(case.engine)
    assert fingerprint(case.engine) == before
    case.engine.shared.voices["reed"].clamps += 1
    assert fingerprint(case.engine) != before
    again = new_case()
    assert fingerprint(again.engine) == before
    again.hear(NoteOn(0, 60, 100))
    again.hear(NoteOff(0, 60))
    assert fingerprint(again.engine) != before


@pytest.mark.parametrize("kind", CLASSES, ids=lambda kind: kind.__name__)
def test_a_refused_command_changes_nothing_in_any_state(kind):
    refused = 0
    for state in STATES:
        for command in SAMPLES[kind]:
            case = new_case()
            state(case)
            before = fingerprint(case.engine)
            outputs: list[Any] = []
            try:
                case.engine.receive(command, "", case.now_s + 0.5, outputs)
            except CommandError as error:
                refused += 1
                assert "\n" not in str(error)
                assert outputs == []
                assert fingerprint(case.engine) == before
            case.put(outputs)
            case.hear(commands.OutputBack("out"), "")
            case.stop()
            assert case.gates() == []
    unchecked = new_case().engine._table._handlers[kind].check is always
    assert unchecked == (refused == 0)


# ---------------------------------------------------------------- pedals


def _bindings() -> list[Binding]:
    """Return bindings of every action and kind, of which some can't be carried out."""
    found = []
    for action in ACTIONS:
        for kind in KINDS:
            if kind == "follow" or (kind == "momentary" and action not in ON_OFF):
                continue
            more: dict[str, Any] = {"kind": kind}
            wrong: dict[str, Any] = {}
            if action in ("bypass", "mute", "solo", "set_root"):
                more["voice"], wrong["voice"] = "reed", "nobody"
            if action == "recall":
                more["scene"], wrong["scene"] = "two", "nine"
            if action == "hold":
                more["hold"] = "sample"
            if action == "transpose":
                more["by"], wrong["by"] = 2.0, 60.0
            if action == "set":
                more |= {"setting": "semitones", "by": 1.0}
                wrong["setting"] = "degrees"
            found.append(Binding("controller", 90, action, **more))
            if wrong:
                found.append(Binding("controller", 90, action, **{**more, **wrong}))
    found += [
        Binding("controller", 90, "set", kind="follow", setting=setting, lowest=-9.0, highest=9.0)
        for setting in ("degrees", "detune_cents")
    ]
    return found


@pytest.mark.parametrize("binding", _bindings(), ids=lambda b: f"{b.action} {b.kind}")
def test_a_refused_pedal_changes_no_setting_and_sends_nothing(binding):
    for state in STATES:
        case = new_case()
        state(case)
        case.hear(commands.ChangeTonight(transpose_semitones=5), "")
        pedalboards = {"feet": Pedalboard("Feet", (*BINDINGS, binding))}
        case.hear(commands.Reload(replace(case.engine.rig, pedalboards=pedalboards), SCENES), "")
        for value in (127, 0, 64):
            case.pass_time(0.2)
            before = fingerprint([*case.engine.live.parts(), case.engine.shared.keys])
            sounding = case.engine.ledger.sounding()
            made = len(case.made)
            case.hear(ControlChange(0, 90, value), "feet", 0.0)
            if case.engine.pedals.refused:
                after = fingerprint([*case.engine.live.parts(), case.engine.shared.keys])
                assert after == before
                assert case.engine.ledger.sounding() == sounding
                assert case.made[made:] == [[]]


# ---------------------------------------------------------------- layers

LAYERS = (
    Binding("controller", 90, "transpose", kind="momentary", by=3.0),
    Binding("controller", 90, "set", kind="momentary", setting="detune_cents", to=7.0),
    Binding("controller", 90, "hold", kind="momentary", hold="sample"),
    Binding("controller", 90, "bypass", kind="momentary", keep_touch_up=True, voice="horn"),
    Binding("controller", 90, "mute", kind="momentary", voice="horn"),
    Binding("controller", 90, "solo", kind="momentary", voice="floor"),
    Binding("controller", 90, "sustain", kind="momentary"),
    Binding("controller", 90, "set_root", kind="momentary", voice="reed"),
)


def _under(layer: Binding, command: Any, down: bool) -> Any:
    """Return what plays and is kept after a command, with a pedal down during it or not at all."""
    case = new_case()
    rig = replace(case.engine.rig, pedalboards={"feet": Pedalboard("Feet", (layer,))})
    case.hear(commands.Reload(rig, SCENES), "")
    case.hear(ControlChange(0, 90, 127 if down else 0), "feet", 0.1)
    with contextlib.suppress(CommandError):
        case.hear(command, "")
    case.hear(ControlChange(0, 90, 0), "feet", 0.1)
    live, shared = case.engine.live, case.engine.shared
    settings = {name: state.wanted for name, state in shared.voices.items()}
    return live.base_tonight, live.tonight, live.scene, live.waiting_scene, live.wanted(), settings


@pytest.mark.parametrize("layer", LAYERS, ids=lambda b: b.action)
def test_a_pedal_that_was_down_during_any_command_leaves_nothing(layer):
    for samples in SAMPLES.values():
        for command in samples:
            assert _under(layer, command, True) == _under(layer, command, False), command
