"""How far a panel is off, which way to turn, and what panel octaves fit."""

from __future__ import annotations

from dataclasses import dataclass

from ..measure.pitch.take import Take, TakeRequest

IN_TUNE_CENTS = 2.0
MOST_PANEL_OCTAVES = 5


@dataclass(frozen=True, slots=True)
class PanelReading:
    """Where a panel stands.

    Attributes:
        off_cents: sounding less wanted, with the panel octaves that the rig has.
        octaves: whole octaves in it.
        rest_cents: what is left of it, -600 to 600.
        panel_octaves: what the rig would have to say if nobody turned the
            octaves; None where that is more than it allows.
        turn: "up", "down", or "" where it is good enough.
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
            return f"{self.voice}: in tune, {self.off_cents:+.1f} cents"
        side = "high" if self.off_cents > 0 else "low"
        if not self.octaves:
            return f"{self.voice}: {abs(self.off_cents):.1f} cents {side}: turn it {self.turn}"
        count = abs(self.octaves)
        names = f"{count} octave{'s' if count > 1 else ''}"
        plus = "and" if self.octaves * self.rest_cents >= 0 else "less"
        text = (
            f"{self.voice}: {names} {plus} {abs(self.rest_cents):.0f} cents {side}: "
            f"turn it {self.turn}"
        )
        if self.panel_octaves is not None:
            rest = "down" if self.rest_cents > 0 else "up"
            text += (
                f", or set panel_octaves: {self.panel_octaves} and turn it {rest} "
                f"{abs(self.rest_cents):.0f} cents"
            )
        return text


def tune_request(
    voice: str, note: int, seconds: float = 0.5, settle_s: float = 0.15
) -> TakeRequest:
    """Return the request of one round: the note, looked for anywhere."""
    return TakeRequest(voice, note, 0.0, seconds, "search", settle_s)


def panel_reading(
    take: Take, panel_octaves: int, good_cents: float = IN_TUNE_CENTS
) -> PanelReading:
    """Return how far the panel is off.

    Args:
        heard: a take that was read.
        panel_octaves: what the rig says now.
        good_cents: closer counts as in tune.
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
