"""Cents, hertz, volts, beats and note names.

A pitch is one float, ``pitch_cents`` above MIDI key 0, so key 60 is 6000.0.
Hertz need a concert pitch: the frequency of A, key 69.

Sources: MIDI 1.0 Detailed Specification p. 10 (key 60 is middle C); ISO 16
(A is 440 Hz); Ellis's cent, 1200 to the octave.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from ..errors import NoteNameError, PitchRangeError

CONCERT_A_HZ = 440.0
CONCERT_A_CENTS = 6900.0
OCTAVE_CENTS = 1200.0
_FARTHEST_OCTAVES = 200.0
MIDDLE_C = 60
_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_LETTERS = {"c": 0, "d": 2, "e": 4, "f": 5, "g": 7, "a": 9, "b": 11}
_SIGNS = {"": 0, "#": 1, "s": 1, "\u266f": 1, "##": 2, "b": -1, "\u266d": -1, "bb": -2}
# "Fs2" is F sharp. "As" and "Es" are flats in other tongues, so a sharp A or E has no "s".
_NOTE = re.compile(r"([A-Ga-g])(##?|(?<=[CDFGcdfg])s|bb?|\u266f|\u266d|)(-?[0-9]{1,2})?")
_NUMBER = re.compile(r"[0-9]{1,3}")


def note_to_hertz(note: int, concert_a_hz: float = CONCERT_A_HZ) -> float:
    """Return the equal-tempered frequency of a MIDI key.

    >>> note_to_hertz(69)
    440.0
    """
    return pitch_to_hertz(100.0 * note, concert_a_hz)


def pitch_to_hertz(pitch_cents: float, concert_a_hz: float = CONCERT_A_HZ) -> float:
    """Return the frequency of a pitch in cents above key 0.

    Raises:
        PitchRangeError: the concert pitch is not above zero, or the pitch is
            beyond what a float holds.
    """
    if not 0.0 < concert_a_hz < math.inf:
        raise PitchRangeError(f"concert A: found {concert_a_hz} Hz; allowed: above 0 Hz")
    try:
        return concert_a_hz * math.exp2((pitch_cents - CONCERT_A_CENTS) / OCTAVE_CENTS)
    except OverflowError:
        raise PitchRangeError(f"pitch: found {pitch_cents} cents; no such frequency") from None


def hertz_to_pitch(hertz: float, concert_a_hz: float = CONCERT_A_HZ) -> float:
    """Return the pitch of a frequency, in cents above key 0.

    Raises:
        PitchRangeError: a frequency that is not above zero and finite.

    >>> hertz_to_pitch(880.0)
    8100.0
    """
    if not (0.0 < hertz < math.inf and 0.0 < concert_a_hz < math.inf):
        raise PitchRangeError(
            f"frequency: found {hertz} Hz at concert A {concert_a_hz} Hz; allowed: above 0 Hz"
        )
    return CONCERT_A_CENTS + OCTAVE_CENTS * math.log2(hertz / concert_a_hz)


def ratio_to_cents(ratio: float | Fraction) -> float:
    """Return the size of a frequency ratio in cents.

    An int or a ``Fraction`` may have terms of any size: they are compared as
    whole numbers before anything is rounded.

    Raises:
        PitchRangeError: the ratio is not above zero and finite.

    >>> round(ratio_to_cents(Fraction(3, 2)), 6)
    701.955001
    """
    if not 0 < ratio < math.inf:
        raise PitchRangeError(f"ratio: found {ratio}; allowed: above 0")
    if isinstance(ratio, float):
        return OCTAVE_CENTS * math.log2(ratio)
    upper, lower = ratio.numerator, ratio.denominator
    octaves = upper.bit_length() - lower.bit_length()
    if octaves > 0:
        lower <<= octaves
    else:
        upper <<= -octaves
    # The remainder is between 1/2 and 2, where log1p keeps every digit.
    return OCTAVE_CENTS * (octaves + math.log1p((upper - lower) / lower) / math.log(2.0))


def beat_hertz(
    lower_cents: float,
    upper_cents: float,
    concert_a_hz: float = CONCERT_A_HZ,
    lower_partial: int = 1,
    upper_partial: int = 1,
) -> float:
    """Return the beat rate of two pitches, positive when the upper is wide.

    Partial ``lower_partial`` of the lower tone beats with ``upper_partial`` of
    the upper one: 1 and 1 for a unison, 3 and 2 for a fifth, 5 and 4 for a
    major third.

    >>> round(beat_hertz(5300.0, 5700.0, 440.0, 5, 4), 4)
    6.9294
    """
    lower = pitch_to_hertz(lower_cents, concert_a_hz)
    upper = pitch_to_hertz(upper_cents, concert_a_hz)
    return upper_partial * upper - lower_partial * lower


def beats_to_cents(
    pitch_cents: float,
    beats_hz: float,
    limit_cents: float,
    concert_a_hz: float = CONCERT_A_HZ,
) -> float:
    """Return the cents to add so that a tone sounds ``beats_hz`` away from its pitch.

    Args:
        pitch_cents: the tone that is not detuned.
        beats_hz: wanted difference in hertz, sharp positive.
        limit_cents: largest detune, one side; low notes need many cents for
            the same beat (half a hertz is 26 cents at C1).
        concert_a_hz: frequency of key 69.

    >>> round(beats_to_cents(5700.0, 0.5, 50.0), 4)
    3.9302
    """
    octaves = (pitch_cents - CONCERT_A_CENTS) / OCTAVE_CENTS
    # Scales may reach pitches whose frequency no float holds; out there only the limit matters.
    hertz = concert_a_hz * math.exp2(max(-_FARTHEST_OCTAVES, min(_FARTHEST_OCTAVES, octaves)))
    ratio = (hertz + beats_hz) / hertz
    if ratio <= 0.0:
        return -limit_cents
    cents = OCTAVE_CENTS * math.log2(ratio)
    if cents > limit_cents:
        return limit_cents
    if cents < -limit_cents:
        return -limit_cents
    return cents


def pitch_to_volts(pitch_cents: float, zero_volt_note: int) -> float:
    """Return the volts of a pitch at one volt an octave; ``zero_volt_note`` is 0 V."""
    return (pitch_cents - 100.0 * zero_volt_note) / OCTAVE_CENTS


def volts_to_pitch(volts: float, zero_volt_note: int) -> float:
    """Return the pitch in cents that a voltage stands for at one volt an octave."""
    return 100.0 * zero_volt_note + OCTAVE_CENTS * volts


def parse_note(note: str | int, middle_c_octave: int = 4) -> int:
    """Return the MIDI key that a name or a number means.

    Args:
        note: ``"C4"``, ``"c#3"``, ``"Fs2"``, ``"Eb-1"``, ``"60"`` or ``60``.
        middle_c_octave: the octave number printed on key 60; makers use 3, 4
            or 5.

    Raises:
        NoteNameError: not a note, or not one of 0 to 127.
    """
    number = _read_note(note, middle_c_octave)
    if number is None:
        raise NoteNameError(
            f"note: found {note!r}; allowed: 0 to 127, or a name with its octave, like C4 or Eb3"
        )
    if not 0 <= number <= 127:
        lowest, highest = name_of_note(0, middle_c_octave), name_of_note(127, middle_c_octave)
        raise NoteNameError(f"note: found {note!r}; allowed: {lowest} to {highest} (0 to 127)")
    return number


def parse_pitch_class(name: str) -> int:
    """Return 0 (C) to 11 (B) for a letter with or without a sign, like ``"Bb"``.

    Raises:
        NoteNameError: not such a name.
    """
    match = _NOTE.fullmatch(name.strip()) if isinstance(name, str) else None
    if match is None or match[3]:
        raise NoteNameError(f"note name: found {name!r}; allowed: C, C#, Db ... B")
    return (_LETTERS[match[1].lower()] + _SIGNS[match[2]]) % 12


def parse_root(root: str | int, middle_c_octave: int = 4) -> int:
    """Return the key of a root: a name without octave is the key 60 to 71.

    >>> parse_root("D"), parse_root("D3"), parse_root(50)
    (62, 50, 50)
    """
    if isinstance(root, str):
        match = _NOTE.fullmatch(root.strip())
        if match and not match[3]:
            return MIDDLE_C + parse_pitch_class(root)
    return parse_note(root, middle_c_octave)


def name_of_note(note: int, middle_c_octave: int = 4) -> str:
    """Return the name of a MIDI key, black keys as sharps.

    >>> name_of_note(60), name_of_note(0, 3)
    ('C4', 'C-2')
    """
    octave, step = divmod(note - MIDDLE_C, 12)
    return f"{_NAMES[step]}{octave + middle_c_octave}"


def _read_note(note: str | int, middle_c_octave: int) -> int | None:
    if isinstance(note, bool):
        return None
    if isinstance(note, int):
        return note
    if not isinstance(note, str):
        return None
    text = note.strip()
    if _NUMBER.fullmatch(text):
        return int(text)
    match = _NOTE.fullmatch(text)
    if match is None or not match[3]:
        return None
    step = _LETTERS[match[1].lower()] + _SIGNS[match[2]]
    return MIDDLE_C + 12 * (int(match[3]) - middle_c_octave) + step
