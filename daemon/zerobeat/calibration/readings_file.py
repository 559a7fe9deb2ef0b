"""Files of readings that were taken another way: typed tables and recorded sweeps."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..config.profile_file import load_profile
from ..config.yaml_source import LARGEST_BYTES, read_bytes
from ..engine.settings import Voice
from ..errors import ConfigError, MeasureError, StoreError
from ..measure.audio.sweep import read_sweep
from ..measure.audio.wav import read_wav
from ..measure.pitch.reader import Pitch
from ..measure.pitch.take import Take, TakeRequest
from ..tuning.units import pitch_to_hertz
from .measurement import typed_takes
from .typed_readings import parse_readings


def read_typed(path: Path, voice: Voice, middle_c_octave: int) -> list[Take]:
    """Return a tuner's readings: lines of text, or the readings of a profile file (.yaml).

    Raises:
        ConfigError: every bad line.
    """
    if path.suffix in (".yaml", ".yml"):
        return _of_profile(path, voice, middle_c_octave)
    text = read_text_file(path)
    return typed_takes(parse_readings(text, str(path), middle_c_octave), voice)


def _of_profile(path: Path, voice: Voice, middle_c_octave: int) -> list[Take]:
    profile = load_profile(path, middle_c_octave)
    if profile.against != "notes":
        raise ConfigError([f"{path}: found readings against volts; allowed: against notes"])
    takes = []
    for one in profile.readings:
        sounding = 100.0 * one.note + one.bend_cents + one.cents + 1200.0 * voice.panel_octaves
        pitch = Pitch(pitch_to_hertz(sounding), one.spread_cents, -20.0, 0.0, 0.0, 1, 0.0)
        takes.append(Take(TakeRequest(voice.name, one.note, one.bend_cents, 0.0), pitch))
    return takes


def read_recording(
    path: Path, channel_number: int, voice: Voice, notes: Sequence[int], middle_c_octave: int
) -> list[Take]:
    """Return the takes of a recorded sweep.

    Args:
        channel_number: of the file, from 1.
        notes: as they were played, in order.

    Raises:
        MeasureError: no WAV file, no such channel, another sweep.
    """
    recording = read_wav(path)
    channels = recording.samples.shape[1]
    if not 1 <= channel_number <= channels:
        raise MeasureError(f"{path}: found {channels} channels; allowed: --channel 1 to {channels}")
    takes = read_sweep(
        recording.samples[:, channel_number - 1],
        recording.sample_rate_hz,
        voice.name,
        notes,
        voice.panel_octaves,
        middle_c_octave,
    )
    if len(set(notes)) == len(notes):
        # Without a note that comes again, drift can't be told from the curve.
        takes = [Take(one.request, one.pitch, one.refused, 0.0) for one in takes]
    return takes


def read_text_file(path: Path) -> str:
    """Return a small text file.

    Raises:
        ConfigError: it can't be read, or is no text.
    """
    content = read_bytes(path, LARGEST_BYTES)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ConfigError([f"{path}: found bytes that are no UTF-8 text"]) from None


def write_text_file(path: Path, text: str) -> None:
    """Write a file of the player's choice.

    Raises:
        StoreError: it can't be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        raise StoreError(f"{path}: cannot be written: {reason}") from None
