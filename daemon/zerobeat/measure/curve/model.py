"""A Gaussian-process model of a voice's error, with terms from physics.

    error(u) = a + b u + c 2^u + d 2^-u + k min(volts, 0) + smooth rest + single notes + drift

Offset, scale, bulk resistance and reset time (both proportional to frequency in
first order), leakage (proportional to 1 / frequency), a kink at zero volts, a
smooth rest such as a converter's integral nonlinearity, and errors of single
notes. All are Gaussian with the spreads below. The marginal likelihood of the
readings weighs every combination of hyperparameters tried, and predictions are
averaged with those weights.

Sources: Ebers-Moll law with bulk resistance and reset time (first order), for
the terms; C. E. Rasmussen and C. Williams, "Gaussian Processes for Machine
Learning" (2006), equations 2.23 to 2.30 and 5.12, for the arithmetic.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
# Prior sigmas. Own choices, wide.
OFFSET_CENTS = 100.0  # about the mean of the readings
SLOPE_CENTS_PER_OCTAVE = 40.0
TOP_CENTS = 30.0  # of the term in 2^u, at the top of the range
BOTTOM_CENTS = 5.0  # of the term in 2^-u, at the bottom
KINK_CENTS_PER_VOLT = 20.0
DRIFT_CENTS_PER_S = 0.05
WALK_CENTS = 0.02  # of a random walk, after one second
READING_FLOOR_CENTS = 0.03  # slow wander and the converter's steps
# Hyperparameters tried: sigma and length of the smooth rest, sigma of single notes.
REST_CENTS = (0.05, 0.2, 0.6, 2.0, 6.0)
REST_OCTAVES = (0.5, 1.0, 2.0)
ROUGH_CENTS = (0.02, 0.1, 0.4, 1.5, 6.0)
REST_USUAL_CENTS, ROUGH_USUAL_CENTS = 0.5, 0.08
USUAL_WIDTH = 1.2  # prior sigma of their logarithms
LIGHTEST = -7.0  # logarithm of a relative weight; hyperparameters below it are dropped


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
        kept = np.arange(len(self.cents)) != index if isinstance(index, int) else ~index
        return Points(
            self.cents[kept],
            self.errors[kept],
            self.sigmas[kept],
            self.at_s[kept],
            self.groups[kept],
        )


@dataclass(frozen=True, slots=True)
class ModelTerms:
    """The physical terms over a range: its ends and the zero-volt note, in cents."""

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
    """One combination of hyperparameters, its weight, and the readings solved with it."""

    rest: float  # sigma of the smooth rest, cents
    octaves: float  # its length
    rough: float  # sigma of single notes, cents
    weight: float
    root_inverse: Floats  # root_inverse.T @ root_inverse inverts the readings' covariance
    weighted_errors: Floats  # that inverse times the readings' errors


class Model:
    """The posterior of a voice's error, given readings.

    Args:
        terms: the physical terms.
        points: one reading or more.
    """

    def __init__(self, terms: ModelTerms, points: Points) -> None:
        self.terms = terms
        self.points = points
        self.now_s = float(np.max(points.at_s))
        self._mean = float(np.mean(points.errors))
        self._weighted = self._solve()

    @property
    def rough_cents(self) -> float:
        """Deviation of single notes from the smooth curve, one sigma."""
        return float(sum(one.weight * one.rough for one in self._weighted))

    @property
    def rest_cents(self) -> float:
        """Deviation of the smooth curve from the physical terms, one sigma."""
        return float(sum(one.weight * one.rest for one in self._weighted))

    def predict(self, cents: ArrayLike, groups: ArrayLike | None = None) -> tuple[Floats, Floats]:
        """Return the error at pitches at the time of the last reading, and its sigma.

        Args:
            cents: commanded, shape (n,).
            groups: note numbers, shape (n,); with them the errors of single notes
                are included, where known.

        Returns:
            Mean and sigma in cents, each of shape (n,).
        """
        at = _QueryPoints(self, np.atleast_1d(np.asarray(cents, float)), groups)
        mean, square = np.zeros(at.cents.shape), np.zeros(at.cents.shape)
        for one in self._weighted:
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
        for one in self._weighted:
            across = at.across(one)
            seen = across @ one.root_inverse.T
            off = across @ one.weighted_errors - mean
            prior = own + one.rest**2 * _squared_exponential(at.cents, at.cents, one.octaves)
            total += one.weight * (prior - seen @ seen.T + np.outer(off, off))
        return total

    def surprise(self, cents: float, error: float, sigma: float) -> tuple[float, float]:
        """Return a reading less its prediction, in sigmas and in cents."""
        mean, known = self.predict([cents])
        spread = math.sqrt(known[0] ** 2 + sigma**2 + self.rough_cents**2 + READING_FLOOR_CENTS**2)
        return float((error - mean[0]) / spread), float(error - mean[0])

    def drift(self, at_s: ArrayLike) -> Floats:
        """Return how much sharper the voice was at each time than at the last reading."""
        at_s = np.atleast_1d(np.asarray(at_s, float))
        total = np.zeros(at_s.shape)
        for one in self._weighted:
            total += one.weight * (self._time(at_s, self.points.at_s) @ one.weighted_errors)
        return total

    def left_out(self) -> tuple[Floats, Floats]:
        """Return each reading less the prediction of all others, in sigmas and in cents.

        Uses the hyperparameters of most weight (Rasmussen and Williams, equation 5.12).
        """
        best = max(self._weighted, key=lambda one: one.weight)
        own = np.sum(best.root_inverse**2, axis=0)
        return best.weighted_errors / np.sqrt(own), best.weighted_errors / own

    # ------------------------------------------------------------ arithmetic

    def _solve(self) -> list[_Hyperparameters]:
        p = self.points
        count, errors = len(p.cents), p.errors - self._mean
        basis = self.terms.basis(p.cents)
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
                    root_inverse = np.asarray(np.linalg.solve(lower, np.eye(count)), float)
                    weighted_errors = root_inverse.T @ (root_inverse @ errors)
                    evidence = -0.5 * errors @ weighted_errors - np.log(np.diag(lower)).sum()
                    evidence += _log_prior(rest, REST_USUAL_CENTS)
                    evidence += _log_prior(rough, ROUGH_USUAL_CENTS)
                    setting = _Hyperparameters(
                        rest, octaves, rough, 0.0, root_inverse, weighted_errors
                    )
                    found.append((evidence, setting))
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
    """The pitches of one prediction, with the parts that all hyperparameters share."""

    def __init__(self, model: Model, cents: Floats, groups: ArrayLike | None) -> None:
        points = model.points
        self.cents = cents
        self.basis = model.terms.basis(cents)
        self._terms_covariance = self.basis @ model.terms.basis(points.cents).T
        self._rest_covariance = {
            octaves: _squared_exponential(cents, points.cents, octaves) for octaves in REST_OCTAVES
        }
        self.same: NDArray[np.bool_] | None = None
        if groups is not None:
            self.same = np.asarray(groups)[:, None] == points.groups

    def across(self, one: _Hyperparameters) -> Floats:
        """Return the covariance of the pitches, at the last reading's time, and the readings."""
        across = self._terms_covariance + one.rest**2 * self._rest_covariance[one.octaves]
        return across if self.same is None else across + one.rough**2 * self.same


def _squared_exponential(one: Floats, other: Floats, octaves: float) -> Floats:
    apart = (one[:, None] - other[None, :]) / (1200.0 * octaves)
    return np.exp(-0.5 * apart**2)


def _log_prior(spread: float, usual: float) -> float:
    return -0.5 * (math.log(spread / usual) / USUAL_WIDTH) ** 2
