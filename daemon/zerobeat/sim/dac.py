"""The analogue side of a converter channel: steps, nonlinearity, amplifier and cable.

Sources: common data sheets of 12- and 16-bit converters, which state integral
nonlinearity (INL, a repeatable smooth deviation from the straight line) in
steps; a divider of output and input resistance for the cable. 1 kilohm into 100 kilohm costs
11.88 cents an octave.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .oscillator import TRIM_KELVIN

Floats = NDArray[np.float64]
_INL_TERMS = 6


@dataclass(frozen=True, slots=True)
class DacModel:
    """One channel's converter and amplifier. The defaults are ideal apart from 16 bits."""

    bits: int | None = 16  # None: no steps and no end of range
    lowest_volts: float = -2.0  # of code 0
    span_volts: float = 10.0  # one step is span / 2^bits
    inl_steps: float = 0.0  # largest distance from the straight line
    gain_error: float = 0.0  # 0.001 is 1.2 cents an octave
    offset_volts: float = 0.0  # 1 mV is 1.2 cents everywhere
    drift_volts_per_kelvin: float = 0.0
    output_ohm: float = 0.0
    input_ohm: float = 100_000.0  # of the oscillator: all inputs in parallel
    slew_s: float = 0.0  # time constant of the output after a change

    @property
    def step_volts(self) -> float:
        """Volts of one step; 0.0 without steps."""
        return 0.0 if self.bits is None else self.span_volts / 2.0**self.bits


class Dac:
    """Target volts to output volts; the nonlinearity is drawn by the seed."""

    def __init__(self, model: DacModel = DacModel(), seed: int = 0, channel: int = 0) -> None:
        self.model = model
        rng = np.random.default_rng([seed, channel, 0xDAC])
        self._inl_weights = rng.normal(size=_INL_TERMS) / np.arange(1, _INL_TERMS + 1)
        self._inl_weights /= np.max(np.abs(self._inl(np.linspace(0.0, 1.0, 2001))))

    def coded(self, target_volts: ArrayLike) -> Floats:
        """Return volts after rounding to steps, INL and clipping at both ends of the range."""
        target = np.asarray(target_volts, float)
        model = self.model
        if model.bits is None:
            return target
        step = model.step_volts
        top = 2**model.bits - 1
        # Halves round upwards, as with an adder in front of a truncating converter.
        code = np.clip(np.floor((target - model.lowest_volts) / step + 0.5), 0, top)
        return model.lowest_volts + step * (code + model.inl_steps * self._inl(code / top))

    def output(self, coded_volts: ArrayLike, kelvin: ArrayLike = TRIM_KELVIN) -> Floats:
        """Return volts at the oscillator's input, after amplifier and cable."""
        model = self.model
        warmer = np.asarray(kelvin, float) - TRIM_KELVIN
        amplified = np.asarray(coded_volts, float) * (1.0 + model.gain_error)
        amplified = amplified + model.offset_volts + model.drift_volts_per_kelvin * warmer
        return amplified * (model.input_ohm / (model.input_ohm + model.output_ohm))

    def _inl(self, place: Floats) -> Floats:
        """Return the INL at 0 to 1 of the range, scaled to a largest value of 1; 0 at both ends."""
        turns = np.pi * np.arange(1, _INL_TERMS + 1)
        return np.sin(place[..., None] * turns) @ self._inl_weights
