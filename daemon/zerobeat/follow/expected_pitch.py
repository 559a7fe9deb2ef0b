"""What a voice is meant to sound: one line of the daemon's stream ``expected``."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from ..errors import FollowError


@dataclass(frozen=True, slots=True)
class ExpectedPitch:
    """What a voice should sound from a moment on.

    Attributes:
        at_s: monotonic seconds at which this began.
        pitch_cents: what should be heard, touch-up and tracking left out, cents above key 0;
            None while the voice has no pitch.
        sent_cents: number and bend as sent, rounded to steps of the bend.
        profile_cents: what the voice sounds at that by its profile, so that what is heard less
            this is its drift, whatever touch-up is in force.
        gate: a note-on has no note-off yet.
        strikes: counts the notes that were given to the voice.
        velocity: of the note.
        moving: a wheel moved just now, or a glide runs.
        settled_s: monotonic seconds from which on the converter has settled.
        raw: played without correction, or taken by a measurement: no business of follow's.
        touched_at_s: Unix time of the last touch-up by hand; another one starts follow anew.
    """

    at_s: float
    voice: str
    pitch_cents: float | None = None
    sent_cents: float | None = None
    profile_cents: float | None = None
    gate: bool = False
    strikes: int = 0
    velocity: int = 0
    moving: bool = False
    settled_s: float = 0.0
    raw: bool = False
    touched_at_s: float = 0.0

    @property
    def applied_cents(self) -> float:
        """What is taken out of the sounding note: sharp drift is positive."""
        if self.pitch_cents is None or self.profile_cents is None:
            return 0.0
        return self.pitch_cents - self.profile_cents


_NAMES = tuple(field.name for field in fields(ExpectedPitch))


def expected_pitch_of(line: dict[str, Any]) -> ExpectedPitch:
    """Return one line of the stream; keys of later versions are ignored.

    Raises:
        FollowError: it is none.
    """
    try:
        return ExpectedPitch(**{name: line[name] for name in _NAMES})
    except (KeyError, TypeError) as error:
        raise FollowError(f"the stream expected: found a line without {error}") from None
