"""Several voices in one take: all partials of all voices are fitted together.

Each voice's pitch is known to some tens of cents, as it plays a note of its own. Partials of
two voices that fall on each other are left out of both pitches. So the uncertainty is that
of each voice alone but for the partials that collide.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from .coarse_search import power_spectrum
from .envelope_grid import EnvelopeGrid, fast_fft_length
from .fit_quality import CENTS_A_NEPER
from .harmonics import GaussNewtonStep, Partials, gauss_newton_step
from .phase_fit import local_noise
from .reader import Pitch

TOP_HZ = 16_000.0
LEFT_TOP_HZ = 4_000.0
MOST_PARTIALS = 100  # of a voice
JOINT_SEARCH_CENTS = 70.0  # a voice may be so far from the pitch expected
SEARCH_PARTIALS = 10
SEARCH_ROUNDS_CENTS = (40.0, 20.0, 10.0, 5.0)
COLLIDE_BINS = 1.6  # partials of two voices closer than this tell of neither pitch
COLLIDE_SHARE = 0.02  # of a partial's amplitude; a weaker one does not disturb it
PRUNED_SHARE = 1e-3  # of a voice's power; weaker partials wait until the pitches stand
LEAK_SHARE = 0.1  # of what a stronger partial leaks, in amplitude
WEIGHTLESS = 1e6  # times the noise
JOINT_STEPS = 24
JOINT_SETTLED = 0.03  # of a sigma
JOINT_FLOOR_CENTS = 0.02  # what weak partials of the other voices leave
LEAST_PARTIALS = 1
LEAST_HEIGHT = 30.0  # of the strongest partials' energy over the noise
MOST_LEFT_SHARE = 0.01  # of the power; more in the residual is ring modulation, or another voice
MOST_JOINT_SIGMA_CENTS = 2.0
MOST_JOINT_DRIFT = 12.0  # cents a second


@dataclass
class _VoiceFit:
    """A voice's partials, and which of them its pitch is read from."""

    partials: Partials
    step: GaussNewtonStep | None = None
    noise: np.ndarray | None = None


def read_together(
    samples: np.ndarray, rate_hz: float, expected_hz: Sequence[float]
) -> list[tuple[Pitch | None, str]]:
    """Read the pitches of several voices that sound at once, on notes of their own.

    Args:
        samples: one channel, shape (size,), full scale 1.0.
        rate_hz: sample rate.
        expected_hz: of each voice, good to ``JOINT_SEARCH_CENTS``; neither in unison nor octaves
            of each other.

    Returns:
        For each voice its pitch, or None and why: ``silent`` where it does not stand out,
        ``moving``, or ``mixed`` for all of them where a large residual is left (ring
        modulation, a shared filter, a voice too many).
    """
    samples = np.asarray(samples, float)
    samples = samples - samples.mean()
    power = float(samples @ samples)
    grid = EnvelopeGrid(len(samples), rate_hz, 128)
    fits = _search(samples, grid, expected_hz)
    for fit in fits:
        own = np.abs(fit.partials.level) ** 2
        fit.partials = fit.partials.keep(own > PRUNED_SHARE * own.sum())
    _fit_all_voices(samples, grid, fits)
    for fit in fits:
        drift = fit.partials.drift
        fit.partials = _partials(grid, fit.partials.pitch_hz)
        fit.partials.drift = drift
    residual = _fit_all_voices(samples, grid, fits)
    left = _low_power(residual, rate_hz) / max(_low_power(samples, rate_hz), 1e-30)
    floor = 10 ** (-80 / 10) * len(samples)
    if left > MOST_LEFT_SHARE and power > floor:
        return [(None, "mixed")] * len(fits)
    level_dbfs = 10 * math.log10(max(power / len(samples), 1e-20))
    return [_reading(fit, hertz, level_dbfs) for fit, hertz in zip(fits, expected_hz, strict=True)]


def _low_power(samples: np.ndarray, rate_hz: float) -> float:
    """Return the power below ``LEFT_TOP_HZ``, where every partial is modelled."""
    spectrum = np.abs(np.fft.rfft(samples)) ** 2
    return float(spectrum[: int(LEFT_TOP_HZ * len(samples) / rate_hz)].sum())


