"""Whether a voice's readings can be trusted as it is patched.

A small sigma is no safeguard: envelopes on a filter or on pitch, pulse-width modulation and wow
read steadily wrong. So what the model leaves over must not depend on anything a drift knows
nothing about, must not scatter, and must not swing slowly.
"""

from __future__ import annotations

import math
from collections import deque

import numpy as np

from .drift_model import DriftReading

KEPT = 96  # newest readings that are looked at
LEAST_READINGS = 12  # before any verdict
LEAST_FOR_PITCH = 30  # a stretch must have been learned first
SHOWN_BY = 3.0  # sigmas
LET_GO_BY = 2.0  # sigmas, under which a cause that was found is let go again
LEAST_EFFECT_CENTS = 0.25  # a dependence smaller than this over its range harms nobody
MOST_SCATTER_CENTS = 0.6
SWING_SCATTER_CENTS = 0.25  # from this scatter on, readings in a row must not be alike
MOST_ALIKE = 0.5  # correlation of neighbours
NEW = 24  # readings that scatter is judged by
LEAST_SLOPE = 0.08  # cents a second within notes, on average: faster than any drift
CAUSES = {
    "time since the onset": "an envelope on pitch or filter, or a slew",
    "the interval from the last note": "a slew or glide in the case",
    "velocity": "velocity moves pitch or filter",
    "pitch": "the profile is not this voice's, or pulse width moves",
    "level": "the level pulls the pitch: a second oscillator, or feedback",
}


class VoiceTrust:
    """What is left over of one voice's readings, and what it depends on."""

    def __init__(self) -> None:
        self._kept: deque[tuple[DriftReading, float]] = deque(maxlen=KEPT)
        self._found = ""

    def add(self, reading: DriftReading, left_cents: float) -> None:
        """Take a reading and how far it lay from what was believed."""
        self._kept.append((reading, left_cents))

    def clear(self) -> None:
        """Forget all."""
        self._kept.clear()
        self._found = ""

    @property
    def enough(self) -> bool:
        """True once there are readings enough for a verdict."""
        return len(self._kept) >= LEAST_READINGS

    @property
    def scatter_cents(self) -> float:
        """Robust spread of the newest readings about what was believed."""
        left = np.array([left for _, left in self._kept])[-NEW:]
        if len(left) < 6:
            return 0.0
        return float(1.4826 * np.median(np.abs(left - np.median(left))))

    @property
    def usual_sigma(self) -> float:
        """What readings state of themselves. It is often the same error in each of them, so it is
        no surer on average."""
        sigmas = [reading.sigma_cents for reading, _ in self._kept]
        return float(np.median(sigmas[-NEW:])) if sigmas else 0.0

    def verdict(self) -> str:
        """Return why the voice can't be followed as it is patched; "" if nothing speaks
        against it."""
        if not self.enough:
            return ""
        left = np.array([left for _, left in self._kept])
        newest = left[-NEW:]
        scatter = self.scatter_cents
        if scatter > MOST_SCATTER_CENTS:
            return f"its readings scatter by {scatter:.1f} cents: vibrato, wow or noise"
        centred = newest - newest.mean()
        power = float(centred @ centred)
        if scatter > SWING_SCATTER_CENTS and power > 0.0:
            alike = float(centred[1:] @ centred[:-1]) / power
            if alike > max(MOST_ALIKE, SHOWN_BY / math.sqrt(len(newest)) * 0.8):
                return f"its pitch swings slowly by {scatter:.1f} cents: a slow modulation"
        self._found = self._dependence(left)
        return self._found

    def _dependence(self, left: np.ndarray) -> str:
        readings = [reading for reading, _ in self._kept]
        worst, said = 0.0, ""
        for cause, values in (
            ("time since the onset", [_fades(one.since_onset_s) for one in readings]),
            ("the interval from the last note", [one.interval_cents for one in readings]),
            ("velocity", [one.velocity for one in readings]),
            ("pitch", [one.pitch_cents for one in readings]),
            ("level", [one.level_dbfs for one in readings]),
        ):
            if cause == "pitch" and len(readings) < LEAST_FOR_PITCH:
                continue
            z, effect = _slope(np.array(values, float), left)
            if effect > LEAST_EFFECT_CENTS and z > max(worst, self._bar(cause)):
                worst, said = z, cause
        z, slope = self._within(readings)
        if slope > LEAST_SLOPE and z > max(worst, self._bar("time since the onset")):
            said = "time since the onset"
        if not said:
            return ""
        return f"its readings depend on {said}: {CAUSES[said]}"

    def _bar(self, cause: str) -> float:
        return LET_GO_BY if cause in self._found else SHOWN_BY

    @staticmethod
    def _within(readings: list[DriftReading]) -> tuple[float, float]:
        """Return how sure the pitch moves within stretches, on average, and how fast."""
        slopes = np.array([one.slope_cents_per_s for one in readings])
        sigmas = np.array([max(one.slope_sigma, 0.05) for one in readings])
        weights = 1.0 / sigmas**2
        mean = float(weights @ slopes / weights.sum())
        spread = max(float(weights @ (slopes - mean) ** 2) / (len(slopes) - 1), 1.0)
        return abs(mean) / math.sqrt(spread / weights.sum()), abs(mean)


def _fades(since_s: float) -> float:
    """Return a transform of the time since the onset in which what fades looks straight."""
    return math.exp(-since_s / 0.5)


def _slope(values: np.ndarray, left: np.ndarray) -> tuple[float, float]:
    """Return how sure a dependence is, in sigmas, and its effect over the range of the values."""
    reach = float(np.ptp(np.quantile(values, (0.1, 0.9))))
    if reach < 1e-9:
        return 0.0, 0.0
    x = values - values.mean()
    y = left - np.median(left)
    power = float(x @ x)
    slope = float(x @ y) / power
    rest = y - slope * x
    sigma = math.sqrt(max(float(rest @ rest) / max(len(y) - 2, 1), 1e-6) / power)
    return abs(slope) / sigma, abs(slope) * reach
