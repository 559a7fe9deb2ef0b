"""One thing that ``doctor`` looked at."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Level = Literal["ok", "note", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class Finding:
    """``about`` in a word or two, ``text`` what was found, ``remedy`` what to do.

    ``note``: nothing is wrong, but good to know. ``warning``: it may spoil a gig. ``fault``:
    it does.
    """

    level: Level
    about: str
    text: str
    remedy: str = ""


def ok(about: str, text: str) -> Finding:
    return Finding("ok", about, text)
