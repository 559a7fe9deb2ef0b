"""Reads files of readings: a tuner's typed table, a profile, a recorded sweep, a meter's volts."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from ..config.profile_file import load_profile
from ..config.yaml_source import LARGEST_FILE_BYTES, read_bytes
from ..engine.settings import Voice
from ..errors import ConfigError, MeasureError, NoteNameError, StoreError
from ..measure.audio.sweep import read_sweep
from ..measure.audio.wav import read_wav
from ..measure.pitch.reader import Pitch
from ..measure.pitch.take import Take, TakeRequest
from ..tuning.readings import TYPED_SPREAD_CENTS
from ..tuning.units import parse_note, pitch_to_hertz

MOST_FILE_LINES = 4000
MOST_CENTS = 1200.0
MOST_VOLTS = 15.0
_COMMENT = re.compile(r"(?:^|(?<=[\s\ufeff]))#")  # F#2 is a note
_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)\Z", re.ASCII)
Row = TypeVar("Row")


@dataclass(frozen=True, slots=True)
class TypedReading:
    """A line of a tuner's table: the key played, the cents shown, their sigma."""

    note: int
    cents: float
    sigma_cents: float
    line: int


@dataclass(frozen=True, slots=True)
class TypedVolts:
    """A line of a meter's table: channel 0 to 15, the note sent, the volts read."""

    channel: int
    note: int
    volts: float
    line: int


def read_typed(path: Path, voice: Voice, middle_c_octave: int) -> list[Take]:
    """Return a tuner's readings: lines of text, or the readings of a profile file (.yaml).

    Raises:
        ConfigError: all bad lines.
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
        pitch = Pitch(pitch_to_hertz(sounding), one.sigma_cents, -20.0, 0.0, 0.0, 1, 0.0)
        takes.append(Take(TakeRequest(voice.name, one.note, one.bend_cents, 0.0), pitch))
    return takes


def read_recording(
    path: Path, channel_number: int, voice: Voice, notes: Sequence[int], middle_c_octave: int
) -> list[Take]:
    """Return the takes of a recorded sweep.

    Args:
        path: of a WAV file.
        channel_number: of the file, from 1.
        voice: of the rig.
        notes: numbers in the order in which they were played.

    Raises:
        MeasureError: no WAV file, no such channel, or another sweep.
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
        # Without a repeated note, drift and curve can't be separated: times are dropped.
        takes = [Take(one.request, one.pitch, one.refused, 0.0) for one in takes]
    return takes


def typed_takes(readings: Sequence[TypedReading], voice: Voice) -> list[Take]:
    """Return typed readings as takes; a typed key is as a tuner names it, with panel octaves.

    Raises:
        MeasureError: a key outside the voice's range.
    """
    takes = []
    for one in readings:
        number = one.note - 12 * voice.panel_octaves
        if not voice.lowest_note <= number <= voice.highest_note:
            raise MeasureError(
                f"line {one.line}: found the key {one.note}; with panel_octaves "
                f"{voice.panel_octaves} that is note {number}; allowed: {voice.lowest_note} to "
                f"{voice.highest_note}"
            )
        hertz = pitch_to_hertz(100.0 * one.note + one.cents)
        pitch = Pitch(hertz, one.sigma_cents, -20.0, 0.0, 0.0, 1, 0.0)
        takes.append(Take(TakeRequest(voice.name, number, 0.0, 0.0), pitch))
    return takes


def parse_readings(text: str, file: str, middle_c_octave: int = 4) -> list[TypedReading]:
    """Return a tuner's readings: a note and its cents on each line, perhaps a spread.

    Blank lines are skipped, and comments: a ``#`` at a line's start or after a blank.
    Columns are separated by blanks, tabs, commas or semicolons.

    Raises:
        ConfigError: all bad lines, each with file and line.

    >>> parse_readings("C4 +3.2\\n61; -1.5; 0.2\\nF#2 1.1  # flat", "reed.txt")[2].note
    42
    """

    def read(columns: list[str], line: int) -> TypedReading:
        if len(columns) not in (2, 3):
            raise _BadLineError("a note and cents, such as C4 +3.2, and perhaps a spread")
        sigma = _typed_number(columns[2], "spread", 0.0, MOST_CENTS) if len(columns) == 3 else None
        return TypedReading(
            _typed_note(columns[0], middle_c_octave),
            _typed_number(columns[1], "cents", -MOST_CENTS, MOST_CENTS),
            TYPED_SPREAD_CENTS if sigma is None else max(sigma, 0.01),
            line,
        )

    return list(_parse_rows(text, file, read))


