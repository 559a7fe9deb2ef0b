"""The daemon's log: plain lines on stderr; repeated ones are rate-limited."""

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
    """As a service: keep what C libraries print to stderr out of the log (S10).

    The MIDI library prints two lines for each overflow, besides ours. Our own lines and
    tracebacks still go to the original stderr.
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
        self._dispatch: dict[str, tuple[float, int]] = {}
        self.faults: deque[dict[str, object]] = deque(maxlen=KEPT)

    def log(self, text: str) -> None:
        """Write a line now."""
        for line in text.splitlines():
            print(line, file=sys.stderr, flush=True)

    def fault(self, key: str, text: str) -> None:
        """Write a fault, unless one of the same key was written just now."""
        now_s = time.monotonic()
        logged_s, repeats = self._dispatch.get(key, (-REPEAT_S, 0))
        if now_s - logged_s < REPEAT_S:
            self._dispatch[key] = (logged_s, repeats + 1)
            return
        self._dispatch[key] = (now_s, 0)
        self.faults.append({"at_s": round(time.time(), 1), "text": key.removeprefix("fault ")})
        self.log(f"{text} (and {repeats} more like it)" if repeats else text)

    def exception(self, what: str) -> None:
        """Write where the exception being handled came from, as ``fault`` does."""
        self.fault(f"fault {what}", f"fault in {what}:\n{traceback.format_exc()}")
