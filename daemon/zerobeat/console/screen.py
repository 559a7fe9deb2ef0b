"""The console's picture as plain lines; no terminal, no colour, no state.

Two layouts: 80 columns by 24 rows, and a reduced one down to 40 by 12. What a
line means stands in its words; its ``mark`` only lets a terminal colour it.
Names are shown as text and never read as markup; control characters are
replaced.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..tuning.units import name_of_note
from .pedal_lines import set_list_lines, short_place
from .pending_lines import roots_line, short_clock, waits_line
from .system_lines import full_foot, percent, short_foot
from .text_line import Line, Mark, Shown, clean, fit

FULL_COLUMNS = 72
FULL_ROWS = 18


def lines(
    shown: Shown,
    columns: int,
    rows: int | None,
    loads: Mapping[str, float],
    ascii_only: bool,
    now_s: float = 0.0,
) -> list[Line]:
    """Return a picture as lines.

    Args:
        shown: what ``status`` answers.
        columns: width; no line is wider.
        rows: height, or None for as many lines as it takes.
        loads: share of its budget that each output's cable uses, 0 to 1.
        ascii_only: other characters become ``?``.
        now_s: Unix time, for how long ago something was; 0: not told.
    """
    full = columns >= FULL_COLUMNS and (rows is None or rows >= FULL_ROWS)
    head = _head(shown) if full else _short_head(shown)
    foot = full_foot(shown, loads) if full else short_foot(shown)
    if rows is not None and not full:
        foot = foot[: max(1, rows - len(head) - 1)]
    room = None if rows is None else max(0, rows - len(head) - len(foot))
    octave = int(shown.get("middle_c_octave", 4))
    if room is not None and not full and room > len(shown.get("voices", [])):
        head.append(Line("voice  key   bend  corr used state", "head"))
        room -= 1
    row = _row if full else _short_row
    concert_a_hz = float(shown.get("concert_a_hz", 440.0))
    voices = shown.get("voices", [])
    kept = _fitting(voices, room)
    body = [row(voice, octave, concert_a_hz, now_s) for voice in kept]
    if len(kept) < len(voices):
        body.append(
            Line(
                f"and {len(voices) - len(kept)} more voices, without trouble"
                if not any(_trouble(v) for v in voices if v not in kept)
                else f"and {len(voices) - len(kept)} more voices"
            )
        )
    return [
        Line(fit(clean(line.text, ascii_only), columns).rstrip(), line.mark)
        for line in [*head, *body, *foot]
    ]


def _fitting(voices: list[Any], room: int | None) -> list[Any]:
    """Return the voices that fit; those in trouble and those that sound come first."""
    if room is None or len(voices) <= room:
        return voices
    ranked = sorted(voices, key=lambda v: (not _trouble(v), v["key"] is None))
    chosen = ranked[: max(0, room - 1)]
    return [voice for voice in voices if voice in chosen]


# ---------------------------------------------------------------- the voices


def _trouble(voice: Shown) -> str:
    """Return what is wrong with a voice, the worst first; "" if nothing is."""
    for wrong, text in (
        (not voice["output_there"], "no output"),
        (voice["out_of_reach"], "out of reach"),
        (voice["unusable"], f"unusable: {voice['unusable']}"),
        (voice["wheel_clamped"], "clamped"),
        (voice["move_waits"], "beyond the bend: next note"),
        (voice["extrapolated"], "extrapolated"),
    ):
        if wrong:
            return text
    return ""


def words(voice: Shown, now_s: float = 0.0) -> list[str]:
    """Return how a voice stands, in words, what matters most first."""
    told = [trouble] if (trouble := _trouble(voice)) else []
    told += ["measuring"] if voice.get("measuring") else []
    told += ["muted"] if voice["mute"] else []
    told += ["solo"] if voice["solo"] else []
    told += ["raw"] if voice["bypass"] else []
    if voice["waits"]:
        told.append(f"waits {voice['waits']}")
    told += ["check profile"] if voice["stale"] else []
    told += [] if voice["measured"] else ["unmeasured"]
    told += _touched_up(voice["touch_up"], now_s)
    return told or ["ok" if voice["key"] is not None else "silent"]


def _touched_up(touch_up: Shown, now_s: float) -> list[str]:
    if not (touch_up["offset_cents"] or touch_up["stretch_cents"]):
        return []
    passed_s = now_s - touch_up.get("at_s", 0.0)
    if not now_s or not touch_up.get("at_s") or passed_s < 0:
        return ["touched up"]
    for unit, seconds in (("d", 86400), ("h", 3600), ("min", 60)):
        if passed_s >= seconds:
            return [f"touched up {passed_s // seconds:.0f} {unit} ago"]
    return ["touched up just now"]


def _mark(voice: Shown) -> Mark:
    if _trouble(voice):
        return "bad"
    return "waits" if voice["waits"] else ""


def _cents(cents: float | None) -> str:
    # Adding zero after rounding turns -0.0 into 0.0.
    return "-" if cents is None else f"{round(cents, 1) + 0.0:+.1f}c"


def _key(voice: Shown, octave: int) -> str:
    key = voice["key"]
    return "-" if key is None else f"{name_of_note(key, octave)} {key}"


def _sounds(voice: Shown, octave: int, concert_a_hz: float) -> str:
    """Return the pitch to be heard as the nearest note of tonight's concert pitch and cents."""
    if voice["sounding_cents"] is None:
        return "-"
    above = voice["sounding_cents"] - 1200.0 * math.log2(concert_a_hz / 440.0)
    note = round(above / 100.0)
    name = name_of_note(note, octave) if 0 <= note <= 127 else "?"
    return f"{name} {_cents(above - 100.0 * note)}"


