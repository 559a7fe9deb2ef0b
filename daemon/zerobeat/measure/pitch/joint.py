"""Several voices in one take: all partials of all voices are fitted together.

Each voice's pitch is known to some tens of cents, as it plays a note of its own. Pitches and
drifts of all voices and the levels of all partials are unknowns of one fit (Gauss-Newton on
the unwindowed samples, levels eliminated), so that its error comes near the Cramer-Rao bound of
all together. Partials of two voices that fall on each other tell of neither pitch.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from .coarse_search import power_spectrum
from .envelope_grid import EnvelopeGrid, fast_fft_length
from .fit_quality import CENTS_A_NEPER
from .harmonics import Partials
from .phase_fit import local_noise
from .reader import Pitch

TOP_HZ = 16_000.0
LEFT_TOP_HZ = 4_000.0
MOST_PARTIALS = 400  # of a voice: all up to TOP_HZ, as each may be taken for another voice's
JOINT_SEARCH_CENTS = 70.0  # a voice may be so far from the pitch expected
SEARCH_PARTIALS = 10
SEARCH_ROUNDS_CENTS = (40.0, 20.0, 10.0, 5.0)
COLLIDE_BINS = 1.6  # partials of two voices closer than this tell of neither pitch
COLLIDE_SHARE = 0.02  # of a partial's amplitude; a weaker one does not disturb it
TOPS = ((700.0, 3), (2_500.0, 3), (TOP_HZ, 6))  # limits of the fit in turn, and steps at most
DRIFT_FROM_HZ = 1_000.0  # below it a drift hardly shows
PRUNED_HEIGHT = 6.0  # a partial's energy over the noise; weaker ones tell nothing
QUARTER_OF_NOISE = 0.2877  # the lower quartile of an exponential distribution of mean 1
MOST_ROWS = 320  # partials of all voices
MOST_STEP = 0.002  # relative, of a pitch
MERGED_BINS = 0.4  # partials closer than this can't be told apart
RIDGE = 1e-4  # on the inner products of partials, so that close ones stay bounded
NOISE_HEIGHT = 12.0  # of a line in the residual, over its noise
LEAK_SHARE = 0.1  # of what a stronger partial leaks, in amplitude
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
    variances: tuple[float, float] = (1.0, 1.0)  # of ln pitch and drift
    moved: float = 0.0  # by the last step, in sigmas
    contested: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))  # rows
    noise: np.ndarray = field(default_factory=lambda: np.ones(0))
    slopes: np.ndarray = field(default_factory=lambda: np.zeros(0))
    slope_variances: np.ndarray = field(default_factory=lambda: np.ones(0))


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
    noise = _noise_power(samples)
    for limit_hz, steps in TOPS:
        residual = _fit_all_voices(samples, grid, fits, noise, limit_hz, steps)
    floor = 10 ** (-80 / 10) * len(samples)
    if power > floor and _tones_left(residual, samples, grid):
        return [(None, "mixed")] * len(fits)
    level_dbfs = 10 * math.log10(max(power / len(samples), 1e-20))
    return [_reading(fit, hertz, level_dbfs) for fit, hertz in zip(fits, expected_hz, strict=True)]


def _tones_left(residual: np.ndarray, samples: np.ndarray, grid: EnvelopeGrid) -> bool:
    """Return whether tones are left below ``LEFT_TOP_HZ``, where every partial is modelled.

    What stands out of the residual's own noise counts, so that plain noise does not.
    """
    top = int(LEFT_TOP_HZ * len(samples) / grid.rate_hz)
    left = np.abs(np.fft.rfft(residual)[:top]) ** 2
    whole = np.abs(np.fft.rfft(samples)[:top]) ** 2
    noise = float(np.median(left)) / math.log(2.0)  # of a power with two degrees of freedom
    tones = left[left > NOISE_HEIGHT * noise]
    return float(tones.sum()) > MOST_LEFT_SHARE * max(float(whole.sum()), 1e-30)


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
        for fit in found:
            low = fit.partials.number <= SEARCH_PARTIALS
            fit.partials = fit.partials.keep(low)
        _solve_levels(samples, grid, found)
        models = [_model(fit.partials) for fit in found]
        residual = samples - sum(models)
        for fit, model in zip(found, models, strict=True):
            hertz = fit.partials.pitch_hz
            hertz = _best_pitch(residual + model, grid, hertz, reach_cents, SEARCH_PARTIALS)
            fit.partials = _partials(grid, hertz)
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


def _fit_all_voices(
    samples: np.ndarray,
    grid: EnvelopeGrid,
    fits: list[_VoiceFit],
    noise: float,
    limit_hz: float,
    steps: int,
) -> np.ndarray:
    """Fit the partials below a frequency by joint Gauss-Newton steps; return the residual.

    Pitch and drift of all voices and the levels of all partials move at once. The phase of a
    high partial runs away for a small error of pitch, so the limit rises from call to call.
    """
    spectrum = grid.transform(samples)
    for fit in fits:
        tone = _partials(grid, fit.partials.pitch_hz)
        tone.drift = fit.partials.drift
        kept = (tone.hertz() < limit_hz) | (tone.number == 1)
        fit.partials = tone.keep(kept)
    _prune(grid, spectrum, fits, noise)
    _solve_levels(samples, grid, fits)
    for step in range(steps):
        residual = samples - sum(_model(fit.partials) for fit in fits)
        left = grid.transform(residual)
        rows = [_residual_rows(grid, left, fit) for fit in fits]
        moved = _joint_step(grid, fits, rows, free_drift=limit_hz > DRIFT_FROM_HZ)
        if moved < JOINT_SETTLED and step > 1:
            break
    _solve_levels(samples, grid, fits)
    residual = samples - sum(_model(fit.partials) for fit in fits)
    left = grid.transform(residual)
    rows = [_residual_rows(grid, left, fit) for fit in fits]
    clear = _clear_rows(fits)
    for fit, own, seen in zip(fits, rows, clear, strict=True):
        _judge_rows(grid, fit, own, seen)
    return np.asarray(residual, float)


def _noise_power(samples: np.ndarray) -> float:
    """Return the power of noise, a sample: between the partials, a quarter of all bins at least.

    A Hann window keeps the partials' own spectra narrow; its mean square is 3/8.
    """
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)))) ** 2
    return float(np.percentile(spectrum, 25)) / (QUARTER_OF_NOISE * 0.375 * len(samples))


def _prune(grid: EnvelopeGrid, spectrum: np.ndarray, fits: list[_VoiceFit], noise: float) -> None:
    """Leave out partials that do not stand out of the noise, and all but the strongest."""
    heights = []
    for fit in fits:
        tone = fit.partials
        shape = tone.shapes()
        data = grid.analyze(spectrum, tone.carriers())
        level = np.abs(np.sum(grid.inside * data * shape.conj(), axis=1)) / grid.inside.sum()
        heights.append(level**2 * grid.size / 2)
    limit = PRUNED_HEIGHT * noise
    strongest = np.sort(np.concatenate(heights))[::-1]
    if len(strongest) > MOST_ROWS:
        limit = max(limit, float(strongest[MOST_ROWS]))
    contested, weaker = _contested_rows(grid, fits, np.concatenate(heights))
    place = 0
    for fit, height in zip(fits, heights, strict=True):
        here = slice(place, place + len(height))
        kept = ((height > limit) & ~weaker[here]) | (height == height.max())
        fit.partials, fit.contested = fit.partials.keep(kept), contested[here][kept]
        place += len(height)


def _contested_rows(
    grid: EnvelopeGrid, fits: list[_VoiceFit], height: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return which partials another voice may own as well, and which of these are the weaker.

    One sine holds both; which voice it belongs to can't be told.
    """
    hertz = np.concatenate([fit.partials.hertz() for fit in fits])
    owner = np.repeat(np.arange(len(fits)), [len(fit.partials.number) for fit in fits])
    near = np.abs(hertz[:, None] - hertz) * grid.size / grid.rate_hz < MERGED_BINS
    near &= owner[:, None] != owner
    return near.any(axis=1), np.any(near & (height[:, None] < height), axis=1)


