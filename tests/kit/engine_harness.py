"""Engine and wire without ports: messages in, the bytes that leave out, by a counted clock.

case = EngineHarness(small_rig(2))
case.hear(NoteOn(0, 60, 100))
case.on("out")  # [(0, 60), (1, 60)], channel and note of each note-on that left
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from zerobeat.engine.commands import OutputBack
from zerobeat.engine.engine import Engine
from zerobeat.engine.ledger import Outputs
from zerobeat.engine.settings import Converter, Input, Output, Rig, Scene, Tonight, Voice
from zerobeat.engine.wire import Wire
from zerobeat.midi import Message, NoteOff, NoteOn, PitchBend, parse

KEYS = Input("keys", "Stage Keys:Stage Keys MIDI 1")
LONGEST_S = 10.0  # everything that waits in a wire leaves within this
PLAIN = Converter(gate_gap_s=0.0)
NAMES = ("reed", "horn", "glass", "bass", "floor", "oboe", "pipe", "bell")


def small_rig(
    voices: int | Sequence[Voice] = 1,
    *,
    converter: Converter = PLAIN,
    inputs: Sequence[Input] = (KEYS,),
    **output: Any,
) -> Rig:
    """Return a rig of one output, "out", with so many plain voices, or with those given."""
    if isinstance(voices, int):
        voices = [Voice(name, "out", i) for i, name in enumerate(NAMES[:voices])]
    return Rig(
        tuple(inputs),
        (Output("out", "quad:quad MIDI 1", converter=converter, **output),),
        tuple(voices),
    )


class EngineHarness:
    """An engine, its wire, and all that has left.

    Attributes:
        sent: (seconds, output name, message), as parsed from the bytes.
        made: what the engine made of each event, and of each moment it was woken for.
    """

    def __init__(
        self,
        rig: Rig,
        scenes: Iterable[Scene] = (),
        tonight: Tonight | None = None,
        connected: bool = True,
    ) -> None:
        self.engine = Engine(rig, scenes, tonight)
        self.wire = Wire(rig.outputs)
        self.sent: list[tuple[float, str, Message]] = []
        self.made: list[Outputs] = []
        self.now_s = 0.0
        if connected:
            for output in rig.outputs:
                self.hear(OutputBack(output.name), "", 0.0)
            self.drain()
            self.sent.clear()

    def state(self, name: str) -> Any:
        """Return the engine's state of a voice."""
        return self.engine.states[name]

    def hear(self, message: Any, source: str = "keys", after_s: float = 0.01) -> Sequence[Message]:
        """Play one message ``after_s`` later; return the messages that leave at that moment."""
        self.pass_time(after_s)
        outputs: Outputs = []
        self.engine.receive(message, source, self.now_s, outputs)
        return self.put(outputs)

    def put(self, outputs: Outputs) -> Sequence[Message]:
        """Hand the engine's outputs to the wire and take what may leave."""
        self.made.append(outputs)
        self.wire.put(outputs, self.now_s)
        return self._take()

    def pass_time(self, seconds: float) -> None:
        """Let time go on; what falls due in wire and engine leaves at its own moment."""
        end_s = self.now_s + seconds
        while True:
            moments = (self.wire.wake_at_s, self.engine.wake_at_s)
            soonest = min((at_s for at_s in moments if at_s is not None), default=end_s)
            if soonest >= end_s:
                break
            self.now_s = max(self.now_s, soonest)
            due_s = self.engine.wake_at_s
            if due_s is not None and due_s <= self.now_s:
                outputs: Outputs = []
                self.engine.wake(self.now_s, outputs)
                self.made.append(outputs)
                self.wire.put(outputs, self.now_s)
            self._take()
        self.now_s = end_s

    def drain(self) -> None:
        """Let everything leave that waits in the wire."""
        end_s = self.now_s + LONGEST_S
        while (at_s := self.wire.wake_at_s) is not None:
            assert at_s < end_s, "the wire asks for ever more time"
            self.now_s = max(self.now_s, at_s)
            self._take()

    def stop(self) -> None:
        """Release all and drain, as ``run`` does at its end."""
        self.put(self.engine.release_all())
        self.drain()

    def _take(self) -> list[Message]:
        taken: list[Message] = []
        for name, content in self.wire.take(self.now_s):
            message = parse(content)
            assert message is not None, f"not a message: {content.hex(' ')}"
            self.sent.append((self.now_s, name, message))
            taken.append(message)
        return taken

    # ------------------------------------------------------------ what left

    def heard(self, output: str = "out", channel: int | None = None) -> list[Message]:
        """Return the messages that left on an output, on one channel or all."""
        return [
            m
            for _, name, m in self.sent
            if name == output and (channel is None or getattr(m, "channel", None) == channel)
        ]

    def on(self, output: str = "out") -> list[tuple[int, int]]:
        """Return channel and note of each note-on that left."""
        return [(m.channel, m.note) for m in self.heard(output) if isinstance(m, NoteOn)]

    def off(self, output: str = "out") -> list[tuple[int, int]]:
        """Return channel and note of each note-off that left."""
        return [(m.channel, m.note) for m in self.heard(output) if isinstance(m, NoteOff)]

    def bends(self, output: str = "out", channel: int | None = None) -> list[int]:
        """Return the bends that left."""
        return [m.bend for m in self.heard(output, channel) if isinstance(m, PitchBend)]

    def gates(self, output: str = "out") -> list[tuple[int, int]]:
        """Return channel and note of what sounds, by what left; each on needs its own off."""
        sounding: list[tuple[int, int]] = []
        for message in self.heard(output):
            if isinstance(message, NoteOn):
                assert (message.channel, message.note) not in sounding, f"struck twice: {message}"
                sounding.append((message.channel, message.note))
            elif isinstance(message, NoteOff):
                assert (message.channel, message.note) in sounding, f"stray: {message}"
                sounding.remove((message.channel, message.note))
        return sounding
