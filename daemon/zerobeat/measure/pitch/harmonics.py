"""The model of a harmonic tone over a whole take, and one Gauss-Newton step of its fit.

The model is a sum of partials that share one pitch, one slow drift and one
stiffness, each with its own level, phase and decay; separate sines that belong
to something else (hum) may be fitted beside it. Least squares runs on the
unwindowed samples of the take, so that the error comes near the Cramér-Rao bound
(Rife and Boorstyn 1974; harmonic: Christensen and Jakobsson, *Multi-Pitch
Estimation*, 2009).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from .envelope_grid import EnvelopeGrid


@dataclass
class Partials:
    """The unknowns of the fit, a row a partial. Rows with ``number`` 0 are separate sines.

    ``pitch_hz``, ``drift`` (relative, per second) and ``stiffness`` are shared;
    ``own_hz`` is the frequency of a separate sine; ``level`` is complex,
    at the middle of the take; ``growth`` is in nepers a second. ``wander_s``, on the
    grid, is how far ahead of a steady drift the tone runs (vibrato, flutter).
    """

    grid: EnvelopeGrid
    number: np.ndarray
    own_hz: np.ndarray
    pitch_hz: float
    drift: float = 0.0
    stiffness: float = 0.0
    level: np.ndarray = field(default_factory=lambda: np.zeros(0, complex))
    growth: np.ndarray = field(default_factory=lambda: np.zeros(0))
    wander_s: np.ndarray | None = None

    def __post_init__(self) -> None:
        if len(self.level) != len(self.number):
            self.level = np.zeros(len(self.number), complex)
            self.growth = np.zeros(len(self.number))

    def stretch(self) -> np.ndarray:
        """Return each partial's frequency over its harmonic's (stiff string), shape (rows,)."""
        square = self.number.astype(float) ** 2
        ratio: np.ndarray = np.sqrt((1 + self.stiffness * square) / (1 + self.stiffness))
        return ratio

    def hertz(self) -> np.ndarray:
        """Return the frequency of each row at the middle of the take, shape (rows,)."""
        series = self.number * self.pitch_hz * self.stretch()
        return np.where(self.number > 0, series, self.own_hz)

    def carriers(self) -> np.ndarray:
        """Return the FFT bin nearest to each row's frequency, shape (rows,)."""
        return np.rint(self.hertz() / self.grid.bin_hz).astype(int)

    def shapes(self) -> np.ndarray:
        """Return the envelopes for level 1, shape (rows, points)."""
        grid, time = self.grid, self.grid.time_s
        hertz, carriers = self.hertz(), self.carriers()
        slope = 2 * np.pi * (hertz - carriers * grid.bin_hz)
        # A steady drift in cents: the phase goes as (exp(d t) - 1) / d.
        bent = np.pi * self.drift * time**2 * (1 + self.drift * time / 3)
        start = -np.pi * carriers * (grid.size - 1) / grid.padded
        phase = (
            start[:, None]
            + slope[:, None] * time
            + bent[None, :] * np.where(self.number > 0, hertz, 0.0)[:, None]
        )
        if self.wander_s is not None:
            own = 2 * np.pi * np.where(self.number > 0, hertz, 0.0)
            phase += own[:, None] * self.wander_s
        shapes: np.ndarray = np.exp(self.growth[:, None] * grid.growth_s + 1j * phase)
        shapes *= grid.taper
        return shapes

    def energy(self, weight: np.ndarray) -> np.ndarray:
        """Return each row's weighted sum of squares on the grid, shape (rows,)."""
        fade = np.exp(2 * self.growth[:, None] * self.grid.growth_s)
        energy: np.ndarray = np.abs(self.level) ** 2 * (fade @ (weight * self.grid.taper**2))
        return energy

    def onto(self, grid: EnvelopeGrid) -> Partials:
        """Return the same partials on another grid over the same take."""
        other = self.copy()
        other.grid = grid
        if self.wander_s is not None:
            least = min(grid.points, self.grid.points) // 2
            spectrum = np.fft.rfft(self.wander_s)[:least]
            other.wander_s = np.fft.irfft(spectrum, grid.points) * grid.points / self.grid.points
        return other

    def copy(self) -> Partials:
        """Return a copy whose arrays can be replaced without changing these partials."""
        return self.keep(np.arange(len(self.number)))

    def keep(self, rows: np.ndarray) -> Partials:
        """Return some of the rows, by index or as a bool mask, on the same grid."""
        return Partials(
            self.grid,
            self.number[rows],
            self.own_hz[rows],
            self.pitch_hz,
            self.drift,
            self.stiffness,
            self.level[rows],
            self.growth[rows],
            self.wander_s,
        )

    def add_sines(self, hertz: np.ndarray) -> Partials:
        """Return these partials and separate sines of level 0 at some frequencies."""
        count = len(hertz)
        return Partials(
            self.grid,
            np.append(self.number, np.zeros(count, int)),
            np.append(self.own_hz, hertz),
            self.pitch_hz,
            self.drift,
            self.stiffness,
            np.append(self.level, np.zeros(count)),
            np.append(self.growth, np.zeros(count)),
            self.wander_s,
        )


@dataclass(frozen=True)
class GaussNewtonStep:
    """The statistics of one Gauss-Newton step.

    ``covariance`` is that of (ln pitch, drift, stiffness) for the noise given;
    ``slopes`` and ``slope_variances`` are each partial's own frequency error,
    relative, and its variance; ``moved`` is how far the pitch went, in sigmas.
    """

    covariance: np.ndarray
    slopes: np.ndarray
    slope_variances: np.ndarray
    moved: float


