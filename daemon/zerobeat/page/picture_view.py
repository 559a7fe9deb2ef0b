"""What the page shows, in words, from the daemon's status; no clock, no network.

The first line is ``all well``, or which voice or port and what to do. Names are text: the page
never reads them as markup.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Mapping
from typing import Any

from ..console.screen import StatusFields, clean, waits_line, words
from ..tuning.units import name_of_note

ALL_WELL = "all well"
MOST_TROUBLES = 4
MOST_TEXT = 300  # characters of one line
MOST_SCENES = 128
PORT_TODO = {
    "missing": "plug it in and switch it on",
    "ambiguous": "two devices have its name: unplug one",
    "forbidden": "its port can't be opened: ask zerobeat doctor",
}


def page_view(shown: StatusFields, now_s: float = 0.0) -> dict[str, Any]:
    """Return the picture of a status.

    Args:
        shown: the answer to the command ``status``.
        now_s: Unix time, for the age of a touch-up; 0: no age is shown.
    """
    troubles = list(_troubles(shown))
    voices = shown.get("voices", [])
    octave = int(shown.get("middle_c_octave", 4))
    return {
        "first": troubles[0] if troubles else {"what": ALL_WELL, "todo": ""},
        "more": troubles[1:MOST_TROUBLES],
        "left": max(0, len(troubles) - MOST_TROUBLES),
        "scene": _text(shown.get("scene", "?")),
        "unsaved": bool(shown.get("unsaved")),
        "next": _next(shown),
        "waits": _text(waits_line(shown, " left").text) if shown.get("ends") else "",
        "beats": _beats(shown),
        "flags": list(_flags(shown)),
        "foot": _text(shown.get("foot") or ""),
        "foot_refused": bool(shown.get("foot_refused")),
        "needle": _needle(shown.get("needle")),
        "scenes": [_text(name) for name in (shown.get("set_list") or shown.get("scenes", ()))][
            :MOST_SCENES
        ],
        "bypassed": bool(voices) and all(voice["bypass"] for voice in voices),
        "voices": [_voice(voice, octave, now_s) for voice in voices],
    }


def _text(text: object) -> str:
    return clean(str(text), False)[:MOST_TEXT]


# ---------------------------------------------------------------- what is wrong, and what to do


def _troubles(shown: StatusFields) -> Iterator[dict[str, str]]:
    for what, todo in (
        *_port_troubles(shown),
        *_voice_troubles(shown),
        *_other_troubles(shown),
    ):
        yield {"what": _text(what), "todo": _text(todo)}


def _port_troubles(shown: StatusFields) -> Iterator[tuple[str, str]]:
    for name in shown.get("muted", ()):
        yield f"{name}: muted, what goes out comes back", "look at cables, thru and local control"
    for port in shown.get("ports", ()):
        if port["state"] != "connected":
            since = port.get("since_s")
            at = f" since {time.strftime('%H:%M', time.localtime(since))}" if since else ""
            yield (
                f"{port['name']}: {port['state']}{at}",
                PORT_TODO.get(port["state"], "look at it"),
            )


def _voice_troubles(shown: StatusFields) -> Iterator[tuple[str, str]]:
    gone = {port["name"] for port in shown.get("ports", ()) if port["state"] != "connected"}
    for voice in shown.get("voices", ()):
        name = voice["name"]
        if not voice["output_there"]:
            if voice["output"] not in gone:  # else said of the port already
                yield f"{name}: no output", f"look at converter {voice['output']}"
        elif voice["out_of_reach"]:
            yield f"{name}: out of reach", "play it nearer to the middle, or move its panel octave"
        elif voice["unusable"]:
            yield (
                f"{name}: can't be trusted here: {voice['unusable']}",
                "play it elsewhere, or measure it again",
            )
        elif voice["wheel_clamped"]:
            yield f"{name}: the wheel is at its end", "let the wheel reach less"


def _other_troubles(shown: StatusFields) -> Iterator[tuple[str, str]]:
    clock = shown.get("clock")
    if clock and clock["state"] == "lost":
        yield f"{clock['input']}: its clock is lost", "start it again, or cancel what waits for it"
    store = shown.get("store") or {}
    if store.get("fault"):
        yield f"nothing can be stored: {store['fault']}", "play on; look at the disk later"
    reload = str(shown.get("reload", ""))
    if "unchanged" in reload or " is broken: " in reload:
        yield "the rig's last edit is not in force", "zerobeat check, mend it, reload"


# ---------------------------------------------------------------- the rest


def _next(shown: StatusFields) -> str:
    order, position = shown.get("set_list", ()), shown.get("position")
    if len(order) < 2:
        return ""
    if position is None:
        return f"this scene is not in the set list of {len(order)}"
    follows = _text(order[position + 1]) if position + 1 < len(order) else "none, this is the last"
    return f"{follows} (now {position + 1} of {len(order)})"


def _beats(shown: StatusFields) -> int | None:
    clock = shown.get("clock")
    ends = shown.get("ends", ())
    if not clock or not ends or clock["due"] not in ends or clock["beats_left"] is None:
        return None
    return int(clock["beats_left"])


def _flags(shown: StatusFields) -> Iterator[str]:
    """Yield what is switched on: bypass, mute, solo, lock."""
    voices = shown.get("voices", [])
    for key, label in (("bypass", "bypass"), ("mute", "mute"), ("solo", "solo")):
        names = [voice["name"] for voice in voices if voice[key]]
        if names:
            yield _text(f"{label}: {'all' if len(names) == len(voices) else ', '.join(names)}")
    if shown.get("measuring"):
        yield _text(f"measuring: {', '.join(shown['measuring'])}")
    if shown.get("stage_lock"):
        yield "stage lock on"


def _needle(needle: Mapping[str, Any] | None) -> dict[str, Any] | None:
    """Return a needle: where it stands, -1 flat to +1 sharp; None where nothing was read."""
    if not needle:
        return None
    cents = needle.get("cents")
    span = float(needle.get("span_cents") or 50.0)
    at = None if cents is None else round(max(-1.0, min(1.0, cents / span)), 3)
    return {
        "voice": _text(needle.get("voice", "")),
        "at": at,
        "cents": "" if cents is None else f"{cents:+.1f}",
        "span": f"{span:g}",
        "text": _text(needle.get("text", "")),
    }


def _voice(voice: StatusFields, octave: int, now_s: float) -> dict[str, Any]:
    key, cents = voice["key"], voice["correction_cents"]
    return {
        "name": _text(voice["name"]),
        "note": "" if key is None else name_of_note(key, octave),
        # Adding zero after rounding turns -0.0 into 0.0.
        "cents": "" if cents is None else f"{round(cents, 1) + 0.0:+.1f}",
        "state": _text(", ".join(words(voice, now_s))),
        "bad": not voice["output_there"] or bool(voice["out_of_reach"] or voice["unusable"]),
        "waits": bool(voice["waits"]),
        "mute": bool(voice["mute"]),
    }
