"""Pitch by autocorrelation: an estimate that is independent of the phase fit.

The autocorrelation peaks at every whole number of periods. The peak is tracked
from one period to two, four, eight ... up to half the take, each step twice as
fine as the one before. Harmonics, phases and noise models play no part, so an
error of the phase fit does not recur here.
"""

from __future__ import annotations

import numpy as np

from .envelope_grid import fast_fft_length

_HALF_WIDTH = 64  # samples on each side of a peak that its interpolation uses
_UPSAMPLING = 16


def autocorrelation_pitch(
    samples: np.ndarray, rate_hz: float, near_hz: float, drift: float = 0.0, growth: float = 0.0
) -> float | None:
    """Return the pitch by autocorrelation in hertz, or None where a peak is lost.

    Args:
        samples: shape (size,), mean removed, at least four periods of ``near_hz``.
        rate_hz: sample rate.
        near_hz: the pitch to start from, good to half a per cent.
        drift: relative, per second; a drifting tone decorrelates as the lag
            grows, so drift limits the longest lag.
        growth: nepers a second; a decaying tone limits the longest lag too.
    """
    size = len(samples)
    length = fast_fft_length(2 * size)
    power = np.abs(np.fft.rfft(samples, length)) ** 2
    hertz = np.arange(len(power)) * rate_hz / length
    away = np.abs(hertz / near_hz - np.rint(hertz / near_hz)) * near_hz
    reach = np.maximum(3 * rate_hz / size, np.minimum(0.3 * near_hz, 0.02 * hertz))
    power = np.where((away < reach) & (hertz > 0.5 * near_hz), power, 0.0)
    correlation = np.fft.irfft(power, length)
    middle_hz = float(np.sum(power * hertz) / max(np.sum(power), 1e-300))
    longest = 0.55 * size
    if drift:
        longest = min(longest, 0.3 * rate_hz**2 / (middle_hz * abs(drift) * size))
    if growth:
        longest = min(longest, 2.0 * rate_hz / abs(growth))
    longest = max(longest, 4 * rate_hz / near_hz)
    period, count = rate_hz / near_hz, 1
    while period * count < 4:
        count += 1
    while period * count < longest:
        lag = _peak_near(
            correlation, size, period * count, 0.3 * period if count < 3 else 0.12 * period
        )
        if lag is None:
            return None
        period = lag / count
        last, count = count, 2 * count
        if period * count >= longest:
            count = int(longest / period)
            if count <= last:
                break
    return rate_hz / period


def _peak_near(correlation: np.ndarray, size: int, lag: float, reach: float) -> float | None:
    """Return the position of the highest point within ``reach`` of ``lag``, in samples."""
    centre = round(lag)
    half = max(_HALF_WIDTH, int(reach) + 8)
    place = np.arange(centre - half, centre + half)
    piece = correlation[np.abs(place)] / (size - np.abs(place))
    window = np.ones(2 * half)
    edge = half // 4
    window[:edge] = np.sin(np.linspace(0, np.pi / 2, edge)) ** 2
    window[-edge:] = window[:edge][::-1]
    fine = _upsample(piece * window)
    where = place[0] + np.arange(len(fine)) / _UPSAMPLING
    inside = np.abs(where - lag) <= max(reach, 0.6)
    i = int(np.argmax(np.where(inside, fine, -np.inf)))
    if not 0 < i < len(fine) - 1 or fine[i] <= 0:
        return None
    curve = fine[i - 1] - 2 * fine[i] + fine[i + 1]
    shift = (fine[i - 1] - fine[i + 1]) / (2 * curve) if curve < 0 else 0.0
    return float(where[i] + max(-1.0, min(1.0, shift)) / _UPSAMPLING)


def _upsample(piece: np.ndarray) -> np.ndarray:
    """Return the piece with ``_UPSAMPLING`` points for each sample, by zero padding its FFT."""
    spectrum = np.fft.rfft(piece)
    return np.fft.irfft(spectrum, len(piece) * _UPSAMPLING) * _UPSAMPLING
