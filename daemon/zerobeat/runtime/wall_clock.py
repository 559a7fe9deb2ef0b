"""Notices that the wall clock was set: no note depends on it, but log times jump (M13)."""

from __future__ import annotations

import time

CHECK_S = 1.0
STEP_S = 1.0  # less is the usual slewing of network time


class WallClock:
    """Compares the wall clock with the monotonic clock.

    Attributes:
        steps: how often it was set since the start.
    """

    def __init__(self, now_s: float, wall_s: float) -> None:
        self.steps = 0
        self._offset_s = wall_s - now_s
        self._check_s = now_s

    def check(self, now_s: float, wall_s: float | None = None) -> str:
        """Return a log line if it was set since the last check, else ""."""
        if now_s < self._check_s:
            return ""
        self._check_s = now_s + CHECK_S
        offset_s = (time.time() if wall_s is None else wall_s) - now_s
        step_s = offset_s - self._offset_s
        self._offset_s = offset_s
        if abs(step_s) < STEP_S:
            return ""
        self.steps += 1
        way = "on" if step_s > 0 else "back"
        return f"the clock was set {way} by {abs(step_s):.0f} s; notes are not affected"
