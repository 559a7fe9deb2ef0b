"""One entry under ``voices`` of a rig: an oscillator on a converter channel."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from ..engine.limits import BEND_RANGE_SEMITONES, PANEL_OCTAVES
from ..engine.settings import Converter, Output, Voice
from ..errors import TrackingError, one_of
from .context import Context
from .converter_file import ConverterFile
from .curve_field import read_curve
from .fields import Section
from .file_lookup import find_file, not_found, stored_name
from .profile_file import Profile, correction_of, read_profile
from .yaml_source import Scalar

PROFILE_KINDS = ("profiles", "oscillators")
NO_PROFILE = "none"
NO_TUNING = "none"


def read_voice(
    name: str,
    section: Section,
    context: Context,
    outputs: dict[str, Output],
    converters: dict[str, ConverterFile],
    profiles: dict[str, Profile],
) -> Voice | None:
    """Return a voice with its curve; its profile is added to ``profiles``.

    None: its converter or channel is unknown, and a fault was added.
    """
    output = _output(section, outputs)
    channel = section.channel("channel_number", None, required=True)
    converter_file = converters[output] if output is not None else ConverterFile()
    converter = converter_file.converter
    semitones = section.number(
        "bend_range_semitones", converter.bend_range_cents / 100.0, *BEND_RANGE_SEMITONES
    )
    voice = Voice(
        name=name,
        output=output or "",
        channel=channel or 0,
        panel_octaves=section.whole("panel_octaves", 0, *PANEL_OCTAVES),
        bend_range_cents=100.0 * semitones,
        lowest_note=section.note("lowest_note", converter.lowest_note),
        highest_note=section.note("highest_note", converter.highest_note),
        gate_ignored=section.choice("gate", "closes", ("closes", "ignored")) == "ignored",
        tail_s=section.number("tail_s", 0.0, 0.0, 600.0),
        tuning_from=_tuning_from(section, context),
        response=read_curve(section),
    )
    path = _profile_path(name, section, context)
    section.close()
    _check_range(section, voice, converter_file)
    if output is None or channel is None:
        return None
    return (
        voice
        if path is None
        else _measured(voice, path, converter_file, section, context, profiles)
    )


def _tuning_from(section: Section, context: Context) -> str | None:
    """Return the input whose tuning messages set the scale: the voice's own, else the rig's."""
    if not section.has("tuning_from"):
        return context.tuning_from
    return read_tuning_input(section, context)


def read_tuning_input(section: Section, context: Context) -> str | None:
    """Return the input that ``tuning_from`` of a section names; None for ``none``."""
    name = section.text("tuning_from", None)
    if name is None or name == NO_TUNING:
        return None
    if context.inputs is not None and name not in context.inputs:
        allowed = f"{NO_TUNING}, or an input of the rig: {one_of(name, context.inputs)}"
        section.faults.add(section.at("tuning_from"), f"found {name}; allowed: {allowed}")
        return None
    return name


def _output(section: Section, outputs: dict[str, Output]) -> str | None:
    name = section.text("converter", None, required=True)
    if name is None or name in outputs:
        return name
    allowed = f"a name under converters: {one_of(name, outputs)}"
    section.faults.add(section.at("converter"), f"found {name}; allowed: {allowed}")
    return None


def _check_range(section: Section, voice: Voice, converter_file: ConverterFile) -> None:
    converter = converter_file.converter
    lowest, highest = converter.lowest_note, converter.highest_note
    for key, note in (("lowest_note", voice.lowest_note), ("highest_note", voice.highest_note)):
        if not lowest <= note <= highest:
            allowed = f"{lowest} to {highest}, the range of the converter"
            section.faults.add(section.at(key), f"found {note}; allowed: {allowed}")
    if voice.lowest_note > voice.highest_note:
        text = f"found {voice.highest_note}; allowed: lowest_note ({voice.lowest_note}) or above"
        section.faults.add(section.at("highest_note"), text)


def _profile_path(name: str, section: Section, context: Context) -> Path | None:
    """Return the file of a voice's profile; a missing one is a warning.

    A profile that the rig does not name is searched among profiles only, never
    among the shipped oscillators: one may happen to have the voice's name.
    """
    given = section.text("profile", None)
    if given == NO_PROFILE:
        return None
    kinds = PROFILE_KINDS if given else PROFILE_KINDS[:1]
    path = find_file(given or name, kinds, context.folder, given is None, context.stored)
    if path is not None:
        place = section.at("profile")
        return context.take(path, given or name, kinds, place, in_folders=given is None)
    text = "not measured: played raw"
    if given:
        text += f" ({not_found(given, kinds, context.folder, context.stored)})"
    context.faults.warn(section.at("profile"), text)
    return None


def profile_file(name: str, section: Section) -> str:
    """Return the name in the store of a voice's profile; "" if it has none."""
    node = section.table.entries.get("profile")
    given = node.text if isinstance(node, Scalar) else name
    return "" if given == NO_PROFILE else stored_name(given)


def _measured(
    voice: Voice,
    path: Path,
    converter_file: ConverterFile,
    section: Section,
    context: Context,
    profiles: dict[str, Profile],
) -> Voice:
    given = section.text("profile", None) or voice.name
    profile = context.read_found(
        path,
        lambda other: read_profile(other, context.faults, context.middle_c_octave),
        given,
        PROFILE_KINDS,
        section.at("profile"),
    )
    if profile is None:
        return voice
    profiles[voice.name] = profile
    try:
        return with_profile(voice, profile, converter_file)
    except TrackingError as error:
        context.faults.add(section.at("profile"), f"found {path}: {error}")
        return voice


def with_profile(voice: Voice, profile: Profile, converter_file: ConverterFile) -> Voice:
    """Return a voice with the curve of a profile, on the converter it is plugged into.

    Raises:
        TrackingError: readings from which no curve can be made.
    """
    curve, note_errors_cents = correction_of(
        profile,
        replace(converter_file, converter=_with_range(converter_file, voice)),
        voice.channel,
    )
    return replace(
        voice, curve=curve, note_errors_cents=note_errors_cents, stale=_stale(profile, voice)
    )


def _with_range(converter_file: ConverterFile, voice: Voice) -> Converter:
    return replace(converter_file.converter, bend_range_cents=voice.bend_range_cents)


def _stale(profile: Profile, voice: Voice) -> str:
    if profile.panel_octaves == voice.panel_octaves:
        return ""
    return (
        f"measured with panel_octaves {profile.panel_octaves:+d}, "
        f"the rig says {voice.panel_octaves:+d}: check or measure again"
    )
