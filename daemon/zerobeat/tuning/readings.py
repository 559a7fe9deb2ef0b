"""Readings to knots: pooling, and the stretches where a voice can't be corrected.

All pitches are cents above key 0.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from ..errors import TrackingError
from .units import name_of_note, pitch_to_volts

POOL_CENTS = 1.0  # readings commanded this close to each other are of one note
TYPED_SPREAD_CENTS = 0.5  # of a reading that states none: a tuner's last digit is 0.1 to 1 cent
SIGMA_FLOOR_CENTS = 0.01  # no reading is trusted more than this
SCATTER_CENTS = 2.0  # readings of a note within so many cents are good enough
SCATTER_SIGMAS = 4.0  # and so are readings that stay within what they claim
LEAST_SLOPE = 0.05  # flatter counts as not rising: 1 cent heard would take 20 sent
MAX_READINGS = 4_000
_STEP_CENTS = 100.0


@dataclass(frozen=True, slots=True)
class Reading:
    """One measured pitch.

    Args:
        pitch_cents: commanded, in the key space of the converter's input.
        error_cents: sounding less commanded, sharp positive.
        sigma_cents: standard uncertainty of the error.
    """

    pitch_cents: float
    error_cents: float
    sigma_cents: float = 0.1


@dataclass(frozen=True, slots=True)
class Unusable:
    """A stretch of commanded pitch where the correction cannot be trusted."""

    lowest_cents: float
    highest_cents: float
    reason: str

    def describe(self, zero_volt_note: int, middle_c_octave: int = 4) -> str:
        """Return one line that names the stretch by notes and volts."""
        ends = [self.lowest_cents, self.highest_cents]
        names = [_name(cents, middle_c_octave) for cents in ends]
        volts = [f"{pitch_to_volts(cents, zero_volt_note):+.2f} V" for cents in ends]
        if names[0] == names[1]:
            return f"{names[0]}, {volts[0]}: {self.reason}"
        return f"{names[0]} to {names[1]}, {volts[0]} to {volts[1]}: {self.reason}"


def checked(readings: Iterable[Reading]) -> list[Reading]:
    """Return the readings by rising pitch.

    Raises:
        TrackingError: none, too many, or a value that is not finite.
    """
    found = sorted(readings, key=lambda reading: reading.pitch_cents)
    if not 0 < len(found) <= MAX_READINGS:
        raise TrackingError(f"readings: found {len(found)}; allowed: 1 to {MAX_READINGS}")
    for reading in found:
        values = (reading.pitch_cents, reading.error_cents, reading.sigma_cents)
        if not all(map(math.isfinite, values)) or reading.sigma_cents < 0.0:
            raise TrackingError(
                f"reading: found pitch {values[0]}, error {values[1]}, uncertainty {values[2]}; "
                "allowed: finite numbers, uncertainty 0 or more"
            )
    return found


def pool(
    readings: list[Reading],
) -> tuple[list[float], list[float], list[float], list[Unusable]]:
    """Return pitch, sounding and uncertainty of each note, and where readings scatter."""
    notes: list[list[Reading]] = []
    for reading in readings:
        if notes and reading.pitch_cents - notes[-1][0].pitch_cents <= POOL_CENTS:
            notes[-1].append(reading)
        else:
            notes.append([reading])
    x: list[float] = []
    y: list[float] = []
    sigmas: list[float] = []
    scattered: list[tuple[int, float]] = []
    for note in notes:
        spread = _pool_note(note, x, y, sigmas)
        if spread:
            scattered.append((len(x) - 1, spread))
    unusable = []
    for i, spread in scattered:
        low = (x[i - 1] + x[i]) / 2.0 if i else x[i]
        high = (x[i] + x[i + 1]) / 2.0 if i + 1 < len(x) else x[i]
        unusable.append(Unusable(low, high, f"readings scatter by {spread:.1f} cents"))
    return x, y, sigmas, unusable


def _pool_note(note: list[Reading], x: list[float], y: list[float], sigmas: list[float]) -> float:
    """Append the weighted means of one note; return the spread if it is too wide, else 0."""
    sigma = [max(reading.sigma_cents, SIGMA_FLOOR_CENTS) for reading in note]
    weights = [1.0 / s**2 for s in sigma]
    total = math.fsum(weights)
    first = note[0].pitch_cents  # equal pitches keep their very value
    apart = math.fsum(w * (r.pitch_cents - first) for w, r in zip(weights, note, strict=True))
    pitch = first + apart / total
    error = math.fsum(w * r.error_cents for w, r in zip(weights, note, strict=True)) / total
    off = [(r.error_cents - error) / s for r, s in zip(note, sigma, strict=True)]
    # Where readings disagree more than they claim, their uncertainty grows by
    # the Birge ratio, as the Particle Data Group does.
    ratio = math.sqrt(math.fsum(z * z for z in off) / (len(note) - 1)) if len(note) > 1 else 0.0
    x.append(pitch)
    y.append(pitch + error)
    sigmas.append(max(1.0, ratio) / math.sqrt(total))
    errors = [reading.error_cents for reading in note]
    spread = max(errors) - min(errors)
    too_wide = spread > SCATTER_CENTS and max(ratio, *map(abs, off)) > SCATTER_SIGMAS
    return spread if too_wide else 0.0


def rising(x: Sequence[float], y: Sequence[float]) -> list[int]:
    """Return the largest set of knots through which pitch rises.

    Of sets equally large, the one with the least change of error along it: on
    a flat stretch that is the knot next to where the rise begins.
    """
    n = len(x)
    if all(y[i] - y[i - 1] >= LEAST_SLOPE * (x[i] - x[i - 1]) for i in range(1, n)):
        return list(range(n))
    best = [(1, 0.0)] * n  # knots so far, less change is better
    before = [-1] * n
    for i in range(n):
        for j in range(i):
            rise, run = y[i] - y[j], x[i] - x[j]
            if rise < LEAST_SLOPE * run:
                continue
            chain = (best[j][0] + 1, best[j][1] - abs(rise - run))
            if chain > best[i]:
                best[i], before[i] = chain, j
    at = max(range(n), key=lambda i: best[i])
    kept = []
    while at >= 0:
        kept.append(at)
        at = before[at]
    return kept[::-1]


def left_out(x: Sequence[float], kept: list[int]) -> list[Unusable]:
    """Return the stretches around knots that were left out."""
    unusable = []
    edges = [-1, *kept, len(x)]
    for low, high in pairwise(edges):
        if high - low > 1:
            lowest, highest = x[max(low, 0)], x[min(high, len(x) - 1)]
            unusable.append(Unusable(lowest, highest, "pitch does not rise with the note"))
    return unusable


def beyond_range(
    knots: Sequence[float], sounding: Callable[[float], float], bend_range_cents: float
) -> list[Unusable]:
    """Return the stretches whose correction is larger than the bend range."""
    steps = int((knots[-1] - knots[0]) / _STEP_CENTS)
    between = (knots[0] + _STEP_CENTS * i for i in range(steps + 1))
    unusable: list[Unusable] = []
    lowest = None
    largest = 0.0
    last = knots[0]
    for x in sorted({*knots, *between}):
        error = sounding(x) - x
        if abs(error) > bend_range_cents:
            lowest = x if lowest is None else lowest
            largest = error if abs(error) > abs(largest) else largest
        elif lowest is not None:
            unusable.append(_too_far(lowest, last, largest, bend_range_cents))
            lowest, largest = None, 0.0
        last = x
    if lowest is not None:
        unusable.append(_too_far(lowest, last, largest, bend_range_cents))
    return unusable


def _too_far(lowest: float, highest: float, error: float, range_cents: float) -> Unusable:
    reason = f"{error:+.0f} cents off, more than the bend range of {range_cents:.0f} corrects"
    return Unusable(lowest, highest, reason)


def _name(pitch_cents: float, middle_c_octave: int) -> str:
    note = math.floor(pitch_cents / 100.0 + 0.5)
    return f"{name_of_note(note, middle_c_octave)} ({note})"
