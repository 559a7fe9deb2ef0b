"""Tuning by the panel: how far a voice is off, which way to turn, which panel octaves fit."""

from __future__ import annotations

from dataclasses import dataclass

from ..measure.curve.advice import MOST_PANEL_OCTAVES
from ..measure.pitch.take import Take, TakeRequest

IN_TUNE_CENTS = 2.0


@dataclass(frozen=True, slots=True)
class PanelReading:
    """The reading of a panel's setting.

    Attributes:
        off_cents: sounding less wanted, with the panel octaves of the rig.
        octaves: whole octaves in ``off_cents``.
        rest_cents: the rest of it, -600 to 600.
        panel_octaves: the rig's setting that would fit without turning octaves;
            None where there is none or the rig does not allow it.
        turn: "up", "down", or "" where it is in tune.
    """

    voice: str
    off_cents: float
    octaves: int
    rest_cents: float
    panel_octaves: int | None
    turn: str

    def line(self) -> str:
        """Return one line: how far, which way."""
        if not self.turn:
            return f"{self.voice}: in tune, {self.off_cents:+z.1f} cents"
        side = "sharp" if self.off_cents > 0 else "flat"
        if not self.octaves:
            return f"{self.voice}: {abs(self.off_cents):.1f} cents {side}: tune it {self.turn}"
        count = abs(self.octaves)
        names = f"{count} octave{'s' if count > 1 else ''}"
        plus = "and" if self.octaves * self.rest_cents >= 0 else "less"
        text = (
            f"{self.voice}: {names} {plus} {abs(self.rest_cents):.0f} cents {side}: "
            f"tune it {self.turn}"
        )
        if self.panel_octaves is not None:
            rest = "down" if self.rest_cents > 0 else "up"
            text += (
                f", or set panel_octaves: {self.panel_octaves} and tune it {rest} "
                f"{abs(self.rest_cents):.0f} cents"
            )
        return text


def tune_request(
    voice: str,
    note: int,
    likely_cents: float | None = None,
    seconds: float = 0.5,
    settle_s: float = 0.15,
) -> TakeRequest:
    """Return the request of one round: the note, searched in the whole range.

    Args:
        likely_cents: where it sounded in the round before, or should sound; it comes first.
    """
    return TakeRequest(voice, note, 0.0, seconds, "search", settle_s, likely_cents=likely_cents)


def panel_reading(
    take: Take, panel_octaves: int, good_cents: float = IN_TUNE_CENTS
) -> PanelReading:
    """Return how far the panel is off.

    Args:
        take: that was read.
        panel_octaves: as in the rig.
        good_cents: closer is in tune.
    """
    off = take.sounding_cents - take.request.commanded_cents - 1200.0 * panel_octaves
    octaves = round(off / 1200.0)
    fits = panel_octaves + octaves
    return PanelReading(
        voice=take.request.voice,
        off_cents=off,
        octaves=octaves,
        rest_cents=off - 1200.0 * octaves,
        panel_octaves=fits if octaves and abs(fits) <= MOST_PANEL_OCTAVES else None,
        turn="" if abs(off) <= good_cents else ("down" if off > 0 else "up"),
    )
