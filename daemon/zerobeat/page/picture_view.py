"""What the page shows, in the console's words, from the daemon's status; no clock, no network.

Names are text: the page never reads them as markup.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from ..console.cells import clean
from ..console.line import StatusFields
from ..console.needle import needle_share
from ..console.problems import how_it_stands, problems
from ..console.screen import acts, waits_line
from ..console.voice_rows import cents_text, trouble, words
from ..tuning.units import name_of_note

MOST_PROBLEMS = 4
MOST_TEXT = 300  # characters of one line
MOST_SCENES = 128


def page_view(shown: StatusFields, now_s: float = 0.0) -> dict[str, Any]:
    """Return the picture of a status.

    Args:
        shown: the answer to the command ``status``.
        now_s: Unix time, for the age of a touch-up; 0: no age is shown.
    """
    found = problems(shown)
    voices = shown.get("voices", [])
    octave = int(shown.get("middle_c_octave", 4))
    more = found[1:MOST_PROBLEMS]
    left = len(found) - MOST_PROBLEMS
    scenes = shown.get("set_list") or shown.get("scenes", ())
    return {
        "first": _text(found[0] if found else how_it_stands(shown)[0]),
        "bad": bool(found),
        "more": [_text(line) for line in [*more, *([f"and {left} more"] if left > 0 else [])]],
        "scene": _text(shown.get("scene", "?")),
        "unsaved": bool(shown.get("unsaved")),
        "next": _next(shown),
        "waits": _waits(shown),
        "flags": [_text(flag) for flag in (*acts(shown), *_measuring(shown))],
        "foot": _text(shown.get("foot") or ""),
        "foot_refused": bool(shown.get("foot_refused")),
        "needle": _needle(shown.get("needle")),
        "scenes": [_text(name) for name in scenes[:MOST_SCENES]],
        "bypassed": bool(voices) and all(voice["bypass"] for voice in voices),
        "voices": [_voice(voice, octave, now_s) for voice in voices],
    }


def _text(text: object) -> str:
    return clean(str(text)[:MOST_TEXT], False)


def _next(shown: StatusFields) -> str:
    order, position = shown.get("set_list", ()), shown.get("position")
    if len(order) < 2:
        return ""
    if position is None:
        return f"this scene is not in the set list ({len(order)} scenes)"
    follows = f"next: {order[position + 1]}" if position + 1 < len(order) else "the last"
    return _text(f"{follows} (now {position + 1} of {len(order)})")


def _waits(shown: StatusFields) -> str:
    """Return what waits, and for how many beats; "" if nothing does."""
    names = shown.get("root_keys", ())
    parts = [f"a key sets the root: {', '.join(names)}"] if names else []
    parts += [waits_line(shown, " left").text] if shown.get("ends") else []
    return _text("; ".join(parts))


def _measuring(shown: StatusFields) -> list[str]:
    names = shown.get("measuring", ())
    return [f"measuring: {', '.join(names)}"] if names else []


def _needle(needle: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return a needle: where it stands, -1 flat to +1 sharp, and which way to turn."""
    if not needle:
        return None
    off_cents, turn = float(needle["off_cents"]), needle["turn"]
    way = f"{needle['where']}: tune it {turn}" if turn else str(needle["where"])
    return {
        "voice": _text(needle["voice"]),
        "at": 0.0 if not turn else round(math.copysign(needle_share(off_cents), off_cents), 3),
        "cents": cents_text(off_cents),
        "text": _text(f"{needle['voice']}: {way}"),
    }


def _voice(voice: StatusFields, octave: int, now_s: float) -> dict[str, Any]:
    key = voice["key"]
    return {
        "name": _text(voice["name"]),
        "note": "-" if key is None else name_of_note(key, octave),
        "cents": cents_text(voice["correction_cents"]),
        "state": _text(", ".join(words(voice, now_s))),
        "bad": bool(trouble(voice)),
        "waits": bool(voice["waits"]),
        "mute": bool(voice["mute"]),
    }
