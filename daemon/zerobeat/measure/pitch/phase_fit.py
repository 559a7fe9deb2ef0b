"""The phase fit: all significant partials fitted in phase, from a coarse pitch on.

From the initial estimate each partial is fitted to the windowed take by itself;
then all are fitted together to the unwindowed take, and sines that remain in the
residual (hum, a neighbour) are fitted beside the tone as separate rows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .coarse_search import Candidate, SpectralLines, find_lines, is_mains
from .envelope_grid import EnvelopeGrid
from .harmonics import GaussNewtonStep, Partials, gauss_newton_step
from .initial_estimate import grid_for, initial_estimate

SIGNIFICANT = 7.0  # energy of a partial over its expected energy in noise alone
FADING_FROM = 300.0  # the same; above it the partial's decay is fitted
MOST_SINES = 40
CONVERGED = 0.03  # of a sigma


@dataclass
class PhaseFit:
    """The result of a phase fit.

    Attributes:
        partials: as fitted.
        step: the last Gauss-Newton step.
        residual: the samples less the partials, shape (size,).
        noise: variance of an envelope point's real part at each row, shape (rows,).
        free: whether pitch, drift and stiffness were fitted.
    """

    partials: Partials
    step: GaussNewtonStep
    residual: np.ndarray
    noise: np.ndarray
    free: tuple[bool, bool, bool]


def fit_phases(
    samples: np.ndarray, rate_hz: float, chosen: Candidate, lines: SpectralLines
) -> PhaseFit | None:
    """Fit a take from a coarse pitch on; None where no partial can be tracked.

    Args:
        samples: shape (size,), mean removed.
        rate_hz: sample rate.
        chosen: the coarse pitch.
        lines: of the take.
    """
    size = len(samples)
    rows = max(1, int(0.49 * rate_hz / chosen.hertz))
    grid = grid_for(size, rate_hz, chosen.hertz, min(rows, 128))
    window = np.hanning(size + 2)[1:-1]
    spectrum = grid.transform(samples * window)
    weight = np.interp(grid.time_s * rate_hz + (size - 1) / 2, np.arange(size), window, 0.0, 0.0)
    partials = initial_estimate(grid, spectrum, chosen, lines)
    if partials is None:
        return None
    floor = np.interp(partials.hertz() / lines.grid_hz, np.arange(len(lines.floor)), lines.floor)
    noise = np.maximum(floor, 1e-14 * lines.power.max()) * size / grid.padded * grid.points * 0.2
    partials = _fit_each(grid, partials, spectrum, weight, noise)
    if not len(partials.number):
        return None
    return _fit_all(samples, partials)


def _fit_each(
    grid: EnvelopeGrid,
    partials: Partials,
    spectrum: np.ndarray,
    weight: np.ndarray,
    noise: np.ndarray,
) -> Partials:
    """Fit the windowed take, each partial by itself; drop partials lost in the noise."""
    data = grid.analyze(spectrum, partials.carriers())
    carriers = partials.carriers()
    partials.growth = _initial_growth(grid, data, weight, noise)
    shapes = partials.shapes()
    partials.level = np.sum(data * shapes.conj(), axis=1) / np.sum(
        weight * np.abs(shapes) ** 2, axis=1
    )
    energy = partials.energy(weight)
    keep = (energy > 2 * SIGNIFICANT * noise) & (energy > 1e-11 * energy.max())
    keep &= np.abs(partials.growth) < 1.5 * partials.pitch_hz
    partials, data, noise, carriers = partials.keep(keep), data[keep], noise[keep], carriers[keep]
    if not len(partials.number):
        return partials
    noise = _noise_with_decay_penalty(partials, noise)
    for iteration in range(7):
        shapes = partials.shapes()
        model = partials.level[:, None] * shapes
        moved = partials.carriers()
        if np.any(moved != carriers):
            data, carriers = grid.analyze(spectrum, moved), moved
        free = (
            True,
            iteration > 1,
            iteration > 2 and partials.stiffness != 0 and len(partials.number) > 3,
        )
        fading = partials.energy(weight) / noise > FADING_FROM
        gauss_newton_step(
            partials, shapes, data - weight * model, weight, noise, free, fading & (iteration > 0)
        )
    return partials


def _initial_growth(
    grid: EnvelopeGrid, data: np.ndarray, weight: np.ndarray, noise: np.ndarray
) -> np.ndarray:
    """Return each partial's growth, from the trend of its envelope's logarithm."""
    inner = weight > 0.05
    time, power = grid.time_s[inner], np.abs(data[:, inner]) ** 2
    height = np.log(np.maximum(power, 1e-300)) / 2 - np.log(weight[inner])
    power = np.where(power > 8 * noise[:, None], power, 0.0) + 1e-300
    total = power.sum(axis=1, keepdims=True)
    apart = time - np.sum(power * time, axis=1, keepdims=True) / total
    trend = np.sum(power * apart * height, axis=1) / np.sum(power * apart**2, axis=1)
    many = np.sum(power > 1e-299, axis=1) > 8
    trusted = many & (np.sum(np.abs(data[:, inner]) ** 2, axis=1) > FADING_FROM * noise)
    return np.where(trusted, trend, 0.0)


def _fit_all(samples: np.ndarray, partials: Partials) -> PhaseFit:
    """Fit all partials jointly to the unwindowed take; add the sines of the residual."""
    rows = len(partials.number)
    old = partials.grid
    grid = grid_for(old.size, old.rate_hz, partials.pitch_hz, rows + 8)
    partials = partials.onto(grid)
    stiff = partials.stiffness != 0
    fit = _iterate(samples, partials, (True, False, False), 2)
    fit = _iterate(samples, fit.partials, (True, True, stiff), 12)
    if stiff and fit.partials.stiffness < 5 * np.sqrt(fit.step.covariance[2, 2]):
        stiff, fit.partials.stiffness = False, 0.0
        fit = _iterate(samples, fit.partials, (True, True, False), 8)
    if rows > 3 and not stiff and _looks_stiff(fit):
        fit = _iterate(samples, fit.partials, (True, True, True), 8)
    hum = _residual_sines(fit, mains=True)
    if len(hum):
        fit = _iterate(samples, fit.partials.add_sines(hum), fit.free, 4)
    fit = _fit_wander(samples, fit)
    for _ in range(2):
        extra = _residual_sines(fit)
        if not len(extra):
            break
        fit = _iterate(samples, fit.partials.add_sines(extra), fit.free, 4)
    return _iterate(samples, _significant(fit), fit.free, 14)


def without_sines(samples: np.ndarray, partials: Partials) -> np.ndarray:
    """Return the samples less the sines fitted beside the tone."""
    sines = partials.keep(np.flatnonzero(partials.number == 0))
    if not len(sines.number):
        return samples
    return _subtract(samples, sines)[2]


def common_timing_error(fit: PhaseFit) -> tuple[np.ndarray, np.ndarray]:
    """Return the timing error that all harmonics share, as gradient and information.

    Both have shape (points,); their ratio is how far the tone runs ahead of the
    fit at a grid point, in seconds.
    """
    grid = fit.partials.grid
    rows = np.flatnonzero(fit.partials.number > 0)
    tone, noise = fit.partials.keep(rows), fit.noise[rows, None]
    model = tone.level[:, None] * tone.shapes()
    left = grid.analyze(grid.transform(fit.residual), tone.carriers())
    angular = 2 * np.pi * tone.hertz()[:, None]
    gradient: np.ndarray = np.sum(angular * (left * model.conj()).imag / noise, axis=0)
    return gradient, np.sum(angular**2 * np.abs(model) ** 2 / noise, axis=0)


def _fit_wander(samples: np.ndarray, fit: PhaseFit) -> PhaseFit:
    """Fit a slow wander common to all harmonics (vibrato up to 12 Hz), if there is one."""
    grid = fit.partials.grid
    span = grid.size / grid.rate_hz
    orders = np.arange(1, int(min(24 * span, grid.points / 8)) + 3)
    waves = np.cos(orders * np.pi * (grid.time_s[:, None] / span + 0.5))
    smooth = np.vander(grid.time_s, 3, increasing=True)
    full = np.concatenate([smooth, waves], axis=1)
    for iteration in range(5):
        pull, weight = common_timing_error(fit)
        root = np.sqrt(weight * grid.inside)[:, None]
        target = np.where(grid.inside > 0, pull, 0.0) / (root[:, 0] + 1e-9 * root.max())
        found, plain = _least_squares(root, full, target), _least_squares(root, smooth, target)
        gain = np.sum((target - root[:, 0] * plain) ** 2) - np.sum(
            (target - root[:, 0] * found) ** 2
        )
        gain = float(gain) / len(orders)
        if gain < (5.0 if iteration == 0 else 1.5):
            break
        ahead = (found - _least_squares(root, smooth, root[:, 0] * found)) * grid.taper
        partials = fit.partials
        partials.wander_s = ahead if partials.wander_s is None else partials.wander_s + ahead
        fit = _iterate(samples, partials, fit.free, 2)
    return fit


def _least_squares(root: np.ndarray, basis: np.ndarray, target: np.ndarray) -> np.ndarray:
    """Return the weighted least-squares fit of a basis, at every grid point."""
    fitted: np.ndarray = basis @ np.linalg.lstsq(root * basis, target, rcond=1e-9)[0]
    return fitted


def _looks_stiff(fit: PhaseFit) -> bool:
    """Return whether the partials' own frequencies rise with the number squared."""
    harmonic = fit.partials.number > 0
    square = fit.partials.number[harmonic].astype(float) ** 2
    weight = 1 / fit.step.slope_variances[harmonic]
    square = square - np.sum(weight * square) / np.sum(weight)
    trend = np.sum(weight * square * fit.step.slopes[harmonic])
    return bool(trend**2 > 16 * np.sum(weight * square**2))


