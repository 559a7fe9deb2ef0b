"""Text of the console: a line, cut and cleaned for a terminal."""

from __future__ import annotations

import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Mark = Literal["", "head", "waits", "bad"]
Shown = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    text: str
    mark: Mark = ""


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
