"""Plays a virtual case through the engine, in counted time.

The engine and the wire of ``run`` and ``render`` make every byte; the case
receives the bytes at their times.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from operator import itemgetter
from typing import Any

import numpy as np

from ..config.rig import LoadedRig
from ..engine.commands import Bypass
from ..engine.settings import Converter, Input, Output, Rig, Scene, Voice, Zone
from ..measure.curve.fit_result import Aim
from ..measure.curve.plan import MeasuringPlan
from ..measure.pitch.take import run_plan
from ..midi import Message, NoteOff, NoteOn
from ..sim.scenario import MEASURED_S, PARTS, PLAYED_S, Part, quartet
from ..sim.virtual_case import VirtualCase
from ..tuning.tracking import TrackingCurve
from .midi_file import play
from .virtual_listener import VirtualListener

INPUT = "keys"
OUTPUT = "quad"
LEAD_S = 0.5  # for the bend ranges, before the first note
_KEY_S = 0.05  # of each key of a sweep
_READ_AFTER_S = 0.03  # of it, when the pitch has settled
_QUAD = Converter("quad", lowest_note=24, highest_note=108, overlap="legato", gate_gap_s=0.003)

TimedBytes = list[tuple[float, bytes]]


@dataclass(frozen=True, slots=True)
class Performance:
    """A case after a performance, and the bytes that it received, with their times."""

    case: VirtualCase
    sent: TimedBytes


@dataclass(frozen=True, slots=True)
class MeasuredCase:
    """The measured curve of each voice, the number of takes and their seconds of sound."""

    curves: dict[str, TrackingCurve]
    takes: int
    sound_s: float


def measure_case(seed: int) -> MeasuredCase:
    """Measure each voice of a warm case by its sound: play, read, plan the next note, fit.

    Only MIDI bytes go to the case and only audio comes from it.
    """
    case = quartet(seed)
    curves: dict[str, TrackingCurve] = {}
    takes, sound_s, now_s = 0, 0.0, MEASURED_S
    for part in PARTS:
        up = -12 * part.panel_octaves
        aim = Aim(
            part.name,
            max(part.lowest_key + up, _QUAD.lowest_note),
            min(part.highest_key + up, _QUAD.highest_note),
            panel_octaves=part.panel_octaves,
            zero_volt_note=_QUAD.zero_volt_note,
            bend_range_cents=_QUAD.bend_range_cents,
        )
        listener = VirtualListener(case, part.channel, start_s=now_s)
        plan = MeasuringPlan(aim)
        run_plan(plan, listener)
        fit = plan.result()
        curves[part.name] = fit.curve
        takes, sound_s, now_s = takes + fit.takes, sound_s + fit.sound_s, listener.now_s
    return MeasuredCase(curves, takes, sound_s)


def quartet_rig(curves: dict[str, TrackingCurve]) -> tuple[Rig, Scene]:
    """Return the rig and its one scene, which has a keyboard channel for each voice."""
    voices = tuple(
        Voice(
            part.name,
            OUTPUT,
            part.channel,
            panel_octaves=part.panel_octaves,
            lowest_note=_QUAD.lowest_note,
            highest_note=_QUAD.highest_note,
            curve=curves[part.name],
        )
        for part in PARTS
    )
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
) -> Performance:
    """Play timed messages through the engine into a fresh case.

    Args:
        events: (seconds from the start, message), each to its voice's channel.
        seed: of the case.
        curves: the profiles, by voice name.
        bypass: whether every voice plays without correction.
    """
    rig, scene = quartet_rig(curves)
    loaded = LoadedRig(rig, (scene,), [], ())
    timed: list[tuple[float, Any]] = [(0.0, Bypass(None, True))] if bypass else []
    timed += [(LEAD_S + at_s, message) for at_s, message in sorted(events, key=itemgetter(0))]
    sent = [
        (at_s - LEAD_S, content) for at_s, _, content in play(loaded, timed, INPUT, timed[-1][0])
    ]
    case = quartet(seed)
    case.play((PLAYED_S + at_s, content) for at_s, content in sent)
    return Performance(case, sent)


def phrase_events(
    phrase: Sequence[tuple[str, float, float, int]], beat_s: float
) -> list[tuple[float, Message]]:
    """Return the timed messages of a phrase; each note ends before the next begins."""
    channels = {part.name: part.channel for part in PARTS}
    events: list[tuple[float, Message]] = []
    for voice, start, beats, key in phrase:
        end_s = (start + beats) * beat_s - 0.02
        events.append((start * beat_s, NoteOn(channels[voice], key, 100)))
        events.append((end_s, NoteOff(channels[voice], key)))
    return events


def sweep(seed: int, curves: dict[str, TrackingCurve], bypass: bool) -> dict[str, np.ndarray]:
    """Play every key of every voice and return the sounding pitches.

    Returns:
        By voice name, cents above key 0, shape (keys,), from the part's
        lowest key up.
    """
    events: list[tuple[float, Message]] = []
    for part in PARTS:
        for index, key in enumerate(_keys_of(part)):
            events.append((index * _KEY_S, NoteOn(part.channel, key, 100)))
            events.append((index * _KEY_S + _KEY_S * 0.8, NoteOff(part.channel, key)))
    case = perform(events, seed, curves, bypass).case
    return {
        part.name: np.array(
            [
                case.pitch_of(part.channel, PLAYED_S + index * _KEY_S + _READ_AFTER_S)
                for index in range(len(_keys_of(part)))
            ]
        )
        for part in PARTS
    }


def _keys_of(part: Part) -> range:
    return range(part.lowest_key, part.highest_key + 1)
