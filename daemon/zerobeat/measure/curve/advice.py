"""Advice to the player after a fit: panel, trimmer, cables, what to measure again."""

from __future__ import annotations

import math
from collections.abc import Sequence

from ...tuning.readings import Unusable
from ...tuning.units import name_of_note, pitch_to_volts
from . import bend_tests as bends
from .fit_result import Aim, CurveFit

CLEAR_VOLTS = 1.0  # the lowest note should stay this far above zero volts
NEAR_ZERO_VOLTS = 0.6  # an unusable stretch that begins below this counts as the one at zero volts
TUNE_CENTS = 60.0
TRIM_CENTS_PER_OCTAVE = 8.0
DRIFT_CENTS_PER_MIN = 1.0
MOST_PANEL_OCTAVES = 5
OCTAVE_WORDS = ("", "an octave", "two octaves", "three octaves", "four octaves", "five octaves")


def advice_lines(found: CurveFit, aim: Aim) -> list[str]:
    """Return the advice on a fit, one line each."""
    said = [
        *panel_lines(found.curve.unusable, aim),
        *_doubtful_lines(found, aim),
        *_wrong_note_lines(found, aim),
        *_panel_and_trimmer_lines(found, aim),
    ]
    if found.bend is not None:
        said += bends.bend_advice(found.bend, aim)
    elif aim.test_bend:
        said.append("the bend range could not be tested: the bent reference note was not read")
    if found.worst_cents > 1.2 * aim.tolerance_cents:
        said.append(
            f"known to {found.worst_cents:.2f} cents at its worst note; {aim.tolerance_cents:g} "
            "were asked: read more notes, turn the level up, or warm up longer"
        )
    if 2.0 * found.rough_cents > max(aim.tolerance_cents, 0.5) and not aim.every_semitone:
        said.append(
            f"single notes leave the curve by about {found.rough_cents:.1f} cents: measure with "
            "--every-semitone"
        )
    if abs(found.drift_cents_per_min) > DRIFT_CENTS_PER_MIN:
        said.append(
            f"it drifted {found.drift_cents_per_min:+z.1f} cents a minute while it was measured, "
            "which was taken out: warm up longer"
        )
    return said


def panel_lines(unusable: Sequence[Unusable], aim: Aim) -> list[str]:
    """Return the advice to stay clear of zero volts, where the bottom is unusable."""
    bottom = [
        part
        for part in unusable
        if pitch_to_volts(part.lowest_cents, aim.zero_volt_note) < NEAR_ZERO_VOLTS
    ]
    if not bottom:
        return []
    lowest_volts = pitch_to_volts(100.0 * aim.lowest_note, aim.zero_volt_note)
    octaves = math.ceil(CLEAR_VOLTS - lowest_volts - 1e-6)
    panel = aim.panel_octaves - octaves
    if octaves < 1 or abs(panel) > MOST_PANEL_OCTAVES:
        return []
    top = aim.highest_note + 12 * octaves
    text = (
        f"tune it {OCTAVE_WORDS[octaves]} lower at the panel and set panel_octaves: {panel}: "
        f"the lowest note then stays at {lowest_volts + octaves:+z.1f} V"
    )
    if top > 127:
        keys = aim.highest_note - (top - 127)
        text += f" (and the highest becomes {name_of_note(keys, aim.middle_c_octave)})"
    return [text]


def _doubtful_lines(found: CurveFit, aim: Aim) -> list[str]:
    """Return a line for each reading that contradicts the others."""
    said = []
    for one in found.readings:
        sent = 100.0 * one.note + one.bend_cents
        if one.doubtful and found.curve.unusable_at(sent) is None:
            expected = found.curve.sounding(sent) - sent
            said.append(
                f"note {name_of_note(one.note, aim.middle_c_octave)} ({one.note}): read "
                f"{one.cents:+z.1f} cents, the others expect {expected:+z.1f}: left out; check it"
            )
    return said


def _wrong_note_lines(found: CurveFit, aim: Aim) -> list[str]:
    """Return a line for each single note at which the converter errs."""
    return [
        f"note {name_of_note(note, aim.middle_c_octave)} ({note}): {cents:+.1f} cents off the "
        "curve, read twice: a wrong note of the converter; corrected at that note"
        for note, cents in found.wrong_notes
    ]


def _panel_and_trimmer_lines(found: CurveFit, aim: Aim) -> list[str]:
    """Return how to correct panel and trimmer, where the error is large."""
    low, high = found.curve.knots_cents[0], found.curve.knots_cents[-1]
    errors = [found.curve.sounding(x) - x for x in (low, high)]
    said = []
    middle = (errors[0] + errors[1]) / 2.0
    if abs(middle) > TUNE_CENTS:
        side, way = ("sharp", "lower") if middle > 0 else ("flat", "raise")
        said.append(f"{abs(middle):.0f} cents {side}: {way} its panel tuning, then measure again")
    if high - low >= 1200.0:
        slope = (errors[1] - errors[0]) / ((high - low) / 1200.0)
        if abs(slope) > TRIM_CENTS_PER_OCTAVE:
            wide = "wide" if slope > 0 else "narrow"
            said.append(
                f"its volts per octave are {abs(slope):.1f} cents an octave too {wide}: trim it, "
                "if it can be trimmed, then measure again"
            )
    return said
