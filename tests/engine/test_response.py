"""Curves of inputs and voices, from the key to the bytes; without any, byte for byte as before."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine.pedals.bindings import Binding, Pedalboard
from zerobeat.engine.response import Response
from zerobeat.engine.settings import Input, Scene, Voice
from zerobeat.midi import (
    ChannelPressure,
    ControlChange,
    NoteOff,
    NoteOn,
    PolyPressure,
    SysEx,
    System,
)
from zerobeat.tuning.response_curve import fixed_curve, named_curve

UP = tuple(min(127, value + 10) for value in range(128))
DOWN = tuple(max(0, value - 20) for value in range(128))
FLOOR = tuple(max(1, value - 20) for value in range(128))
PASSED = ("controllers", "pressure")


def new_case(response=None, own=None, voices=2, **output):
    rig = small_rig(
        [
            Voice(name, "out", i, response=own if i == 0 else None)
            for i, name in enumerate(("reed", "horn")[:voices])
        ],
        inputs=(replace(KEYS, response=response),),
        pass_channels=(9,),
        pass_classes=PASSED,
        **output,
    )
    return EngineHarness(rig)


def struck(case):
    return [(m.channel, m.velocity) for m in case.heard() if isinstance(m, NoteOn)]


def test_velocity_goes_through_the_inputs_curve_then_the_voices():
    case = new_case(Response(velocity=UP), Response(velocity=FLOOR))
    case.hear(NoteOn(0, 60, 50))
    assert struck(case) == [(0, 40), (1, 60)]


@pytest.mark.parametrize("velocity", [1, 5, 20, 127])
def test_no_curve_makes_a_note_on_a_note_off(velocity):
    case = new_case(None, Response(velocity=FLOOR))
    case.hear(NoteOn(0, 60, velocity))
    assert all(found >= 1 for _, found in struck(case))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


def test_a_fixed_velocity_is_the_same_for_all():
    case = new_case(Response(velocity=fixed_curve(90)))
    for key in (60, 62, 64):
        case.hear(NoteOn(0, key, key))
    assert {velocity for _, velocity in struck(case)} == {90}


def test_a_return_to_a_held_key_has_that_keys_velocity():
    case = new_case(Response(velocity=UP), voices=1)
    case.hear(NoteOn(0, 60, 50))
    case.hear(NoteOn(0, 62, 70))
    case.hear(NoteOff(0, 62))
    assert [velocity for _, velocity in struck(case)] == [60, 80, 60]


@pytest.mark.parametrize(
    ("message", "out"),
    [
        (ChannelPressure(0, 50), [ChannelPressure(0, 40), ChannelPressure(1, 60)]),
        (PolyPressure(0, 60, 50), [PolyPressure(0, 60, 40), PolyPressure(1, 60, 60)]),
        (ControlChange(0, 11, 50), [ControlChange(0, 11, 40), ControlChange(1, 11, 60)]),
        (ControlChange(0, 1, 50), [ControlChange(0, 1, 50), ControlChange(1, 1, 50)]),
    ],
)
def test_pressure_and_pedals_of_the_voices_that_hear_them(message, out):
    case = new_case(Response(pressure=UP, pedals=UP), Response(pressure=DOWN, pedals=DOWN))
    case.hear(message)
    case.drain()
    assert case.heard() == out


@pytest.mark.parametrize(
    "message", [NoteOn(9, 40, 50), ChannelPressure(9, 50), ControlChange(9, 11, 50)]
)
def test_what_is_passed_through_stays_as_it_is(message):
    case = new_case(Response(velocity=UP, pressure=UP, pedals=UP))
    case.hear(message)
    case.drain()
    assert case.heard() == [message]


@pytest.mark.parametrize("controller", [4, 11, 20])
def test_a_pedal_that_a_setting_follows_goes_through_the_curve_once(controller):
    feet = Input("feet", "Four Feet:1", plays=False, response=Response(UP, UP, pedals=UP))
    binding = Binding(
        "controller",
        controller,
        "set",
        kind="follow",
        setting="detune_cents",
        lowest=0.0,
        highest=127.0,
        pick_up=False,
    )
    rig = replace(
        small_rig(1, inputs=(KEYS, feet)), pedalboards={"feet": Pedalboard("Feet", (binding,))}
    )
    case = EngineHarness(rig, (Scene("one", hold="none"),))
    case.hear(ControlChange(0, controller, 50), "feet")
    assert case.state("reed").settings.detune_cents == 60.0


def test_a_message_without_a_channel_goes_by_an_input_with_curves():
    case = new_case(Response(velocity=UP, pressure=UP, pedals=UP))
    exclusive = SysEx(b"\xf0\x7e\x7f\x06\x01\xf7")
    assert case.hear(exclusive) == case.hear(System(0xF8)) == []
    assert (case.engine.counts["sysex"], case.engine.counts["clock"]) == (1, 1)


def test_a_pedalboards_notes_have_no_velocity_curve():
    """Its lights may come back, and are known by what was sent."""
    feet = Input("feet", "Four Feet:1", plays=False, response=Response(velocity=fixed_curve(9)))
    case = EngineHarness(small_rig(1, inputs=(KEYS, feet)))
    assert case.engine.policy.respond(NoteOn(0, 40, 127), "feet") == NoteOn(0, 40, 127)


def test_a_linear_curve_changes_nothing():
    linear = named_curve("linear", 1), named_curve("linear"), named_curve("linear")
    cases = [new_case(), new_case(Response(*linear), Response(*linear))]
    for case in cases:
        for message in (
            NoteOn(0, 60, 1),
            ChannelPressure(0, 0),
            ControlChange(0, 4, 127),
            NoteOn(0, 62, 127),
            NoteOff(0, 60),
            PolyPressure(0, 62, 64),
        ):
            case.hear(message)
        case.drain()
    assert cases[0].sent == cases[1].sent
