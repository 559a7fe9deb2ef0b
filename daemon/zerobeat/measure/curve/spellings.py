"""A converter's errors by note number, without a meter: one pitch, played as two notes.

Note n with bend +50 and note n + 1 with bend -50 command one pitch. What sounds differs by

    d(n) = e(n) - e(n + 1) + a constant

whatever the oscillator: e is the converter's error of each number, the constant that of the
bend. A converter that errs by volts puts the same volts out for both, so d is 0 but for the
rounding to its steps. Where d shows errors by number, a second pair, +100 and 0 on the same
numbers, tells them from rounding, which differs from pitch to pitch.

A chain of differences drifts: 60 of them, each good to 0.14 cents, leave 0.6. So a third pair
spans as many semitones as the bend range allows, and all readings are fitted together: the
oscillator is a smooth curve, which anchors the chain, with a part of its own at each pitch
that both spellings share. e is known up to a constant and a straight line, which stay in the
curve. A bend whose gain varies by note can't be told from errors by number.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...errors import VoiceMeasureError
from ...tuning.readings import LEAST_SLOPE
from ...tuning.tracking import TrackingCurve
from ..pitch.take import PERIODS, Progress, Take, TakeRequest
from .fit_result import Aim, CurveFit, NoteReading
from .model import (
    DRIFT_CENTS_PER_S,
    LIGHTEST,
    READING_FLOOR_CENTS,
    REST_CENTS,
    REST_OCTAVES,
    REST_USUAL_CENTS,
    USUAL_WIDTH,
    WALK_CENTS,
    ModelTerms,
)
from .run_readings import model_terms

HALF_CENTS, WHOLE_CENTS = 50.0, 100.0  # of the first pair, and of the second
MOST_FAR_SEMITONES = 6  # of the third pair's bends
SPELLING_S = 0.3
LEAST_SPELLED = 8  # notes; fewer show no line
SPELLING_TRIES = 3
MOST_REFUSED_SPELLINGS = 4  # takes in a row; the rest of that side is left out
NUMBER_CENTS, NUMBER_SIGMAS = 0.5, 5.0  # a difference beyond both is no noise
NUMBER_STEPS = 1.5  # of the converter; less may be rounding
BEND_ERROR_CENTS = 20.0  # prior sigma of a bend's own error
NOTE_CENTS = (0.02, 0.3, 1.0, 3.0, 10.0, 30.0)  # sigma of the errors by number
SHARED_CENTS = (0.02, 0.15, 1.0, 4.0)  # sigma of what the spellings of a pitch share
SHARED_USUAL_CENTS = 0.08
Pair = tuple[tuple[int, float], ...]  # note and bend, a note above and its bend


@dataclass(frozen=True, slots=True)
class SpelledErrors:
    """What two spellings of each pitch show of a converter.

    Attributes:
        voice: that was heard.
        follow: what its errors follow.
        notes: (note, cents, sigma) of the errors by number, without a constant and a line;
            empty where they follow volts.
        step_cents: the rounding that was seen; 0.0 where none was.
        differs_cents: largest difference of two spellings from the usual one.
        sigma_cents: of such a difference.
        fit: the voice's curve and readings; None where the errors follow volts.
    """

    voice: str
    follow: Literal["number", "volts"]
    notes: tuple[tuple[int, float, float], ...]
    step_cents: float
    differs_cents: float
    sigma_cents: float
    fit: CurveFit | None


class SpellingsPlan:
    """Requests each pitch as two notes, from the middle outwards, pair by pair.

    Args:
        aim: its range of notes; its bend range must reach a semitone.

    Raises:
        VoiceMeasureError: bend range or range of notes are too small.
    """

    def __init__(self, aim: Aim) -> None:
        if aim.bend_range_cents < WHOLE_CENTS:
            raise VoiceMeasureError(
                aim.voice,
                f"found a bend range of {aim.bend_range_cents / 100.0:g} semitones; needed for "
                "two spellings of a pitch: 1 or more",
            )
        if aim.highest_note - aim.lowest_note < LEAST_SPELLED:
            raise VoiceMeasureError(
                aim.voice,
                f"found {aim.highest_note - aim.lowest_note + 1} notes; needed for two spellings "
                f"of each pitch: {LEAST_SPELLED + 1} or more",
            )
        self._aim = aim
        self._queue: deque[tuple[int, float]] = deque()
        self._sides = _sides(aim, HALF_CENTS, -HALF_CENTS)
        self._later = [(WHOLE_CENTS, 0.0)]  # pairs that only errors by number need
        far = min(int(aim.bend_range_cents // 100.0), MOST_FAR_SEMITONES)
        if far > 1 and aim.highest_note - aim.lowest_note - 2 * far >= LEAST_SPELLED:
            self._later.append((100.0 * far, -100.0 * far))
        self._tries = 0
        self._silent = 0
        self._total = 0
        self._sound_s = 0.0
        self._refused = 0
        self.takes: list[Take] = []  # that were read

    def next(self) -> TakeRequest | None:
        """Return the next request; None when both spellings of every pitch were read."""
        while not self._queue:
            if self._sides:
                pair = next(self._sides[0], None)
                if pair is None:
                    self._sides.pop(0)
                    self._silent = 0
                else:
                    self._queue.extend(pair)
            elif self._later and self._shows_something():
                self._sides = _sides(self._aim, *self._later.pop(0))
            else:
                return None
        note, bend_cents = self._queue[0]
        commanded = 100.0 * note + bend_cents
        expected = commanded + 1200.0 * self._aim.panel_octaves + self._error_beside(commanded)
        hertz = 440.0 * 2.0 ** ((expected - 6900.0) / 1200.0)
        return TakeRequest(
            self._aim.voice,
            note,
            bend_cents,
            max(SPELLING_S, PERIODS / hertz),
            "bend" if bend_cents else "reading",
            self._aim.settle_s,
            expected,
        )

    def add(self, take: Take) -> None:
        """Add the take of the last request; a refused one is asked for again."""
        self._total += 1
        self._sound_s += take.request.seconds
        self._tries += 1
        if take.pitch is None:
            self._refused += 1
            self._silent += 1
            if self._tries < SPELLING_TRIES:
                return
            if self._silent >= MOST_REFUSED_SPELLINGS and self.takes and self._sides:
                self._sides.pop(0)
                self._queue.clear()
        else:
            self._silent = 0
            self.takes.append(take)
        self._tries = 0
        if self._queue:
            self._queue.popleft()

    def progress(self) -> Progress:
        """Return the progress, for a line on the screen."""
        doing = "spelled" if not self._queue else f"note {self._queue[0][0]}, two ways"
        return Progress(
            self._aim.voice,
            self._total,
            self._refused,
            self._sound_s,
            None,
            self._aim.tolerance_cents,
            doing,
        )

    def result(self) -> SpelledErrors:
        """Return what the readings show.

        Raises:
            VoiceMeasureError: too few were read.
        """
        first = _differences(self.takes, HALF_CENTS, -HALF_CENTS)
        if len(first.notes) < LEAST_SPELLED:
            raise VoiceMeasureError(
                self._aim.voice,
                f"found {len(first.notes)} pitches that could be read as two notes; needed: "
                f"{LEAST_SPELLED} or more",
            )
        second = _differences(self.takes, WHOLE_CENTS, 0.0)
        step = _rounding(first, second)
        differs = float(np.abs(first.cents).max())
        if not _by_number(first, second, step):
            return SpelledErrors(
                self._aim.voice, "volts", (), step, differs, first.sigma_cents, None
            )
        notes, fit = _fit(self._aim, self.takes, step, self._total, self._sound_s)
        return SpelledErrors(
            self._aim.voice, "number", notes, step, differs, first.sigma_cents, fit
        )

    def _shows_something(self) -> bool:
        first = _differences(self.takes, HALF_CENTS, -HALF_CENTS)
        return len(first.notes) >= LEAST_SPELLED and bool(np.any(first.no_noise()))

    def _error_beside(self, commanded_cents: float) -> float:
        """Return the error of the nearest pitch that was read, from the panel's pitch."""
        if not self.takes:
            return 0.0
        near = min(self.takes, key=lambda one: abs(one.request.commanded_cents - commanded_cents))
        return near.sounding_cents - near.request.commanded_cents - 1200.0 * self._aim.panel_octaves


