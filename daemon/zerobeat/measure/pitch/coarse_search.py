"""The coarse search: spectral lines above the noise, and the pitch that explains them.

A candidate is scored by evidence: each of its harmonics that shows a line adds
the line's height above the noise floor (amplitude ratio, capped); each harmonic
without a line costs a fixed penalty, and so does power that stays unexplained.
So half the right pitch pays for the lines that it lacks, twice the right pitch
misses lines that are there, and neither needs the fundamental itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from .envelope_grid import fast_fft_length

LINE_OVER_FLOOR = 25.0  # in power, 14 dB; noise alone reaches it once in e^25 bins
LINE_UNDER_TOP = 1e-8  # a line weaker than this share of the strongest is ignored
HEIGHT_CAP = 20.0
ABSENT_COST = 3.0
SHARE_WORTH = 30.0  # evidence lost when the power explained falls to 1/e
MOST_SPECTRAL_LINES = 160
HIGHEST_HARMONIC = 200
MAINS_HZ = (50.0, 60.0)
MAINS_SHARE = 0.0015  # mains strays less than this from its nominal frequency
HIGHEST_MAINS_HZ = 1000.0
HUM_SHARE = 0.5  # of the lines' power; a series of mains lines with less is hum, with more a voice
LEAST_HUM_LINES = 2  # among the first five multiples
HUM_BINS = 1.5  # a partial so close to a hum line is left to the hum
OWN_LINE_BINS, OWN_LINE_RELATIVE = 0.2, 1e-4  # how exactly a line of the pitch's own must lie
REFERENCE_LINE = 0.03  # of the strongest line's power; a weaker one does not place the others
MOST_TIMES = 60
MOST_OWN_SHARE = 0.02  # of the tone's power; more is the tone's, whatever strays about
PAIRS = [(a, b) for b in range(3, 9) for a in range(2, b) if math.gcd(a, b) == 1]
HIGH_LINE, ONE_LINE_SHARE = 3, 0.98  # number of a multiple, and its share of the power
LOW_LINES, LOW_LINES_SHARE = 24, 0.01  # a tone has some of its power in its first multiples
PAIR_OWN_SHARE = 2e-3  # of the power; less outside two series of harmonics is two oscillators
PAIR_LEAST_SHARE = 0.02  # of the power, in each series
UNSURE_SHARE = 0.03  # of the tone's power; less, beside stray lines, leaves the octave unsure
UNSURE_STRAY = 2.0  # times the power of stray lines
MOST_TIMES_BY_ONE = 3
OVER_CHANCE = 4.0  # own power over what lines anywhere would give by chance


@dataclass(frozen=True)
class SpectralLines:
    """Spectral lines of a take, rising in frequency.

    ``hertz``, ``power`` (of the sine, amplitude squared), ``height`` (power
    over the floor) have shape (lines,). ``bin_hz`` is 1 over the take's length;
    ``floor`` is the noise's power a bin of ``spectrum``, both on ``grid_hz``;
    ``hum_hz`` are lines of a hum, which were left out.
    """

    hertz: np.ndarray
    power: np.ndarray
    height: np.ndarray
    bin_hz: float
    grid_hz: float
    spectrum: np.ndarray
    floor: np.ndarray
    hum_hz: np.ndarray = field(default_factory=lambda: np.zeros(0))

    def is_hum(self, hertz: np.ndarray) -> np.ndarray:
        """Return which frequencies a hum line stands at or beside: bool, shape as given."""
        if not len(self.hum_hz):
            return np.zeros(len(hertz), bool)
        apart: np.ndarray = np.min(np.abs(hertz[:, None] - self.hum_hz), axis=1)
        return apart < HUM_BINS * self.bin_hz


@dataclass(frozen=True)
class Candidate:
    """A candidate pitch.

    Attributes:
        hertz: the pitch.
        score: its evidence.
        share: of the lines' power, 0 to 1, that it explains.
        numbers: of the harmonics that show a line, shape (n,), rising.
        lines: index of each such harmonic's line, shape (n,).
    """

    hertz: float
    score: float
    share: float
    numbers: np.ndarray
    lines: np.ndarray


def power_spectrum(samples: np.ndarray, length: int) -> np.ndarray:
    """Return the power of a Hann-windowed take; a sine of amplitude a gives a^2."""
    window = np.hanning(len(samples) + 2)[1:-1]
    power: np.ndarray = np.abs(np.fft.rfft(samples * window, length) * (2 / window.sum())) ** 2
    return power


def noise_floor(spectrum: np.ndarray, density: int) -> np.ndarray:
    """Return the mean noise power at each bin, from low quantiles of blocks of bins.

    Args:
        spectrum: power, shape (bins,).
        density: bins of ``spectrum`` for one bin of the unpadded take.
    """
    size = len(spectrum)
    edges = [0]
    while edges[-1] < size:
        edges.append(edges[-1] + max(24 * density, int(0.12 * edges[-1])))
    edges[-1] = size
    if len(edges) > 2 and edges[-1] - edges[-2] < 12 * density:
        del edges[-2]
    quantile = 0.3
    # Noise power is exponential: its 30 % quantile is -ln(0.7) of its mean.
    levels = [
        np.partition(spectrum[a:b], int(quantile * (b - a)))[int(quantile * (b - a))]
        / -math.log(1 - quantile)
        for a, b in pairwise(edges)
    ]
    centres = [(a + b) / 2 for a, b in pairwise(edges)]
    logs = np.log(np.maximum(levels, 1e-300))
    return np.exp(np.interp(np.arange(size), centres, logs))


def find_lines(samples: np.ndarray, rate_hz: float, background: np.ndarray | None) -> SpectralLines:
    """Return the lines of a take that are not in the background as well.

    Args:
        samples: shape (size,), mean removed.
        rate_hz: sample rate.
        background: the input with no voice sounding, shape (any,); None if not recorded.
    """
    density = 2
    length = fast_fft_length(density * len(samples))
    spectrum = power_spectrum(samples, length)
    floor = noise_floor(spectrum, density)
    if background is not None:
        floor = np.maximum(floor, 6 * background_power(background, len(samples), length))
    top = spectrum.max(initial=0.0)
    inner = spectrum[1:-1]
    peak = (inner > spectrum[:-2]) & (inner >= spectrum[2:])
    peak &= (inner > LINE_OVER_FLOOR * floor[1:-1]) & (inner > LINE_UNDER_TOP * top)
    peak[: 3 * density] = False  # the rest of the DC offset
    found = np.flatnonzero(peak) + 1
    strongest = np.argsort(spectrum[found])[::-1][:MOST_SPECTRAL_LINES]
    found = np.sort(found[strongest])
    logs = np.log(np.maximum(spectrum, 1e-300))
    left, middle, right = logs[found - 1], logs[found], logs[found + 1]
    shift = (left - right) / (2 * np.minimum(left - 2 * middle + right, -1e-12))
    grid_hz, bin_hz = rate_hz / length, rate_hz / len(samples)
    hertz, power = (found + np.clip(shift, -0.5, 0.5)) * grid_hz, spectrum[found]
    real = power > 6 * _leakage(hertz / bin_hz, power)
    return SpectralLines(
        hertz[real], power[real], (power / floor[found])[real], bin_hz, grid_hz, spectrum, floor
    )


def _leakage(places: np.ndarray, power: np.ndarray) -> np.ndarray:
    """Return the power that a Hann window leaks to each line from stronger ones.

    Its spectrum at d bins falls as 1 / (pi d (d^2 - 1)).
    """
    apart = np.maximum(np.abs(places[:, None] - places), 1.6)
    leaked = power / (np.pi * apart * (apart**2 - 1)) ** 2
    total: np.ndarray = np.where(power > power[:, None], leaked, 0.0).sum(axis=1)
    return total


def background_power(background: np.ndarray, size: int, length: int) -> np.ndarray:
    """Return the background's highest power near each bin of a take of ``size``."""
    pieces = [background[i : i + size] for i in range(0, max(1, len(background) - size + 1), size)]
    power = np.max([power_spectrum(piece, length) for piece in pieces], axis=0)
    wide = np.pad(power, 4, mode="edge")
    highest: np.ndarray = np.max([wide[i : i + len(power)] for i in range(9)], axis=0)
    return highest


