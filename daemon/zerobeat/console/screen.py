"""Formats the daemon's status as plain lines; no terminal, no colour, no state.

Two layouts: 80 columns by 24 rows, and a reduced one down to 40 by 12. A line
is complete in its words; its ``mark`` only lets a terminal colour it. Names are
shown as text and never read as markup; control characters are replaced.
"""

from __future__ import annotations

import math
import time
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from ..tuning.units import name_of_note

Mark = Literal["", "head", "waits", "bad"]
StatusFields = Mapping[str, Any]
FULL_COLUMNS = 72
FULL_ROWS = 18
RIG_UNCHANGED = "the rig in force is unchanged"  # as rig_reload.py and runner.py say it


@dataclass(frozen=True, slots=True)
class Line:
    text: str
    mark: Mark = ""


def screen_lines(
    shown: StatusFields,
    columns: int,
    rows: int | None,
    loads: Mapping[str, float],
    ascii_only: bool,
    now_s: float = 0.0,
) -> list[Line]:
    """Return a status as lines.

    Args:
        shown: the answer to the command ``status``.
        columns: width; no line is wider.
        rows: height, or None for as many lines as it takes.
        loads: share of its byte budget that each output uses, 0 to 1.
        ascii_only: other characters become ``?``.
        now_s: Unix time, for the age of a touch-up; 0: no age is shown.
    """
    full = columns >= FULL_COLUMNS and (rows is None or rows >= FULL_ROWS)
    head = _head(shown) if full else _short_head(shown)
    footer = full_footer(shown, loads) if full else short_footer(shown)
    if rows is not None and not full:
        footer = footer[: max(1, rows - len(head) - 1)]
    room = None if rows is None else max(0, rows - len(head) - len(footer))
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
        for line in [*head, *body, *footer]
    ]


def _fitting(voices: list[Any], room: int | None) -> list[Any]:
    """Return the voices that fit; those in trouble and those that sound come first."""
    if room is None or len(voices) <= room:
        return voices
    ranked = sorted(voices, key=lambda v: (not _trouble(v), v["key"] is None))
    chosen = ranked[: max(0, room - 1)]
    return [voice for voice in voices if voice in chosen]


# ---------------------------------------------------------------- the voices


def _trouble(voice: StatusFields) -> str:
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


def words(voice: StatusFields, now_s: float = 0.0) -> list[str]:
    """Return the state of a voice in words, the most important first."""
    parts = [trouble] if (trouble := _trouble(voice)) else []
    parts += ["measuring"] if voice.get("measuring") else []
    parts += ["muted"] if voice["mute"] else []
    parts += ["solo"] if voice["solo"] else []
    if voice["bypass"]:
        acts = (what.replace("panel octaves", "panel") for what in voice.get("still_acts", ()))
        parts.append(" + ".join(("raw", *acts)))
    if voice["waits"]:
        parts.append(f"waits {voice['waits']}")
    parts += ["check profile"] if voice["stale"] else []
    parts += [] if voice["measured"] else ["unmeasured"]
    parts += _touched_up(voice["touch_up"], now_s)
    return parts or ["ok" if voice["key"] is not None else "silent"]


def _touched_up(touch_up: StatusFields, now_s: float) -> list[str]:
    if not (touch_up["offset_cents"] or touch_up["stretch_cents"]):
        return []
    passed_s = now_s - touch_up.get("at_s", 0.0)
    if not now_s or not touch_up.get("at_s") or passed_s < 0:
        return ["touched up"]
    for unit, seconds in (("d", 86400), ("h", 3600), ("min", 60)):
        if passed_s >= seconds:
            return [f"touched up {passed_s // seconds:.0f} {unit} ago"]
    return ["touched up just now"]


def _mark(voice: StatusFields) -> Mark:
    if _trouble(voice):
        return "bad"
    return "waits" if voice["waits"] else ""


