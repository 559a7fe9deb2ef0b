"""The coarse time grid that holds partials, and the FFT between it and the samples.

A partial is a complex envelope of ``points`` grid points over the padded take.
One long FFT serves all partials: ``synthesize`` places the few bins of each
envelope, ``analyze`` is its exact adjoint.
"""

from __future__ import annotations

import math

import numpy as np

PAD_SHARE = 0.125  # of the padded length, on each side of the take
MIN_POINTS = 64  # the pad's taper (Kaiser, beta 9) needs 6.6 / PAD_SHARE bins
MAX_GRID = 40_000  # points of all partials together; bounds the cost


def fast_fft_length(least: int) -> int:
    """Return the smallest length with factors 2, 3 and 5 only, at least ``least``."""
    best = 1 << (least - 1).bit_length()
    for threes in (1, 3, 9, 27):
        for fives in (1, 5, 25, 125):
            part = threes * fives
            best = min(best, part << max(0, math.ceil(math.log2(least / part))))
    return best


class EnvelopeGrid:
    """The padded take and its coarse grid.

    Args:
        size: samples in the take.
        rate_hz: sample rate.
        points: grid points over the padded take; even.
    """

    def __init__(self, size: int, rate_hz: float, points: int) -> None:
        self.size, self.rate_hz, self.points = size, rate_hz, points
        self.padded = fast_fft_length(math.ceil(size / (1 - 2 * PAD_SHARE)))
        if self.padded % 2:
            self.padded *= 2
        self.bin_hz = rate_hz / self.padded
        step = self.padded / points
        place = np.arange(points) * step
        pad = (self.padded - size) / 2
        place = np.where(place >= size + pad, place - self.padded, place)
        self.time_s = (place - (size - 1) / 2) / rate_hz
        self.inside = (
            np.clip(
                np.minimum(place + step / 2, size - 0.5) - np.maximum(place - step / 2, -0.5),
                0,
                step,
            )
            / step
        )
        beyond = np.maximum(-place, place - size + 1) / pad
        # Growth levels off in the pad: a fast decay would overflow before the take begins.
        edge, give = size / 2 / rate_hz, pad / 4 / rate_hz
        over = np.maximum(np.abs(self.time_s) - edge, 0.0)
        held = np.minimum(np.abs(self.time_s), edge) + give * np.tanh(over / give)
        self.growth_s = np.sign(self.time_s) * held
        ramp = np.cumsum(np.kaiser(1025, 9.0))
        self.taper = 1 - np.interp(beyond, np.linspace(0, 1, 1025), ramp / ramp[-1])
        self._offsets = np.fft.fftfreq(points, 1 / points).astype(int)

    def bins(self, carriers: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return the rfft bins of each carrier's band, and which of them to conjugate.

        Both have shape (carriers, points).
        """
        index = (carriers[:, None] + self._offsets) % self.padded
        mirrored = index > self.padded // 2
        return np.where(mirrored, self.padded - index, index), mirrored

    def analyze(self, spectrum: np.ndarray, carriers: np.ndarray) -> np.ndarray:
        """Return envelopes, shape (carriers, points), of a padded take's rfft."""
        index, mirrored = self.bins(carriers)
        band = spectrum[index]
        band = np.where(mirrored, band.conj(), band)
        return np.fft.ifft(band, axis=1) * (2 * self.points / self.padded)

    def synthesize(self, envelopes: np.ndarray, carriers: np.ndarray) -> np.ndarray:
        """Return the samples, shape (size,), of envelopes on their carriers."""
        index, mirrored = self.bins(carriers)
        band = np.fft.fft(envelopes, axis=1) * (self.padded / self.points / 2)
        band = np.where(mirrored, band.conj(), band).ravel()
        length = self.padded // 2 + 1
        index = index.ravel()
        spectrum = np.bincount(index, band.real, length) + 1j * np.bincount(
            index, band.imag, length
        )
        spectrum[0] = 2 * spectrum[0].real
        spectrum[-1] = 2 * spectrum[-1].real
        return np.fft.irfft(spectrum, self.padded)[: self.size]

    def transform(self, samples: np.ndarray) -> np.ndarray:
        """Return the rfft of the take, zero padded."""
        return np.fft.rfft(samples, self.padded)
