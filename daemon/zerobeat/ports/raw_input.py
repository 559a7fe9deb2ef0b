"""Raw input for clients that ask what arrives: gathered, bounded, told in batches.

Clock and active sensing are left out; they would hide everything else. A client
gets at most one line each 50 ms with at most 64 messages; what is more is
counted as ``lost``, and so is what comes while it does not read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Any

TELL_S = 0.05
MOST_TOLD = 64
LONGEST_BYTES = 32  # of a message; more of an exclusive one is no help
LEFT_OUT = (0xF8, 0xFE)


class Listening:
    """What was heard since the last line."""

    def __init__(self) -> None:
        self._heard: deque[dict[str, Any]] = deque()
        self._lost = 0
        self.due_s: float | None = None

    def hear(self, now_s: float, name: str, content: Sequence[int]) -> None:
        """Take one message of an input."""
        if content[0] in LEFT_OUT:
            return
        if self.due_s is None:
            self.due_s = now_s + TELL_S
        if len(self._heard) >= MOST_TOLD:
            self._lost += 1
            return
        told = list(content[:LONGEST_BYTES])
        self._heard.append({"input": name, "at_s": round(now_s, 4), "bytes": told})

    def take(self, now_s: float) -> dict[str, Any] | None:
        """Return what is to be told now, or None."""
        if self.due_s is None or now_s < self.due_s:
            return None
        told = {"ok": True, "heard": list(self._heard), "lost": self._lost}
        self._heard.clear()
        self._lost, self.due_s = 0, None
        return told
