"""Published and computed figures of ``tests/data/published.json``; each names its source."""

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).resolve().parent.parent / "data" / "published.json"
_FIGURES = json.loads(_FILE.read_text(encoding="utf-8"))


def published(key: str) -> Any:
    """Return the value of an entry, such as ``pitch/modes``."""
    return _FIGURES[key]["value"]


def half_a_digit(printed: str) -> float:
    """Return half of the last digit of a printed number."""
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])
