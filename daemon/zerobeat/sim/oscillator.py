"""An oscillator with an exponential converter and its flaws: volts and temperature to hertz.

A pair of transistors doubles the current for each octave, limited by its bulk
resistance; the current charges a capacitor; the time to discharge it is added
to each period; leakage is subtracted from the current.

Sources: Ebers-Moll law with k/q from the exact SI constants; reset time as in
"Electronotes" 112. The figures of ``OscillatorModel()`` are a reference
instance of this project, within the data sheets of matched pairs and
capacitors. No published warm-up time was found: ``WarmupCurve`` is an
assumption about shape, not a measurement.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

BOLTZMANN_OVER_CHARGE = 8.617333262145e-5  # volts per kelvin
TRIM_KELVIN = 298.15  # 25 degrees Celsius, at which everything was trimmed
C1_HZ = 440.0 * 2.0 ** (-45 / 12)  # key 24, 32.703 Hz
_WANDER_HERTZ = (0.011, 0.31)  # slow, like room air and noise near zero hertz
_ERRATIC_HERTZ = (2.0, 23.0)
_WAVES = 12


@dataclass(frozen=True, slots=True)
class OscillatorModel:
    """One oscillator's parts. With all flaws 0 it tracks exactly one octave per volt."""

    hertz_at_zero_volts: float = C1_HZ
    octaves_per_volt: float = 1.0  # 1.001 is 1.2 cents an octave sharp
    offset_octaves: float = 0.0  # error of the panel setting
    bulk_ohm: float = 0.5  # flattens high notes: the pair's emitters
    reset_s: float = 5.7e-7  # flattens high notes: time to discharge the capacitor
    compensation_ohm: float = 0.0  # in series with the capacitor, sharpens high notes
    leak_ampere: float = 1e-11  # flattens low notes
    tempco_per_kelvin: float = 0.0033  # of the resistor that should follow 1/T
    capacitor_farad: float = 1e-9
    capacitor_per_kelvin: float = 3e-5
    swing_volts: float = 5.0
    kink_below_volts: float | None = None  # below it the slope changes
    kink_slope: float = 0.0  # octaves per volt added below it; under -1 the pitch reverses
    wander_cents: float = 0.0  # root mean square of slow random drift
    erratic_cents: float = 0.0  # the same, fast, below the kink only

    def ideal(self) -> OscillatorModel:
        """Return this model without flaws."""
        return OscillatorModel(
            hertz_at_zero_volts=self.hertz_at_zero_volts,
            bulk_ohm=0.0,
            reset_s=0.0,
            leak_ampere=0.0,
            capacitor_per_kelvin=0.0,
        )


@dataclass(frozen=True, slots=True)
class WarmupCurve:
    """Temperature of the case: from ``start_kelvin`` to ``end_kelvin``, exponentially."""

    start_kelvin: float = TRIM_KELVIN
    end_kelvin: float = TRIM_KELVIN
    time_constant_s: float = 600.0

    def kelvin(self, at_s: ArrayLike) -> Floats:
        """Return the temperature at each time since power-on, in kelvin."""
        rest = np.exp(-np.maximum(np.asarray(at_s, float), 0.0) / self.time_constant_s)
        kelvin: Floats = self.end_kelvin + (self.start_kelvin - self.end_kelvin) * rest
        return kelvin


