"""Raw input for clients: collected, bounded, sent in batches.

Clock and active sensing are left out; they would hide everything else. A client gets at
most one line each 50 ms with at most 64 messages; more is counted as ``lost``, and so is
what comes while it does not read.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from typing import Literal, TypedDict

BATCH_S = 0.05
MOST_MESSAGES = 64
LONGEST_BYTES = 32  # of a message; more of an exclusive one is no help
LEFT_OUT = (0xF8, 0xFE)


class RawMessage(TypedDict):
    """One message of an input."""

    input: str
    at_s: float
    bytes: list[int]


class HeardBatch(TypedDict):
    """What a client reads that listens to raw input."""

    ok: Literal[True]
    heard: list[RawMessage]
    lost: int


class RawInputBatch:
    """Messages that arrived since the last batch."""

    def __init__(self) -> None:
        self._heard: deque[RawMessage] = deque()
        self._lost = 0
        self.due_s: float | None = None

    def add(self, now_s: float, name: str, content: Sequence[int]) -> None:
        """Add one message of an input."""
        if content[0] in LEFT_OUT:
            return
        if self.due_s is None:
            self.due_s = now_s + BATCH_S
        if len(self._heard) >= MOST_MESSAGES:
            self._lost += 1
            return
        batch = list(content[:LONGEST_BYTES])
        self._heard.append({"input": name, "at_s": round(now_s, 4), "bytes": batch})

    def take(self, now_s: float) -> HeardBatch | None:
        """Return the batch that is due now, or None."""
        if self.due_s is None or now_s < self.due_s:
            return None
        batch: HeardBatch = {"ok": True, "heard": list(self._heard), "lost": self._lost}
        self._heard.clear()
        self._lost, self.due_s = 0, None
        return batch