@dataclass(frozen=True)
class _Rows:
    """A voice's partials against the residual: sums over 1, t, t^2 / 2, over their level."""

    sums: np.ndarray  # shape (rows, 3), complex
    noise: np.ndarray  # of an envelope's point


def _residual_rows(grid: EnvelopeGrid, spectrum: np.ndarray, fit: _VoiceFit) -> _Rows:
    tone = fit.partials
    time = grid.time_s
    powers = np.stack([np.ones_like(time), time, time**2 / 2], axis=1) * grid.inside[:, None]
    envelopes = grid.analyze(spectrum, tone.carriers())
    return _Rows((envelopes * tone.shapes().conj()) @ powers, local_noise(grid, spectrum, tone))


def _joint_step(
    grid: EnvelopeGrid, fits: list[_VoiceFit], rows: list[_Rows], free_drift: bool
) -> float:
    """Move pitch and drift of all voices, and all levels; return the largest move, in sigmas.

    Inner products of two partials depend on how far apart they are in frequency; drift and
    growth in them are left out, which slows the steps and does not shift where they end.
    """
    seconds = grid.size / grid.rate_hz
    scale = grid.inside.sum() / seconds  # a sum over the grid for an integral over the take
    hertz = np.concatenate([fit.partials.hertz() for fit in fits])
    level = np.concatenate([fit.partials.level for fit in fits])
    owner = np.repeat(np.arange(len(fits)), [len(fit.partials.number) for fit in fits])
    sums = np.concatenate([one.sums for one in rows])
    weigh = 1.0 / np.sqrt(np.concatenate([one.noise for one in rows]))
    # The inner product of partial k with l, each divided by its own noise.
    moments = _moments(hertz - hertz[:, None], seconds)
    both = weigh[:, None] * weigh * scale
    plain = moments[0] * both + RIDGE * np.diag(np.diag(moments[0] * both))
    # Partials that collide tell of no pitch, but their levels are unknown like all others.
    turn = 2j * np.pi * hertz * level * np.concatenate(_clear_rows(fits))
    own = owner[:, None] == np.arange(len(fits))
    count = len(fits)
    # Columns: each voice's pitch times t, then its drift times t^2 / 2, on its partials.
    columns = np.concatenate([own, own], axis=1) * turn[:, None]
    across = np.concatenate(
        [(both * moments[1]) @ columns[:, :count], (both * moments[2] / 2) @ columns[:, count:]],
        axis=1,
    )
    blocks = [[moments[2], moments[3] / 2], [moments[3] / 2, moments[4] / 4]]
    inside = np.block(
        [
            [
                columns[:, :count].conj().T @ (both * blocks[i][j]) @ columns[:, count:]
                if j
                else columns[:, :count].conj().T @ (both * blocks[i][j]) @ columns[:, :count]
                for j in (0, 1)
            ]
            for i in (0, 1)
        ]
    )
    white = weigh[:, None] ** 2 * sums
    right = np.concatenate(
        [columns[:, :count].conj().T @ white[:, 1], columns[:, count:].conj().T @ white[:, 2]]
    )
    solved = np.linalg.solve(plain, np.concatenate([across, white[:, :1]], axis=1))
    information = (inside - across.conj().T @ solved[:, :-1]).real
    gradient = (right - across.conj().T @ solved[:, -1]).real
    free = np.arange(2 * count if free_drift else count)
    covariance = np.linalg.pinv(information[np.ix_(free, free)], rcond=1e-12, hermitian=True)
    move = covariance @ gradient[free]
    change = solved[:, -1] - solved[:, free] @ move
    place, largest = 0, 0.0
    for index, fit in enumerate(fits):
        tone = fit.partials
        step = float(np.clip(move[index], -MOST_STEP, MOST_STEP))
        sigma = math.sqrt(max(float(covariance[index, index]), 1e-300))
        largest = max(largest, abs(step) / sigma)
        tone.pitch_hz *= math.exp(step)
        tone.level = tone.level + change[place : place + len(tone.level)]
        place += len(tone.level)
        drift_variance = 0.0
        if free_drift:
            tone.drift += float(move[count + index])
            drift_variance = float(covariance[count + index, count + index])
        fit.variances = (sigma**2, drift_variance)
        fit.moved = abs(step) / sigma
    return largest