def gauss_newton_step(
    partials: Partials,
    shapes: np.ndarray,
    envelopes: np.ndarray,
    weight: np.ndarray,
    noise: np.ndarray,
    free: tuple[bool, bool, bool],
    fading: np.ndarray,
    relax: float = 1.0,
) -> GaussNewtonStep:
    """Improve ``partials`` in place by one Gauss-Newton step.

    Args:
        shapes: of the partials as they stand, shape (rows, points).
        envelopes: the residual's envelopes, shape (rows, points).
        weight: of each grid point in the sums of squares, shape (points,).
        noise: variance of an envelope point, real part, shape (rows,).
        free: which of pitch, drift and stiffness are fitted.
        fading: rows whose growth is fitted, and whose own frequency if they are
            separate sines; bool, shape (rows,).
        relax: the share of the step that is taken.
    """
    sums, gram, level = _residual_sums(partials, shapes, envelopes, weight)
    strength = np.abs(level) ** 2 / noise
    harmonic = partials.number > 0
    angular = 2 * np.pi * partials.hertz()
    g0 = gram[:, 0]
    s11 = gram[:, 2] - gram[:, 1] ** 2 / g0
    r1 = sums[:, 1].imag - gram[:, 1] / g0 * sums[:, 0].imag
    bow = _stiffness_slope(partials)
    move, covariance = _solve_shared(
        sums, gram, np.where(harmonic, strength, 0.0), angular, bow, free
    )

    slope = np.where(harmonic, angular * (move[0] + bow * move[2]), np.where(fading, r1 / s11, 0.0))
    bend = np.where(harmonic, angular * move[1], 0.0)
    offset = (sums[:, 0].imag - gram[:, 1] * slope - gram[:, 2] / 2 * bend) / g0
    ra = sums[:, 1].real - gram[:, 1] / g0 * sums[:, 0].real
    fade = np.where(fading, ra / s11, 0.0)
    gain = (sums[:, 0].real - gram[:, 1] * fade) / g0
    moved = abs(move[0]) / math.sqrt(max(covariance[0, 0], 1e-300))

    limit = 2.0 * partials.grid.rate_hz / partials.grid.size
    own = np.where(harmonic, 0.0, slope / (2 * np.pi))
    partials.level = level * (1 + relax * (gain + 1j * offset))
    partials.growth = partials.growth + np.clip(relax * fade, -limit, limit)
    partials.own_hz = partials.own_hz + np.clip(relax * own, -limit, limit)
    partials.pitch_hz *= math.exp(max(-0.01, min(0.01, relax * move[0])))
    partials.drift += relax * move[1]
    partials.stiffness = min(0.02, max(-2e-5, partials.stiffness + relax * move[2]))
    safe = np.maximum(strength * s11 * angular**2, 1e-300)
    return GaussNewtonStep(covariance, r1 / s11 / angular, 1 / safe, moved)


def _residual_sums(
    partials: Partials, shapes: np.ndarray, envelopes: np.ndarray, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return residual sums over 1, t, t^2/2; power sums over t^0 to t^4; levels."""
    time = partials.grid.time_s
    gram = (weight * np.abs(shapes) ** 2) @ np.vander(time, 5, increasing=True)
    level = np.where(partials.level == 0, 1e-300, partials.level)
    powers = np.stack([np.ones_like(time), time, time**2 / 2], axis=1)
    return (envelopes * shapes.conj()) @ powers / level[:, None], gram, level


def _solve_shared(
    sums: np.ndarray,
    gram: np.ndarray,
    strength: np.ndarray,
    angular: np.ndarray,
    bow: np.ndarray,
    free: tuple[bool, bool, bool],
) -> tuple[np.ndarray, np.ndarray]:
    """Solve pitch, drift, stiffness, each row's own phase eliminated (Schur complement)."""
    g0 = gram[:, 0]
    s11 = gram[:, 2] - gram[:, 1] ** 2 / g0
    s12 = (gram[:, 3] - gram[:, 1] * gram[:, 2] / g0) / 2
    s22 = (gram[:, 4] - gram[:, 2] ** 2 / g0) / 4
    r1 = sums[:, 1].imag - gram[:, 1] / g0 * sums[:, 0].imag
    r2 = sums[:, 2].imag - gram[:, 2] / 2 / g0 * sums[:, 0].imag
    weigh, pull = strength * angular**2, strength * angular
    normal = np.array(
        [
            [np.sum(weigh * s11), np.sum(weigh * s12), np.sum(weigh * bow * s11)],
            [0, np.sum(weigh * s22), np.sum(weigh * bow * s12)],
            [0, 0, np.sum(weigh * bow**2 * s11)],
        ]
    )
    normal = normal + np.triu(normal, 1).T
    right = np.array([np.sum(pull * r1), np.sum(pull * r2), np.sum(pull * bow * r1)])
    return _solve(normal, right, free)


def _stiffness_slope(partials: Partials) -> np.ndarray:
    """Return d ln(frequency) / d stiffness of each row."""
    square = partials.number.astype(float) ** 2
    b = partials.stiffness
    return (square / (1 + b * square) - 1 / (1 + b)) / 2


def _solve(
    normal: np.ndarray, right: np.ndarray, free: tuple[bool, bool, bool]
) -> tuple[np.ndarray, np.ndarray]:
    """Solve the free part of a 3 by 3 normal equation; the rest stays at 0."""
    rows = np.flatnonzero(np.array(free) & (np.diag(normal) > 0))
    move, covariance = np.zeros(3), np.zeros((3, 3))
    if len(rows):
        scale = np.sqrt(np.diag(normal)[rows])
        scaled = normal[np.ix_(rows, rows)] / np.outer(scale, scale)
        inverse = np.linalg.pinv(scaled, rcond=1e-10, hermitian=True) / np.outer(scale, scale)
        move[rows] = inverse @ right[rows]
        covariance[np.ix_(rows, rows)] = inverse
    return move, covariance
