"""Invariants under any order of playing: N1, N2, B1, and the same bytes again."""

from __future__ import annotations

from typing import Any

import hypothesis.strategies as st
from hypothesis import given, settings

from zerobeat.engine import commands
from zerobeat.engine.engine import Engine
from zerobeat.engine.settings import (
    Converter,
    Input,
    Output,
    Rig,
    Scene,
    Voice,
    VoiceSettings,
    Zone,
)
from zerobeat.engine.wire import Wire
from zerobeat.midi import ControlChange, NoteOff, NoteOn, PitchBend
from zerobeat.tuning.scale import preset

QUAD = Converter("quad", overlap="legato", settle_s=0.001, gate_gap_s=0.003)
OCTO = Converter("octo", overlap="unsafe", bytes_per_second=3125)
RIG = Rig(
    (Input("keys", "keys:out", active_sensing=False), Input("steps", "steps:out")),
    (Output("quad", "quad:in", converter=QUAD, pass_channels=(9,)), Output("octo", "octo:in", converter=OCTO)),
    (
        Voice("reed", "quad", 0),
        Voice("horn", "quad", 1, tail_s=0.5),
        Voice("glass", "octo", 0),
        Voice("floor", "octo", 1, gate_ignored=True),
    ),
)
LEGATO = VoiceSettings(legato=True, scale=preset("dorian"), wheel="stepped")
SCENES = (
    Scene("line", voices={"reed": LEGATO, "floor": VoiceSettings(start_key=36)}),
    Scene("turns", hold="none", zones=(Zone(("reed", "horn", "glass"), "rotate"),)),
    Scene("wait", hold="trigger", voices={"reed": VoiceSettings(semitones=7)}),
)  # fmt: skip
KEY = st.integers(48, 53)
PLACE = st.tuples(st.sampled_from(("keys", "steps")), st.sampled_from((0, 9)))
MESSAGE = st.one_of(
    st.builds(lambda place, key: (place, NoteOn(place[1], key, 90)), PLACE, KEY),
    st.builds(lambda place, key: (place, NoteOff(place[1], key)), PLACE, KEY),
    st.builds(lambda place, bend: (place, PitchBend(place[1], bend)), PLACE, st.integers(-8192, 8191)),
    st.builds(
        lambda place, number, value: (place, ControlChange(place[1], number, value)),
        PLACE, st.sampled_from((1, 64, 120, 121, 123)), st.sampled_from((0, 127)),
    ),
    st.sampled_from(
        [(("", 0), command) for command in (
            *(commands.RecallScene(scene.name) for scene in SCENES),
            commands.ChangeVoice(None, (("octaves", 1),)),
            commands.ChangeVoice("reed", (("semitones", -3),)),
            commands.ChangeTonight(442.0, 2), commands.ChangeTonight(440.0, 0),
            commands.Bypass(None, True), commands.Bypass("reed", False),
            commands.Mute("horn", True), commands.Mute("horn", False),
            commands.Solo("reed", True), commands.Solo("reed", False),
            commands.TriggerNow(), commands.CancelWaiting(), commands.Panic(),
            commands.SourceLost("steps"), commands.OutputLost("octo"), commands.OutputBack("octo"),
            commands.Reload(RIG, SCENES),
        )]
    ),
)  # fmt: skip
STEPS = st.lists(st.tuples(MESSAGE, st.sampled_from((0.0, 0.0005, 0.01, 1.0))), max_size=60)


def play(steps: list[Any]) -> list[tuple[str, bytes]]:
    """Return all bytes that leave, to the last note-off."""
    engine = Engine(RIG, SCENES)
    wire = Wire(RIG.outputs)
    sent: list[tuple[str, bytes]] = []
    now_s = 1.0
    back = [((("", 0)), commands.OutputBack(output.name)) for output in RIG.outputs]
    for (place, message), wait_s in [*((pair, 0.01) for pair in back), *steps]:
        outputs: list[Any] = []
        engine.receive(message, place[0], now_s, outputs)
        wire.put(outputs, now_s)
        sent += wire.take(now_s)
        now_s += wait_s
    if "octo" not in engine.present:
        outputs = []
        engine.receive(commands.OutputBack("octo"), "", now_s, outputs)
        wire.put(outputs, now_s)
    wire.put(engine.release_all(), now_s)
    sent += wire.take(now_s)
    while wire.wake_at_s is not None:
        now_s = max(now_s, wire.wake_at_s) + 1e-6
        sent += wire.take(now_s)
    assert not engine.ledger.sounding()
    return sent


def losses(steps: list[Any]) -> bool:
    return any(isinstance(message, commands.OutputLost) for (_, message), _ in steps)


@settings(max_examples=300, deadline=None)
@given(STEPS)
def test_every_note_on_gets_one_note_off_and_its_bend_comes_first(steps):
    """N1, N2, B1: whatever changes in between. An outage alone may eat bytes (N11)."""
    cut = losses(steps)
    sounding: set[tuple[str, int, int]] = set()
    bends: dict[tuple[str, int], int] = {}
    for name, content in play(steps):
        kind, channel = content[0] & 0xF0, content[0] & 15
        place = (name, channel, content[1])
        if kind == 0x90:
            assert place not in sounding
            sounding.add(place)
            assert channel == 9 or (name, channel) in bends
        elif kind == 0x80:
            if not (cut and name == "octo"):
                assert place in sounding, "a stray note-off"
            sounding.discard(place)
        elif kind == 0xE0:
            bends[name, channel] = 1
    assert not sounding


@settings(max_examples=60, deadline=None)
@given(STEPS)
def test_the_same_events_give_the_same_bytes(steps):
    assert play(steps) == play(steps)
