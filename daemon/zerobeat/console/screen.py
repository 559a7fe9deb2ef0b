"""Formats the daemon's status as plain lines; no terminal, no colour, no state.

From the top: whether all is well, or what is not and what to do; the scene and the next one;
what waits; what is played raw, silenced or locked; the voices, their corrections last; and
below them what else there is to know. What does not fit is left out by its weight, line by
line and word by word. Names are shown as text and never read as markup; control characters
are replaced.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ..text import counted
from .cells import clean, fit, wrap_cells
from .line import Line, StatusFields
from .notices import LABEL, Notice, notices, short_clock
from .problems import how_it_stands
from .voice_rows import HOLD_WORDS, VoiceRow, cents_text, heading, voice_row

FULL_COLUMNS = 72
FULL_ROWS = 18
URGENT_RANK = 3  # notices up to this are shown before voices get more than a line


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
    top = _top(shown, columns, full, rows)
    octave = int(shown.get("middle_c_octave", 4))
    concert_a_hz = float(shown.get("concert_a_hz", 440.0))
    voices = [
        voice_row(voice, columns, full, octave, concert_a_hz, now_s)
        for voice in shown.get("voices", [])
    ]
    below = notices(shown, loads)
    room = None if rows is None else rows - len(top)
    if full or room is None or room > len(voices) + 1:
        top.append(heading(columns, full))
        room = None if room is None else room - 1
    room = None if room is None else max(0, room)
    lines = [*top, *_body(voices, below, columns, room, full)][:rows]
    return [Line(fit(clean(line.text, ascii_only), columns).rstrip(), line.mark) for line in lines]


# ---------------------------------------------------------------- above the voices


def _top(shown: StatusFields, columns: int, full: bool, rows: int | None) -> list[Line]:
    text, wrong = how_it_stands(shown)
    first = wrap_cells(text, columns)[: 2 if rows is None or rows > 10 else 1]
    lines = [Line(line, "bad" if wrong else "good") for line in first]
    lines += [Line(_scene(shown, full), "head"), *_waits(shown, columns, full)]
    on = acts(shown)
    settings = _settings(shown, full)
    if not full:
        lines += [Line(line) for line in wrap_cells("; ".join(on), columns) if on]
        return [*lines, Line(settings)] if rows is None or rows >= 16 else lines
    joined = f"{settings}   {'; '.join(on)}"
    both = wrap_cells(joined, columns) == [joined]
    lines += [Line(joined.rstrip())] if both else [Line(settings), *_each(on, columns)]
    return lines


def _each(on: Sequence[str], columns: int) -> list[Line]:
    return [Line(line) for line in wrap_cells("; ".join(on), columns)]


def _scene(shown: StatusFields, full: bool) -> str:
    """Return the scene, its place in the set list and the one that follows."""
    name = shown.get("scene", "?")
    order, position = shown.get("set_list", ()), shown.get("position")
    if not full:
        return f"{name}{'*' if shown.get('unsaved') else ''}{_next(order, position, short=True)}"
    program, counts_from = shown.get("program"), shown.get("program_numbers_from", 1)
    number = "" if program is None else f"   program {program + counts_from}"
    if program is not None and counts_from:
        number += f" (sent as {program})"
    unsaved = ", unsaved" if shown.get("unsaved") else ""
    return f"scene {name}{unsaved}{_next(order, position, short=False)}{number}"


def _next(order: Sequence[str], position: int | None, short: bool) -> str:
    if len(order) < 2:
        return ""
    if position is None:
        return "" if short else f"   not in the set list ({counted(len(order), 'scene')})"
    follows = order[position + 1] if position + 1 < len(order) else ""
    place = f"{position + 1} of {len(order)}"
    if short:
        return f", {place}, next {follows}" if follows else f", {place}, the last"
    return f"   {place}, next: {follows}" if follows else f"   {place}, the last"


def _waits(shown: StatusFields, columns: int, full: bool) -> list[Line]:
    names = shown.get("root_keys", ())
    waiting = waits_line(shown, " left" if full else "")
    lines = []
    if names:
        who = "all" if len(names) == len(shown.get("voices", [])) else ", ".join(names)
        lines.append(Line(f"a key sets the root: {who}", "waits"))
    if waiting.mark or (full and not names):
        lines += [Line(line, waiting.mark) for line in wrap_cells(waiting.text, columns)[:2]]
    return lines


def acts(shown: StatusFields) -> list[str]:
    """Return what is played raw, silenced or locked, in words."""
    voices = shown.get("voices", ())
    found = []
    for key, text in (("bypass", "raw"), ("mute", "muted"), ("solo", "solo")):
        names = [voice["name"] for voice in voices if voice[key]]
        if names:
            who = "all" if len(names) == len(voices) > 1 else ", ".join(names)
            found.append(f"{text}: {who}")
    if shown.get("feet") and shown.get("stage_lock"):
        found.append("stage lock on")
    return found


def _settings(shown: StatusFields, full: bool) -> str:
    hold = HOLD_WORDS.get(str(shown.get("hold")), "?")
    concert = f"A4 {shown.get('concert_a_hz', 0):.1f} Hz"
    moved = evening_transposition(shown)
    if full:
        return f"changes: {hold}   {concert}   transposed {moved or '0'}"
    clock = short_clock(shown)
    return "  ".join(filter(None, (concert, moved, clock, f"changes: {hold}")))


def evening_transposition(shown: StatusFields) -> str:
    """Return tonight's transposition, such as ``+3, -14.0 ct, 2 steps``; "" if there is none."""
    cents, steps = shown.get("transpose_cents", 0.0), shown.get("transpose_degrees", 0)
    semitones = shown.get("transpose_semitones", 0)
    parts = [f"{semitones:+d}"] if semitones else []
    parts += [cents_text(cents)] if cents else []
    parts += [f"{steps:+d} {'step' if abs(steps) == 1 else 'steps'}"] if steps else []
    return ", ".join(parts)


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


