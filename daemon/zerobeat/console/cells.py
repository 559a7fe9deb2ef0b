"""Text in the cells of a terminal: cleaned, filled, cut, wrapped."""

from __future__ import annotations

import unicodedata


def clean(text: str, ascii_only: bool) -> str:
    """Return text without what a terminal might obey or can't show."""
    return "".join(
        c if c.isprintable() and not (ascii_only and ord(c) > 126) else "?" for c in text
    )


def fit(text: str, width: int) -> str:
    """Return text in exactly ``width`` cells, cut with ``..`` or filled with spaces."""
    cells = width_of(text)
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


def wrap_cells(text: str, width: int) -> list[str]:
    """Return text as lines of at most ``width`` cells, broken between words where it can be."""
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if width_of(longer) <= width or not line:
            line = longer
        else:
            lines.append(line)
            line = word
        while width_of(line) > width:  # a word longer than a line, such as a file's path
            head = fit(line, width + 2).rstrip().removesuffix("..")
            head = head if head and width_of(head) <= width else line[:1]
            lines.append(head)
            line = line[len(head) :]
    return [*lines, line] if line or not lines else lines


def width_of(text: str) -> int:
    """Return how many cells a text takes."""
    return sum(map(_cells, text))


def _cells(c: str) -> int:
    if unicodedata.combining(c) or unicodedata.category(c) == "Cf":
        return 0
    return 2 if unicodedata.east_asian_width(c) in "WF" else 1