def _significant(fit: PhaseFit) -> Partials:
    """Return the partials well above the noise; all harmonics where none is."""
    partials = fit.partials
    keep = partials.energy(partials.grid.inside) > SIGNIFICANT * fit.noise
    if not np.any(keep & (partials.number > 0)):
        keep |= partials.number > 0
    return partials.keep(keep)


def _iterate(
    samples: np.ndarray, partials: Partials, free: tuple[bool, bool, bool], steps: int
) -> PhaseFit:
    """Take up to ``steps`` Gauss-Newton steps on the residual of the samples.

    Broad lines overlap, so a full step can overshoot: a step that increases the
    residual is undone and a smaller one is tried.
    """
    grid = partials.grid
    relax, least, best = 1.0, np.inf, partials
    for iteration in range(steps + 1):
        carriers, shapes, residual = _subtract(samples, partials)
        left = float(residual @ residual)
        settled = 0.998 * least < left <= 1.02 * least
        if left > 1.02 * least or not np.isfinite(left):
            partials, relax = best.copy(), relax / 2.5
            carriers, shapes, residual = _subtract(samples, partials)
        else:
            least, best, relax = min(left, least), partials.copy(), min(1.0, 1.5 * relax)
        spectrum = grid.transform(residual)
        noise = local_noise(grid, spectrum, partials)
        fading = partials.energy(grid.inside) / noise > FADING_FROM
        moved = partials.copy()
        envelopes = grid.analyze(spectrum, carriers)
        step = gauss_newton_step(
            moved,
            shapes,
            envelopes,
            grid.inside,
            _noise_with_decay_penalty(partials, noise),
            free,
            fading,
            relax,
        )
        if iteration == steps or (settled and step.moved < CONVERGED):
            break
        partials = moved
    return PhaseFit(partials, step, residual, noise, free)


