"""A glance at every note, before the precise readings: which notes leave the curve.

A converter's single wrong note lies between the few notes that a plan reads, and no check
note need meet it. A short take of each note is good to a few tenths of a cent: enough to
tell which notes to read precisely.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..pitch.take import Progress, Take, TakeRequest
from .fit_result import Aim
from .model import Model, Points
from .run_readings import model_terms

GLANCE_S = 0.15
GLANCE_PERIODS = 11  # of the lowest notes
WRONG_CENTS = 1.0  # nearer to the curve, a note is read precisely only where the plan wants it
WRONG_SPREADS = 4.0  # times the usual distance from the curve, where that is large
MOST_OFF_CURVE = 8
MOST_REFUSED_GLANCES = 4  # in a row; the rest of that side is left to the plan
PREFERRED_SEMITONES = 4  # from a note that was read, so that the pitch is about known
LEAST_NOTES = 8  # fewer show no curve
GLANCE_SIGMA_CENTS = 0.1


class GlancePlan:
    """Requests a short take of every note of an aim, from the middle outwards.

    Args:
        aim: of the plan; the ends of what can be read are left to the plan.
        step: semitones from the middle to the first note.
    """

    def __init__(self, aim: Aim, step: int = 0) -> None:
        self._aim = aim
        middle = (aim.lowest_note + aim.highest_note) // 2 + step
        middle = min(max(middle, aim.lowest_note), aim.highest_note)
        self._left = [
            *range(middle, aim.highest_note + 1),
            *range(middle - 1, aim.lowest_note - 1, -1),
        ]
        self._total = len(self._left)
        self._found: dict[int, Take] = {}
        self._refused = 0
        self._again = False
        self._silent = 0  # refused in a row
        self._sound_s = 0.0

    def next(self) -> TakeRequest | None:
        """Return the next request; None when every note was heard."""
        if not self._left:
            return None
        note = self._left[0]
        expected = self._expected(note)
        hertz = 440.0 * 2.0 ** ((expected - 6900.0) / 1200.0)
        seconds = max(GLANCE_S, GLANCE_PERIODS / hertz)
        return TakeRequest(
            self._aim.voice, note, 0.0, seconds, "glance", self._aim.settle_s, expected
        )

    def prefer(self, good: Callable[[float], bool]) -> None:
        """Let the next note be one whose pitch is good, near a note that was read."""
        for note in self._left if self._found else ():
            near = min(abs(note - other) for other in self._found) <= PREFERRED_SEMITONES
            if near and good(self._expected(note)):
                self._left.remove(note)
                self._left.insert(0, note)
                return

    def add(self, take: Take) -> None:
        """Add the take of the last request; the first note is asked for twice."""
        self._sound_s += take.request.seconds
        if take.pitch is None:
            self._refused += 1
            if not self._found and not self._again:
                self._again = True
                return
        else:
            self._found[take.request.note] = take
        self._silent = 0 if take.pitch is not None else self._silent + 1
        note = self._left.pop(0)
        if take.pitch is None and not self._found:
            self._left.clear()  # the plan says what is the matter
        elif self._silent >= MOST_REFUSED_GLANCES:
            above = note >= min(self._found)
            self._left = [n for n in self._left if (n < note if above else n > note)]
            self._silent = 0

    def progress(self) -> Progress:
        """Return the progress, for a line on the screen."""
        return Progress(
            self._aim.voice,
            self._total - len(self._left),
            self._refused,
            self._sound_s,
            None,
            self._aim.tolerance_cents,
            f"a glance at note {self._left[0]}" if self._left else "glanced",
        )

    @property
    def sound_s(self) -> float:
        """Seconds of sound so far."""
        return self._sound_s

    def suspects(self) -> list[int]:
        """Return the notes that leave the curve through the others, worst first."""
        notes = sorted(self._found)
        if len(notes) < LEAST_NOTES:
            return []
        takes = [self._found[note] for note in notes]
        errors = np.array([one.sounding_cents - one.request.commanded_cents for one in takes])
        sigmas = np.array([one.pitch.sigma_cents for one in takes if one.pitch is not None])
        usual = np.abs(errors - np.median(errors)) < self._aim.bend_range_cents
        sure = usual & (sigmas < WRONG_CENTS)
        points = Points(
            100.0 * np.array(notes, float),
            errors,
            np.hypot(sigmas, GLANCE_SIGMA_CENTS),
            np.array([one.at_s for one in takes]),
            np.array(notes),
        )
        return self._leaving(points.without(~sure)) if sure.sum() >= LEAST_NOTES else []

    def _leaving(self, points: Points) -> list[int]:
        found: list[int] = []
        while len(found) < MOST_OFF_CURVE and len(points.cents) >= LEAST_NOTES:
            off = np.abs(Model(model_terms(self._aim), points).left_out()[1])
            spread = 1.4826 * float(np.median(off))
            limit = max(WRONG_CENTS, WRONG_SPREADS * spread)
            worst = int(np.argmax(np.where(off > 5.0 * points.sigmas, off, 0.0)))
            if off[worst] <= limit or off[worst] <= 5.0 * points.sigmas[worst]:
                break
            found.append(int(points.groups[worst]))
            points = points.without(worst)
        return found

    def _expected(self, note: int) -> float:
        return 100.0 * note + 1200.0 * self._aim.panel_octaves + self._error_beside(note)

    def _error_beside(self, note: int) -> float:
        """Return the error of the nearest note that was read, from the panel's pitch."""
        if not self._found:
            return 0.0
        near = self._found[min(self._found, key=lambda other: abs(other - note))]
        panel = 1200.0 * self._aim.panel_octaves
        return near.sounding_cents - near.request.commanded_cents - panel
