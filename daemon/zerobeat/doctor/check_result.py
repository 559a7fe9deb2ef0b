"""The result of one check of ``doctor``."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

MACHINE_ROOT = Path("/")
Level = Literal["ok", "note", "warning", "fault"]


@dataclass(frozen=True, slots=True)
class CheckResult:
    """The result of one check.

    Args:
        level: ``note`` is good to know, nothing is wrong; a ``warning`` may spoil a gig, a
            ``fault`` does.
        about: what was checked, in a word or two.
        text: what was found.
        remedy: what to do; "" if nothing.
    """

    level: Level
    about: str
    text: str
    remedy: str = ""


def ok(about: str, text: str) -> CheckResult:
    return CheckResult("ok", about, text)
