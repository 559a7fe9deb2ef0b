"""The report: one self-contained HTML page with tables and pictures of voices' profiles."""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace
from html import escape

import numpy as np

from ..config.profile_file import Profile
from ..config.rig import LoadedRig
from ..errors import MeasureError
from ..follow.kept_drift import Night, usual_settling
from ..text import counted
from ..tuning.units import name_of_note
from .figures import Picture, checks_svg, curve_svg, history_svg, nights_svg
from .rig_overview import rig_overview
from .voice_report import VoiceReport, pitches_of, usable_readings, voice_report

MOST_PAGE_ROWS = 200
MOST_NIGHTS = 7
CSS = """
:root { color-scheme: light dark; --paper: #fdfcf9; --ink: #22242a; --soft: #777b85;
  --grid: #dfddd6; --curve: #2b5fa8; --before: #b4531f; --after: #1d7a55; --bad: #b0303c; }
@media (prefers-color-scheme: dark) { :root { --paper: #17181c; --ink: #e6e4de; --soft: #9a9ca5;
  --grid: #33353d; --curve: #7fb0f2; --before: #f0a070; --after: #6fd0a4; --bad: #f08a92; } }
body { margin: 0 auto; max-width: 52rem; padding: 1.5rem 1rem 4rem; background: var(--paper);
  color: var(--ink); font: 16px/1.5 system-ui, sans-serif; }
h1 { font-size: 1.6rem; margin: 0; } h2 { font-size: 1.3rem; margin: 3rem 0 0;
  border-top: 1px solid var(--grid); padding-top: 1.2rem; }
h3 { font-size: 1rem; margin: 1.6rem 0 0; }
p { margin: .4rem 0; max-width: 42rem; } .soft { color: var(--soft); }
table { border-collapse: collapse; margin: .8rem 0; font-variant-numeric: tabular-nums; }
th { text-align: left; font-weight: 600; } th, td { padding: .2rem .9rem .2rem 0;
  border-bottom: 1px solid var(--grid); } td.n, th.n { text-align: right; }
.wide { overflow-x: auto; } svg { width: 100%; height: auto; display: block; }
a { color: var(--curve); } li { margin: .2rem 0; }
details { margin: .8rem 0; } summary { cursor: pointer; }
h2.first { border: 0; margin-top: .6rem; padding: 0; }
@page { size: A4; margin: 14mm; }
@media print { :root { color-scheme: light; --paper: #fff; --ink: #000; --soft: #555;
  --grid: #ccc; --curve: #2b5fa8; --before: #b4531f; --after: #1d7a55; --bad: #b0303c; }
  body { max-width: none; padding: 0; font-size: 10.5pt; print-color-adjust: exact; }
  h2:not(.first) { break-before: page; border: 0; } h3, tr { break-after: avoid; }
  svg, table, li { break-inside: avoid; } details { display: none; } .wide { overflow: visible; } }
"""


def report_page(
    loaded: LoadedRig,
    names: Sequence[str],
    title: str = "How the voices track",
    nights: Sequence[Night] = (),
) -> str:
    """Return the report of some voices as one HTML page.

    Args:
        loaded: the rig with its profiles.
        names: of voices; those without a profile are listed by name.
        nights: in which they were followed, the oldest first.

    Raises:
        MeasureError: none of them has one.
    """
    shown = [voice_report(loaded, name) for name in names if name in loaded.profiles]
    if not shown:
        raise MeasureError("found no profile; measure a voice first: zerobeat measure VOICE")
    raw = [name for name in names if name not in loaded.profiles]
    parts = [f"<h1>{escape(title)}</h1>", rig_overview(shown, raw), _overview(shown, raw)]
    parts += [_section(one, nights) for one in shown]
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{CSS}</style></head>\n<body>\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


# ------------------------------------------------------------------ text and tables


