"""Proves that an input shows a voice's own moves, before more than half a cent is moved.

The correction steps to and fro by ``PROBE_CENTS``, which nobody hears, and the model compares the
same notes across a step. An oscillator that is another's slave, or a swapped cable, shows nothing.
One that takes whole cents only (a digital oscillator, a soft synth) shows nothing or a whole
cent: its readings of a note lie whole cents apart. It must show larger moves later.
"""

from __future__ import annotations

from collections import deque

from .drift_model import DriftReading

PROBE_CENTS = 0.45
READINGS_A_SIDE = 3
MOST_STEPS = 8  # of a series; then it rests until the drift has changed
AGAIN_CENTS = 0.3  # of drift, after which another series begins
FAR_CENTS = 1.5  # of drift: then no step is made the other way
GRID_CENTS = 1.0
GRID_VOTES = 2  # jumps of whole cents
WHOLE_SHARE = 0.75  # of all jumps
LOST_SHARE = 0.5  # with fewer jumps of whole cents it takes any
WHOLE_CENTS = 0.1  # so near to a whole cent; an attack reads that much flat or sharp
LEAST_JUMP_CENTS = 0.15
CLEAR_SIGMA_CENTS = 0.03


class MoveProbe:
    """The probing of one voice.

    Attributes:
        grid_cents: whole steps that the oscillator takes; 0.0 where it takes any.
    """

    def __init__(self) -> None:
        self.grid_cents = 0.0
        self._heard_cents: dict[int, float] = {}
        self._jumps: deque[bool] = deque(maxlen=12)  # of whole cents
        self._steps = 0
        self._series_at_cents: float | None = None
        self._since_step = 0

    def add(self, reading: DriftReading) -> bool:
        """Take a reading; return True once a grid has just been found."""
        self._since_step += 1
        if reading.sigma_cents > CLEAR_SIGMA_CENTS:
            return False
        note = round(reading.pitch_cents / 100.0)
        heard = reading.pitch_cents - reading.applied_cents + reading.drift_cents
        before = self._heard_cents.get(note, heard)
        self._heard_cents[note] = heard
        jump = heard - before
        if abs(jump) < LEAST_JUMP_CENTS:
            return False
        whole = round(jump / GRID_CENTS) * GRID_CENTS
        self._jumps.append(whole != 0.0 and abs(jump - whole) < WHOLE_CENTS)
        if self._looks_whole(GRID_VOTES) and not self.grid_cents:
            self.grid_cents = GRID_CENTS
            return True
        if sum(self._jumps) < LOST_SHARE * len(self._jumps):
            self.grid_cents = 0.0
        return False

    @property
    def likely_grid_cents(self) -> float:
        """Whole steps that the oscillator may take, for all that was heard: one jump is enough."""
        return self.grid_cents or (GRID_CENTS if self._looks_whole(1) else 0.0)

    def _looks_whole(self, least: int) -> bool:
        votes = sum(self._jumps)
        return votes >= least and votes >= WHOLE_SHARE * len(self._jumps)

    def target(self, drift_cents: float, start_cents: float, applied_cents: float) -> float | None:
        """Return what is to be taken out next to prove the voice; None: wait.

        Args:
            drift_cents: believed.
            start_cents: taken out before the series.
            applied_cents: taken out now.
        """
        if self._since_step < READINGS_A_SIDE:
            return None
        if self._series_at_cents is None or (
            abs(drift_cents - self._series_at_cents) > AGAIN_CENTS and self._steps >= MOST_STEPS
        ):
            self._series_at_cents, self._steps = drift_cents, 0
        at_start = abs(applied_cents - start_cents) < 0.05
        if self._steps >= MOST_STEPS:
            return None if at_start else start_cents
        self._steps += 1
        self._since_step = 0
        if not at_start:
            return start_cents
        # One way, then the other: a whole step lies on one side of any pitch. A voice that is
        # off already is not taken further off.
        ahead = drift_cents - start_cents
        up = (ahead >= 0.0) == (self._steps % 4 == 1 or abs(ahead) > FAR_CENTS)
        return start_cents + (PROBE_CENTS if up else -PROBE_CENTS)
