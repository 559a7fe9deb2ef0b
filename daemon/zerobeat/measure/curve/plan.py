"""The measuring plan: which note to read next, and when the curve is known well enough.

The next note is the one whose reading reduces the largest remaining uncertainty
most. The reference note is repeated at intervals to measure drift. A surprising
reading is repeated. The ends of a voice's readable range are found by bisection.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

import numpy as np

from ...errors import VoiceMeasureError
from ..pitch.take import Progress, Purpose, Take, TakeRequest, take_seconds
from . import bend_tests as bends
from . import readable_notes as notes_of
from .fit_curve import fit_readings, worst_cents_so_far
from .fit_result import Aim, CurveFit
from .model import READING_FLOOR_CENTS
from .run_readings import RunReadings

REFERENCE_TAKES = 9  # the reference note is repeated after so many takes
REFERENCE_S = 60.0  # or so many seconds
LEAST_PLAN_NOTES = 6  # before a plan may stop
MOST_PER_NOTE = 3  # takes of one note in a row
ANTICIPATED_SIGMA_CENTS = 0.05


class MeasuringPlan:
    """Requests takes until the curve of a voice is known to the tolerance.

    Args:
        aim: voice, range and tolerance.

    Raises:
        MeasureError: a range with fewer than two notes.
    """

    def __init__(self, aim: Aim) -> None:
        if not 0 <= aim.lowest_note < aim.highest_note <= 127:
            raise VoiceMeasureError(
                aim.voice,
                f"found the range {aim.lowest_note} to {aim.highest_note}; "
                "allowed: two notes or more, 0 to 127",
            )
        self.aim = aim
        self.reference = self._reference()
        self._takes: list[Take] = []
        self._queue: deque[tuple[int, float, Purpose]] = deque()  # note, bend, purpose
        self._asked: TakeRequest | None = None
        self._unreadable: dict[int, str] = {}  # notes that can't be read
        self._since_reference = 0
        self._last_reference_s = 0.0
        self._sigmas_at_1s: list[float] = []
        self._readings = RunReadings(aim)
        self._done = False
        self._number_tested = False
        self._suspects: set[int] = set()
        self._known_wrong: set[int] = set()
        self._queue.append((self.reference, 0.0, "reference"))
        if aim.test_bend:
            self._queue_bends()
        if aim.every_semitone or aim.notes:
            self._queue_list()

    def suspect(self, notes: Iterable[int]) -> None:
        """Ask for two more readings of notes that seem to leave the curve.

        Where the two agree, the converter errs at that note, and it keeps its own error.
        A plan that was done goes on.
        """
        for note in notes:
            self._suspects.add(note)
            self._queue.extend([(note, 0.0, "suspect")] * 2)
            self._done = False

    # ------------------------------------------------------------ as a TakePlan

    def next(self) -> TakeRequest | None:
        """Return the next request; None when the curve is known well enough."""
        if self._asked is None and not self._done:
            self._asked = self._choose()
            self._done = self._asked is None
        return self._asked

    def add(self, take: Take) -> None:
        """Add the take of the last request.

        Raises:
            MeasureError: the bend range is not what the rig says.
        """
        self._asked = None
        self._takes.append(take)
        self._since_reference += 1
        if take.pitch is None:
            self._refused(take)
            return
        request = take.request
        if request.purpose == "reference":
            self._since_reference = 0
            self._last_reference_s = take.at_s
        self._sigmas_at_1s.append(take.pitch.sigma_cents * request.seconds**1.5)
        if request.purpose == "bend":
            self._check_bend(take)
            return
        surprising = self._readings.surprising(take, LEAST_PLAN_NOTES)
        self._readings.add(take)
        if request.note in self._suspects:
            return  # judged when the others are known
        trouble = self._readings.trouble(request.note)
        if trouble and request.note != self.reference:
            self._readings.exclude(request.note)
            self._unreadable[request.note] = trouble
        elif surprising and self._count(request.note) < MOST_PER_NOTE:
            self._queue.appendleft((request.note, 0.0, "again"))
        if self._unreadable:
            self._check_ends()

    def progress(self) -> Progress:
        """Return the progress, for a line on the screen."""
        refused = sum(one.pitch is None for one in self._takes)
        sound_s = sum(one.request.seconds for one in self._takes)
        doing = "done" if self._asked is None else self._asked.words()
        worst = None
        if len(self._readings) >= LEAST_PLAN_NOTES:
            worst = worst_cents_so_far(self._readings, self._spans())
        return Progress(
            self.aim.voice,
            len(self._takes),
            refused,
            sound_s,
            worst,
            self.aim.tolerance_cents,
            doing,
        )

    def result(self) -> CurveFit:
        """Return the fit of the takes so far.

        Raises:
            MeasureError: too few readings, or no rising pitch in them.
        """
        self._judge_suspects()
        return fit_readings(
            self._readings,
            refused=tuple(sorted(self._unreadable.items())),
            takes=len(self._takes),
            sound_s=sum(one.request.seconds for one in self._takes),
        )

    # ------------------------------------------------------------ choosing

    def _choose(self) -> TakeRequest | None:
        if len(self._takes) >= self.aim.most_takes and not self._queue:
            return None
        if self._reference_due():
            return self._request(self.reference, purpose="reference")
        if self._queue and (self._queue[0][2] != "suspect" or self._knows_the_others()):
            return self._request(*self._queue.popleft())
        if self._queue and (note := self._least_known()) is not None:
            return self._request(note)
        if self._queue:
            return self._request(*self._queue.popleft())
        self._judge_suspects()
        if self._queue_about_wrong_notes():
            return self._request(*self._queue.popleft())
        if self.aim.every_semitone or self.aim.notes:
            return self._last_requests()
        suspect = self._readings.unconfirmed_note() if len(self._readings) else None
        if suspect is not None and self._count(suspect) < MOST_PER_NOTE:
            return self._request(suspect, purpose="again")
        note = self._least_known()
        return self._last_requests() if note is None else self._request(note)

    def _knows_the_others(self) -> bool:
        return len(self._readings) >= LEAST_PLAN_NOTES

    def _judge_suspects(self) -> None:
        for note in self._suspects:
            self._readings.judge_suspect(note)

    def _queue_about_wrong_notes(self) -> bool:
        """Queue what tells whether wrong notes follow the number: a bend, and both neighbours."""
        bend_cents = bends.middle_bend(self.aim.bend_range_cents)
        for note in sorted(self._readings.wrong - self._known_wrong):
            self._known_wrong.add(note)
            self._queue.append((note, bend_cents, "bend"))
            for beside in (note - 1, note + 1):
                inside = self.aim.lowest_note <= beside <= self.aim.highest_note
                if inside and not self._readings.has_read(beside):
                    self._queue.append((beside, 0.0, "reading"))
        return bool(self._queue)

    def _reference_due(self) -> bool:
        if not self._readings.has_read(self.reference) or self.reference in self._unreadable:
            return False
        late = bool(self._takes) and self._takes[-1].at_s - self._last_reference_s > REFERENCE_S
        return self._since_reference >= REFERENCE_TAKES or (late and self._since_reference > 1)

    def _last_requests(self) -> TakeRequest | None:
        """Return the last requests: the test of errors by number, the reference note."""
        if self.aim.every_semitone and self.aim.test_bend and not self._number_tested:
            self._number_tested = True
            if bends.tests_number(self.aim.bend_range_cents):
                self._queue_number(self._readings.largest_jump())
                return self._request(*self._queue.popleft())
        if self._since_reference >= REFERENCE_TAKES // 2 and self.reference not in self._unreadable:
            return self._request(self.reference, purpose="reference")
        return None

    def _least_known(self) -> int | None:
        """Return the note to read next, or None if all is known to the tolerance."""
        if len(self._readings) == 0:
            return None
        notes = np.array([n for low, high in self._spans() for n in range(low, high + 1)])
        wanted = np.array(
            [n for n in self._readings.away_from_mains(notes) if self._count(n) < MOST_PER_NOTE]
        )
        if not len(wanted):
            return None
        model = self._readings.model()
        covariance = model.covariance(100.0 * notes)
        # A note read that often can't be improved by readings elsewhere.
        counted = np.array([self._count(int(n)) < MOST_PER_NOTE for n in notes])
        worst = 2.0 * float(np.sqrt(np.diag(covariance)[counted].max()))
        gap = notes_of.half_way(self._readings.notes(), self._unreadable)
        if gap is not None and len(self._readings) > 1:
            return gap
        if len(self._readings) >= LEAST_PLAN_NOTES and worst <= self.aim.tolerance_cents:
            return None
        at = np.searchsorted(notes, wanted)
        noise = ANTICIPATED_SIGMA_CENTS**2 + READING_FLOOR_CENTS**2 + model.rough_cents**2
        gain = covariance[:, at] ** 2 / (np.diag(covariance)[at] + noise)
        left = (np.diag(covariance)[:, None] - gain)[counted].max(axis=0)
        read = self._readings.counts()
        # A note that was read before gains less than a new one.
        left = left * np.array([1.0 + 0.02 * read.get(int(n), 0) for n in wanted])
        return int(wanted[int(np.argmin(left))])

    def _spans(self) -> list[tuple[int, int]]:
        aim = self.aim
        return notes_of.spans(
            aim.lowest_note, aim.highest_note, self._readings.notes(), self._unreadable
        )

    def _reference(self) -> int:
        aim = self.aim
        if aim.reference_note is not None:
            return aim.reference_note
        self._readings = RunReadings(aim)
        middle = (aim.lowest_note + aim.highest_note) // 2
        near = sorted(
            range(aim.lowest_note, aim.highest_note + 1), key=lambda note: abs(note - middle)
        )
        return next(iter(self._readings.away_from_mains(near)), middle)

    # ------------------------------------------------------------ requests

    def _request(
        self, note: int, bend_cents: float = 0.0, purpose: Purpose = "reading"
    ) -> TakeRequest:
        sounding = float(self._readings.expected(100.0 * note + bend_cents)[0])
        usual = float(np.median(self._sigmas_at_1s)) if self._sigmas_at_1s else None
        seconds = take_seconds(sounding, self.aim.tolerance_cents, usual)
        expected: float | None = sounding
        if purpose == "bend" and bend_cents == bends.wide_bend(self.aim.bend_range_cents):
            expected = None  # a wrong range may put it anywhere
        return TakeRequest(
            self.aim.voice,
            note,
            bend_cents,
            seconds,
            purpose,
            self.aim.settle_s,
            expected,
            sounding,
        )

    def _queue_bends(self) -> None:
        reach = self.aim.bend_range_cents
        self._queue.append((self.reference, bends.wide_bend(reach), "bend"))
        self._queue.append((self.reference, bends.middle_bend(reach), "bend"))
        if bends.tests_number(reach) and not self.aim.every_semitone:
            self._number_tested = True
            self._queue.append(self._next_down(self.reference))

    def _next_down(self, note: int) -> tuple[int, float, Purpose]:
        return note + 1, bends.middle_bend(self.aim.bend_range_cents) - 100.0, "bend"

    def _queue_number(self, note: int) -> None:
        middle = bends.middle_bend(self.aim.bend_range_cents)
        if note != self.reference:
            self._queue.append((note, middle, "bend"))
        self._queue.append(self._next_down(note))

    def _queue_list(self) -> None:
        aim = self.aim
        notes = aim.notes or tuple(range(aim.lowest_note, aim.highest_note + 1))
        for note in notes:
            if note != self.reference:
                self._queue.append((note, 0.0, "reading"))

    # ------------------------------------------------------------ takes

    def _count(self, note: int) -> int:
        """Return how often a note was requested, other than as the reference."""
        return sum(
            one.request.note == note and one.request.purpose in ("reading", "again", "suspect")
            for one in self._takes
        )

    def _check_ends(self) -> None:
        """Exclude the last note before the unreadable ones if it leaves the curve as well."""
        good = self._readings.notes() or [self.reference]
        for end, beyond in ((good[0], -1), (good[-1], 1)):
            ends_here = any((bad - end) * beyond > 0 for bad in self._unreadable)
            if end == self.reference or not ends_here or not self._readings.leaves_curve(end):
                continue
            if self._count(end) > 1:
                self._readings.exclude(end)
                self._unreadable[end] = "leaves the curve"
            elif (end, 0.0, "again") not in self._queue:
                self._queue.appendleft((end, 0.0, "again"))

    def _refused(self, take: Take) -> None:
        request = take.request
        if request.purpose == "suspect":
            return  # it stays as unknown as it was
        if request.purpose == "again":
            if not self._readings.has_read(request.note):
                self._unreadable[request.note] = take.refused
        elif request.purpose == "reading":
            self._queue.appendleft((request.note, 0.0, "again"))
        elif not self._readings.has_read(self.reference) and request.purpose == "reference":
            self._queue.appendleft((request.note, 0.0, "reference"))  # run_plan limits how often
        elif request.purpose == "bend" and self._again(request):
            self._queue.appendleft((request.note, request.bend_cents, request.purpose))

    def _again(self, request: TakeRequest) -> bool:
        asked = (request.note, request.bend_cents)
        return sum((one.request.note, one.request.bend_cents) == asked for one in self._takes) < 2

    def _check_bend(self, take: Take) -> None:
        self._readings.add_bend(take)
        rest = self._readings.first(self.reference)
        if rest is not None and take.request.note == self.reference:
            wide = bends.wide_bend(self.aim.bend_range_cents)
            if take.request.bend_cents == wide:
                bends.check_range(self.aim, rest, take)