def _overview(shown: Sequence[VoiceReport], raw: Sequence[str]) -> str:
    head = (
        "<tr><th>voice</th><th>measured</th><th class=n>readings</th><th>notes sent</th>"
        "<th class=n>raw, at most</th><th class=n>checked, at most</th></tr>"
    )
    rows = [
        f"<tr><td><a href='#{escape(one.voice.name)}'>{escape(one.voice.name)}</a></td>"
        f"<td>{escape(one.profile.measured or 'unknown')}</td>"
        f"<td class=n>{len(one.profile.readings)}</td><td>{_range(one)}</td>"
        f"<td class=n>{_worst_raw_cents(one):.1f} cents</td>"
        f"<td class=n>{_worst_checked(one)}</td></tr>"
        for one in shown
    ]
    lines = [
        (
            "<p>How far each voice is off when it is played raw, and what is left with its "
            "correction. One cent is a hundredth of a semitone; two notes a cent apart at A3 beat "
            "once in eight seconds.</p>"
        ),
        f"<div class=wide><table>{head}{''.join(rows)}</table></div>",
    ]
    if raw:
        lines.append(f"<p>Without a profile, played raw: {escape(', '.join(raw))}.</p>")
    return "\n".join(lines)


def _nights(name: str, nights: Sequence[Night]) -> list[str]:
    """Return how a voice drifted in the nights in which it was followed, if there were any."""
    shown = [
        (
            time.strftime("%Y-%m-%d", time.localtime(night.began_s)),
            np.array([minute for minute, _, _ in night.cents[name]]),
            np.array([cents for _, cents, _ in night.cents[name]]),
        )
        for night in nights[-MOST_NIGHTS:]
        if len(night.cents.get(name, ())) > 1
    ]
    if not shown:
        return []
    minutes = usual_settling(list(nights), name)
    told = f" It was steady {minutes:.0f} minutes after power-on." if minutes is not None else ""
    text = f"<p class=soft>As follow heard it, the last night darkest.{told}</p>"
    return ["<h3>Drift of a night</h3>", text, nights_svg(shown)]


def _section(one: VoiceReport, nights: Sequence[Night] = ()) -> str:
    name = escape(one.voice.name)
    parts = [f"<h2 id='{name}'>{name}</h2>", f"<p>{escape(_sentence(one))}</p>"]
    parts += [f"<p>{escape(line)}</p>" for line in _unusable_lines(one)]
    picture = _picture(one)
    parts.append("<h3>Tracking curve</h3>")
    parts.append(
        "<p class=soft>Above: dots are readings, the line is the curve that corrects them. Below, "
        "enlarged: what the readings leave, as a band how well the curve is known (19 times in "
        "20), and check notes as "
        "diamonds.</p>"
    )
    parts.append(curve_svg(picture))
    if one.profile.proof:
        parts += [
            "<h3>Check notes, before and after</h3>",
            checks_svg(picture),
            _check_notes_table(one),
        ]
    parts += _history(one)
    parts += _nights(one.voice.name, nights)
    if one.advice:
        items = "".join(f"<li>{escape(line)}</li>" for line in one.advice)
        parts.append(f"<h3>To do</h3><ul>{items}</ul>")
    parts.append(_readings_table(one))
    return "\n".join(parts)


def _sentence(one: VoiceReport) -> str:
    profile = one.profile
    text = f"{counted(len(profile.readings), 'reading')}, {_range(one)}; raw it is off by up to "
    text += f"{_worst_raw_cents(one):.1f} cents"
    if profile.proof:
        text += f", corrected the check notes were off by {_worst_checked(one)} at most"
    if profile.drift_cents_per_min:
        text += (
            f". While it was measured it drifted {profile.drift_cents_per_min:+z.2f} cents a "
            "minute, which was taken out"
        )
    if profile.errors_follow == "number":
        text += ". The converter errs by note number, so each number has its own correction"
    if profile.panel_octaves:
        text += f". Its panel is set {profile.panel_octaves:+d} octaves"
    if one.voice.stale:
        text += f". To be checked: {one.voice.stale}"
    return text + "."


def _unusable_lines(one: VoiceReport) -> list[str]:
    lines = one.curve.describe(one.zero_volt_note, one.middle_c_octave)
    return [f"Unusable: {line}." for line in lines]


def _range(one: VoiceReport) -> str:
    notes = pitches_of(one) / 100.0
    ends = [round(float(notes.min())), round(float(notes.max()))]
    first, last = (_note_name(note, one.middle_c_octave) for note in ends)
    return f"{first} to {last}"


def _note_name(note: int, middle_c_octave: int) -> str:
    return name_of_note(note, middle_c_octave) if 0 <= note <= 127 else str(note)


