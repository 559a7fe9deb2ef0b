"""Mixes of eight voices on notes of their own, with each one's bound alone."""

from __future__ import annotations

import numpy as np

from kit import tones

RATE = 48000
NOISE = 0.01  # of the loudest voice's rms
NOTES = (41, 43, 45, 47, 49, 51, 54, 56)
SHAPES = ("saw", "triangle", "pulse25", "pulse50", "sine")


def note_hertz(note: float) -> float:
    return 440 * 2 ** ((note - 69) / 12)


def mix_of_eight(
    seed: int, base: int = 0, seconds: float = 0.5, cents: float = 20.0
) -> tuple[np.ndarray, list[float], list[float], list[float]]:
    """Return the mix, pitches expected and true in hertz, and each one's bound in cents."""
    rng = np.random.default_rng(seed)
    expected = [note_hertz(note + base) for note in NOTES]
    true = [one * 2 ** (rng.uniform(-cents, cents) / 1200) for one in expected]
    wave, bounds = np.zeros(int(seconds * RATE)), []
    for pitch in true:
        shape, level = str(rng.choice(SHAPES)), rng.uniform(0.5, 1)
        one = level * tones.tone(pitch, seconds, RATE, shape, rng=rng, top_hz=16000.0)
        noise = NOISE / level
        bounds.append(tones.cramer_rao_cents(one, pitch, RATE, noise, 16000.0, shape, rng))
        wave = wave + one
    return 0.05 * (wave + NOISE * tones.white(len(wave), rng)), expected, true, bounds
