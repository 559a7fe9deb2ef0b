"""Watches the drift of voices until they have settled.

An exponential is fitted to each voice, as a case warms up towards a final
temperature. No published time constant was found, so it is fitted, too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..text import counted

SETTLED_CENTS_PER_MIN = 0.2
LEFT_CENTS = 1.0  # total drift still expected
LEAST_WATCHED_S = 180.0  # a voice is watched at least so long before it counts as settled
TIMES_S = np.geomspace(30.0, 7200.0, 60)  # time constants triedfrom ..text import counted


@dataclass(frozen=True, slots=True)
class VoiceDrift:
    """The drift of a voice.

    Attributes:
        readings: how many so far.
        cents_per_min: now, sharp positive; ``sigma_per_min`` its uncertainty.
        left_cents: drift still expected by the exponential; None if unknown.
        minutes_left: until it counts as settled, 0 when it is; None if unknown.
        settled: whether it has settled.
    """

    voice: str
    readings: int
    cents_per_min: float | None
    sigma_per_min: float
    left_cents: float | None
    minutes_left: float | None
    settled: bool

    def line(self) -> str:
        """Return one line of at most 79 characters."""
        if self.cents_per_min is None:
            return f"{self.voice}: {counted(self.readings, 'reading')}; watching"
        text = f"{self.voice}: {self.cents_per_min:+z.2f} cents a minute"
        if self.settled:
            return f"{text}: settled"
        if self.minutes_left is None:
            return f"{text}: still drifting"
        return f"{text}: about {max(1, math.ceil(self.minutes_left))} min to settle"


class WarmupWatch:
    """Readings of all voices over time.

    Args:
        settled_cents_per_min: slower counts as settled.
        left_cents: and no more drift than this still expected.
    """

    def __init__(
        self,
        settled_cents_per_min: float = SETTLED_CENTS_PER_MIN,
        left_cents: float = LEFT_CENTS,
    ) -> None:
        self._limit, self._left = settled_cents_per_min, left_cents
        self.readings: dict[str, list[tuple[float, float, float]]] = {}

    def add(self, voice: str, at_s: float, cents: float, sigma_cents: float) -> None:
        """Add a reading of a voice's one note.

        Args:
            voice: its name.
            at_s: on any steady clock.
            cents: pitch or error, from any origin; only its change counts.
            sigma_cents: of the reading.
        """
        self.readings.setdefault(voice, []).append((at_s, cents, max(sigma_cents, 0.02)))

    def drift(self, voice: str) -> VoiceDrift:
        """Return the drift of a voice now."""
        taken = np.array(self.readings.get(voice, []), float).reshape(-1, 3)
        count = len(taken)
        if count < 3:
            return VoiceDrift(voice, count, None, math.inf, None, None, False)
        times, cents, sigma = taken.T
        rate, rate_sigma = _rate_now(times, cents, sigma)
        left = minutes = None
        if count >= 5:
            left, minutes = self._to_come(times, cents, sigma)
        watched = times[-1] - times[0]
        slow = abs(rate) + 2.0 * rate_sigma < self._limit
        little = left is None or abs(left) < self._left
        settled = bool(slow and little and watched >= LEAST_WATCHED_S)
        if settled:
            minutes = 0.0
        return VoiceDrift(voice, count, rate, rate_sigma, left, minutes, settled)

    def settled(self) -> bool:
        """Return whether every voice has settled."""
        return bool(self.readings) and all(self.drift(voice).settled for voice in self.readings)

    def _to_come(
        self, times: np.ndarray, cents: np.ndarray, sigma: np.ndarray
    ) -> tuple[float | None, float | None]:
        """Return the drift still expected in cents, and minutes until settled; None if unknown."""
        _, swing, tau_s = fit_exponential(times, cents, sigma)
        if tau_s >= TIMES_S[-1] * 0.99 or tau_s > 3.0 * (times[-1] - times[0]):
            return None, None  # too straight for the end to be known
        left = -swing * math.exp(-(times[-1] - times[0]) / tau_s)
        rate = abs(left) / tau_s * 60.0
        wait_s = 0.0
        if rate > self._limit:
            wait_s = tau_s * math.log(rate / self._limit)
        if abs(left) > self._left:
            wait_s = max(wait_s, tau_s * math.log(abs(left) / self._left))
        return left, wait_s / 60.0


def fit_exponential(
    times: np.ndarray, cents: np.ndarray, sigma: np.ndarray
) -> tuple[float, float, float]:
    """Fit ``end + swing * exp(-(t - t0) / tau)``, least squares over a grid of tau.

    Args:
        times: seconds, shape (n,), rising; t0 is the first.
        cents, sigma: shape (n,).

    Returns:
        (end, swing, tau_s).
    """
    best = (math.inf, 0.0, 0.0, 1.0)
    weight = 1.0 / sigma
    for tau_s in TIMES_S:
        columns = np.stack([np.ones_like(times), np.exp(-(times - times[0]) / tau_s)], axis=1)
        solved, *_ = np.linalg.lstsq(columns * weight[:, None], cents * weight, rcond=None)
        left = float(np.sum(((columns @ solved - cents) * weight) ** 2))
        if left < best[0]:
            best = (left, float(solved[0]), float(solved[1]), float(tau_s))
    return best[1:]


def _rate_now(times: np.ndarray, cents: np.ndarray, sigma: np.ndarray) -> tuple[float, float]:
    """Return cents a minute and its sigma: a weighted line through the last readings."""
    recent = times >= times[-1] - LEAST_WATCHED_S
    if recent.sum() < 3:
        recent = np.arange(len(times)) >= len(times) - 3
    t, y, w = times[recent], cents[recent], 1.0 / sigma[recent] ** 2
    middle = np.sum(w * t) / np.sum(w)
    across = np.sum(w * (t - middle) ** 2)
    slope = np.sum(w * (t - middle) * y) / across
    rest = y - np.sum(w * y) / np.sum(w) - slope * (t - middle)
    spread = max(1.0, float(np.sum(w * rest**2)) / max(len(t) - 2, 1))
    return float(60.0 * slope), float(60.0 * math.sqrt(spread / across))
