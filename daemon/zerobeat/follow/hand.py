"""How much of a drift is taken out, and when: at the next note whole, on a sounding note slowly.

Unsure means still. A change smaller than twice its uncertainty, or than what anybody hears, is
left alone; what is taken out stays within limits, and more than 5 cents in ten minutes only where
three voices agree that the case warms up or cools down.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

DEADBAND_CENTS = 0.25  # a step of this size shows whether the input follows it
SURE_BY = 1.5  # sigmas
UNPROVEN_CENTS = 0.45  # moved at most until the input has shown a voice's moves
LEAST_STEPS = 1.5  # of the steps that arrive: a smaller error of a sounding note is left alone
SOUNDING_CENTS_PER_S = 1.0
MOST_STEP_CENTS = 0.5  # on a sounding note
SOUNDING_EVERY_S = 0.5
MOVED_WINDOW_S = 600.0
MOVED_WINDOW_CENTS = 5.0
AGREEING_VOICES = 3


@dataclass(frozen=True, slots=True)
class FollowLimits:
    """How far follow may go from what a hand has set.

    Attributes:
        limit_cents: once the case is warm; ``warming_limit_cents`` before.
        warm_s: the case counts as warm so long after power-on. An assumption.
    """

    limit_cents: float = 15.0
    warming_limit_cents: float = 50.0
    warm_s: float = 1800.0

    def at(self, since_power_on_s: float) -> float:
        """Return the limit so long after power-on."""
        warming = since_power_on_s < self.warm_s
        return self.warming_limit_cents if warming else self.limit_cents


class FollowHand:
    """What is taken out of one voice, and its history.

    Attributes:
        applied_cents: taken out at the voice's reference now.
        by_hand_cents: of it by a touch-up by hand.
        start_cents: taken out when it began.
    """

    def __init__(self) -> None:
        self.applied_cents = 0.0
        self.by_hand_cents = 0.0
        self.start_cents = 0.0
        self._past: deque[tuple[float, float]] = deque([(float("-inf"), 0.0)])

    def restart(self, now_s: float, applied_cents: float, by_hand_cents: float) -> None:
        """Begin anew from what is in force."""
        self.applied_cents, self.by_hand_cents = applied_cents, by_hand_cents
        self.start_cents = applied_cents
        self._past.clear()
        self._past.append((now_s, applied_cents))

    def moved(self, now_s: float, cents: float) -> None:
        """Note what is taken out from now on."""
        self.applied_cents = cents
        self._past.append((now_s, cents))

    def window_cents(self, now_s: float) -> float:
        """Return by how much the voice was moved within the last ten minutes."""
        self._trim(now_s)
        return self.applied_cents - self._past[0][1] if self._past else 0.0

    def _trim(self, now_s: float) -> None:
        while len(self._past) > 1 and self._past[1][0] <= now_s - MOVED_WINDOW_S:
            self._past.popleft()

    def wanted(
        self, now_s: float, drift_cents: float, proven: bool, limit_cents: float, agree: bool
    ) -> float:
        """Return what may be taken out of the drift now."""
        self._trim(now_s)
        low, high = self.by_hand_cents - limit_cents, self.by_hand_cents + limit_cents
        places = [cents for _, cents in self._past] or [self.applied_cents]
        if not agree:
            low, high = (
                max(low, max(places) - MOVED_WINDOW_CENTS),
                min(high, min(places) + MOVED_WINDOW_CENTS),
            )
        if not proven:
            low = max(low, self.start_cents - UNPROVEN_CENTS)
            high = min(high, self.start_cents + UNPROVEN_CENTS)
        return max(min(drift_cents, high), low) if low <= high else self.applied_cents


def is_sure(error_cents: float, sigma_cents: float, least_cents: float = 0.0) -> bool:
    """Return whether an error is worth a move at the next note."""
    return abs(error_cents) >= max(DEADBAND_CENTS, least_cents, SURE_BY * sigma_cents)


def sounding_step(error_cents: float, sigma_cents: float, step_cents: float) -> float:
    """Return by how much a sounding note may be moved at once; 0.0 where it is left alone."""
    if abs(error_cents) < max(LEAST_STEPS * step_cents, DEADBAND_CENTS, SURE_BY * sigma_cents):
        return 0.0
    return max(-MOST_STEP_CENTS, min(MOST_STEP_CENTS, error_cents))
