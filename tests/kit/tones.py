"""Test tones whose pitch is known exactly: additive, so nothing folds back.

The pitch of a tone that moves is its pitch at the middle of the take. All
arrays are float64, full scale is 1.0.
"""

from __future__ import annotations

import numpy as np

SHAPES = (
    "sine",
    "triangle",
    "saw",
    "pulse5",
    "pulse12",
    "pulse25",
    "pulse50",
    "folded",
    "fm",
    "weak",
    "missing",
)


def harmonics(shape: str, count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return amplitudes and phases of ``count`` harmonics of a named shape."""
    number = np.arange(1, count + 1, dtype=float)
    phases = np.full(count, -np.pi / 2)
    if shape == "sine":
        amplitudes = (number == 1).astype(float)
    elif shape == "triangle":
        amplitudes = np.where(number % 2 == 1, 1 / number**2, 0.0)
        phases = np.zeros(count)
    elif shape == "saw":
        amplitudes = 1 / number
    elif shape.startswith("pulse"):
        signed = np.sin(np.pi * number * float(shape[5:]) / 100) / number
        amplitudes, phases = np.abs(signed), np.where(signed < 0, np.pi, 0.0)
        amplitudes[amplitudes < 1e-12] = 0.0
    elif shape in ("folded", "fm"):
        x = np.arange(4096) / 4096 * 2 * np.pi
        drive = 1 + 4 * rng.random()
        ratio = rng.integers(1, 4)
        wave = (
            np.sin(drive * np.sin(x))
            if shape == "folded"
            else np.sin(x + drive * np.sin(ratio * x))
        )
        line = np.fft.rfft(wave)[1 : count + 1]
        amplitudes = np.zeros(count)
        amplitudes[: len(line)] = np.abs(line)
        amplitudes[amplitudes < 1e-6 * amplitudes.max()] = 0.0
        phases[: len(line)] = np.angle(line)
    elif shape in ("weak", "missing"):
        amplitudes = 1 / number
        amplitudes[0] *= 0.03 if shape == "weak" else 0.0
        phases = rng.uniform(0, 2 * np.pi, count)
    else:
        raise ValueError(shape)
    return amplitudes / np.sqrt(np.sum(amplitudes**2) / 2), phases


def tone(
    hertz: float,
    seconds: float,
    rate: float,
    shape: str = "saw",
    *,
    rng: np.random.Generator | None = None,
    top_hz: float | None = None,
    drift_cents_per_s: float = 0.0,
    vibrato_cents: float = 0.0,
    vibrato_hz: float = 5.0,
    decay_per_s: float = 0.0,
    stiffness: float = 0.0,
) -> np.ndarray:
    """Return a tone of rms 1 with ``hertz`` at the middle of the take.

    Args:
        drift_cents_per_s: linear in cents.
        vibrato_cents: peak deviation of a sine, phase random.
        decay_per_s: nepers a second of harmonic 1; harmonic n decays
            (1 + 0.2 (n - 1)) times as fast.
        stiffness: B of a stiff string; partial 1 stays at ``hertz``.
    """
    rng = rng or np.random.default_rng(0)
    size = round(seconds * rate)
    t = (np.arange(size) - (size - 1) / 2) / rate
    top = min(top_hz or 1e9, 0.46 * rate)
    count = max(1, int(top / hertz / 2 ** (abs(drift_cents_per_s) * seconds / 2400)))
    amplitudes, phases = harmonics(shape, count, rng)
    k = drift_cents_per_s * np.log(2) / 1200
    cycles = hertz * (np.expm1(k * t) / k if k else t)
    if vibrato_cents:
        start = rng.uniform(0, 2 * np.pi)
        depth = hertz * vibrato_cents * np.log(2) / 1200 / (2 * np.pi * vibrato_hz)
        cycles = cycles - depth * np.cos(2 * np.pi * vibrato_hz * t + start)
    cycles = cycles + rng.random()
    wave = np.zeros(size)
    strike = t - t[0]
    if not stiffness and not decay_per_s:
        return _harmonic_sum(amplitudes, phases, cycles)
    for i in np.flatnonzero(amplitudes):
        number = i + 1
        stretch = np.sqrt((1 + stiffness * number * number) / (1 + stiffness))
        if number * stretch * hertz > top:
            break
        fade = np.exp(-decay_per_s * (1 + 0.2 * (number - 1)) * strike) if decay_per_s else 1.0
        wave += amplitudes[i] * fade * np.cos(2 * np.pi * number * stretch * cycles + phases[i])
    return wave


def _harmonic_sum(amplitudes: np.ndarray, phases: np.ndarray, cycles: np.ndarray) -> np.ndarray:
    """Sum harmonics in phase by Horner's rule on one rotating phasor."""
    turn = np.exp(2j * np.pi * (cycles % 1.0))
    total = np.zeros(len(cycles), dtype=complex)
    for coefficient in (amplitudes * np.exp(1j * phases))[::-1]:
        total = (total + coefficient) * turn
    return total.real


def white(size: int, rng: np.random.Generator) -> np.ndarray:
    return rng.standard_normal(size)


def pink(size: int, rng: np.random.Generator) -> np.ndarray:
    """Return pink noise of rms 1 (power as 1/f down to one cycle a take)."""
    spectrum = np.fft.rfft(rng.standard_normal(size))
    spectrum[0] = 0
    spectrum[1:] /= np.sqrt(np.arange(1, len(spectrum)))
    noise = np.fft.irfft(spectrum, size)
    return noise / noise.std()


def hum(size: int, rate: float, mains_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Return mains hum of rms 1: eight harmonics, odd ones stronger."""
    t = np.arange(size) / rate
    numbers = np.arange(1, 9)
    amplitudes = np.where(numbers % 2 == 1, 1.0, 0.3) / numbers**0.7 * rng.uniform(0.5, 1.5, 8)
    phases = rng.uniform(0, 2 * np.pi, 8)
    wave = np.zeros(size)
    for level, phase, number in zip(amplitudes, phases, numbers, strict=True):
        wave += level * np.cos(2 * np.pi * mains_hz * number * t + phase)
    return wave / wave.std()


def cramer_rao_cents(
    wave: np.ndarray,
    hertz: float,
    rate: float,
    noise_rms: float,
    top_hz: float,
    shape: str,
    rng: np.random.Generator,
) -> float:
    """Return the bound on one sigma, in cents, for a steady harmonic tone in white noise.

    var(omega) >= 24 sigma^2 / (N (N^2 - 1) sum A^2 l^2); Rife and Boorstyn
    1974 for one tone, Christensen and Jakobsson 2009 for harmonic ones.
    """
    count = max(1, int(min(top_hz, 0.46 * rate) / hertz))
    amplitudes, _ = harmonics(shape, count, rng)
    size = len(wave)
    weight = np.sum((amplitudes * np.arange(1, count + 1)) ** 2)
    omega = np.sqrt(24 * noise_rms**2 / (size * (size**2 - 1.0) * weight))
    return 1200 / np.log(2) * omega / (2 * np.pi * hertz / rate)