def parse_volts(text: str, file: str, middle_c_octave: int = 4) -> list[TypedVolts]:
    """Return a meter's readings: channel number, note and volts on each line.

    Raises:
        ConfigError: all bad lines, each with file and line.

    >>> parse_volts("1 C2 0.0012", "quad.txt")
    [TypedVolts(channel=0, note=36, volts=0.0012, line=1)]
    """
    seen: dict[tuple[int, int], int] = {}

    def read(columns: list[str], line: int) -> TypedVolts:
        if len(columns) != 3:
            raise _BadLineError("a channel number, a note and volts, such as 1 C2 0.0012")
        if not columns[0].isdecimal() or not 1 <= int(columns[0]) <= 16:
            raise _BadLineError(f"channel number {columns[0]}; allowed: 1 to 16", whole=True)
        channel, note = int(columns[0]) - 1, _typed_note(columns[1], middle_c_octave)
        first = seen.setdefault((channel, note), line)
        if first != line:
            raise _BadLineError(f"note {columns[1]} as on line {first}; allowed: once", whole=True)
        return TypedVolts(
            channel, note, _typed_number(columns[2], "volts", -MOST_VOLTS, MOST_VOLTS), line
        )

    return list(_parse_rows(text, file, read))


class _BadLineError(Exception):
    """A line that can't be read; its text is what is allowed, with ``whole`` the whole message."""

    def __init__(self, text: str, whole: bool = False) -> None:
        super().__init__(text)
        self.whole = whole


def _parse_rows(text: str, file: str, read: Callable[[list[str], int], Row]) -> Iterator[Row]:
    problems: list[str] = []
    found: list[Row] = []
    lines = text.splitlines()
    for line, typed in enumerate(lines[: MOST_FILE_LINES + 1], start=1):
        content = (
            _COMMENT.split(typed, maxsplit=1)[0].replace("\N{MINUS SIGN}", "-").strip("\ufeff \t")
        )
        if not content:
            continue
        try:
            found.append(read(_columns(content), line))
        except _BadLineError as bad:
            said = str(bad) if bad.whole else f"{content[:40]!r}; allowed: {bad}"
            problems.append(f"{file}:{line}: found {said}")
    if len(lines) > MOST_FILE_LINES:
        problems.append(f"{file}: found {len(lines)} lines; allowed: up to {MOST_FILE_LINES}")
    if not problems and not found:
        problems.append(f"{file}: found no readings; needed: one a line")
    if problems:
        raise ConfigError(problems)
    yield from found


def _columns(content: str) -> list[str]:
    """Return the columns of a line.

    A comma between digits may be a decimal comma: it is refused beside other
    separators, and where several commas stand without a decimal point.
    """
    between = re.search(r"\d,\d+(?![.\d])", content)
    spaced = re.search(r"[ \t;]", content) is not None
    if between and (spaced or (content.count(",") > 1 and "." not in content)):
        raise _BadLineError(
            f"{content[:40]!r}; allowed: numbers with a point, such as 3.2", whole=True
        )
    return [one for one in re.split(r"[ \t;,]+", content) if one]


def _typed_note(text: str, middle_c_octave: int) -> int:
    try:
        return parse_note(int(text) if text.isdecimal() else text, middle_c_octave)
    except NoteNameError as error:
        raise _BadLineError(
            str(error).removeprefix("note: ").removeprefix("found "), whole=True
        ) from None


def _typed_number(text: str, name: str, low: float, high: float) -> float:
    if not _DECIMAL.match(text) or not low <= float(text) <= high:
        raise _BadLineError(f"{name} {text}; allowed: a number, {low:g} to {high:g}", whole=True)
    return float(text)


def read_text_file(path: Path) -> str:
    """Return a small text file.

    Raises:
        ConfigError: it can't be read, or is no UTF-8 text.
    """
    content = read_bytes(path, LARGEST_FILE_BYTES)
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
