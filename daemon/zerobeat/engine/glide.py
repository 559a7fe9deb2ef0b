"""One glide: how far a voice still is from its new pitch, at any time.

The way is measured in sounding cents and added to the pitch that the voice is to have, so a
wheel, a detune or a setting that lands meanwhile stays on top of it, and the tracking curve
corrects each step.
"""

from __future__ import annotations

import math

from .settings import VoiceSettings

TIME_CONSTANTS = 5.0  # of the shape ``rc`` in one glide, which is stretched to end at its goal
LEAST_GLIDE_CENTS = 0.01  # less is no glide
_LEFT_AT_END = math.exp(-TIME_CONSTANTS)


class Glide:
    """A glide that is under way.

    Attributes:
        begun_s: when it began.
        ends_s: when the voice is at its pitch.
        from_cents: how far above its pitch it began.
        curved: fast first, as a capacitor is charged, instead of straight.
        sent_s: when the last step left.
    """

    __slots__ = ("begun_s", "ends_s", "from_cents", "curved", "sent_s", "_length_s")

    def __init__(self, begun_s: float, length_s: float, from_cents: float, curved: bool) -> None:
        self.begun_s = self.sent_s = begun_s
        self.ends_s = begun_s + length_s
        self.from_cents = from_cents
        self.curved = curved
        self._length_s = length_s

    def cents_at(self, at_s: float) -> float:
        """Return how far above its pitch the voice is at a time; 0.0 at the end."""
        if at_s >= self.ends_s:
            return 0.0
        part = max(0.0, at_s - self.begun_s) / self._length_s
        if self.curved:
            left = (math.exp(-TIME_CONSTANTS * part) - _LEFT_AT_END) / (1.0 - _LEFT_AT_END)
        else:
            left = 1.0 - part
        return self.from_cents * left

    def cents_a_second(self, at_s: float) -> float:
        """Return how fast the pitch moves at a time, up or down."""
        rate = abs(self.from_cents) / self._length_s
        if self.curved:
            part = max(0.0, at_s - self.begun_s) / self._length_s
            rate *= TIME_CONSTANTS * math.exp(-TIME_CONSTANTS * part) / (1.0 - _LEFT_AT_END)
        return rate

    def delay(self, seconds: float) -> None:
        """Begin so much later: its note can't sound before."""
        self.begun_s += seconds
        self.ends_s += seconds
        self.sent_s = self.begun_s

    def stop(self) -> None:
        """Stay from now on where the last step has left the voice."""
        self.from_cents = self.cents_at(self.sent_s)
        self.curved = False
        self.begun_s = self.ends_s = math.inf
        self._length_s = 1.0


def new_glide(
    settings: VoiceSettings, milliseconds: float, from_cents: float, begun_s: float
) -> Glide | None:
    """Return the glide over an interval; None if there is no way, or no time.

    Args:
        settings: of the voice.
        milliseconds: for an octave or for the whole way, as the settings say.
        from_cents: how far above its pitch the voice begins.
        begun_s: when.
    """
    length_s = milliseconds / 1000.0
    if settings.glide == "by_octave":
        length_s *= abs(from_cents) / 1200.0
    if length_s <= 0.0 or abs(from_cents) < LEAST_GLIDE_CENTS:
        return None
    return Glide(begun_s, length_s, from_cents, settings.glide_shape == "rc")
