"""Fit quality: what a phase fit leaves in the residual, and the excess uncertainty of that."""

from __future__ import annotations

import math

import numpy as np

from .coarse_search import is_mains
from .phase_fit import PhaseFit, common_timing_error

CENTS_A_NEPER = 1200 / math.log(2)  # cents for a natural logarithm of 1
FADING = -0.5  # nepers a second; a tone that decays faster counts as struck
LOW_MAINS_HZ = 190.0
# A pitch that moves now has moved before and will move again: one sigma for each cent a second
# of drift and each cent a second squared of curvature. Own choice: an envelope with a time
# constant of two seconds and a wow of 0.4 Hz lie within three sigma.
BEND_MEMORY_S, CURVE_MEMORY_S2 = 0.7, 0.06
WARMING_CENTS_PER_S = 0.4  # a slower drift is an oscillator's own, as it warms up
CURVE_ORDERS = 16
SHIFT_ORDERS = 8  # cosines by which the levels' movement is described
NEIGHBOUR_LOCAL_SHARE = 0.01  # of the partial beside which it stands, in power
NEIGHBOUR_SHARE = 1e-6  # of the whole tone
NEIGHBOUR_PARTIALS = 3
NO_SERIES_CENTS = 0.4  # of steady partials that are no one series
BEAT_NEPERS, BEAT_CENTS = 0.12, 2.0  # level and pitch that move together are a beat
NEIGHBOUR_COVERS = 0.4  # of the partials from its first to its last; stray lines are sparse
NEIGHBOUR_CENTS = 100.0
STRONG_PARTIALS = 12
LASTING = -0.25  # nepers a second; a companion that fades faster is no oscillator
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
    if not is_struck(fit):
        beside = np.abs(ahead) < NEIGHBOUR_CENTS / CENTS_A_NEPER * base
        lasting = growth > np.where(beside, LASTING, STEADY)
        return float(strength[single & lasting].sum() / total)
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


def bend_cents(fit: PhaseFit) -> float:
    """Return by how much the pitch that moves in the take may differ from that at rest.

    From its drift and curvature, as far as they are larger than noise and a warm-up
    explain. Vibrato of several cycles is none of it.
    """
    drift, drift_sigma = drift_cents_per_s(fit)
    faster = max(abs(drift) - 3 * drift_sigma, 0.0)
    bend = BEND_MEMORY_S * faster if faster > WARMING_CENTS_PER_S else 0.0
    grid = fit.partials.grid
    span = grid.size / grid.rate_hz
    pull, weight = common_timing_error(fit)
    weight = np.maximum(weight, 0.0) * grid.inside
    root = np.sqrt(weight)
    strong = root > 1e-6 * root.max()
    ahead = np.where(strong, pull / np.where(strong, root, 1.0), 0.0)
    if fit.partials.wander_s is not None:
        ahead = ahead + root * fit.partials.wander_s
    time = grid.time_s / span
    # Several cycles of vibrato are taken by cosines, so that the cubic is none of them.
    waves = np.cos(np.arange(4, CURVE_ORDERS) * np.pi * (time[:, None] + 0.5))
    basis = np.concatenate([np.vander(time, 4, increasing=True), waves], axis=1)
    basis = root[:, None] * basis
    scale = np.linalg.norm(basis, axis=0)
    inverse = np.linalg.pinv(basis / scale, rcond=1e-9)
    cubic = float(inverse[3] @ ahead) / scale[3]
    cubic_sigma = float(np.linalg.norm(inverse[3])) / scale[3]
    curve = CENTS_A_NEPER * 6.0 * max(abs(cubic) - 3 * cubic_sigma, 0.0) / span**3
    return math.hypot(bend, CURVE_MEMORY_S2 * curve)


def level_shift_cents(fit: PhaseFit) -> float:
    """Return one sigma for what moves the partials' relative levels: filter, pulse width, beating.

    Where a partial's level moves by so many nepers in the take, its phase may move by as
    many radians (a filter's do), and that looks like a pitch. Movement that all partials
    share, and that noise explains, does not count; nor does the steady decay of each
    partial of a struck body.
    """
    partials, grid = fit.partials, fit.partials.grid
    rows = np.flatnonzero(partials.number > 0)
    tone = partials.keep(rows)
    model = tone.level[:, None] * tone.shapes()
    left = grid.analyze(grid.transform(fit.residual), tone.carriers())
    span = grid.size / grid.rate_hz
    waves = np.cos(np.arange(SHIFT_ORDERS + 1) * np.pi * (grid.time_s[:, None] / span + 0.5))
    power = np.abs(model) ** 2 * grid.inside
    total = np.sum(power, axis=1)
    nepers = (left * model.conj()) * grid.inside @ waves / (0.5 * total[:, None])
    angular = 2 * np.pi * tone.hertz()
    # One sigma of a coefficient: fit.noise is that of an envelope point's real part.
    noise = 2 * fit.noise[rows] / total
    weight = 1 / fit.step.slope_variances[rows]
    levels = nepers[:, 1:].real / np.arange(1, SHIFT_ORDERS + 1)
    phases = nepers[:, 3:].imag / np.arange(3, SHIFT_ORDERS + 1)
    bent = np.sum(levels**2, axis=1) + np.sum(phases**2, axis=1)
    expected = noise * (
        np.sum(1 / np.arange(1, SHIFT_ORDERS + 1) ** 2)
        + np.sum(1 / np.arange(3, SHIFT_ORDERS + 1) ** 2)
    )
    if not is_struck(fit):
        apart = (tone.growth - np.average(tone.growth, weights=total)) * span
        bent += apart**2 / 12
        expected += weight**-1 * (angular * span) ** 2 / 12
    moved = np.maximum(bent - 4 * expected, 0.0) / (angular * span) ** 2
    shifted = CENTS_A_NEPER * math.sqrt(float(np.sum(weight * moved) / np.sum(weight)))
    return math.hypot(shifted, 0.0 if is_struck(fit) else scatter_cents(fit))