def candidate_pitches(lines: SpectralLines, lowest_hz: float, highest_hz: float) -> np.ndarray:
    """Return the pitches in a range that have a strong line among their harmonics."""
    strong = lines.hertz[np.argsort(lines.power)[::-1][:10]]
    guesses = (strong[:, None] / np.arange(1, 41)).ravel()
    near = np.diff(np.sort(lines.hertz[np.argsort(lines.power)[::-1][:24]]))
    guesses = np.concatenate([guesses, near])
    lowest_hz = max(lowest_hz, 5 * lines.bin_hz)  # below that, lines merge
    return np.unique(guesses[(guesses >= lowest_hz) & (guesses <= highest_hz)])


def score_candidates(lines: SpectralLines, pitches: np.ndarray) -> list[Candidate]:
    """Return candidates for the pitches that explain much of the power, best first."""
    if not len(pitches) or not len(lines.hertz):
        return []
    numbers = np.rint(lines.hertz / pitches[:, None])
    ahead = lines.hertz - numbers * pitches[:, None]
    base = 1.2 * lines.bin_hz + 0.005 * lines.hertz
    stretch = np.minimum(0.25, 2.2e-4 * numbers**3) * pitches[:, None]
    fits = (numbers >= 1) & (numbers <= HIGHEST_HARMONIC)
    fits &= ahead > -np.minimum(base, 0.2 * pitches[:, None])
    fits &= ahead < np.maximum(np.minimum(base, 0.2 * pitches[:, None]), stretch)
    shares = fits @ lines.power / lines.power.sum()
    heights = np.minimum(np.sqrt(lines.height), HEIGHT_CAP)
    rough = fits @ heights - ABSENT_COST * np.minimum(HIGHEST_HARMONIC, lines.hertz.max() / pitches)
    chosen = np.flatnonzero(shares > 0.4 * shares.max())
    chosen = chosen[np.argsort(rough[chosen])[::-1][:60]]
    result = [
        _score_one(lines, pitches[i], shares[i], numbers[i], fits[i], heights) for i in chosen
    ]
    return sorted(result, key=lambda one: -one.score)


