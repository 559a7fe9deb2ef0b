"""Takes that are hard to read: the groups by which the pitch reader is judged.

Each maker gets a generator and returns a ``HardTake``. Three families:

- ``WIDE``: steady tones, 15 to 9,000 Hz, to be read without an expected pitch;
- ``REFUSE``: what nobody can read as one pitch;
- ``STEADILY_WRONG``: sounds whose pitch is known by construction, but whose waveform moves so
  that every method is drawn aside.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from kit import tones

RATE = 48000
LOWEST_HZ, HIGHEST_HZ = 15.0, 9000.0
SEEDS = (1, 2, 3)


@dataclass
class HardTake:
    """A take.

    Attributes:
        samples: one channel.
        hertz: the true pitch; None: must be refused.
        rate: samples a second.
        given: keyword arguments for the reader.
    """

    samples: np.ndarray
    hertz: float | None
    rate: int = RATE
    given: dict = field(default_factory=dict)


Maker = Callable[[np.random.Generator], HardTake]


def any_pitch(rng: np.random.Generator, low: float = LOWEST_HZ, high: float = HIGHEST_HZ) -> float:
    """Return a pitch, uniform in octaves."""
    return float(low * (high / low) ** rng.uniform())


def _level(wave: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    return wave * rng.uniform(0.2, 0.9) / np.abs(wave).max()


def _plain(
    rng: np.random.Generator,
    shapes: tuple[str, ...] = tones.SHAPES,
    snr_db: float = 80.0,
    rate: int = RATE,
    **options: float,
) -> HardTake:
    shape = str(rng.choice(shapes))
    top = min(20000.0, 0.46 * rate)
    hertz = any_pitch(rng, high=min(HIGHEST_HZ, top / 5) if shape == "missing" else HIGHEST_HZ)
    wave = tones.tone(hertz, max(0.5, 20 / hertz), rate, shape, rng=rng, top_hz=top, **options)
    wave = wave + 10 ** (-snr_db / 20) * tones.white(len(wave), rng)
    return HardTake(_level(wave, rng), hertz, rate)


# ---------------------------------------------------------------- the wide search


def hummed_sine(rng: np.random.Generator, shapes: tuple[str, ...] = ("sine",)) -> HardTake:
    """A tone with hum 8 dB below it; with a background every other time."""
    take = _plain(rng, shapes)
    size = len(take.samples)
    mains = rng.choice([50.0, 60.0]) * (1 + rng.uniform(-1e-3, 1e-3))
    wave = tones.hum(2 * size, RATE, mains, rng) * take.samples.std() * 10 ** (-8 / 20)
    take.samples = take.samples + wave[:size]
    if rng.random() < 0.5:
        take.given["background"] = wave[size:] + 1e-5 * tones.white(size, rng)
    return take


def clipped(rng: np.random.Generator) -> HardTake:
    """Clipped by up to 2 dB before the input, also on one side only."""
    take = _plain(rng, ("sine", "triangle", "saw", "folded"))
    wave = take.samples / np.abs(take.samples).max() * rng.uniform(1.0, 1.25)
    low = -1.0 if rng.random() < 0.6 else -2.0
    take.samples = 0.5 * np.clip(wave, low, 1.0)
    return take


def folded(rng: np.random.Generator) -> HardTake:
    return _plain(rng, ("folded", "fm"))


def quantised(rng: np.random.Generator) -> HardTake:
    """Four to eight bits, no dither."""
    take = _plain(rng)
    steps = 2 ** int(rng.integers(3, 8))
    take.samples = np.round(take.samples * steps) / steps
    return take


def sub_harmonic(rng: np.random.Generator) -> HardTake:
    """A synth voice whose sub-harmonics (a half, a third, a quarter) lie 50 to 80 dB down."""
    shape = str(rng.choice(["sine", "saw", "triangle", "pulse25", "pulse50", "folded"]))
    hertz = any_pitch(rng, 60.0)
    seconds = max(0.5, 20 / hertz)
    wave = tones.tone(hertz, seconds, RATE, shape, rng=rng, top_hz=18000.0)
    part = int(rng.choice([2, 2, 3, 4]))
    below = tones.tone(hertz / part, seconds, RATE, "saw", rng=rng, top_hz=18000.0)
    wave = wave + 10 ** (-rng.uniform(50, 80) / 20) * below
    return HardTake(_level(wave + 1e-5 * tones.white(len(wave), rng), rng), hertz)


def noisy(rng: np.random.Generator) -> HardTake:
    return _plain(rng, snr_db=float(rng.uniform(10, 25)))


def thin(rng: np.random.Generator) -> HardTake:
    """A weak or a missing first harmonic, narrow pulses."""
    return _plain(rng, ("weak", "missing", "pulse5", "pulse12"))


def struck(rng: np.random.Generator) -> HardTake:
    decay = float(rng.uniform(1, 6))
    return _plain(rng, ("saw", "triangle", "sine"), decay_per_s=decay)


def at_other_rates(rng: np.random.Generator) -> HardTake:
    return _plain(rng, rate=int(rng.choice([44100, 96000])))


def moving(rng: np.random.Generator) -> HardTake:
    return _plain(rng, drift_cents_per_s=float(rng.uniform(-10, 10)))


WIDE: dict[str, Maker] = {
    "sine and hum": hummed_sine,
    "clipped": clipped,
    "folded": folded,
    "quantised": quantised,
    "sub-harmonics": sub_harmonic,
    "noisy": noisy,
    "thin": thin,
    "struck": struck,
    "other rates": at_other_rates,
    "drift": moving,
}


# ---------------------------------------------------------------- to be refused


def _pair(rng: np.random.Generator, cents: float, expected: bool = False) -> HardTake:
    """Two oscillators so many cents apart, up to 10 dB unlike, and a background."""
    shape = str(rng.choice(["sine", "saw", "triangle", "pulse25", "pulse50"]))
    hertz = any_pitch(rng, 40.0, 2500.0)
    seconds = max(0.8, 20 / hertz)
    wave = tones.tone(hertz, seconds, RATE, shape, rng=rng, top_hz=18000.0)
    other = hertz * 2 ** (cents / 1200)
    second = tones.tone(other, seconds, RATE, shape, rng=rng, top_hz=18000.0)
    wave = wave + 10 ** (-rng.uniform(0, 10) / 20) * second
    quiet = 1e-4 * tones.white(len(wave), rng)
    wave = _level(wave, rng) + 1e-4 * tones.white(len(wave), rng)
    given = {"background": quiet}
    if expected:
        given["expected_hz"] = hertz
    return HardTake(wave, None, RATE, given)


def near_unison(rng: np.random.Generator) -> HardTake:
    return _pair(rng, float(rng.choice([-1, 1]) * rng.uniform(3, 30)), bool(rng.random() < 0.5))


def fifth(rng: np.random.Generator) -> HardTake:
    return _pair(rng, 701.955 + float(rng.choice([-1, 1]) * rng.uniform(1, 8)))


def octave(rng: np.random.Generator) -> HardTake:
    return _pair(rng, 1200.0 + float(rng.choice([-1, 1]) * rng.uniform(1, 8)))


REFUSE: dict[str, Maker] = {"near unison": near_unison, "fifth": fifth, "octave": octave}


# ---------------------------------------------------------------- steadily wrong


def _moving_sum(
    hertz: float, seconds: float, levels: Callable[[np.ndarray, float], np.ndarray], top: float
) -> np.ndarray:
    """Sum harmonics by complex envelopes ``levels(number, t)`` of shape (numbers, points)."""
    size = round(seconds * RATE)
    t = np.arange(size) / RATE
    number = np.arange(1, max(2, int(top / hertz)) + 1)
    coarse = np.linspace(0, seconds, 600)
    envelopes = levels(number, coarse)
    wave = np.zeros(size)
    for row, k in enumerate(number):
        real = np.interp(t, coarse, envelopes[row].real)
        imag = np.interp(t, coarse, envelopes[row].imag)
        turn = np.exp(2j * np.pi * ((k * hertz * t) % 1.0))
        wave += ((real + 1j * imag) * turn).real
    return wave


def _finished(wave: np.ndarray, hertz: float, rng: np.random.Generator) -> HardTake:
    """Cut the take 0.1 s after the onset, as a command would."""
    wave = wave[int(0.1 * RATE) :]
    wave = _level(wave, rng) + 3e-5 * tones.white(len(wave), rng)
    given = {"expected_hz": hertz} if rng.random() < 0.5 else {}
    return HardTake(wave, hertz, RATE, given)


def filter_envelope(rng: np.random.Generator) -> HardTake:
    """A resonant low-pass whose cutoff falls (or rises) over the harmonics of a saw."""
    hertz = any_pitch(rng, 40.0, 500.0)
    seconds = 0.1 + max(0.5, 20 / hertz)
    high, low = hertz * rng.uniform(8, 40), hertz * rng.uniform(1, 4)
    tau, damping = rng.uniform(0.08, 0.6), rng.uniform(0.15, 1.0)
    rising = rng.random() < 0.3

    def levels(number: np.ndarray, t: np.ndarray) -> np.ndarray:
        fall = np.exp(-t / tau)
        cutoff = low + (high - low) * (1 - fall if rising else fall)
        s = 1j * number[:, None] * hertz / cutoff
        return (1 / (s * s + 2 * damping * s + 1)) / number[:, None] * -1j

    return _finished(_moving_sum(hertz, seconds, levels, 16000.0), hertz, rng)


def width_modulation(rng: np.random.Generator) -> HardTake:
    """A pulse whose second edge moves slowly; the first edge keeps the pitch."""
    hertz = any_pitch(rng, 40.0, 500.0)
    seconds = 0.1 + max(0.5, 20 / hertz)
    rate, depth = rng.uniform(0.2, 2.0), rng.uniform(0.05, 0.25)
    middle, start = rng.uniform(0.3, 0.6), rng.uniform(0, 2 * np.pi)

    def levels(number: np.ndarray, t: np.ndarray) -> np.ndarray:
        width = middle + depth * np.sin(2 * np.pi * rate * t + start)
        k = number[:, None]
        return (1 - np.exp(-2j * np.pi * k * width)) / k * -1j

    return _finished(_moving_sum(hertz, seconds, levels, 16000.0), hertz, rng)


def _bent(rng: np.random.Generator, cents: Callable[[np.ndarray], np.ndarray]) -> HardTake:
    hertz = any_pitch(rng, 40.0, 2000.0)
    seconds = 0.1 + max(0.5, 20 / hertz)
    shape = str(rng.choice(["sine", "saw", "triangle", "pulse25"]))
    t = np.arange(round(seconds * RATE)) / RATE
    cycles = np.cumsum(hertz * 2 ** (cents(t) / 1200)) / RATE
    count = max(1, int(16000 / hertz))
    amplitudes, phases = tones.harmonics(shape, count, rng)
    wave = tones._harmonic_sum(amplitudes, phases, cycles)
    return _finished(wave, hertz, rng)


def pitch_envelope(rng: np.random.Generator) -> HardTake:
    """The pitch falls (or rises) by about 5 cents to its rest."""
    depth, tau = rng.choice([-1, 1]) * rng.uniform(3, 8), rng.uniform(0.1, 1.0)
    return _bent(rng, lambda t: depth * np.exp(-t / tau))


def wow(rng: np.random.Generator) -> HardTake:
    """Slow pitch modulation, less than a cycle or two in a take."""
    depth, rate, start = rng.uniform(2, 6), rng.uniform(0.4, 1.5), rng.uniform(0, 2 * np.pi)
    return _bent(rng, lambda t: depth * np.sin(2 * np.pi * rate * t + start))


def two_equal(rng: np.random.Generator) -> HardTake:
    """Two alike oscillators 1 to 4 cents apart; either pitch or any between is right."""
    hertz = any_pitch(rng, 40.0, 1000.0)
    seconds = 0.1 + max(0.5, 20 / hertz)
    shape = str(rng.choice(["saw", "triangle", "pulse25", "pulse50"]))
    apart = rng.uniform(1, 4)
    waves = [
        tones.tone(hertz * 2 ** (side * apart / 2400), seconds, RATE, shape, rng=rng, top_hz=16e3)
        for side in (-1, 1)
    ]
    return _finished(waves[0] + rng.uniform(0.8, 1.0) * waves[1], hertz, rng)


STEADILY_WRONG: dict[str, Maker] = {
    "filter envelope": filter_envelope,
    "pulse width": width_modulation,
    "pitch envelope": pitch_envelope,
    "wow": wow,
    "two equal": two_equal,
}
# Groups of which two stated sigma must hold 0.92 to 0.99.
SIGMA: dict[str, Maker] = {
    "folded": folded,
    "clipped": clipped,
    "hum, no background": lambda rng: _without_background(hummed_sine(rng, tones.SHAPES)),
}


def _without_background(take: HardTake) -> HardTake:
    take.given.pop("background", None)
    take.given["expected_hz"] = take.hertz
    return take
