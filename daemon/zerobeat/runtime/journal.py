"""The daemon's log: plain lines on stderr, a repeated one told seldom."""

from __future__ import annotations

import faulthandler
import os
import sys
import time
import traceback
from collections import deque

REPEAT_S = 10.0
KEPT = 8


def keep_libraries_out() -> None:
    """As a service: what C libraries print to stderr themselves stays out of the log (S10).

    The MIDI library prints two lines for each overflow, besides the one that we write. Our own
    lines, tracebacks, and those of a crash go where they went.
    """
    if not os.environ.get("NOTIFY_SOCKET"):
        return
    log = os.fdopen(os.dup(2), "w", buffering=1, errors="backslashreplace")
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)
    sys.stderr = log
    faulthandler.enable(log)


class Journal:
    """Writes lines; the same line again within ten seconds is only counted.

    Attributes:
        faults: the newest kinds of fault, each with ``at_s`` (Unix time) and ``text``.
    """

    def __init__(self) -> None:
        self._told: dict[str, tuple[float, int]] = {}
        self.faults: deque[dict[str, object]] = deque(maxlen=KEPT)

    def say(self, text: str) -> None:
        """Write a line now."""
        for line in text.splitlines():
            print(line, file=sys.stderr, flush=True)

    def fault(self, key: str, text: str) -> None:
        """Write a fault, unless one of the same key was written just now."""
        now_s = time.monotonic()
        told_s, missed = self._told.get(key, (-REPEAT_S, 0))
        if now_s - told_s < REPEAT_S:
            self._told[key] = (told_s, missed + 1)
            return
        self._told[key] = (now_s, 0)
        self.faults.append({"at_s": round(time.time(), 1), "text": key.removeprefix("fault ")})
        self.say(f"{text} (and {missed} more like it)" if missed else text)

    def exception(self, what: str) -> None:
        """Write where the exception being handled came from, as ``fault`` does."""
        self.fault(f"fault {what}", f"fault in {what}:\n{traceback.format_exc()}")