def _search(
    samples: np.ndarray, grid: EnvelopeGrid, expected_hz: Sequence[float]
) -> list[_VoiceFit]:
    """Return a first fit of each voice: where its partials stand out most.

    First by the lowest partials, then in rounds, each voice in what the others leave.
    """
    found = [
        _VoiceFit(_partials(grid, _best_pitch(samples, grid, hertz, JOINT_SEARCH_CENTS, 2)))
        for hertz in expected_hz
    ]
    for reach_cents in SEARCH_ROUNDS_CENTS:
        _solve_levels(samples, grid, found)
        models = [_model(fit.partials) for fit in found]
        residual = samples - sum(models)
        for fit, model in zip(found, models, strict=True):
            hertz = fit.partials.pitch_hz
            hertz = _best_pitch(residual + model, grid, hertz, reach_cents, SEARCH_PARTIALS)
            fit.partials = _partials(grid, hertz)
    _solve_levels(samples, grid, found)
    return found


def _best_pitch(
    samples: np.ndarray, grid: EnvelopeGrid, hertz: float, reach_cents: float, partials: int
) -> float:
    """Return the pitch within reach whose first partials have most amplitude."""
    length = fast_fft_length(4 * grid.size)
    height = np.sqrt(power_spectrum(samples, length))
    bin_hz = grid.rate_hz / length
    ratios = 2.0 ** (np.linspace(-reach_cents, reach_cents, 141) / 1200.0)
    numbers = np.arange(1, max(1, min(partials, int(TOP_HZ / hertz))) + 1)
    places = numbers * hertz * ratios[:, None] / bin_hz
    score = np.interp(places, np.arange(len(height)), height).sum(axis=1)
    return float(hertz * ratios[int(np.argmax(score))])


def _partials(grid: EnvelopeGrid, pitch_hz: float) -> Partials:
    top = min(TOP_HZ, 0.45 * grid.rate_hz)
    numbers = np.arange(1, max(1, min(MOST_PARTIALS, int(top / pitch_hz))) + 1)
    return Partials(grid, numbers, np.zeros(len(numbers)), pitch_hz)


def _fit_all_voices(samples: np.ndarray, grid: EnvelopeGrid, fits: list[_VoiceFit]) -> np.ndarray:
    """Fit all voices in turn to what the others leave, until none moves; return the residual."""
    weight = grid.inside
    _solve_levels(samples, grid, fits)
    least = np.inf
    for iteration in range(JOINT_STEPS):
        residual = samples - sum(_model(fit.partials) for fit in fits)
        spectrum = grid.transform(residual)
        clear = _clear_rows(fits)
        settled = True
        for fit, rows in zip(fits, clear, strict=True):
            tone = fit.partials
            envelopes = grid.analyze(spectrum, tone.carriers())
            noise = local_noise(grid, spectrum, tone)
            fit.noise = noise
            noise = np.where(rows, noise, WEIGHTLESS * noise)
            fading = (tone.energy(weight) > 300.0 * fit.noise) & (iteration > 3)
            fit.step = gauss_newton_step(
                tone,
                tone.shapes(),
                envelopes,
                weight,
                noise,
                (True, iteration > 2, False),
                fading & rows,
                0.7,
            )
            settled &= fit.step.moved < JOINT_SETTLED
        if iteration % 4 == 1:
            _solve_levels(samples, grid, fits)
        left = float(residual @ residual)
        if iteration > 8 and settled and left > 0.999 * least:
            break
        least = min(least, left)
    return np.asarray(samples - sum(_model(fit.partials) for fit in fits), float)


def _model(tone: Partials) -> np.ndarray:
    return tone.grid.synthesize(tone.level[:, None] * tone.shapes(), tone.carriers())


