"""The readings of a run, and what they say so far."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

from ..pitch.take import Take
from .fit_result import Aim
from .model import Model, ModelTerms, Points
from .readable_notes import near_mains

DOUBT_SIGMAS = 5.0
DOUBT_CENTS = 1.0
UNSTEADY_READING_CENTS = 1.0  # one sigma; such a reading is taken again
SCATTERED_NOTE_CENTS = 2.0  # three readings, no two of them closer
SAME_NOTE_CENTS = 0.5  # two readings of a note this close agree
SURPRISE_SIGMAS, SURPRISE_CENTS = 4.0, 0.5
WILD_CENTS = 300.0
LEAVES_SIGMAS, LEAVES_CENTS = 4.0, 3.0
DOUBT_ROUNDS = 4
CANDIDATES = 3  # looked at in each round


class RunReadings:
    """Takes that were read, without bend and with.

    Args:
        aim: what is measured.
    """

    def __init__(self, aim: Aim) -> None:
        self.aim = aim
        self.unbent: list[Take] = []
        self.bent: list[Take] = []
        self._model: Model | None = None
        self._bad = np.zeros(0, bool)
        self.excluded: set[int] = set()

    def __len__(self) -> int:
        """Number of different notes read well."""
        return len(self.notes())

    def add(self, take: Take) -> None:
        """Take a reading without bend."""
        self.unbent.append(take)
        self._model = None

    def add_bend(self, take: Take) -> None:
        """Take a reading of the bend tests; it does not count for the curve."""
        self.bent.append(take)

    def exclude(self, note: int) -> None:
        """Keep a note's readings out of the model; they stay for the profile."""
        self.excluded.add(note)
        self._model = None

    def good(self) -> list[Take]:
        """Return the readings that count for the model."""
        return [one for one in self.unbent if one.request.note not in self.excluded]

    def notes(self) -> list[int]:
        """Return the notes that were read well, rising."""
        return sorted({take.request.note for take in self.good()})

    def trouble(self, note: int) -> str:
        """Return why a note that was read twice is no use; "" if it is of use."""
        takes = [one for one in self.unbent if one.request.note == note]
        errors = np.array([self.error_of(one) for one in takes])
        sigmas = np.array([one.pitch.sigma_cents for one in takes if one.pitch is not None])
        if len(takes) > 1 and sigmas.min() > UNSTEADY_READING_CENTS:
            return "unsteady"
        steady = (
            errors[sigmas <= UNSTEADY_READING_CENTS]
            if sigmas.min() <= UNSTEADY_READING_CENTS
            else errors
        )
        if len(takes) > 2 and np.min(np.diff(np.sort(errors))) > SCATTERED_NOTE_CENTS:
            return "unsteady"
        good = [self.error_of(one) for one in self.good() if one.request.note != note]
        if len(good) >= 3 and np.min(np.abs(steady - np.median(good))) > self.aim.bend_range_cents:
            return "far off"
        return ""

    def counts(self) -> Counter[int]:
        """Return how often each note was read."""
        return Counter(take.request.note for take in self.unbent)

    def has_read(self, note: int) -> bool:
        return any(take.request.note == note for take in self.unbent)

    def first(self, note: int) -> Take | None:
        """Return the first reading of a note without bend."""
        return next((one for one in self.unbent if one.request.note == note), None)

    def surprising(self, take: Take, least_notes: int) -> bool:
        """Return whether a reading not yet added should be taken again.

        Args:
            heard: without bend.
            least_notes: with fewer notes read the model expects nothing.
        """
        assert take.pitch is not None
        sigma = take.pitch.sigma_cents
        if sigma > UNSTEADY_READING_CENTS or len(self) < least_notes:
            return sigma > UNSTEADY_READING_CENTS
        sigmas, cents = self.model().surprise(
            take.request.commanded_cents, self.error_of(take), sigma
        )
        limit = max(SURPRISE_CENTS, self.aim.tolerance_cents)
        return abs(sigmas) > SURPRISE_SIGMAS and abs(cents) > limit

    def leaves_curve(self, note: int) -> bool:
        """Return whether a note is where all others don't expect it."""
        others = [one for one in self.good() if one.request.note != note]
        takes = [one for one in self.good() if one.request.note == note]
        if not takes or len({one.request.note for one in others}) < 4:
            return False
        error = float(np.mean([self.error_of(one) for one in takes]))
        rest = Model(model_terms(self.aim), points_from(self, others))
        sigmas, cents = rest.surprise(100.0 * note, error, 0.0)
        return abs(sigmas) > LEAVES_SIGMAS and abs(cents) > LEAVES_CENTS

    def bend_of(self, note: int, bend_cents: float) -> Take | None:
        """Return the last reading of a note at a bend."""
        found = [
            one
            for one in self.bent
            if one.request.note == note and one.request.bend_cents == bend_cents
        ]
        return found[-1] if found else None

    def error_of(self, take: Take) -> float:
        """Return sounding less commanded, panel octaves taken out."""
        panel = 1200.0 * self.aim.panel_octaves
        return take.sounding_cents - take.request.commanded_cents - panel

    def largest_jump(self) -> int:
        """Return the note whose error differs most from that of the note above it."""
        errors = {one.request.note: self.error_of(one) for one in self.unbent}
        jumps = {n: abs(errors[n + 1] - e) for n, e in errors.items() if n + 1 in errors}
        return max(jumps, key=lambda n: jumps[n]) if jumps else self.notes()[0]

    def model(self) -> Model:
        """Return the model of all readings so far but the doubtful ones."""
        if self._model is None:
            points = points_from(self, self.good())
            self._bad = doubtful(model_terms(self.aim), points)
            self._model = Model(model_terms(self.aim), points.without(self._bad))
        return self._model

    def expected(self, commanded_cents: ArrayLike) -> np.ndarray:
        """Return where pitches should sound, cents above key 0, as far as is known by now."""
        commanded = np.atleast_1d(np.asarray(commanded_cents, float))
        panel = 1200.0 * self.aim.panel_octaves
        if not len(self):
            return commanded + panel
        errors = self.model().predict(commanded)[0]
        # Far from its readings a model may be wild; the reader looks half an octave around.
        usual = float(np.median([self.error_of(one) for one in self.good()]))
        return commanded + np.clip(errors, usual - WILD_CENTS, usual + WILD_CENTS) + panel

    def away_from_mains(self, notes: Iterable[int]) -> list[int]:
        """Return the notes that sound away from low multiples of the mains."""
        numbers = [int(note) for note in notes]
        sounding = self.expected(100.0 * np.array(numbers))
        return [
            note
            for note, cents in zip(numbers, sounding, strict=True)
            if not near_mains(float(cents), self.aim.mains_hz)
        ]

    def unconfirmed_note(self) -> int | None:
        """Return a note that only doubtful readings speak for, the last such; or None."""
        self.model()
        takes = self.good()
        bad = {one.request.note for one, off in zip(takes, self._bad, strict=True) if off}
        good = {one.request.note for one, off in zip(takes, self._bad, strict=True) if not off}
        left = [one.request.note for one in takes if one.request.note in bad - good]
        return left[-1] if left else None


