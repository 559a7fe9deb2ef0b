"""The initial estimate of pitch, drift and stiffness, good to a fraction of a cycle.

The drift is searched on the strongest partial, by dechirping it and looking for
the sharpest line; then the partials are tracked upwards one by one, so that
neither a stiff string's stretch nor a spurious line misleads the estimate.
"""

from __future__ import annotations

import numpy as np

from .coarse_search import Candidate, SpectralLines
from .envelope_grid import MAX_GRID, MIN_POINTS, EnvelopeGrid
from .harmonics import Partials

DRIFT_SEARCH = 0.07  # relative a second, each way: 120 cents a second
TRACKED_OVER_FLOOR = 12.0  # in power
WANDER_HZ = 12.0  # the fastest vibrato looked for
LEAST_WANDER_RADIANS = 0.3  # rms
STEADY_LEVEL = 0.15  # relative spread of a partial's level above which its phase is no vibrato
WITHIN_BINS = 0.8  # how far a tracked line may lie from the series


def grid_for(size: int, rate_hz: float, pitch_hz: float, rows: int) -> EnvelopeGrid:
    """Return a grid that resolves the pitch and keeps ``rows`` partials within ``MAX_GRID``."""
    periods = size / rate_hz * pitch_hz * 1.34
    points = MIN_POINTS
    while points < min(2 * periods, MAX_GRID / max(rows, 1), 2048):
        points *= 2
    return EnvelopeGrid(size, rate_hz, points)


def initial_estimate(
    grid: EnvelopeGrid, spectrum: np.ndarray, chosen: Candidate, lines: SpectralLines
) -> Partials | None:
    """Return all partials, with pitch, drift and stiffness good to a fraction of a cycle.

    Args:
        grid: over the take.
        spectrum: rfft of the windowed take, from ``grid.transform``.
        chosen: the coarse pitch.
        lines: of the take.
    """
    row = int(np.argmax(lines.power[chosen.lines]))
    strongest, line_hz = int(chosen.numbers[row]), float(lines.hertz[chosen.lines[row]])
    drift, found_hz = _search_drift(grid, spectrum, line_hz, chosen.hertz)
    wander = _initial_wander(grid, spectrum, found_hz, drift, chosen.hertz)
    if wander is not None:
        found_hz, drift, ahead = wander
        count = max(1, int(0.49 * grid.rate_hz / found_hz * strongest))
        numbers = np.arange(1, count + 1)
        pitch = found_hz / strongest
        return Partials(grid, numbers, np.zeros(count), pitch, drift, wander_s=ahead)
    pitch, stiffness, last = _track_partials(
        grid, spectrum, found_hz, strongest, drift, chosen, lines
    )
    top = 0.49 * grid.rate_hz
    count = max(1, int(top / pitch))
    numbers = np.arange(1, count + 1)
    partials = Partials(grid, numbers, np.zeros(count), pitch, drift, stiffness)
    reach = (partials.hertz() < top) & (numbers <= max(last * 4, 4))
    reach &= ~lines.is_hum(partials.hertz()) | (numbers == strongest)
    return partials.keep(reach)


