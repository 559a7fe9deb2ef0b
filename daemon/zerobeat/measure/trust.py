"""What a fit leaves over, and what that says about the reading."""

from __future__ import annotations

import math

import numpy as np

from .lock import Locked, common_phase

CENTS = 1200 / math.log(2)
MAINS_HZ = (50.0, 60.0)
MAINS_SHARE = 0.003  # mains strays less than this from its nominal frequency
HIGHEST_MAINS_HZ = 1000.0
STEADY = -1.0  # nepers a second; a line that fades faster is a partial of a struck body


def drift_cents_per_s(locked: Locked) -> tuple[float, float]:
    """Return the drift and its sigma, in cents a second."""
    return CENTS * locked.partials.drift, CENTS * math.sqrt(max(locked.step.covariance[1, 1], 0.0))


def is_mains(hertz: np.ndarray) -> np.ndarray:
    """Return which frequencies are multiples of a mains frequency."""
    found = np.zeros(len(hertz), bool)
    for mains in MAINS_HZ:
        number = np.maximum(np.rint(hertz / mains), 1)
        found |= np.abs(hertz - number * mains) < MAINS_SHARE * hertz + 0.2
    return found & (hertz < HIGHEST_MAINS_HZ)


def second_pitch_share(locked: Locked) -> float:
    """Return the power of steady lines outside the tone, over the tone's power."""
    partials = locked.partials
    power = np.abs(partials.level) ** 2
    harmonic = partials.number > 0
    alone = ~harmonic & ~is_mains(partials.own_hz) & (partials.growth > STEADY)
    return float(power[alone].sum() / power[harmonic].sum())


def own_pitch_excess(locked: Locked) -> float:
    """Return how far the partials' own pitches scatter, over what noise explains (>= 1)."""
    harmonic = locked.partials.number > 0
    weight = 1 / locked.step.slope_variances[harmonic]
    free = int(harmonic.sum()) - sum(bool(one) for one in locked.free)
    if free < 1:
        return 1.0
    chi = float(np.sum(weight * locked.step.slopes[harmonic] ** 2)) / free
    return chi if chi > 1 + 3 * math.sqrt(2 / free) else 1.0


def common_excess(locked: Locked) -> float:
    """Return how much the tone's phase wanders, over what noise explains (>= 1).

    The phase left over, common to all harmonics, is split into orthogonal
    polynomials of time. Orders 0 to 2 are the fit's own; were the rest white,
    orders 3 to 8 would each have variance 1.
    """
    grid = locked.partials.grid
    pull, weight = common_phase(locked)
    weight = weight * grid.inside
    time = grid.time_s / np.abs(grid.time_s).max()
    root = np.sqrt(np.maximum(weight, 0.0))
    basis = np.linalg.qr(root[:, None] * time[:, None] ** np.arange(9))[0]
    strong = root > 1e-6 * root.max()
    found = basis.T @ np.where(strong, pull / np.where(strong, root, 1.0), 0.0)
    excess = float(np.mean(found[3:] ** 2))
    if locked.wander_power:
        excess += locked.wander_power
    return excess if excess > 2.1 else 1.0
