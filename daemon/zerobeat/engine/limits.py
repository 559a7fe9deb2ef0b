"""What a player may set, said once: for files, the socket, pedals and commands alike.

``AS_STORED`` ranges are wider: files that an older version wrote are read by them.
"""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

from ..midi import RESERVED_CONTROLLERS

N = TypeVar("N", bound=float)


class Range(NamedTuple, Generic[N]):
    """The lowest and the highest value that is allowed."""

    lowest: N
    highest: N

    def __contains__(self, value: object) -> bool:
        """Return whether a number lies in the range, its ends included."""
        return isinstance(value, int | float) and self.lowest <= value <= self.highest

    def clamp(self, value: float) -> float:
        """Return the nearest value that is allowed."""
        lowest, highest = float(self.lowest), float(self.highest)
        return max(lowest, min(highest, value))

    def __str__(self) -> str:
        return f"{self.lowest:g} to {self.highest:g}"


CONCERT_A_RANGE_HZ = Range(390.0, 490.0)
TRANSPOSE_SEMITONES = Range(-60, 60)
TRANSPOSE_CENTS = Range(-1200.0, 1200.0)
TRANSPOSE_DEGREES = Range(-1000, 1000)
# The parts of a transposition, by the unit in which a pedal changes it.
TRANSPOSITIONS: dict[str, Range[int] | Range[float]] = {
    "semitones": TRANSPOSE_SEMITONES,
    "cents": TRANSPOSE_CENTS,
    "degrees": TRANSPOSE_DEGREES,
}
TOUCH_UP_OFFSET_CENTS = Range(-200.0, 200.0)
TOUCH_UP_STRETCH_CENTS = Range(-100.0, 100.0)
FOLLOW_STEP_CENTS = Range(-1.0, 1.0)  # on a sounding note, at once
TOUCH_UP_REFERENCE_CENTS = Range(0.0, 12700.0)

DEGREES = Range(-1000, 1000)
OCTAVES = Range(-10, 10)
SEMITONES = Range(-127, 127)
DETUNE_CENTS = Range(-1200.0, 1200.0)
DETUNE_BEATS_HZ = Range(-20.0, 20.0)
DETUNE_LIMIT_CENTS = Range(0.0, 1200.0)
GLIDE_MS = Range(0.0, 60_000.0)
# Numbers of ``VoiceSettings`` that files, clients and pedals set.
VOICE_SETTINGS: dict[str, Range[int] | Range[float]] = {
    "root": Range(0, 127),
    "degrees": DEGREES,
    "octaves": OCTAVES,
    "semitones": SEMITONES,
    "detune_cents": DETUNE_CENTS,
    "detune_beats_hz": DETUNE_BEATS_HZ,
    "detune_limit_cents": DETUNE_LIMIT_CENTS,
    "start_key": Range(0, 127),
    "glide_ms": GLIDE_MS,
}
CHORD_INTERVAL = Range(-48, 48)  # semitones or steps of the scale, from the key
MOST_CHORD_NOTES = 16
PEDAL_VALUE = Range(-1200.0, 1200.0)  # the ends of a pedal's way, and what a switch sets
PANEL_OCTAVES = Range(-5, 5)
BEND_RANGE_SEMITONES = Range(0.5, 127.0)  # of a converter, one side
BEND_CENTS = Range(-12700.0, 12700.0)  # of the widest converter
PLAYED_PITCH_CENTS = Range(-12700.0, 25400.0)  # that a client may ask for while it measures
PLAYED_VELOCITY = Range(1, 127)
SOCKET_CONTROLLERS = frozenset(range(128)) - RESERVED_CONTROLLERS