def _cents(cents: float | None) -> str:
    # Adding zero after rounding turns -0.0 into 0.0.
    return "-" if cents is None else f"{round(cents, 1) + 0.0:+.1f}c"


def _key(voice: StatusFields, octave: int) -> str:
    key = voice["key"]
    return "-" if key is None else f"{name_of_note(key, octave)} {key}"


def _sounds(voice: StatusFields, octave: int, concert_a_hz: float) -> str:
    """Return the pitch to be heard as the nearest note of tonight's concert pitch and cents."""
    if voice["sounding_cents"] is None:
        return "-"
    above = voice["sounding_cents"] - 1200.0 * math.log2(concert_a_hz / 440.0)
    note = round(above / 100.0)
    name = name_of_note(note, octave) if 0 <= note <= 127 else "?"
    return f"{name} {_cents(above - 100.0 * note)}"


def _row(voice: StatusFields, octave: int, concert_a_hz: float, now_s: float) -> Line:
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


def _short_row(voice: StatusFields, octave: int, concert_a_hz: float, now_s: float) -> Line:
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


def _head(shown: StatusFields) -> list[Line]:
    scene = f"{shown.get('scene', '?')}{', unsaved' if shown.get('unsaved') else ''}"
    return [
        Line(
            f"zerobeat  scene {scene}   hold {shown.get('hold', '?')}   "
            f"A4 {shown.get('concert_a_hz', 0):.1f} Hz   "
            f"transposed {_transposed(shown)}",
            "head",
        ),
        waits_line(shown, " left"),
        *set_list_lines(shown),
        roots_line(shown),
        Line("voice     key     sent      bend sounds     correct  used  state", "head"),
    ]


def _transposed(shown: StatusFields) -> str:
    """Return tonight's transposition, such as ``+3``, ``+0 -14c`` or ``+0 +2st`` (steps)."""
    cents, steps = shown.get("transpose_cents", 0.0), shown.get("transpose_degrees", 0)
    text = f"{shown.get('transpose_semitones', 0):+d}"
    text += f" {cents:+g}c" if cents else ""
    return text + (f" {steps:+d}st" if steps else "")


def _short_head(shown: StatusFields) -> list[Line]:
    return [
        Line(
            f"{fit(shown.get('scene', '?'), 12).rstrip()}{'*' if shown.get('unsaved') else ''} "
            f"{shown.get('hold', '?')} A{shown.get('concert_a_hz', 0):.1f} "
            f"{_transposed(shown)} {short_place(shown)}{short_clock(shown)}",
            "head",
        ),
        roots_line(shown) if shown.get("root_keys") else waits_line(shown, ""),
    ]


def set_list_lines(shown: StatusFields) -> list[Line]:
    """Return the place in the set list of the scene that waits or plays, and what follows."""
    order = shown.get("set_list", ())
    if len(order) < 2:
        return []
    position = shown.get("position")
    program = shown.get("program")
    first = shown.get("program_numbers_from", 1)
    number = "" if program is None else f"   program {program + first} (wire {program})"
    if position is None:
        return [Line(f"set list  not in it, {len(order)} scenes{number}")]
    follows = order[position + 1] if position + 1 < len(order) else ""
    then = f", then {follows}" if follows else ", the last"
    return [Line(f"set list  {position + 1} of {len(order)}{then}{number}")]


def short_place(shown: StatusFields) -> str:
    order, position = shown.get("set_list", ()), shown.get("position")
    return "" if position is None or len(order) < 2 else f"{position + 1}/{len(order)} "


# ---------------------------------------------------------------- what waits, and the clock


def waits_line(shown: StatusFields, left: str) -> Line:
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


def _what_waits(shown: StatusFields) -> str:
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


def roots_line(shown: StatusFields) -> Line:
    """Return the voices whose root the next key sets."""
    names = shown.get("root_keys", ())
    if not names:
        return Line("")
    who = "all" if len(names) == len(shown.get("voices", [])) else ", ".join(names)
    return Line(f"a key sets the root: {who}", "waits")