def _sides(aim: Aim, up_cents: float, down_cents: float) -> list[Iterator[Pair]]:
    """Return the pairs from the middle upwards, and those from the middle downwards."""
    apart = round((up_cents - down_cents) / 100.0)
    middle = (aim.lowest_note + aim.highest_note - apart) // 2
    above = range(middle, aim.highest_note - apart + 1)
    below = range(middle - 1, aim.lowest_note - 1, -1)
    pairs = [[((n, up_cents), (n + apart, down_cents)) for n in side] for side in (above, below)]
    upwards: list[Pair] = [*pairs[0]]
    downwards: list[Pair] = [*pairs[1]]
    if down_cents == 0.0:
        downwards.append(((aim.lowest_note, 0.0),))  # so that every note is read without bend
    return [iter(upwards), iter(downwards)]


@dataclass(frozen=True, slots=True)
class _Differences:
    """Differences of two spellings, less their median: by the lower of the two notes."""

    notes: np.ndarray
    cents: np.ndarray
    sigma_cents: float

    def no_noise(self) -> np.ndarray:
        """Return which are too large for noise."""
        return np.asarray(
            np.abs(self.cents) > max(NUMBER_CENTS, NUMBER_SIGMAS * self.sigma_cents), bool
        )


def _differences(takes: Sequence[Take], up_cents: float, down_cents: float) -> _Differences:
    up = {t.request.note: t for t in takes if t.request.bend_cents == up_cents}
    down = {t.request.note: t for t in takes if t.request.bend_cents == down_cents}
    notes = sorted(note for note in up if note + 1 in down)
    cents = np.array([up[n].sounding_cents - down[n + 1].sounding_cents for n in notes])
    sigmas = [
        one.pitch.sigma_cents
        for n in notes
        for one in (up[n], down[n + 1])
        if one.pitch is not None
    ]
    usual = float(np.median(sigmas)) if sigmas else 1.0
    sigma = math.sqrt(2.0) * math.hypot(usual, READING_FLOOR_CENTS)
    return _Differences(np.array(notes), cents - np.median(cents) if notes else cents, sigma)