def _score_one(
    lines: SpectralLines,
    pitch: float,
    share: float,
    numbers: np.ndarray,
    fits: np.ndarray,
    heights: np.ndarray,
) -> Candidate:
    """Score one pitch by the strongest line of each harmonic, up to the best total."""
    which = np.flatnonzero(fits)
    order = which[np.argsort(lines.power[which])]
    best = np.full(HIGHEST_HARMONIC + 1, -1)
    best[numbers[order].astype(int)] = order
    gain = np.where(best >= 0, heights[best], 0.0)[1:] - ABSENT_COST
    total = np.cumsum(gain)
    last = int(np.argmax(total))
    kept = np.flatnonzero(best[1 : last + 2] >= 0) + 1
    return Candidate(
        float(pitch),
        float(total[last] + SHARE_WORTH * math.log(share)),
        float(share),
        kept,
        best[kept],
    )


def without_hum(lines: SpectralLines) -> SpectralLines:
    """Return the lines without those of a mains hum, where the rest is stronger."""
    mains = is_mains(lines.hertz)
    low = sum(
        np.any(mains & (np.abs(lines.hertz - number * base) < MAINS_SHARE * number * base + 0.1))
        for base in MAINS_HZ
        for number in (1, 2, 3, 4, 5)
    )
    share = lines.power[mains].sum() / max(lines.power.sum(), 1e-300)
    if low < LEAST_HUM_LINES or share > HUM_SHARE:
        return lines
    return replace(
        lines,
        hertz=lines.hertz[~mains],
        power=lines.power[~mains],
        height=lines.height[~mains],
        hum_hz=lines.hertz[mains],
    )


