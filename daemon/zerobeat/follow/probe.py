"""Proves that an input shows a voice's own moves, before more than half a cent is moved.

The correction steps to and fro by ``PROBE_CENTS``, which nobody hears, and the same notes are
compared across a step. An oscillator that is another's slave, or a swapped cable, shows nothing.
One that takes whole cents only (a digital oscillator, a soft synth) shows nothing or a whole
cent: it is known by that, and must show larger moves later.
"""

from __future__ import annotations

from collections import deque

from .drift_model import DriftReading

PROBE_CENTS = 0.45
READINGS_A_SIDE = 3
MOST_STEPS = 8  # of a series; then it rests until the drift has changed
AGAIN_CENTS = 0.3  # of drift, after which another series begins
COMPARED_WITHIN_S = 40.0
GRID_CENTS = 1.0
GRID_VOTES = 2
NOTHING_CENTS = 0.2


class MoveProbe:
    """The probing of one voice.

    Attributes:
        grid_cents: whole steps that the oscillator takes; 0.0 where it takes any.
    """

    def __init__(self) -> None:
        self.grid_cents = 0.0
        self._heard: dict[int, DriftReading] = {}
        self._shown: deque[float] = deque(maxlen=12)
        self._steps = 0
        self._series_at_cents: float | None = None
        self._since_step = 0

    def add(self, reading: DriftReading, rate_cents_per_s: float) -> bool:
        """Take a reading; return True once a grid has just been found."""
        self._since_step += 1
        note = round(reading.pitch_cents / 100.0)
        before = self._heard.get(note)
        self._heard[note] = reading
        if before is None or reading.at_s - before.at_s > COMPARED_WITHIN_S:
            return False
        asked = reading.applied_cents - before.applied_cents
        if not 0.6 * PROBE_CENTS < abs(asked) < 1.4 * PROBE_CENTS:
            return False
        drifted = rate_cents_per_s * (reading.at_s - before.at_s)
        error = (reading.drift_cents - reading.applied_cents) - (
            before.drift_cents - before.applied_cents
        )
        self._shown.append(-(error - drifted) * (1.0 if asked > 0.0 else -1.0))
        return self._look_for_grid()

    def _look_for_grid(self) -> bool:
        whole = sum(0.75 < one < 1.3 for one in self._shown)
        nothing = sum(abs(one) < NOTHING_CENTS for one in self._shown)
        found = whole >= GRID_VOTES and whole + nothing >= 0.75 * len(self._shown)
        if found and not self.grid_cents:
            self.grid_cents = GRID_CENTS
            return True
        return False

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
        # One way, then the other: a whole step lies on one side of any pitch.
        up = (drift_cents >= start_cents) == (self._steps % 4 == 1)
        return start_cents + (PROBE_CENTS if up else -PROBE_CENTS)
