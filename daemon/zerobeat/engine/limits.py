"""What a player may set, said once: for files, the socket, pedals and commands alike.

``AS_STORED`` ranges are wider: files that an older version wrote are read by them.
"""

from __future__ import annotations

from typing import NamedTuple


class Range(NamedTuple):
    """The lowest and the highest value that is allowed."""

    lowest: float
    highest: float

    def __contains__(self, value: object) -> bool:
        """Return whether a number lies in the range, its ends included."""
        return isinstance(value, int | float) and self.lowest <= value <= self.highest

    def clamp(self, value: float) -> float:
        """Return the nearest value that is allowed."""
        return max(self.lowest, min(self.highest, value))

    def __str__(self) -> str:
        return f"{self.lowest:g} to {self.highest:g}"


CONCERT_A_HZ = Range(390.0, 490.0)
TRANSPOSE_SEMITONES = Range(-60, 60)
TOUCH_UP_OFFSET_CENTS = Range(-200.0, 200.0)
TOUCH_UP_STRETCH_CENTS = Range(-100.0, 100.0)
TOUCH_UP_REFERENCE_CENTS = Range(0.0, 12700.0)
TOUCH_UP_CENTS_AS_STORED = Range(-12700.0, 12700.0)
# Numbers of ``VoiceSettings`` that files, clients and pedals set.
VOICE_SETTINGS = {
    "root": Range(0, 127),
    "degrees": Range(-1000, 1000),
    "octaves": Range(-10, 10),
    "semitones": Range(-127, 127),
    "detune_cents": Range(-1200.0, 1200.0),
    "detune_beats_hz": Range(-20.0, 20.0),
    "detune_limit_cents": Range(0.0, 1200.0),
    "start_key": Range(0, 127),
}
PEDAL_VALUE = Range(-1200.0, 1200.0)  # the ends of a pedal's way, and what a switch sets
BEND_CENTS = Range(-12700.0, 12700.0)  # of the widest converter
PLAYED_PITCH_CENTS = Range(-12700.0, 25400.0)  # that a client may ask for while it measures
# A scale may name intervals of 100,000 cents. No converter sounds what lies beyond these, and
# no frequency is computed there.
REACHABLE_CENTS = Range(-60_000.0, 60_000.0)
