"""A line of a screen, and what it is drawn from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

Mark = Literal["", "head", "waits", "bad", "good", "old"]
StatusFields = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Line:
    """A line complete in its words; its ``mark`` only lets a terminal colour it."""

    text: str
    mark: Mark = ""
