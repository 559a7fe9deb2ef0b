"""Mixes of eight voices on notes of their own, with each one's bound among the others."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from kit import tones

RATE = 48000
NOISE = 0.01  # of the loudest voice's rms
NOTES = (41, 43, 45, 47, 49, 51, 54, 56)
SHAPES = ("saw", "triangle", "pulse25", "pulse50", "sine")
TOP_HZ = 16000.0


def note_hertz(note: float) -> float:
    return 440 * 2 ** ((note - 69) / 12)


def mix_of_eight(
    seed: int, base: int = 0, seconds: float = 0.5, cents: float = 20.0, noise: float = NOISE
) -> tuple[np.ndarray, list[float], list[float], list[float]]:
    """Return the mix, pitches expected and true in hertz, and each one's joint bound in cents."""
    rng = np.random.default_rng(seed)
    expected = [note_hertz(note + base) for note in NOTES]
    true = [one * 2 ** (rng.uniform(-cents, cents) / 1200) for one in expected]
    wave, voices = np.zeros(int(seconds * RATE)), []
    for pitch in true:
        shape, level = str(rng.choice(SHAPES)), rng.uniform(0.5, 1)
        wave = wave + level * tones.tone(pitch, seconds, RATE, shape, rng=rng, top_hz=TOP_HZ)
        amplitudes, _ = tones.harmonics(shape, int(TOP_HZ / pitch), rng)
        voices.append((pitch, level * amplitudes))
    wave = 0.05 * (wave + noise * tones.white(len(wave), rng))
    return wave, expected, true, joint_bounds(voices, seconds, noise)


def joint_bounds(
    voices: Sequence[tuple[float, np.ndarray]], seconds: float, noise_rms: float
) -> list[float]:
    """Return the Cramer-Rao bound of each voice's pitch, in cents, all unknown together.

    Unknown are each voice's pitch, and amplitude and phase of every partial of every voice.
    The information is that of the pitches' derivatives, less their projection on those of
    the amplitudes and phases: all inner products of partials over a take about time 0, which
    are the sinc function and its derivatives. A drift or a bend that has settled before the
    take is odd in time and costs a pitch at the middle nothing.

    Args:
        voices: pitch in hertz, and amplitudes of its harmonics from the first on.
        seconds: of the take.
        noise_rms: white, up to half of ``RATE``.
    """
    hertz = np.concatenate([at * np.arange(1, len(own) + 1) for at, own in voices])
    level = np.concatenate([own for _, own in voices])
    owner = np.repeat(np.arange(len(voices)), [len(own) for _, own in voices])
    kept = level > 1e-9
    hertz, level, owner = hertz[kept], level[kept], owner[kept]
    # Phases at the middle do not matter to the bound unless partials collide: zero here.
    plain, by_time, by_square = _moments(hertz[:, None] - hertz, seconds)
    weight = (2 * np.pi * level * hertz * np.log(2) / 1200)[:, None] * (
        owner[:, None] == np.arange(len(voices))
    )
    across = by_time @ weight
    inside = weight.T @ by_square @ weight
    solved = np.linalg.solve(plain + 1e-9 * seconds * np.eye(len(hertz)), across)
    information = (inside - across.T @ solved) * RATE / (2 * noise_rms**2)
    return [float(one) for one in np.sqrt(np.diag(np.linalg.inv(information)))]


def _moments(apart_hz: np.ndarray, seconds: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return the integrals of 1, t and t^2 times a partial's beat, t from -T/2 to T/2.

    The second is imaginary, and given without that unit.
    """
    angle = np.pi * apart_hz * seconds
    small = np.abs(angle) < 1e-4
    x = np.where(small, 1.0, angle)
    sine, cosine = np.sin(x), np.cos(x)
    half = seconds / 2
    plain = np.where(small, 1.0, sine / x)
    by_time = np.where(small, angle / 3, (sine - x * cosine) / x**2)
    by_square = np.where(small, 1 / 3, (x**2 * sine + 2 * x * cosine - 2 * sine) / x**3)
    return seconds * plain, seconds * half * by_time, seconds * half**2 * by_square
