"""The data of a report: a voice's profile in use, earlier ones, the curve fitted again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..calibration.measurement import aim_of, by_readings
from ..config.faults import Faults
from ..config.fields import Section
from ..config.profile_file import IDENTITY, Profile, read_profile_section
from ..config.rig import LoadedRig
from ..config.yaml_source import parse_yaml
from ..engine.settings import Voice
from ..errors import ZerobeatError
from ..measure.curve.advice import panel_lines
from ..measure.pitch.reader import Pitch
from ..measure.pitch.take import Take, TakeRequest
from ..state import durable
from ..state.state_directory import state_directory
from ..state.store import Store
from ..tuning.tracking import TrackingCurve
from ..tuning.units import pitch_to_hertz, volts_to_pitch


@dataclass(frozen=True, slots=True)
class VoiceReport:
    """A voice in the report.

    Attributes:
        profile: in use.
        curve: of that profile.
        earlier: profiles before it, the oldest first.
        sigmas: one sigma of the curve at its knots, in cents; empty if unknown.
        advice: lines for the player.
    """

    voice: Voice
    profile: Profile
    zero_volt_note: int
    middle_c_octave: int
    curve: TrackingCurve
    earlier: tuple[Profile, ...]
    sigmas: tuple[float, ...] = ()
    advice: tuple[str, ...] = ()


def usable_readings(profile: Profile, one: VoiceReport) -> list[bool]:
    """Return which readings lie outside the unusable stretches; all if none would remain."""
    pitches = pitches_of(replace(one, profile=profile))
    curve = replace(IDENTITY, unusable=profile.unusable)
    kept = [curve.unusable_at(float(x)) is None for x in pitches]
    return kept if any(kept) else [True] * len(kept)


def pitches_of(one: VoiceReport) -> np.ndarray:
    """Return the pitch commanded of each reading in use, cents above key 0, shape (n,)."""
    if one.profile.against == "volts":
        return np.array([volts_to_pitch(r.volts, one.zero_volt_note) for r in one.profile.readings])
    return np.array([100.0 * r.note + r.bend_cents for r in one.profile.readings])


def voice_report(loaded: LoadedRig, name: str) -> VoiceReport:
    """Return the data of one voice, which must have a profile."""
    voice = next(one for one in loaded.rig.voices if one.name == name)
    profile = loaded.profiles[name]
    converter = loaded.converters[voice.output].converter
    shown = VoiceReport(
        voice,
        profile,
        converter.zero_volt_note,
        loaded.rig.middle_c_octave,
        profile.curve(converter.zero_volt_note, voice.bend_range_cents),
        earlier_profiles(loaded, name),
    )
    if profile.against == "volts":
        return shown
    sigmas, advice = _fitted_again(loaded, shown)
    return replace(shown, sigmas=sigmas, advice=advice)


def _fitted_again(loaded: LoadedRig, one: VoiceReport) -> tuple[tuple[float, ...], tuple[str, ...]]:
    """Return one sigma of the curve at its knots, and advice, from a new fit of the readings."""
    aim = aim_of(loaded, one.voice)
    notes = [reading.note for reading in one.profile.readings]
    panel = tuple(panel_lines(one.curve.unusable, aim))
    aim = replace(aim, lowest_note=min(notes), highest_note=max(notes), tolerance_cents=50.0)
    takes = []
    kept = usable_readings(one.profile, one)
    for reading, in_use in zip(one.profile.readings, kept, strict=True):
        if not in_use:
            continue
        sounding = 100.0 * reading.note + reading.bend_cents + reading.cents
        sounding += 1200.0 * aim.panel_octaves
        pitch = Pitch(pitch_to_hertz(sounding), reading.sigma_cents, -20.0, 0.0, 0.0, 1, 0.0)
        request = TakeRequest(one.voice.name, reading.note, reading.bend_cents, 0.0)
        takes.append(Take(request, pitch))
    try:
        fit = by_readings(takes, aim, one.voice, bool(one.profile.proof)).fit
    except ZerobeatError:
        return (), panel
    known = np.interp(one.curve.knots_cents, fit.curve.knots_cents, fit.curve.sigmas_cents)
    return tuple(float(sigma) for sigma in known), panel + fit.advice


def earlier_profiles(loaded: LoadedRig, name: str) -> tuple[Profile, ...]:
    """Return the stored generations of a voice's profile before the one in use, oldest first."""
    stored = loaded.profile_files.get(name, "")
    if not stored:
        return ()
    now = loaded.profiles[name]
    found: list[Profile] = []
    for path in durable.generations(Store(state_directory(loaded.name)).path("profiles", stored)):
        try:
            content = durable.newest(path).content
        except ZerobeatError:
            continue
        faults = Faults()
        table = parse_yaml(content, str(path), faults)
        if table is None:
            continue
        section = Section(table, faults, loaded.rig.middle_c_octave)
        profile = read_profile_section(section, name, faults)
        if profile is None or profile.against != now.against:
            continue
        if profile != now and profile not in found:
            found.append(profile)
    return tuple(reversed(found))