def _row(voice: Shown, octave: int, concert_a_hz: float, now_s: float) -> Line:
    silent = voice["key"] is None
    sent = "" if silent or voice["note"] is None else f"-> {voice['note']}"
    text = (
        f"{fit(voice['name'], 9)} {_key(voice, octave):<8}{sent:<7}"
        f"{'' if silent else _cents(voice['bend_cents']):>7} "
        f"{_sounds(voice, octave, concert_a_hz):<10} "
        f"{_cents(voice['correction_cents']):>7} "
        f"{percent(voice['bend_used']):>5}  {', '.join(words(voice, now_s))}"
    )
    return Line(text, _mark(voice))


def _short_row(voice: Shown, octave: int, concert_a_hz: float, now_s: float) -> Line:
    key = voice["key"]
    silent = key is None
    text = (
        f"{fit(voice['name'], 6)} {'-' if silent else name_of_note(key, octave):<4}"
        f"{'' if silent else _tight(voice['bend_cents']):>6}"
        f"{_tight(voice['correction_cents']):>6}"
        f"{percent(voice['bend_used']):>5} {words(voice, now_s)[0]}"  # what matters most
    )
    return Line(text, _mark(voice))


def _tight(cents: float | None) -> str:
    """Return cents in five characters, without their unit."""
    if cents is None:
        return "-"
    return _cents(cents)[:-1] if abs(cents) < 99.95 else f"{cents:+.0f}"


# ---------------------------------------------------------------- above


def _head(shown: Shown) -> list[Line]:
    scene = f"{shown.get('scene', '?')}{', unsaved' if shown.get('unsaved') else ''}"
    return [
        Line(
            f"zerobeat  scene {scene}   hold {shown.get('hold', '?')}   "
            f"A4 {shown.get('concert_a_hz', 0):.1f} Hz   "
            f"transposed {shown.get('transpose_semitones', 0):+d}",
            "head",
        ),
        waits_line(shown, " left"),
        *set_list_lines(shown),
        roots_line(shown),
        Line("voice     key     sent      bend sounds     correct  used  state", "head"),
    ]


def _short_head(shown: Shown) -> list[Line]:
    return [
        Line(
            f"{fit(shown.get('scene', '?'), 12).rstrip()}{'*' if shown.get('unsaved') else ''} "
            f"{shown.get('hold', '?')} A{shown.get('concert_a_hz', 0):.1f} "
            f"{shown.get('transpose_semitones', 0):+d} {short_place(shown)}{short_clock(shown)}",
            "head",
        ),
        roots_line(shown) if shown.get("root_keys") else waits_line(shown, ""),
    ]
