"""Fit quality: what a phase fit leaves in the residual, and the excess uncertainty of that."""

from __future__ import annotations

import math

import numpy as np

from .coarse_search import is_mains
from .phase_fit import PhaseFit, common_timing_error

CENTS_A_NEPER = 1200 / math.log(2)  # cents for a natural logarithm of 1
FADING = -0.5  # nepers a second; a tone that decays faster counts as struck
LOW_MAINS_HZ = 190.0
STEADY = -1.0  # nepers a second; a line that decays faster is a partial of a struck body


def drift_cents_per_s(fit: PhaseFit) -> tuple[float, float]:
    """Return the drift and its sigma, in cents a second."""
    return CENTS_A_NEPER * fit.partials.drift, CENTS_A_NEPER * math.sqrt(
        max(fit.step.covariance[1, 1], 0.0)
    )


def tone_growth(fit: PhaseFit) -> float:
    """Return the growth of the tone as a whole, in nepers a second."""
    partials = fit.partials
    energy = np.where(partials.number > 0, partials.energy(partials.grid.inside), 0.0)
    return float(np.sum(energy * partials.growth) / np.sum(energy))


def second_pitch_share(fit: PhaseFit) -> float:
    """Return the power of lines that only a second pitch explains, over the tone's.

    Not counted: mains, if its low harmonics are there too; pairs of lines on
    both sides of a harmonic (vibrato, tremolo); lines that decay. A struck body
    has partials of its own, close to its harmonics (beating strings) or far from
    them (bars), so for a tone that decays as a whole only lines that make a
    harmonic series of three count.
    """
    partials = fit.partials
    power = np.abs(partials.level) ** 2
    harmonic = partials.number > 0
    total, tone_hz = power[harmonic].sum(), partials.pitch_hz
    mains = ~harmonic & is_mains(partials.own_hz)
    deepest = mains & (partials.own_hz < LOW_MAINS_HZ)
    mains &= power < 30 * power[deepest].max(initial=0.0)
    alone = ~harmonic & ~mains & (power > 1e-4 * total)
    hertz, strength, growth = partials.own_hz[alone], power[alone], partials.growth[alone]
    bin_hz = partials.grid.rate_hz / partials.grid.size
    ahead = hertz - np.maximum(np.rint(hertz / tone_hz), 1) * tone_hz
    base = hertz - ahead
    facing = np.abs(base + base[:, None]) / 2 - (hertz + hertz[:, None]) / 2
    facing = np.abs(facing) < 0.8 * bin_hz
    alike = np.abs(np.log(strength / strength[:, None])) < math.log(10)
    paired = np.any(facing & alike & (np.abs(base - base[:, None]) < 1e-6 * tone_hz), axis=1)
    single = ~paired
    if tone_growth(fit) > FADING:
        return float(strength[single & (growth > STEADY)].sum() / total)
    far = single & (np.abs(ahead) > 0.15 * tone_hz)
    return _strongest_series(hertz[far], strength[far], 1.5 * bin_hz) / float(total)


def _strongest_series(hertz: np.ndarray, power: np.ndarray, reach_hz: float) -> float:
    """Return the power of the strongest harmonic series of three lines or more."""
    best = 0.0
    for line in hertz[np.argsort(power)[::-1][:6]]:
        for part in (1, 2, 3):
            number = np.rint(hertz * part / line)
            on = (number > 0) & (np.abs(hertz - number * line / part) < reach_hz) & (number <= 12)
            if len(np.unique(number[on])) >= 3:
                best = max(best, float(power[on].sum()))
    return best


def pitch_scatter_excess(fit: PhaseFit) -> float:
    """Return the scatter of the partials' own pitches over what noise explains, 1 or more."""
    harmonic = fit.partials.number > 0
    weight = 1 / fit.step.slope_variances[harmonic]
    free = int(harmonic.sum()) - sum(bool(one) for one in fit.free)
    if free < 1:
        return 1.0
    chi = float(np.sum(weight * fit.step.slopes[harmonic] ** 2)) / free
    return max(1.0, chi)


def phase_wander_excess(fit: PhaseFit) -> float:
    """Return the wander of the tone's phase over what noise explains, 1 or more.

    The timing error common to all harmonics, with the fitted wander added back,
    is decomposed into cosines of rising order. Orders 0 to 2 belong to the fit;
    if the rest were white, each would have variance 1. A cosine of order n
    biases the fit as 1 / n, so its square is weighted by 1 / n^2.
    """
    grid = fit.partials.grid
    pull, weight = common_timing_error(fit)
    weight = np.maximum(weight, 0.0) * grid.inside
    span = grid.size / grid.rate_hz
    time = grid.time_s / span
    count = int(min(24 * span, grid.points / 8)) + 6
    waves = np.cos(np.arange(3, count) * np.pi * (time[:, None] + 0.5))
    plain = np.stack([np.ones_like(time), time, time**2], axis=1)
    root = np.sqrt(weight)
    basis = np.linalg.qr(root[:, None] * np.concatenate([plain, waves], axis=1))[0]
    strong = root > 1e-6 * root.max()
    found = basis.T @ np.where(strong, pull / np.where(strong, root, 1.0), 0.0)
    if fit.partials.wander_s is not None:
        found += basis.T @ (root * fit.partials.wander_s)
    falls = 1.0 / np.arange(3, count) ** 2
    excess = float(np.sum(falls * found[3:] ** 2) / np.sum(falls))
    return excess if excess > 2.0 else 1.0