def _clear_rows(fits: list[_VoiceFit]) -> list[np.ndarray]:
    """Return for each voice which of its partials stand clear of all others.

    A weak one beside a strong one of another voice shows that one's error, not its own.
    """
    grid = fits[0].partials.grid
    hertz = np.concatenate([fit.partials.hertz() for fit in fits])
    level = np.abs(np.concatenate([fit.partials.level for fit in fits]))
    owner = np.repeat(np.arange(len(fits)), [len(fit.partials.number) for fit in fits])
    bins = np.abs(hertz[:, None] - hertz) * grid.size / grid.rate_hz
    foreign = owner[:, None] != owner
    rival = foreign & (level > COLLIDE_SHARE * level[:, None])
    clear = ~np.any(rival & (bins < COLLIDE_BINS), axis=1)
    leaked = np.max(np.where(foreign, level / (1.0 + bins), 0.0), axis=1)
    clear &= level > LEAK_SHARE * leaked
    found = [clear[owner == row] for row in range(len(fits))]
    for row, fit in enumerate(fits):
        if not found[row].any():
            found[row] = np.abs(fit.partials.level) == np.abs(fit.partials.level).max()
    return found


def _solve_levels(samples: np.ndarray, grid: EnvelopeGrid, fits: list[_VoiceFit]) -> None:
    """Solve the levels of all partials jointly: neighbours in frequency overlap.

    Their inner products are those of cut sines, so the normal equations are a matrix of
    Dirichlet kernels; growth is small and its part in them is left out.
    """
    span = grid.size / grid.rate_hz
    hertz = np.concatenate([fit.partials.hertz() for fit in fits])
    apart = hertz[:, None] - hertz
    gram = np.sinc(apart * span)
    gram[np.abs(apart) * span > 60.0] = 0.0
    gram += 1e-6 * np.eye(len(hertz))
    shapes = [fit.partials.shapes() for fit in fits]
    spectrum = grid.transform(samples)
    right = []
    for fit, shape in zip(fits, shapes, strict=True):
        data = grid.analyze(spectrum, fit.partials.carriers())
        energy = np.sum(grid.inside * np.abs(shape) ** 2, axis=1)
        right.append(np.sum(data * shape.conj(), axis=1) / energy)
    # Each partial's phase is referred to the middle of the take, so the kernels are real.
    level = np.linalg.solve(gram, np.concatenate(right))
    place = 0
    for fit in fits:
        count = len(fit.partials.number)
        fit.partials.level = level[place : place + count]
        place += count


def _reading(fit: _VoiceFit, expected_hz: float, level_dbfs: float) -> tuple[Pitch | None, str]:
    """Return a voice's pitch from its clear partials, or why there is none."""
    tone, step = fit.partials, fit.step
    assert step is not None
    assert fit.noise is not None
    clear = step.slope_variances < np.inf
    height = tone.energy(tone.grid.inside) / fit.noise
    strong = clear & (height > LEAST_HEIGHT)
    if int(strong.sum()) < LEAST_PARTIALS:
        return None, "silent"
    weight = 1.0 / step.slope_variances[strong]
    chi = float(np.sum(weight * step.slopes[strong] ** 2)) / max(1, int(strong.sum()) - 2)
    sigma = CENTS_A_NEPER * math.sqrt(max(step.covariance[0, 0], 0.0) * max(1.0, chi))
    sigma = math.hypot(sigma, sigma * step.moved, JOINT_FLOOR_CENTS)
    drift = CENTS_A_NEPER * tone.drift
    drift_sigma = CENTS_A_NEPER * math.sqrt(max(step.covariance[1, 1], 0.0))
    off = abs(CENTS_A_NEPER * math.log(tone.pitch_hz / expected_hz))
    if sigma > MOST_JOINT_SIGMA_CENTS or off > 1.5 * JOINT_SEARCH_CENTS:
        return None, "noise"
    if abs(drift) > MOST_JOINT_DRIFT + 3 * drift_sigma:
        return None, "moving"
    own = 10 * math.log10(max(float(np.sum(np.abs(tone.level) ** 2)) / 2, 1e-20))
    return (
        Pitch(
            hertz=float(tone.pitch_hz),
            sigma_cents=float(sigma),
            level_dbfs=min(own, level_dbfs),
            drift_cents_per_s=float(drift),
            stiffness=0.0,
            harmonics=int(strong.sum()),
            peak_share=0.0,
        ),
        "",
    )