def model_terms(aim: Aim) -> ModelTerms:
    """Return where the terms of the model stand."""
    return ModelTerms(100.0 * aim.lowest_note, 100.0 * aim.highest_note, 100.0 * aim.zero_volt_note)


def points_from(readings: RunReadings, takes: list[Take]) -> Points:
    """Return readings as columns."""
    pitches = [one.pitch for one in takes]
    return Points(
        np.array([one.request.commanded_cents for one in takes]),
        np.array([readings.error_of(one) for one in takes]),
        np.array([pitch.sigma_cents for pitch in pitches if pitch is not None]),
        np.array([one.at_s for one in takes]),
        np.array([one.request.note for one in takes]),
    )


def doubtful(shape: ModelTerms, points: Points) -> np.ndarray:
    """Return which readings the others speak against: bool, shape (n,).

    A reading is doubtful if without it the rest expects something else by
    ``DOUBT_SIGMAS`` and ``DOUBT_CENTS``, and no other reading of its note
    agrees with it.
    """
    bad = np.zeros(len(points.cents), bool)
    for _ in range(DOUBT_ROUNDS):
        left = np.flatnonzero(~bad)
        if len(left) < 5:
            break
        rest = points.without(bad)
        _, cents = Model(shape, rest).left_out()
        found = None
        for index in np.argsort(-np.abs(cents))[:CANDIDATES]:
            own, without = left[index], rest.without(int(index))
            if _confirmed(points, int(own), bad):
                continue
            sigmas, off = Model(shape, without).surprise(
                float(points.cents[own]), float(points.errors[own]), float(points.sigmas[own])
            )
            # An end reading has nothing beyond it to speak against it.
            if abs(sigmas) > DOUBT_SIGMAS and abs(off) > DOUBT_CENTS:
                found = own
                break
        if found is None:
            break
        bad[found] = True
    return bad


def _confirmed(points: Points, index: int, bad: np.ndarray) -> bool:
    same = (points.groups == points.groups[index]) & ~bad
    same[index] = False
    reach = SAME_NOTE_CENTS + 4.0 * (points.sigmas + points.sigmas[index])
    return bool(np.any(same & (np.abs(points.errors - points.errors[index]) < reach)))
