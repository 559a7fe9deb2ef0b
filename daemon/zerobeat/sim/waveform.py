"""Band-limited waveforms from a phase in cycles, and the amplitude envelope.

A waveform is summed from its Fourier series up to 0.45 of the sample rate into
one period, and interpolated linearly between 64 or more points for each cycle
of the highest harmonic. Interpolation errors stay 90 dB under full scale.

Source: Fourier series of the ideal waveforms; textbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Waveform = Literal["sawtooth", "pulse", "triangle", "sine"]
HIGHEST_OF_RATE = 0.45
_SMALLEST_TABLE = 16384
_POINTS_A_CYCLE = 64


@dataclass(frozen=True, slots=True)
class Envelope:
    """A voltage-controlled amplifier: linear attack, exponential decay and release."""

    attack_s: float = 0.005
    decay_s: float = 0.3  # time constant
    sustain: float = 1.0
    release_s: float = 0.08  # time constant

    def levels(self, gates: list[tuple[float, bool, int]], at_s: Floats) -> Floats:
        """Return the level, 0 to 1, at rising times.

        Args:
            gates: (time, gate open, openings so far), in order of time; the
                first entry applies from the beginning.
            at_s: shape (n,), rising.
        """
        levels = np.zeros(at_s.shape)
        start: Floats | float = 0.0
        opened_s, was_open, struck = 0.0, False, 0
        edges = np.searchsorted(at_s, [gate[0] for gate in gates] + [np.inf])
        edges[0] = 0
        shut_s = gates[0][0]
        for index, (begin_s, is_open, strikes) in enumerate(gates):
            level = self._level(start, begin_s, opened_s, shut_s, was_open)
            if is_open and (not was_open or strikes != struck):
                start, opened_s = level, begin_s
            elif was_open and not is_open:
                start, shut_s = level, begin_s
            was_open, struck = is_open, strikes
            part = slice(edges[index], edges[index + 1])
            levels[part] = self._level(start, at_s[part], opened_s, shut_s, was_open)
        return levels

    def _level(
        self,
        start: Floats | float,
        at_s: Floats | float,
        opened_s: float,
        shut_s: float,
        is_open: bool,
    ) -> Floats | float:
        if not is_open:
            return start * np.exp(-(at_s - shut_s) / self.release_s)
        since_s = at_s - opened_s
        rise_s = max(self.attack_s * (1.0 - start), 1e-6)
        rising = start + (1.0 - start) * np.minimum(since_s / rise_s, 1.0)
        fallen = 1.0 - np.exp(-np.maximum(since_s - rise_s, 0.0) / self.decay_s)
        return rising - (1.0 - self.sustain) * fallen


def waveform_samples(
    waveform: Waveform,
    phase_cycles: Floats,
    highest_hertz: float,
    sample_rate_hz: float,
    width: float = 0.5,
) -> Floats:
    """Return samples of a waveform, between -1 and 1 apart from the ripple at its edges.

    Args:
        waveform: one of ``Waveform``; all are free of DC.
        phase_cycles: shape (n,), continuous from sample to sample.
        highest_hertz: highest frequency in these samples; it limits the number
            of harmonics.
        sample_rate_hz: of the samples.
        width: share of the period in which a pulse is high, 0 to 1.
    """
    if waveform == "sine":
        return np.sin(2.0 * np.pi * phase_cycles)
    count = int(HIGHEST_OF_RATE * sample_rate_hz / max(highest_hertz, 1e-3))
    count = min(max(count, 1), 4000)
    table = _table(waveform, count, width)
    place = (phase_cycles % 1.0) * (len(table) - 1)
    below = place.astype(np.intp)
    np.minimum(below, len(table) - 2, out=below)  # phase 0.999... may round to the end
    low = table[below]
    return low + (table[below + 1] - low) * (place - below)


@lru_cache(maxsize=64)
def _table(waveform: Waveform, count: int, width: float) -> Floats:
    """Return one period summed from ``count`` harmonics, with its first point repeated."""
    size = max(_SMALLEST_TABLE, 1 << (_POINTS_A_CYCLE * count - 1).bit_length())
    order = np.arange(1, count + 1)
    turns = 2.0 * np.pi * order * width
    if waveform == "sawtooth":  # rises from -1 to 1
        cosines, sines = np.zeros(count), -2.0 / (np.pi * order)
    elif waveform == "pulse":  # high first
        cosines = 2.0 / (np.pi * order) * np.sin(turns)
        sines = 2.0 / (np.pi * order) * (1.0 - np.cos(turns))
    elif waveform == "triangle":  # starts at its lowest point
        cosines = np.where(order % 2 == 1, -8.0 / (np.pi * order) ** 2, 0.0)
        sines = np.zeros(count)
    else:
        raise ValueError(f"waveform: found {waveform!r}; allowed: sawtooth, pulse, triangle, sine")
    spectrum = np.zeros(size // 2 + 1, complex)
    spectrum[1 : count + 1] = (cosines - 1j * sines) * (size / 2)
    period = np.fft.irfft(spectrum, size)
    return np.append(period, period[0])