def clock_line(clock: StatusFields) -> Line:
    """Return the clock in words."""
    state = clock["state"]
    if state == "none":
        keys = ", keys land changes" if clock.get("keys_land") else ""
        return Line(f"clock     none has come from {clock['input']}{keys}")
    place = f"bar {clock['bar']} beat {clock['beat']}"
    tempo = "" if clock["tempo_bpm"] is None else f", {clock['tempo_bpm']:.1f} bpm"
    unsure = ", position unsure" if clock["unsure"] else ""
    keys = ", keys land changes" if clock.get("keys_land") else ""
    text = f"clock     {state}{tempo}, {place}{unsure}{keys}"
    return Line(text, "bad" if state == "lost" else "")


def short_clock(shown: StatusFields) -> str:
    clock = shown.get("clock")
    if not clock or clock["state"] == "none":
        return ""
    if clock["state"] == "running" and clock["tempo_bpm"] is not None:
        return f"{clock['tempo_bpm']:.0f}bpm"
    return "no clock" if clock["state"] == "lost" else str(clock["state"])


# ---------------------------------------------------------------- below the voices


def percent(share: float) -> str:
    return f"{100.0 * share:.0f}%"


def full_footer(shown: StatusFields, loads: Mapping[str, float]) -> list[Line]:
    """Return the lines below the voices on a screen of 80 columns."""
    found = [Line(""), *pedal_message_lines(shown, "foot      "), _ports(shown, "ports     ")]
    if shown.get("clock"):
        found.append(clock_line(shown["clock"]))
    cables = []
    for output in shown.get("outputs", []):
        load = loads.get(output["name"])
        used = f"{output['bytes_sent']} bytes" if load is None else percent(load)
        late = f", {output['late']} late notes left out" if output.get("late") else ""
        cables.append(f"{output['name']} {used}, thinned {output['thinned']}{late}")
    found.append(Line(f"cable     {'; '.join(cables)}"))
    found += _latency(shown, "latency   ")
    found.append(_faults(shown, "faults    "))
    found += _muted(shown, "muted     ")
    found += _real_time(shown)
    found += _disk(shown, "disk      ")
    found += _reload(shown, "reload    ")
    return found


def short_footer(shown: StatusFields) -> list[Line]:
    """Return the lines below the voices on a small screen, the most important first."""
    return [
        *_muted(shown, "muted "),
        *_disk(shown, ""),
        *pedal_message_lines(shown, "foot "),
        _ports(shown, ""),
        _faults(shown, "faults "),
        *_latency(shown, "latency "),
    ]


def _reload(shown: StatusFields, label: str) -> list[Line]:
    """Return the result of the last reload; the first fault if it was refused."""
    outcome = str(shown.get("reload", "")).removeprefix("reload: ")
    if not outcome:
        return []
    if RIG_UNCHANGED in outcome:
        fault = outcome.splitlines()[0].removesuffix(f"; {RIG_UNCHANGED}")
        return [Line(f"{label}refused, the old rig plays: {fault}", "bad")]
    return [Line(f"{label}{outcome.splitlines()[0]}", "bad" if " is broken: " in outcome else "")]


def _ports(shown: StatusFields, label: str) -> Line:
    """Return the ports, those in trouble first, and since when."""
    ports = shown.get("ports", [])
    groups: dict[str, list[str]] = {}
    for port in ports:
        if port["state"] != "connected":
            groups.setdefault(f"{port['state']}{_since(port)}", []).append(port["name"])
    away = [f"{', '.join(names)} {how}" for how, names in groups.items()]
    there = [port["name"] for port in ports if port["state"] == "connected"]
    text = "; ".join([*away, *([f"there: {', '.join(there)}"] if there else [])])
    return Line(f"{label}{text or 'none'}", "bad" if away else "")


