"""One thing that ``doctor`` looked at."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

MACHINE_ROOT = Path("/")
Level = Literal["ok", "note", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """``about`` in a word or two, ``text`` what was found, ``remedy`` what to do.

    ``note``: nothing is wrong, but good to know. ``warning``: it may spoil a gig. ``fault``:
    it does.
    """

    level: Level
    about: str
    text: str
    remedy: str = ""


def ok(about: str, text: str) -> CheckResult:
    return CheckResult("ok", about, text)
