"""Other sockets of a converter, driven from inputs, within the byte budget."""

from __future__ import annotations

from dataclasses import replace

import pytest

from kit.engine_harness import KEYS, EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.extra_sockets import CABLE_SHARE
from zerobeat.engine.settings import Converter, ExtraRoute, ExtraSocket, Input
from zerobeat.midi import ChannelPressure, ControlChange, NoteOff, NoteOn, PitchBend

FEET = Input("feet", "Four Feet:1", plays=False)
CUTOFF = ExtraSocket("cutoff", "controller", 15, 20)
LEVEL = ExtraSocket("level", "pressure", 4)
ACCENT = ExtraSocket("accent", "note", 9, 36)


def route(socket=CUTOFF, what="wheel", source="keys", controller=0, smooth_s=0.0):
    return ExtraRoute("out", socket, source, what, controller, smooth_s)


def new_case(*routes, bytes_per_second=None, connected=True):
    converter = Converter(gate_gap_s=0.0, bytes_per_second=bytes_per_second)
    rig = replace(small_rig(1, converter=converter, inputs=(KEYS, FEET)), extra=routes)
    return EngineHarness(rig, connected=connected)


def values(case, channel=15):
    case.drain()
    return [m.value for m in case.heard(channel=channel) if hasattr(m, "value")]


@pytest.mark.parametrize(
    ("what", "controller", "source", "messages", "found"),
    [
        (
            "wheel",
            0,
            "keys",
            [PitchBend(0, -8192), PitchBend(0, 0), PitchBend(0, 8191)],
            [0, 64, 127],
        ),
        ("slide", 0, "keys", [ControlChange(0, 74, 9), ControlChange(0, 11, 5)], [9]),
        ("pressure", 0, "keys", [ChannelPressure(0, 40)], [40]),
        ("controller", 11, "feet", [ControlChange(3, 11, 90), ControlChange(0, 4, 7)], [90]),
        ("velocity", 0, "keys", [NoteOn(0, 60, 33), NoteOn(0, 62, 34)], [33, 34]),
    ],
)
def test_what_an_input_does_drives_a_socket(what, controller, source, messages, found):
    case = new_case(route(what=what, controller=controller, source=source))
    other = "feet" if source == "keys" else "keys"
    for message in messages:
        case.hear(message, source)
        case.drain()
        case.hear(message, other)
    assert values(case) == found


def test_it_goes_its_usual_way_too():
    case = new_case(route())
    case.hear(NoteOn(0, 60, 100))
    case.hear(PitchBend(0, 8191))
    case.drain()
    bends = [m for m in case.heard(channel=0) if isinstance(m, PitchBend)]
    assert bends[-1].bend == 8191


def test_a_pressure_socket_and_an_equal_value_is_not_sent_again():
    case = new_case(route(LEVEL, "controller", "feet", 7))
    for value in (50, 50, 51):
        case.hear(ControlChange(0, 7, value), "feet")
        case.drain()
    assert case.heard(channel=4) == [ChannelPressure(4, 50), ChannelPressure(4, 51)]


def test_a_note_has_the_velocity_of_its_key_and_ends_with_it():
    case = new_case(route(ACCENT, "velocity"))
    case.hear(NoteOn(0, 60, 90))
    case.hear(NoteOn(0, 64, 50))
    case.hear(NoteOff(0, 60))
    assert ("out", 9, 36) in case.engine.ledger.sounding()
    case.hear(NoteOff(0, 64))
    heard = case.heard(channel=9)
    assert [type(m).__name__ for m in heard] == ["NoteOn", "NoteOff", "NoteOn", "NoteOff"]
    assert [m.velocity for m in heard if isinstance(m, NoteOn)] == [90, 50]


