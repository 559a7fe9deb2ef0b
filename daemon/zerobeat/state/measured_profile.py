"""Checks a profile that was just measured, and prepares it for store and engine.

To be called in a child process, not in the one that plays: it fits a curve and formats YAML.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..config.converter_file import ConverterFile
from ..config.faults import Faults, Place
from ..config.fields import Section
from ..config.json_source import table_of
from ..config.profile_file import Profile, profile_to_yaml, read_profile_section
from ..config.voice_field import with_profile
from ..config.yaml_source import parse_yaml
from ..engine.settings import Voice
from ..errors import StoreError
from . import durable
from .sealed import yaml_checksum


@dataclass(frozen=True, slots=True)
class ReadyProfile:
    """A profile, the text of its file, the voice that uses it, and the text in use before."""

    profile: Profile
    text: str
    voice: Voice
    before: str | None = None


def generation_of(text: str) -> str:
    """Return what names a profile's generation: the first digits of the checksum in its file."""
    return yaml_checksum(text.encode())[:12]


def ready_profile(
    values: dict[str, Any],
    voice: Voice,
    converter_file: ConverterFile,
    middle_c_octave: int,
    in_use: Profile | None,
) -> ReadyProfile:
    """Return a profile given as plain values, with the keys of a profile file.

    Args:
        values: ``readings`` at least; ``voice`` is the voice's name if left out.
        voice: that is to use it.
        converter_file: of the converter that the voice is plugged into.
        middle_c_octave: how notes are named.
        in_use: the profile it used before, if any.

    Raises:
        ConfigError: all faults, each with its key.
        TrackingError: readings from which no curve can be made.
    """
    faults = Faults()
    table = table_of({"voice": voice.name, **values}, Place("put_profile", 0, "profile"))
    profile = read_profile_section(Section(table, faults, middle_c_octave), voice.name, faults)
    faults.raise_any()
    assert profile is not None
    before = None if in_use is None else profile_to_yaml(in_use)
    text = profile_to_yaml(profile)
    return ReadyProfile(profile, text, with_profile(voice, profile, converter_file), before)


def earlier_profile(
    path: Path, voice: Voice, converter_file: ConverterFile, middle_c_octave: int
) -> ReadyProfile:
    """Return the profile that was stored before the newest one.

    Raises:
        StoreError: none is kept.
        ConfigError: it can't be read.
        TrackingError: as for ``ready_profile``.
    """
    earlier = durable.previous(path)
    faults = Faults()
    table = parse_yaml(earlier.content, str(earlier.path), faults)
    faults.raise_any()
    if table is None:
        raise StoreError(f"{earlier.path}: found nothing in it; needed: a profile")
    profile = read_profile_section(Section(table, faults, middle_c_octave), voice.name, faults)
    faults.raise_any()
    assert profile is not None
    text = earlier.content.decode()
    return ReadyProfile(profile, text, with_profile(voice, profile, converter_file))