class Oscillator:
    """Volts and temperature to hertz; the same seed gives the same wander."""

    def __init__(self, model: OscillatorModel = OscillatorModel(), seed: int = 0) -> None:
        self.model = model
        rng = np.random.default_rng([seed, 0x05C1])
        self._wander = _random_sines(rng, *_WANDER_HERTZ)
        self._erratic = _random_sines(rng, *_ERRATIC_HERTZ)

    def hertz(
        self,
        volts: ArrayLike,
        kelvin: ArrayLike = TRIM_KELVIN,
        at_s: ArrayLike | None = None,
    ) -> Floats:
        """Return the frequency for control volts at a temperature.

        Args:
            volts: control volts, any shape.
            kelvin: temperature, broadcast against ``volts``.
            at_s: times, for the random wander; None leaves the wander out.

        Returns:
            Hertz, of the broadcast shape; 0.0 where leakage exceeds the current
            and the oscillator stops.
        """
        model = self.model
        volts = np.asarray(volts, float)
        kelvin = np.asarray(kelvin, float)
        warmer = kelvin - TRIM_KELVIN
        current = self._current(self._octaves(volts), kelvin, warmer)
        farad = model.capacitor_farad * (1.0 + model.capacitor_per_kelvin * warmer)
        running = current > 0.0
        ramp_s = farad * model.swing_volts / np.where(running, current, 1.0)
        period_s = ramp_s + model.reset_s - model.compensation_ohm * farad
        running = running & (period_s > 0.0)
        hertz = np.where(running, 1.0 / np.where(running, period_s, 1.0), 0.0)
        if at_s is not None:
            hertz = hertz * 2.0 ** (self._random_cents(volts, np.asarray(at_s, float)) / 1200.0)
        return hertz

    def _octaves(self, volts: Floats) -> Floats:
        model = self.model
        octaves = model.octaves_per_volt * volts + model.offset_octaves
        if model.kink_below_volts is not None:
            octaves = octaves + model.kink_slope * np.minimum(volts - model.kink_below_volts, 0.0)
        return octaves

    def _current(self, octaves: Floats, kelvin: Floats, warmer: Floats) -> Floats:
        """Return the core current: I = I0 exp((Vb - I r) / VT), less the leak."""
        model = self.model
        thermal_volts = BOLTZMANN_OVER_CHARGE * kelvin
        start_ampere = model.hertz_at_zero_volts * model.capacitor_farad * model.swing_volts
        base_volts = (
            BOLTZMANN_OVER_CHARGE
            * TRIM_KELVIN
            * np.log(2.0)
            * octaves
            * (1.0 + model.tempco_per_kelvin * warmer)
        )
        ideal = np.log(start_ampere) + base_volts / thermal_volts
        return np.exp(log_current(ideal, model.bulk_ohm / thermal_volts)) - model.leak_ampere

    def _random_cents(self, volts: Floats, at_s: Floats) -> Floats:
        model = self.model
        cents = np.zeros(np.broadcast_shapes(volts.shape, at_s.shape))
        if model.wander_cents:
            cents = cents + model.wander_cents * _sum_of_sines(self._wander, at_s)
        if model.erratic_cents and model.kink_below_volts is not None:
            below = volts < model.kink_below_volts
            cents = cents + below * model.erratic_cents * _sum_of_sines(self._erratic, at_s)
        return cents


def log_current(ideal: ArrayLike, per_ampere: ArrayLike) -> Floats:
    """Solve y + e^y * per_ampere = ideal for y, the logarithm of the current.

    Args:
        ideal: natural logarithm of the current without bulk resistance.
        per_ampere: bulk resistance over thermal voltage, not negative.

    Newton's method in the logarithm, because Lambert's W overflows for large
    volts. The left side is rising and convex, so from a start above the root
    every step stays above it and the iteration converges.
    """
    ideal, per_ampere = np.broadcast_arrays(np.asarray(ideal, float), np.asarray(per_ampere, float))
    with np.errstate(divide="ignore"):
        scale = np.log(per_ampere)  # -inf without resistance
    # Above the root: y <= ideal, and e^y * per_ampere <= ideal + scale where that is above 1.
    total = ideal + scale
    y = np.where(total > 1.0, np.log(np.maximum(total, 1.0)) - scale, ideal)
    for _ in range(60):
        dropped = np.exp(y + scale)
        step = (y + dropped - ideal) / (1.0 + dropped)
        y = y - step
        if np.all(np.abs(step) <= 1e-14 * np.maximum(1.0, np.abs(y))):
            break
    return y


def _random_sines(rng: np.random.Generator, lowest_hz: float, highest_hz: float) -> Floats:
    """Return sines with a sum of 1 root mean square: shape (3, n).

    Rows are amplitude, cycles a second, phase in cycles. A sum of sines can be
    evaluated at any times in any order; slow sines have larger amplitudes.
    """
    hertz = np.geomspace(lowest_hz, highest_hz, _WAVES) * rng.uniform(0.9, 1.1, _WAVES)
    amplitude = hertz**-0.5
    amplitude *= np.sqrt(2.0 / np.sum(amplitude**2))
    return np.stack([amplitude, hertz, rng.uniform(0.0, 1.0, _WAVES)])


def _sum_of_sines(waves: Floats, at_s: Floats) -> Floats:
    cents = np.zeros(at_s.shape)
    for amplitude, hertz, phase in waves.T:
        cents += amplitude * np.sin(2.0 * np.pi * (hertz * at_s + phase))
    return cents
