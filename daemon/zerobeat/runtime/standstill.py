"""Notices that the process stood still: stopped by a signal, or with the whole machine.

Note-offs that came meanwhile may be lost: the kernel queues 200 events, a JACK server none.
"""

from __future__ import annotations

import time

LONGEST_S = 1.5


class Standstill:
    """Compares when the loop should have gone on with when it did.

    A stage that takes long is no standstill: its messages wait in the inbox.
    """

    def __init__(self) -> None:
        self._continued = False  # by SIGCONT
        self._active_s = self._due_s = _machine_s()
        self._asleep_s = _machine_s() - time.monotonic()

    def continued(self) -> None:
        """Note a SIGCONT; safe in a signal handler."""
        self._continued = True

    def waits(self, longest_s: float) -> None:
        """Note that the loop now waits, for at most ``longest_s``."""
        self._active_s = _machine_s()
        self._due_s = self._active_s + max(0.0, longest_s)

    def seconds(self) -> float:
        """Return how long it stood still since the last call, 0.0 if it did not."""
        now_s = _machine_s()
        asleep_s = now_s - time.monotonic()
        late_s = max(now_s - self._due_s if self._due_s else 0.0, asleep_s - self._asleep_s)
        if self._continued:
            late_s = max(late_s, now_s - self._active_s)
        self._continued = False
        self._active_s, self._due_s, self._asleep_s = now_s, 0.0, asleep_s
        return late_s if late_s > LONGEST_S else 0.0


def _machine_s() -> float:
    """Return the clock that goes on while the machine sleeps."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)
