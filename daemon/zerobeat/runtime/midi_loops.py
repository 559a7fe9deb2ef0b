"""MIDI loops from an output back to an input: detected, muted and logged (M21).

No player, sequencer or knob sends the same message a hundred times within a second; a
MIDI loop does.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence

WINDOW_S = 1.0
MOST_NOTES = 100  # of one note message: a loop over a DIN cable makes some 200 a second
MOST_OTHERS = 500  # of another: a worn knob flickers between two values, a clock ticks 120 a second
LOOP_QUIET_S = 2.0  # without a message before a muted input plays again
REMEMBERED = 64  # messages sent, to name the output of the loop


class MidiLoopGuard:
    """Counts equal messages of each input.

    Attributes:
        dropped: messages of muted inputs that were not played.
    """

    def __init__(self) -> None:
        self.dropped = 0
        self.sent: deque[tuple[str, bytes]] = deque(maxlen=REMEMBERED)
        self._counts: dict[tuple[str, bytes], int] = {}
        self._since_s = 0.0
        self._muted: dict[str, float] = {}

    @property
    def muted(self) -> tuple[str, ...]:
        """The names of the inputs that are muted."""
        return tuple(self._muted)

    def check(self, name: str, content: Sequence[int], now_s: float) -> str | None:
        """Count a message.

        Returns:
            "" if it may be played, None if it comes from a muted input, else a line for the
            player: this input is muted from now on, so release its notes.
        """
        if self._muted and not self._plays_again(name, now_s):
            self.dropped += 1
            return None
        if not self._since_s <= now_s <= self._since_s + WINDOW_S:
            self._since_s = now_s
            self._counts.clear()
        key = (name, bytes(content))
        count = self._counts.get(key, 0) + 1
        self._counts[key] = count
        if count <= (MOST_NOTES if key[1][0] < 0xA0 else MOST_OTHERS):
            return ""
        self._muted[name] = now_s
        self._counts.clear()
        return self._line(name, key[1], count)

    def _plays_again(self, name: str, now_s: float) -> bool:
        last_s = self._muted.get(name)
        if last_s is None:
            return True
        if now_s - last_s > LOOP_QUIET_S:
            del self._muted[name]
            return True
        self._muted[name] = now_s
        return False

    def _line(self, name: str, content: bytes, count: int) -> str:
        outputs = sorted({output for output, sent in self.sent if sent == content})
        loop = f"what goes out on {', '.join(outputs)} comes back" if outputs else "a loop"
        return (
            f"input {name}: the same message [{content.hex(' ')}] {count} times within a second: "
            f"{loop}; muted until it has been quiet for {LOOP_QUIET_S:g} s. Look at its cables, "
            "its local control and its thru"
        )
