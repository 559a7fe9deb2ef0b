"""MIDI clock: where the song is, how fast, and whether the clock still comes.

24 clocks a quarter note. Start and Continue take effect on the next clock, and
so does Song Position: the first clock after Start is tick 0 of the song.

Source: MIDI 1.0 Detailed Specification 4.2.1, pp. 27 to 31.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Literal

from .. import midi

TICKS_A_QUARTER = 24
TICKS_A_SIXTEENTH = 6  # the unit of Song Position
LOST_S = 1.0  # 2.5 beats a minute; no sequencer is that slow
AVERAGED_TICKS = 24
STEP_TICKS = 4  # so many on one side of the average are another tempo, not jitter
STEP_SHARE = 0.08
JUDGED_TICKS = 3  # so many after an odd gap tell what it was
MOST_JUDGED_TICKS = 9  # or else it is left as it is
FASTEST_S = 0.004  # 625 beats a minute; what comes faster was late
MOST_LOST_TICKS = 6  # in a row; a longer gap is rather a sequencer that stood still

ClockState = Literal["none", "stopped", "running", "lost"]
NO_TICKS = range(0)


class Clock:
    """Counts one input's clock.

    A gap in the clock may be a lost tick, a late one or a slower tempo; the
    three ticks after it tell which. Until then the clock counts what has come,
    so that another tempo is never early and a lost tick makes a trigger late by
    one tick at most; then the count is put right.

    Attributes:
        next_tick: the song's tick that the next clock is, counted from 0.
        running: between Start or Continue and Stop.
        lost: it ran, and no clock has come for ``LOST_S``.
        placed: Start, Continue, Stop or Song Position has come; before, no tick counts.
        unsure: the clock was away too long to be counted; until Start or Song Position.
        interval_s: between ticks, averaged; None until two have come.
        fired_tick: the tick whose trigger came early by a key; -1 is none.
    """

    def __init__(self) -> None:
        self.next_tick = 0
        self.running = False
        self.lost = False
        self.placed = False
        self.unsure = False
        self.interval_s: float | None = None
        self.fired_tick = -1
        self._seen = False
        self._heard_s = 0.0  # last clock, or the Start before the first
        self._ticked = False  # ``_heard_s`` is of a clock
        self._set_out = False  # by Start or Continue; a pause before the next clock is no loss
        self._gaps_s: deque[float] = deque(maxlen=AVERAGED_TICKS)
        self._stumbles = False  # ticks come late so often that none counts as lost
        self._odd_s: list[float] = []  # a gap far from the average, and those after it

    # ------------------------------------------------------------ what comes

    def tick(self, now_s: float) -> range:
        """Take a clock; return the ticks of the song that have come with it.

        Empty while the song stands. More than one after lost ticks.
        """
        missed = 0
        self.look(now_s)
        if self._ticked and not self._set_out:
            missed = self._judge(now_s - self._heard_s)
        self._heard_s = now_s
        self._ticked = self._seen = True
        self._set_out = False
        self.lost = False
        if not self.running:
            return NO_TICKS
        first = self.next_tick
        self.next_tick = first + 1 + missed
        return range(first, self.next_tick)

    def transport(self, message: midi.Message, now_s: float) -> None:
        """Take Start, Continue, Stop or Song Position; others change nothing."""
        self.look(now_s)
        self._odd_s.clear()
        self.placed = True
        if type(message) is midi.SongPosition:
            self._jump(message.sixteenths * TICKS_A_SIXTEENTH)
        elif message == midi.STOP:
            self.running = self.lost = False
        elif message in (midi.START, midi.CONTINUE):
            if message == midi.START:
                self._jump(0)
            self.running = self._seen = self._set_out = True
            self.lost = False
            if not self._ticked or now_s - self._heard_s > LOST_S:
                self._heard_s, self._ticked = now_s, False

    def _jump(self, tick: int) -> None:
        self.next_tick = tick
        self.fired_tick = -1
        self.unsure = False

    def look(self, now_s: float) -> None:
        """Note that the clock is lost, if none has come for too long."""
        lost_at_s = self.lost_at_s
        if lost_at_s is not None and lost_at_s <= now_s:
            self.lose()

    def lose(self) -> None:
        """The input is gone, or nothing has come for too long."""
        self.lost = self.running
        self._ticked = False
        self._odd_s.clear()
        if self.running:
            self.unsure = True

    @property
    def lost_at_s(self) -> float | None:
        """When a clock that runs counts as lost if none comes; None if it can't be."""
        return self._heard_s + LOST_S if self.running and not self.lost else None

    # ------------------------------------------------------------ tempo

    def _judge(self, gap_s: float) -> int:
        """Take the time between two ticks; return how many turn out to have been lost."""
        if gap_s > LOST_S:  # the song stands, and so did its clock
            return 0
        self._gaps_s.append(gap_s)
        self._average()
        interval_s = self.interval_s
        if interval_s is None or len(self._gaps_s) <= STEP_TICKS:  # too few to judge by
            return 0
        odd = self._odd_s
        if odd or abs(gap_s - interval_s) > interval_s / 2:
            odd.append(gap_s)
        if len(odd) <= JUDGED_TICKS:
            return 0
        last = odd[-JUDGED_TICKS:]
        if all(abs(each_s - interval_s) <= interval_s / 4 for each_s in last):  # steady again
            return self._lost(interval_s)
        if len(odd) >= MOST_JUDGED_TICKS:
            odd.clear()
        return 0

    def _lost(self, interval_s: float) -> int:
        """Return how many ticks are missing since the odd gap.

        Ticks may be late, never early, so the least that the last ones are
        behind is the truth. What is not clear yet is left to the next tick.
        """
        odd = self._odd_s
        behind = [
            sum(odd[:count]) / interval_s - count
            for count in range(len(odd) - JUDGED_TICKS + 1, len(odd) + 1)
        ]
        least = min(behind)
        missed = max(0, round(least))
        if missed and (abs(least - missed) > 0.3 or max(behind) - least > 0.5):
            missed = 0
            if len(odd) < MOST_JUDGED_TICKS:
                return 0
        odd.clear()
        if self._stumbles:
            return 0
        if missed > MOST_LOST_TICKS:
            self.unsure = self.running
            return 0
        return missed

    def _average(self) -> None:
        """Average the gaps near the middle one; only the last few if they agree on another."""
        gaps = self._gaps_s
        middle_s = sorted(gaps)[len(gaps) // 2]
        if len(gaps) >= 2 * STEP_TICKS:
            last = tuple(gaps)[-STEP_TICKS:]
            mean_s = sum(last) / STEP_TICKS
            agree = min(last) >= FASTEST_S and max(last) <= 1.2 * min(last)
            if agree and abs(mean_s - middle_s) > STEP_SHARE * middle_s:
                gaps.clear()
                gaps.extend(last)
                self._odd_s.clear()
                middle_s = mean_s
        near = [gap_s for gap_s in gaps if abs(gap_s - middle_s) <= middle_s / 4]
        self._stumbles = len(near) < 0.75 * len(gaps)
        self.interval_s = max(sum(near) / len(near) if near else middle_s, 1e-4)

    @property
    def tempo_bpm(self) -> float | None:
        """Quarter notes a minute; None while unknown."""
        if self.interval_s is None or self.lost:
            return None
        return 60.0 / (TICKS_A_QUARTER * self.interval_s)

    @property
    def state(self) -> ClockState:
        """``none`` until anything has come, ``stopped`` while the song stands."""
        if self.lost:
            return "lost"
        if self.running:
            return "running"
        return "stopped" if self._seen else "none"

    @property
    def is_missed(self) -> bool:
        """Return whether it is lost, or nothing has said where the song is: no beat will come."""
        return self.lost or not self.placed

    # ------------------------------------------------------------ what is due

    def due_tick(self, divisions: Iterable[int]) -> int | None:
        """Return the next tick that a trigger falls on; None without triggers.

        Args:
            divisions: ticks from one to the next, counted from tick 0.
        """
        first = max(self.next_tick, self.fired_tick + 1)
        return min((-(-first // every) * every for every in divisions), default=None)

    def is_due_within(self, tick: int, now_s: float, seconds: float) -> bool:
        """True if a tick to come is that near by the tempo, or late by less than a tick."""
        interval_s = self.interval_s
        if interval_s is None or not self.running or not self._ticked:
            return False
        left_s = self._heard_s + (tick - self.next_tick + 1) * interval_s - now_s
        return -interval_s < left_s <= seconds


def beat_ticks(beat_unit: int) -> int:
    """Return the ticks of a beat of a time signature; 4 is a quarter note."""
    return 4 * TICKS_A_QUARTER // beat_unit
