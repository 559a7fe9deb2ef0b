"""Pitch to note number and 14-bit bend, and back.

``bend`` is signed, -8192 to 8191, centre 0. Both halves use the same step,
``range_cents`` / 8192: full up is then one step short of the range. What a
receiver makes of that last step is part of what is measured.

A converter whose errors follow the note *number* has ``note_errors_cents``:
128 cents, sharp positive, what note n sounds above 100 * n with the bend at
rest. The search looks three semitones to each side, so such an error may be
200 cents at most; ``config`` refuses larger ones.

Source: MIDI 1.0 Detailed Specification, p. 19, Pitch Bend Change.
"""

from __future__ import annotations

import math

from ..errors import BendRangeError

LOWEST_BEND = -8192
HIGHEST_BEND = 8191
_HAIR_CENTS = 1e-6  # float noise of a sum of cents is no reason to refuse
_LOOK_NOTES = 3


def cents_to_bend(cents: float, range_cents: float) -> int:
    """Return the pitch bend that moves a sounding note by ``cents``.

    Args:
        cents: wanted offset, sharp positive; finite.
        range_cents: bend range of the receiver, one side; 200.0 is two
            semitones. Above zero.

    Returns:
        Signed steps, -8192 to 8191, centre 0, rounded to nearest, halves up.
        The full upward range gives 8191, one step short: 14 bits hold no
        +8192.

    Raises:
        BendRangeError: ``cents`` is outside the range. Nothing is clipped;
            the caller moves the note number first.

    Source: MIDI 1.0 Detailed Specification, Pitch Bend Change.

    >>> cents_to_bend(50.0, 200.0)
    2048
    """
    if not -range_cents - _HAIR_CENTS <= cents <= range_cents + _HAIR_CENTS or range_cents <= 0.0:
        raise BendRangeError(
            f"bend: found {cents} cents; allowed: -{range_cents} to {range_cents}, the bend range"
        )
    bend = math.floor(cents * 8192.0 / range_cents + 0.5)
    if bend > 8191:
        return 8191
    if bend < -8192:
        return -8192
    return bend


def bend_to_cents(bend: int, range_cents: float) -> float:
    """Return how far a bend moves a note, in cents, sharp positive.

    Raises:
        BendRangeError: the bend is not one of -8192 to 8191.

    >>> bend_to_cents(-8192, 200.0)
    -200.0
    """
    if not -8192 <= bend <= 8191:
        raise BendRangeError(f"bend: found {bend}; allowed: -8192 to 8191")
    return bend * range_cents / 8192.0


def clamp_bend(cents: float, range_cents: float) -> tuple[int, bool]:
    """Return the bend nearest to ``cents`` and whether it had to be clamped.

    Only the player's wheel may need this; see ``cents_to_bend``.

    Raises:
        BendRangeError: ``cents`` is not a number, or the range is not above zero.
    """
    if cents > range_cents + _HAIR_CENTS and range_cents > 0.0:
        return HIGHEST_BEND, True
    if cents < -range_cents - _HAIR_CENTS and range_cents > 0.0:
        return LOWEST_BEND, True
    return cents_to_bend(cents, range_cents), False


def nearest_note(
    pitch_cents: float,
    lowest_note: int,
    highest_note: int,
    range_cents: float,
    note_errors_cents: tuple[float, ...] | None = None,
) -> int | None:
    """Return the note number that leaves the smallest bend to reach a pitch.

    Args:
        pitch_cents: pitch to command, without the smooth wheel; finite.
        lowest_note: first note the converter plays.
        highest_note: last one.
        range_cents: bend range of the receiver, one side.
        note_errors_cents: the converter's errors by number, or None.

    Returns:
        The number; the lower one on a tie; None if no note of the converter
        reaches the pitch within the bend range.

    >>> nearest_note(6049.0, 0, 127, 200.0), nearest_note(-300.0, 0, 127, 200.0)
    (60, None)
    """
    note = math.ceil(pitch_cents / 100.0 - 0.5)
    if note < lowest_note:
        note = lowest_note
    elif note > highest_note:
        note = highest_note
    rest = pitch_cents - 100.0 * note
    if note_errors_cents is not None:
        low = max(lowest_note, note - _LOOK_NOTES)
        high = min(highest_note, note + _LOOK_NOTES)
        least = math.inf
        for number in range(low, high + 1):
            left = pitch_cents - 100.0 * number - note_errors_cents[number]
            if abs(left) < least:
                note, rest, least = number, left, abs(left)
    if -range_cents - _HAIR_CENTS <= rest <= range_cents + _HAIR_CENTS:
        return note
    return None