def _worst_raw_cents(one: VoiceReport) -> float:
    kept = usable_readings(one.profile, one)
    return max(
        abs(reading.cents)
        for reading, in_use in zip(one.profile.readings, kept, strict=True)
        if in_use
    )


def _worst_checked(one: VoiceReport) -> str:
    if not one.profile.proof:
        return "not checked"
    return f"{max(abs(check.after_cents) for check in one.profile.proof):.2f} cents"


def _check_notes_table(one: VoiceReport) -> str:
    rows = [
        f"<tr><td>{_note_name(check.note, one.middle_c_octave)}</td>"
        f"<td class=n>{check.before_cents:+.2f}</td><td class=n>{check.after_cents:+.2f}</td></tr>"
        for check in one.profile.proof
    ]
    return (
        "<table><tr><th>note</th><th class=n>before</th><th class=n>after, cents off</th></tr>"
        f"{''.join(rows)}</table>"
    )


def _readings_table(one: VoiceReport) -> str:
    rows = [
        f"<tr><td>{_sent_pitch(reading, one)}</td><td class=n>{reading.cents:+z.2f}</td>"
        f"<td class=n>{reading.sigma_cents:.2f}</td></tr>"
        for reading in one.profile.readings[:MOST_PAGE_ROWS]
    ]
    return (
        "<details><summary>All readings</summary><table><tr><th>sent</th><th class=n>cents off"
        f"</th><th class=n>spread</th></tr>{''.join(rows)}</table></details>"
    )


def _sent_pitch(reading: object, one: VoiceReport) -> str:
    volts = getattr(reading, "volts", 0.0)
    if one.profile.against == "volts":
        return f"{volts:+z.3f} V"
    note, bend = getattr(reading, "note", 0), getattr(reading, "bend_cents", 0.0)
    return _note_name(note, one.middle_c_octave) + (f" {bend:+z.1f} cents" if bend else "")


# ------------------------------------------------------------------ figures


def _picture(one: VoiceReport) -> Picture:
    readings = one.profile.readings
    return Picture(
        one.curve,
        one.sigmas,
        pitches_of(one),
        np.array([reading.cents for reading in readings]),
        np.array([reading.sigma_cents for reading in readings]),
        tuple((c.note, c.before_cents, c.after_cents) for c in one.profile.proof),
        one.zero_volt_note,
        one.middle_c_octave,
    )


def _history(one: VoiceReport) -> list[str]:
    """Return the change from profile to profile, where there are earlier ones."""
    profiles = [*one.earlier, one.profile]
    if len(profiles) < 2:
        return []
    lines = np.array([_straight_line(profile, one) for profile in profiles])
    dates = [profile.measured or "unknown" for profile in profiles]
    rows = [
        f"<tr><td>{escape(date)}</td><td class=n>{offset:+.2f}</td><td class=n>{stretch:+.2f}</td>"
        f"<td class=n>{profile.drift_cents_per_min:+z.2f}</td></tr>"
        for date, (offset, stretch), profile in zip(dates, lines, profiles, strict=True)
    ]
    return [
        "<h3>From date to date</h3>",
        (
            "<p class=soft>A straight line through each profile kept: its offset in the middle of "
            "the range and its stretch, and the drift while it was measured.</p>"
        ),
        history_svg(
            dates, lines[:, 0], lines[:, 1], [profile.drift_cents_per_min for profile in profiles]
        ),
        (
            "<table><tr><th>measured</th><th class=n>offset</th><th class=n>cents an octave</th>"
            f"<th class=n>cents a minute</th></tr>{''.join(rows)}</table>"
        ),
    ]


def _straight_line(profile: Profile, one: VoiceReport) -> tuple[float, float]:
    """Return a profile's offset in the middle of the voice's range, and its cents an octave."""
    kept = np.array(usable_readings(profile, one))
    pitches = pitches_of(replace(one, profile=profile))[kept]
    cents = np.array([reading.cents for reading in profile.readings])[kept]
    now = pitches_of(one)
    middle = (now.min() + now.max()) / 2.0
    if np.ptp(pitches) < 100.0:
        return float(cents.mean()), 0.0
    slope, offset = np.polyfit((pitches - middle) / 1200.0, cents, 1)
    return float(offset), float(slope)
