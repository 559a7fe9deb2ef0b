"""The first page of a report: the whole rig at a glance, and what to do, in order of worth."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

import numpy as np

from ..tuning.units import name_of_note
from .figures import VoiceStrip, rig_svg
from .voice_report import VoiceReport, pitches_of, usable_readings

WORST_NOTES = 6
GOOD_CENTS = 1.0
# Worth in cents of what has no figure of its own.
UNMEASURED_WORTH, UNUSABLE_WORTH, STALE_WORTH, UNCHECKED_WORTH, OTHER_WORTH = 200, 100, 50, 5, 1
MOST_TODO = 12


def rig_overview(shown: Sequence[VoiceReport], raw: Sequence[str]) -> str:
    """Return the picture of all voices, the worst notes, unusable regions and what to do."""
    parts = [
        "<h2 class=first>The whole rig</h2>",
        (
            "<p class=soft>Each voice's error over its notes: as it plays raw (filled), and with "
            "its correction (dots are check notes, the band is how well the curve is known).</p>"
        ),
        rig_svg([_strip(one) for one in shown]),
    ]
    todo = to_do(shown, raw)
    if todo:
        items = "".join(f"<li>{escape(text)}</li>" for text in todo)
        parts.append(f"<h3>What to do, the most worth first</h3><ol>{items}</ol>")
    parts += [_worst_notes(shown), _unusable(shown), _drifts(shown)]
    return "\n".join(part for part in parts if part)


def to_do(shown: Sequence[VoiceReport], raw: Sequence[str]) -> list[str]:
    """Return what a player can do, the most worth first."""
    found: list[tuple[float, str]] = [
        (UNMEASURED_WORTH, f"{name}: plays raw; measure it: zerobeat measure {name}")
        for name in raw
    ]
    for one in shown:
        name = one.voice.name
        found += [(UNUSABLE_WORTH, f"{name}: {line}") for line in one.advice[:1] if _cut(one)]
        if one.voice.stale:
            found.append((STALE_WORTH, f"{name}: {one.voice.stale}"))
        worst = max((abs(check.after_cents) for check in one.profile.proof), default=0.0)
        if worst > GOOD_CENTS:
            text = f"{name}: check notes are off by up to {worst:.1f} cents; measure it again"
            found.append((worst, text))
        if not one.profile.proof:
            text = f"{name}: was never checked; measure it with check notes"
            found.append((UNCHECKED_WORTH, text))
        rest = one.advice[1:] if _cut(one) else one.advice
        found += [(OTHER_WORTH, f"{name}: {line}") for line in rest]
    found.sort(key=lambda item: -item[0])
    return [text for _, text in found][:MOST_TODO]


def _cut(one: VoiceReport) -> bool:
    """Return whether a voice has an unusable stretch."""
    return bool(one.curve.unusable)


def _strip(one: VoiceReport) -> VoiceStrip:
    kept = np.array(usable_readings(one.profile, one))
    return VoiceStrip(
        one.voice.name,
        one.curve,
        one.sigmas,
        pitches_of(one)[kept],
        tuple((check.note, check.after_cents) for check in one.profile.proof),
        one.middle_c_octave,
    )


def _worst_notes(shown: Sequence[VoiceReport]) -> str:
    checks = [
        (abs(check.after_cents), one, check.note, check.before_cents, check.after_cents)
        for one in shown
        for check in one.profile.proof
    ]
    if not checks:
        return ""
    checks.sort(key=lambda item: -item[0])
    rows = "".join(
        f"<tr><td>{escape(one.voice.name)}</td><td>{name_of_note(note, one.middle_c_octave)}</td>"
        f"<td class=n>{before:+.2f}</td><td class=n>{after:+.2f}</td></tr>"
        for _, one, note, before, after in checks[:WORST_NOTES]
    )
    return (
        "<h3>Worst notes</h3><table><tr><th>voice</th><th>note</th><th class=n>before</th>"
        f"<th class=n>after, cents off</th></tr>{rows}</table>"
    )


def _unusable(shown: Sequence[VoiceReport]) -> str:
    lines = [
        f"<li>{escape(one.voice.name)}: {escape(line)}</li>"
        for one in shown
        for line in one.curve.describe(one.zero_volt_note, one.middle_c_octave)
    ]
    return f"<h3>Unusable regions</h3><ul>{''.join(lines)}</ul>" if lines else ""


def _drifts(shown: Sequence[VoiceReport]) -> str:
    """Return how far each voice moved from its first profile kept to the one in use."""
    rows = []
    for one in shown:
        if not one.earlier:
            continue
        first = one.earlier[0]
        then = float(np.median([reading.cents for reading in first.readings]))
        now = float(np.median([reading.cents for reading in one.profile.readings]))
        rows.append(
            f"<tr><td>{escape(one.voice.name)}</td><td>{escape(first.measured or 'unknown')}</td>"
            f"<td>{escape(one.profile.measured or 'unknown')}</td>"
            f"<td class=n>{now - then:+.1f}</td></tr>"
        )
    if not rows:
        return ""
    return (
        "<h3>Drift over the dates</h3><table><tr><th>voice</th><th>from</th><th>to</th>"
        f"<th class=n>cents</th></tr>{''.join(rows)}</table>"
    )