def scatter_cents(fit: PhaseFit) -> float:
    """Return the spread of the partials' own pitches beyond what noise explains, in cents."""
    harmonic = fit.partials.number > 0
    weight = 1 / fit.step.slope_variances[harmonic]
    square = float(np.sum(weight * fit.step.slopes[harmonic] ** 2))
    left = max(square - 9.0 * int(harmonic.sum()), 0.0)
    return CENTS_A_NEPER * math.sqrt(left / float(np.sum(weight)))


def is_struck(fit: PhaseFit) -> bool:
    """Return whether the tone decays: most of its strong partials do, not the first alone."""
    partials = fit.partials
    rows = np.flatnonzero(partials.number > 0)
    power = partials.energy(partials.grid.inside)[rows]
    strong = rows[np.argsort(power)[::-1][:STRONG_PARTIALS]]
    median, most = np.quantile(partials.growth[strong], (0.5, 0.75))
    return bool(median < FADING and most < 0.4 * FADING)


def _is_alias(number: np.ndarray, off_hz: np.ndarray) -> bool:
    """Return whether lines stand equally far beside partials: folded back, no oscillator's."""
    slope = float(number @ off_hz) / float(number @ number)
    spread = np.sum((off_hz - off_hz.mean()) ** 2)
    return bool(np.sum((off_hz - slope * number) ** 2) > 0.3 * spread)


def is_unsteady(fit: PhaseFit) -> bool:
    """Return whether the partials make no one series, or level and pitch move together."""
    return not is_struck(fit) and (scatter_cents(fit) > NO_SERIES_CENTS or _beats_as_one(fit))


def _beats_as_one(fit: PhaseFit) -> bool:
    """Return whether level and pitch of the whole tone move together, as in a slow beat."""
    span = fit.partials.grid.size / fit.partials.grid.rate_hz
    drift, sigma = drift_cents_per_s(fit)
    moved = (abs(drift) - 3 * sigma) * span
    return abs(tone_growth(fit)) * span > BEAT_NEPERS and moved > BEAT_CENTS


def has_neighbour(fit: PhaseFit) -> bool:
    """Return whether a second oscillator stands close beside the tone.

    Its partials stand beside the tone's, farther apart the higher they are, on one side.
    Not looked for in tones that decay: struck strings come in pairs.
    """
    partials = fit.partials
    tone_hz, bin_hz = partials.pitch_hz, partials.grid.rate_hz / partials.grid.size
    if is_struck(fit):
        return False
    power = np.abs(partials.level) ** 2
    harmonic = np.flatnonzero(partials.number > 0)
    at_number = dict(zip(partials.number[harmonic].tolist(), power[harmonic], strict=True))
    rows = np.flatnonzero(partials.number == 0)
    hertz = partials.own_hz[rows]
    number = np.maximum(np.rint(hertz / tone_hz), 1).astype(int)
    local = np.array([at_number.get(int(n), 0.0) for n in number])
    off = hertz - number * tone_hz
    apart = CENTS_A_NEPER * off / (number * tone_hz)
    beside = (power[rows] > NEIGHBOUR_LOCAL_SHARE * local) & (np.abs(off) > 0.5 * bin_hz)
    beside &= ~is_mains(hertz)
    beside &= power[rows] > NEIGHBOUR_SHARE * power[harmonic].sum()
    beside &= (np.abs(apart) < NEIGHBOUR_CENTS) & (partials.growth[rows] > LASTING)
    facing = np.abs(off + off[:, None]) < 0.8 * bin_hz
    facing &= number == number[:, None]
    beside &= ~np.any(facing & beside, axis=1)
    number, apart, off = number[beside], apart[beside], off[beside]
    reach = 0.7 * CENTS_A_NEPER * bin_hz / (number * tone_hz)
    for cents, loose in zip(apart, reach, strict=True):
        same = np.abs(apart - cents) < reach + loose
        found = np.unique(number[same])
        if len(found) < NEIGHBOUR_PARTIALS or _is_alias(number[same], off[same]):
            continue
        step = int(np.gcd.reduce(np.diff(found)))  # 2 where both have odd partials only
        if len(found) >= NEIGHBOUR_COVERS * ((found[-1] - found[0]) / step + 1):
            return True
    return False