# ---------------------------------------------------------------- voices and what is below


def _body(
    voices: list[VoiceRow], below: list[Notice], columns: int, room: int | None, full: bool
) -> list[Line]:
    """Return the voices and the notices, in as many lines as there is room for."""
    if room is None:
        lines = [line for voice in voices for line in voice.lines(voice.most_lines())]
        return [*lines, Line(""), *(line for one in below for line in _notice(one, columns, full))]
    texts = {id(one): _notice(one, columns, full) for one in below}
    urgent = [one for one in below if one.rank <= URGENT_RANK]
    # Urgent notices may take what the voices leave, at least a quarter of the room.
    for_notices = max(room - len(voices), room // 4)
    kept = _kept(urgent, texts, for_notices)
    chosen, left_out = _fitting(voices, room - sum(len(texts[id(one)]) for one in kept))
    used = len(chosen) + len(left_out) + sum(len(texts[id(one)]) for one in kept)
    counts = _line_counts(chosen, room - used)
    used += sum(counts) - len(chosen)
    rest = [one for one in below if one not in kept]
    kept += _kept(sorted(rest, key=lambda one: one.rank), texts, room - used)
    shown = [line for row, count in zip(chosen, counts, strict=True) for line in row.lines(count)]
    under = [line for one in below if one in kept for line in texts[id(one)]]
    gap = [Line("")] if len(shown) + len(left_out) + len(under) < room and under else []
    return [*shown, *left_out, *gap, *under]


def _notice(one: Notice, columns: int, full: bool) -> list[Line]:
    if not full:
        return [Line(text, one.mark) for text in wrap_cells(f"{one.label} {one.text}", columns)]
    first, *more = wrap_cells(one.text, columns - LABEL)
    lines = [Line(f"{one.label:<{LABEL}}{first}", one.mark)]
    return lines + [Line(" " * LABEL + text, one.mark) for text in more]


def _kept(ordered: list[Notice], texts: Mapping[int, list[Line]], room: int) -> list[Notice]:
    """Return the notices that fit, each whole, in the order of their weight."""
    kept = []
    for one in sorted(ordered, key=lambda one: one.rank):
        lines = len(texts[id(one)])
        if lines <= room:
            kept.append(one)
            room -= lines
    return kept


def _fitting(voices: list[VoiceRow], room: int) -> tuple[list[VoiceRow], list[Line]]:
    """Return the voices that fit, those in trouble and those that sound first, and what is said
    of the others."""
    if len(voices) <= room:
        return voices, []
    ranked = sorted(voices, key=lambda row: row.urgent)
    chosen = [id(row) for row in ranked[: max(0, room - 1)]]
    left = [row for row in voices if id(row) not in chosen]
    well = "" if any(row.urgent == 0 for row in left) else ", without trouble"
    line = Line(f"and {len(left)} more {'voice' if len(left) == 1 else 'voices'}{well}")
    return [row for row in voices if id(row) in chosen], [line]


def _line_counts(rows: list[VoiceRow], room: int) -> list[int]:
    """Return how many lines each row gets: those in trouble are given more of the room first."""
    counts = [1] * len(rows)
    for index in sorted(range(len(rows)), key=lambda at: rows[at].urgent):
        more = min(rows[index].most_lines() - 1, max(0, room))
        counts[index] += more
        room -= more
    return counts
