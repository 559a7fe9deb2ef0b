"""The aim of a measurement and its result: readings, curve, bend tests, advice."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from ...tuning.tracking import TrackingCurve


@dataclass(frozen=True, slots=True)
class Aim:
    """The aim of a measurement: which notes of which voice, to what tolerance.

    Attributes:
        voice: its name.
        lowest_note, highest_note: MIDI numbers that may be sent.
        reference_note: read again at intervals; None chooses one in the middle.
        panel_octaves: as in the rig.
        zero_volt_note: of the converter.
        bend_range_cents: of the converter, one side.
        tolerance_cents: the plan stops at two sigma of the curve below this everywhere.
        every_semitone: read each number once, for converters with wrong notes.
        notes: only these are read; empty is all.
        most_takes: the plan stops at so many in any case.
        settle_s: from note-on to the take.
        test_bend: whether bend range, small steps and errors by number are tested.
        mains_hz: notes near low multiples of these are avoided.
        middle_c_octave: for names in advice.
        glance: a glance at every note comes before the precise readings.
    """

    voice: str
    lowest_note: int
    highest_note: int
    reference_note: int | None = None
    panel_octaves: int = 0
    zero_volt_note: int = 36
    bend_range_cents: float = 200.0
    tolerance_cents: float = 0.5
    every_semitone: bool = False
    notes: tuple[int, ...] = ()
    most_takes: int = 60
    settle_s: float = 0.1
    test_bend: bool = True
    mains_hz: tuple[float, ...] = (50.0, 60.0)
    middle_c_octave: int = 4
    glance: bool = True

    @property
    def glances(self) -> bool:
        """Whether there is a glance at every note: not where each, or a list, is read anyway."""
        return self.glance and not self.every_semitone and not self.notes


@dataclass(frozen=True, slots=True)
class NoteReading:
    """One reading, as it goes into a profile.

    Attributes:
        note, bend_cents: what the converter got.
        cents: sounding less commanded, panel octaves and drift removed.
        sigma_cents: one sigma.
        at_s: time on the listener's clock.
        drift_cents: drift that was removed.
        doubtful: it contradicts the others and is left out of the curve.
    """

    note: int
    bend_cents: float
    cents: float
    sigma_cents: float
    at_s: float = 0.0
    drift_cents: float = 0.0
    doubtful: bool = False


@dataclass(frozen=True, slots=True)
class BendFacts:
    """The measured behaviour of bends.

    Attributes:
        range_cents: one side, measured.
        step_error_cents: error of a bend between two steps of seven bits; large
            with a coarse converter.
        number_error_cents: difference of a note and the next one bent down to it.
        errors_follow: whether the converter errs by volts or by note number, as
            far as that difference shows it; "" is undecided.
    """

    range_cents: float
    step_error_cents: float
    number_error_cents: float
    errors_follow: Literal["volts", "number", ""]


@dataclass(frozen=True, slots=True)
class CurveFit:
    """The result of a measuring plan.

    Attributes:
        curve: commanded against sounding pitch, panel octaves removed, with
            its unusable stretches.
        worst_cents: two sigma of the curve where it is least known, outside
            the unusable stretches.
        rough_cents: deviation of single notes from a smooth curve, one sigma.
        drift_cents_per_min: over the run, sharp positive; removed from the readings.
        bend: None if it was not tested.
        errors_follow: of the profile.
        refused: (note, reason) of notes that could not be read.
        advice: lines for the player.
        takes, sound_s: number of takes, and seconds of sound in them.
        wrong_notes: (note, cents off the smooth curve) of single notes at which the
            converter errs; the curve has a knot of its own there.
    """

    voice: str
    readings: tuple[NoteReading, ...]
    curve: TrackingCurve
    worst_cents: float
    rough_cents: float
    drift_cents_per_min: float
    bend: BendFacts | None = None
    errors_follow: Literal["volts", "number"] = "volts"
    panel_octaves: int = 0
    refused: tuple[tuple[int, str], ...] = ()
    advice: tuple[str, ...] = ()
    takes: int = 0
    sound_s: float = 0.0
    wrong_notes: tuple[tuple[int, float], ...] = ()

    def note_errors_cents(self) -> tuple[float, ...] | None:
        """Return the converter's error of each number 0 to 127; None if it errs by volts.

        A reading is the number's error as the oscillator tracks it, so the curve's
        inverse recovers it. Numbers that were not read are interpolated linearly;
        numbers beyond the outermost readings get the outermost error.
        """
        if self.errors_follow != "number":
            return None
        found: dict[int, list[tuple[float, float]]] = {}
        for one in self.readings:
            if one.bend_cents == 0.0 and not one.doubtful:
                error = self.curve.commanded(100.0 * one.note + one.cents) - 100.0 * one.note
                found.setdefault(one.note, []).append((error, one.sigma_cents))
        notes = sorted(found)
        errors = [
            sum(error / sigma**2 for error, sigma in found[note])
            / sum(1.0 / sigma**2 for _, sigma in found[note])
            for note in notes
        ]
        return tuple(float(one) for one in np.interp(np.arange(128), notes, errors))
