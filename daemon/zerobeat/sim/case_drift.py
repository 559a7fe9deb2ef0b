"""Drift of a case over a night: temperature with warm-up, steps and a door, and voices' own.

Temperature is common; each voice has its loading, which may be negative. All figures are
assumptions: no published warm-up constant was found.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from .oscillator import Floats


@dataclass(frozen=True, slots=True)
class DriftOfVoice:
    """How one voice drifts.

    Attributes:
        loading: cents a kelvin of the case.
        stretch_per_kelvin: cents an octave.
        own_cents: peak of a slow drift of its own, with ``own_period_s`` and ``own_phase`` (turns).
        wander_cents: root mean square of wander within seconds.
    """

    loading: float = 1.0
    stretch_per_kelvin: float = 0.0
    own_cents: float = 0.0
    own_period_s: float = 1500.0
    own_phase: float = 0.0
    wander_cents: float = 0.05


@dataclass(frozen=True, slots=True)
class CaseDrift:
    """The case's temperature over time, and the drift of its voices.

    Attributes:
        warmup_kelvin, warmup_s: it rises by so much, exponentially, from power-on.
        steps: (time, kelvin, time constant): a heater, a door opened.
        swing_kelvin, swing_s: a slow swing, as of an air conditioner.
        seed: of the wander.
    """

    voices: Mapping[str, DriftOfVoice]
    warmup_kelvin: float = 0.0
    warmup_s: float = 600.0
    steps: tuple[tuple[float, float, float], ...] = ()
    swing_kelvin: float = 0.0
    swing_s: float = 1500.0
    seed: int = 0
    _phases: dict[str, Floats] = field(default_factory=dict)

    def kelvin(self, at_s: ArrayLike) -> Floats:
        """Return the temperature above that at which the voices were measured."""
        times = np.asarray(at_s, float)
        found: Floats = self.warmup_kelvin * (1.0 - np.exp(-np.maximum(times, 0.0) / self.warmup_s))
        for begin_s, kelvin, constant_s in self.steps:
            found = found + kelvin * (1.0 - np.exp(-np.maximum(times - begin_s, 0.0) / constant_s))
        if self.swing_kelvin:
            found = found + self.swing_kelvin * np.sin(2.0 * np.pi * times / self.swing_s)
        return found

    def cents(self, voice: str, at_s: ArrayLike, octaves: float = 0.0) -> Floats:
        """Return a voice's drift at times, ``octaves`` above its reference, wander included."""
        drift = self.voices[voice]
        times = np.asarray(at_s, float)
        found = (drift.loading + drift.stretch_per_kelvin * octaves) * self.kelvin(times)
        if drift.own_cents:
            turns = times / drift.own_period_s + drift.own_phase
            found = found + drift.own_cents * np.sin(2.0 * np.pi * turns)
        if drift.wander_cents:
            found = found + drift.wander_cents * self._wander(voice, times)
        return np.asarray(found, float)

    def _wander(self, voice: str, times: Floats) -> Floats:
        if voice not in self._phases:
            place = sorted(self.voices).index(voice)
            rng = np.random.default_rng([self.seed, place, 0xD21F])
            self._phases[voice] = rng.uniform(size=(2, 8))
        hertz, phase = self._phases[voice]
        hertz = 0.011 + 0.3 * hertz
        waves = np.sin(2.0 * np.pi * (np.multiply.outer(times, hertz) + phase))
        found: Floats = waves.sum(axis=-1) / 2.0
        return found
