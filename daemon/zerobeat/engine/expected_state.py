"""What the voices are meant to sound, for whoever listens and compares.

``ExpectedWatch.changed`` is cheap: it compares what it saw last. A line is built outside the note
path, for a voice that has changed.
"""

from __future__ import annotations

import math
from collections import Counter
from typing import Any

from ..tuning.bend import bend_to_cents
from .engine_state import EngineState
from .measuring_notes import Measuring
from .settings import TouchUp
from .voice import VoiceState

_UNTOUCHED = TouchUp()
MOVING_S = 0.15  # a wheel or glide counts as moving so long after its last step


class ExpectedWatch:
    """Finds the voices that are meant to sound something else, and says what.

    Args:
        shared: the engine's state.
        measuring: knows the voices that a measurement plays.
    """

    def __init__(self, shared: EngineState, measuring: Measuring) -> None:
        self._shared = shared
        self._measuring = measuring
        self._seen: dict[str, tuple[object, ...]] = {}
        self._strikes: Counter[str] = Counter()
        self._wheel_s: dict[str, float] = {}

    def forget(self) -> None:
        """Let every voice count as changed."""
        self._seen.clear()

    def changed(self) -> list[str]:
        """Return the voices that have changed since their last line."""
        shared, seen, taken = self._shared, self._seen, self._measuring.taken
        return [
            name
            for name, state in shared.voices.items()
            if seen.get(name) != (*_key(shared, state), name in taken)
        ]

    def line(self, name: str, now_s: float) -> dict[str, Any]:
        """Return what a voice is meant to sound from now on, as values that JSON holds."""
        shared = self._shared
        state = shared.voices[name]
        before = self._seen.get(name)
        key = self._seen[name] = (*_key(shared, state), name in self._measuring.taken)
        struck = before is None or key[0] is not before[0] or (key[3] and not before[3])
        if struck:
            self._strikes[name] += 1
        elif before is not None and key[6] != before[6]:
            self._wheel_s[name] = now_s
        converter = shared.output(state.voice.output).converter
        settled_s = now_s + converter.settle_s + (converter.gate_gap_s if struck else 0.0)
        moving = gliding(shared, state) or now_s - self._wheel_s.get(name, -1.0) < MOVING_S
        return {
            "at_s": round(now_s, 4),
            "strikes": self._strikes[name],
            "moving": moving,
            "settled_s": round(settled_s, 4),
            **_values(shared, state, name in self._measuring.taken),
        }


def _key(shared: EngineState, state: VoiceState) -> tuple[object, ...]:
    """Return what differs where a voice is meant to sound something else."""
    held = state.playing
    return (
        held,
        state.note,
        state.bend,
        bool(state.lane.notes),
        state.sounding,
        state.target_cents,
        shared.smooth_cents(state, state.sounding),
        state.out_of_reach,
        state.voice,
        shared.tonight.touch_up.get(state.voice.name),
        shared.base_tonight.touch_up.get(state.voice.name),
        state.voice.name in shared.tonight.bypass,
        gliding(shared, state),
    )


def gliding(shared: EngineState, state: VoiceState) -> bool:
    """Return whether a glide of a voice is under way."""
    glide = state.glide  # one that was stopped never ends, and stays where it is
    return glide is not None and shared.now_s < glide.ends_s < math.inf


def _values(shared: EngineState, state: VoiceState, measured: bool) -> dict[str, Any]:
    """Return what a voice is meant to sound, as values that JSON holds."""
    voice, held, chain = state.voice, state.playing, state.sounding
    name = voice.name
    pitch = sent = profile = None
    raw = measured or name in shared.tonight.bypass or name in chain.tonight.bypass
    if held is not None and state.target_cents is not None and not state.out_of_reach:
        pitch = shared.sounding_cents(state)
        if state.note is not None and state.bend is not None:
            sent = 100.0 * state.note + bend_to_cents(state.bend, voice.bend_range_cents)
            errors = voice.note_errors_cents
            commanded = sent + (0.0 if errors is None else errors[state.note])
            curve = voice.curve
            profile = commanded if curve is None else curve.sounding(commanded)
            profile += 1200.0 * voice.panel_octaves
            raw = raw or (curve is not None and curve.unusable_at(commanded) is not None)
    hand = shared.base_tonight.touch_up.get(name, _UNTOUCHED)
    return {
        "voice": name,
        "pitch_cents": None if pitch is None else round(pitch, 4),
        "sent_cents": None if sent is None else round(sent, 4),
        "profile_cents": None if profile is None else round(profile, 4),
        "gate": bool(state.lane.notes),
        "velocity": 0 if held is None else held.velocity,
        "raw": raw,
        "touched_at_s": hand.at_s,
        "taken_out": _taken(shared.tonight.touch_up.get(name, _UNTOUCHED)),
        "by_hand": _taken(hand),
    }


def _taken(touch_up: TouchUp) -> list[float]:
    return [touch_up.offset_cents, touch_up.stretch_cents, touch_up.reference_cents]
