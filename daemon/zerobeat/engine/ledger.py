"""What sounds where: each note-on that was sent, until its one note-off.

A note-off is built from what was sent, never worked out again (requirements
N1, N2). The record changes with each append, so that after a fault the list of
outputs and the ledger still agree.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import final

from ..midi import ChannelPressure, Message, NoteOff, NoteOn


@final
class Marker:
    """Goes to an output among its messages and tells the wire something; see ``Wire.put``."""


LINK_LOST = Marker()  # the output went: nothing may leave
LINK_CUT = Marker()  # it was connected (again): nothing waits, no bend is known
BENDS_UNKNOWN = Marker()  # the receiver may have reset its bends


@final
class MovingBend:
    """The bend of a voice that glides: its value is worked out as it leaves, however late."""

    __slots__ = ("channel", "value_at")

    def __init__(self, channel: int, value_at: Callable[[float], int | None]) -> None:
        self.channel = channel
        self.value_at = value_at  # signed steps at a time in seconds; None: no bend any more


@final
class OnlyNewest:
    """A message of one channel of which only the newest counts; it waits for an idle cable."""

    __slots__ = ("message",)

    def __init__(self, message: ChannelPressure) -> None:
        self.message = message


Outputs = list[tuple[str, Message | Marker | MovingBend | OnlyNewest]]  # with the output's name


class Lane:
    """One channel of one output.

    Attributes:
        notes: numbers that sound, oldest first; a number stands here once.
        up: the output is there; while it isn't, nothing is appended and what
            sounded when it went stays listed for ``reopen``.
    """

    __slots__ = ("output", "channel", "notes", "up", "holders")

    def __init__(self, output: str, channel: int) -> None:
        self.output = output
        self.channel = channel
        self.notes: list[int] = []
        self.up = False
        self.holders: dict[int, set[tuple[str, int]]] = {}  # passed-through notes only

    def on(self, note: int, velocity: int, outputs: Outputs) -> None:
        """Append a note-on; a number that sounds already is released first (N9)."""
        if note in self.notes:
            self.off(note, outputs)
        if self.up:
            outputs.append((self.output, NoteOn(self.channel, note, velocity)))
            self.notes.append(note)

    def off(self, note: int, outputs: Outputs) -> None:
        """Append the note-off of a sounding number; silent numbers need none."""
        if self.up and note in self.notes:
            outputs.append((self.output, NoteOff(self.channel, note)))
            self.notes.remove(note)

    def release(self, outputs: Outputs) -> None:
        """Append a note-off for each number that sounds."""
        for note in tuple(self.notes):
            self.off(note, outputs)

    def press(self, note: int, velocity: int, holder: tuple[str, int], outputs: Outputs) -> None:
        """Pass a key through; a number held by two keys falls with the last (N9)."""
        self.holders.setdefault(note, set()).add(holder)
        self.on(note, velocity, outputs)

    def lift(self, note: int, holder: tuple[str, int], outputs: Outputs) -> None:
        """Let go a key that was passed through."""
        holders = self.holders.get(note)
        if holders is None:
            return
        holders.discard(holder)
        if not holders:
            del self.holders[note]
            self.off(note, outputs)


class Ledger:
    """All lanes, by output and channel."""

    def __init__(self) -> None:
        self._lanes: dict[tuple[str, int], Lane] = {}

    def lane(self, output: str, channel: int) -> Lane:
        """Return the one lane of an output's channel."""
        key = (output, channel)
        found = self._lanes.get(key)
        if found is None:
            found = self._lanes[key] = Lane(output, channel)
        return found

    def of_output(self, output: str) -> list[Lane]:
        """Return the lanes of an output, in channel order."""
        return [lane for (name, _), lane in sorted(self._lanes.items()) if name == output]

    def all(self) -> list[Lane]:
        """Return every lane, by output and channel."""
        return [lane for _, lane in sorted(self._lanes.items())]

    def sounding(self) -> list[tuple[str, int, int]]:
        """Return (output, channel, note) of all that sounds."""
        return [(lane.output, lane.channel, note) for lane in self.all() for note in lane.notes]