def _rounding(first: _Differences, second: _Differences) -> float:
    """Return the converter's step, as far as the two pairs disagree; 0.0 where they agree.

    One pair's disagreement may be a slip of the reader; rounding shows in more.
    """
    shared = np.intersect1d(first.notes, second.notes)
    if len(shared) < LEAST_SPELLED:
        return 0.0
    one = first.cents[np.searchsorted(first.notes, shared)]
    other = second.cents[np.searchsorted(second.notes, shared)]
    apart = np.sort(np.abs(one - other))
    noise = NUMBER_SIGMAS * math.hypot(first.sigma_cents, second.sigma_cents)
    return float(apart[-2]) if apart[-2] > noise else 0.0


def _by_number(first: _Differences, second: _Differences, step_cents: float) -> bool:
    """Return whether a difference repeats in both pairs and is too large for rounding."""
    shared = np.intersect1d(first.notes, second.notes)
    one = first.cents[np.searchsorted(first.notes, shared)]
    other = second.cents[np.searchsorted(second.notes, shared)]
    repeats = np.where(one * other > 0.0, np.minimum(np.abs(one), np.abs(other)), 0.0)
    sigma = max(first.sigma_cents, second.sigma_cents)
    limit = max(NUMBER_CENTS, NUMBER_SIGMAS * sigma, NUMBER_STEPS * step_cents)
    return bool(len(shared)) and bool(repeats.max() > limit)


# ---------------------------------------------------------------- all readings together


