"""Profile files, read and written: the readings of a voice.

A profile ``against: notes`` is of a whole voice, converter and oscillator
together, and is used alone. One ``against: volts`` is of an oscillator, and
is joined with the table of the converter it is plugged into.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import yaml

from ..engine.limits import BEND_CENTS, PANEL_OCTAVES, PLAYED_PITCH_CENTS
from ..errors import TrackingError
from ..tuning.readings import MAX_READINGS, TYPED_SPREAD_CENTS
from ..tuning.tracking import Reading, TrackingCurve, Unusable, compose
from ..tuning.units import volts_to_pitch
from .converter_file import ConverterFile, line_through
from .faults import Faults
from .fields import Section
from .yaml_source import Listing, read_yaml

UNSTATED_SPREAD_CENTS = 0.1
IDENTITY = TrackingCurve((0.0, 12700.0), (0.0, 12700.0))


@dataclass(frozen=True, slots=True)
class ProfileReading:
    """One measured pitch: what was sent, the cents off, the spread.

    ``note`` and ``bend_cents`` are what the converter got; with
    ``against: volts`` it is ``volts`` instead and they are unused. Where the
    spread is not ``stated``, ``spread_cents`` is what files of 0.1.0 took for it.
    """

    cents: float
    note: int = 0
    bend_cents: float = 0.0
    volts: float = 0.0
    spread_cents: float = UNSTATED_SPREAD_CENTS
    stated: bool = field(default=True, compare=False)

    @property
    def sigma_cents(self) -> float:
        """Standard uncertainty: the spread, or without one that of any typed reading."""
        return self.spread_cents if self.stated else TYPED_SPREAD_CENTS


@dataclass(frozen=True, slots=True)
class CheckNote:
    """A note that was not used for the fit: its error without and with the correction."""

    note: int
    before_cents: float
    after_cents: float


@dataclass(frozen=True, slots=True)
class Profile:
    """The readings of a voice.

    ``knots`` are pairs of commanded and sounding pitch in cents, rising, where
    a fit has already chosen them (``against: notes`` only). With
    ``errors_follow: number`` they are what is left without the numbers' own
    errors. ``unusable`` are the stretches that the fit found. ``proof`` and
    ``drift_cents_per_min`` (while it was measured) are for reports only.
    """

    voice: str
    readings: tuple[ProfileReading, ...]
    panel_octaves: int = 0
    measured: str = ""  # date, as written
    against: Literal["notes", "volts"] = "notes"
    errors_follow: Literal["volts", "number"] = "volts"
    knots: tuple[tuple[float, float], ...] = ()
    unusable: tuple[Unusable, ...] = ()
    proof: tuple[CheckNote, ...] = ()
    drift_cents_per_min: float = 0.0

    def curve(self, zero_volt_note: int = 36, bend_range_cents: float = 200.0) -> TrackingCurve:
        """Return the curve of this profile alone.

        Raises:
            TrackingError: readings from which no curve can be made.
        """
        if self.knots:
            commanded, sounding = zip(*self.knots, strict=True)
            return TrackingCurve(commanded, sounding, self.unusable)
        readings = [
            Reading(self.pitch_cents(r, zero_volt_note), r.cents, r.sigma_cents)
            for r in self.readings
        ]
        curve = TrackingCurve.from_readings(readings, bend_range_cents=bend_range_cents)
        return replace(curve, unusable=curve.unusable + self.unusable) if self.unusable else curve

    def pitch_cents(self, reading: ProfileReading, zero_volt_note: int) -> float:
        """Return the pitch that was commanded for a reading."""
        if self.against == "volts":
            return volts_to_pitch(reading.volts, zero_volt_note)
        return 100.0 * reading.note + reading.bend_cents


def correction_of(
    profile: Profile, converter_file: ConverterFile, channel: int
) -> tuple[TrackingCurve, tuple[float, ...] | None]:
    """Return the curve of a voice and its errors by note number, if there are any.

    Args:
        profile: of the voice, or of its oscillator.
        converter_file: the converter it is plugged into.
        channel: 0 to 15.

    Raises:
        TrackingError: readings from which no curve can be made.
    """
    converter = converter_file.converter
    curve = profile.curve(converter.zero_volt_note, converter.bend_range_cents)
    if profile.against == "notes":
        if profile.errors_follow == "number":
            smooth = curve if profile.knots else IDENTITY
            return smooth, _errors_by_number(profile, smooth)
        return curve, None
    if converter.errors_follow == "number":
        return curve, converter_file.note_errors_cents(channel)
    table = converter_file.curve(channel)
    return (curve if table is None else compose(table, curve)), None


def _errors_by_number(profile: Profile, smooth: TrackingCurve) -> tuple[float, ...]:
    """Return the mean error of each note as sent without bend, and lines between.

    What the smooth curve makes of an error is taken back by its inverse.
    """
    by_note: dict[int, list[float]] = {}
    for reading in profile.readings:
        if reading.bend_cents == 0.0:
            error = smooth.commanded(100.0 * reading.note + reading.cents) - 100.0 * reading.note
            by_note.setdefault(reading.note, []).append(error)
    if not by_note:
        raise TrackingError(
            "readings: found none without bend; needed: one, as errors follow number"
        )
    notes = sorted(by_note)
    errors = [sum(by_note[note]) / len(by_note[note]) for note in notes]
    return tuple(line_through(notes, errors, note) for note in range(128))


# ---------------------------------------------------------------- in


def load_profile(path: Path, middle_c_octave: int = 4) -> Profile:
    """Return the profile of a file.

    Raises:
        ConfigError: all faults of the file.
    """
    faults = Faults()
    profile = read_profile(path, faults, middle_c_octave)
    faults.raise_any()
    assert profile is not None
    return profile


def read_profile(path: Path, faults: Faults, middle_c_octave: int = 4) -> Profile | None:
    """Return the profile of a file; faults are added, and None means there are some."""
    table = read_yaml(path, faults)
    if table is None:
        return None
    return read_profile_section(Section(table, faults, middle_c_octave), path.stem, faults)


def read_profile_section(section: Section, name: str, faults: Faults) -> Profile | None:
    """Return the profile of a section, of a voice called ``name`` unless it says another."""
    before = len(faults.problems)
    against = section.choice("against", "notes", ("notes", "volts"))
    profile = Profile(
        voice=section.text("voice", name),
        panel_octaves=section.whole("panel_octaves", 0, *PANEL_OCTAVES),
        measured=section.text("measured", ""),
        against=against,
        errors_follow=section.choice("errors_follow", "volts", ("volts", "number")),
        readings=_readings(section, against),
        knots=_knots(section, against),
        unusable=_unusable(section),
        proof=_proof(section),
        drift_cents_per_min=section.number("drift_cents_per_min", 0.0, -1000.0, 1000.0),
    )
    section.close()
    if len(faults.problems) > before:
        return None
    try:
        profile.curve()
    except TrackingError as error:
        faults.add(section.at("knots" if profile.knots else "readings"), str(error))
        return None
    return profile


def _readings(section: Section, against: str) -> tuple[ProfileReading, ...]:
    node = section.node("readings", required=True, allowed="a list of readings")
    if node is None:
        return ()
    if not isinstance(node, Listing) or not 1 <= len(node.items) <= MAX_READINGS:
        count = f"{len(node.items)} readings" if isinstance(node, Listing) else "no list"
        section.faults.add(node.place, f"found {count}; allowed: 1 to {MAX_READINGS} readings")
        return ()
    sections = [section.within(item) for item in node.items]
    return tuple(_reading(inner, against) for inner in sections if inner is not None)


def _reading(section: Section, against: str) -> ProfileReading:
    note, bend_cents, volts = 0, 0.0, 0.0
    if against == "notes":
        section.node("note", required=True, allowed="the note that was sent")
        note = section.note("note", 0)
        bend_cents = section.number("bend_cents", 0.0, *BEND_CENTS)
    else:
        volts = section.number("volts", 0.0, -15.0, 15.0, required=True)
    cents = section.number("cents", 0.0, *BEND_CENTS, required=True)
    spread_cents = section.number("spread_cents", UNSTATED_SPREAD_CENTS, 0.0, 12700.0)
    section.close()
    stated = section.has("spread_cents")
    return ProfileReading(cents, note, bend_cents, volts, spread_cents, stated)


def _knots(section: Section, against: str) -> tuple[tuple[float, float], ...]:
    if section.has("knots") and against == "volts":
        section.faults.add(section.at("knots"), "found knots; allowed with against: notes only")
    knots = []
    for item in section.items("knots"):
        inner = section.within(item)
        if inner is not None:
            commanded = inner.number("commanded_cents", 0.0, *PLAYED_PITCH_CENTS, required=True)
            sounding = inner.number("sounding_cents", 0.0, *PLAYED_PITCH_CENTS, required=True)
            inner.close()
            knots.append((commanded, sounding))
    return tuple(knots)


def _unusable(section: Section) -> tuple[Unusable, ...]:
    found = []
    for item in section.items("unusable"):
        inner = section.within(item)
        if inner is not None:
            low = inner.number("lowest_cents", 0.0, *PLAYED_PITCH_CENTS, required=True)
            high = inner.number("highest_cents", 0.0, *PLAYED_PITCH_CENTS, required=True)
            found.append(Unusable(low, high, inner.text("reason", "not to be trusted")))
            inner.close()
    return tuple(found)


def _proof(section: Section) -> tuple[CheckNote, ...]:
    found = []
    for item in section.items("proof"):
        inner = section.within(item)
        if inner is not None:
            inner.node("note", required=True, allowed="the key that was played")
            note = inner.note("note", 0)
            before = inner.number("before_cents", 0.0, *BEND_CENTS, required=True)
            after = inner.number("after_cents", 0.0, *BEND_CENTS, required=True)
            found.append(CheckNote(note, before, after))
            inner.close()
    return tuple(found)


# ---------------------------------------------------------------- out


def profile_to_yaml(profile: Profile) -> str:
    """Return the text of a profile file; ``load_profile`` reads back an equal profile."""
    return yaml.safe_dump(
        profile_values(profile),
        sort_keys=False,
        default_flow_style=None,
        allow_unicode=True,
        width=1000,
    )


def profile_values(profile: Profile) -> dict[str, Any]:
    """Return a profile as plain values, with the keys of a profile file."""
    head: dict[str, Any] = {"voice": profile.voice, "panel_octaves": profile.panel_octaves}
    if profile.measured:
        head["measured"] = profile.measured
    head |= {"against": profile.against, "errors_follow": profile.errors_follow}
    if profile.against == "volts":
        rows = [{"volts": r.volts, **_measured(r)} for r in profile.readings]
    else:
        rows = [
            {"note": r.note, "bend_cents": r.bend_cents, **_measured(r)} for r in profile.readings
        ]
    head["readings"] = rows
    if profile.knots:
        head["knots"] = [{"commanded_cents": x, "sounding_cents": y} for x, y in profile.knots]
    if profile.unusable:
        head["unusable"] = [asdict(stretch) for stretch in profile.unusable]
    if profile.proof:
        head["proof"] = [asdict(check) for check in profile.proof]
    if profile.drift_cents_per_min:
        head["drift_cents_per_min"] = profile.drift_cents_per_min
    return head


def _measured(reading: ProfileReading) -> dict[str, float]:
    spread = {"spread_cents": reading.spread_cents} if reading.stated else {}
    return {"cents": reading.cents, **spread}
