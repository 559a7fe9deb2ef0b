"""The result of a measurement as lines for a terminal of 80 columns."""

from __future__ import annotations

from ..config.describe import named, wrapped
from ..measure.curve.fit_result import Aim, CurveFit
from ..measure.curve.proof import Proof
from ..text import counted
from ..tuning.units import name_of_note
from .measurement import MeasuredVoice

MOST_TERMINAL_ROWS = 14


def measured_lines(found: MeasuredVoice, aim: Aim) -> list[str]:
    """Return the readings, the curve's figures, the proof and the advice."""
    fit = found.fit
    lines = [_cost(fit), *_reading_lines(fit, aim), *_curve_lines(fit, aim)]
    for part in fit.curve.describe(aim.zero_volt_note, aim.middle_c_octave):
        lines += wrapped(f"unusable: {part}", 0)
    if found.proof is not None:
        lines += proof_lines(found.proof, aim)
    else:
        lines += wrapped(
            f"at the readings: off by {found.left[0]:.2f} cents at most as it plays now, by "
            f"{found.left[1]:.2f} with the new curve",
            0,
        )
    for line in fit.advice:
        lines += wrapped(f"to do: {line}", 0)
    return lines


def proof_lines(proof: Proof, aim: Aim) -> list[str]:
    """Return the check notes with their errors before and after."""
    lines = ["check notes (no readings)  before      after   cents off"]
    for one in proof.checks:
        key = one.note + 12 * aim.panel_octaves
        name = named(key, aim.middle_c_octave) if 0 <= key <= 127 else str(key)
        cells = [
            "not read" if cents is None else f"{cents:+z.2f}"
            for cents in (one.before_cents, one.after_cents)
        ]
        lines.append(f"  {name:<18} {cells[0]:>12} {cells[1]:>10}")
    return lines


def _cost(fit: CurveFit) -> str:
    sound = f", {fit.sound_s:.1f} s of sound" if fit.sound_s else ""
    return f"{fit.voice}: {counted(fit.takes, 'take')}{sound}"


def _reading_lines(fit: CurveFit, aim: Aim) -> list[str]:
    rows = sorted(fit.readings, key=lambda one: (one.note, one.at_s))
    step = -(-len(rows) // MOST_TERMINAL_ROWS)
    shown = rows[::step]
    lines = ["  note sent     cents off   spread"]
    for one in shown:
        mark = "   doubtful, left out" if one.doubtful else ""
        lines.append(
            f"  {named(one.note, aim.middle_c_octave):<12} {one.cents:+z10.2f} "
            f"{one.sigma_cents:8.2f}{mark}"
        )
    if step > 1:
        lines.append(f"  ({len(rows) - len(shown)} more)")
    return lines


def _curve_lines(fit: CurveFit, aim: Aim) -> list[str]:
    low, high = (round(x / 100.0) for x in (fit.curve.knots_cents[0], fit.curve.knots_cents[-1]))
    names = f"{name_of_note(low, aim.middle_c_octave)} to {name_of_note(high, aim.middle_c_octave)}"
    lines = wrapped(
        f"curve known to {fit.worst_cents:.2f} cents at its worst note (19 times in 20), {names}", 0
    )
    facts = []
    if fit.bend is not None:
        facts.append(f"bend range {fit.bend.range_cents:.1f} cents by measurement")
    if fit.errors_follow == "number":
        facts.append("the converter errs by note number")
    if abs(fit.drift_cents_per_min) >= 0.05:
        facts.append(f"drift {fit.drift_cents_per_min:+z.2f} cents a minute, taken out")
    return lines + (wrapped("; ".join(facts), 0) if facts else [])
