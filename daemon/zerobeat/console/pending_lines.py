"""What waits, and the clock, as lines of the console."""

from __future__ import annotations

from .text_line import Line, Shown


def waits_line(shown: Shown, left: str) -> Line:
    """Return what waits, for what, and how many beats are left."""
    ends = list(shown.get("ends", ()))
    if not ends:
        return Line("nothing waits")
    clock = shown.get("clock")
    if clock and clock["beats_left"] is not None and clock["due"] in ends:
        beats = clock["beats_left"]
        at = ends.index(clock["due"])
        ends[at] += f" ({beats} beat{'' if beats == 1 else 's'}{left})"
    return Line(f"waiting for {' or '.join(ends)}: {_what_waits(shown)}", "waits")


def _what_waits(shown: Shown) -> str:
    """Return what waits: a scene, or the voices with what they will be."""
    scene = shown.get("waits")
    parts: list[str] = []
    if scene is not None:
        own = scene["name"] == shown.get("scene")
        parts.append("the scene's zones" if own else f"scene {scene['name']}")
        if not own:
            return parts[0]
    voices = shown.get("voices", [])
    waiting: dict[str, list[str]] = {}
    for voice in voices:
        if voice["waits"]:
            waiting.setdefault(", ".join(voice["wanted"]), []).append(voice["name"])
    for wanted, names in waiting.items():
        who = "all" if len(names) == len(voices) else ", ".join(names)
        parts.append(f"{who} {wanted}")
    return "; ".join(parts)


def roots_line(shown: Shown) -> Line:
    """Return whose root the next key sets."""
    names = shown.get("root_keys", ())
    if not names:
        return Line("")
    who = "all" if len(names) == len(shown.get("voices", [])) else ", ".join(names)
    return Line(f"a key sets the root: {who}", "waits")


def clock_line(clock: Shown) -> Line:
    """Return the clock in words."""
    state = clock["state"]
    if state == "none":
        return Line(f"clock     none has come from {clock['input']}")
    place = f"bar {clock['bar']} beat {clock['beat']}"
    tempo = "" if clock["tempo_bpm"] is None else f", {clock['tempo_bpm']:.1f} bpm"
    unsure = ", position unsure" if clock["unsure"] else ""
    return Line(f"clock     {state}{tempo}, {place}{unsure}", "bad" if state == "lost" else "")


def short_clock(shown: Shown) -> str:
    clock = shown.get("clock")
    if not clock or clock["state"] == "none":
        return ""
    if clock["state"] == "running" and clock["tempo_bpm"] is not None:
        return f"{clock['tempo_bpm']:.0f}bpm"
    return "no clock" if clock["state"] == "lost" else str(clock["state"])
