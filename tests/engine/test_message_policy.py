"""What happens to every class of message (requirement M10), counted where it is dropped."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine.commands import (
    OutputBack,
    OutputLost,
    Panic,
    RecallScene,
    Reload,
    SourceLost,
    UseLearned,
)
from zerobeat.engine.pedals.bindings import Binding, Learned
from zerobeat.engine.settings import MESSAGE_CLASSES, Input, Scene, Zone
from zerobeat.midi import (
    ACTIVE_SENSING,
    CLOCK,
    CONTINUE,
    RESET,
    START,
    STOP,
    ChannelPressure,
    ControlChange,
    NoteOff,
    NoteOn,
    PitchBend,
    PolyPressure,
    ProgramChange,
    SongPosition,
    SysEx,
    System,
    bend_range_messages,
)

STEPS = Input("steps", "Step Box:Step Box MIDI 1")
FEET = Input("feet", "Four Feet:Four Feet MIDI 1", plays=False)
SYSEX = SysEx(b"\xf0\x7d\x01\xf7")
# class, message from channel 0, what goes to the voice's channel 0
CLASSES = [
    ("clock", CLOCK),
    ("transport", START),
    ("transport", CONTINUE),
    ("transport", STOP),
    ("transport", SongPosition(16)),
    ("controllers", ControlChange(0, 74, 20)),
    ("pressure", ChannelPressure(0, 90)),
    ("pressure", PolyPressure(0, 60, 90)),
    ("program", ProgramChange(0, 3)),
    ("sysex", SYSEX),
    ("active_sensing", ACTIVE_SENSING),
]


def case_of(*, voices=1, scenes=(), clock_from="keys", **output):
    rig = small_rig(voices, inputs=(KEYS, STEPS, FEET), **output)
    return EngineHarness(replace(rig, clock_from=clock_from), scenes)


def dropped(case):
    return {name: count for name, count in case.engine.counts.items() if count}


def test_the_table_names_every_class():
    assert {kind for kind, _ in CLASSES} == set(MESSAGE_CLASSES)


@pytest.mark.parametrize(("kind", "message"), CLASSES, ids=[repr(row[1]) for row in CLASSES])
def test_a_class_is_passed_where_listed_and_dropped_and_counted_elsewhere(kind, message):
    listed = case_of(pass_classes=(kind,))
    assert listed.hear(message) == [message]
    assert dropped(listed) == {}
    others = case_of(pass_classes=tuple(name for name in MESSAGE_CLASSES if name != kind))
    assert others.hear(message) == []
    used = kind in ("clock", "transport")  # by the triggers: it is the rig's clock
    counted = {} if used else {kind: 1}
    assert dropped(others) == counted
    none = case_of()
    assert none.hear(message) == []
    assert dropped(none) == counted


@pytest.mark.parametrize("message", [CLOCK, START, SongPosition(0)])
def test_only_one_input_keeps_time(message):
    case = case_of(clock_from="steps", pass_classes=("clock", "transport"))
    assert case.hear(message, "keys") == []
    assert case.hear(message, "steps") == [message]


@pytest.mark.parametrize(
    "message", [ControlChange(0, 74, 1), ChannelPressure(0, 1), ProgramChange(0, 1), SYSEX]
)
def test_a_pedalboard_is_never_passed(message):
    case = case_of(pass_classes=MESSAGE_CLASSES, pass_channels=(0,), voices=())
    assert case.hear(message, "feet") == []
    assert case.hear(NoteOn(0, 60, 100), "feet") == []


@pytest.mark.parametrize("message", bend_range_messages(0, 12))
def test_a_keyboards_parameter_numbers_never_reach_a_converter(message):
    """Requirement B3: they would change the bend range."""
    case = case_of(pass_classes=MESSAGE_CLASSES)
    assert case.hear(message) == []
    assert dropped(case) == {"parameters": 1}


@pytest.mark.parametrize("message", [RESET, System(0xF1, 3), System(0xF3, 3), System(0xF6)])
def test_the_rest_is_dropped_and_counted(message):
    case = case_of(pass_classes=MESSAGE_CLASSES)
    assert case.hear(message) == []
    assert dropped(case) == {"other system": 1}


def test_controllers_go_to_the_channels_of_the_voices_that_the_zone_plays():
    zones = (Zone(("reed", "glass"), inputs=("keys",)), Zone(("horn",), inputs=("steps",)))
    case = case_of(voices=3, scenes=(Scene("split", zones=zones),), pass_classes=("controllers",))
    sent = case.hear(ControlChange(5, 74, 20))
    assert sent == [ControlChange(0, 74, 20), ControlChange(2, 74, 20)]


def test_a_channel_passed_through_carries_everything_as_it_is():
    messages = (
        NoteOn(9, 36, 100),
        PolyPressure(9, 36, 5),
        ControlChange(9, 101, 0),
        PitchBend(9, 77),
        ChannelPressure(9, 8),
        ProgramChange(9, 2),
        NoteOff(9, 36, 64),
    )
    case = case_of(pass_channels=(9,))
    for message in messages:
        assert case.hear(message) == [message]
    assert dropped(case) == {}


def test_a_passed_key_of_two_inputs_falls_with_the_last_and_with_a_lost_input():
    """Requirements N9, N10."""
    case = case_of(pass_channels=(9,))
    case.hear(NoteOn(9, 36, 100), "keys")
    case.hear(NoteOn(9, 36, 90), "steps")
    case.hear(NoteOff(9, 36), "keys")
    assert case.gates() == [(9, 36)]
    case.hear(SourceLost("steps"), "")
    assert case.gates() == []


@pytest.mark.parametrize("down_again", [False, True])
def test_a_passed_pedal_whose_release_went_with_the_cable_comes_up_at_its_return(down_again):
    """The release may still wait for its turn when the cable goes (N11)."""
    case = case_of(pass_channels=(9,))
    up, down = ControlChange(9, 64, 0), ControlChange(9, 64, 127)
    case.hear(down)
    assert case.hear(up) == [up]
    case.hear(OutputLost("out"), "")
    if down_again:
        case.hear(down)
    sent = case.hear(OutputBack("out"), "")
    assert (up in sent) == (not down_again)


def test_a_channel_without_a_passed_pedal_gets_none_at_a_return():
    case = case_of(pass_channels=(9,))
    case.hear(ControlChange(9, 7, 100))
    case.hear(OutputLost("out"), "")
    sent = case.hear(OutputBack("out"), "")
    assert not any(type(m) is ControlChange and m.controller == 64 for m in sent)


# ---------------------------------------------------------------- pedals that hold notes


def held_down(case):
    """Return output and channel of each controller that a receiver has above zero."""
    shown = {(m.channel, m.controller): m.value for m in case.heard() if type(m) is ControlChange}
    return sorted(place for place, value in shown.items() if value)


@pytest.mark.parametrize("controller", [64, 66, 69])  # sustain, sostenuto, hold 2
@pytest.mark.parametrize("end", ["lost", "learned", "panic", "unpassed", "voiceless"])
def test_a_passed_pedal_that_holds_notes_comes_up(controller, end):
    case = case_of(pass_channels=(9,))
    case.hear(ControlChange(9, controller, 127))
    assert held_down(case) == [(9, controller)]
    rig = case.engine.rig
    if end == "lost":
        case.hear(SourceLost("keys"), "")
    elif end == "learned":
        learned = (Learned("keys", Binding("controller", controller, "next")),)
        case.hear(UseLearned(learned), "")
    elif end == "panic":
        case.hear(Panic(), "")
    elif end == "unpassed":
        outputs = (replace(rig.outputs[0], pass_channels=()),)
        case.hear(Reload(replace(rig, outputs=outputs), ()), "")
    else:
        case.hear(Reload(replace(rig, inputs=(STEPS, FEET)), ()), "")
    assert held_down(case) == []


@pytest.mark.parametrize("end", ["lost", "learned", "panic", "reset", "up"])
def test_a_pedal_that_voices_hear_comes_up_wherever_it_went_down(end):
    """Sostenuto goes to the voices of the zone; at its release the zone may be another one."""
    left, right = Zone(("reed",)), Zone(("horn",))
    scenes = (Scene("one", hold="none", zones=(left,)), Scene("two", hold="none", zones=(right,)))
    case = case_of(voices=2, scenes=scenes, pass_classes=("controllers",))
    case.hear(ControlChange(0, 66, 127))
    case.hear(RecallScene("two"), "")
    assert held_down(case) == [(0, 66)]
    if end == "lost":
        case.hear(SourceLost("keys"), "")
    elif end == "learned":
        case.hear(UseLearned((Learned("keys", Binding("controller", 66, "next")),)), "")
    elif end == "panic":
        case.hear(Panic(), "")
    else:
        case.hear(ControlChange(0, 66 if end == "up" else 121, 0))
    case.drain()
    assert held_down(case) == []


def test_a_pedal_that_two_inputs_hold_comes_up_with_the_last():
    case = case_of(pass_channels=(9,))
    for name in ("keys", "steps"):
        case.hear(ControlChange(9, 64, 127), name)
    case.hear(SourceLost("keys"), "")
    assert held_down(case) == [(9, 64)]
    case.hear(SourceLost("steps"), "")
    assert held_down(case) == []
