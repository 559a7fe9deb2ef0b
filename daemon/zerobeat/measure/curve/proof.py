"""The proof of a fit: check notes that were not read, with the old and the new correction."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np

from ..pitch.take import Progress, Purpose, Take, TakeRequest, take_seconds
from .fit_result import Aim, CurveFit

CHECK_NOTES = 4
CHECK_ROUNDS = 2  # of readings of check notes that missed
MISSED_CENTS = 0.7  # a check note farther off than this, and than the curve promised, is a reading
CONTRADICTED_CENTS = 1.5  # nothing is kept while a check note is so far off after that
ACCEPT_CENTS = 1.0  # a check note within this is accepted in any case
BETTER_CENTS = 0.3  # the new correction may be this much worse than the old, by chance
NoteAndBend = tuple[int, float]  # number and bend in cents
Encode = Callable[[float], NoteAndBend | None]


@dataclass(frozen=True, slots=True)
class CheckNoteResult:
    """A check note: the key, and its error in cents with the old and the new correction."""

    note: int
    before_cents: float | None
    after_cents: float | None

    def line(self, name: str) -> str:
        """Return one line of a table."""
        cells = [
            "not read" if cents is None else f"{cents:+z8.2f}"
            for cents in (self.before_cents, self.after_cents)
        ]
        return f"  {name:<10} {cells[0]:>10} {cells[1]:>10}"


@dataclass(frozen=True, slots=True)
class Proof:
    """All check notes of a voice.

    Attributes:
        good: the new correction may replace the old one.
        why: the reason against it; "" if there is none.
    """

    checks: tuple[CheckNoteResult, ...]
    good: bool
    why: str


class ProofPlan:
    """Requests the check notes: each with the old correction, then with the new one.

    Args:
        aim: of the plan.
        fit: to be proved.
        before, after: encode a wanted pitch (panel octaves removed) as number and
            bend, by the correction in force and by the new one; None where it
            can't be sent.
        checks: how many notes.
        also: notes to check again, as they missed before.
    """

    def __init__(
        self,
        aim: Aim,
        fit: CurveFit,
        before: Encode,
        after: Encode,
        checks: int = CHECK_NOTES,
        also: Iterable[int] = (),
    ) -> None:
        self._aim = aim
        promised = 1.2 * fit.worst_cents + 3.0 * fit.rough_cents
        self._promised_cents = max(MISSED_CENTS, 1.4 * aim.tolerance_cents, promised)
        self.notes = sorted({*check_notes(aim, fit, checks), *also})
        self._left: list[tuple[int, bool, NoteAndBend]] = []
        for note in self.notes:
            for new, encode in ((False, before), (True, after)):
                sent = encode(100.0 * note)
                if sent is not None:
                    self._left.append((note, new, sent))
        self._found: dict[tuple[int, bool], float] = {}
        self._total = len(self._left)
        self._sound_s = 0.0
        self._refused = 0
        self._tries = 0

    def next(self) -> TakeRequest | None:
        """Return the next request; None when every check note was played."""
        if not self._left:
            return None
        note, _, (number, bend_cents) = self._left[0]
        expected = 100.0 * note + 1200.0 * self._aim.panel_octaves
        seconds = take_seconds(expected, self._aim.tolerance_cents, None)
        purpose: Purpose = "check"
        return TakeRequest(
            self._aim.voice, number, bend_cents, seconds, purpose, self._aim.settle_s, expected
        )

    def prefer(self, good: Callable[[float], bool]) -> None:
        """Let the next check note be one whose pitch is good."""
        panel = 1200.0 * self._aim.panel_octaves
        for one in self._left if not self._tries else ():
            if good(100.0 * one[0] + panel):
                self._left.remove(one)
                self._left.insert(0, one)
                return

    def add(self, take: Take) -> None:
        """Add the take of the last request; a refused one is requested once more."""
        self._sound_s += take.request.seconds
        if take.pitch is None:
            self._refused += 1
            self._tries += 1
            if self._tries < 2:
                return
        note, new, _ = self._left.pop(0)
        self._tries = 0
        if take.pitch is not None:
            wanted = 100.0 * note + 1200.0 * self._aim.panel_octaves
            self._found[note, new] = round(take.sounding_cents - wanted, 4)

    def progress(self) -> Progress:
        """Return the progress, for a line on the screen."""
        done = self._total - len(self._left)
        doing = f"check note {self._left[0][0]}" if self._left else "checked"
        return Progress(
            self._aim.voice,
            done,
            self._refused,
            self._sound_s,
            None,
            self._aim.tolerance_cents,
            doing,
        )

    def result(self) -> Proof:
        """Return the check notes, and whether the new correction may replace the old one."""
        checks = tuple(
            CheckNoteResult(note, self._found.get((note, False)), self._found.get((note, True)))
            for note in self.notes
        )
        proof = judge_check_notes(checks)
        limit = max(CONTRADICTED_CENTS, 2.0 * self._promised_cents)
        off = max(
            (abs(one.after_cents) for one in checks if one.after_cents is not None), default=0
        )
        if proof.good and not self._aim.every_semitone and off > limit:
            why = f"a check note is {off:.2f} cents off, more than the curve promised"
            return Proof(checks, False, why)
        return proof

    def missed(self) -> list[int]:
        """Return the check notes that are farther off than the curve promised."""
        return [
            note
            for note in self.notes
            if abs(self._found.get((note, True), 0.0)) > self._promised_cents
        ]


def judge_check_notes(checks: Iterable[CheckNoteResult]) -> Proof:
    """Return whether a correction may replace the old one, by its check notes."""
    checks = tuple(checks)
    after = [abs(one.after_cents) for one in checks if one.after_cents is not None]
    before = [abs(one.before_cents) for one in checks if one.before_cents is not None]
    if not after:
        return Proof(checks, False, "no check note could be read")
    worst = max(after)
    if worst > ACCEPT_CENTS and before and worst > max(before) + BETTER_CENTS:
        why = (
            f"a check note is {worst:.2f} cents off, where it was {max(before):.2f} at most before"
        )
        return Proof(checks, False, why)
    return Proof(checks, True, "")


def check_notes(aim: Aim, fit: CurveFit, count: int) -> list[int]:
    """Return notes that are far from every reading, over the usable range, rising."""
    read = {one.note for one in fit.readings}
    curve = fit.curve
    notes = [
        note
        for note in range(aim.lowest_note, aim.highest_note + 1)
        if not curve.extrapolated(100.0 * note) and curve.unusable_at(100.0 * note) is None
    ]
    if not notes:
        return []
    free = [note for note in notes if note not in read] or notes
    chosen: list[int] = []
    # One in each part of the range: the one with the widest distance from a reading.
    for part in np.array_split(np.array(free), min(count, len(free))):
        far = [min(abs(int(note) - other) for other in read) if read else 0 for note in part]
        chosen.append(int(part[int(np.argmax(far))]))
    return sorted(set(chosen))