def _subtract(samples: np.ndarray, partials: Partials) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return carriers, shapes, and the samples less the partials."""
    carriers, shapes = partials.carriers(), partials.shapes()
    model = partials.grid.synthesize(partials.level[:, None] * shapes, carriers)
    return carriers, shapes, samples - model


def _noise_with_decay_penalty(partials: Partials, noise: np.ndarray) -> np.ndarray:
    """Return the noise, raised for fast decays so that they weigh little in the shared pitch.

    Their lines are so broad that they overlap their neighbours'.
    """
    weighted: np.ndarray = noise * (1 + (partials.growth / (0.3 * partials.pitch_hz)) ** 8)
    return weighted


def local_noise(grid: EnvelopeGrid, spectrum: np.ndarray, partials: Partials) -> np.ndarray:
    """Return the noise of an envelope point, from the residual's bins about each row.

    The bins' mean power is N sigma^2 for white noise; each row has absorbed
    about two complex degrees of freedom, which are corrected for.
    """
    power = np.concatenate([[0.0], np.cumsum(np.abs(spectrum) ** 2)])
    pitch_bins = partials.pitch_hz / grid.bin_hz
    reach = int(np.clip(1.5 * pitch_bins, 8, 64))
    carriers = partials.carriers()
    low = np.clip(carriers - reach, 1, len(spectrum) - 2)
    high = np.clip(carriers + reach + 1, low + 1, len(spectrum))
    count = high - low
    mean = (power[high] - power[low]) / count
    rows = np.sort(carriers)
    inside = np.searchsorted(rows, high) - np.searchsorted(rows, low)
    effective = count * grid.size / grid.padded
    mean *= effective / np.maximum(effective - 2 * inside, 0.25 * effective)
    variance: np.ndarray = np.maximum(2 * grid.points / grid.padded * mean / grid.size, 1e-30)
    return variance


def _residual_sines(fit: PhaseFit, mains: bool = False) -> np.ndarray:
    """Return the frequencies of sines in the residual that are worth fitting."""
    grid, partials = fit.partials.grid, fit.partials
    lines = find_lines(fit.residual, grid.rate_hz, None)
    occupied = np.sort(partials.hertz())
    if not len(lines.hertz):
        return lines.hertz
    gap = np.min(np.abs(lines.hertz[:, None] - occupied), axis=1)
    fresh = (gap > 2.0 * lines.bin_hz) & (lines.hertz > 2 * lines.bin_hz)
    fresh &= lines.power > 1e-6 * np.max(np.abs(partials.level) ** 2)
    if mains:
        fresh &= is_mains(lines.hertz)
    order = np.argsort(lines.power[fresh])[::-1][:MOST_SINES]
    space = MOST_SINES - int(np.sum(partials.number == 0))
    hertz: np.ndarray = lines.hertz[fresh][order][: max(0, space)]
    return hertz
