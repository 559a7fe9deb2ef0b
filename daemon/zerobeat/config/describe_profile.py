"""What the curve of a profile makes of its readings: octave by octave, and drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ..text import counted
from ..tuning.tracking import TrackingCurve
from ..tuning.units import name_of_note, pitch_to_volts
from .converter_file import ConverterFile
from .describe import named, wrapped
from .profile_file import Profile, ProfileReading, correction_of

PLOT_ROWS = 11
PLOT_COLUMNS = 66
LEAST_PLOT_CENTS = 2.0  # a curve within a cent is drawn flat
KEPT_NOTES = 12  # shown beyond the outermost readings, at most


@dataclass(frozen=True, slots=True)
class Known:
    """How well a curve is known: two sigma by note; empty if that was not worked out."""

    cents_by_note: dict[int, float]
    proved: bool  # check notes were played


@dataclass(frozen=True, slots=True)
class _Heard:
    """The curve as it is heard, note by note."""

    profile: Profile
    curve: TrackingCurve
    note_errors: tuple[float, ...] | None
    zero_volt_note: int

    def error(self, note: int) -> float:
        commanded = 100.0 * note
        if self.note_errors is not None:
            commanded += self.note_errors[note]
        return self.curve.sounding(commanded) - 100.0 * note

    def extrapolated(self, note: int) -> bool:
        return self.curve.extrapolated(100.0 * note)

    def at(self, reading: ProfileReading) -> float:
        """Return the pitch that was commanded for a reading."""
        if self.profile.against == "volts":
            return 100.0 * self.zero_volt_note + 1200.0 * reading.volts
        return 100.0 * reading.note + reading.bend_cents


def profile_lines(profile: Profile, known: Known, ascii_only: bool = True) -> list[str]:
    """Return the curve of a profile by octave, its weak places, a plot, and its readings.

    Args:
        profile: of a file; read alone it has no converter, so C2 is taken as 0 V.
        known: how well the curve is known.
        ascii_only: draw with ASCII alone.
    """
    behind = ConverterFile()
    curve, errors = correction_of(profile, behind, 0)
    heard = _Heard(profile, curve, errors, behind.converter.zero_volt_note)
    lines = _head(profile)
    lines += _octaves(heard, known)
    lines += _weak_places(heard)
    lines += ["", *_plot(heard, ascii_only)]
    return [*lines, "", *_readings(heard)]


def _head(profile: Profile) -> list[str]:
    date = f", measured {profile.measured}" if profile.measured else ""
    kind = "an oscillator alone" if profile.against == "volts" else "a whole voice"
    return wrapped(f"profile of {profile.voice}{date}", 0) + wrapped(
        f"{kind}, against {profile.against}, panel_octaves {profile.panel_octaves:+d}, "
        f"errors follow {profile.errors_follow}; {counted(len(profile.readings), 'reading')}"
    )


def _span(heard: _Heard) -> tuple[int, int]:
    """Return the first and last note between the outermost readings or knots."""
    ends = [*(heard.at(one) for one in heard.profile.readings), *heard.curve.knots_cents]
    low, high = round(min(ends) / 100.0), round(max(ends) / 100.0)
    return min(max(low, 0), 127), max(min(high, 127), 0)


# ---------------------------------------------------------------- octave by octave


def _octaves(heard: _Heard, known: Known) -> list[str]:
    lowest, highest = _span(heard)
    read = {round(heard.at(one) / 100.0) for one in heard.profile.readings}
    lines = ["", "  octave          cents off          readings   known to"]
    for first in range(lowest - lowest % 12, highest + 1, 12):
        notes = range(max(first, lowest), min(first + 11, highest) + 1)
        errors = [heard.error(note) for note in notes]
        span = f"{name_of_note(notes[0])} to {name_of_note(notes[-1])}"
        cents = f"{min(errors):+z8.2f} to {max(errors):+z8.2f}"
        count = len(read & set(notes)) or "none"
        sure = [known.cents_by_note[note] for note in notes if note in known.cents_by_note]
        text = f"{max(sure):.1f} cents" if sure else ""
        lines.append(f"  {span:<12} {cents:<22} {count!s:>5}      {text}".rstrip())
    if known.cents_by_note:
        how = "check notes were played" if known.proved else "no check notes were played"
        lines += wrapped(f"known to: at the octave's worst note, 19 times in 20; {how}")
    return lines


def _weak_places(heard: _Heard) -> list[str]:
    lowest, highest = _span(heard)
    worst = max(range(lowest, highest + 1), key=lambda note: abs(heard.error(note)))
    volts = pitch_to_volts(100.0 * worst, heard.zero_volt_note)
    lines = wrapped(
        f"largest error {heard.error(worst):+z.2f} cents, at {named(worst)}, {volts:+z.2f} V"
    )
    for part in heard.curve.describe(heard.zero_volt_note):
        lines += wrapped(f"unusable: {part}")
    if not heard.curve.unusable:
        lines += wrapped("unusable: nothing")
    ends = [heard.curve.knots_cents[0], heard.curve.knots_cents[-1]]
    slopes = [
        12.0 * (heard.curve.sounding(end + step) - heard.curve.sounding(end) - step)
        for end, step in zip(ends, (-100.0, 100.0), strict=True)
    ]
    low, high = (named(round(end / 100.0)) for end in ends)
    return lines + wrapped(
        f"extrapolated: below {low}, {-slopes[0]:+z.1f} cents an octave, and above {high}, "
        f"{slopes[1]:+z.1f}"
    )


# ---------------------------------------------------------------- drawn


def _plot(heard: _Heard, ascii_only: bool) -> list[str]:
    """Return the error over the notes: curve, readings, extrapolated ends, unusable stretches."""
    curve, beyond, reading, axis, bar = (
        ("*", ".", "o", "-", "|") if ascii_only else ("\u2022", "\u00b7", "o", "\u2500", "\u2502")
    )
    lowest, highest = _span(heard)
    room = max(0, PLOT_COLUMNS - (highest - lowest + 1)) // 2
    first = max(0, lowest - min(KEPT_NOTES, room))
    last = min(127, highest + min(KEPT_NOTES, room))
    step = -(-(last - first + 1) // PLOT_COLUMNS)  # notes a column
    notes = range(first, last + 1, step)
    errors = [heard.error(note) for note in notes]
    read = {
        round(heard.at(one) / 100.0): heard.at(one) + one.cents for one in heard.profile.readings
    }
    shown = [*errors, 0.0, *(sounding - 100.0 * note for note, sounding in read.items())]
    low, high = min(shown), max(shown)
    if high - low < LEAST_PLOT_CENTS:
        low, high = low - LEAST_PLOT_CENTS / 2.0, high + LEAST_PLOT_CENTS / 2.0

    def row(cents: float) -> int:
        return round((high - cents) / (high - low) * (PLOT_ROWS - 1))

    grid = [[" "] * len(notes) for _ in range(PLOT_ROWS)]
    grid[row(0.0)] = [axis] * len(notes)
    for column, (note, error) in enumerate(zip(notes, errors, strict=True)):
        grid[row(error)][column] = beyond if heard.extrapolated(note) else curve
    for note, sounding in read.items():
        if first <= note <= last:
            grid[row(sounding - 100.0 * note)][(note - first) // step] = reading
    labels = {0: f"{high:+z.1f}", row(0.0): "0.0", PLOT_ROWS - 1: f"{low:+z.1f}"}
    lines = [
        f"  {labels.get(number, ''):>7} {bar}{''.join(cells)}".rstrip()
        for number, cells in enumerate(grid)
    ]
    bad = [heard.curve.unusable_at(100.0 * note) is not None for note in notes]
    if any(bad):
        lines.append(f"  {'':>7} {bar}{''.join('x' if one else ' ' for one in bad)}".rstrip())
    lines.append(f"  {'':>7}  {_names(notes)}".rstrip())
    legend = f"{curve} curve, {reading} reading, {beyond} extrapolated"
    return [*lines, f"  {'':>7}  {legend}{', x unusable' if any(bad) else ''}"]


def _names(notes: Sequence[int]) -> str:
    """Return the names of the Cs, each under its column."""
    text = ""
    for column, note in enumerate(notes):
        octave = -(-note // 12) * 12  # the next C from here on
        is_here = octave in notes[column : column + 1] or (
            len(notes) > 1 and note <= octave < note + (notes[1] - notes[0])
        )
        if is_here and len(text) <= column:
            text = text.ljust(column) + name_of_note(octave)
    return text


# ---------------------------------------------------------------- readings


def _readings(heard: _Heard) -> list[str]:
    sent = "volts" if heard.profile.against == "volts" else "note       bend"
    lines = [f"  {sent:<16} cents off   spread   left by the curve"]
    for one in heard.profile.readings:
        place = f"{one.volts:+z.3f} V"
        commanded = heard.at(one)
        if heard.profile.against == "notes":
            place = f"{named(one.note):<10} {one.bend_cents:+z.1f}"
        played = commanded + (heard.note_errors[one.note] if heard.note_errors else 0.0)
        left = commanded + one.cents - heard.curve.sounding(played)
        lines.append(f"  {place:<16} {one.cents:+z9.2f} {one.sigma_cents:8.2f} {left:+z12.2f}")
    return lines
