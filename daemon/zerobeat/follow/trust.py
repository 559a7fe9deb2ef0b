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

KEPT_READINGS = 96  # newest readings that are looked at
LEAST_FOR_VERDICT = 12  # before any verdict
LEAST_FOR_TRUST = 20  # before a voice is moved by what it drifts
UNCLEAN_FOR_TRUST = 45  # where the readings' own sigmas show that something moves
CLEAN_SIGMA_CENTS = 0.04
LEAST_FOR_PITCH = 30  # a stretch must have been learned first
SHOWN_BY = 3.0  # sigmas
LET_GO_BY = 2.0  # sigmas, under which a cause that was found is let go again
LEAST_EFFECT_CENTS = 0.2  # a dependence smaller than this over its range harms nobody
MOST_SCATTER_CENTS = 0.6
SWING_SCATTER_CENTS = 0.25  # from this scatter on, readings in a row must not be alike
MOST_ALIKE = 0.5  # correlation of neighbours
NEW = 24  # readings that scatter is judged by
BETWEEN_BY = 3.5  # sigmas; the largest of several differences
ONSET_EDGES_S = (0.15, 0.35, 0.6, 0.9, 1.5, 3.0)  # times since the onset that are compared
LEAST_IN_BIN = 4
LEAST_SLOPE_WITHIN = 0.08  # cents a second within notes, on average: faster than any drift
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
        self._kept: deque[tuple[DriftReading, float]] = deque(maxlen=KEPT_READINGS)
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
        return len(self._kept) >= LEAST_FOR_VERDICT

    @property
    def looked_at_long(self) -> bool:
        """True once a voice may be moved by its drift; later where readings are less clean."""
        clean = self.usual_sigma < CLEAN_SIGMA_CENTS
        return len(self._kept) >= (LEAST_FOR_TRUST if clean else UNCLEAN_FOR_TRUST)

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

    def verdict(self, grid_cents: float = 0.0) -> str:
        """Return why the voice can't be followed as it is patched; "" if nothing speaks
        against it.

        Args:
            grid_cents: whole steps that the oscillator takes: readings scatter by as much.
        """
        if not self.enough:
            return ""
        left = np.array([left for _, left in self._kept])
        newest = left[-NEW:]
        scatter = self.scatter_cents
        if scatter > MOST_SCATTER_CENTS + 0.3 * grid_cents:
            return f"its readings scatter by {scatter:.1f} cents: vibrato, wow or noise"
        centred = newest - newest.mean()
        power = float(centred @ centred)
        if scatter > SWING_SCATTER_CENTS + 0.5 * grid_cents and power > 0.0:
            alike = float(centred[1:] @ centred[:-1]) / power
            if alike > max(MOST_ALIKE, SHOWN_BY / math.sqrt(len(newest)) * 0.8):
                return f"its pitch swings slowly by {scatter:.1f} cents: a slow modulation"
        self._found = self._dependence(left, LEAST_EFFECT_CENTS + 0.5 * grid_cents)
        return self._found

    def _dependence(self, left: np.ndarray, least_cents: float) -> str:
        readings = [reading for reading, _ in self._kept]
        # A profile's error at a note is no dependence on level or interval: within notes.
        notes = np.array([round(one.pitch_cents / 100.0) for one in readings])
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
            groups = None if cause == "pitch" else notes
            z, effect = _slope(np.array(values, float), left, groups)
            if effect > least_cents and z > max(worst, self._bar(cause)):
                worst, said = z, cause
        z, effect = _between(np.array([one.since_onset_s for one in readings]), left)
        if effect > least_cents and z > max(worst, BETWEEN_BY):
            worst, said = z, "time since the onset"
        z, slope = self._within(readings)
        if slope > LEAST_SLOPE_WITHIN and z > max(worst, self._bar("time since the onset")):
            said = "time since the onset"
        if not said:
            return ""
        return f"its readings depend on {said}: {CAUSES[said]}"

    def _bar(self, cause: str) -> float:
        return LET_GO_BY if cause in self._found else SHOWN_BY

    @staticmethod
    def _within(readings: list[DriftReading]) -> tuple[float, float]:
        """Return how sure the pitch moves within stretches, and how fast, on average.

        What moves early in the notes and has settled later is an attack: the least of both counts.
        """
        order = np.argsort([one.since_onset_s for one in readings])
        slopes = np.array([one.slope_cents_per_s for one in readings])[order]
        sigmas = np.array([max(one.slope_sigma, 0.05) for one in readings])[order]
        found = []
        for part in np.array_split(np.arange(len(slopes)), 2):
            weights = 1.0 / sigmas[part] ** 2
            mean = float(weights @ slopes[part] / weights.sum())
            rest = float(weights @ (slopes[part] - mean) ** 2) / (len(part) - 1)
            found.append((mean, abs(mean) / math.sqrt(max(rest, 1.0) / weights.sum())))
        (early, sure_early), (late, sure_late) = found
        if early * late <= 0.0:
            return 0.0, 0.0
        return min(sure_early, sure_late), min(abs(early), abs(late))


def _fades(since_s: float) -> float:
    """Return a transform of the time since the onset in which what fades looks straight."""
    return math.exp(-since_s / 0.5)


def _slope(values: np.ndarray, left: np.ndarray, groups: np.ndarray | None) -> tuple[float, float]:
    """Return how sure a dependence is, in sigmas, and its effect over the range of the values.

    Args:
        values, left: shape (n,).
        groups: shape (n,); only differences within a group count. None: all is one group.
    """
    reach = float(np.ptp(np.quantile(values, (0.1, 0.9))))
    if reach < 1e-9:
        return 0.0, 0.0
    if groups is None:
        x, y, free = values - values.mean(), left - np.median(left), len(left) - 2
    else:
        known, place = np.unique(groups, return_inverse=True)
        count = np.bincount(place)
        x = values - (np.bincount(place, values) / count)[place]
        y = left - (np.bincount(place, left) / count)[place]
        free = len(left) - len(known) - 1
    power = float(x @ x)
    if free < 6 or power < 1e-9:
        return 0.0, 0.0
    slope = float(x @ y) / power
    rest = y - slope * x
    sigma = math.sqrt(max(float(rest @ rest) / free, 1e-6) / power)
    return abs(slope) / sigma, abs(slope) * reach


def _between(since_s: np.ndarray, left: np.ndarray) -> tuple[float, float]:
    """Return how sure readings differ by the time since the onset, in sigmas, and by how much.

    A filter's sweep reads flat, then sharp: no straight line shows that.
    """
    place = np.digitize(since_s, ONSET_EDGES_S)
    groups = [left[place == k] for k in np.unique(place) if np.sum(place == k) >= LEAST_IN_BIN]
    best = (0.0, 0.0)
    # Readings of whole steps may be alike in a group by chance: the spread is that of all groups.
    free = sum(len(one) - 1 for one in groups)
    within = sum(float(np.var(one)) * len(one) for one in groups) / max(free, 1)
    for k, one in enumerate(groups):
        for other in groups[k + 1 :]:
            apart = abs(float(one.mean() - other.mean()))
            spread = math.sqrt(within * (1.0 / len(one) + 1.0 / len(other)))
            z = apart / max(spread, 0.02)
            if z > best[0]:
                best = (z, apart)
    return best
