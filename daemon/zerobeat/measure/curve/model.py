"""A voice's error as physics expects it, and how far the readings leave that.

    error(u) = a + b u + c 2^u + d 2^-u + k min(volts, 0)  smooth rest  single notes  drift

Offset, scale, bulk resistance and reset time (both follow frequency in first
order), leakage (follows 1 / frequency), a kink at zero volts, a smooth rest
such as a converter's bow, and what single notes add. All are Gaussian with the
spreads below, so the readings' own evidence says how smooth the voice is; the
answers of all settings tried are averaged by that evidence.

Sources: Ebers-Moll law with bulk resistance and reset time (first order), for
the shape; C. E. Rasmussen and C. Williams, "Gaussian Processes for Machine
Learning" (2006), equations 2.23 to 2.30 and 5.12, for the arithmetic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# One sigma before any reading. Own choices, wide.
OFFSET_CENTS = 100.0  # round the mean of the readings
SLOPE_CENTS_PER_OCTAVE = 40.0
TOP_CENTS = 30.0  # of the term in 2^u, at the top of the range
BOTTOM_CENTS = 5.0  # of the term in 2^-u, at the bottom
KINK_CENTS_PER_VOLT = 20.0
DRIFT_CENTS_PER_S = 0.05
WALK_CENTS = 0.02  # of a random walk, after one second
READING_FLOOR_CENTS = 0.03  # slow wander and the converter's last step
# Settings tried: spread and length of the smooth rest, spread of single notes.
REST_CENTS = (0.05, 0.2, 0.6, 2.0, 6.0)
REST_OCTAVES = (0.5, 1.0, 2.0)
ROUGH_CENTS = (0.02, 0.1, 0.4, 1.5, 6.0)
REST_USUAL_CENTS, ROUGH_USUAL_CENTS = 0.5, 0.08
USUAL_WIDTH = 1.2  # of their logarithms
LIGHTEST = -7.0  # logarithm of the weight of a setting that no longer counts


@dataclass(frozen=True, slots=True)
class Points:
    """Readings as columns, each of shape (n,).

    Attributes:
        cents: commanded pitch.
        errors: sounding less commanded.
        sigmas: one sigma each.
        at_s: when.
        groups: number of the note whose own error each carries.
    """

    cents: Floats
    errors: Floats
    sigmas: Floats
    at_s: Floats
    groups: NDArray[np.int_]

    def without(self, index: int | NDArray[np.bool_]) -> Points:
        """Return all but one, or but those marked True."""
        if isinstance(index, int):
            kept = np.arange(len(self.cents)) != index
        else:
            kept = ~index
        return Points(
            self.cents[kept],
            self.errors[kept],
            self.sigmas[kept],
            self.at_s[kept],
            self.groups[kept],
        )


@dataclass(frozen=True, slots=True)
class ModelTerms:
    """Where the terms stand: the range asked for and the zero-volt note, in cents."""

    lowest_cents: float
    highest_cents: float
    zero_volt_cents: float

    def basis(self, cents: ArrayLike) -> Floats:
        """Return the physical terms at pitches, each times its spread: shape (n, 4 or 5)."""
        cents = np.asarray(cents, float)
        middle = (self.lowest_cents + self.highest_cents) / 2.0
        columns = [
            np.full(cents.shape, OFFSET_CENTS),
            SLOPE_CENTS_PER_OCTAVE * (cents - middle) / 1200.0,
            TOP_CENTS * 2.0 ** ((cents - self.highest_cents) / 1200.0),
            BOTTOM_CENTS * 2.0 ** ((self.lowest_cents - cents) / 1200.0),
        ]
        if self.lowest_cents < self.zero_volt_cents:
            below = np.minimum(cents - self.zero_volt_cents, 0.0) / 1200.0
            columns.append(KINK_CENTS_PER_VOLT * below)
        return np.stack(columns, axis=-1)


@dataclass(frozen=True, slots=True)
class _Hyperparameters:
    """One setting tried: its spreads, its weight, and the readings solved with it."""

    rest: float
    octaves: float
    rough: float
    weight: float
    root_inverse: Floats  # half' half is the inverse of the readings' covariance
    weighted_errors: Floats  # that inverse times the errors


class Model:
    """The error of a voice given readings.

    Args:
        shape: where the terms stand.
        points: one reading or more.
    """

    def __init__(self, shape: ModelTerms, points: Points) -> None:
        self.shape = shape
        self.points = points
        self.now_s = float(np.max(points.at_s))
        self._mean = float(np.mean(points.errors))
        self._settings = self._solve()

    @property
    def rough_cents(self) -> float:
        """How far single notes leave the smooth curve, one sigma."""
        return float(sum(one.weight * one.rough for one in self._settings))

    @property
    def rest_cents(self) -> float:
        """How far the smooth curve leaves the physical terms, one sigma."""
        return float(sum(one.weight * one.rest for one in self._settings))

    def predict(self, cents: ArrayLike, groups: ArrayLike | None = None) -> tuple[Floats, Floats]:
        """Return the error at pitches at the time of the last reading, and its sigma.

        Args:
            cents: commanded, shape (n,).
            groups: with it, what single notes add counts too, where known.
        """
        at = _QueryPoints(self, np.atleast_1d(np.asarray(cents, float)), groups)
        mean, square = np.zeros(at.cents.shape), np.zeros(at.cents.shape)
        for one in self._settings:
            m, v = self._predict(one, at)
            mean += one.weight * m
            square += one.weight * (v + m**2)
        return self._mean + mean, np.sqrt(np.maximum(square - mean**2, 0.0))

    def covariance(self, cents: ArrayLike) -> Floats:
        """Return the covariance of the smooth error at pitches, averaged: shape (n, n)."""
        at = _QueryPoints(self, np.asarray(cents, float), None)
        own = at.basis @ at.basis.T
        mean = self.predict(cents)[0] - self._mean
        total = np.zeros(own.shape)
        for one in self._settings:
            across = at.across(one)
            seen = across @ one.root_inverse.T
            off = across @ one.weighted_errors - mean
            prior = own + one.rest**2 * _squared_exponential(at.cents, at.cents, one.octaves)
            total += one.weight * (prior - seen @ seen.T + np.outer(off, off))
        return total

    def surprise(self, cents: float, error: float, sigma: float) -> tuple[float, float]:
        """Return how far a reading is from what was expected: in sigmas, in cents."""
        mean, known = self.predict([cents])
        spread = math.sqrt(known[0] ** 2 + sigma**2 + self.rough_cents**2 + READING_FLOOR_CENTS**2)
        return float((error - mean[0]) / spread), float(error - mean[0])

    def drift(self, at_s: ArrayLike) -> Floats:
        """Return how much sharper the voice was at times than at the last reading."""
        at_s = np.atleast_1d(np.asarray(at_s, float))
        total = np.zeros(at_s.shape)
        for one in self._settings:
            total += one.weight * (self._time(at_s, self.points.at_s) @ one.weighted_errors)
        return total

    def left_out(self) -> tuple[Floats, Floats]:
        """Return each reading less what all others predict: in sigmas, in cents.

        By the heaviest setting (Rasmussen and Williams, equation 5.12).
        """
        best = max(self._settings, key=lambda one: one.weight)
        own = np.sum(best.root_inverse**2, axis=0)
        return best.weighted_errors / np.sqrt(own), best.weighted_errors / own

    # ------------------------------------------------------------ arithmetic

    def _solve(self) -> list[_Hyperparameters]:
        p = self.points
        count, errors = len(p.cents), p.errors - self._mean
        basis = self.shape.basis(p.cents)
        noise = np.diag(p.sigmas**2 + READING_FLOOR_CENTS**2)
        fixed = basis @ basis.T + self._time(p.at_s, p.at_s) + noise
        same = (p.groups[:, None] == p.groups).astype(float)
        found: list[tuple[float, _Hyperparameters]] = []
        for octaves in REST_OCTAVES:
            bell = _squared_exponential(p.cents, p.cents, octaves)
            for rest in REST_CENTS:
                for rough in ROUGH_CENTS:
                    whole = fixed + rest**2 * bell + rough**2 * same
                    lower = np.linalg.cholesky(whole + 1e-8 * np.eye(count))
                    root_inverse = np.linalg.solve(lower, np.eye(count))
                    weighted_errors = root_inverse.T @ (root_inverse @ errors)
                    evidence = -0.5 * errors @ weighted_errors - np.log(np.diag(lower)).sum()
                    evidence += _log_prior(rest, REST_USUAL_CENTS) + _log_prior(
                        rough, ROUGH_USUAL_CENTS
                    )
                    found.append(
                        (
                            evidence,
                            _Hyperparameters(
                                rest, octaves, rough, 0.0, root_inverse, weighted_errors
                            ),
                        )
                    )
        best = max(evidence for evidence, _ in found)
        heavy = [
            (math.exp(evidence - best), one)
            for evidence, one in found
            if evidence - best > LIGHTEST
        ]
        total = math.fsum(weight for weight, _ in heavy)
        return [replace(one, weight=weight / total) for weight, one in heavy]

    def _predict(self, one: _Hyperparameters, at: _QueryPoints) -> tuple[Floats, Floats]:
        across = at.across(one)
        prior = np.sum(at.basis**2, axis=1) + one.rest**2
        if at.same is not None:
            prior = prior + one.rough**2
        variance = prior - np.sum((across @ one.root_inverse.T) ** 2, axis=1)
        return across @ one.weighted_errors, np.maximum(variance, 0.0)

    def _time(self, one: Floats, other: Floats) -> Floats:
        """Return the covariance of drift: a line and a random walk, both 0 at the last reading."""
        a, b = self.now_s - one[:, None], self.now_s - other[None, :]
        walk = WALK_CENTS**2 * np.minimum(np.maximum(a, 0.0), np.maximum(b, 0.0))
        return DRIFT_CENTS_PER_S**2 * a * b + walk


class _QueryPoints:
    """Pitches that are asked for, against the readings: what all settings share."""

    def __init__(self, model: Model, cents: Floats, groups: ArrayLike | None) -> None:
        points = model.points
        self.cents = cents
        self.basis = model.shape.basis(cents)
        self._terms = self.basis @ model.shape.basis(points.cents).T
        self._bells = {
            octaves: _squared_exponential(cents, points.cents, octaves) for octaves in REST_OCTAVES
        }
        self.same: NDArray[np.bool_] | None = None
        if groups is not None:
            self.same = np.asarray(groups)[:, None] == points.groups

    def across(self, one: _Hyperparameters) -> Floats:
        """Return the covariance of the pitches, at the last reading's time, with the readings."""
        across = self._terms + one.rest**2 * self._bells[one.octaves]
        return across if self.same is None else across + one.rough**2 * self.same


def _squared_exponential(one: Floats, other: Floats, octaves: float) -> Floats:
    apart = (one[:, None] - other[None, :]) / (1200.0 * octaves)
    return np.exp(-0.5 * apart**2)


def _log_prior(spread: float, usual: float) -> float:
    return -0.5 * (math.log(spread / usual) / USUAL_WIDTH) ** 2