def _moments(apart_hz: np.ndarray, seconds: float) -> list[np.ndarray]:
    """Return the integrals of t^0 to t^4 times a beat over a take about time 0, complex.

    By parts: each power from the one below it.
    """
    half = seconds / 2
    turn = 2j * np.pi * apart_hz
    near = np.abs(apart_hz) * seconds < 0.3
    safe = np.where(near, 1.0, turn)
    up, down = np.exp(safe * half), np.exp(-safe * half)
    found: list[np.ndarray] = []
    for power in range(5):
        edges = half**power * (up - (-1) ** power * down)
        far = (edges - power * found[-1]) / safe if power else edges / safe
        found.append(far)
    small = turn[near]
    for power in range(5):
        series = np.zeros(small.shape, complex)
        term = np.ones(small.shape, complex)
        for order in range(12):
            total = power + order + 1
            if (power + order) % 2 == 0:
                series += term * 2 * half**total / total
            term = term * small / (order + 1)
        found[power][near] = series
    return found


def _judge_rows(grid: EnvelopeGrid, fit: _VoiceFit, rows: _Rows, clear: np.ndarray) -> None:
    """Keep what each clear partial says of the pitch by itself, for the sigma."""
    tone = fit.partials
    seconds = grid.size / grid.rate_hz
    square = grid.inside.sum() * seconds**2 / 12.0
    angular = 2 * np.pi * tone.hertz()
    level = np.where(tone.level == 0, 1e-300, tone.level)
    fit.noise = rows.noise
    fit.slopes = (rows.sums[:, 1] / level).imag / square / angular
    variances = rows.noise / np.maximum(np.abs(level) ** 2 * square * angular**2, 1e-300)
    fit.slope_variances = np.where(clear, variances, np.inf)


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
    clear &= ~np.concatenate([fit.contested for fit in fits])
    found = [clear[owner == row] for row in range(len(fits))]
    for row, fit in enumerate(fits):
        if not found[row].any():
            strongest = np.abs(fit.partials.level) == np.abs(fit.partials.level).max()
            found[row] = strongest & ~fit.contested
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
    gram += RIDGE * np.eye(len(hertz))
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
    tone = fit.partials
    clear = fit.slope_variances < np.inf
    height = tone.energy(tone.grid.inside) / fit.noise
    strong = clear & (height > LEAST_HEIGHT)
    if int(strong.sum()) < LEAST_PARTIALS:
        return None, "silent"
    weight = 1.0 / fit.slope_variances[strong]
    chi = float(np.sum(weight * fit.slopes[strong] ** 2)) / max(1, int(strong.sum()) - 2)
    sigma = CENTS_A_NEPER * math.sqrt(fit.variances[0] * max(1.0, chi))
    sigma = math.hypot(sigma, sigma * fit.moved, JOINT_FLOOR_CENTS)
    drift = CENTS_A_NEPER * tone.drift
    drift_sigma = CENTS_A_NEPER * math.sqrt(fit.variances[1])
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