@pytest.mark.parametrize("end", ["panic", "lost input", "reload", "lost output", "stop"])
def test_no_note_of_a_socket_hangs(end):
    case = new_case(route(ACCENT, "velocity"))
    case.hear(NoteOn(0, 60, 90))
    if end == "panic":
        case.hear(commands.Panic(), "")
    elif end == "lost input":
        case.hear(commands.SourceLost("keys"), "")
    elif end == "reload":
        case.hear(commands.Reload(replace(case.engine.rig, extra=()), ()), "")
        case.hear(NoteOff(0, 60))
    elif end == "lost output":
        case.hear(commands.OutputLost("out"), "")
        case.hear(NoteOff(0, 60))
        case.hear(commands.OutputBack("out"), "")
    else:
        case.stop()
    case.drain()
    assert case.gates() == []
    case.hear(NoteOff(0, 60))
    case.hear(NoteOn(0, 60, 80))
    case.hear(NoteOff(0, 60))
    assert case.gates() == []


@pytest.mark.parametrize("bytes_per_second", [None, 3125])
def test_smoothed_it_goes_at_a_steady_rate_and_arrives(bytes_per_second):
    case = new_case(route(smooth_s=0.5), bytes_per_second=bytes_per_second)
    case.hear(PitchBend(0, -8192))
    case.drain()
    case.hear(PitchBend(0, 8191))
    begin_s = case.now_s
    case.pass_time(0.6)
    sent = [(at_s - begin_s, m.value) for at_s, _, m in case.sent if m.channel == 15]
    assert (sent[0][1], sent[-1][1]) == (0, 127)
    assert 0.48 < sent[-1][0] < 0.53
    for at_s, value in sent[1:-1]:
        assert value == pytest.approx(127 * at_s / 0.5, abs=2.0)
    assert case.engine.wake_at_s is None


def test_smoothed_sockets_use_a_fifth_of_a_slow_cable_at_most():
    sockets = [ExtraSocket(f"s{i}", "controller", 15, 20 + i) for i in range(8)]
    case = new_case(*(route(s, smooth_s=1.0) for s in sockets), bytes_per_second=3125)
    case.hear(PitchBend(0, -8192))
    case.drain()
    before = case.wire.load("out").bytes_sent
    case.hear(PitchBend(0, 8191))
    case.pass_time(1.0)
    used = case.wire.load("out").bytes_sent - before
    assert 0.1 * 3125 < used <= CABLE_SHARE * 3125 + 3 * len(sockets)


def test_a_new_value_on_the_way_is_gone_to_from_where_it_is():
    case = new_case(route(smooth_s=1.0))
    case.hear(PitchBend(0, -8192))
    case.hear(PitchBend(0, 8191))
    case.pass_time(0.5)
    case.hear(PitchBend(0, -8192), after_s=0.0)
    case.pass_time(1.2)
    found = values(case)
    assert max(found) in range(60, 68)
    assert found[-1] == 0


def test_a_converter_that_returns_gets_the_values_and_nothing_is_sent_while_it_is_away():
    case = new_case(route(what="controller", source="feet", controller=4))
    case.hear(ControlChange(0, 4, 10), "feet")
    case.hear(commands.OutputLost("out"), "")
    case.hear(ControlChange(0, 4, 99), "feet")
    assert values(case) == [10]
    case.hear(commands.OutputBack("out"), "")
    assert values(case) == [10, 99]


def test_nothing_is_sent_before_something_has_come():
    case = new_case(route())
    case.hear(commands.OutputBack("out"), "")
    assert values(case) == []


@pytest.mark.parametrize(
    ("what", "message", "rest"),
    [
        ("wheel", PitchBend(0, 8191), [127, 64]),
        ("pressure", ChannelPressure(0, 90), [90, 0]),
        ("slide", ControlChange(0, 74, 90), [90, 64]),
        ("velocity", NoteOn(0, 60, 90), [90]),
    ],
)
def test_an_input_that_is_lost_lets_its_wheel_rest(what, message, rest):
    case = new_case(route(what=what))
    case.hear(message)
    case.drain()
    case.hear(commands.SourceLost("keys"), "")
    assert values(case) == rest


def test_a_reload_keeps_the_values_of_routes_that_stay():
    case = new_case(route(), route(LEVEL))
    case.hear(PitchBend(0, 8191))
    case.drain()
    case.hear(commands.Reload(replace(case.engine.rig, extra=(route(),)), ()), "")
    case.hear(PitchBend(0, 8191))
    assert values(case) == [127]
    case.hear(PitchBend(0, 0))
    assert values(case) == [127, 64]
    assert values(case, 4) == [127]
