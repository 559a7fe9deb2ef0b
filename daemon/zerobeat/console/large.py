"""The status in letters that are read two metres away: what is wrong, the scene, what comes.
While a player turns a knob, the needle of ``tune`` or ``trim`` stands in their place.
"""

from __future__ import annotations

from .cells import clean, fit, wrap_cells
from .letters import HEIGHT, letters
from .line import Line, Mark, StatusFields
from .needle import Needle, needle_lines
from .problems import how_it_stands
from .screen import evening_transposition, waits_line


def large_lines(
    shown: StatusFields, columns: int, rows: int | None, ascii_only: bool
) -> list[Line]:
    """Return what matters on stage: the first line as everywhere, then large letters.

    Args:
        shown: the answer to the command ``status``.
        columns, rows: of the terminal; what does not fit below is left out.
        ascii_only: other characters become ``?``.
    """
    text, wrong = how_it_stands(shown)
    first = wrap_cells(text, columns)[: 2 if rows is None else min(2, rows)]
    lines = [Line(line, "bad" if wrong else "good") for line in first]
    needle = shown.get("needle")
    if needle:
        turned = Needle(needle["voice"], needle["off_cents"], needle["where"], needle["turn"])
        return [*lines, Line(""), *(Line(text) for text in needle_lines(turned, columns))][:rows]
    for what, mark in _facts(shown):
        if rows is not None and len(lines) + 1 + HEIGHT > rows:
            break
        lines += [Line(""), *(Line(line, mark) for line in letters(what, columns))]
    room = None if rows is None else rows - len(lines)
    waiting = waits_line(shown, " left")
    under = wrap_cells(waiting.text, columns) if waiting.mark else []
    if under and (room is None or room > len(under)):
        lines += [Line(""), *(Line(line, waiting.mark) for line in under)]
    return [Line(fit(clean(line.text, ascii_only), columns).rstrip(), line.mark) for line in lines]


def _facts(shown: StatusFields) -> list[tuple[str, Mark]]:
    """Return what is written large, the most important first."""
    scene = str(shown.get("scene", "?"))
    facts: list[tuple[str, Mark]] = [(scene, "head")]
    waits = shown.get("waits")
    order, position = shown.get("set_list", ()), shown.get("position")
    clock = shown.get("clock") or {}
    if shown.get("ends"):
        left = clock.get("beats_left")
        what = waits["name"] if waits is not None and waits["name"] != scene else "waits"
        facts.append((f"{left} {what}" if left is not None else f"+ {what}", "waits"))
    elif position is not None and position + 1 < len(order):
        facts.append((f"+ {order[position + 1]}", ""))
    voices = shown.get("voices", ())
    if any(voice["bypass"] for voice in voices):
        facts.append(("raw", "bad"))
    moved = evening_transposition(shown)
    return facts + ([(moved, "")] if moved else [])
