"""The way of a pitch: from a key to the pitch that a voice is commanded.

key -> scale -> degrees, octaves, semitones -> smooth wheel -> tonight -> detune
-> panel octaves -> inverse of the tracking curve -> note number and bend

A ``Chain`` is compiled once for a voice, its settings and tonight, and never
changes. Pitches are cents above MIDI key 0.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import NamedTuple

from ..tuning import bend, units
from .settings import Tonight, TouchUp, Voice, VoiceSettings

LEAST_TOUCH_SLOPE = 0.25  # an old session may hold a stretch at which no pitch would move
STEP_HYSTERESIS_CENTS = 10.0  # a stepped wheel must pass a border by this much
_NO_TOUCH_UP = TouchUp()


class Rest(NamedTuple):
    """A key's place with the smooth wheel at rest."""

    target_cents: float  # before wheel and tonight; what the scale gives
    commanded_cents: float  # after the inverse: what the converter must be asked
    note: int
    bend: int  # signed 14 bits
    left_cents: float  # what that bend stands for


class Chain:
    """What one voice does to a key, with the settings in force.

    Args:
        voice: the oscillator and its curve.
        settings: the scene's part.
        tonight: concert pitch, transposition, touch-up and bypass.
    """

    __slots__ = (
        "voice",
        "settings",
        "tonight",
        "curve",
        "note_errors_cents",
        "_offset_cents",
        "_panel_cents",
        "_beats_hz",
        "_touch_scale",
        "_touch_shift_cents",
        "_rests",
        "_root_cents",
        "_degrees",
        "glides",
    )

    def __init__(self, voice: Voice, settings: VoiceSettings, tonight: Tonight) -> None:
        self.voice = voice
        self.settings = settings
        self.tonight = tonight
        self._root_cents = 100.0 * settings.root
        self._degrees = settings.degrees + tonight.transpose_degrees
        self._offset_cents = (
            1200.0 * settings.octaves
            + 100.0 * (settings.semitones + tonight.transpose_semitones)
            + tonight.transpose_cents
            + 1200.0 * math.log2(tonight.concert_a_hz / 440.0)
            + settings.detune_cents
        )
        self._panel_cents = 1200.0 * voice.panel_octaves
        self._beats_hz = settings.detune_beats_hz
        bypassed = voice.name in tonight.bypass
        self.curve = None if bypassed else voice.curve
        self.note_errors_cents = None if bypassed else voice.note_errors_cents
        touch_up = _NO_TOUCH_UP
        if not bypassed or voice.name in tonight.keep_touch_up:
            touch_up = tonight.touch_up.get(voice.name, _NO_TOUCH_UP)
        # Sounding pitch y becomes y + offset + stretch * (y - reference) / 1200.
        slope = touch_up.stretch_cents / 1200.0
        self._touch_scale = 1.0 / max(1.0 + slope, LEAST_TOUCH_SLOPE)
        self._touch_shift_cents = touch_up.offset_cents - slope * touch_up.reference_cents
        self._rests: dict[float, Rest | None] = {}
        self.glides = settings.glide_ms > 0.0

    def with_tonight(self, tonight: Tonight) -> Chain:
        """Return this chain under another tonight, but with the transposition it has."""
        now = self.tonight
        kept = replace(
            tonight,
            transpose_semitones=now.transpose_semitones,
            transpose_cents=now.transpose_cents,
            transpose_degrees=now.transpose_degrees,
        )
        return Chain(self.voice, self.settings, kept)

    def degree_of(self, key_cents: float, current: int | None) -> int:
        """Return the degree (or map key) a played pitch falls on.

        Args:
            key_cents: 100 times the key, the stepped wheel added.
            current: the degree sounding now, kept while the pitch is within
                the hysteresis of its borders; None is none.
        """
        settings = self.settings
        scale = settings.scale
        if scale is not None and settings.fit == "nearest" and settings.keyboard_map is None:
            offset = key_cents - self._root_cents
            if current is None:
                return scale.nearest_degree(offset, settings.snap)
            return scale.nearest_with_hysteresis(
                offset, current, settings.snap, STEP_HYSTERESIS_CENTS
            )
        position = key_cents / 100.0
        if current is not None and abs(position - current) <= 0.5 + STEP_HYSTERESIS_CENTS / 100.0:
            return current
        return math.ceil(position - 0.5)

    def pitch_of(self, degree: int) -> float | None:
        """Return the pitch of a degree from ``degree_of``; None where a map has none."""
        settings = self.settings
        if settings.keyboard_map is not None:
            key = degree + self._degrees
            return settings.keyboard_map.pitch_of_key(key) if 0 <= key <= 127 else None
        scale = settings.scale
        assert scale is not None  # without a scale a pitch has no degree
        if settings.fit == "keys":
            steps = degree - settings.root + self._degrees
            return self._root_cents + scale.pitch_of_degree(steps)
        return self._root_cents + scale.sorted_pitch_of_degree(degree + self._degrees)

    def key_of_step(self, key: int, steps: int) -> float:
        """Return the key that lies so many steps of the scale above another.

        It lies between two keys where the degree does. Without a scale, and where each key is a
        degree, a step is a key.
        """
        settings = self.settings
        scale = settings.scale
        if scale is None or settings.keyboard_map is not None or settings.fit == "keys":
            return key + steps
        degree = self.degree_of(100.0 * key, None)
        return (self._root_cents + scale.sorted_pitch_of_degree(degree + steps)) / 100.0

    def target(self, key_cents: float, current: int | None = None) -> tuple[float | None, int]:
        """Return the scale's pitch for a played pitch, and the degree it fell on."""
        if self.settings.scale is None and self.settings.keyboard_map is None:
            return key_cents, 0
        degree = self.degree_of(key_cents, current)
        return self.pitch_of(degree), degree

    def command(self, target_cents: float) -> float:
        """Return the pitch to command so that ``target_cents`` of the scale sounds.

        Args:
            target_cents: what the scale gives, smooth wheel added.
        """
        pitch = target_cents + self._offset_cents
        if self._beats_hz:
            pitch += units.beats_to_cents(pitch, self._beats_hz, self.settings.detune_limit_cents)
        pitch = (pitch - self._panel_cents - self._touch_shift_cents) * self._touch_scale
        return pitch if self.curve is None else self.curve.commanded(pitch)

    def sounding(self, target_cents: float) -> float:
        """Return the pitch that is to be heard for ``target_cents`` of the scale."""
        pitch = target_cents + self._offset_cents
        if self._beats_hz:
            pitch += units.beats_to_cents(pitch, self._beats_hz, self.settings.detune_limit_cents)
        return pitch

    def command_sounding(self, pitch_cents: float) -> float:
        """Return the pitch to command so that a pitch of ``sounding`` is heard."""
        pitch = (pitch_cents - self._panel_cents - self._touch_shift_cents) * self._touch_scale
        return pitch if self.curve is None else self.curve.commanded(pitch)

    def rest(self, key: float) -> Rest | None:
        """Return where a key lies with all wheels at rest; None if out of reach."""
        try:
            return self._rests[key]
        except KeyError:
            target, _ = self.target(100.0 * key)
            found = self._rests[key] = None if target is None else self.place(target)
            return found

    def place(self, target_cents: float) -> Rest | None:
        """Return number and bend for a new note; None if out of the converter's reach."""
        voice = self.voice
        commanded = self.command(target_cents)
        note = bend.nearest_note(
            commanded,
            voice.lowest_note,
            voice.highest_note,
            voice.bend_range_cents,
            self.note_errors_cents,
        )
        if note is None:
            return None
        left = self.left_over(commanded, note)
        steps = bend.cents_to_bend(left, voice.bend_range_cents)
        return Rest(target_cents, commanded, note, steps, left)

    def left_over(self, commanded_cents: float, note: int) -> float:
        """Return the cents of bend that a note number leaves to reach a pitch."""
        errors = self.note_errors_cents
        if errors is None:
            return commanded_cents - 100.0 * note
        return commanded_cents - 100.0 * note - errors[note]
