"""What arrives at the daemon's inputs, followed through its socket, and told in words."""

from __future__ import annotations

import select
import time
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

from .. import midi
from ..client.daemon_client import Client
from ..config.describe import named, program
from ..midi import PRESSED
from ..errors import ControlError
from ..midi import Message

SKIPPED_CONTROLLERS = (0, 32, *range(120, 128))  # bank select, channel modes: not a switch


@dataclass(frozen=True, slots=True)
class Heard:
    """One message, when and where it came; ``lost`` counts those before it that were too many."""

    input: str
    at_s: float
    message: Message | None
    raw: bytes
    lost: int = 0


class Hearing:
    """Follows the raw input.

    Args:
        client: a connection that is used for nothing else meanwhile.
    """

    def __init__(self, client: Client) -> None:
        self._client = client
        self._waiting: deque[Heard] = deque()
        client.ask("listen")

    def until(self, end_s: float | None) -> Iterator[Heard]:
        """Yield what comes until a monotonic moment; None: for ever.

        What was heard and not taken comes first next time.

        Raises:
            ControlError: the daemon has stopped.
        """
        self._take()
        while True:
            while self._waiting:
                yield self._waiting.popleft()
            left_s = None if end_s is None else end_s - time.monotonic()
            if left_s is not None and left_s <= 0:
                return
            if select.select([self._client.fileno()], (), (), left_s)[0]:
                self._client.hear()
                self._take()

    def _take(self) -> None:
        for answer in self._client.answers():
            if answer.get("ok") is not True:
                raise ControlError(str(answer.get("error", "refused without a reason")))
            lost = int(answer.get("lost", 0))
            for told in answer.get("heard", ()):
                raw = bytes(told["bytes"])
                message = midi.parse(raw)
                self._waiting.append(Heard(told["input"], told["at_s"], message, raw, lost))
                lost = 0


def told(heard: Heard, numbers_from: int = 1, middle_c_octave: int = 4) -> str:
    """Return a message in words, with the numbers that a binding uses."""
    message = heard.message
    kind = type(message)
    if message is None or not hasattr(message, "channel"):
        return f"{kind.__name__.lower() if message else 'bytes'} {heard.raw.hex(' ')}"
    channel = f"channel number {message.channel + 1}"
    if kind is midi.ControlChange:
        state = "down" if message.value >= PRESSED else "up"
        return f"controller {message.controller}, {channel}, value {message.value} ({state})"
    if kind is midi.ProgramChange:
        return f"{program(message.program, numbers_from)}, {channel}"
    if kind is midi.NoteOn:
        return (
            f"note {named(message.note, middle_c_octave)}, {channel}, velocity {message.velocity}"
        )
    if kind is midi.NoteOff:
        return f"note {named(message.note, middle_c_octave)}, {channel}, released"
    if kind is midi.PitchBend:
        return f"wheel {message.bend:+d}, {channel}"
    return f"pressure {heard.raw[-1]}, {channel}"