def highest_of_its_own(
    chosen: Candidate, lines: SpectralLines, least_share: float
) -> tuple[Candidate, bool]:
    """Return the candidate, or the multiple of it that explains the sound as well.

    A pitch is a sub-harmonic unless lines that only it explains, and not a multiple of
    it, have power of their own: more than ``least_share`` of the tone's, and more than
    stray lines would have there by chance. Such lines must lie exactly.

    Returns:
        The candidate, and whether it is sure: not so where its own power is small beside
        that of lines which no pitch explains.
    """
    power, numbers = lines.power[chosen.lines], chosen.numbers
    times = np.arange(2, min(MOST_TIMES, int(numbers.max(initial=0))) + 1)
    if not len(times):
        return chosen, True
    total = power.sum()
    other = numbers % times[:, None] != 0
    exact = _exact_lines(chosen, lines)
    alone = exact[:, None] & other
    # One line of its own is chance where the candidate has room for many.
    enough = (np.sum(alone, axis=2) > 1) | (times <= MOST_TIMES_BY_ONE)
    enough |= alone @ power > MOST_OWN_SHARE * total
    own = np.max(np.where(enough, alone @ power, 0.0), axis=0)
    explained = float(np.max(exact @ power))
    stray = lines.power.sum() - np.where(other, 0.0, power).sum(axis=1)
    chance = min(4 * OWN_LINE_BINS * lines.bin_hz / chosen.hertz, 0.1)
    needed = np.maximum(least_share * total, OVER_CHANCE * chance * stray)
    poor = times[own < np.minimum(needed, MOST_OWN_SHARE * total)]
    if not len(poor):
        unexplained = lines.power.sum() - explained
        doubtful = own < np.minimum(UNSURE_SHARE * total, UNSURE_STRAY * unexplained)
        return chosen, not np.any(doubtful)
    n = int(poor[-1])
    kept = numbers % n == 0
    share = float(power[kept].sum() / lines.power.sum())
    higher = Candidate(
        chosen.hertz * n, chosen.score, share, numbers[kept] // n, chosen.lines[kept]
    )
    return higher, True


def two_series(chosen: Candidate, lines: SpectralLines) -> bool:
    """Return whether multiples of two pitches (a fifth, a third apart) make up the candidate.

    Two oscillators in the ratio a:b share a pitch that has nothing but multiples of a and
    of b; a tone, even without its first harmonic, has others.
    """
    power, numbers = lines.power[chosen.lines], chosen.numbers
    if len(numbers) < 2:
        return False
    exact = _exact_lines(chosen, lines)
    for a, b in PAIRS:
        by_a, by_b = numbers % a == 0, numbers % b == 0
        own = float(np.max(exact @ np.where(by_a | by_b, 0.0, power)))
        both = min(power[by_a].sum(), power[by_b].sum())
        if own < PAIR_OWN_SHARE * power.sum() and both > PAIR_LEAST_SHARE * power.sum():
            return True
    return False


def is_one_high_line(chosen: Candidate, lines: SpectralLines) -> bool:
    """Return whether one high multiple, or nothing but high ones, make up the candidate.

    A struck bar, or the loop of a recorded one, has a faint period far below what is heard.
    """
    power = lines.power[chosen.lines]
    strongest = int(np.argmax(power))
    number = int(chosen.numbers[strongest])
    if power[chosen.numbers < LOW_LINES].sum() < LOW_LINES_SHARE * power.sum():
        return True
    return number >= HIGH_LINE and bool(power[strongest] > ONE_LINE_SHARE * power.sum())


def _exact_lines(chosen: Candidate, lines: SpectralLines) -> np.ndarray:
    """Return which lines lie exactly on the series of each of the strongest: (1 to 3, lines)."""
    power, hertz = lines.power[chosen.lines], lines.hertz[chosen.lines]
    strongest = np.argsort(power)[::-1][:3]
    strongest = strongest[power[strongest] > REFERENCE_LINE * power.max()]
    pitches = (hertz / chosen.numbers)[strongest]
    blur = OWN_LINE_BINS + 0.5 / np.sqrt(lines.height[chosen.lines])
    reach = blur * lines.bin_hz + OWN_LINE_RELATIVE * hertz
    exact: np.ndarray = np.abs(hertz - chosen.numbers * pitches[:, None]) < reach
    return exact


def is_mains(hertz: np.ndarray) -> np.ndarray:
    """Return which frequencies are low multiples of a mains frequency: bool, shape as given."""
    found = np.zeros(len(hertz), bool)
    for mains in MAINS_HZ:
        number = np.maximum(np.rint(hertz / mains), 1)
        found |= np.abs(hertz - number * mains) < MAINS_SHARE * hertz + 0.1
    return found & (hertz < HIGHEST_MAINS_HZ)
