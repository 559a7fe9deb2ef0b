"""A note that could only start much too late does not start; a note-off always leaves (B6, N9)."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest

from kit.engine_harness import EngineHarness, small_rig
from zerobeat.engine import commands
from zerobeat.engine.cable import LATEST_START_S
from zerobeat.engine.settings import Converter, Scene, VoiceSettings
from zerobeat.engine.wire import Wire
from zerobeat.midi import NoteOff, NoteOn, PitchBend

SLOW = Converter(gate_gap_s=0.1, settle_s=0.1)
LATEST_S = SLOW.gate_gap_s + SLOW.settle_s + LATEST_START_S


def trill(case: EngineHarness, keys: int, step_s: float) -> dict[int, float]:
    """Play different keys one after the other; return when each went down."""
    down = {}
    for number in range(keys):
        case.hear(NoteOn(0, 20 + number, 100), "keys", step_s)
        down[20 + number] = case.now_s
        case.hear(NoteOff(0, 20 + number), "keys", step_s / 2)
    return down


@pytest.mark.parametrize("voices", [1, 3])
def test_fast_playing_on_a_slow_converter_does_not_lag(voices):
    case = EngineHarness(small_rig(voices, converter=SLOW))
    down = trill(case, 60, 0.02)
    case.hear(NoteOn(0, 100, 100), "keys", 0.02)
    last_s = case.now_s
    case.drain()
    started = [(at_s, m) for at_s, _, m in case.sent if isinstance(m, NoteOn)]
    assert all(at_s - down.get(m.note, last_s) <= LATEST_S + 1e-9 for at_s, m in started)
    assert case.gates() == [(channel, 100) for channel in range(voices)]  # the key held sounds
    case.hear(NoteOff(0, 100))
    case.drain()
    assert case.gates() == []
    assert case.wire.late_notes() > 0


def test_each_note_that_starts_has_its_own_bend_though_others_were_left_out():
    voices = {"reed": VoiceSettings(detune_cents=13.0)}
    case = EngineHarness(small_rig(1, converter=SLOW), (Scene("one", voices=voices),))
    rng = random.Random(5)
    for _ in range(200):
        key = rng.randrange(30, 90)
        case.hear(PitchBend(0, rng.randrange(-8192, 8192)), "keys", rng.random() * 0.03)
        case.hear(NoteOn(0, key, 100), "keys", rng.random() * 0.05)
        case.hear(NoteOff(0, key), "keys", rng.random() * 0.05)
    case.drain()
    assert case.gates() == []


@pytest.mark.parametrize("how", ["gone", "moved"])
def test_a_converter_that_a_reload_takes_away_gets_the_note_offs_that_waited(how):
    """Legato: the note-off of the first note waits behind the settling of the second."""
    converter = replace(SLOW, overlap="legato")
    voices = {"reed": VoiceSettings(legato=True, detune_cents=20.0)}
    case = EngineHarness(small_rig(1, converter=converter), (Scene("one", voices=voices),))
    case.hear(NoteOn(0, 60, 90))
    case.hear(PitchBend(0, 3000), "keys", 0.01)
    case.hear(NoteOn(0, 67, 90), "keys", 0.01)
    case.pass_time(0.1)
    assert case.gates() == [(0, 60)]  # its note-off waits
    rig = case.engine.rig
    if how == "gone":
        outputs = (replace(rig.outputs[0], name="other"),)
        voices = (replace(rig.voices[0], output="other"),)
    else:
        outputs, voices = (replace(rig.outputs[0], port="other:other MIDI 1"),), rig.voices
    following = replace(rig, outputs=outputs, voices=voices)
    case.hear(commands.Reload(following, ()), "", 0.0)
    case.wire.replace(following.outputs, case.now_s)
    case._take()
    assert case.gates() == []  # at once: the port closes


def test_an_output_that_moved_gets_nothing_before_it_is_there():
    rig = small_rig(1)
    rig = replace(rig, voices=(replace(rig.voices[0], gate_ignored=True),))
    case = EngineHarness(rig)
    case.hear(NoteOn(0, 60, 100))
    moved = replace(rig, outputs=(replace(rig.outputs[0], port="other:other MIDI 1"),))
    case.hear(commands.Reload(moved, ()), "")
    assert case.gates() == []
    case.hear(NoteOn(0, 64, 100))
    assert case.gates() == []
    case.wire.replace(moved.outputs, case.now_s)
    case.hear(commands.OutputBack("out"), "")
    case.stop()
    assert case.gates() == []


@pytest.mark.parametrize("voices", [1, 3])
def test_after_late_notes_the_wire_knows_again_that_nothing_sounds(voices):
    """Else the next note would be taken for legato and start without its gap."""
    case = EngineHarness(small_rig(voices, converter=SLOW))
    trill(case, 60, 0.02)
    case.drain()
    assert case.wire.late_notes() > 0
    case.pass_time(1.0)
    case.sent.clear()
    case.hear(NoteOn(0, 60, 100))
    case.drain()
    case.hear(NoteOn(0, 72, 100), after_s=0.0)
    case.drain()
    on_s = [at_s for at_s, _, m in case.sent if isinstance(m, NoteOn) and m.channel == 0]
    off_s = [at_s for at_s, _, m in case.sent if isinstance(m, NoteOff) and m.channel == 0]
    assert len(on_s) == 2 and on_s[1] - off_s[0] >= SLOW.gate_gap_s - 1e-9


def test_nothing_is_counted_before_anything_was_sent():
    rig = small_rig(1)
    wire = Wire(rig.outputs)
    assert tuple(wire.load("out")) == (0, 0, 0, 0)
    assert wire.late_notes() == 0
    assert wire.wake_at_s is None


def test_what_a_panic_cuts_short_is_not_late():
    case = EngineHarness(small_rig(1, converter=SLOW))
    for _ in range(2):
        case.hear(NoteOn(0, 60, 100))
        case.hear(NoteOff(0, 60))
    case.hear(commands.Panic(), "")
    case.drain()
    assert case.gates() == [] and case.wire.late_notes() == 0