@dataclass(frozen=True, slots=True)
class _Columns:
    """The readings as columns, each of shape (n,)."""

    note: np.ndarray
    bend: np.ndarray
    commanded: np.ndarray
    errors: np.ndarray
    sigmas: np.ndarray
    at_s: np.ndarray
    slope: np.ndarray  # sounding cents for one cent more of volts


def _columns(aim: Aim, takes: Sequence[Take], step_cents: float) -> _Columns:
    commanded = np.array([one.request.commanded_cents for one in takes])
    sounding = np.array([one.sounding_cents for one in takes])
    errors = sounding - commanded - 1200.0 * aim.panel_octaves
    sigmas = np.array([one.pitch.sigma_cents for one in takes if one.pitch is not None])
    sigmas = np.hypot(sigmas, step_cents / math.sqrt(12.0))
    shape = np.polynomial.Polynomial.fit(commanded, errors, 2)
    return _Columns(
        np.array([one.request.note for one in takes]),
        np.array([one.request.bend_cents for one in takes]),
        commanded,
        errors,
        sigmas,
        np.array([one.at_s for one in takes]) - takes[-1].at_s,
        1.0 + shape.deriv()(commanded),
    )


class _JointFit:
    """The posterior of errors by number, of the curve and of drift, given all readings."""

    def __init__(self, terms: ModelTerms, read: _Columns) -> None:
        self.terms, self.read = terms, read
        self.numbers = np.unique(read.note)
        self._mean = float(read.errors.mean())
        self._own = (read.note[:, None] == self.numbers) * read.slope[:, None]
        self._solved = self._solve()

    def _solve(self) -> list[tuple[float, float, float, float, np.ndarray]]:
        """Return (weight, note, rest, octaves, inverse) of the likely hyperparameters."""
        read = self.read
        count = len(read.errors)
        off = read.errors - self._mean
        basis = self.terms.basis(read.commanded)
        bends = (read.bend[:, None] == np.setdiff1d(read.bend, [0.0])) * read.slope[:, None]
        fixed = basis @ basis.T + BEND_ERROR_CENTS**2 * bends @ bends.T + self._drift(read.at_s)
        fixed += np.diag(read.sigmas**2 + READING_FLOOR_CENTS**2) + 1e-8 * np.eye(count)
        pitch = np.round(read.commanded).astype(int)
        same_pitch = (pitch[:, None] == pitch).astype(float)
        same_note = self._own @ self._own.T
        found = []
        for octaves in REST_OCTAVES:
            bell = self._bell(read.commanded, octaves)
            for rest in REST_CENTS:
                for shared in SHARED_CENTS:
                    base = fixed + rest**2 * bell + shared**2 * same_pitch
                    for note in NOTE_CENTS:
                        lower = np.linalg.cholesky(base + note**2 * same_note)
                        half = np.linalg.solve(lower, off)
                        evidence = -0.5 * float(half @ half) - np.log(np.diag(lower)).sum()
                        evidence += _log_prior(rest, REST_USUAL_CENTS)
                        evidence += _log_prior(shared, SHARED_USUAL_CENTS)
                        found.append((float(evidence), note, rest, octaves, shared))
        best = max(found)[0]
        heavy = [one for one in found if one[0] - best > LIGHTEST]
        total = math.fsum(math.exp(one[0] - best) for one in heavy)
        return [
            (
                math.exp(evidence - best) / total,
                note,
                rest,
                octaves,
                np.linalg.inv(
                    fixed
                    + rest**2 * self._bell(read.commanded, octaves)
                    + shared**2 * same_pitch
                    + note**2 * same_note
                ),
            )
            for evidence, note, rest, octaves, shared in heavy
        ]

    def _drift(self, other_s: np.ndarray) -> np.ndarray:
        """Return the covariance of drift at the readings: a line and a random walk."""
        a, b = -self.read.at_s[:, None], -other_s[None, :]
        return np.asarray(DRIFT_CENTS_PER_S**2 * a * b + WALK_CENTS**2 * np.minimum(a, b), float)

    def _bell(self, cents: np.ndarray, octaves: float) -> np.ndarray:
        apart = (cents[:, None] - self.read.commanded[None, :]) / (1200.0 * octaves)
        return np.asarray(np.exp(-0.5 * apart**2), float)

    def errors_by_number(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return errors by number without their line, their sigmas, and the line."""
        off = self.read.errors - self._mean
        mean = np.zeros(len(self.numbers))
        square = np.zeros((len(mean), len(mean)))
        for weight, note, _, _, inverse in self._solved:
            across = note**2 * self._own.T
            own = across @ inverse @ off
            mean += weight * own
            prior = note**2 * np.eye(len(mean)) - across @ inverse @ across.T
            square += weight * (prior + np.outer(own, own))
        covariance = square - np.outer(mean, mean)
        line = np.stack([np.ones(len(mean)), self.numbers - self.numbers.mean()], axis=1)
        onto = line @ np.linalg.pinv(line)
        rest = np.eye(len(mean)) - onto
        sigmas = np.sqrt(np.maximum(np.diag(rest @ covariance @ rest.T), 0.0))
        return rest @ mean, sigmas, onto @ mean

    def curve_errors(self, cents: np.ndarray) -> np.ndarray:
        """Return the smooth curve's errors at volts, as commanded cents, without the line."""
        off = self.read.errors - self._mean
        found = np.full(cents.shape, self._mean)
        terms = self.terms.basis(cents) @ self.terms.basis(self.read.commanded).T
        for weight, _, rest, octaves, inverse in self._solved:
            across = terms + rest**2 * self._bell(cents, octaves)
            found += weight * (across @ inverse @ off)
        return found

    def drift_cents(self) -> np.ndarray:
        """Return how much sharper the voice was at each reading than at the last one."""
        off = self.read.errors - self._mean
        return np.asarray(
            sum(
                w * (self._drift(self.read.at_s) @ inverse @ off) for w, *_, inverse in self._solved
            )
        )


def _fit(
    aim: Aim, takes: Sequence[Take], step_cents: float, total: int, sound_s: float
) -> tuple[tuple[tuple[int, float, float], ...], CurveFit]:
    """Return the errors by number, and the voice's curve without them."""
    read = _columns(aim, takes, step_cents)
    joint = _JointFit(model_terms(aim), read)
    errors, sigmas, line = joint.errors_by_number()
    numbers = joint.numbers
    drift = joint.drift_cents()
    commanded = 100.0 * numbers
    sounding = commanded + joint.curve_errors(commanded) + line
    kept = [0]
    for index in range(1, len(numbers)):
        rise = commanded[index] - commanded[kept[-1]]
        if sounding[index] - sounding[kept[-1]] >= LEAST_SLOPE * rise:
            kept.append(index)
    curve = TrackingCurve(
        tuple(float(commanded[i]) for i in kept),
        tuple(round(float(sounding[i]), 4) for i in kept),
        (),
        tuple(float(sigmas[i]) for i in kept),
    )
    plain = np.flatnonzero(read.bend == 0.0)
    readings = tuple(
        NoteReading(
            int(read.note[i]),
            0.0,
            round(float(read.errors[i] - drift[i]), 4),
            round(max(float(read.sigmas[i]), 0.005), 4),
            float(takes[int(i)].at_s),
            round(float(drift[i]), 4),
        )
        for i in plain
    )
    minutes = max(float(np.ptp(read.at_s)) / 60.0, 1e-9)
    found = tuple(
        (int(n), round(float(e), 4), round(float(s), 4))
        for n, e, s in zip(numbers, errors, sigmas, strict=True)
    )
    fit = CurveFit(
        voice=aim.voice,
        readings=readings,
        curve=curve,
        worst_cents=float(2.0 * sigmas.max()),
        rough_cents=float(np.std(errors)),
        drift_cents_per_min=-float(drift[int(np.argmin(read.at_s))]) / minutes,
        errors_follow="number",
        panel_octaves=aim.panel_octaves,
        takes=total,
        sound_s=sound_s,
    )
    return found, fit


def _log_prior(spread: float, usual: float) -> float:
    return -0.5 * (math.log(spread / usual) / USUAL_WIDTH) ** 2
