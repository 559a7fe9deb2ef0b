"""Which note to read next, and when a voice is known well enough."""

from __future__ import annotations

from ..tuning.tracking import Reading, TrackingCurve
from .fit import Aim, Fit, NoteReading
from .take import Heard, Progress, Request, take_seconds


class Plan:
    """Asks for takes until the curve of a voice is known to the tolerance.

    Args:
        aim: what is to be measured, and how well.
    """

    def __init__(self, aim: Aim) -> None:
        self.aim = aim
        self._heard: list[Heard] = []
        notes = aim.notes or range(aim.lowest_note, aim.highest_note + 1)
        step = 1 if aim.every_semitone or aim.notes else 4
        self._waiting = list(notes)[::step]

    def next(self) -> Request | None:
        """Return the next request; None when the curve is known well enough."""
        if not self._waiting:
            return None
        note = self._waiting[0]
        expected = 100.0 * note + 1200.0 * self.aim.panel_octaves
        seconds = take_seconds(expected, self.aim.tolerance_cents, None)
        return Request(self.aim.voice, note, 0.0, seconds, "reading", self.aim.settle_s, expected)

    def add(self, heard: Heard) -> None:
        """Take what was heard of the last request."""
        self._waiting.pop(0)
        self._heard.append(heard)

    def progress(self) -> Progress:
        """Return how far it is, for a progress line."""
        refused = sum(one.pitch is None for one in self._heard)
        sound_s = sum(one.request.seconds for one in self._heard)
        doing = f"note {self._waiting[0]}" if self._waiting else "done"
        return Progress(
            self.aim.voice, len(self._heard), refused, sound_s, None,
            self.aim.tolerance_cents, doing,
        )  # fmt: skip

    def result(self) -> Fit:
        """Return the fit of what was heard so far."""
        panel = 1200.0 * self.aim.panel_octaves
        readings = tuple(
            NoteReading(
                one.request.note, one.request.bend_cents,
                one.sounding_cents - panel - one.request.commanded_cents,
                one.pitch.sigma_cents, one.at_s,
            )
            for one in self._heard
            if one.pitch is not None
        )  # fmt: skip
        curve = TrackingCurve.from_readings(
            [Reading(100.0 * r.note + r.bend_cents, r.cents, r.sigma_cents) for r in readings],
            bend_range_cents=self.aim.bend_range_cents,
        )
        return Fit(
            self.aim.voice, readings, curve, 0.0, 0.0, 0.0, panel_octaves=self.aim.panel_octaves,
            takes=len(self._heard),
        )  # fmt: skip
