"""What is said in full once a day, and in short after that."""

from __future__ import annotations

import contextlib
import os
from datetime import datetime
from pathlib import Path


def first_today(what: str) -> bool:
    """Return whether this is the first time today; if that can't be known, it is.

    Args:
        what: name of the thing that is said.
    """
    cache = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    path = Path(cache) / "zerobeat" / f"{what}-said"
    today = datetime.now().astimezone().date().isoformat()
    with contextlib.suppress(OSError, ValueError):
        if path.read_text() == today:
            return False
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(today)
    return True