def gliding_note(
    from_cents: float,
    to_cents: float,
    lowest_note: int,
    highest_note: int,
    range_cents: float,
    note_errors_cents: tuple[float, ...] | None = None,
    whole_way: bool = True,
) -> int | None:
    """Return the note number nearest to a glide's end whose bend reaches both its ends.

    Args:
        from_cents: pitch to command at the beginning; finite.
        to_cents: pitch to command at the end; finite.
        lowest_note: first note the converter plays.
        highest_note: last one.
        range_cents: bend range of the receiver, one side.
        note_errors_cents: the converter's errors by number, or None.
        whole_way: False: the bend need reach the beginning only.

    Returns:
        The number, the lower one on a tie; None if there is none.

    >>> gliding_note(4800.0, 6000.0, 0, 127, 1200.0), gliding_note(4800.0, 6010.0, 0, 127, 1200.0)
    (60, 60)
    >>> gliding_note(4790.0, 6000.0, 0, 127, 1200.0), gliding_note(4800.0, 6000.0, 0, 127, 200.0)
    (59, None)
    """
    reach = range_cents + _HAIR_CENTS
    top, bottom = from_cents, from_cents
    if whole_way:
        top, bottom = max(top, to_cents), min(bottom, to_cents)
    note = math.ceil(to_cents / 100.0 - 0.5)
    if note_errors_cents is None:
        low = max(lowest_note, math.ceil((top - reach) / 100.0))
        high = min(highest_note, math.floor((bottom + reach) / 100.0))
        return None if low > high else min(max(note, low), high)
    best = None
    least = math.inf
    low = max(lowest_note, math.ceil((top - reach) / 100.0) - _LOOK_NOTES)
    high = min(highest_note, math.floor((bottom + reach) / 100.0) + _LOOK_NOTES)
    for number in range(low, high + 1):
        sounds = 100.0 * number + note_errors_cents[number]
        rest = abs(to_cents - sounds)
        if rest < least and top - reach <= sounds <= bottom + reach:
            best, least = number, rest
    return best


def legato_note(
    pitch_cents: float,
    bend_cents_now: float,
    lowest_note: int,
    highest_note: int,
    range_cents: float,
    note_errors_cents: tuple[float, ...] | None = None,
) -> int | None:
    """Return the note number that reaches a pitch and changes the bend least.

    The voice sounds on while its bend moves just before the new note-on; the
    less the bend changes, the less the old note chirps.

    Args:
        pitch_cents: pitch to command, without the smooth wheel; finite.
        bend_cents_now: the bend in force, in cents, also without the wheel.
        lowest_note: first note the converter plays.
        highest_note: last one.
        range_cents: bend range of the receiver, one side.
        note_errors_cents: the converter's errors by number, or None.

    Returns:
        The number, or None if no note reaches the pitch within the bend range.

    >>> legato_note(6210.0, 40.0, 0, 127, 200.0)
    62
    """
    reach = range_cents + _HAIR_CENTS
    note = math.ceil((pitch_cents - bend_cents_now) / 100.0 - 0.5)
    if note_errors_cents is None:
        low = math.ceil((pitch_cents - reach) / 100.0)
        high = math.floor((pitch_cents + reach) / 100.0)
        low = low if low > lowest_note else lowest_note
        high = high if high < highest_note else highest_note
        if low > high:
            return None
        return low if note < low else high if note > high else note
    best = None
    least = math.inf
    middle = math.ceil(pitch_cents / 100.0 - 0.5)
    span = int(range_cents / 100.0) + _LOOK_NOTES
    low = max(lowest_note, min(middle - span, note - _LOOK_NOTES))
    high = min(highest_note, max(middle + span, note + _LOOK_NOTES))
    for number in range(low, high + 1):
        rest = pitch_cents - 100.0 * number - note_errors_cents[number]
        change = abs(rest - bend_cents_now)
        if change < least and -reach <= rest <= reach:
            best, least = number, change
    return best
