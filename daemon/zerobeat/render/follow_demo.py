"""The evening of ``demo --follow``: an hour of drift, a phrase in a loop, before and after.

Four voices warm up, and after forty minutes a door is opened. All of it is counted time; sound is
made for the stretches that are read, by the reader of ``zerobeat follow``, and for the last loop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from operator import itemgetter

import numpy as np

from ..follow.hand import FollowLimits
from ..midi import Message
from ..sim.case_drift import CaseDrift, DriftOfVoice
from ..sim.oscillator import Floats
from ..sim.scenario import BEAT_S, PARTS, PHRASE, PHRASE_S
from .rehearsal import phrase_events
from .virtual_evening import EVENING_RATE_HZ, EveningVoice, VirtualEvening

EVENING_S = 3600.0
DOOR_S = 2400.0
READ_EVERY_S = 30.0  # between two readings of a voice, once it is known
_LOADINGS = {"reed": 1.0, "horn": 0.7, "glass": 1.4, "bass": -0.5}
_REFERENCES = {"reed": 6600.0, "horn": 5800.0, "glass": 8600.0, "bass": 3600.0}
_COLOURS = {"reed": "#2b5fa8", "horn": "#b4531f", "glass": "#1d7a55", "bass": "#8a4a9e"}


@dataclass(frozen=True, slots=True)
class EveningRun:
    """One evening: errors by voice, shape (n, 2) of minutes and cents, and its last loop."""

    errors: dict[str, Floats]
    sound: Floats
    readings: int


def play_evening(follows: bool, seed: int, seconds: float = EVENING_S) -> EveningRun:
    """Play the phrase in a loop for an evening, followed or not."""
    rng = np.random.default_rng([seed, 0xF0])
    voices = {
        part.name: DriftOfVoice(
            _LOADINGS[part.name],
            0.04,
            own_cents=float(rng.uniform(0.4, 1.2)),
            own_period_s=float(rng.uniform(1500, 2600)),
            own_phase=float(rng.uniform()),
        )
        for part in PARTS
    }
    drift = CaseDrift(voices, warmup_kelvin=7.0, warmup_s=700.0, steps=((DOOR_S, -4.0, 400.0),))
    evening = VirtualEvening(
        [EveningVoice(p.name, reference_cents=_REFERENCES[p.name]) for p in PARTS],
        drift,
        follows=follows,
        limits=FollowLimits(),
        rest_s=READ_EVERY_S,
        seed=seed,
    )
    errors: dict[str, list[tuple[float, float]]] = {part.name: [] for part in PARTS}

    def each(now_s: float) -> None:
        for name, found in errors.items():
            error = evening.error_cents(name, now_s)
            if error is not None:
                found.append((now_s / 60.0, error))

    loops = int(seconds / PHRASE_S)
    once = sorted(phrase_events(PHRASE, BEAT_S), key=itemgetter(0))
    events: list[tuple[float, Message]] = [
        (0.5 + loop * PHRASE_S + at_s, message) for loop in range(loops) for at_s, message in once
    ]
    evening.run(events, 0.5 + loops * PHRASE_S, each)
    begin_s = 0.5 + (loops - 1) * PHRASE_S
    at_s = begin_s + np.arange(int(PHRASE_S * EVENING_RATE_HZ)) / EVENING_RATE_HZ
    sound = np.zeros(len(at_s))
    for voice in evening.voices.values():
        sound += evening.voice_sound(voice, at_s)
    report = evening.follower.report(evening.now_s)
    readings = sum(one["readings"] for one in report.values())
    return EveningRun({n: np.array(found) for n, found in errors.items()}, sound, readings)


def evening_table(before: EveningRun, after: EveningRun) -> list[str]:
    """Return a table of both evenings, in lines of at most 79 characters."""
    lines = [
        "                    not followed                 followed",
        "voice            rms      worst          rms      worst   within 1 cent",
    ]
    for name in before.errors:
        raw, left = before.errors[name][:, 1], after.errors[name][:, 1]
        share = 100.0 * float(np.mean(np.abs(left) <= 1.0))
        lines.append(
            f"{name:<12}{_rms(raw):8.2f}{np.abs(raw).max():11.2f}"
            f"{_rms(left):13.2f}{np.abs(left).max():11.2f}{share:14.1f} %"
        )
    return lines


def _rms(cents: Floats) -> float:
    return float(np.sqrt(np.mean(cents**2)))


def evening_svg(before: EveningRun, after: EveningRun) -> str:
    """Return what each voice was off over the evening, before above and after below, as SVG."""
    minutes = max(float(one[-1, 0]) for one in before.errors.values())
    reach = max(5.0, *(float(np.abs(one[:, 1]).max()) for one in before.errors.values()))
    parts = []
    for top, title, run in ((20, "not followed", before), (260, "followed", after)):
        parts.append(f'<text x="50" y="{top}">{title}: cents off over {minutes:.0f} minutes</text>')
        for cents in (-reach, 0.0, reach):
            y = _place(cents, reach, top)
            parts.append(f'<line x1="50" y1="{y:.1f}" x2="790" y2="{y:.1f}" stroke="#ccc"/>')
            parts.append(f'<text x="8" y="{y + 4:.1f}">{cents:+.0f}</text>')
        for name, course in run.errors.items():
            parts.append(_line(name, course, minutes, reach, top))
    for place, (name, colour) in enumerate(_COLOURS.items()):
        parts.append(f'<text x="{560 + 60 * place}" y="20" fill="{colour}">{name}</text>')
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 800 490" '
        'font-family="sans-serif" font-size="12">\n'
        '<rect width="800" height="490" fill="#fdfcf9"/>\n' + "\n".join(parts) + "\n</svg>\n"
    )


def _place(cents: float, reach: float, top: int) -> float:
    return top + 110.0 - 90.0 * cents / reach


def _line(name: str, course: Floats, minutes: float, reach: float, top: int) -> str:
    step = max(1, len(course) // 700)
    points: Sequence[str] = [
        f"{50 + 740 * minute / minutes:.1f},{_place(cents, reach, top):.1f}"
        for minute, cents in course[::step]
    ]
    colour = _COLOURS[name]
    return f'<polyline fill="none" stroke="{colour}" points="{" ".join(points)}"/>'
