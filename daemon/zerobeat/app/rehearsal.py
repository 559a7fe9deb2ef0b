"""The engine and a virtual case, joined by a clock that is only counted.

What ``run`` does with ports and real time, this does with lists: the same
engine and the same wire decide every byte, the case takes them.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..engine.commands import OutputBack
from ..engine.engine import Engine
from ..engine.settings import Converter, Input, Output, Rig, Scene, Tonight, Voice, Zone
from ..engine.wire import Wire
from ..midi import Message, NoteOff, NoteOn
from ..sim.readings import read_voice
from ..sim.rig import Case
from ..sim.scenario import MEASURED_S, PARTS, PLAYED_S, Part, quartet
from ..tuning.tracking import TrackingCurve

INPUT = "keys"
OUTPUT = "quad"
_HELD_S = 0.05  # each key of a sweep
_HEARD_S = 0.03  # of it, when the pitch has settled
_QUAD = Converter("quad", lowest_note=24, highest_note=108, overlap="legato", gate_gap_s=0.003)

Sent = list[tuple[float, bytes]]


@dataclass(frozen=True, slots=True)
class Played:
    """A case after a performance, and the bytes that it took, with their times."""

    case: Case
    sent: Sent


def profiles(seed: int) -> dict[str, TrackingCurve]:
    """Return each voice's curve, from readings of its semitones in a warm case."""
    case = quartet(seed)
    keys = range(_QUAD.lowest_note, _QUAD.highest_note + 1)
    return {
        part.name: TrackingCurve.from_readings(
            read_voice(
                case, part.channel, keys, panel_octaves=part.panel_octaves,
                start_s=MEASURED_S, seed=seed,
            )
        )
        for part in PARTS
    }  # fmt: skip


def quartet_rig(curves: dict[str, TrackingCurve]) -> tuple[Rig, Scene]:
    """Return the rig and the one scene: a keyboard channel for each voice."""
    voices = tuple(
        Voice(
            part.name, OUTPUT, part.channel, panel_octaves=part.panel_octaves,
            lowest_note=_QUAD.lowest_note, highest_note=_QUAD.highest_note,
            curve=curves[part.name],
        )
        for part in PARTS
    )  # fmt: skip
    rig = Rig(
        (Input(INPUT, "Stage Keys:Stage Keys MIDI 1", active_sensing=False),),
        (Output(OUTPUT, "quad:quad MIDI 1", converter=_QUAD),),
        voices,
    )
    zones = tuple(Zone((part.name,), channels=(part.channel,)) for part in PARTS)
    return rig, Scene("demo", zones=zones)


def perform(
    events: Iterable[tuple[float, Message]],
    seed: int,
    curves: dict[str, TrackingCurve],
    bypass: bool,
) -> Played:
    """Play timed messages through the engine into a fresh case.

    Args:
        events: (seconds from the start, message), each to its voice's channel.
        seed: of the case.
        curves: the profiles, by voice name.
        bypass: play every voice without correction.
    """
    rig, scene = quartet_rig(curves)
    names = frozenset(part.name for part in PARTS) if bypass else frozenset()
    engine = Engine(rig, (scene,), Tonight(bypass=names))
    wire = Wire(rig.outputs)
    case = quartet(seed)
    sent: Sent = []
    pending = [(PLAYED_S + at_s, message) for at_s, message in sorted(events, key=_time)]
    outputs: list[tuple[str, Message]] = []
    engine.receive(OutputBack(OUTPUT), "", PLAYED_S - 1.0, outputs)
    now_s = PLAYED_S - 1.0
    while True:
        wire.put(outputs, now_s)
        outputs = []
        taken = [content for _, content in wire.take(now_s)]
        case.play((now_s, content) for content in taken)
        sent += [(now_s - PLAYED_S, content) for content in taken]
        moments = [at_s for at_s in (engine.wake_at_s, wire.wake_at_s) if at_s is not None]
        if pending:
            moments.append(pending[0][0])
        if not moments:
            return Played(case, sent)
        now_s = max(now_s, min(moments))
        if engine.wake_at_s is not None and engine.wake_at_s <= now_s:
            engine.wake(now_s, outputs)
        while pending and pending[0][0] <= now_s:
            engine.receive(pending.pop(0)[1], INPUT, now_s, outputs)


def _time(event: tuple[float, Message]) -> float:
    return event[0]


def phrase_events(
    phrase: Sequence[tuple[str, float, float, int]], beat_s: float
) -> list[tuple[float, Message]]:
    """Return the messages of a written phrase; a note ends before the next begins."""
    channels = {part.name: part.channel for part in PARTS}
    events: list[tuple[float, Message]] = []
    for voice, start, beats, key in phrase:
        end_s = (start + beats) * beat_s - 0.02
        events.append((start * beat_s, NoteOn(channels[voice], key, 100)))
        events.append((end_s, NoteOff(channels[voice], key)))
    return events


def sweep(seed: int, curves: dict[str, TrackingCurve], bypass: bool) -> dict[str, np.ndarray]:
    """Play every key of every voice and return the pitches heard.

    Returns:
        By voice name, cents above key 0, shape (keys,), from the part's
        lowest key up.
    """
    events: list[tuple[float, Message]] = []
    for part in PARTS:
        for index, key in enumerate(_keys(part)):
            events.append((index * _HELD_S, NoteOn(part.channel, key, 100)))
            events.append((index * _HELD_S + _HELD_S * 0.8, NoteOff(part.channel, key)))
    case = perform(events, seed, curves, bypass).case
    return {
        part.name: np.array([
            case.pitch_of(part.channel, PLAYED_S + index * _HELD_S + _HEARD_S)
            for index in range(len(_keys(part)))
        ])
        for part in PARTS
    }  # fmt: skip


def _keys(part: Part) -> range:
    return range(part.lowest_key, part.highest_key + 1)
