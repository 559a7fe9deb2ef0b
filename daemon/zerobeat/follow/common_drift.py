"""The part of the drift that all voices of a case share, each by its own loading.

Temperature moves oscillators together. The changes of all voices over bins of a minute are
explained by one common change a bin and one loading a voice (a factor model with one factor,
by alternating least squares). A loading is zero until enough bins show it at three sigma; so
a voice that rests is moved by what the others show only once that was learned.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Mapping, Sequence

import numpy as np

BIN_S = 60.0
MOST_BINS = 240
LEAST_BINS = 6  # in which a voice was read, before its loading counts
LEAST_VOICES = 2  # besides it, that show the common change
SHOWN_BY_SIGMAS = 3.0
MOST_REST_CENTS = 3.0  # a resting voice is moved by so much at most
OWN_SIGMA_CENTS = 0.25  # of a voice's own change in a bin
_ROUNDS = 12


class CommonDrift:
    """Learns loadings and estimates the common change.

    Args:
        names: of the voices.
    """

    def __init__(self, names: Sequence[str]) -> None:
        self.names = tuple(names)
        self._place = {name: place for place, name in enumerate(self.names)}
        self._bins: deque[tuple[float, np.ndarray]] = deque(maxlen=MOST_BINS)
        self.loadings = np.zeros(len(self.names))
        self._changes: list[tuple[float, float]] = []  # (end of the bin, common change)
        self._began_s: float | None = None
        self._offsets: dict[str, float] = {}

    def step(self, now_s: float, offsets: Mapping[str, float]) -> None:
        """Close a bin when it is due.

        Args:
            now_s: monotonic seconds.
            offsets: the offset of each voice that was read within the last bin and is trusted.
        """
        if self._began_s is None:
            self._began_s, self._offsets = now_s, dict(offsets)
            return
        if now_s - self._began_s < BIN_S:
            return
        changes = np.full(len(self.names), np.nan)
        for name, offset in offsets.items():
            if name in self._offsets:
                changes[self._place[name]] = offset - self._offsets[name]
        if now_s - self._began_s < 2.0 * BIN_S and np.sum(np.isfinite(changes)) >= 1:
            self._bins.append((now_s, changes))
            self._learn()
        self._began_s, self._offsets = now_s, dict(offsets)

    def _learn(self) -> None:
        table = np.array([changes for _, changes in self._bins])
        known = np.isfinite(table)
        values = np.where(known, table, 0.0)
        noise = OWN_SIGMA_CENTS**2
        loading = np.where(known.any(axis=0), 1.0, 0.0)
        common = np.zeros(len(table))
        for _ in range(_ROUNDS):
            common = (values @ loading) / (known @ loading**2 + noise)
            loading = (common @ values) / (common**2 @ known + noise)
            # The scale is the voices' own: the mean square of the loadings is one.
            size = math.sqrt(max(float(np.mean(loading[loading != 0.0] ** 2)), 1e-12))
            loading = loading / size
        if loading.sum() < 0.0:
            loading = -loading
        common = (values @ loading) / (known @ loading**2 + noise)
        self.loadings = self._shown(values, known, loading)
        self._changes = [(at_s, float(c)) for (at_s, _), c in zip(self._bins, common, strict=True)]

    def _shown(self, values: np.ndarray, known: np.ndarray, loading: np.ndarray) -> np.ndarray:
        """Return the loadings that the others' readings prove; the rest is zero."""
        shown = np.zeros(len(loading))
        for place in range(len(loading)):
            others = [k for k in range(len(loading)) if k != place]
            weights = loading[others]
            both = known[:, place] & (known[:, others].sum(axis=1) >= LEAST_VOICES)
            if both.sum() < LEAST_BINS:
                continue
            rest = (values[both][:, others] @ weights) / (
                known[both][:, others] @ weights**2 + OWN_SIGMA_CENTS**2
            )
            own = values[both, place]
            power = float(rest @ rest)
            if power <= 0.0:
                continue
            slope = float(rest @ own) / power
            left = own - slope * rest
            spread = max(float(np.mean(left**2)), 0.01) / power
            if abs(slope) > SHOWN_BY_SIGMAS * math.sqrt(spread):
                shown[place] = slope
        return shown

    def moved_since(self, name: str, at_s: float) -> float:
        """Return what the common part has done to a voice since it was read last, bounded."""
        loading = float(self.loadings[self._place[name]])
        if loading == 0.0:
            return 0.0
        common = sum(change for end_s, change in self._changes if end_s - 0.5 * BIN_S > at_s)
        return max(-MOST_REST_CENTS, min(MOST_REST_CENTS, loading * common))

    def loading_of(self, name: str) -> float:
        """Return a voice's loading; 0.0 until it is learned."""
        return float(self.loadings[self._place[name]])