def _since(port: StatusFields) -> str:
    at_s = port.get("since_s")
    return f" since {_clock(at_s)}" if at_s else ""


def _clock(at_s: float) -> str:
    """Return a time of day here; a small computer without a clock may be wrong about it."""
    return time.strftime("%H:%M", time.localtime(at_s))


def _latency(shown: StatusFields, label: str) -> list[Line]:
    found = shown.get("latency")
    if not found:
        return []
    text = f"{found['median_ms']:.2f} ms, 99 in 100 under {found['p99_ms']:.2f}"
    return [Line(f"{label}{text}, most {found['most_ms']:.2f}")]


def _faults(shown: StatusFields, label: str) -> Line:
    faults = shown.get("faults", 0)
    failing = [port for port in shown.get("ports", []) if port["faults"]]
    failed = sum(port["faults"] for port in failing)
    parts = [str(faults)]
    parts += [f"not sent {failed} ({failing[-1]['last_fault']})"] if failed else []
    parts += [f"malformed {shown['malformed']}"] if shown.get("malformed") else []
    last = shown.get("last_faults")
    parts += [f"last {_clock(last[-1]['at_s'])} {last[-1]['text']}"] if last else []
    dropped = [f"{name} {count}" for name, count in shown.get("dropped", {}).items() if count]
    parts += [f"dropped: {', '.join(dropped)}"] if dropped else []
    return Line(label + "; ".join(parts), "bad" if faults or failed or last else "")


def _muted(shown: StatusFields, label: str) -> list[Line]:
    """Return the inputs that were muted because of a MIDI loop."""
    names = shown.get("muted", ())
    return (
        [Line(f"{label}{', '.join(names)}: a loop; look at cables, thru, local", "bad")]
        if names
        else []
    )


def _real_time(shown: StatusFields) -> list[Line]:
    """Return what real-time permission was refused; nothing if all was granted."""
    text = shown.get("real_time", "").removeprefix("real time: ").partition("; ")[0]
    return [Line(f"real time {text}")] if "refused" in text else []


def _disk(shown: StatusFields, label: str) -> list[Line]:
    """Return why nothing can be stored, else which stored file could not be used, if any."""
    store = shown.get("store", {})
    fault = store.get("fault", "")
    if fault:
        file, colon, why = fault.partition(": ")
        return [Line(f"{label}{why if colon else file}", "bad")]
    if store.get("slow"):
        return [Line(f"{label}{store['slow']}", "bad")]
    lines = store.get("passed_over", ())
    more = f" (and {len(lines) - 1} more)" if len(lines) > 1 else ""
    return [Line(f"{label}{lines[0]}{more}", "bad")] if lines else []


def pedal_message_lines(shown: StatusFields, label: str) -> list[Line]:
    """Return the result of the last pedal action, or why it was refused."""
    message = shown.get("foot")
    if not message:
        return []
    return [Line(f"{label}{message}", "bad" if shown.get("foot_refused") else "")]


# ---------------------------------------------------------------- text


def clean(text: str, ascii_only: bool) -> str:
    """Return text without what a terminal might obey or can't show."""
    return "".join(
        c if c.isprintable() and not (ascii_only and ord(c) > 126) else "?" for c in text
    )


def fit(text: str, width: int) -> str:
    """Return text in exactly ``width`` cells, cut with ``..`` or filled with spaces."""
    cells = sum(map(_cells, text))
    if cells <= width:
        return text + " " * (width - cells)
    kept = ""
    room = width - 2
    for c in text:
        room -= _cells(c)
        if room < 0:
            break
        kept += c
    return fit(kept + "..", width) if width >= 2 else "." * width


def _cells(c: str) -> int:
    if unicodedata.combining(c) or unicodedata.category(c) == "Cf":
        return 0
    return 2 if unicodedata.east_asian_width(c) in "WF" else 1
