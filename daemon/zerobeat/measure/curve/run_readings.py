"""The readings of a run, the model of them so far, and which of them are doubtful."""

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
UNSTEADY_READING_CENTS = 1.0  # one sigma; such a reading is repeated
SCATTERED_NOTE_CENTS = 2.0  # three readings of a note of which no two are closer
SAME_NOTE_CENTS = 0.5  # two readings of a note this close agree
SURPRISE_SIGMAS, SURPRISE_CENTS = 4.0, 0.5
EXTRAPOLATED_CENTS = 300.0  # from the median error, at most
LEAVES_SIGMAS, LEAVES_CENTS = 4.0, 3.0
DOUBT_ROUNDS = 4
WRONG_NOTE_CENTS, WRONG_NOTE_SIGMAS = 0.8, 4.0  # from the curve of all other notes
MOST_SUSPECTS = 3  # checked in each round


class RunReadings:
    """The takes of a run that were read, without bend and with bend.

    Args:
        aim: of the plan.
    """

    def __init__(self, aim: Aim) -> None:
        self.aim = aim
        self.unbent: list[Take] = []
        self.bent: list[Take] = []
        self._model: Model | None = None
        self._bad = np.zeros(0, bool)
        self.excluded: set[int] = set()
        self.wrong: set[int] = set()  # notes of the converter that leave the curve, confirmed

    def __len__(self) -> int:
        """Return the number of different notes in the model."""
        return len(self.notes())

    def add(self, take: Take) -> None:
        """Add a reading without bend."""
        self.unbent.append(take)
        self._model = None

    def add_bend(self, take: Take) -> None:
        """Add a reading of the bend tests; it is no part of the curve."""
        self.bent.append(take)

    def exclude(self, note: int) -> None:
        """Exclude a note's readings from the model; the fit still lists them."""
        self.excluded.add(note)
        self._model = None

    def good(self) -> list[Take]:
        """Return the readings that are in the model."""
        out = self.excluded | self.wrong
        return [one for one in self.unbent if one.request.note not in out]

    def judge_suspect(self, note: int) -> bool:
        """Decide on a note that seems to leave the curve; return whether it is a wrong note.

        It is where two readings agree and both lie off the curve of all other notes; it
        then keeps its own error, which the smooth curve does not follow.
        """
        self.wrong.discard(note)
        self._model = None
        takes = [one for one in self.unbent if one.request.note == note]
        others = [one for one in self.good() if one.request.note != note]
        if len(takes) < 2 or len({one.request.note for one in others}) < 4:
            return False
        errors = np.array([self.error_of(one) for one in takes[-2:]])
        points = points_from(self, others)
        bad = doubtful(model_terms(self.aim), points)
        mean, sigma = Model(model_terms(self.aim), points.without(bad)).predict([100.0 * note])
        off = errors - mean[0]
        agree = np.ptp(errors) < SAME_NOTE_CENTS + 0.1 * np.abs(off).min()
        far = np.abs(off).min() > max(WRONG_NOTE_CENTS, WRONG_NOTE_SIGMAS * float(sigma[0]))
        if agree and far:
            self.wrong.add(note)
        return bool(agree and far)

    def notes(self) -> list[int]:
        """Return the notes in the model, rising."""
        return sorted({take.request.note for take in self.good()})

    def trouble(self, note: int) -> str:
        """Return why a note that was read more than once is unusable; "" if it is usable."""
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
        """Return how often each note was read without bend."""
        return Counter(take.request.note for take in self.unbent)

    def has_read(self, note: int) -> bool:
        return any(take.request.note == note for take in self.unbent)

    def first(self, note: int) -> Take | None:
        """Return the first reading of a note without bend."""
        return next((one for one in self.unbent if one.request.note == note), None)

    def surprising(self, take: Take, least_notes: int) -> bool:
        """Return whether a reading not yet added should be repeated.

        Args:
            take: without bend.
            least_notes: with fewer notes the model predicts too little to compare.
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
        """Return whether a note lies off the curve that all other notes predict."""
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
        """Return sounding less commanded pitch in cents, panel octaves removed."""
        panel = 1200.0 * self.aim.panel_octaves
        return take.sounding_cents - take.request.commanded_cents - panel

    def largest_jump(self) -> int:
        """Return the note whose error differs most from that of the note above it."""
        errors = {one.request.note: self.error_of(one) for one in self.unbent}
        jumps = {n: abs(errors[n + 1] - e) for n, e in errors.items() if n + 1 in errors}
        return max(jumps, key=lambda n: jumps[n]) if jumps else self.notes()[0]

    def model(self) -> Model:
        """Return the model of all readings so far except doubtful ones."""
        if self._model is None:
            points = points_from(self, self.good())
            self._bad = doubtful(model_terms(self.aim), points)
            self._model = Model(model_terms(self.aim), points.without(self._bad))
        return self._model

    def expected(self, commanded_cents: ArrayLike) -> np.ndarray:
        """Return where commanded pitches should sound by the model so far, cents above key 0."""
        commanded = np.atleast_1d(np.asarray(commanded_cents, float))
        panel = 1200.0 * self.aim.panel_octaves
        if not len(self):
            return commanded + panel
        errors = self.model().predict(commanded)[0]
        # Extrapolation is clipped: the pitch reader searches half an octave about it only.
        usual = float(np.median([self.error_of(one) for one in self.good()]))
        return (
            commanded
            + np.clip(errors, usual - EXTRAPOLATED_CENTS, usual + EXTRAPOLATED_CENTS)
            + panel
        )

    def away_from_mains(self, notes: Iterable[int]) -> list[int]:
        """Return those of some notes that sound away from low multiples of the mains."""
        numbers = [int(note) for note in notes]
        sounding = self.expected(100.0 * np.array(numbers))
        return [
            note
            for note, cents in zip(numbers, sounding, strict=True)
            if not near_mains(float(cents), self.aim.mains_hz)
        ]

    def unconfirmed_note(self) -> int | None:
        """Return the last note that has doubtful readings only; None if there is none."""
        self.model()
        takes = self.good()
        bad = {one.request.note for one, off in zip(takes, self._bad, strict=True) if off}
        good = {one.request.note for one, off in zip(takes, self._bad, strict=True) if not off}
        left = [one.request.note for one in takes if one.request.note in bad - good]
        return left[-1] if left else None


def model_terms(aim: Aim) -> ModelTerms:
    """Return the physical terms of the model for an aim."""
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


def doubtful(terms: ModelTerms, points: Points) -> np.ndarray:
    """Return which readings contradict the others: bool, shape (n,).

    A reading is doubtful if it differs from the prediction of the rest by
    ``DOUBT_SIGMAS`` and ``DOUBT_CENTS``, and no other reading of its note
    agrees with it.
    """
    bad = np.zeros(len(points.cents), bool)
    for _ in range(DOUBT_ROUNDS):
        left = np.flatnonzero(~bad)
        if len(left) < 5:
            break
        rest = points.without(bad)
        _, cents = Model(terms, rest).left_out()
        found = None
        for index in np.argsort(-np.abs(cents))[:MOST_SUSPECTS]:
            own, without = left[index], rest.without(int(index))
            if _confirmed(points, int(own), bad):
                continue
            sigmas, off = Model(terms, without).surprise(
                float(points.cents[own]), float(points.errors[own]), float(points.sigmas[own])
            )
            # At an end the prediction's own sigma is large, so an end is rarely doubtful.
            if abs(sigmas) > DOUBT_SIGMAS and abs(off) > DOUBT_CENTS:
                found = own
                break
        if found is None:
            break
        bad[found] = True
    return bad


def _confirmed(points: Points, index: int, bad: np.ndarray) -> bool:
    """Return whether another reading of the same note agrees with a reading."""
    same = (points.groups == points.groups[index]) & ~bad
    same[index] = False
    reach = SAME_NOTE_CENTS + 4.0 * (points.sigmas + points.sigmas[index])
    return bool(np.any(same & (np.abs(points.errors - points.errors[index]) < reach)))
