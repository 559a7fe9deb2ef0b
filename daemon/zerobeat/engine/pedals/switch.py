"""One switch: bounce is removed, short and long presses differ. Time comes as an argument."""

from __future__ import annotations

from dataclasses import dataclass

from .bindings import Binding
from .layers import SwitchKey, SwitchPlace

NEVER_S = float("inf")


@dataclass(slots=True)
class Switch:
    """A binding of one input, as its switch stands.

    Attributes:
        raw: the last edge heard; ``down`` is the last one that counted.
        value: what came with it.
        quiet_until_s: until then edges are bounce (requirement F5).
        long_at_s: when the press that is under way becomes a long one.
        owed: a short press that counts when the switch comes up, unless it gets long.
        pressed_s: when it went down last.
    """

    input: str
    binding: Binding
    channel: int
    number: int
    raw: bool = False
    down: bool = False
    value: int = 0
    quiet_until_s: float = float("-inf")
    long_at_s: float | None = None
    owed: bool = False
    pressed_s: float = float("-inf")

    @property
    def place(self) -> SwitchPlace:
        """Return what tells this switch from others: input, source, channel, number."""
        return (self.input, self.binding.source, self.channel, self.number)

    @property
    def key(self) -> SwitchKey:
        return (self.binding, self.place)

    def edge(self, value: int, pressed: bool, now_s: float) -> bool | None:
        """Take one message; return True for a press that counts, False for a release.

        The first edge counts at once; within the debounce time no other does,
        and at its end ``settle`` takes up what has stayed. A switch that sends
        the same value at each press and no release is pressed anew each time;
        a pedal that moves on above the threshold is not.
        """
        again = pressed and self.raw and value == self.value
        if pressed and not self.raw:
            self.pressed_s = now_s
        self.raw, self.value = pressed, value
        if now_s < self.quiet_until_s:
            return None
        if again:
            self.down = False
        return self.settle(now_s)

    def settle(self, now_s: float) -> bool | None:
        """Return the edge that has stayed, if one has."""
        if self.raw == self.down:
            return None
        self.down = self.raw
        self.quiet_until_s = now_s + self.binding.debounce_s
        return self.down

    def cancel(self) -> None:
        """Let the press that is under way come to nothing, also one that may be bounce."""
        self.down = self.raw
        if self.long_at_s is not None:
            self.long_at_s = NEVER_S
        self.owed = False

    @property
    def wake_at_s(self) -> float | None:
        """When this switch wants to be looked at again."""
        long_at_s = self.long_at_s
        moments = [] if long_at_s is None or long_at_s == NEVER_S else [long_at_s]
        if self.raw != self.down:
            moments.append(self.quiet_until_s)
        return min(moments, default=None)
