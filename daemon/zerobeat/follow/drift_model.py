"""The model of a voice's drift: offset, stretch and rate, with their uncertainty.

A Kalman filter a voice. Its state is the offset at the voice's reference pitch, its rate, the
stretch, the share of follow's own moves that the input does not show (0 for a voice that can be
followed, 1 for a slave of another oscillator or a swapped cable), and the error that the profile
has at each note that was read: that error is shared by all readings of the note, so it does not
average away with them. Moves are steps and drift is smooth, which tells the two apart. Changes
of temperature alter both offset and stretch: some cents an octave at 10 K without compensation,
0.2 to 3 with it (the law of the exponential converter).

No published warm-up constant exists. The priors here are assumptions: they bound how fast
drift is believed to be, and a voice's own readings decide within them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

CENTS_PER_ROOT_S = 0.5 / math.sqrt(60.0)  # the random walk of the offset
RATE_CENTS_PER_S = 2.0 / 60.0  # one sigma of the rate, while it is unknown
RATE_MEMORY_S = 180.0  # after so long without a reading little is known of the rate
STRETCH_PER_ROOT_S = 0.1 / math.sqrt(60.0)  # cents an octave
STRETCH_SIGMA = 1.0  # at the start, cents an octave
FRESH_SIGMA_CENTS = 3.0  # of the offset of a voice whose last reading is days old
NOTE_SIGMA_CENTS = 0.15  # of the profile's error at a note
LEAST_SIGMA_CENTS = 0.06  # of a reading: wander of the oscillator within seconds
UNSHOWN_SIGMA = 0.7  # of the share of moves that the input does not show, at the start
STEP_SIGMA_CENTS = 0.5  # of the offset then
STEPS_SHOWN_SIGMA = 0.2  # of it, once an oscillator has shown whole steps
UNSHOWN_ALLOWED = 0.35  # of it in what is taken out; more is no voice to follow
UNSHOWN_PER_ROOT_S = 0.05 / math.sqrt(600.0)  # a cable may be pulled later
MOST_NOTES_KNOWN = 48
_OFFSET, _RATE, _STRETCH, _UNSHOWN = range(4)


@dataclass(frozen=True, slots=True)
class DriftReading:
    """One reading of a voice.

    Attributes:
        at_s: middle of the stretch that was read.
        pitch_cents: that should have been heard.
        drift_cents: what was heard, less what the profile says of what was sent.
        sigma_cents: of the reading.
        applied_cents: what was taken out of the note.
        since_onset_s, interval_cents, velocity, level_dbfs: what a reading must not depend on.
        slope_cents_per_s: how the pitch moved within the stretch, and ``slope_sigma``.
    """

    at_s: float
    pitch_cents: float
    drift_cents: float
    sigma_cents: float
    applied_cents: float = 0.0
    since_onset_s: float = 0.0
    interval_cents: float = 0.0
    velocity: float = 64.0
    level_dbfs: float = -20.0
    slope_cents_per_s: float = 0.0
    slope_sigma: float = 1.0


class DriftModel:
    """The drift of one voice.

    Args:
        reference_cents: the pitch at which ``offset`` is stated.
        at_s: monotonic seconds.
        offset_cents, stretch_cents: what was believed before, ``age_s`` ago.
        age_s: infinity where nothing was.
        note_sigma_cents: of the profile's error at a note.
    """

    def __init__(
        self,
        reference_cents: float,
        at_s: float,
        offset_cents: float = 0.0,
        stretch_cents: float = 0.0,
        age_s: float = math.inf,
        note_sigma_cents: float = NOTE_SIGMA_CENTS,
    ) -> None:
        self.reference_cents = reference_cents
        self._note_sigma_cents = note_sigma_cents
        self.at_s = at_s
        self.read_at_s = at_s - min(age_s, 1e9)
        known = min(FRESH_SIGMA_CENTS, 0.2 + CENTS_PER_ROOT_S * math.sqrt(min(age_s, 1e9)))
        self._applied_cents: float | None = None  # of the first reading
        self._last_applied_cents = 0.0
        self._mean = np.array([offset_cents, 0.0, stretch_cents, 0.0])
        stretch = min(STRETCH_SIGMA, 0.1 + STRETCH_PER_ROOT_S * math.sqrt(min(age_s, 1e9)))
        self._cov = np.diag([known**2, RATE_CENTS_PER_S**2, stretch**2, UNSHOWN_SIGMA**2])
        self._notes: dict[int, int] = {}
        self.readings = 0

    # ------------------------------------------------------------ what is believed

    @property
    def rate_cents_per_s(self) -> float:
        """The rate of the offset."""
        return float(self._mean[_RATE])

    @property
    def rate_sigma(self) -> float:
        """One sigma of the rate, in cents a second."""
        return float(math.sqrt(self._cov[_RATE, _RATE]))

    @property
    def stretch_cents(self) -> float:
        """The drift's slope, in cents an octave."""
        return float(self._mean[_STRETCH])

    @property
    def unshown(self) -> tuple[float, float]:
        """The share of moves that the input does not show, and its sigma."""
        return float(self._mean[_UNSHOWN]), float(math.sqrt(self._cov[_UNSHOWN, _UNSHOWN]))

    def drift_at(self, pitch_cents: float, now_s: float | None = None) -> tuple[float, float]:
        """Return what is to be taken out at a pitch, and its sigma, now or at a later moment.

        A share of what is taken out that the input does not show is allowed for: what counts is
        where the pitch would be heard.
        """
        octaves = (pitch_cents - self.reference_cents) / 1200.0
        later_s = 0.0 if now_s is None else max(0.0, now_s - self.at_s)
        ahead_s = _remembered_s(later_s)
        row = np.zeros(len(self._mean))
        row[_OFFSET], row[_RATE], row[_STRETCH] = 1.0, ahead_s, octaves
        before = float(row @ self._cov @ row)
        variance = before + CENTS_PER_ROOT_S**2 * later_s
        variance += (octaves * STRETCH_PER_ROOT_S) ** 2 * later_s
        variance += RATE_CENTS_PER_S**2 * max(0.0, later_s - ahead_s) ** 2 * 0.1
        drift = float(row @ self._mean)
        if self._applied_cents is not None:
            unshown = max(-UNSHOWN_ALLOWED, min(UNSHOWN_ALLOWED, float(self._mean[_UNSHOWN])))
            drift = (drift - unshown * self._applied_cents) / (1.0 - unshown)
            row[_UNSHOWN] = drift - self._applied_cents
            known = float(row @ self._cov @ row)
            variance += known - before
        return drift, math.sqrt(variance)

    # ------------------------------------------------------------ readings

    def advance(self, now_s: float) -> None:
        """Let time pass."""
        seconds = now_s - self.at_s
        if seconds <= 0.0:
            return
        self.at_s = now_s
        kept = math.exp(-seconds / RATE_MEMORY_S)
        ahead_s = _remembered_s(seconds)
        move = np.eye(len(self._mean))
        move[_OFFSET, _RATE], move[_RATE, _RATE] = ahead_s, kept
        self._mean = move @ self._mean
        self._cov = move @ self._cov @ move.T
        lost = RATE_CENTS_PER_S**2 * (1.0 - kept**2)
        self._cov[_OFFSET, _OFFSET] += CENTS_PER_ROOT_S**2 * seconds * 0.5 + lost * seconds**2 / 3
        self._cov[_RATE, _RATE] += lost
        self._cov[_STRETCH, _STRETCH] += STRETCH_PER_ROOT_S**2 * seconds
        if self._cov[_UNSHOWN, _UNSHOWN] < UNSHOWN_SIGMA**2:
            self._cov[_UNSHOWN, _UNSHOWN] += UNSHOWN_PER_ROOT_S**2 * seconds

    def surprise(
        self, reading: DriftReading, scatter_cents: float = 0.0
    ) -> tuple[float, float, float]:
        """Return how far a reading lies from what was believed, the sigma of that, and of it the
        part of what was believed."""
        self.advance(reading.at_s)
        row, variance = self._row(reading, scatter_cents)
        left = reading.drift_cents - float(row @ self._mean)
        believed = float(row @ self._cov @ row)
        return left, math.sqrt(believed + variance), math.sqrt(believed)

    def add(self, reading: DriftReading, scatter_cents: float = 0.0) -> float:
        """Take a reading in; return what is left of it afterwards."""
        self.advance(reading.at_s)
        row, variance = self._row(reading, scatter_cents)
        gain = self._cov @ row
        gain /= float(row @ gain) + variance
        self._mean = self._mean + gain * (reading.drift_cents - float(row @ self._mean))
        self._cov = self._cov - np.outer(gain, row @ self._cov)
        self._cov = (self._cov + self._cov.T) / 2.0
        self._last_applied_cents = reading.applied_cents
        self.readings += 1
        self.read_at_s = reading.at_s
        return reading.drift_cents - float(row @ self._mean)

    def believe(self, offset_cents: float, stretch_cents: float) -> None:
        """Begin from what is taken out already, no surer of it than before."""
        self._mean[_OFFSET], self._mean[_STRETCH] = offset_cents, stretch_cents

    def doubt_moves(self) -> None:
        """Begin anew to learn how far the input shows moves: it has shown whole steps."""
        if self._applied_cents is not None:  # the offset is where the voice was heard last
            moved = self._last_applied_cents - self._applied_cents
            self._mean[_OFFSET] += self._mean[_UNSHOWN] * moved
            self.loosen(STEP_SIGMA_CENTS)
        self._mean[_UNSHOWN] = 0.0
        self._cov[_UNSHOWN, :] = self._cov[:, _UNSHOWN] = 0.0
        self._cov[_UNSHOWN, _UNSHOWN] = STEPS_SHOWN_SIGMA**2
        self._applied_cents = None

    def shift(self, cents: float) -> None:
        """Move the offset by what is known from elsewhere."""
        self._mean[_OFFSET] += cents

    def loosen(self, sigma_cents: float) -> None:
        """Let the offset be known less well."""
        self._cov[_OFFSET, _OFFSET] += sigma_cents**2

    def _row(self, reading: DriftReading, scatter_cents: float) -> tuple[np.ndarray, float]:
        place = self._note_place(round(reading.pitch_cents / 100.0))
        row = np.zeros(len(self._mean))
        row[_OFFSET] = 1.0
        row[_STRETCH] = (reading.pitch_cents - self.reference_cents) / 1200.0
        row[place] = 1.0
        if self._applied_cents is None:
            self._applied_cents = reading.applied_cents
        row[_UNSHOWN] = reading.applied_cents - self._applied_cents
        sigma = max(reading.sigma_cents, scatter_cents, LEAST_SIGMA_CENTS)
        return row, sigma**2

    def _note_place(self, note: int) -> int:
        """Return the state of a note's own error; the oldest is forgotten where all are taken."""
        place = self._notes.get(note)
        if place is not None:
            return place
        if len(self._notes) >= MOST_NOTES_KNOWN:
            oldest = next(iter(self._notes))
            place = self._notes.pop(oldest)
            self._mean[place] = 0.0
            self._cov[place, :] = self._cov[:, place] = 0.0
            self._cov[place, place] = self._note_sigma_cents**2
        else:
            place = len(self._mean)
            self._mean = np.append(self._mean, 0.0)
            grown = np.zeros((place + 1, place + 1))
            grown[:place, :place] = self._cov
            grown[place, place] = self._note_sigma_cents**2
            self._cov = grown
        self._notes[note] = place
        return place


def _remembered_s(seconds: float) -> float:
    """Return for how long a rate goes on: it is forgotten with ``RATE_MEMORY_S``."""
    return RATE_MEMORY_S * (1.0 - math.exp(-seconds / RATE_MEMORY_S))