def _search_drift(
    grid: EnvelopeGrid, spectrum: np.ndarray, line_hz: float, pitch_hz: float
) -> tuple[float, float]:
    """Return the drift and middle frequency that make one partial's line sharpest."""
    carrier = round(line_hz / grid.bin_hz)
    envelope = grid.analyze(spectrum, np.array([carrier]))[0]
    span = grid.size / grid.rate_hz
    step = 1.2 / (line_hz * span**2)
    count = int(DRIFT_SEARCH / step)
    drifts = np.arange(-count, count + 1) * step
    if grid.points * len(drifts) > 400_000:
        drifts = np.linspace(-DRIFT_SEARCH, DRIFT_SEARCH, 400_000 // grid.points | 1)
    length = 4 * grid.points
    turned = envelope * np.exp(-1j * np.pi * line_hz * drifts[:, None] * grid.time_s**2)
    order = np.argsort(grid.time_s)
    power = np.abs(np.fft.fft(turned[:, order], length, axis=1)) ** 2
    offsets = np.fft.fftfreq(length, 1 / grid.points)
    allowed = np.abs(offsets) * grid.bin_hz < max(0.3 * pitch_hz, 2 * grid.bin_hz)
    power = np.where(allowed, power, 0.0)
    peaks = power.max(axis=1)
    best = int(np.argmax(peaks))
    middle = len(drifts) // 2
    if peaks[best] < 1.05 * peaks[middle]:
        best = middle
    return float(drifts[best]), (carrier + _peak_offset(power[best], offsets)) * grid.bin_hz


def _initial_wander(
    grid: EnvelopeGrid, spectrum: np.ndarray, line_hz: float, drift: float, pitch_hz: float
) -> tuple[float, float, np.ndarray] | None:
    """Return frequency, drift and wander of a partial with strong vibrato, else None.

    Where vibrato moves a partial's phase by half a radian or more, its line
    splits into sidebands, which must be combined first. A level that varies as
    well is no vibrato but a second pitch.
    """
    carrier = round(line_hz / grid.bin_hz)
    offsets = np.fft.fftfreq(grid.points, 1 / grid.points)
    band = np.fft.fft(grid.analyze(spectrum, np.array([carrier]))[0])
    band[np.abs(offsets) * grid.bin_hz > min(60.0, 0.4 * pitch_hz)] = 0.0
    order = np.argsort(grid.time_s)
    time, line = grid.time_s[order], np.fft.ifft(band)[order]
    span = grid.size / grid.rate_hz
    window = np.maximum(0.5 + 0.5 * np.cos(2 * np.pi * time / span), 0.0) * (
        np.abs(time) < span / 2
    )
    inner = window > 0.05
    level = np.abs(line[inner]) / window[inner]
    if level.std() > STEADY_LEVEL * level.mean():
        return None
    root = np.abs(line[inner])
    smooth = np.vander(time, 3, increasing=True)
    orders = np.arange(3, max(4, int(2 * WANDER_HZ * span)))
    waves = np.cos(orders * np.pi * (time[:, None] / span + 0.5))
    full = np.concatenate([smooth, waves], axis=1)
    phase = np.unwrap(np.angle(line[inner]))
    found = np.linalg.lstsq(root[:, None] * full[inner], root * phase, rcond=1e-9)[0]
    left = phase - full[inner] @ found
    sway = full @ found
    plain = np.linalg.lstsq(root[:, None] * smooth[inner], root * sway[inner], rcond=None)[0]
    sway -= smooth @ plain
    size = np.sqrt(np.average(sway[inner] ** 2, weights=root**2))
    if size < LEAST_WANDER_RADIANS or np.sqrt(np.average(left**2, weights=root**2)) > 0.3 * size:
        return None
    hertz = carrier * grid.bin_hz + plain[1] / (2 * np.pi)
    ahead = np.zeros(grid.points)
    ahead[order] = sway / (2 * np.pi * hertz)
    return hertz, plain[2] / (np.pi * hertz), ahead * grid.taper


def _peak_offset(power: np.ndarray, offsets: np.ndarray) -> float:
    """Return the offset of the highest point, by a parabola through three logarithms."""
    i = int(np.argmax(power))
    left, middle, right = np.log(np.maximum(power[[i - 1, i, (i + 1) % len(power)]], 1e-300))
    curve = left - 2 * middle + right
    shift = (left - right) / (2 * curve) if curve < 0 else 0.0
    return float(offsets[i] + max(-0.5, min(0.5, shift)) * offsets[1])


def _track_partials(
    grid: EnvelopeGrid,
    spectrum: np.ndarray,
    found_hz: float,
    strongest: int,
    drift: float,
    chosen: Candidate,
    lines: SpectralLines,
) -> tuple[float, float, int]:
    """Track the partials upwards; return pitch, stiffness and the last number reached."""
    numbers = np.arange(1, min(96, max(1, int(0.48 * grid.rate_hz / chosen.hertz))) + 1)
    pitch, stiffness, last = found_hz / strongest, 0.0, strongest
    carriers = np.rint(numbers * pitch / grid.bin_hz).astype(int)
    power, offsets = _dechirped(grid, spectrum, carriers, numbers * pitch * drift)
    peaks = power.max(axis=1)
    floor = np.interp(
        carriers * grid.bin_hz / lines.grid_hz, np.arange(len(lines.floor)), lines.floor
    )
    floor = floor + 1e-4 / TRACKED_OVER_FLOOR * np.convolve(np.pad(peaks, 2), np.ones(5), "valid")
    tracked: list[tuple[float, float, float]] = [(strongest, found_hz, 1.0)]
    others = (numbers != strongest) & ~lines.is_hum(numbers * pitch)
    for row in np.flatnonzero((peaks > TRACKED_OVER_FLOOR * floor) & others):
        number = int(numbers[row])
        if number > 2 * last + 4:
            break
        expected = number * pitch * (1 + stiffness * (number**2 - 1) / 2)
        loose = max(1.0, 0.15 * number / max(last, 1)) * grid.bin_hz
        rise = number * pitch * 2.4e-4 * number**2 if number <= 12 and last <= 12 else 0.0
        ahead = (carriers[row] + offsets) * grid.bin_hz - expected
        near = ahead > -loose - (stiffness > 0) * rise / 4
        near &= ahead < loose + min(rise, 0.3 * pitch)
        masked = np.where(near, power[row], 0.0)
        top = int(np.argmax(masked))
        beside = max(power[row][top - 1], power[row][(top + 1) % len(masked)])
        if masked[top] < max(TRACKED_OVER_FLOOR * floor[row], beside):
            continue
        hertz = (carriers[row] + _peak_offset(masked, offsets)) * grid.bin_hz
        line = (number, hertz, min(1.0, masked[top] / (100 * floor[row])))
        better = _fit_series([*tracked, line], grid.bin_hz)
        if better is not None:
            tracked.append(line)
            (pitch, stiffness), last = better, max(last, number)
    return pitch, stiffness, last


def _dechirped(
    grid: EnvelopeGrid, spectrum: np.ndarray, carriers: np.ndarray, rates_hz_per_s: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the power of each carrier's band with its drift removed, and offsets in bins."""
    turned = grid.analyze(spectrum, carriers)
    turned *= np.exp(-1j * np.pi * rates_hz_per_s[:, None] * grid.time_s**2)
    length = 2 * grid.points
    power = np.abs(np.fft.fft(turned[:, np.argsort(grid.time_s)], length, axis=1)) ** 2
    full = np.hanning(grid.size).sum() * grid.points / grid.padded
    return power / full**2, np.fft.fftfreq(length, 1 / grid.points)


def _fit_series(
    tracked: list[tuple[float, float, float]], bin_hz: float
) -> tuple[float, float] | None:
    """Return pitch and stiffness from (number, hertz, weight) of tracked lines.

    None where neither a harmonic nor a stiff series passes within a bin of them all.
    """
    number, hertz, weight = np.array(tracked).T
    root = np.sqrt(weight)
    flat = float(np.sum(weight * number * hertz) / np.sum(weight * number**2))
    flat_off = root * (hertz - number * flat)
    if len(tracked) > 2:
        basis = np.stack([number, number * (number**2 - 1) / 2], axis=1) * root[:, None]
        solution = np.linalg.lstsq(basis, hertz * root, rcond=None)[0]
        stiffness = float(solution[1] / solution[0])
        stiff_off = root * hertz - basis @ solution
        better = np.sum(flat_off**2) > 6 * np.sum(stiff_off**2)
        better &= np.abs(flat_off).max() > 0.2 * bin_hz
        if better and 0 < stiffness < 2e-3 and np.abs(stiff_off).max() < WITHIN_BINS * bin_hz:
            return float(solution[0]), stiffness
    return (flat, 0.0) if np.abs(flat_off).max() < WITHIN_BINS * bin_hz else None
