"""A struck resonator: decaying partials, tuned by the same volts as an oscillator.

Source: stiff strings, partial n at n f sqrt(1 + B n^2) (H. Fletcher, "Normal
vibration frequencies of a stiff piano string", J. Acoust. Soc. Am. 36, 1964).
Here the lowest partial keeps the exact pitch. Higher partials decay faster.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StruckResonator:
    """The parameters of a resonator that each opening of the gate strikes."""

    decay_s: float = 1.5  # time constant of the lowest partial
    inharmonicity: float = 0.0003  # B
    partials: int = 8
    damping: float = 0.6  # decay rate added for each further partial
    attack_s: float = 0.002

    def ratios(self) -> Floats:
        """Return each partial's frequency over the lowest one's, shape (partials,)."""
        order = np.arange(1, self.partials + 1)
        stiff = np.sqrt((1.0 + self.inharmonicity * order**2) / (1.0 + self.inharmonicity))
        ratios: Floats = order * stiff
        return ratios

    def ring(
        self,
        phase_cycles: Floats,
        highest_hertz: float,
        strikes_s: list[float],
        at_s: Floats,
    ) -> Floats:
        """Return samples, about -1 to 1.

        Args:
            phase_cycles: of the lowest partial, shape (n,).
            highest_hertz: the limit of the sample rate; partials are left out
                while they are above it.
            strikes_s: times of the strikes, rising.
            at_s: times of the samples, shape (n,), rising.
        """
        samples: Floats = np.zeros(at_s.shape)
        if at_s.size < 2 or not strikes_s:
            return samples
        speed_hz = np.gradient(phase_cycles, at_s)
        weights = 1.0 / np.arange(1, self.partials + 1)
        for index, ratio in enumerate(self.ratios()):
            audible = speed_hz * ratio < highest_hertz
            if not audible.any():
                break
            decay_s = self.decay_s / (1.0 + self.damping * index)
            levels = self._levels(strikes_s, at_s, decay_s)
            samples += (
                audible * weights[index] * levels * np.sin(2.0 * np.pi * ratio * phase_cycles)
            )
        samples /= weights.sum()
        return samples

    def _levels(self, strikes_s: list[float], at_s: Floats, decay_s: float) -> Floats:
        levels = np.zeros(at_s.shape)
        edges = np.searchsorted(at_s, [*strikes_s, np.inf])
        left: Floats | float = 0.0
        struck_s = strikes_s[0]
        for index, strike_s in enumerate(strikes_s):
            left = self._level(left, strike_s - struck_s, decay_s) if index else 0.0
            struck_s = strike_s
            part = slice(edges[index], edges[index + 1])
            levels[part] = self._level(left, at_s[part] - strike_s, decay_s)
        return levels

    def _level(
        self, left: Floats | float, since_s: Floats | float, decay_s: float
    ) -> Floats | float:
        """Return the level after a strike, which began from the level ``left``."""
        risen = left + (1.0 - left) * np.minimum(since_s / self.attack_s, 1.0)
        return risen * np.exp(-since_s / decay_s)
