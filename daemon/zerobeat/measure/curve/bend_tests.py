"""Tests of a converter's bends: range, small steps, errors by note number or by volts.

Three takes decide: a reference note bent nearly the whole range, the same note
bent to half way between two steps of seven bits, and the next note bent down to
the same pitch.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

from ...errors import VoiceMeasureError
from ..pitch.take import Take
from .fit_result import Aim, BendFacts

FULL_SHARE = 0.96  # of the range, for the wide bend
MOST_OFF_RATIO = 0.03  # of the range; more is a wrong range
NUMBER_CENTS = 0.5  # a difference this large is no noise
NUMBER_SIGMAS = 5.0
STEP_CENTS = 0.6  # a small bend this far off is reported


def wide_bend(range_cents: float) -> float:
    """Return the bend in cents that tests the range, on a step that seven bits have too."""
    step = range_cents / 64.0
    return round(FULL_SHARE * range_cents / step) * step


def middle_bend(range_cents: float) -> float:
    """Return a bend near 50 cents, half way between two steps of seven bits."""
    step = range_cents / 64.0
    return (max(1, round(50.0 / step)) - 0.5) * step


def tests_number(range_cents: float) -> bool:
    """Return whether the range is wide enough for two neighbouring notes to meet."""
    return range_cents >= 75.0


def check_range(aim: Aim, rest: Take, wide: Take) -> None:
    """Refuse a bend range that is not what the rig says (B3).

    Args:
        rest: the reference note without bend.
        wide: the same note with ``wide_bend``.

    Raises:
        MeasureError: the range is another; the text names the measured one.
    """
    ratio = (wide.sounding_cents - rest.sounding_cents) / wide.request.bend_cents
    # The oscillator's own slope is a few parts in a hundred at most; a wrong range is far off.
    if abs(ratio - 1.0) <= MOST_OFF_RATIO:
        return
    measured = ratio * aim.bend_range_cents
    semitones = measured / 100.0
    if measured < 1.0:
        what = "no bend at all; is the channel right, does the converter take bends?"
    else:
        what = (
            f"a bend range of {semitones:.2f} semitones; set bend_range_semitones: "
            f"{round(semitones) or round(semitones, 2)} in the rig, or the converter's own range"
        )
    raise VoiceMeasureError(
        aim.voice,
        f"the rig says {aim.bend_range_cents / 100.0:g} semitones, found {what}; "
        "the old profile is untouched",
    )


def bend_facts(
    aim: Aim,
    error_of: Callable[[float], float],
    rest: Take,
    wide: Take,
    middle: Take,
    at_middle: Take,
    next_down: Take | None,
    rough_cents: float,
) -> BendFacts:
    """Return the measured behaviour of bends.

    Args:
        aim: of the plan.
        error_of: the voice's smooth error at a commanded pitch, from readings without bend.
        rest, wide, middle: the reference note at its bends.
        at_middle: a note with the same bend as ``middle``; it may be ``middle``.
        next_down: the note above that, bent down to its pitch; None if out of reach.
        rough_cents: deviation of single notes from the smooth curve.
    """
    start = rest.request.commanded_cents

    def moved(take: Take) -> float:
        """Return how far a bend moved the pitch, the voice's own slope removed."""
        slope = error_of(start + take.request.bend_cents) - error_of(start)
        return take.sounding_cents - rest.sounding_cents - slope

    ratio = moved(wide) / wide.request.bend_cents
    step_error = moved(middle) - ratio * middle.request.bend_cents
    number = 0.0
    follow: Literal["volts", "number", ""] = ""
    if next_down is not None and next_down.pitch is not None and at_middle.pitch is not None:
        number = next_down.sounding_cents - at_middle.sounding_cents
        sigma = (next_down.pitch.sigma_cents**2 + at_middle.pitch.sigma_cents**2) ** 0.5
        # A wrong range moves the two apart as well; that part is removed.
        number += (ratio - 1.0) * (at_middle.request.bend_cents - next_down.request.bend_cents)
        if abs(number) > max(NUMBER_CENTS, NUMBER_SIGMAS * sigma):
            follow = "number"
        elif rough_cents > NUMBER_CENTS:
            follow = "volts"
    return BendFacts(ratio * aim.bend_range_cents, step_error, number, follow)


def bend_advice(found: BendFacts, aim: Aim) -> Sequence[str]:
    """Return the advice on bends, one line each."""
    lines = []
    if abs(found.step_error_cents) > STEP_CENTS:
        lines.append(
            f"small bends come out {abs(found.step_error_cents):.1f} cents off: the converter's "
            "bend or pitch steps are coarse, and no curve can better that"
        )
    if found.errors_follow == "number":
        todo = "" if aim.every_semitone else "; measure with --every-semitone"
        lines.append(
            f"a note and its neighbour bent to the same pitch differ by "
            f"{found.number_error_cents:+z.1f} cents: the converter errs by note number{todo}"
        )
    off = found.range_cents / aim.bend_range_cents - 1.0
    if abs(off) > 0.004:
        lines.append(
            f"bends come out {100.0 * off:+z.1f} % wide: up to {abs(off) * 50.0:.1f} cents at half "
            "a semitone"
        )
    return lines
