"""The stream ``expected`` of one client: bounded, sent in batches, the oldest lines lost first.

A client gets at most one batch each 50 ms. Of one that does not read, the newest 256 lines are
kept; ``lost`` counts what was more, and after a loss every voice has a line again.
"""

from __future__ import annotations

from collections import deque
from typing import Literal, TypedDict

from ..json_value import JsonObject

BATCH_EVERY_S = 0.05
MOST_EXPECTED = 256
MOST_IN_BATCH = 64
MOST_ASKED_ACTS = 32


class ExpectedBatch(TypedDict):
    """What a client of the stream reads."""

    ok: Literal[True]
    expected: list[JsonObject]
    asked: list[JsonObject]
    inputs: str
    lost: int


class ExpectedLines:
    """The lines that one client has not been sent yet.

    Attributes:
        due_s: when the next batch is due; None: nothing waits.
        restart: every voice is to have a line again.
    """

    def __init__(self, now_s: float) -> None:
        self._lines: deque[JsonObject] = deque()
        self._asked: deque[JsonObject] = deque(maxlen=MOST_ASKED_ACTS)
        self._lost = 0
        self._inputs = ""
        self._told_inputs: str | None = None
        self._sent_s = now_s
        self.due_s: float | None = None
        self.restart = True

    def add(self, line: JsonObject, now_s: float) -> None:
        """Add a line; the oldest goes where too many wait."""
        if len(self._lines) >= MOST_EXPECTED:
            self._lines.popleft()
            self._lost += 1
        self._lines.append(line)
        self._schedule(now_s)

    def ask(self, act: JsonObject, now_s: float) -> None:
        """Add what the player asks of follow."""
        self._asked.append(act)
        self._schedule(now_s)

    def say_inputs(self, inputs: str, now_s: float) -> None:
        """Say whether the audio inputs are wanted by somebody else."""
        self._inputs = inputs
        if inputs != self._told_inputs:
            self._schedule(now_s)

    def _schedule(self, now_s: float) -> None:
        if self.due_s is None:
            self.due_s = max(now_s, self._sent_s + BATCH_EVERY_S)

    def take(self, now_s: float) -> ExpectedBatch | None:
        """Return the batch that is due now, or None."""
        if self.due_s is None or now_s < self.due_s:
            return None
        count = min(MOST_IN_BATCH, len(self._lines))
        lines = [self._lines.popleft() for _ in range(count)]
        asked, lost = list(self._asked), self._lost
        self._asked.clear()
        self._lost, self._told_inputs, self._sent_s = 0, self._inputs, now_s
        self.restart = self.restart or lost > 0
        self.due_s = now_s + BATCH_EVERY_S if self._lines else None
        return {
            "ok": True,
            "expected": lines,
            "asked": asked,
            "inputs": self._inputs,
            "lost": lost,
        }
