"""How long a note takes from the daemon to the samples of its input, measured from onsets.

Over a cable, through converter, oscillator and sound card the delay is a few milliseconds to
some hundred; it may come out below zero, for blocks of sound are stamped with the earliest moment
they can have been heard. It is measured where a voice begins to sound out of silence.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np

from .expected_pitch import ExpectedPitch
from .stretches import ListenedVoice

BEFORE_S, AFTER_S = 0.3, 0.7  # of sound that is looked at, about an onset
LATEST_S = 0.6  # a longer delay is not looked for
QUIET_S = 0.12  # so long no gate was open on the input; what rings on is found
HOP_S = 0.002
RISE_SHARE = 0.15  # of the level that follows
QUIET_SHARE = 0.4  # before the onset, at most
LEAST_ONSETS = 3
KEPT_ONSETS = 9
MOST_SPREAD_S = 0.04
MARGIN_S = 0.015
MEASURE_EVERY_S = 20.0  # once it is known


@dataclass(frozen=True, slots=True)
class Onset:
    """A note that began out of silence on an input."""

    input: str
    at_s: float


def onset_delay(samples: np.ndarray, rate_hz: float) -> float | None:
    """Return the seconds from ``BEFORE_S`` into the samples to where sound begins; None if none
    does.

    Args:
        samples: shape (n,), from ``BEFORE_S`` before the note was sent.
    """
    hop = max(1, round(HOP_S * rate_hz))
    count = len(samples) // hop
    level = np.abs(samples[: count * hop]).reshape(count, hop).max(axis=1)
    level = np.maximum(level, np.concatenate([level[1:], level[-1:]]))
    loud = float(np.quantile(level, 0.9))
    early = level[: int((BEFORE_S + LATEST_S) / HOP_S)]
    quiet = float(early.min())
    if loud < 1e-3 or quiet > QUIET_SHARE * loud:
        return None
    last = int(np.flatnonzero(early <= max(1.5 * quiet, 0.08 * loud))[-1])
    above = np.flatnonzero(level[last:] > max(RISE_SHARE * loud, 1.5 * quiet))
    if not len(above):
        return None
    found = float(last + above[0]) * HOP_S - BEFORE_S
    return found if -0.9 * BEFORE_S < found < LATEST_S else None


class PathDelays:
    """Chooses onsets and keeps the delays of the inputs.

    Args:
        voices: that are heard.
    """

    def __init__(self, voices: list[ListenedVoice]) -> None:
        self._input = {voice.name: voice.input for voice in voices}
        self._drones = {voice.input for voice in voices if voice.always_heard}
        self._open: dict[str, set[str]] = {voice.input: set() for voice in voices}
        self._quiet_s: dict[str, float] = {}
        self._found: dict[str, deque[float]] = {}
        self._next_s: dict[str, float] = {}
        self.due: deque[Onset] = deque(maxlen=8)

    def hear(self, line: ExpectedPitch) -> None:
        """Take a line of the stream."""
        source = self._input.get(line.voice)
        if source is None:
            return
        sounding = self._open[source]
        if line.gate and line.voice not in sounding:
            quiet_s = line.at_s - self._quiet_s.get(source, line.at_s)
            ready = line.at_s >= self._next_s.get(source, 0.0) and source not in self._drones
            if not sounding and quiet_s >= QUIET_S and ready:
                self.due.append(Onset(source, line.at_s))
            sounding.add(line.voice)
        elif not line.gate:
            sounding.discard(line.voice)
            if not sounding:
                self._quiet_s[source] = line.at_s

    def add(self, onset: Onset, delay_s: float | None) -> tuple[float, float] | None:
        """Take a measured delay; return (least, most) once it is known."""
        if delay_s is None:
            return None
        found = self._found.setdefault(onset.input, deque(maxlen=KEPT_ONSETS))
        found.append(delay_s)
        if len(found) < LEAST_ONSETS:
            return None
        middle = float(np.median(found))
        near = [one for one in found if abs(one - middle) < MOST_SPREAD_S]
        if len(near) < LEAST_ONSETS:
            return None
        self._next_s[onset.input] = onset.at_s + MEASURE_EVERY_S
        return min(near) - MARGIN_S, max(near) + MARGIN_S
