"""What the console says of the set list and of feet."""

from __future__ import annotations

from .text_line import Line, Shown


def set_list_lines(shown: Shown) -> list[Line]:
    """Return where in the set list the scene stands that waits, else plays, and what follows."""
    order = shown.get("set_list", ())
    if len(order) < 2:
        return []
    position = shown.get("position")
    program = shown.get("program")
    first = shown.get("program_numbers_from", 1)
    told = "" if program is None else f"   program {program + first} (wire {program})"
    if position is None:
        return [Line(f"set list  not in it, {len(order)} scenes{told}")]
    follows = order[position + 1] if position + 1 < len(order) else ""
    then = f", then {follows}" if follows else ", the last"
    return [Line(f"set list  {position + 1} of {len(order)}{then}{told}")]


def short_place(shown: Shown) -> str:
    order, position = shown.get("set_list", ()), shown.get("position")
    return "" if position is None or len(order) < 2 else f"{position + 1}/{len(order)} "


def foot_lines(shown: Shown, label: str) -> list[Line]:
    """Return the last thing a foot did, or why it was refused."""
    said = shown.get("foot")
    if not said:
        return []
    return [Line(f"{label}{said}", "bad" if shown.get("foot_refused") else "")]
