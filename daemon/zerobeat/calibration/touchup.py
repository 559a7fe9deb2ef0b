"""The drift of a voice since its profile: offset and stretch, or a refusal.

A reference note at zero volts can't show a change of slope, so a check note
some octaves away is read as well.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from ..errors import MeasureError
from ..measure.pitch.take import Take, TakeRequest
from ..tuning.tracking import TrackingCurve

MOST_OFFSET_CENTS = 60.0
MOST_STRETCH_CENTS = 15.0
LEAST_APART_CENTS = 900.0  # between reference and check note


@dataclass(frozen=True, slots=True)
class DriftSinceProfile:
    """The drift of a voice since its profile, in the terms of a touch-up.

    The voice sounds ``offset_cents`` sharp at ``reference_cents`` and
    ``stretch_cents`` more for each octave above it.
    """

    voice: str
    offset_cents: float
    stretch_cents: float
    reference_cents: float
    sigma_cents: float  # of the offset
    stretch_sigma_cents: float

    def line(self) -> str:
        """Return one line of at most 79 characters."""
        return (
            f"{self.voice}: {self.offset_cents:+z.2f} cents, {self.stretch_cents:+z.2f} an octave "
            "taken out"
        )


def touch_up_requests(
    voice: str,
    reference_note: int,
    check_note: int,
    curve: TrackingCurve | None,
    panel_octaves: int,
    seconds: float = 0.4,
    settle_s: float = 0.1,
) -> tuple[TakeRequest, TakeRequest]:
    """Return the requests of a touch-up: reference note, then check note."""
    first, second = (
        TakeRequest(
            voice,
            note,
            0.0,
            seconds,
            "check",
            settle_s,
            _expected(100.0 * note, curve) + 1200.0 * panel_octaves,
        )
        for note in (reference_note, check_note)
    )
    return first, second


def drift_since_profile(
    reference: Take, check: Take | None, curve: TrackingCurve | None, panel_octaves: int
) -> DriftSinceProfile:
    """Return how far a voice has drifted since its profile was made.

    Args:
        reference, check: takes that were read, played without touch-up; with
            check None only the offset is determined.
        curve: of the profile; None is a voice without one.
        panel_octaves: as in the rig.

    Raises:
        MeasureError: the error is too large for drift: another oscillator or octave.
    """
    at, drift, sigma = _drift(reference, curve, panel_octaves)
    stretch = stretch_sigma = 0.0
    if check is not None:
        there, other, other_sigma = _drift(check, curve, panel_octaves)
        octaves = (there - at) / 1200.0
        if abs(octaves) * 1200.0 < LEAST_APART_CENTS:
            raise MeasureError(
                f"{reference.request.voice}: found reference and check note "
                f"{abs(octaves) * 12.0:.0f} semitones apart; allowed: "
                f"{LEAST_APART_CENTS / 100.0:.0f} or more"
            )
        stretch = (other - drift) / octaves
        stretch_sigma = math.hypot(sigma, other_sigma) / abs(octaves)
    if abs(drift) > MOST_OFFSET_CENTS or abs(stretch) > MOST_STRETCH_CENTS:
        raise MeasureError(
            f"{reference.request.voice}: found {drift:+.0f} cents and {stretch:+.1f} an octave off "
            f"its profile; drift is at most {MOST_OFFSET_CENTS:.0f} and {MOST_STRETCH_CENTS:.0f}; "
            "is it the right cable and the right octave? If it is: tune, then measure again"
        )
    return DriftSinceProfile(reference.request.voice, drift, stretch, at, sigma, stretch_sigma)


def _drift(take: Take, curve: TrackingCurve | None, panel_octaves: int) -> tuple[float, ...]:
    """Return the pitch by the profile, the drift from it and the drift's sigma, in cents."""
    assert take.pitch is not None
    at = _expected(take.request.commanded_cents, curve)
    return at, take.sounding_cents - 1200.0 * panel_octaves - at, take.pitch.sigma_cents


def _expected(commanded_cents: float, curve: TrackingCurve | None) -> float:
    return commanded_cents if curve is None else curve.sounding(commanded_cents)
