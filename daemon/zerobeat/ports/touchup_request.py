"""Ask the service manager for a touch-up: the daemon's sandbox has no sound card.

As a service the daemon makes a file in its runtime directory, in memory; a path
unit waits for it and starts the unit that has audio. In a terminal nobody waits for
it and nothing is made; a client sees the request in the status.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

WANTED = "touchup.wanted"


def ask_for_touch_up() -> bool:
    """Make the file; True if a service manager may see it. Never raises."""
    folder = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    if not folder:
        return False
    with contextlib.suppress(OSError):
        (Path(folder) / WANTED).touch()
        return True
    return False
