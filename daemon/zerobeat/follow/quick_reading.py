"""A quick reading of a pitch that is known to a few cents: a thirtieth of the full reader's work.

The partials of the pitch that is expected are taken down to zero, window by window, and a straight
line is put through their phases. Halfway between two partials nothing should sound: what does is
noise or another voice. Whatever is not plain (another sound, a beat, partials that make no one
series, a pitch far from the expected one) is not read here: the full reader decides. It reads
the first sounds of a voice and every sixth after them, and must agree with the quick one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..measure.pitch.fit_quality import CENTS_A_NEPER
from ..measure.pitch.reader import Pitch, estimate_pitch, full_scale_share

QUICK_PARTIALS = 10
HIGHEST_HZ = 9000.0
WINDOWS = 8  # about; they overlap by half
LEAST_WINDOWS = 6
LEAST_WINDOW_PERIODS = 4  # whole periods: other partials and halves fall on the window's zeros
LEAST_SHARE = 1e-4  # of the strongest partial's power; a weaker one is not used
LEAST_OVER_NOISE = 100.0  # in power, of a partial that is used
MOST_BETWEEN = 3e-3  # of the tone's power, between its partials
LOWEST_STRONG = 3  # one of so many lowest partials must be used: higher ones wrap around
MOST_WRAP = 0.8  # radians from window to window, once the lower partials' pitch is taken out
MOST_BEND = 0.15  # radians that a partial's phase may lie beside the line
MOST_BEAT = 0.15  # nepers that a partial's level may move beside all others'
MOST_APART_CENTS = 0.3  # between partials
MOST_SLOPE_CENTS_PER_S = 10.0
MOST_OFF_CENTS = 12.0
LEAST_QUICK_SIGMA_CENTS = 0.002
LEAST_DBFS = -70.0
MOST_CLIPPED_SHARE = 0.01
FULL_FIRST = 4  # readings of a voice by the full reader, before a quick one counts
FULL_EVERY = 6
FULL_AFTER_DISSENT = 30
AGREE_CENTS, AGREE_SIGMAS = 0.05, 3.0
UNEXPECTED_CENTS = 1.0  # beside what was believed: the full reader looks


class QuickReader:
    """Reads one voice: by the full reader where that is due or in doubt, else quickly."""

    def __init__(self) -> None:
        self._full_due = FULL_FIRST  # full readings that come next
        self._quick_left = 0

    def read(
        self, samples: np.ndarray, rate_hz: float, expected_cents: float, believed_cents: float
    ) -> Pitch:
        """Return the pitch of a stretch.

        Args:
            samples: shape (n,).
            rate_hz: of the samples.
            expected_cents: what should be heard, above key 0.
            believed_cents: what will be heard, by what is known of the drift.

        Raises:
            TakeRefusedError: by the full reader.
        """
        believed_hz = _hertz(believed_cents)
        quick = quick_pitch(samples, rate_hz, believed_hz)
        if quick is not None and not self._full_due and self._quick_left > 0:
            off = CENTS_A_NEPER * math.log(quick.hertz / believed_hz)
            if abs(off) < UNEXPECTED_CENTS:
                self._quick_left -= 1
                return quick
        full = estimate_pitch(samples, rate_hz, expected_hz=_hertz(expected_cents))
        self._full_due = max(0, self._full_due - 1)
        self._quick_left = FULL_EVERY - 1
        if quick is not None:
            apart = abs(CENTS_A_NEPER * math.log(quick.hertz / full.hertz))
            sigma = math.hypot(quick.sigma_cents, full.sigma_cents)
            if apart > AGREE_CENTS + AGREE_SIGMAS * sigma:
                self._full_due = FULL_AFTER_DISSENT
        return full


def _hertz(cents: float) -> float:
    return float(440.0 * 2.0 ** ((cents - 6900.0) / 1200.0))


@dataclass(frozen=True, slots=True)
class _Partials:
    """Partials over windows.

    Attributes:
        numbers: shape (k,), rising; ``phases``, ``levels`` (nepers): shape (k, m).
        at_s: of the windows' middles from that of the take, shape (m,).
        noise: variance of a phase of each partial, in square radians, shape (k,).
    """

    numbers: np.ndarray
    phases: np.ndarray
    levels: np.ndarray
    at_s: np.ndarray
    noise: np.ndarray


def quick_pitch(samples: np.ndarray, rate_hz: float, expected_hz: float) -> Pitch | None:
    """Return the pitch of a steady tone near ``expected_hz``; None where that is not plain.

    Args:
        samples: one channel, shape (n,), full scale 1.0.
        rate_hz: of the samples.
        expected_hz: within some cents of what sounds.
    """
    samples = np.asarray(samples, dtype=float)
    power = float(np.mean(samples**2))
    level_dbfs = 10.0 * math.log10(max(power, 1e-20))
    peak_share = full_scale_share(samples)
    if level_dbfs < LEAST_DBFS or peak_share > MOST_CLIPPED_SHARE:
        return None
    partials = _partials(samples, rate_hz, expected_hz)
    if partials is None:
        return None
    first = _unwrapped(partials, expected_hz)
    if first is None:
        return None
    fit = _fit(partials, first, expected_hz)
    if fit is None:
        return None
    cents, slope, sigma = fit
    hertz = expected_hz * 2.0 ** (cents / 1200.0)
    return Pitch(hertz, sigma, level_dbfs, slope, 0.0, len(partials.numbers), peak_share)


def _partials(samples: np.ndarray, rate_hz: float, hertz: float) -> _Partials | None:
    periods = len(samples) * hertz / rate_hz
    wide = max(LEAST_WINDOW_PERIODS, round(2.0 * periods / (WINDOWS + 1)))
    hop = round(wide * rate_hz / hertz / 2.0)
    blocks = len(samples) // hop
    if blocks - 1 < LEAST_WINDOWS or hop < 8:
        return None
    cut = (len(samples) - blocks * hop) // 2
    used = samples[cut : cut + blocks * hop]
    used = used - used.mean()
    hann = 0.5 - 0.5 * np.cos(np.pi * (np.arange(2 * hop) + 0.5) / hop)
    count = min(QUICK_PARTIALS, int(min(HIGHEST_HZ, 0.45 * rate_hz) / hertz))
    if count < 1:
        return None
    # Halves: of 1/2, 1, 3/2, ... times the pitch; odd ones lie between the partials.
    step = np.exp(-1j * np.pi * hertz / rate_hz * np.arange(len(used)))
    turned = used.astype(complex)
    found = np.empty((2 * count + 1, blocks - 1), complex)
    for half in range(2 * count + 1):
        turned = turned * step
        parts = turned.reshape(blocks, hop) @ np.stack([hann[:hop], hann[hop:]], axis=1)
        found[half] = parts[:-1, 0] + parts[1:, 1]
    power = np.mean(np.abs(found) ** 2, axis=1)
    tones, between = power[1::2], power[0::2]
    if between.sum() > MOST_BETWEEN * tones.sum():
        return None
    noise = (between[:-1] + between[1:]) / 2.0
    good = (tones > LEAST_SHARE * tones.max()) & (tones > LEAST_OVER_NOISE * noise)
    numbers = np.flatnonzero(good) + 1
    if not len(numbers) or numbers[0] > LOWEST_STRONG:
        return None
    chosen = found[1::2][good]
    at_s = (np.arange(blocks - 1) - (blocks - 2) / 2.0) * hop / rate_hz
    size = np.abs(chosen)
    if size.min() <= 0.0:
        return None
    variance = noise[good] / (2.0 * tones[good])
    # A window's middle lies that much later: the carrier goes on from block to block by itself.
    return _Partials(numbers, np.angle(chosen), np.log(size), at_s, np.maximum(variance, 1e-10))


def _unwrapped(partials: _Partials, hertz: float) -> np.ndarray | None:
    """Return the phases unwrapped, the lower partials helping the higher ones."""
    found = np.empty_like(partials.phases)
    rate, weight = 0.0, 0.0  # of the fundamental, in radians a second
    for place, number in enumerate(partials.numbers):
        line = number * rate * partials.at_s
        left = np.angle(np.exp(1j * (partials.phases[place] - line)))
        steps = np.angle(np.exp(1j * np.diff(left)))
        if np.max(np.abs(steps)) > (2.0 if weight == 0.0 else MOST_WRAP):
            return None
        found[place] = line + left[0] + np.concatenate([[0.0], np.cumsum(steps)])
        own = float(np.polyfit(partials.at_s, found[place], 1)[0]) / number
        mine = number**2 / partials.noise[place]
        rate = (rate * weight + own * mine) / (weight + mine)
        weight += mine
    if abs(rate) * CENTS_A_NEPER > MOST_OFF_CENTS * 2.0 * math.pi * hertz:
        return None
    return found


def _fit(
    partials: _Partials, phases: np.ndarray, hertz: float
) -> tuple[float, float, float] | None:
    """Return cents from ``hertz``, their slope a second and one sigma; None: not plain."""
    at_s, numbers = partials.at_s, partials.numbers
    basis = np.stack([np.ones_like(at_s), at_s, at_s**2 / 2.0 - np.mean(at_s**2) / 2.0], axis=1)
    inverse = np.linalg.pinv(basis)
    found = phases @ inverse.T  # (k, 3): phase, rate, its slope
    left = phases - found @ basis.T
    if np.max(np.abs(left)) > MOST_BEND:
        return None
    scale = CENTS_A_NEPER / (2.0 * np.pi * hertz * numbers)  # cents for a radian a second
    cents, slopes = found[:, 1] * scale, found[:, 2] * scale
    unit = math.sqrt(float(inverse[1] @ inverse[1]))
    # Windows overlap by half, which makes their noise alike.
    scatter = np.sqrt(np.maximum(np.mean(left**2, axis=1), partials.noise)) * 1.5
    sigmas = np.maximum(scatter * unit * scale, 1e-5)
    weights = sigmas**-2
    mean = float(weights @ cents / weights.sum())
    apart = float(weights @ (cents - mean) ** 2 / weights.sum())
    if math.sqrt(apart) > MOST_APART_CENTS:
        return None
    slope = float(weights @ slopes / weights.sum())
    if abs(slope) > MOST_SLOPE_CENTS_PER_S:
        return None
    shifted = _level_shift_cents(partials, weights, scale)
    if shifted is None:
        return None
    sigma = math.sqrt(1.0 / float(weights.sum()) + apart / len(numbers) + shifted**2)
    return mean, slope, max(sigma, LEAST_QUICK_SIGMA_CENTS)


def _level_shift_cents(partials: _Partials, weights: np.ndarray, scale: np.ndarray) -> float | None:
    """Return one sigma for levels that move against each other: a filter turns phases as well."""
    at_s = partials.at_s
    share = np.exp(2.0 * partials.levels.mean(axis=1))
    share = share / share.sum()
    apart = partials.levels - share @ partials.levels
    apart -= apart.mean(axis=1)[:, None]
    rates = apart @ at_s / float(at_s @ at_s)
    beat = apart - rates[:, None] * at_s
    if np.max(np.abs(beat)) > MOST_BEAT:
        return None
    unsure = 9.0 * partials.noise / float(at_s @ at_s)
    swings = np.mean(beat**2, axis=1) / float(at_s[-1] - at_s[0]) ** 2
    moved = np.maximum(rates**2 + swings - unsure, 0.0) * scale**2
    return math.sqrt(float(weights @ moved / weights.sum()))
